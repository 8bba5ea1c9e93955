"""Add photos and their crops to the album: read, strip, look for what is there already, write.

Photos are taken in parts. Each part is on the disk before the next is begun: an import that is broken off
keeps its finished parts, and the same command goes on where it stopped.
"""

from __future__ import annotations

import hashlib
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.arrays import BoxXyxy, checked_box, clipped_box
from pestvision.collection.library import PICTURE_SETTINGS, Library
from pestvision.collection.looks import look_hash, nearest_alike
from pestvision.collection.records import (
    KEEPER,
    Added,
    Label,
    NewCrop,
    NewPhoto,
    Reading,
    require_name,
)
from pestvision.errors import PestVisionError, PhotoError, ShapeError
from pestvision.organisms.crops import cut_crop
from pestvision.photos.read import read_bytes, read_photo_bytes, shown_name
from pestvision.photos.strip import strip_photo
from pestvision.progress import silent
from pestvision.storage.files import sha256_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from concurrent.futures import Future

    from pestvision.photos.exif import TakenAt
    from pestvision.progress import Progress

PART = 128
"""Photos written together: their files are synced side by side, and their rows in one transaction."""
PART_BYTES = 64 << 20  # and of large photos fewer, so that memory stays small
N_READING = 2  # threads that decode: the two ordinary cores this is made for
N_AHEAD = 2 * N_READING  # photos read before their turn, so that no thread waits
BOX_DECIMALS = 1  # a tenth of a pixel: two boxes that differ by less are one


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """A photo that was read, ready to be written: what it was, and the hash of each of its crops."""

    given: NewPhoto
    sha256: str
    suffix: str
    data: bytes
    height: int
    width: int
    taken: str | None
    camera: str | None
    boxes: tuple[BoxXyxy, ...]
    looks: tuple[int, ...]


class _Alike:
    """The hashes of all crops, to which those of new ones are held."""

    def __init__(self, library: Library) -> None:
        rows = library.database.rows("SELECT looks, twins FROM crops WHERE removed IS NULL")
        self._n = len(rows)
        self._looks = np.zeros(max(1024, 2 * self._n), np.int64)
        self._twins = np.zeros(len(self._looks), np.int64)
        if rows:
            self._looks[: self._n], self._twins[: self._n] = np.array(rows, np.int64).T

    def twins(self, looks: int, number: int) -> int:
        """Give the number of the crops that a new one looks like, or its own; and remember it."""
        place = nearest_alike(looks, self._looks[: self._n])
        twins = number if place < 0 else int(self._twins[place])
        if self._n == len(self._looks):
            self._looks = np.concatenate([self._looks, np.zeros_like(self._looks)])
            self._twins = np.concatenate([self._twins, np.zeros_like(self._twins)])
        self._looks[self._n], self._twins[self._n] = looks, twins
        self._n += 1
        return twins


def add_photos(
    library: Library,
    photos: Iterable[NewPhoto],
    *,
    who: str = KEEPER,
    note: str = "",
    progress: Progress = silent,
    total: int = 0,
) -> Added:
    """Add photos with their crops and labels.

    Parameters
    ----------
    library
        The album.
    photos
        Each is read when its turn comes. One that cannot be used is skipped with its reason.
    who, note
        Who adds them, and where they came from in a few words.
    progress, total
        Told after each part; `total` is how many photos there are, 0 where that is not known.

    Returns
    -------
    Added
        A photo that is in the album already is not stored again, a crop of the same box neither; labels
        that are new are added to it.

    Raises
    ------
    OutputError
        If the disk is full or the folder cannot be written to. Finished parts stay.
    """
    who = require_name(who, "the person who adds photos")
    action: int | None = None
    crops: list[int] = []
    skipped: list[tuple[str, str]] = []
    alike = _Alike(library)
    n_known = n_labels = n_done = 0
    with ThreadPoolExecutor(N_READING, "album") as pool:
        for part in _parts(_read_ahead(pool, photos)):
            good = [item for item in part if isinstance(item, _Read)]
            skipped += [item for item in part if not isinstance(item, _Read)]
            written = _write(library, good, action, alike, (who, note))
            action, added, known, labelled = written
            crops += added
            n_known += known
            n_labels += labelled
            n_done += len(part)
            progress(n_done, max(total, n_done), "adding photos")
    return Added(action, tuple(crops), n_known, n_labels, tuple(skipped))


def crop_key(sha256: str, box_xyxy_px: BoxXyxy) -> str:
    """Give the name that a box of a picture has in every album."""
    edges = ",".join(f"{value:.{BOX_DECIMALS}f}" for value in box_xyxy_px)
    return hashlib.sha256(f"{sha256} {edges}".encode()).hexdigest()[:24]


def _read(given: NewPhoto) -> _Read | tuple[str, str]:
    """Read and strip one photo, or say why it cannot be used."""
    try:
        data = given.file if isinstance(given.file, bytes) else read_bytes(given.file)
        stripped = strip_photo(data, given.name, settings=PICTURE_SETTINGS)
        photo = read_photo_bytes(stripped.data, given.name, settings=PICTURE_SETTINGS)
        boxes = tuple(_box(crop, photo.height, photo.width) for crop in given.crops)
    except PhotoError as error:
        return shown_name(given.name), error.sentence()
    except ShapeError:
        return shown_name(
            given.name
        ), "A box on it is empty or lies outside. Give boxes within the photo."
    return _Read(
        given,
        sha256_of(stripped.data),
        stripped.suffix,
        stripped.data,
        photo.height,
        photo.width,
        _taken(stripped.header.taken, given.taken),
        given.camera or stripped.camera,
        boxes,
        tuple(look_hash(cut_crop(photo.rgb, box)) for box in boxes),
    )


def _taken(told: TakenAt, given: str | None) -> str | None:
    """Choose when a photo was taken: as it says, as whoever gives it says, as its name looks."""
    return told.iso() if told.source == "exif" else given or told.iso()


def _read_ahead(
    pool: ThreadPoolExecutor, photos: Iterable[NewPhoto]
) -> Iterator[_Read | tuple[str, str]]:
    """Read photos in order, a few before their turn: all at once would not fit in memory."""
    waiting: deque[Future[_Read | tuple[str, str]]] = deque()
    for given in photos:
        waiting.append(pool.submit(_read, given))
        if len(waiting) > N_AHEAD:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


def _box(crop: NewCrop, height: int, width: int) -> BoxXyxy:
    """Give the box of a crop, rounded, within the photo."""
    if crop.box_xyxy_px is None:
        return (0.0, 0.0, float(width), float(height))
    x0, y0, x1, y1 = checked_box(crop.box_xyxy_px)
    if x0 >= width or y0 >= height or x1 <= 0 or y1 <= 0:
        name = "box_xyxy_px"
        raise ShapeError(name, expected="a box on the photo", actual=str(crop.box_xyxy_px))
    # rounded before it is cut to the photo, too: a box of under a pixel must come out the same again
    left, top, right, bottom = clipped_box(_rounded((x0, y0, x1, y1)), height, width)
    return checked_box(_rounded((left, top, right, bottom)))


def _rounded(box: BoxXyxy) -> BoxXyxy:
    x0, y0, x1, y1 = (round(value, BOX_DECIMALS) for value in box)
    return (x0, y0, x1, y1)


def _parts(items: Iterator[Any]) -> Iterator[list[Any]]:
    part: list[Any] = []
    n_bytes = 0
    for item in items:
        part.append(item)
        n_bytes += len(item.data) if isinstance(item, _Read) else 0
        if len(part) == PART or n_bytes > PART_BYTES:
            yield part
            part, n_bytes = [], 0
    if part:
        yield part


def _write(
    library: Library,
    items: Sequence[_Read],
    action: int | None,
    alike: _Alike,
    about: tuple[str, str],
) -> tuple[int | None, list[int], int, int]:
    """Write a part; give the action, the new crops, and how many crops were known and labels new."""
    if not items:
        return action, [], 0, 0
    pictures = {(item.sha256, item.suffix): item.data for item in items}
    new = {name for name in pictures if not _is_stored(library, *name)}
    arriving = [(*name, pictures[name]) for name in new]
    try:
        with library.pictures.arriving(arriving) as move, library.database.atomic():
            if all(name in new or _is_stored(library, *name) for name in pictures):
                move()
                return _write_rows(library, items, action, alike, about)
    except PestVisionError:
        with suppress(PestVisionError):  # else whoever opens the album next does it
            library.clear_pictures()
        raise
    # what was stored a moment ago has been deleted for good by another process: once more
    return _write(library, items, action, alike, about)


def _is_stored(library: Library, sha256: str, suffix: str) -> bool:
    row = library.database.one("SELECT 1 FROM photos WHERE sha256 = ?", (sha256,))
    return row is not None and library.pictures.path(sha256, suffix).exists()


def _write_rows(
    library: Library,
    items: Sequence[_Read],
    action: int | None,
    alike: _Alike,
    about: tuple[str, str],
) -> tuple[int | None, list[int], int, int]:
    """Write the rows of a part within a transaction."""
    database = library.database
    first = database.one("SELECT coalesce(max(id), 0) FROM crops")
    number = int(first[0]) if first else 0
    added: list[int] = []
    labels: list[tuple[int, Label]] = []
    readings: list[tuple[int, Reading]] = []
    n_known = 0
    for item in items:
        photo = _photo_number(library, item)
        for crop, box, looks in zip(item.given.crops, item.boxes, item.looks, strict=True):
            key = crop_key(item.sha256, box)
            known = database.one("SELECT id, removed FROM crops WHERE key = ?", (key,))
            if known is not None and known[1] is None:
                own = int(known[0])
                n_known += 1
            else:
                if action is None:
                    action = library.begin("import", who=about[0], note=about[1])
                if known is None:
                    number += 1
                    own = number
                    database.run(
                        "INSERT INTO crops (id, key, photo, x0, y0, x1, y1, looks, twins, added) "
                        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                        (own, key, photo, *box, looks, alike.twins(looks, own), action),
                    )
                else:  # it was taken away, and comes back
                    own = int(known[0])
                    database.run(
                        "UPDATE crops SET removed = NULL, added = ? WHERE id = ?", (action, own)
                    )
                added.append(own)
            labels += [(own, label) for label in crop.labels]
            if crop.reading is not None:
                readings.append((own, crop.reading))
    n_labels = library.add_labels(labels)
    library.note_readings(readings)
    return action, added, n_known, n_labels


def _photo_number(library: Library, item: _Read) -> int:
    """Give the number of a photo's row, made where there is none; fill in what was not known of it."""
    database = library.database
    given = item.given
    about = (item.taken, given.tank, item.camera, given.source)
    known = database.one("SELECT id FROM photos WHERE sha256 = ?", (item.sha256,))
    if known is None:
        return database.run(
            "INSERT INTO photos (sha256, suffix, name, width, height, taken, tank, camera, source) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (item.sha256, item.suffix, shown_name(given.name), item.width, item.height, *about),
        )
    database.run(
        "UPDATE photos SET taken = coalesce(taken, ?), tank = coalesce(tank, ?), "
        "camera = coalesce(camera, ?), source = coalesce(source, ?) WHERE id = ?",
        (*about, known[0]),
    )
    return int(known[0])
