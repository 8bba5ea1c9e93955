"""The album itself: crops with their labels, what was added and taken away, and how to find them again.

A label, once `label` comes back, is on the disk. Nothing is deleted at once: what was taken away can be
brought back for 30 days.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from threading import Lock
from typing import TYPE_CHECKING, Any, Self

from pestvision.collection.records import (
    DISPUTED,
    DONT_KNOW,
    KEEPER,
    UNLABELLED,
    Action,
    Counts,
    Crop,
    Label,
    Page,
    Reading,
    Wanted,
    agreed,
    group_of,
    require_label,
    require_name,
    stamp,
)
from pestvision.errors import LabelError, StoreError
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE, GROUPS, Group
from pestvision.organisms.crops import cut_crop
from pestvision.photos.read import read_photo
from pestvision.settings import PhotoSettings
from pestvision.storage.database import Database
from pestvision.storage.files import PictureStore

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from pestvision.arrays import U8

UNDO_DAYS = 30
"""So long an import or a deletion can be undone."""
PICTURE_SETTINGS = PhotoSettings(min_megapixels=0.001)
"""A crop that another album hands over may be far smaller than a photo."""
N_KEPT_PHOTOS = 2  # decoded photos in memory: crops of one photo are mostly asked for together
LARGEST = 2**63 - 1  # number that SQLite holds
MANY = 500  # parameters of one statement; SQLite takes 999 at the least

_COLUMNS = """
    crops.id, crops.key, photos.id, photos.name, photos.sha256, photos.suffix,
    crops.x0, crops.y0, crops.x1, crops.y1, crops.label, crops.is_disputed, crops.twins,
    photos.taken, photos.tank, photos.camera, photos.source
"""
_ALIVE = "FROM crops JOIN photos ON photos.id = crops.photo WHERE crops.removed IS NULL"


def _now() -> datetime:
    return datetime.now(UTC)


class Library:
    """The album of a data folder.

    Parameters
    ----------
    folder
        The data folder; made where it is missing.
    now
        Gives the time; replaced in tests.

    Raises
    ------
    StoreError, OutputError
        As `Database` and `PictureStore` do.
    """

    def __init__(self, folder: Path, *, now: Callable[[], datetime] = _now) -> None:
        self.folder = folder
        self.database = Database(folder)
        try:
            self.pictures = PictureStore(folder)
            self.now = now
            self._photos: OrderedDict[str, U8] = OrderedDict()
            self._photos_lock = Lock()
            self._clear_up()
        except BaseException:
            self.database.close()
            raise

    def close(self) -> None:
        """Close the database."""
        self.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- asking -------------------------------------------------------------------------------

    def counts(self) -> Counts:
        """Count labels."""
        groups = dict.fromkeys(GROUPS, 0)
        n_dont_know = n_unlabelled = n_disputed = 0
        for label, is_disputed, n in self.database.rows(
            "SELECT label, is_disputed, count(*) FROM crops WHERE removed IS NULL GROUP BY label, is_disputed"
        ):
            group = group_of(label)
            if is_disputed:
                n_disputed += n
            elif group is not None:
                groups[group] += n
            elif label == DONT_KNOW:
                n_dont_know += n
            else:
                n_unlabelled += n
        return Counts(groups, n_dont_know, n_unlabelled, n_disputed)

    def crop(self, number: int) -> Crop:
        """Give one crop.

        Raises
        ------
        LabelError
            If there is none of that number, or it was taken away.
        """
        return self.crops([number])[0]

    def crops(self, numbers: Sequence[int]) -> list[Crop]:
        """Give crops in the order asked for.

        Raises
        ------
        LabelError
            If one of them is not there.
        """
        found: dict[int, Crop] = {}
        for part in _parts([number for number in numbers if abs(number) <= LARGEST]):
            marks = ",".join("?" * len(part))
            sql = f"SELECT {_COLUMNS} {_ALIVE} AND crops.id IN ({marks})"
            found.update((int(row[0]), _crop(row)) for row in self.database.rows(sql, part))
        missing = [number for number in numbers if number not in found]
        if missing:
            message = f"The album has no crop {missing[0]}."
            raise LabelError(message, advice="See the numbers with: pestvision album find")
        return [found[number] for number in numbers]

    def search(self, wanted: Wanted, *, limit: int = 60, offset: int = 0) -> Page:
        """Find crops, those of the newest photos first."""
        where, parameters = _where(wanted)
        n_found = self.database.one(f"SELECT count(*) {_ALIVE}{where}", parameters)
        rows = self.database.rows(
            f"SELECT {_COLUMNS} {_ALIVE}{where} "
            "ORDER BY photos.taken DESC, crops.id DESC LIMIT ? OFFSET ?",
            (*parameters, limit, offset),
        )
        return Page(tuple(_crop(row) for row in rows), int(n_found[0]) if n_found else 0)

    def every(self) -> Iterator[Crop]:
        """Give every crop, by number."""
        for row in self.database.rows(f"SELECT {_COLUMNS} {_ALIVE} ORDER BY crops.id"):
            yield _crop(row)

    def tanks(self) -> list[str]:
        """Give the tanks that photos are of, by name."""
        sql = "SELECT DISTINCT tank FROM photos WHERE tank IS NOT NULL ORDER BY tank"
        return [str(row[0]) for row in self.database.rows(sql)]

    def alike(self, crop: Crop, *, limit: int = 24) -> list[Crop]:
        """Give the crops that look like one, without itself."""
        sql = f"SELECT {_COLUMNS} {_ALIVE} AND crops.twins = ? AND crops.id <> ? LIMIT ?"
        return [_crop(row) for row in self.database.rows(sql, (crop.twins, crop.id, limit))]

    def history(self, number: int) -> list[Label]:
        """Give every label that a crop was given, the oldest first."""
        return self.histories([number])[number]

    def histories(self, numbers: Sequence[int]) -> dict[int, list[Label]]:
        """Give every label of several crops, the oldest first."""
        found: dict[int, list[Label]] = {number: [] for number in numbers}
        for part in _parts(numbers):
            marks = ",".join("?" * len(part))
            sql = (
                "SELECT crop, key, label, who, kind, at, model, confidence, settles, withdrawn_at "
                f"FROM labels WHERE crop IN ({marks}) ORDER BY at, id"
            )
            for crop, *row in self.database.rows(sql, part):
                found[crop].append(_label(row))
        return found

    def picture_path(self, crop: Crop) -> Path:
        """Give the stored file of a crop's photo."""
        return self.pictures.path(crop.sha256, crop.suffix)

    def picture(self, crop: Crop) -> U8:
        """Give the (224, 224, 3) uint8 RGB crop, as the net is shown it.

        Raises
        ------
        StoreError
            If its photo is missing or damaged.
        """
        return cut_crop(self.photo_rgb(crop), crop.box_xyxy_px)

    def photo_rgb(self, crop: Crop) -> U8:
        """Give the whole (H, W, 3) uint8 RGB photo of a crop, decoded.

        Raises
        ------
        StoreError
            If it is missing or damaged.
        """
        from pestvision.errors import PhotoError

        with self._photos_lock:
            known = self._photos.get(crop.sha256)
            if known is not None:
                self._photos.move_to_end(crop.sha256)
                return known
        try:
            rgb = read_photo(self.picture_path(crop), settings=PICTURE_SETTINGS).rgb
        except PhotoError as error:
            message = f"The album's picture of {crop.photo_name} is damaged or gone ({error})."
            raise StoreError(
                message, advice="Bring back a backup with pestvision restore."
            ) from error
        with self._photos_lock:
            self._photos[crop.sha256] = rgb
            while len(self._photos) > N_KEPT_PHOTOS:
                self._photos.popitem(last=False)
        return rgb

    # --- labelling ----------------------------------------------------------------------------

    def label(
        self, numbers: Sequence[int], label: str, *, who: str = KEEPER, settles: bool = False
    ) -> list[str]:
        """Label crops; give the keys of the labels, by which `take_back` takes them back.

        Raises
        ------
        LabelError
            If the label or a crop is not known; then none is labelled.
        """
        require_label(label)
        who = require_name(who, "the person who labels")
        with self.database.atomic():
            self.crops(numbers)
            at = self._after_labels_of(numbers)
            given = [Label(new_key(), label, who, "person", at, settles=settles) for _ in numbers]
            self.add_labels(list(zip(numbers, given, strict=True)))
        return [item.key for item in given]

    def _after_labels_of(self, numbers: Sequence[int]) -> str:
        """Give now, or the moment after these crops' last label where a clock was set back.

        What is said last counts, and that is told by its time.
        """
        now = stamp(self.now())
        for part in _parts(numbers):
            marks = ",".join("?" * len(part))
            row = self.database.one(f"SELECT max(at) FROM labels WHERE crop IN ({marks})", part)
            if row is not None and row[0] is not None and row[0] >= now:
                with suppress(ValueError, OverflowError):  # from elsewhere, and no time
                    now = stamp(datetime.fromisoformat(row[0]) + timedelta(microseconds=1))
        return now

    def add_labels(self, labels: Sequence[tuple[int, Label]]) -> int:
        """Write labels of crops within a transaction; those whose key is known are left alone.

        Gives how many were new.
        """
        keys = [item.key for _, item in labels]
        known: set[str] = set()
        for part in _parts(keys):
            marks = ",".join("?" * len(part))
            sql = f"SELECT key FROM labels WHERE key IN ({marks})"
            known.update(str(row[0]) for row in self.database.rows(sql, part))
        new = []
        for number, item in labels:
            if item.key not in known:
                known.add(item.key)  # it may be given twice at once
                new.append((number, item))
        self.database.run_many(
            "INSERT INTO labels (crop, key, label, who, kind, at, model, confidence, settles, withdrawn_at)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(number, *_label_row(item)) for number, item in new],
        )
        self._settle({number for number, _ in new})
        return len(new)

    def take_back(self, keys: Sequence[str]) -> int:
        """Take labels back; what held before them holds again. Gives how many were taken back."""
        at = stamp(self.now())
        return self.withdraw([(key, at) for key in keys])

    def withdraw(self, withdrawn: Sequence[tuple[str, str]]) -> int:
        """Note which labels were taken back and when, as `(key, at)`; those that do not hold are left alone.

        Gives how many there were.
        """
        n_withdrawn = 0
        with self.database.atomic():
            touched: set[int] = set()
            for key, at in withdrawn:
                row = self.database.one(
                    "SELECT crop FROM labels WHERE key = ? AND withdrawn_at IS NULL", (key,)
                )
                if row is not None:
                    self.database.run("UPDATE labels SET withdrawn_at = ? WHERE key = ?", (at, key))
                    touched.add(int(row[0]))
                    n_withdrawn += 1
            self._settle(touched)
        return n_withdrawn

    def last_label_of(self, number: int, who: str) -> str | None:
        """Give the key of a person's last label of a crop that still holds; None where there is none."""
        row = self.database.one(
            "SELECT key FROM labels WHERE crop = ? AND who = ? AND kind = 'person' "
            "AND withdrawn_at IS NULL ORDER BY at DESC, id DESC LIMIT 1",
            (number, who),
        )
        return None if row is None else str(row[0])

    def groups_by_person(self) -> dict[str, dict[int, int]]:
        """Give for each person the group, as index of `GROUPS`, that they last gave each crop.

        *I don't know* is left out, and so is what was taken back.
        """
        said: dict[str, dict[int, int]] = {}
        for who, number, label in self.database.rows(
            "SELECT labels.who, labels.crop, labels.label FROM labels JOIN crops ON crops.id = labels.crop "
            "WHERE labels.kind = 'person' AND labels.withdrawn_at IS NULL AND crops.removed IS NULL "
            "ORDER BY labels.at, labels.id"
        ):
            group = group_of(label)
            if group is None:
                said.setdefault(who, {}).pop(number, None)
            else:
                said.setdefault(who, {})[number] = GROUPS.index(group)
        return said

    def _settle(self, numbers: Iterable[int]) -> None:
        """Write down for crops what their labels come to."""
        rows = []
        for number, labels in self.histories(sorted(numbers)).items():
            label, is_disputed = agreed(labels)
            holding = [
                item for item in labels if item.withdrawn_at is None and item.kind == "person"
            ]
            rows.append((label, int(is_disputed), len(holding), number))
        self.database.run_many(
            "UPDATE crops SET label = ?, is_disputed = ?, n_labels = ? WHERE id = ?", rows
        )

    def set_tank(self, numbers: Sequence[int], tank: str) -> int:
        """Say of which tank the photos of some crops are; give how many photos."""
        tank = require_name(tank, "the tank")
        with self.database.atomic():
            photos = {crop.photo for crop in self.crops(numbers)}
            self.database.run_many(
                "UPDATE photos SET tank = ? WHERE id = ?", [(tank, photo) for photo in photos]
            )
        return len(photos)

    # --- taking away, and bringing back ---------------------------------------------------------

    def delete(self, numbers: Sequence[int], *, who: str = KEEPER, note: str = "") -> int:
        """Take crops away; give the action that brings them back for `UNDO_DAYS` days.

        Raises
        ------
        LabelError
            If one of them is not there; then none is taken away.
        """
        with self.database.atomic():
            self.crops(numbers)
            return self._delete(numbers, who, note)

    def _delete(self, numbers: Sequence[int], who: str, note: str) -> int:
        action = self.begin("delete", who=who, note=note)
        self.database.run_many(
            "UPDATE crops SET removed = ? WHERE id = ?", [(action, number) for number in numbers]
        )
        return action

    def begin(self, kind: str, *, who: str, note: str) -> int:
        """Write an action down within a transaction, and give its number."""
        return self.database.run(
            "INSERT INTO actions (kind, at, who, note) VALUES (?, ?, ?, ?)",
            (kind, stamp(self.now()), require_name(who, "the person"), note),
        )

    def undo(self, action: int, *, who: str = KEEPER) -> int:
        """Undo an import or a deletion; give how many crops that took away or brought back.

        An import that was undone can be had back by undoing that: it is listed as a deletion.

        Raises
        ------
        LabelError
            If there is no such action, it is undone already, or it is older than `UNDO_DAYS` days.
        """
        with self.database.atomic():
            row = self.database.one(
                "SELECT kind, at, undone_at FROM actions WHERE id = ?",
                (max(0, min(action, LARGEST)),),
            )
            if row is None:
                message = f"There is no action {action}."
                raise LabelError(message, advice="See their numbers with: pestvision album undo")
            kind, at, undone_at = row
            if undone_at is not None:
                message = f"Action {action} was undone already, on {undone_at[:10]}."
                raise LabelError(
                    message, advice="See what can be undone with: pestvision album undo"
                )
            if at < self._oldest():
                message = (
                    f"Action {action} is of {at[:10]}, and only {UNDO_DAYS} days can be undone."
                )
                raise LabelError(
                    message, advice="Delete crops by their numbers, or bring back a backup."
                )
            if kind == "delete":
                numbers = self._numbers("SELECT id FROM crops WHERE removed = ?", (action,))
                self.database.run("UPDATE crops SET removed = NULL WHERE removed = ?", (action,))
            else:
                numbers = self._numbers(
                    "SELECT id FROM crops WHERE added = ? AND removed IS NULL", (action,)
                )
                self._delete(numbers, who, f"import {action} undone")
            self.database.run(
                "UPDATE actions SET undone_at = ? WHERE id = ?", (stamp(self.now()), action)
            )
            return len(numbers)

    def actions(self) -> list[Action]:
        """Give what can be undone, the newest first."""
        rows = self.database.rows(
            "SELECT id, kind, at, who, note, undone_at, "
            "(SELECT count(*) FROM crops WHERE crops.added = actions.id AND actions.kind = 'import' "
            " OR crops.removed = actions.id AND actions.kind = 'delete') "
            "FROM actions WHERE at >= ? ORDER BY id DESC",
            (self._oldest(),),
        )
        return [
            Action(number, kind, at, who, note, n_crops, undone_at)
            for number, kind, at, who, note, undone_at, n_crops in rows
        ]

    def _oldest(self) -> str:
        return stamp(self.now() - timedelta(days=UNDO_DAYS))

    def _numbers(self, sql: str, parameters: Sequence[Any]) -> list[int]:
        return [int(row[0]) for row in self.database.rows(sql, parameters)]

    def _clear_up(self) -> None:
        """Remove what a killed process left, and delete for good what was taken away long ago."""
        old = self.database.one(
            "SELECT 1 FROM crops JOIN actions ON actions.id = crops.removed WHERE actions.at < ? LIMIT 1",
            (self._oldest(),),
        )
        if old is not None:
            self._delete_for_good()
        self.clear_pictures()

    def clear_pictures(self) -> None:
        """Remove pictures that an import which was killed or refused has left without their rows."""
        if self.pictures.has_left_behind():
            with self.database.atomic():  # nobody is between moving a picture and writing its row
                self.pictures.clear_up(self._is_known)

    def _is_known(self, sha256: str) -> bool:
        return self.database.one("SELECT 1 FROM photos WHERE sha256 = ?", (sha256,)) is not None

    def _delete_for_good(self) -> None:
        """Delete crops that were taken away more than `UNDO_DAYS` days ago, and photos left without any."""
        long_gone = "SELECT crops.id FROM crops JOIN actions ON actions.id = crops.removed WHERE actions.at < ?"
        without = (
            "SELECT sha256, suffix FROM photos WHERE NOT EXISTS (SELECT 1 FROM crops "
            f"WHERE crops.photo = photos.id AND crops.id NOT IN ({long_gone}))"
        )
        leaving = [
            (str(sha), str(suffix))
            for sha, suffix in self.database.rows(without, (self._oldest(),))
        ]
        with self.pictures.leaving(leaving) as delete:
            with self.database.atomic():
                self.database.run(f"DELETE FROM crops WHERE id IN ({long_gone})", (self._oldest(),))
                gone = [
                    (sha, suffix)
                    for sha, suffix in leaving
                    if self.database.one(
                        "SELECT 1 FROM photos JOIN crops ON crops.photo = photos.id WHERE sha256 = ?",
                        (sha,),
                    )
                    is None
                ]
                self.database.run_many(
                    "DELETE FROM photos WHERE sha256 = ?", [(sha,) for sha, _ in gone]
                )
            with self.database.atomic():  # and nobody has brought them back since
                delete(lambda sha256: not self._is_known(sha256))

    # --- what nets have said ---------------------------------------------------------------------

    def unread(self, model: str, *, limit: int = -1, labelled_only: bool = False) -> list[Crop]:
        """Give crops that a model has not read yet, those of one photo together."""
        sql = (
            f"SELECT {_COLUMNS} {_ALIVE} AND NOT EXISTS "
            "(SELECT 1 FROM readings WHERE readings.crop = crops.id AND readings.model = ?) "
            f"{'AND crops.label IS NOT NULL ' if labelled_only else ''}"
            "ORDER BY crops.label IS NULL, crops.photo LIMIT ?"
        )
        return [_crop(row) for row in self.database.rows(sql, (model, limit))]

    def note_readings(self, readings: Sequence[tuple[int, Reading]]) -> None:
        """Write down what a net said of crops; an older model's reading is replaced."""
        with self.database.atomic():
            self.database.run_many(
                "INSERT OR REPLACE INTO readings (crop, model, p_fine, place, sharpness, novelty) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (
                        number,
                        item.model,
                        item.p_fine.astype("<f4").tobytes(),
                        item.place.astype("<f2").tobytes(),
                        item.sharpness,
                        item.novelty,
                    )
                    for number, item in readings
                ],
            )
            self.database.run_many(
                "INSERT OR REPLACE INTO signatures (crop, model, signature) VALUES (?, ?, ?)",
                [
                    (number, item.model, item.signature.astype("<f2").tobytes())
                    for number, item in readings
                ],
            )


def new_key() -> str:
    """Give a name that no other label has."""
    return secrets.token_hex(12)


def _parts(items: Sequence[Any]) -> Iterator[Sequence[Any]]:
    for start in range(0, len(items), MANY):
        yield items[start : start + MANY]


def _crop(row: Sequence[Any]) -> Crop:
    number, key, photo, name, sha256, suffix, x0, y0, x1, y1, label, is_disputed, twins, *about = (
        row
    )
    taken, tank, camera, source = about
    return Crop(
        int(number),
        key,
        int(photo),
        name,
        sha256,
        suffix,
        (x0, y0, x1, y1),
        label,
        bool(is_disputed),
        int(twins),
        taken,
        tank,
        camera,
        source,
    )


def _label(row: Sequence[Any]) -> Label:
    key, label, who, kind, at, model, confidence, settles, withdrawn_at = row
    return Label(key, label, who, kind, at, model, confidence, bool(settles), withdrawn_at)


def _label_row(item: Label) -> tuple[Any, ...]:
    return (
        item.key,
        item.label,
        item.who,
        item.kind,
        item.at,
        item.model,
        item.confidence,
        int(item.settles),
        item.withdrawn_at,
    )


def _where(wanted: Wanted) -> tuple[str, tuple[Any, ...]]:
    """Turn what is wanted into conditions and their parameters."""
    parts: list[str] = []
    parameters: list[Any] = []
    if wanted.label == UNLABELLED:
        parts.append("crops.label IS NULL AND crops.is_disputed = 0")
    elif wanted.label == DISPUTED:
        parts.append("crops.is_disputed = 1")
    elif wanted.label:
        values = labels_in(require_label(wanted.label))
        parts.append(f"crops.label IN ({','.join('?' * len(values))})")
        parameters += values
    if wanted.tank:
        parts.append("photos.tank = ?")
        parameters.append(wanted.tank)
    if wanted.since:
        parts.append("photos.taken >= ?")
        parameters.append(wanted.since)
    if wanted.until:
        parts.append("substr(photos.taken, 1, length(?)) <= ?")
        parameters += [wanted.until, wanted.until]
    if wanted.text:
        parts.append(
            "(instr(lower(photos.name), lower(?)) OR instr(lower(photos.source), lower(?)))"
        )
        parameters += [wanted.text, wanted.text]
    return "".join(f" AND {part}" for part in parts), tuple(parameters)


def labels_in(label: str) -> list[str]:
    """Give a label with, where it is a group, those of its classes."""
    if label in set(GROUPS):
        return [label, *(name for name in FINE_NAMES if GROUP_OF_FINE[name] == Group(label))]
    return [label]
