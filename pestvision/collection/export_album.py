"""Write an album, or a part of it, to a folder that others and other programs can read."""

from __future__ import annotations

import hashlib
import io
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from PIL import Image

import pestvision
from pestvision.collection.album_tables import TABLES, written
from pestvision.collection.datasheet import DATASHEET_NAME, write_datasheet
from pestvision.collection.export_coco import COCO_NAME, as_coco
from pestvision.collection.records import DONT_KNOW, Wanted, require_name, stamp
from pestvision.collection.snapshot import PHOTOS_NAME, PhotoRow, Snapshot, take_snapshot
from pestvision.errors import OutputError, PersonError, StoreError
from pestvision.organisms.caution import CAUTION
from pestvision.organisms.net import INPUT_PX
from pestvision.progress import silent
from pestvision.storage.disk import require_space
from pestvision.storage.files import sha256_of
from pestvision.storage.whole_folder import whole_folder

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.collection.library import Library
    from pestvision.collection.records import Crop
    from pestvision.progress import Progress

LAYOUTS: Final = ("image-folder", "coco", "table")
PACKAGE_NAME: Final = "datapackage.json"
SUMS_NAME: Final = "SHA256SUMS"
BY_LABEL_NAME: Final = "by_label"
PROFILE: Final = "pestvision-album-1"
"""Under the key `album` of `datapackage.json`: says that the folder is one of ours, and of which form."""
_CROP_BYTES: Final = INPUT_PX * INPUT_PX * 3 + 1024  # a PNG that compresses nothing
_ROW_BYTES: Final = 2048  # of a crop or a label in all tables together, with room
_FIXED_BYTES: Final = 1 << 20
_PNG_LEVEL: Final = 3  # of 9; 6 takes three times as long for a tenth less
_N_WORKING: Final = 2  # threads that decode: the two ordinary cores this is made for


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written where; `n_labelled` are the crops in `by_label`, 0 in other layouts."""

    folder: Path
    layout: str
    n_photos: int
    n_crops: int
    n_labels: int
    n_labelled: int
    n_bytes: int


def export_album(
    library: Library,
    target: Path,
    *,
    layout: str,
    who: str | None = None,
    wanted: Wanted | None = None,
    progress: Progress = silent,
) -> Exported:
    """Write an album to a folder.

    Whatever the layout, there are the photos without hidden data, three tables that lose nothing of them,
    their crops and labels, a description of the tables, a datasheet, and checksums. Crops that were taken
    away are not written; what nets read in crops, and personal heads, can be worked out anew.

    Parameters
    ----------
    library
        The album.
    target
        Where nothing is yet, or an empty folder. It stands there only once all of it is written.
    layout
        `image-folder` adds the crops that have a label as the net is shown them, by label; `coco` adds
        one JSON file; `table` nothing.
    who
        Who hands it on, for the datasheet.
    wanted
        Which crops; None for all.
    progress
        Told of every photo.

    Raises
    ------
    PersonError
        If the layout is not known.
    LabelError
        If there is nothing to write.
    OutputError
        If the folder is not empty, lies in the album's own, or there is too little room.
    StoreError
        If a picture of the album is damaged or gone.
    """
    if layout not in LAYOUTS:
        message = f"“{layout[:40]}” is no layout of an album."
        raise PersonError(message, advice=f"Give one of: {', '.join(LAYOUTS)}.")
    who = None if who is None else require_name(who, "the person who hands the album on")
    if target.resolve().is_relative_to(library.folder.resolve()):
        message = f"The folder {target} lies within the album's own."
        raise OutputError(message, advice="Give a folder outside of it.")
    snapshot = take_snapshot(library, wanted)
    with whole_folder(target) as folder:
        require_space(folder, _bytes_needed(snapshot, layout))
        sums, n_labelled = _write_photos(library, snapshot, folder, layout, progress)
        sums |= _write_texts(snapshot, folder, layout, _About(stamp(library.now()), who))
        lines = "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(sums.items()))
        (folder / SUMS_NAME).write_text(lines, encoding="utf-8", newline="\n")
        n_bytes = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
        progress(len(snapshot.photos), len(snapshot.photos), "done")
    n_labels = sum(len(labels) for labels in snapshot.histories.values())
    return Exported(
        target, layout, len(snapshot.photos), len(snapshot.crops), n_labels, n_labelled, n_bytes
    )


@dataclass(frozen=True, slots=True)
class _About:
    """When it is made, and who hands it on."""

    made_at: str
    who: str | None

    @property
    def title(self) -> str:
        return f"Album of labelled tank photos, {self.made_at[:10]}"


def _bytes_needed(snapshot: Snapshot, layout: str) -> int:
    n_rows = len(snapshot.crops) + sum(len(labels) for labels in snapshot.histories.values())
    needed = _FIXED_BYTES + n_rows * _ROW_BYTES
    for photo in snapshot.photos:
        try:
            needed += photo.stored.stat().st_size
        except OSError as error:
            raise _damaged(photo) from error
    if layout == "image-folder":
        needed += _CROP_BYTES * sum(_is_shown(crop) for crop in snapshot.crops)
    return needed


def _damaged(photo: PhotoRow) -> StoreError:
    message = f"The album's picture of {photo.name} is damaged or gone, so nothing was exported."
    return StoreError(message, advice="Bring back a backup with pestvision restore.")


def _is_shown(crop: Crop) -> bool:
    """Tell whether a crop has a place by its label."""
    return crop.label not in {None, DONT_KNOW}


def _write_photos(
    library: Library, snapshot: Snapshot, folder: Path, layout: str, progress: Progress
) -> tuple[dict[str, str], int]:
    """Write photos, and crops by label where wanted; give their checksums and how many crops."""
    (folder / PHOTOS_NAME).mkdir()
    crops_of = snapshot.crops_of() if layout == "image-folder" else {}
    shown = {
        photo.sha256: [crop for crop in crops_of.get(photo.sha256, []) if _is_shown(crop)]
        for photo in snapshot.photos
    }
    if layout == "image-folder":
        labels = {str(crop.label) for crops in shown.values() for crop in crops}
        (folder / BY_LABEL_NAME).mkdir()
        for label in labels:
            (folder / BY_LABEL_NAME / label).mkdir()

    def write_one(photo: PhotoRow) -> dict[str, str]:
        _copy(photo, folder / photo.file)
        sums = {photo.file: photo.sha256}
        for crop in shown[photo.sha256]:
            name = f"{BY_LABEL_NAME}/{crop.label}/{crop.key}.png"
            data = _as_png(library, crop)
            (folder / name).write_bytes(data)
            sums[name] = sha256_of(data)
        return sums

    sums: dict[str, str] = {}
    with ThreadPoolExecutor(_N_WORKING, "export") as pool:
        try:
            for done, part in enumerate(pool.map(write_one, snapshot.photos)):
                progress(done, len(snapshot.photos), "writing photos")
                sums |= part
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return sums, sum(len(crops) for crops in shown.values())


def _copy(photo: PhotoRow, target: Path) -> None:
    """Copy a stored photo, and make sure that it is what it was."""
    try:
        data = photo.stored.read_bytes()
    except OSError as error:
        raise _damaged(photo) from error
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise _damaged(photo)
    target.write_bytes(data)


def _as_png(library: Library, crop: Crop) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(library.picture(crop)).save(stream, "PNG", compress_level=_PNG_LEVEL)
    return stream.getvalue()


def _write_texts(snapshot: Snapshot, folder: Path, layout: str, about: _About) -> dict[str, str]:
    """Write the tables and what describes them; give their checksums."""
    rows = snapshot.rows()
    texts = {table.file: written(table, rows[table]) for table in TABLES}
    texts[PACKAGE_NAME] = _as_json(_package(texts, about))
    sheet = write_datasheet(
        snapshot, title=about.title, made_at=about.made_at, who=about.who, layout=layout
    )
    texts[DATASHEET_NAME] = sheet.encode()
    if layout == "coco":
        texts[COCO_NAME] = _as_json(as_coco(snapshot, about.made_at, about.title))
    for name, data in texts.items():
        (folder / name).write_bytes(data)
    return {name: sha256_of(data) for name, data in texts.items()}


def _as_json(value: Any) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _package(tables: dict[str, bytes], about: _About) -> dict[str, Any]:
    """Describe the tables as a Frictionless Data Package with a Table Schema for each."""
    package: dict[str, Any] = {
        "profile": "tabular-data-package",
        "name": "album",
        "title": about.title,
        "description": CAUTION,
        "created": about.made_at,
        "album": PROFILE,
        "version": pestvision.__version__,
    }
    if about.who is not None:
        package["contributors"] = [{"title": about.who, "role": "contributor"}]
    package["resources"] = [
        {
            "name": table.name,
            "description": table.about,
            "path": table.file,
            "profile": "tabular-data-resource",
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "bytes": len(tables[table.file]),
            "hash": f"sha256:{sha256_of(tables[table.file])}",
            "schema": table.as_schema(),
        }
        for table in TABLES
    ]
    return package
