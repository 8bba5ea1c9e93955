"""What was found in somebody's folder or file, and the care with which their photos are looked for."""

from __future__ import annotations

import hashlib
import math
import os
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from pestvision.collection.import_names import label_of, means_no_label
from pestvision.collection.intake import BOX_DECIMALS
from pestvision.collection.library import PICTURE_SETTINGS
from pestvision.collection.records import Label, NewCrop, NewPhoto
from pestvision.errors import PersonError, PhotoError
from pestvision.photos.read import read_bytes, read_header_bytes, shown_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import BoxXyxy

SourceKind: TypeAlias = Literal["album", "coco", "image-folder", "boxes"]

NOTHING_CHANGED: Final = "Nothing was changed."
_KEY_LENGTH: Final = 24  # letters, as those of our own labels
_MAX_SHOWN: Final = 60  # characters of a name in a sentence


@dataclass(frozen=True, slots=True)
class Found:
    """What a source holds, ready to be added.

    Parameters
    ----------
    kind
        What it was taken for.
    photos
        With their crops and labels.
    alike
        Of an album: by the key of each crop, the key that crops which look alike share.
    unmatched
        Names that are none of ours, and how many crops have each; those are added without a label.
    skipped
        `(file name, why)` of what cannot be used.
    """

    kind: SourceKind
    photos: tuple[NewPhoto, ...]
    alike: dict[str, str] = field(default_factory=dict)
    unmatched: dict[str, int] = field(default_factory=dict)
    skipped: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class TheirBox:
    """A box of somebody else's, the whole photo where None, and what they call what is in it."""

    box_xyxy_px: BoxXyxy | None
    name: str


@dataclass(frozen=True, slots=True)
class TheirPhoto:
    """A photo of somebody else's: its file within the folder, and its boxes.

    `size` is the width and height that its boxes are meant for, None where that was not said.
    """

    file: str
    boxes: tuple[TheirBox, ...]
    size: tuple[int, int] | None = None
    tank: str | None = None


@dataclass(frozen=True, slots=True)
class Origin:
    """Who labelled what is found, when it is said to have been labelled, and where it came from."""

    who: str
    at: str
    source: str


def inside(root: Path, name: str) -> Path:
    """Give the path of a file in a folder.

    Raises
    ------
    PersonError
        If the name leads out of the folder, itself or by a link.
    """
    spoken = name.replace("\\", "/")
    leads_out = (
        not spoken.strip("/")
        or "\0" in spoken
        or PureWindowsPath(spoken).drive
        or PurePosixPath(spoken).is_absolute()
        or ".." in PurePosixPath(spoken).parts
    )
    path = root / ("" if leads_out else spoken)
    try:
        leads_out = leads_out or not path.resolve().is_relative_to(root.resolve())
    except (OSError, RuntimeError, ValueError):  # a ring of links, or no name at all
        leads_out = True
    if leads_out:
        message = f"“{shown(name)}” leads out of the folder {shown_name(root)}."
        raise PersonError(message, advice="Give a file that lies in the folder.")
    return path


def shown(text: str) -> str:
    """Give a text of somebody else's fit for a sentence."""
    line = "".join(sign if sign.isprintable() else "?" for sign in text)
    return line if len(line) <= _MAX_SHOWN else f"{line[:_MAX_SHOWN]}…"


def found_theirs(
    kind: SourceKind, items: Sequence[TheirPhoto], roots: Sequence[Path], origin: Origin
) -> Found:
    """Look somebody else's photos up, and match their names to our labels.

    Parameters
    ----------
    kind
        What the source is.
    items
        Photos with their boxes.
    roots
        Folders in which files are looked for, the first first.
    origin
        Who labelled them, and where they came from.
    """
    told = _Told([], Counter())
    read = []
    for item in items:
        try:
            read.append(_read(item, _path_of(item, roots), told))
        except PersonError as error:
            told.skipped.append((shown(item.file), error.sentence()))
    names_of: dict[tuple[str, BoxXyxy | None], set[str]] = {}
    for photo in read:
        for place, labels in photo.labels_of.items():
            names_of.setdefault((photo.sha256, place), set()).update(labels)
    for photo in read:
        for place in photo.labels_of:
            names = names_of[photo.sha256, place]
            if len(names) > 1:
                why = (
                    f"One box on it is called {', '.join(sorted(names))}; it was added unlabelled."
                )
                told.skipped.append((photo.name, why))
    photos = tuple(_new_photo(photo, names_of, origin) for photo in read if photo.labels_of)
    return Found(kind, photos, {}, dict(told.unmatched), tuple(told.skipped))


@dataclass(frozen=True, slots=True)
class _Told:
    """What is told of a source: what cannot be used, and names that are none of ours."""

    skipped: list[tuple[str, str]]
    unmatched: Counter[str]


@dataclass(frozen=True, slots=True)
class _Read:
    """A photo of somebody else's that can be used, and our labels for each of its boxes."""

    path: Path
    name: str
    sha256: str
    tank: str | None
    labels_of: dict[BoxXyxy | None, set[str]]


def _path_of(item: TheirPhoto, roots: Sequence[Path]) -> Path:
    paths = [inside(root, item.file) for root in roots]
    # an impossible name is no error here: os.path says that nothing is there, and pathlib raises
    there = (path for path in paths if os.path.exists(path))  # noqa: PTH110
    return next(there, paths[0])


def _read(item: TheirPhoto, path: Path, told: _Told) -> _Read:
    """Read the header of a photo of somebody else's, and match what its boxes are called.

    Raises
    ------
    PhotoError
        If it cannot be used.
    """
    data = read_bytes(path, settings=PICTURE_SETTINGS)
    header, _ = read_header_bytes(data, path.name, settings=PICTURE_SETTINGS)
    size = (header.width, header.height)
    if item.size is not None and item.size != size:
        message = (
            f"Its boxes are for a photo of {item.size[0]} × {item.size[1]} pixels, and it has "
            f"{size[0]} × {size[1]}."
        )
        raise PhotoError(message, advice="Give the photo that was labelled, or its boxes anew.")
    labels_of: dict[BoxXyxy | None, set[str]] = {}
    for rank, box in enumerate(item.boxes, start=1):
        if box.box_xyxy_px is not None and not _is_on(box.box_xyxy_px, size):
            why = f"Box {rank} on it is empty, lies outside, or is no number; it was left out."
            told.skipped.append((shown_name(path), why))
            continue
        labels = labels_of.setdefault(_rounded(box.box_xyxy_px), set())
        label = label_of(box.name)
        if label is not None:
            labels.add(label)
        elif not means_no_label(box.name):
            told.unmatched[shown(box.name)] += 1
    sha256 = hashlib.sha256(data).hexdigest()
    return _Read(path, shown_name(path), sha256, item.tank, labels_of)


def _new_photo(
    photo: _Read, names_of: dict[tuple[str, BoxXyxy | None], set[str]], origin: Origin
) -> NewPhoto:
    """Make a photo of somebody else's one of ours; a box with several labels gets none."""
    crops = []
    for place in photo.labels_of:
        names = names_of[photo.sha256, place]
        given = [_label(name, f"{photo.sha256} {place}", origin) for name in names]
        crops.append(NewCrop(place, tuple(given if len(given) == 1 else ())))
    return NewPhoto(photo.path, photo.name, tuple(crops), tank=photo.tank, source=origin.source)


def _label(label: str, what: str, origin: Origin) -> Label:
    """Give a label whose key is the same whenever the same thing is given again."""
    facts = f"{what} {label} {origin.who}"
    key = hashlib.sha256(facts.encode()).hexdigest()[:_KEY_LENGTH]
    return Label(key, label, origin.who, "person", origin.at)


def _is_on(box: BoxXyxy, size: tuple[int, int]) -> bool:
    x0, y0, x1, y1 = box
    if not all(math.isfinite(value) for value in box):
        return False
    return x0 < x1 and y0 < y1 and x0 < size[0] and y0 < size[1] and x1 > 0 and y1 > 0


def _rounded(box: BoxXyxy | None) -> BoxXyxy | None:
    if box is None:
        return None
    x0, y0, x1, y1 = (round(value, BOX_DECIMALS) for value in box)
    return (x0, y0, x1, y1)
