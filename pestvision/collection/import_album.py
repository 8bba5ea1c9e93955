"""Take labelled photos into the album: those of another album, or anybody's in an open form.

What is there already stays as it is. Nothing is guessed: where persons now disagree, or boxes that lie on
each other have different labels, it is listed for a person to settle.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.arrays import box_iou
from pestvision.collection.export_album import PACKAGE_NAME, SUMS_NAME
from pestvision.collection.import_coco import found_coco, looks_like_coco, read_json
from pestvision.collection.import_found import NOTHING_CHANGED, Found, Origin, SourceKind
from pestvision.collection.import_own import found_own, read_own
from pestvision.collection.import_simple import (
    COLUMNS,
    found_boxes,
    found_folders,
    label_folders,
    looks_like_boxes,
)
from pestvision.collection.intake import add_photos
from pestvision.collection.records import DONT_KNOW, KEEPER, group_of, require_name, stamp
from pestvision.errors import FolderError, PersonError
from pestvision.organisms.classes import GROUP_OF_FINE
from pestvision.photos.formats import tell_content
from pestvision.photos.read import shown_name
from pestvision.progress import silent
from pestvision.storage.disk import reason

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.collection.library import Library
    from pestvision.collection.records import Label
    from pestvision.progress import Progress

OVERLAP_IOU: Final = 0.7
"""Boxes on one photo that share more of their union than this are likely of one thing."""
_MAX_SOURCE: Final = 60
_WHAT_WOULD_DO: Final = (
    f"{NOTHING_CHANGED} Give an exported album, a COCO JSON file, a folder with a folder of photos for each "
    f"label, or a CSV file with the columns {','.join(COLUMNS)}."
)


@dataclass(frozen=True, slots=True)
class Conflict:
    """A crop on which persons disagree since the import: `said` is each person and their label."""

    crop: int
    photo_name: str
    said: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two crops of one photo that are likely of one thing and have different labels."""

    crops: tuple[int, int]
    photo_name: str
    labels: tuple[str, str]
    iou: float


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did.

    Parameters
    ----------
    kind
        What the source was taken for: `album`, `coco`, `image-folder` or `boxes`.
    action
        Undoes it with `Library.undo`; None where no crop was added.
    crops
        Numbers of the crops that were added.
    n_known
        Crops that were there already.
    n_labels, n_withdrawn
        Labels that were added, and labels of this album that had been taken back in the other since.
    conflicts, overlaps
        What a person should look at; those that were there before are not listed.
    unmatched
        Names in the source that are no label of ours, and how many crops have each: they were added
        without a label.
    skipped
        `(file name, why)` of what could not be used.
    """

    kind: SourceKind
    action: int | None
    crops: tuple[int, ...]
    n_known: int
    n_labels: int
    n_withdrawn: int
    conflicts: tuple[Conflict, ...]
    overlaps: tuple[Overlap, ...]
    unmatched: dict[str, int]
    skipped: tuple[tuple[str, str], ...]


def import_album(
    library: Library, source: Path, *, who: str = KEEPER, progress: Progress = silent
) -> Imported:
    """Take labelled photos in. What the source is, is found out by itself.

    Parameters
    ----------
    library
        The album.
    source
        A folder that `export_album` wrote; a COCO JSON file, or a folder with one; a folder with a folder
        for each label; or a CSV file with the columns `photo,x0,y0,x1,y1,label`.
    who
        Who imports. Of labels that name nobody, who gave them.
    progress
        Told of files checked and photos added.

    Raises
    ------
    PersonError
        If it is none of these, or an exported album that is damaged: then nothing is changed.
    OutputError
        If the disk is full or the album's folder cannot be written to. Finished parts stay, and the same
        import goes on with them.
    """
    who = require_name(who, "the person who imports")
    name = shown_name(source.absolute())[:_MAX_SOURCE]
    found = _look(source, Origin(who, stamp(library.now()), name), progress)
    if not found.photos:
        _refuse_empty(source, found)
    newest = library.database.one("SELECT coalesce(max(id), 0) FROM crops")
    n_before = int(newest[0]) if newest else 0
    disputes, overlaps = _disputed(library), _overlaps(library)
    added = add_photos(
        library, found.photos, who=who, note=name, progress=progress, total=len(found.photos)
    )
    with library.database.atomic():
        n_withdrawn = library.withdraw(_withdrawn(found))
        _put_alike_together(library, found.alike, n_before)
    new_disputes = sorted(_disputed(library) - disputes)
    return Imported(
        found.kind,
        added.action,
        added.crops,
        added.n_known,
        added.n_labels,
        n_withdrawn,
        _conflicts(library, new_disputes),
        tuple(item for pair, item in _overlaps(library).items() if pair not in overlaps),
        found.unmatched,
        (*found.skipped, *added.skipped),
    )


def _look(source: Path, origin: Origin, progress: Progress) -> Found:
    """Find out what a source is, and read it."""
    try:
        if source.is_dir():
            return _look_in(source, origin, progress)
        with source.open("rb") as file:
            head = file.read(4096)
    except (OSError, ValueError) as error:
        why = reason(error) if isinstance(error, OSError) else "its name is none"
        message = f"{shown_name(source)} cannot be read: {why}."
        raise PersonError(message, advice=_WHAT_WOULD_DO) from error
    suffix = source.suffix.casefold()
    if suffix == ".csv":
        return found_boxes(source, origin)
    if suffix == ".json" or head.lstrip()[:1] == b"{":
        return found_coco(source, origin)
    message = f"{shown_name(source)} holds {tell_content(head).words}, not an album."
    if head.startswith(b"PK\x03\x04"):
        advice = f"{NOTHING_CHANGED} Unpack it, and give the folder that comes out."
        raise PersonError(message, advice=advice)
    raise PersonError(message, advice=_WHAT_WOULD_DO)


def _look_in(folder: Path, origin: Origin, progress: Progress) -> Found:
    if any(os.path.lexists(folder / name) for name in (PACKAGE_NAME, SUMS_NAME)):
        return found_own(read_own(folder, progress))
    places = [folder, *(path for path in [folder / "annotations"] if path.is_dir())]
    files = [path for place in places for path in sorted(place.iterdir()) if path.is_file()]
    jsons = [path for path in files if path.suffix.casefold() == ".json"]
    cocos = [path for path in jsons if _is_coco(path)]
    tables = [path for path in files if path.suffix.casefold() == ".csv"]
    boxes = [path for path in tables if looks_like_boxes(path)]
    if len(cocos) > 1 or len(boxes) > 1:
        named = ", ".join(shown_name(path) for path in (cocos + boxes)[:4])
        message = f"The folder {shown_name(folder)} has several files of boxes ({named})."
        raise FolderError(message, advice=f"{NOTHING_CHANGED} Give the path of one of them.")
    if cocos:
        return found_coco(cocos[0], origin)
    if boxes:
        return found_boxes(boxes[0], origin)
    if label_folders(folder):
        return found_folders(folder, origin)
    if jsons:  # says what is wrong with it
        return found_coco(jsons[0], origin)
    if tables:
        return found_boxes(tables[0], origin)
    what = "is empty" if not files else "is no album of labelled photos"
    raise FolderError(f"The folder {shown_name(folder)} {what}.", advice=_WHAT_WOULD_DO)


def _is_coco(path: Path) -> bool:
    try:
        return looks_like_coco(read_json(path))
    except PersonError:
        return False


def _refuse_empty(source: Path, found: Found) -> None:
    """Say why nothing of a source can be used."""
    if found.skipped:
        name, why = found.skipped[0]
        message = f"Nothing in {shown_name(source)} can be used; {name}: {why.rstrip('.')}."
    else:
        message = f"There is no labelled photo in {shown_name(source)}."
    raise PersonError(message, advice=_WHAT_WOULD_DO)


def _withdrawn(found: Found) -> list[tuple[str, str]]:
    return [
        (label.key, label.withdrawn_at)
        for photo in found.photos
        for crop in photo.crops
        for label in crop.labels
        if label.withdrawn_at is not None
    ]


def _put_alike_together(library: Library, alike: dict[str, str], n_before: int) -> None:
    """Have new crops look like those that they looked like in the album they come from.

    The album itself finds what looks alike in the order in which crops come. Where one of them looks like
    a crop that was here before, all of them join that one.
    """
    groups: dict[str, list[tuple[int, int]]] = {}
    for number, key, twins in library.database.rows(
        "SELECT id, key, twins FROM crops WHERE removed IS NULL"
    ):
        if key in alike:
            groups.setdefault(alike[key], []).append((int(number), int(twins)))
    rows = []
    for members in groups.values():
        here = [twins for _, twins in members if twins <= n_before]
        leader = min(here) if here else min(number for number, _ in members)
        rows += [(leader, number) for number, _ in members if number > n_before]
    library.database.run_many("UPDATE crops SET twins = ? WHERE id = ?", rows)


def _disputed(library: Library) -> set[int]:
    sql = "SELECT id FROM crops WHERE is_disputed = 1 AND removed IS NULL"
    return {int(row[0]) for row in library.database.rows(sql)}


def _conflicts(library: Library, numbers: list[int]) -> tuple[Conflict, ...]:
    histories = library.histories(numbers)
    return tuple(
        Conflict(crop.id, crop.photo_name, tuple(sorted(said_of(histories[crop.id]).items())))
        for crop in library.crops(numbers)
    )


def said_of(labels: list[Label]) -> dict[str, str]:
    """Give what each person says of a crop, as far as it counts in `records.agreed`."""
    said: dict[str, str] = {}
    for item in sorted(labels, key=lambda item: (item.at, item.key)):
        if item.kind == "person" and item.withdrawn_at is None:
            if item.settles:
                said.clear()
            said[item.who] = item.label
    return said


def _overlaps(library: Library) -> dict[tuple[int, int], Overlap]:
    """Give pairs of crops that lie on each other and have different labels."""
    rows = library.database.rows(
        "SELECT crops.photo, crops.id, x0, y0, x1, y1, label, name FROM crops "
        "JOIN photos ON photos.id = crops.photo "
        "WHERE removed IS NULL AND label IS NOT NULL AND label <> ? ORDER BY crops.photo, crops.id",
        (DONT_KNOW,),
    )
    of_photo: dict[int, list[tuple[int, tuple[float, ...], str, str]]] = {}
    for photo, number, *edges, label, name in rows:
        of_photo.setdefault(photo, []).append((number, tuple(edges), label, name))
    found = {}
    for items in of_photo.values():
        for one, other in _lying_on_each_other([item[1] for item in items]):
            (first, _, label, name), (second, _, other_label, _) = items[one], items[other]
            if _differ(label, other_label):
                iou = box_iou(items[one][1], items[other][1])  # type: ignore[arg-type]  # four edges
                found[first, second] = Overlap(
                    (first, second), name, (label, other_label), round(iou, 3)
                )
    return found


def _lying_on_each_other(boxes: list[tuple[float, ...]]) -> list[tuple[int, int]]:
    """Give the places of boxes that share more than `OVERLAP_IOU` of their union."""
    if len(boxes) == 1:
        return []
    edges = np.array(boxes)
    areas = (edges[:, 2] - edges[:, 0]) * (edges[:, 3] - edges[:, 1])
    pairs: list[tuple[int, int]] = []
    for one in range(len(boxes) - 1):
        rest = edges[one + 1 :]
        low, high = np.maximum(edges[one, :2], rest[:, :2]), np.minimum(edges[one, 2:], rest[:, 2:])
        shared = (high - low).clip(0).prod(1)
        iou = shared / (areas[one] + areas[one + 1 :] - shared)
        pairs += [(one, one + 1 + int(rank)) for rank in np.flatnonzero(iou > OVERLAP_IOU)]
    return pairs


def _differ(one: str, other: str) -> bool:
    """Tell whether two labels cannot both be right; a group and a class in it can."""
    if group_of(one) != group_of(other):
        return True
    return one != other and one in GROUP_OF_FINE and other in GROUP_OF_FINE
