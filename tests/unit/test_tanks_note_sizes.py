"""Sizes in a note: what is kept, what is refused, and that logs and tables from before them still read."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from pestvision.errors import LogError
from pestvision.storage.backup import back_up, restore
from pestvision.storage.database import Database
from pestvision.storage.migrations import MIGRATIONS
from pestvision.tanks import log as log_module
from pestvision.tanks.log import TankLog
from pestvision.tanks.records import Cargo, Kind, Note, Pest
from pestvision.tanks.size_rules import MAX_LENGTH_MM, SIZES
from pestvision.tanks.tables import NOTE_COLUMNS, notes_csv, take_notes
from pestvision.tanks.words import said
from tests.made_log import HERE, START, Hand, everything, look, shelf

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NEW = (*SIZES, "hatchlings")
BEFORE_SIZES = 3
"""The schema of the last version that knew no sizes."""


@pytest.fixture
def log(tmp_path: Path) -> Iterator[TankLog]:
    with shelf(tmp_path / "data", Hand()) as opened:
        yield opened
        assert opened.database.complaints() == []


def sized(**more: Any) -> Note:
    return look("Amber", START, 14, smallest_mm=2.5, largest_mm=23.0, hatchlings=3, **more)


def test_sizes_come_back_as_they_were_written_and_can_be_corrected_and_taken_out(
    log: TankLog,
) -> None:
    removed = Note(
        "Moss", START, Kind.REMOVED, pest=Pest.LEECH, taken=2, largest_mm=8.0, hatchlings=0
    )
    (note, _) = log.add(sized(), removed)
    assert [replace(each, id=0) for each in log.notes()] == [sized(), removed]
    assert log.change(note.id, largest_mm=None, hatchlings=4).hatchlings == 4
    assert log.note(note.id).largest_mm is None
    log.undo()
    assert replace(log.note(note.id), id=0) == sized()


def test_whole_millimetres_are_kept_like_others(log: TankLog) -> None:
    (note,) = log.add(look("Amber", START, 1, largest_mm=8))
    assert isinstance(log.note(note.id).largest_mm, float)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"smallest_mm": 9.0, "largest_mm": 8.0}, "smallest is given as 9 mm and the largest as 8"),
        ({"smallest_mm": 0.0}, "0 mm were given for the smallest"),
        ({"largest_mm": -3.0}, "-3 mm were given for the largest"),
        ({"largest_mm": float("nan")}, "nan mm were given for the largest"),
        ({"largest_mm": MAX_LENGTH_MM + 1}, "201 mm were given for the largest"),
        ({"hatchlings": 6}, "6 were of hatchling size and 5 seen"),
        ({"hatchlings": -1}, "-1 was given for how many were of hatchling size"),
        ({"seen": 0, "largest_mm": 3.0}, "gives the size of one and says that none was seen"),
    ],
)
def test_a_size_that_cannot_be_gets_one_sentence_and_writes_nothing(
    log: TankLog, more: dict[str, Any], says: str
) -> None:
    with pytest.raises(LogError, match=says) as caught:
        log.add(replace(look("Amber", START, 5), **more))
    assert caught.value.advice
    assert log.notes() == []


def test_young_ones_taken_out_are_among_those_taken_out(log: TankLog) -> None:
    note = Note("Amber", START, Kind.REMOVED, pest=Pest.LEECH, taken=2, hatchlings=3)
    with pytest.raises(LogError, match="3 were of hatchling size and 2 taken out"):
        log.add(note)


@pytest.mark.parametrize("name", NEW)
def test_a_note_that_is_not_about_pests_says_no_sizes(log: TankLog, name: str) -> None:
    plants = Note("Amber", START, Kind.ADDED, cargo=Cargo.PLANTS)
    with pytest.raises(LogError, match="does not go with 'added'"):
        log.add(replace(plants, **{name: 1}))


def test_the_greatest_length_and_a_look_without_sizes_are_kept(log: TankLog) -> None:
    log.add(look("Amber", START, 1, largest_mm=MAX_LENGTH_MM), look("Moss", START, 0, hatchlings=0))
    assert [note.hatchlings for note in log.notes("Moss")] == [0]


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ({}, ""),
        ({"smallest_mm": 2.5, "largest_mm": 23.0}, ", 2.5 to 23 mm long"),
        ({"smallest_mm": 8.0, "largest_mm": 8.0}, ", 8 mm long"),
        ({"largest_mm": 8.0}, ", the largest 8 mm long"),
        ({"smallest_mm": 1.0, "hatchlings": 2}, ", the smallest 1 mm long, 2 of hatchling size"),
        ({"hatchlings": 0}, ", none of hatchling size"),
    ],
)
def test_a_note_says_its_sizes_in_words(sizes: dict[str, Any], words: str) -> None:
    assert (
        said(look("Amber", START, 3, **sizes)) == f"looked by eye, 15 minutes: 3 leech-like{words}"
    )
    taken = Note("Amber", START, Kind.REMOVED, pest=Pest.LEECH, taken=3, **sizes)
    assert said(taken) == f"took out 3 leech-like{words}"


def test_sizes_go_out_in_a_table_and_come_in_again(log: TankLog, tmp_path: Path) -> None:
    log.add(sized(remark="on the filter"))
    text = notes_csv(log.notes())
    with shelf(tmp_path / "other", Hand()) as other:
        assert take_notes(other, text, who="keeper", zone=HERE).complaints == ()
        assert other.notes() == log.notes()


def test_a_table_from_before_sizes_is_still_read(log: TankLog, tmp_path: Path) -> None:
    log.add(look("Amber", START, 3, taken=2, minutes=12.5))
    lines = [line.split(",") for line in notes_csv(log.notes()).splitlines()]
    kept = [place for place, name in enumerate(NOTE_COLUMNS) if name not in NEW]
    old = "\r\n".join(",".join(cells[place] for place in kept) for cells in lines)
    assert "largest_mm" not in old
    with shelf(tmp_path / "other", Hand()) as other:
        assert take_notes(other, old, who="keeper", zone=HERE).complaints == ()
        assert other.notes() == log.notes()
    again = take_notes(log, old, who="keeper", zone=HERE)
    assert (again.added, again.n_known) == ((), 1)


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ("2 cm,", "'2 cm' was given for 'largest_mm', and a number was expected"),
        ("inf,", "'inf' was given for 'largest_mm', and a number was expected"),
        ('"12,5",two', "'two' was given for 'hatchlings', and a whole number"),
    ],
)
def test_a_size_in_a_table_that_is_no_number_costs_its_row_alone(
    log: TankLog, cells: str, says: str
) -> None:
    head = "tank,at,kind,pest,seen,means,largest_mm,hatchlings\n"
    row = "Amber,2026-02-28T{}:00+01:00,looked,leech-like,3,eye,{}\n"
    text = head + row.format(20, cells) + row.format(21, '"12,5",1')
    taken = take_notes(log, text, who="keeper", zone=HERE)
    assert len(taken.complaints) == 1
    assert says in taken.complaints[0]
    assert [(note.largest_mm, note.hatchlings) for note in taken.added] == [(12.5, 1)]


def old_log(
    folder: Path, clock: Hand, monkeypatch: pytest.MonkeyPatch
) -> list[list[tuple[Any, ...]]]:
    """Make a log as the version before sizes left it: three changes of a note, with their history."""
    old_columns = tuple(name for name in log_module._COLUMNS if name not in NEW)
    with monkeypatch.context() as older:
        older.setattr(log_module, "_COLUMNS", old_columns)
        older.setattr(log_module, "Database", _Older)
        with shelf(folder, clock, "Amber", "Moss") as log:
            (note,) = log.add(look("Amber", START, 3, taken=1, remark="on the filter"))
            log.change(note.id, seen=4)
            log.add(look("Moss", START, 0))
            log.remove(note.id)
            return everything(log)


class _Older(Database):
    def __init__(self, folder: Path) -> None:
        super().__init__(folder, migrations=MIGRATIONS[:BEFORE_SIZES])


def test_a_log_from_before_sizes_keeps_everything_and_its_history_can_be_undone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Hand()
    told = old_log(tmp_path, clock, monkeypatch)
    with closing(sqlite3.connect(tmp_path / "pestvision.db")) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (BEFORE_SIZES,)
        assert "largest_mm" not in raw.execute("SELECT max(before) FROM tank_changes").fetchone()[0]
    with TankLog(tmp_path, now=clock) as log:
        tanks, notes = told
        assert everything(log) == [tanks, [(*row, None, None, None) for row in notes]]
        assert log.database.schema_version == len(MIGRATIONS)
        log.undo()  # of the removal, by the old version
        (note,) = log.notes("Amber")
        assert (note.seen, note.remark, note.largest_mm) == (4, "on the filter", None)
        log.change(note.id, largest_mm=9.0)
        log.undo()
        log.undo()
        log.undo()
        assert [each.seen for each in log.notes()] == [3]
        assert log.database.complaints() == []
    assert len(list((tmp_path / "backups").glob(f"schema-{BEFORE_SIZES}-*.db"))) == 1


def test_a_backup_from_before_sizes_is_brought_back_and_takes_sizes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Hand()
    old_log(tmp_path / "data", clock, monkeypatch)
    kept = back_up(tmp_path / "data", tmp_path / "kept.zip").path
    restore(kept, tmp_path / "new")
    with TankLog(tmp_path / "new", now=clock) as log:
        log.add(sized())
        assert [note.largest_mm for note in log.notes()] == [None, 23.0]
