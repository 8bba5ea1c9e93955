"""Read an album that was exported by this program: checked wholly before anything is made of it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pestvision.collection.album_tables import (
    CROPS,
    LABELS,
    PHOTOS,
    TABLES,
    Table,
    read_table,
)
from pestvision.collection.export_album import PACKAGE_NAME, PROFILE, SUMS_NAME
from pestvision.collection.import_found import NOTHING_CHANGED, Found, inside, shown
from pestvision.collection.intake import crop_key
from pestvision.collection.records import Label, NewCrop, NewPhoto
from pestvision.errors import PersonError
from pestvision.photos.read import shown_name
from pestvision.progress import silent
from pestvision.storage.disk import reason

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.progress import Progress

_GET_ANOTHER: Final = f"{NOTHING_CHANGED} Copy the folder again, or have it exported again."
_BLOCK: Final = 1 << 20
_MAX_TEXT_BYTES: Final = 1 << 30  # of a table: some two million labels


@dataclass(frozen=True, slots=True)
class OwnAlbum:
    """The rows of an exported album, by column, and the folder that its files lie in."""

    folder: Path
    photos: list[dict[str, Any]]
    crops: list[dict[str, Any]]
    labels: list[dict[str, Any]]


def damaged_album(folder: Path, why: str) -> PersonError:
    """Give the error for an exported album that is not what it was."""
    message = f"The album in {shown_name(folder)} is damaged: {why}."
    return PersonError(message, advice=_GET_ANOTHER)


def read_own(folder: Path, progress: Progress = silent) -> OwnAlbum:
    """Check an exported album wholly, and read its tables.

    Raises
    ------
    PersonError
        If it is none, of a newer form, or a file is damaged, missing, or leads out of the folder.
    """
    _require_own(folder)
    sums = _sums(folder)
    for name in (PACKAGE_NAME, *(table.file for table in TABLES)):
        if name not in sums:
            raise damaged_album(folder, f"{SUMS_NAME} does not list {name}")
    for done, (name, sha256) in enumerate(sums.items()):
        progress(done, len(sums), "checking files")
        require_sum(folder, name, sha256)
    rows = {table: _rows(folder, table) for table in TABLES}
    album = OwnAlbum(folder, rows[PHOTOS], rows[CROPS], rows[LABELS])
    for photo in album.photos:
        if sums.get(photo["file"]) != photo["sha256"]:
            why = f"{shown(photo['file'])} is another picture than {PHOTOS.file} says"
            raise damaged_album(folder, why)
    return require_joined(album)


def _rows(folder: Path, table: Table) -> list[dict[str, Any]]:
    return read_table(table, _text(folder, table.file))


def _require_own(folder: Path) -> None:
    try:
        package = json.loads(_text(folder, PACKAGE_NAME))
    except (ValueError, RecursionError) as error:
        raise damaged_album(folder, f"{PACKAGE_NAME} is no JSON") from error
    made_by = package.get("album") if isinstance(package, dict) else None
    if made_by == PROFILE:
        return
    message = f"{PACKAGE_NAME} in {shown_name(folder)} describes no album that this version knows."
    raise PersonError(
        message, advice=f"{NOTHING_CHANGED} Install the newest pestvision, or give another folder."
    )


def _text(folder: Path, name: str) -> bytes:
    path = inside(folder, name)
    try:
        if path.stat().st_size > _MAX_TEXT_BYTES:
            raise damaged_album(folder, f"{name} is far too large")
        return path.read_bytes()
    except FileNotFoundError as error:
        raise damaged_album(folder, f"{name} is missing") from error
    except OSError as error:
        raise damaged_album(folder, f"{name} cannot be read ({reason(error)})") from error


def _sums(folder: Path) -> dict[str, str]:
    """Read the checksums, by file; in the form of `sha256sum`."""
    sums: dict[str, str] = {}
    try:
        lines = _text(folder, SUMS_NAME).decode().removesuffix("\n").split("\n")
    except UnicodeDecodeError as error:
        raise damaged_album(folder, f"{SUMS_NAME} is no text") from error
    n_hex = 64
    for line in lines:
        sha256, name = line[:n_hex], line[n_hex + 2 :]
        is_sum = len(sha256) == n_hex and set(sha256) <= set("0123456789abcdef")
        if not is_sum or line[n_hex : n_hex + 2] != "  " or not name:
            raise damaged_album(folder, f"{SUMS_NAME} holds a line that is no checksum")
        sums[name] = sha256
    return sums


def require_sum(folder: Path, name: str, sha256: str) -> None:
    """Make sure that a file of an album is what it was.

    Raises
    ------
    PersonError
        If it is not, is missing, or leads out of the folder.
    """
    path = inside(folder, name)
    found = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                found.update(block)
    except FileNotFoundError as error:
        raise damaged_album(folder, f"{shown(name)} is missing") from error
    except OSError as error:
        raise damaged_album(folder, f"{shown(name)} cannot be read ({reason(error)})") from error
    if found.hexdigest() != sha256:
        raise damaged_album(folder, f"{shown(name)} is not what it was")


def require_joined(album: OwnAlbum) -> OwnAlbum:
    """Make sure that every crop has its photo and every label its crop, each once, and that boxes are boxes.

    Raises
    ------
    PersonError
        If not.
    """
    for rows, key in ((album.photos, "sha256"), (album.crops, "key"), (album.labels, "key")):
        if len({row[key] for row in rows}) < len(rows):
            raise damaged_album(album.folder, f"a {key} in it stands twice")
    photos = {photo["sha256"] for photo in album.photos}
    crops = {crop["key"] for crop in album.crops}
    for crop in album.crops:
        if crop["photo"] not in photos:
            raise damaged_album(album.folder, f"crop {crop['key']} is of no photo in it")
        x0, y0, x1, y1 = (crop[name] for name in ("x0", "y0", "x1", "y1"))
        if not (x0 < x1 and y0 < y1):
            raise damaged_album(album.folder, f"the box of crop {crop['key']} is empty")
    for label in album.labels:
        if label["crop"] not in crops:
            raise damaged_album(album.folder, f"label {label['key']} is of no crop in it")
        if label["kind"] == "net" and label["model"] is None:
            raise damaged_album(album.folder, f"label {label['key']} is of a net without a name")
    return album


def found_own(album: OwnAlbum) -> Found:
    """Make an album's rows ready to be added; labels keep their keys."""
    labels_of: dict[str, list[Label]] = {}
    for row in album.labels:
        facts = {name: value for name, value in row.items() if name != "crop"}
        labels_of.setdefault(row["crop"], []).append(Label(**facts))
    crops_of: dict[str, list[NewCrop]] = {}
    alike: dict[str, str] = {}
    for row in album.crops:
        box = (row["x0"], row["y0"], row["x1"], row["y1"])
        crops = crops_of.setdefault(row["photo"], [])
        crops.append(NewCrop(box, tuple(labels_of.get(row["key"], ()))))
        alike[crop_key(row["photo"], box)] = row["alike"]
    photos = tuple(
        NewPhoto(
            inside(album.folder, row["file"]),
            row["name"] or "",
            tuple(crops_of[row["sha256"]]),
            tank=row["tank"],
            camera=row["camera"],
            source=row["source"],
            taken=row["taken"],
        )
        for row in album.photos
        if row["sha256"] in crops_of
    )
    return Found("album", photos, alike)
