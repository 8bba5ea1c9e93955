"""What the net says of each crop of the album, asked once and kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pestvision.collection.records import Reading
from pestvision.errors import StoreError
from pestvision.organisms.crops import sharpness
from pestvision.progress import silent

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8
    from pestvision.collection.library import Library
    from pestvision.collection.records import Crop
    from pestvision.organisms.classify import Classifier
    from pestvision.progress import Progress

AT_ONCE = 64
"""Crops read, then written together: what is broken off there is lost, 1.6 seconds of work."""


def readings_of(classifier: Classifier, crops: Sequence[U8]) -> list[Reading]:
    """Let the net read (224, 224, 3) uint8 RGB crops: what the shipped head says, whatever is worn."""
    signatures = classifier.signatures(crops)
    parts = (
        classifier.p_fine_of(signatures),
        classifier.places_of(signatures),
        signatures,
        classifier.novelty_of(signatures),
    )
    return [
        Reading(
            classifier.model,
            p_fine.astype(np.float32),
            place,
            signature,
            sharpness(crop),
            float(novelty),
        )
        for crop, p_fine, place, signature, novelty in zip(crops, *parts, strict=True)
    ]


def read_unread(
    library: Library,
    classifier: Classifier,
    *,
    limit: int = -1,
    labelled_only: bool = False,
    progress: Progress = silent,
) -> int:
    """Let the net read the crops that it has not read yet, the labelled ones first.

    Parameters
    ----------
    library, classifier
        The album and the net. Two cores read about 60 crops a second.
    limit
        Read at most so many; -1 for all.
    labelled_only
        Leave those alone that have no label.
    progress
        Told after every `AT_ONCE` crops.

    Returns
    -------
    int
        How many were read. A crop whose picture is damaged or gone is passed over.
    """
    waiting = library.unread(classifier.model, limit=limit, labelled_only=labelled_only)
    n_read = 0
    for start in range(0, len(waiting), AT_ONCE):
        progress(start, len(waiting), "reading crops")
        part = [
            found for crop in waiting[start : start + AT_ONCE] if (found := _picture(library, crop))
        ]
        readings = readings_of(classifier, [picture for _, picture in part])
        library.note_readings(
            [(crop.id, own) for (crop, _), own in zip(part, readings, strict=True)]
        )
        n_read += len(part)
    progress(len(waiting), len(waiting), "reading crops")
    return n_read


def _picture(library: Library, crop: Crop) -> tuple[Crop, U8] | None:
    try:
        return crop, library.picture(crop)
    except StoreError:
        return None
