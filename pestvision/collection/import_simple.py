"""Read the two plainest forms of labelled photos: a folder for each label, and a table of boxes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pestvision.collection.album_tables import read_cells
from pestvision.collection.import_found import (
    NOTHING_CHANGED,
    Found,
    Origin,
    TheirBox,
    TheirPhoto,
    found_theirs,
)
from pestvision.errors import PersonError
from pestvision.photos.read import shown_name
from pestvision.storage.disk import reason

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import BoxXyxy

COLUMNS: Final = ("photo", "x0", "y0", "x1", "y1", "label")
"""Of a table of boxes; a column `tank` may be there too, others are not looked at."""
SPLITS: Final = frozenset({"train", "training", "val", "valid", "validation", "test"})
"""Folders of these names hold the folders of labels."""
_NO_PHOTOS: Final = frozenset({".txt", ".md", ".csv", ".json", ".ini", ".db", ".yaml", ".yml"})
_CSV_HEAD: Final = ",".join(COLUMNS)


def label_folders(folder: Path) -> list[Path]:
    """Give the folders in a folder that may hold photos of one label each."""
    inner = [path for path in sorted(folder.iterdir()) if _is_folder(path)]
    if inner and all(path.name.casefold() in SPLITS for path in inner):
        return [path for split in inner for path in sorted(split.iterdir()) if _is_folder(path)]
    return inner


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.name.startswith(".")


def found_folders(folder: Path, origin: Origin) -> Found:
    """Read folders that are named as labels; each photo is a crop of its own."""
    items = [
        TheirPhoto(path.relative_to(folder).as_posix(), (TheirBox(None, place.name),))
        for place in label_folders(folder)
        for path in sorted(place.rglob("*"))
        if _is_photo(path)
    ]
    return found_theirs("image-folder", items, [folder], origin)


def _is_photo(path: Path) -> bool:
    is_hidden = path.name.startswith(".") or path.suffix.casefold() in _NO_PHOTOS
    return not is_hidden and (path.is_file() or path.is_symlink()) and not path.is_dir()


def found_boxes(path: Path, origin: Origin) -> Found:
    """Read a table of boxes: `photo,x0,y0,x1,y1,label`, pixels of the upright photo.

    A row whose four edges are empty is the whole photo; one without a label is added unlabelled.

    Raises
    ------
    PersonError
        If it cannot be read or has other columns.
    """
    name = shown_name(path)
    lines = _lines(path)
    head = _head(lines)
    missing = [column for column in COLUMNS if column not in head]
    if missing:
        message = f"{name} has no column {missing[0]} in its first line."
        advice = f"{NOTHING_CHANGED} Begin it with the line {_CSV_HEAD}, parted by commas."
        raise PersonError(message, advice=advice)
    boxes: dict[str, list[TheirBox]] = {}
    tanks: dict[str, str] = {}
    skipped = []
    for number, cells in lines[1:]:
        row = dict(zip(head, (cell.strip() for cell in cells), strict=False))
        try:
            box = _box(row)
        except ValueError:
            skipped.append((name, f"Line {number} was left out: its edges are no numbers."))
            continue
        if not row.get("photo"):
            skipped.append((name, f"Line {number} was left out: no photo is named."))
            continue
        boxes.setdefault(row["photo"], []).append(TheirBox(box, row.get("label", "")))
        if row.get("tank"):
            tanks.setdefault(row["photo"], row["tank"])
    items = [TheirPhoto(photo, tuple(mine), tank=tanks.get(photo)) for photo, mine in boxes.items()]
    found = found_theirs("boxes", items, [path.parent, path.parent / "photos"], origin)
    return Found("boxes", found.photos, {}, found.unmatched, (*skipped, *found.skipped))


def looks_like_boxes(path: Path) -> bool:
    """Tell whether a file is a table with the columns of boxes."""
    try:
        return set(COLUMNS) <= set(_head(_lines(path)))
    except PersonError:
        return False


def _lines(path: Path) -> list[tuple[int, list[str]]]:
    try:
        return read_cells(path.read_bytes(), shown_name(path))
    except OSError as error:
        message = f"{shown_name(path)} cannot be read: {reason(error)}."
        raise PersonError(message, advice="Check the path and the disk.") from error


def _head(lines: list[tuple[int, list[str]]]) -> list[str]:
    return [name.strip().casefold() for name in lines[0][1]] if lines else []


def _box(row: dict[str, str]) -> BoxXyxy | None:
    """Read the edges of a row: None for the whole photo.

    Raises
    ------
    ValueError
        If they are no numbers.
    """
    edges = [row.get(name, "") for name in COLUMNS[1:5]]
    if not any(edges):
        return None
    x0, y0, x1, y1 = (float(edge) for edge in edges)
    return (x0, y0, x1, y1)
