"""Read a JSON file of COCO's detection form: one of ours, or anybody's."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

from pestvision.collection.album_tables import CROPS, LABELS, PHOTOS, Table, as_cell
from pestvision.collection.export_coco import FORMAT, OWN_KEY
from pestvision.collection.import_found import (
    NOTHING_CHANGED,
    Found,
    Origin,
    TheirBox,
    TheirPhoto,
    found_theirs,
    shown,
)
from pestvision.collection.import_own import (
    OwnAlbum,
    damaged_album,
    found_own,
    require_joined,
    require_sum,
)
from pestvision.errors import PersonError
from pestvision.photos.read import shown_name
from pestvision.storage.disk import reason

if TYPE_CHECKING:
    from pathlib import Path

_LISTS: Final = ("images", "annotations", "categories")
_ASIDE: Final = "annotations"
"""A folder of this name holds the JSON files of photos that lie beside it."""
_PHOTO_FOLDERS: Final = ("images", "photos", "train", "val", "test")
_BOX_NUMBERS: Final = 4


def read_json(path: Path) -> Any:
    """Read a JSON file.

    Raises
    ------
    PersonError
        If it cannot be read, or is none.
    """
    try:
        return json.loads(path.read_bytes())
    except OSError as error:
        message = f"{shown_name(path)} cannot be read: {reason(error)}."
        raise PersonError(message, advice="Check the path and the disk.") from error
    except (ValueError, RecursionError) as error:
        message = f"{shown_name(path)} is no JSON file that can be read."
        raise PersonError(message, advice=f"{NOTHING_CHANGED} Have it written again.") from error


def looks_like_coco(data: Any) -> bool:
    """Tell whether a JSON value has the lists that COCO's detection form has."""
    return isinstance(data, dict) and all(isinstance(data.get(name), list) for name in _LISTS)


def found_coco(path: Path, origin: Origin) -> Found:
    """Read a COCO file and look its photos up.

    Raises
    ------
    PersonError
        If it is no COCO file, or one of ours and damaged.
    """
    data = read_json(path)
    if not looks_like_coco(data):
        message = (
            f"{shown_name(path)} is JSON, but not COCO: {', '.join(_LISTS)} were expected in it."
        )
        raise PersonError(message, advice=f"{NOTHING_CHANGED} Export detection boxes as COCO JSON.")
    if _is_ours(data):
        return found_own(_own(path.parent, data))
    return _theirs(path, data, origin)


def _is_ours(data: dict[str, Any]) -> bool:
    info = data.get("info")
    if not isinstance(info, dict) or info.get(OWN_KEY) != FORMAT:
        return False
    items = [*data["images"], *data["annotations"]]
    return all(isinstance(item, dict) and isinstance(item.get(OWN_KEY), dict) for item in items)


def _own(folder: Path, data: dict[str, Any]) -> OwnAlbum:
    """Make the tables again of a file of ours."""
    photos, sha256_of = [], {}
    for image in data["images"]:
        facts = image[OWN_KEY] | {name: image.get(name) for name in ("width", "height")}
        row = _row(folder, PHOTOS, facts | {"file": image.get("file_name")})
        require_sum(folder, row["file"], row["sha256"])
        photos.append(row)
        sha256_of[_id(image.get("id"))] = row["sha256"]
    crops, labels = [], []
    for item in data["annotations"]:
        box = _box(item)
        if box is None:
            raise damaged_album(folder, "a box in it is none")
        own = item[OWN_KEY]
        edges = dict(zip(("x0", "y0", "x1", "y1"), (round(value, 1) for value in box), strict=True))
        facts = own | edges | {"photo": sha256_of.get(_id(item.get("image_id")))}
        crops.append(_row(folder, CROPS, facts))
        given = own.get("labels")
        for label in given if isinstance(given, list) else [None]:
            if not isinstance(label, dict):
                raise damaged_album(folder, "the labels of a crop in it are none")
            labels.append(_row(folder, LABELS, label | {"crop": own.get("key")}))
    return require_joined(OwnAlbum(folder, photos, crops, labels))


def _row(folder: Path, table: Table, facts: dict[str, Any]) -> dict[str, Any]:
    """Hold values against the columns of a table."""
    row = {}
    for column in table.columns:
        value = facts.get(column.name)
        try:
            if not isinstance(value, str | int | float | bool | None):
                raise damaged_album(folder, f"{column.name} in it is no single value")
            row[column.name] = column.read(as_cell(value))
        except ValueError as error:
            raise damaged_album(folder, f"{column.name} in it: {error}") from error
    return row


def _theirs(path: Path, data: dict[str, Any], origin: Origin) -> Found:
    names = {
        _id(item.get("id")): str(item.get("name", ""))
        for item in data["categories"]
        if isinstance(item, dict)
    }
    boxes: dict[str, list[TheirBox]] = {}
    for item in data["annotations"]:
        if isinstance(item, dict) and not item.get("iscrowd"):
            nan = float("nan")  # a box that is none is told with its photo
            box = TheirBox(_box(item) or (nan, nan, nan, nan), _name(item, names))
            boxes.setdefault(_id(item.get("image_id")), []).append(box)
    items = []
    lost = dict(boxes)
    for image in data["images"]:
        if not isinstance(image, dict) or not isinstance(image.get("file_name"), str):
            continue
        mine = lost.pop(_id(image.get("id")), [])
        if mine:
            size = (image.get("width"), image.get("height"))
            is_told = all(type(value) is int and value > 0 for value in size)
            items.append(TheirPhoto(image["file_name"], tuple(mine), size if is_told else None))  # type: ignore[arg-type]
    found = found_theirs("coco", items, _roots(path), origin)
    n_lost = sum(len(mine) for mine in lost.values())
    if not n_lost:
        return found
    why = f"{n_lost} of its boxes are on images that it does not name; they were left out."
    return Found("coco", found.photos, {}, found.unmatched, (*found.skipped, (path.name, why)))


def _name(item: dict[str, Any], names: dict[str, str]) -> str:
    """Give what an annotation is called; a category that is not listed is told by its number."""
    if "category_id" not in item:
        return ""
    number = _id(item["category_id"])
    return names.get(number, f"category {shown(number)}")


def _id(value: object) -> str:
    """Give a number or a text by which one thing points at another, as something to look up."""
    return repr(value)


def _box(item: dict[str, Any]) -> tuple[float, float, float, float] | None:
    box = item.get("bbox")
    if not isinstance(box, list) or len(box) != _BOX_NUMBERS:
        return None
    if not all(isinstance(value, int | float) and not isinstance(value, bool) for value in box):
        return None
    try:
        x, y, width, height = (float(value) for value in box)
    except OverflowError:  # a whole number of hundreds of digits
        return None
    return (x, y, x + width, y + height)


def _roots(path: Path) -> list[Path]:
    """Give the folders in which a COCO file's photos may lie."""
    tops = [path.parent]
    if path.parent.name == _ASIDE:
        tops.append(path.parent.parent)
    return [*tops, *(top / name for top in tops for name in _PHOTO_FOLDERS)]
