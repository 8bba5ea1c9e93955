"""An album, or a part of it, as it is at one moment: what is handed on."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pestvision.collection.album_tables import CROPS, LABELS, PHOTOS, Table, Value
from pestvision.collection.records import Crop, Label, Wanted
from pestvision.errors import LabelError

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.collection.library import Library

PHOTOS_NAME: Final = "photos"
_FEWEST_HEX: Final = 8
_MAX_STEM: Final = 40
_UNSAFE: Final = re.compile(r"[^A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """A photo with crops in it: its row, where it is stored, and the file it is written to."""

    sha256: str
    file: str
    name: str
    width: int
    height: int
    taken: str | None
    tank: str | None
    camera: str | None
    source: str | None
    stored: Path


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Crops with their photos and labels.

    `photos` are in the order of their first crop, `crops` in that of their numbers; `histories` gives the
    labels of each crop by its number, the oldest first; `alike` the key that it shares with crops which
    look like it.
    """

    photos: tuple[PhotoRow, ...]
    crops: tuple[Crop, ...]
    histories: dict[int, list[Label]]
    alike: dict[int, str]

    def crops_of(self) -> dict[str, list[Crop]]:
        """Give the crops by the sha256 of their photo."""
        found: dict[str, list[Crop]] = {photo.sha256: [] for photo in self.photos}
        for crop in self.crops:
            found[crop.sha256].append(crop)
        return found

    def rows(self) -> dict[Table, list[tuple[Value, ...]]]:
        """Give the rows of the three tables, in the order of their columns."""
        photos: list[tuple[Value, ...]] = [
            (
                *(item.sha256, item.file, item.name, item.width, item.height),
                *(item.taken, item.tank, item.camera, item.source),
            )
            for item in self.photos
        ]
        crops: list[tuple[Value, ...]] = [
            (
                *(crop.key, crop.sha256, *crop.box_xyxy_px),
                *(crop.label, crop.is_disputed, self.alike[crop.id]),
            )
            for crop in self.crops
        ]
        labels: list[tuple[Value, ...]] = [
            (
                *(item.key, crop.key, item.label, item.who, item.kind, item.at),
                *(item.model, item.confidence, item.settles, item.withdrawn_at),
            )
            for crop in self.crops
            for item in self.histories[crop.id]
        ]
        return {PHOTOS: photos, CROPS: crops, LABELS: labels}


def take_snapshot(library: Library, wanted: Wanted | None = None) -> Snapshot:
    """Read an album, or what is wanted of it, while nobody changes it.

    Raises
    ------
    LabelError
        If there is nothing in it.
    """
    with library.database.atomic():  # the rows of one moment belong together
        found = library.search(wanted or Wanted(), limit=-1).crops
        crops = tuple(sorted(found, key=lambda crop: crop.id))
        histories = library.histories([crop.id for crop in crops])
        sizes = {
            int(number): (int(width), int(height))
            for number, width, height in library.database.rows(
                "SELECT id, width, height FROM photos"
            )
        }
    if not crops:
        what = "The album is empty." if wanted is None else "Nothing in the album is as asked for."
        raise LabelError(what, advice="Add photos first, or ask for more.")
    firsts: dict[int, Crop] = {}
    leaders: dict[int, str] = {}
    for crop in crops:
        firsts.setdefault(crop.photo, crop)
        leaders.setdefault(crop.twins, crop.key)
    alike = {crop.id: leaders[crop.twins] for crop in crops}
    files = _file_names(list(firsts.values()))
    photos = tuple(
        PhotoRow(
            *(crop.sha256, files[crop.sha256], crop.photo_name, *sizes[crop.photo]),
            *(crop.taken, crop.tank, crop.camera, crop.source),
            library.picture_path(crop),
        )
        for crop in firsts.values()
    )
    return Snapshot(photos, crops, histories, alike)


def _file_names(firsts: list[Crop]) -> dict[str, str]:
    """Give each photo a readable file name that no other has, also where capitals do not count."""
    names: dict[str, str] = {}
    taken: set[str] = set()
    for crop in firsts:
        n_hex = _FEWEST_HEX
        while True:
            name = f"{crop.sha256[:n_hex]}-{safe_stem(crop.photo_name)}{crop.suffix}"
            if name.casefold() not in taken:
                break
            n_hex += 1
        taken.add(name.casefold())
        names[crop.sha256] = f"{PHOTOS_NAME}/{name}"
    return names


def safe_stem(name: str) -> str:
    """Give a file name without its ending in letters that every system takes."""
    stem = name.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]
    plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode()
    return _UNSAFE.sub("-", plain).strip("-")[:_MAX_STEM].strip("-") or "photo"
