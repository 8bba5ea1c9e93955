"""What the album is made of: the values a label may take, and the records a reader gets."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from pestvision.errors import LabelError
from pestvision.organisms.classes import (
    FINE_CLASSES,
    FINE_NAMES,
    GROUP_NAMES,
    GROUP_OF_FINE,
    GROUPS,
    Group,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import F32, BoxXyxy

DONT_KNOW = "dont-know"
"""An answer like every other: the person looked and cannot tell."""
LABEL_VALUES: tuple[str, ...] = (*GROUPS, *FINE_NAMES, DONT_KNOW)
"""What a person may label a crop as: a group, or finer, a class of the net, or *I don't know*."""
SHOWN_LABELS: dict[str, str] = {
    **{str(group): GROUP_NAMES[group] for group in GROUPS},
    **{item.name: item.shown for item in FINE_CLASSES},
    DONT_KNOW: "I don’t know",
}
"""Label values in the words a person reads."""
KEEPER = "keeper"
"""Who labels where no name was given."""
MAX_NAME = 60
"""Characters of a person's, a tank's, a camera's or a source's name."""


def group_of(label: str | None) -> Group | None:
    """Give the group of a label; None for *I don't know* and for no label."""
    if label is None or label == DONT_KNOW:
        return None
    return GROUP_OF_FINE.get(label) or Group(label)


def require_label(label: str) -> str:
    """Make sure that a label is one of `LABEL_VALUES`.

    Raises
    ------
    LabelError
        If it is not.
    """
    if label in LABEL_VALUES:
        return label
    message = f"“{label[:MAX_NAME]}” is no label."
    raise LabelError(message, advice=f"Give one of: {', '.join(LABEL_VALUES)}.")


def require_name(name: str, what: str) -> str:
    """Trim a name and make sure that it is one line of readable text.

    Raises
    ------
    LabelError
        If it is empty, too long, or holds something that cannot be printed.
    """
    trimmed = " ".join(name.split())
    if trimmed and len(trimmed) <= MAX_NAME and trimmed.isprintable():
        return trimmed
    why = "is empty" if not trimmed else "cannot be printed or is too long"
    message = f"The name given for {what} {why}."
    raise LabelError(
        message, advice=f"Give one line of 1 to {MAX_NAME} letters, digits and spaces."
    )


def stamp(moment: datetime) -> str:
    """Give a moment as ISO 8601 text in UTC: in the order of time also when sorted as text."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@dataclass(frozen=True, slots=True)
class Label:
    """One label that a crop was given.

    Parameters
    ----------
    key
        Its name in every album that it is copied to.
    label
        One of `LABEL_VALUES`.
    who
        The person, or the net.
    kind
        `person` or `net`.
    model, confidence
        Of a net's label: which, and its calibrated probability. None for a person's.
    at
        When, as `stamp` gives it.
    settles
        Whether it was given to settle a dispute: then it holds against all before it.
    withdrawn_at
        When it was taken back; None while it holds.
    """

    key: str
    label: str
    who: str
    kind: str
    at: str
    model: str | None = None
    confidence: float | None = None
    settles: bool = False
    withdrawn_at: str | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """What a net said of a crop: as `Scores`, and where it lies among what the net knows.

    `p_fine` (14,), `place` (D,), `signature` (1872,), all float32; `model` names the weights.
    """

    model: str
    p_fine: F32
    place: F32
    signature: F32
    sharpness: float
    novelty: float


@dataclass(frozen=True, slots=True)
class NewCrop:
    """A crop to be added: a box of its photo, or the whole of it where None; with labels it already has."""

    box_xyxy_px: BoxXyxy | None = None
    labels: tuple[Label, ...] = ()
    reading: Reading | None = None


@dataclass(frozen=True, slots=True)
class NewPhoto:
    """A photo to be added with its crops.

    `file` is its path, or its bytes; `name` its file name. `taken` is used where the file does not say;
    it goes before a time in the file name.
    """

    file: Path | bytes
    name: str
    crops: tuple[NewCrop, ...] = (NewCrop(),)
    tank: str | None = None
    camera: str | None = None
    source: str | None = None
    taken: str | None = None


@dataclass(frozen=True, slots=True)
class Crop:
    """A crop of the album.

    Parameters
    ----------
    id, key
        Its number here, and its name in every album that it is copied to: of the picture and the box.
    photo, photo_name, sha256, suffix
        The photo it was cut from: number, file name as it came, and the stored file.
    box_xyxy_px
        In pixels of that photo, upright.
    label
        What all persons agree on, or who settled it; None where there is none yet.
    is_disputed
        Whether persons disagree on it. Then `label` is None.
    twins
        Crops with the same number look alike.
    taken, tank, camera, source
        Of the photo, None where not known.
    """

    id: int
    key: str
    photo: int
    photo_name: str
    sha256: str
    suffix: str
    box_xyxy_px: BoxXyxy
    label: str | None
    is_disputed: bool
    twins: int
    taken: str | None
    tank: str | None
    camera: str | None
    source: str | None

    @property
    def group(self) -> Group | None:
        """The group of the label, if any."""
        return group_of(self.label)


@dataclass(frozen=True, slots=True)
class Action:
    """Something that can be undone: an import, or a deletion."""

    id: int
    kind: str
    at: str
    who: str
    note: str
    n_crops: int
    undone_at: str | None


@dataclass(frozen=True, slots=True)
class Counts:
    """How far the labelling is.

    `groups` gives for each group the crops with its label; the others count crops too.
    """

    groups: dict[Group, int]
    n_dont_know: int
    n_unlabelled: int
    n_disputed: int

    @property
    def n_crops(self) -> int:
        """All crops."""
        return sum(self.groups.values()) + self.n_dont_know + self.n_unlabelled + self.n_disputed


@dataclass(frozen=True, slots=True)
class Added:
    """What an import did: `action` undoes it, None where nothing was added.

    `crops` are the numbers of those added; `n_known` were there already; `n_labels` are new labels, on
    either; `skipped` are `(file name, why)`.
    """

    action: int | None
    crops: tuple[int, ...]
    n_known: int
    n_labels: int
    skipped: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to search for; what is None or empty does not matter.

    `label` is a label value, a group (which finds its classes too), `unlabelled` or `disputed`; `since`
    and `until` are dates of the photo as ISO text; `text` a part of the photo's name or source.
    """

    label: str | None = None
    tank: str | None = None
    since: str | None = None
    until: str | None = None
    text: str | None = None


UNLABELLED = "unlabelled"
DISPUTED = "disputed"


def agreed(labels: Sequence[Label]) -> tuple[str | None, bool]:
    """Give the label that persons agree on, and whether they dispute it.

    Parameters
    ----------
    labels
        All labels of a crop, in any order. A net's and what was taken back do not count; of each person
        the last counts; one that settles holds against all before it.

    Returns
    -------
    tuple
        Of *I don't know* and a label, the label counts; of a group and a class in it, the class; of two
        classes of one group, the group. Labels of two groups are a dispute: `(None, True)`.
    """
    last: dict[str, Label] = {}
    for item in sorted(labels, key=lambda item: (item.at, item.key)):
        if item.kind != "person" or item.withdrawn_at is not None:
            continue
        if item.settles:
            last.clear()
        last[item.who] = item
    values = {item.label for item in last.values()}
    if not values:
        return None, False
    known = values - {DONT_KNOW}
    if not known:
        return DONT_KNOW, False
    groups = {group_of(value) for value in known}
    if len(groups) > 1:
        return None, True
    fine = {value for value in known if value in GROUP_OF_FINE}
    return (fine.pop() if len(fine) == 1 else str(groups.pop())), False


@dataclass(frozen=True, slots=True)
class Page:
    """A part of what a search found: its crops, and how many there are in all."""

    crops: tuple[Crop, ...]
    n_found: int = field(default=0)
