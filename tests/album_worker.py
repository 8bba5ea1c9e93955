"""Kill processes at work on an album, again and again, and look each time at what is left.

`python -m tests.album_worker FOLDER WORK N SEED` prints what was found as JSON. It is a program of its own so
that its children are forked from a process without threads: a child is at work within milliseconds.
"""

from __future__ import annotations

import copy
import json
import os
import shutil
import signal
import sqlite3
import statistics
import sys
import time
from abc import ABC, abstractmethod
from contextlib import closing
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, NoReturn

import cv2
import numpy as np

from pestvision.collection import adapt, intake
from pestvision.collection.intake import add_photos
from pestvision.collection.library import UNDO_DAYS, Library, new_key
from pestvision.collection.records import Label, NewCrop, NewPhoto, Reading, agreed, stamp
from pestvision.organisms.classes import GROUPS
from pestvision.storage.database import BACKUPS_NAME, DATABASE_NAME, Database
from pestvision.storage.migrations import MIGRATIONS
from pestvision.tanks.log import TankLog
from tests.made_album import Clock, faults
from tests.made_log import look

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.organisms.personal import PersonalHead

LONGEST_S = 0.06  # a child labels so long at the most
ROUNDS = 1.6  # and otherwise so many times what its work takes from one announcement to the next
N_PHOTOS = 12
SHORT_PART = 2  # photos of a part: many parts, so that many kills fall between and within them
LABELS = [str(group) for group in GROUPS]


def main() -> None:
    """Kill N children at one kind of work and tell what was found."""
    folder, work, n, seed = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    cv2.setNumThreads(1)  # no threads before a fork
    intake.PART = SHORT_PART
    scenes = {
        "import": Importing,
        "label": Labelling,
        "adapt": Adapting,
        "delete": Deleting,
        "migrate": Migrating,
        "log": Logging,
    }
    rng = np.random.default_rng(seed)
    found = together(folder, n, rng) if work == "together" else alone(scenes[work](folder), n, rng)
    print(json.dumps({**found.__dict__}))  # noqa: T201 - a program of the tests


def alone(scene: Work, n: int, rng: np.random.Generator) -> Found:
    """Kill one child after the other, and look each time."""
    scene.measure()
    found = Found(longest_ms=round(1000 * scene.longest_s))
    for place in range(n):
        scene.before(place)
        number, read = started(lambda tell, place=place: scene.work(tell, place))
        time.sleep(float(rng.uniform(0, scene.longest_s)))
        os.kill(number, signal.SIGKILL)
        said, was_killed = finished(number, read)
        found.n_killed += was_killed
        found.n_acknowledged += len(said)
        wrong = [line["error"] for line in said if "error" in line]
        wrong += scene.look([line for line in said if "error" not in line])
        found.faults += [f"round {place}: {fault}" for fault in wrong]
    return found


def together(folder: Path, n: int, rng: np.random.Generator) -> Found:
    """Let several children write at once, and kill some that import beside them."""
    scene, importing, labelling = Scene(folder), Importing(folder), Labelling(folder)

    def reopen(tell: Callable[..., None]) -> None:
        for _ in range(20):  # each opening clears up after those that were killed, and no others
            Library(folder).close()
        tell(is_open=True)

    steady = [started(lambda tell, i=i: labelling.work(tell, i, most=60)) for i in range(2)] + [
        started(lambda tell, i=i: importing.work(tell, 50 + i, most=12)) for i in range(2)
    ]
    steady.append(started(reopen))
    said: list[dict[str, Any]] = []
    found = Found(longest_ms=round(1000 * LONGEST_S))
    for place in range(n):
        number, read = started(lambda tell, place=place: importing.work(tell, place))
        time.sleep(float(rng.uniform(0, LONGEST_S)))
        os.kill(number, signal.SIGKILL)
        lines, was_killed = finished(number, read)
        found.n_killed += was_killed
        said += lines
    for number, read in steady:
        lines, was_killed = finished(number, read)
        if was_killed or not lines:
            found.faults.append("one that nobody killed did not finish")
        said += lines
    found.n_acknowledged = len(said)
    found.faults += [line["error"] for line in said if "error" in line]
    for line in said:
        scene.labels |= line.get("labels", {})
        if "key" in line:
            scene.labels[line["key"]] = line["crop"]
    found.faults += scene.look([])
    return found


@dataclass
class Found:
    """What was seen: children killed, what they had announced, and what is wrong."""

    longest_ms: int
    n_killed: int = 0
    n_acknowledged: int = 0
    faults: list[str] = field(default_factory=list)


def child(work: Callable[[Callable[..., None]], None], write: int) -> NoReturn:
    """Work, announce on a pipe what came back, and leave without a word to anybody."""

    def tell(**said: Any) -> None:
        os.write(write, json.dumps(said).encode() + b"\n")  # short: whole or not at all

    try:
        os.write(write, b"\n")  # at work
        work(tell)
    except BaseException as error:  # noqa: BLE001 - the parent tells it
        tell(error=f"{type(error).__name__}: {error}")
    os._exit(0)


def started(work: Callable[[Callable[..., None]], None]) -> tuple[int, int]:
    """Fork a child; give its number and the end of its pipe, once it is at work."""
    read, write = os.pipe()
    number = os.fork()
    if number == 0:
        os.close(read)
        child(work, write)
    os.close(write)
    os.read(read, 1)
    return number, read


def finished(number: int, read: int) -> tuple[list[dict[str, Any]], bool]:
    """Wait for a child; give what it announced, and whether it was killed."""
    with os.fdopen(read, "rb") as pipe:
        said = [json.loads(line) for line in pipe.read().splitlines() if line]
    _, status = os.waitpid(number, 0)
    return said, os.WIFSIGNALED(status)


def noise(seed: int) -> bytes:
    """A small picture unlike every other, within a fraction of a millisecond."""
    rgb = np.random.default_rng(seed).integers(0, 256, (40, 40, 3), np.uint8)
    return cv2.imencode(".jpg", rgb)[1].tobytes()


def labelled_photo(seed: int, key: str) -> NewPhoto:
    label = Label(key, LABELS[seed % 4], "keeper", "person", stamp(Clock()()))
    return NewPhoto(noise(seed), f"{seed}.jpg", (NewCrop(labels=(label,)),))


def missing_labels(library: Library, labels: dict[str, int]) -> list[str]:
    """Say which announced labels, by key and crop, are not there."""
    there = {str(row[0]) for row in library.database.rows("SELECT key FROM labels")}
    return [f"label of crop {crop} is lost" for key, crop in labels.items() if key not in there]


def unlike_their_history(library: Library) -> list[str]:
    """Say which crops are written down otherwise than their labels come to."""
    crops = list(library.every())
    histories = library.histories([crop.id for crop in crops])
    return [
        f"crop {crop.id} is not what its labels come to"
        for crop in crops
        if (crop.label, crop.is_disputed) != agreed(histories[crop.id])
    ]


class Scene:
    """An album, and what must hold of it when somebody was killed at work on it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.labels: dict[str, int] = {}
        with Library(folder) as library:
            photos = [labelled_photo(seed, new_key()) for seed in range(N_PHOTOS)]
            add_photos(library, photos)
            self.crops = tuple(crop.id for crop in library.every())
            for number in self.crops:
                self.labels |= {item.key: number for item in library.history(number)}

    def look(self, said: list[dict[str, Any]]) -> list[str]:
        """Say what is wrong after a child was killed that had announced this."""
        with Library(self.folder, now=Clock()) as library:
            wrong = faults(library)
            wrong += self.missing(library, said)
            wrong += missing_labels(library, self.labels)
            wrong += unlike_their_history(library)
        return wrong

    def missing(self, library: Library, said: list[dict[str, Any]]) -> list[str]:
        """Say what was announced and is not there."""
        del library, said
        return []


class Work(Scene, ABC):
    """A scene in which a child does something."""

    longest_s: float

    def measure(self) -> None:
        """Let children work without killing them at random, to know how long it takes."""
        took_s = []
        for place in range(900, 905):
            self.before(place)
            number, read = started(lambda tell, place=place: self.work(tell, place))
            start = time.perf_counter()
            os.read(read, 1)
            took_s.append(time.perf_counter() - start)
            os.kill(number, signal.SIGKILL)
            os.waitpid(number, 0)
            os.close(read)
        self.longest_s = ROUNDS * statistics.median(took_s)

    def before(self, place: int) -> None:
        """Make ready for a round: mostly there is nothing to do."""
        del place

    @abstractmethod
    def work(self, tell: Callable[..., None], place: int) -> None:
        """Do it, in a child."""


class Importing(Work):
    """Photos are added, each with a label."""

    def work(self, tell: Callable[..., None], place: int, most: int = 250) -> None:
        first = 1000 * (place + 1)
        with Library(self.folder) as library:
            for start in range(first, first + 4 * most, 4):
                keys = [new_key() for _ in range(4)]
                photos = [labelled_photo(start + i, key) for i, key in enumerate(keys)]
                added = add_photos(library, photos)
                tell(labels=dict(zip(keys, added.crops, strict=True)))

    def missing(self, library: Library, said: list[dict[str, Any]]) -> list[str]:
        for line in said:
            self.labels |= line["labels"]
        numbers = {crop.id for crop in library.every()}
        return [f"crop {crop} is lost" for crop in self.labels.values() if crop not in numbers]


class Labelling(Work):
    """Crops are labelled, and labels taken back."""

    longest_s = LONGEST_S

    def measure(self) -> None:
        """Take so long as it says."""

    def work(self, tell: Callable[..., None], place: int, most: int = 100_000) -> None:
        rng = np.random.default_rng(place)
        with Library(self.folder) as library:
            for _ in range(most):
                number = int(rng.choice(self.crops))
                (key,) = library.label([number], LABELS[rng.integers(4)], who=f"p{rng.integers(3)}")
                tell(key=key, crop=number)
                if rng.random() < 0.3:
                    library.take_back([key])
                    tell(key=key, crop=number, is_back=True)

    def missing(self, library: Library, said: list[dict[str, Any]]) -> list[str]:
        self.labels |= {line["key"]: line["crop"] for line in said}
        sql = "SELECT key FROM labels WHERE withdrawn_at IS NOT NULL"
        withdrawn = {str(row[0]) for row in library.database.rows(sql)}
        return [
            f"a label of crop {line['crop']} that was taken back holds"
            for line in said
            if line.get("is_back") and line["key"] not in withdrawn
        ]


class Deleting(Work):
    """Photos were added and taken away long ago, and are deleted for good when the album is opened."""

    def before(self, place: int) -> None:
        long_ago = Clock()
        long_ago.later(days=-2 * UNDO_DAYS)
        self.going = [f"{1000 * place + 100 + i}.jpg" for i in range(N_PHOTOS)]
        intake.PART = N_PHOTOS  # here only what comes after is looked at
        with Library(self.folder, now=long_ago) as library:
            photos = [labelled_photo(int(name[:-4]), new_key()) for name in self.going]
            library.delete(add_photos(library, photos).crops)

    def work(self, tell: Callable[..., None], place: int) -> None:
        del place
        with Library(self.folder, now=Clock()):
            tell(is_open=True)
            time.sleep(10)

    def missing(self, library: Library, said: list[dict[str, Any]]) -> list[str]:
        del said
        names = {str(row[0]) for row in library.database.rows("SELECT name FROM photos")}
        return [f"{name} should be gone for good" for name in self.going if name in names]


class PretendedNet:
    """Stands for the net: it has read everything, and wears heads."""

    model = "pretended"
    card = SimpleNamespace(full={})
    middle = np.zeros(1872, np.float32)
    head: PersonalHead | None = None

    def with_head(self, head: PersonalHead | None) -> PretendedNet:
        other = copy.copy(self)
        other.head = head
        return other


class Adapting(Work):
    """A head is learned and trusted again and again. The fit itself, which writes nothing, is done once."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        rng = np.random.default_rng(0)
        with Library(folder) as library:
            more = [labelled_photo(seed, new_key()) for seed in range(500, 528)]
            self.crops += add_photos(library, more).crops
            readings = []
            for crop in library.crops(self.crops):
                signature = rng.uniform(0.1, 0.2, 1872).astype(np.float32)
                signature[400 * LABELS.index(crop.label or "") :][:400] *= 4  # easily learned
                p_fine = rng.dirichlet(np.ones(14)).astype(np.float32)
                place = rng.normal(size=64).astype(np.float32)
                readings.append(
                    (crop.id, Reading(PretendedNet.model, p_fine, place, signature, 1.0, 0.5))
                )
            library.note_readings(readings)
            net = PretendedNet()
            material = adapt.gather(library, net.model, net.middle)
            learned = adapt.learn(material, net)  # type: ignore[arg-type]
        assert learned[1]["against"] == []
        adapt.learn = lambda *_: (learned[0], dict(learned[1]))
        self.versions: set[int] = set()

    def work(self, tell: Callable[..., None], place: int) -> None:
        del place
        net = PretendedNet()
        with Library(self.folder) as library:
            while True:
                outcome = adapt.adapt(library, net)  # type: ignore[arg-type]
                tell(version=outcome.version.id if outcome.version else None)

    def missing(self, library: Library, said: list[dict[str, Any]]) -> list[str]:
        self.versions |= {line["version"] for line in said}
        there = {version.id: version for version in adapt.versions(library)}
        wrong = [f"version {number} is lost" for number in self.versions - set(there)]
        trusted = {row[0] for row in library.database.rows("SELECT head FROM trusted")}
        wrong += [f"version {number} was not adopted" for number in set(there) - trusted]
        if there:
            worn = adapt.personal_classifier(library, PretendedNet())  # type: ignore[arg-type]
            if worn.head is None or worn.head.version != max(there):
                wrong.append("the newest version is not worn")
        return wrong


class Migrating(Work):
    """An album of the first schema is opened."""

    def __init__(self, folder: Path) -> None:
        self.template = folder.with_name("template.db")
        self.n_rows = 2000
        with Database(folder, migrations=MIGRATIONS[:1]) as old, old.atomic():
            old.run_many(
                "INSERT INTO actions (kind, at, who, note) VALUES ('import', ?, 'keeper', ?)",
                [(stamp(Clock()()), "a note " * 10)] * self.n_rows,
            )
        shutil.copyfile(
            folder / DATABASE_NAME, self.template
        )  # closed, so nothing waits in its log
        self.folder = folder

    def before(self, place: int) -> None:
        del place
        shutil.rmtree(self.folder)
        self.folder.mkdir()
        shutil.copyfile(self.template, self.folder / DATABASE_NAME)

    def work(self, tell: Callable[..., None], place: int) -> None:
        del place
        with Library(self.folder) as library:
            tell(version=library.database.schema_version)
            time.sleep(10)

    def look(self, said: list[dict[str, Any]]) -> list[str]:
        wrong = []
        if said:  # brought up to date before it was killed
            wrong += self.copies(1, 1)
        with Library(self.folder) as library:
            wrong += faults(library)
            if library.database.schema_version != len(MIGRATIONS):
                wrong.append("it was not brought up to date")
            if library.database.one("SELECT count(*) FROM actions") != (self.n_rows,):
                wrong.append("rows are lost")
        return wrong + self.copies(
            1, 2
        )  # a second one where the first was finished and the rest not

    def copies(self, least: int, most: int) -> list[str]:
        """Say what is wrong with the copies of the old file."""
        kept = sorted((self.folder / BACKUPS_NAME).glob("*"))
        wrong = [f"{path.name} is half done" for path in kept if path.suffix != ".db"]
        if not least <= len(kept) <= most:
            wrong.append(f"{len(kept)} copies")
        for path in kept:
            with closing(sqlite3.connect(path)) as database:
                version = database.execute("PRAGMA user_version").fetchone()
                rows = database.execute("SELECT count(*) FROM actions").fetchone()
                sound = database.execute("PRAGMA integrity_check").fetchone()
            is_older = 1 <= version[0] < len(MIGRATIONS)  # one was killed between two steps
            if not is_older or (rows, sound) != ((self.n_rows,), ("ok",)):
                wrong.append(f"the copy {path.name} is not the old file")
        return wrong


class Logging(Work):
    """Notes are written, corrected and taken back."""

    longest_s = LONGEST_S

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with TankLog(folder, now=Clock()) as log:
            log.add_tank("Amber")
        self.seen: dict[int, int] = {}

    def measure(self) -> None:
        """Take so long as it says."""

    def work(self, tell: Callable[..., None], place: int) -> None:
        rng = np.random.default_rng(place)
        with TankLog(self.folder, now=Clock()) as log:
            for rank in range(100_000):
                at = Clock()() - timedelta(seconds=10_000 * place + rank + 1)
                (note,) = log.add(look("Amber", at, int(rng.integers(50))))
                tell(note=note.id, seen=note.seen)
                if rng.random() < 0.5:
                    log.change(note.id, seen=60)
                    tell(note=note.id, seen=60)
                    log.undo()
                    tell(note=note.id, seen=note.seen)

    def look(self, said: list[dict[str, Any]]) -> list[str]:
        last = {line["note"]: line["seen"] for line in said}
        self.seen |= last
        newest = said[-1]["note"] if said else 0  # it may have been at the next step of this one
        may_be = {60, *(line["seen"] for line in said if line["note"] == newest)}
        with TankLog(self.folder, now=Clock()) as log:
            wrong = log.database.complaints()
            there = {note.id: note.seen for note in log.notes()}
            for number, seen in self.seen.items():
                if number not in there:
                    wrong.append(f"note {number} is lost")
                elif there[number] != seen and not (number == newest and there[number] in may_be):
                    wrong.append(f"note {number} says {there[number]} and not {seen}")
            for number, seen in there.items():
                held = [change for change in log.history(number) if not change.is_undone][-1]
                if held.after is None or held.after["seen"] != seen:
                    wrong.append(f"note {number} is not what its history comes to")
            self.seen = there
        return wrong


if __name__ == "__main__":
    main()
