"""From a checked photo to crops for the album: what was found on it, with what the net said."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pestvision.collection.library import new_key
from pestvision.collection.records import Label, NewCrop, stamp
from pestvision.organisms.classes import CANT_TELL

if TYPE_CHECKING:
    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import Judgement, PhotoCheck

NET = "net"
"""Who labelled, where the net did."""


def crops_of(
    found: PhotoCheck, model: str, *, label: str | None = None, who: str = ""
) -> tuple[NewCrop, ...]:
    """Give what was found on a photo as crops for the album; the whole photo where nothing stood out.

    Parameters
    ----------
    found
        The answer for the photo.
    model
        Names the net that gave it.
    label, who
        A person's label for all of it, and whose; None for none.
    """
    boxes: list[tuple[BoxXyxy | None, Judgement]] = [
        (item.box_xyxy_px, item.judgement) for item in found.findings
    ]
    return tuple(
        NewCrop(box, labels_for(judgement, model, label=label, who=who))
        for box, judgement in boxes or [(None, found.verdict)]
    )


def labels_for(
    judgement: Judgement, model: str, *, label: str | None = None, who: str = ""
) -> tuple[Label, ...]:
    """Give the label of the net, none where it could not tell, and that of a person."""
    mine = labels_of_person(label, who)
    if judgement.label == CANT_TELL:
        return mine
    at = stamp(datetime.now(UTC))
    p = round(judgement.confidence, 4)
    return (Label(new_key(), judgement.label, NET, "net", at, model, p), *mine)


def labels_of_person(label: str | None, who: str) -> tuple[Label, ...]:
    """Give a person's label of now; none where None."""
    if label is None:
        return ()
    return (Label(new_key(), label, who, "person", stamp(datetime.now(UTC))),)
