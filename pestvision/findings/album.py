"""From what was judged to crops and labels for the album: what was found, and what the net said of it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pestvision.collection.library import new_key
from pestvision.collection.records import Label, NewCrop, stamp
from pestvision.organisms.classes import CANT_TELL
from pestvision.storage.files import sha256_of

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import Judgement, PhotoCheck
    from pestvision.organisms.classify import Classifier

NET = "net"
"""Who labelled, where the net did."""
KEY_LENGTH = 24  # hexadecimal digits, as the keys of people's labels have


def judge_of(classifier: Classifier) -> str:
    """Name who judges: the net's weights, and the version of what it learned from a keeper's labels."""
    head = classifier.head
    return classifier.model if head is None else f"{classifier.model} version {head.version}"


def crops_of(
    found: PhotoCheck, path: Path, judge: str, *, label: str | None = None, who: str = ""
) -> tuple[NewCrop, ...]:
    """Give what was found on a photo as crops for the album; the whole photo where nothing stood out.

    Parameters
    ----------
    found
        The answer for the photo.
    path
        The photo's file.
    judge
        Who gave the answer, as `judge_of` names it.
    label, who
        A person's label for all of it, and whose; None for none.
    """
    boxes: list[tuple[BoxXyxy | None, Judgement]] = [
        (item.box_xyxy_px, item.judgement) for item in found.findings
    ]
    sha256 = sha256_of(path.read_bytes())
    return tuple(
        NewCrop(box, (*net_labels(judgement, judge, sha256, box), *labels_of_person(label, who)))
        for box, judgement in boxes or [(None, found.verdict)]
    )


def net_labels(
    judgement: Judgement, judge: str, sha256: str, box_xyxy_px: BoxXyxy | None
) -> tuple[Label, ...]:
    """Give the net's own label; none where it could not tell.

    Parameters
    ----------
    judgement
        What it said.
    judge
        As `judge_of` names it.
    sha256
        Of the photo's file.
    box_xyxy_px
        The place on it, None for the whole.

    Returns
    -------
    tuple
        Its key is the same whenever the same judge says the same of this place, so that a photo which is
        added again gets no second label.
    """
    if judgement.label == CANT_TELL:
        return ()
    facts = f"{judge} {sha256} {box_xyxy_px} {judgement.label}"
    key = sha256_of(facts.encode())[:KEY_LENGTH]
    at = stamp(datetime.now(UTC))
    p = round(float(judgement.confidence), 4)
    return (Label(key, judgement.label, NET, "net", at, model=judge, confidence=p),)


def labels_of_person(label: str | None, who: str) -> tuple[Label, ...]:
    """Give a person's label of now; none where None."""
    if label is None:
        return ()
    return (Label(new_key(), label, who, "person", stamp(datetime.now(UTC))),)
