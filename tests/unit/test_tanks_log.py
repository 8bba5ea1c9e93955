"""The log: what it keeps, what it refuses and in which words, and that undo brings the exact state back."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import pytest

from pestvision.errors import LogError
from pestvision.storage.database import Database
from pestvision.tanks.log import TankLog, TwinError
from pestvision.tanks.records import Cargo, Judge, Kind, Note, Pest, Stage
from tests.made_log import HERE, START, Hand, everything, look, shelf

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def clock() -> Hand:
    return Hand()


@pytest.fixture
def log(tmp_path: Path, clock: Hand) -> Iterator[TankLog]:
    with shelf(tmp_path / "data", clock) as opened:
        yield opened
        assert opened.database.complaints() == []


MOVE = Note("Amber", START, Kind.MOVED, cargo=Cargo.PLANTS, other="Moss")


def test_a_note_comes_back_as_it_was_written(log: TankLog) -> None:
    every = [
        look("Amber", START, 3, taken=2, brooding=True, remark="on the filter"),
        Note("Amber", START, Kind.REMOVED, pest=Pest.LEECH, taken=1, what="pipette"),
        Note("Moss", START, Kind.DIED, count=25, stage=Stage.HATCHLING),
        Note("Moss", START, Kind.ADDED, cargo=Cargo.PLANTS, source="a pond", batch="spring"),
        MOVE,
        Note("Slate", START, Kind.TREATED, what="as its label says"),
        Note("Slate", START, Kind.CLEANED),
        Note("Slate", START, Kind.EMPTIED),
        Note("Slate", START, Kind.RESTOCKED, count=10, what="ramshorns"),
        Note("Slate", START, Kind.SOLD, count=4),
    ]
    written = log.add(*every)
    assert [replace(note, id=0) for note in log.notes()] == every
    assert [note.id for note in written] == list(range(1, 11))
    assert all(note.at.utcoffset() == timedelta(hours=1) for note in log.notes())


def test_a_note_is_there_after_the_log_was_closed_and_opened(tmp_path: Path, clock: Hand) -> None:
    with shelf(tmp_path, clock) as log:
        log.add(look("Amber", START, 5))
    with TankLog(tmp_path, now=clock) as log:
        assert [note.seen for note in log.notes()] == [5]


def test_a_tank_is_found_whatever_the_case_of_its_letters(log: TankLog) -> None:
    (note,) = log.add(look("  aMBER ", START, 1))
    assert note.tank == "Amber"
    assert log.notes("amber") == [note]


def test_a_move_is_in_the_notes_of_both_tanks(log: TankLog) -> None:
    log.add(MOVE)
    assert len(log.notes("Amber")) == len(log.notes("Moss")) == 1
    assert log.notes("Slate") == []


@pytest.mark.parametrize(
    ("wrong", "says", "would_do"),
    [
        (look("Amber", START, -1), "-1 was given for how many were seen", "from 0 to"),
        (look("Amber", START, 2, taken=3), "3 were taken out and 2 seen", "larger number as seen"),
        (look("Amber", START, 2, minutes=0.0), "0 minutes", "more than 0"),
        (look("Amber", START, 2, minutes=float("nan")), "nan minutes", "more than 0"),
        (look("Amber", START, 10**9), "1000000000 was given", "whole number"),
        (look("Amber", START, seen=None), "does not say how many were seen", "Add that"),
        (look("Amber", START + timedelta(minutes=1), 1), "is in the future", "Give the time"),
        (look("Amber", START.replace(tzinfo=None), 1), "how far it is from UTC", "+01:00"),
        (look("Amber", datetime(1980, 1, 1, tzinfo=UTC), 1), "is of 1980-01-01", "begins in 1990"),
        (look("Amber", datetime(1, 1, 1, tzinfo=HERE), 1), "of the year 1", "the day it was done"),
        (look("Ambre", START, 1), "no tank 'Ambre'", "Did you mean Amber?"),
        (look("Willow", START, 1), "no tank 'Willow'", "There are: Amber, Moss, Slate."),
        (replace(MOVE, other="Nowhere"), "no tank 'Nowhere'", "pestvision tank add"),
        (replace(MOVE, other="amber"), "to the tank it is in", "other tank"),
        (replace(MOVE, cargo=None), "what kind of thing", "Add that"),
        (replace(MOVE, seen=0), "which does not go with 'moved'", "Leave that out"),
        (Note("Amber", START, Kind.DIED, count=0, stage=Stage.ADULT), "0 was given", "from 1"),
        (Note("Amber", START, Kind.REMOVED, pest=Pest.LEECH, taken=0), "0 was given", "from 1"),
        (Note("Amber", START, Kind.TREATED, what="  "), "empty or too long", "characters"),
        (Note("Amber", START, Kind.EMPTIED, remark="x" * 501), "empty or too long", "500"),
    ],
    ids=lambda value: None if isinstance(value, Note) else str(value)[:30],
)
def test_a_note_that_makes_no_sense_gets_one_sentence_and_changes_nothing(
    log: TankLog, wrong: Note, says: str, would_do: str
) -> None:
    before = everything(log), log.changes()
    with pytest.raises(LogError) as told:
        log.add(look("Moss", START, 1), wrong)
    assert says in str(told.value)
    assert would_do in told.value.advice
    assert "\n" not in told.value.sentence()
    assert (everything(log), log.changes()) == before


def test_of_several_notes_each_that_can_be_kept_is_kept(log: TankLog) -> None:
    outcomes = log.add_each([look("Amber", START, 1), look("Nope", START), look("Moss", START, 2)])
    assert [isinstance(outcome, LogError) for outcome in outcomes] == [False, True, False]
    assert [note.tank for note in log.notes()] == ["Amber", "Moss"]


def test_the_same_note_is_not_kept_twice(log: TankLog) -> None:
    log.add(look("Amber", START, 1))
    with pytest.raises(TwinError, match="stands in the log already, as note 1"):
        log.add(look("amber", START, 1))
    with pytest.raises(TwinError):  # the same moment, said from elsewhere
        log.add(look("Amber", START.astimezone(UTC), 1))
    log.add(look("Amber", START, 2))
    assert len(log.notes()) == 2


def test_a_second_move_at_the_same_second_is_refused_where_their_order_matters(
    log: TankLog,
) -> None:
    log.add(MOVE)
    with pytest.raises(LogError, match="nobody can tell which came first") as told:
        log.add(Note("Moss", START, Kind.MOVED, cargo=Cargo.WATER, other="Slate"))
    assert "later time" in told.value.advice
    log.add_tank("Fern")
    log.add(Note("Slate", START, Kind.MOVED, cargo=Cargo.WATER, other="Fern"))  # no tank in common
    assert len(log.notes()) == 2


def test_a_changed_note_keeps_what_it_said_before(log: TankLog, clock: Hand) -> None:
    (note,) = log.add(look("Amber", START, 3))
    clock.later(hours=1)
    log.change(note.id, seen=30, who="Ida")
    assert log.note(note.id).seen == 30
    first, second = log.history(note.id)
    assert first.before is None
    assert second.before is not None
    assert second.after is not None
    assert (second.before["seen"], second.after["seen"], second.who) == (3, 30, "Ida")
    assert second.at == clock.at


def test_a_change_to_nonsense_changes_nothing(log: TankLog) -> None:
    (note,) = log.add(look("Amber", START, 3))
    with pytest.raises(LogError):
        log.change(note.id, seen=-3)
    assert log.note(note.id) == note
    assert len(log.history(note.id)) == 1


def test_no_change_is_no_step(log: TankLog) -> None:
    (note,) = log.add(look("Amber", START, 3))
    log.change(note.id, seen=3)
    assert len(log.history(note.id)) == 1


def test_a_removed_note_is_gone_and_comes_back(log: TankLog) -> None:
    (note,) = log.add(look("Amber", START, 3))
    before = everything(log)
    log.remove(note.id)
    assert log.notes() == []
    with pytest.raises(LogError, match="no note 1"):
        log.note(note.id)
    log.undo()
    assert everything(log) == before
    assert [change.is_undone for change in log.history(note.id)] == [False, True]


def test_undo_goes_back_step_by_step_to_the_empty_log(log: TankLog) -> None:
    states = [everything(log)]
    log.add(look("Amber", START, 3), look("Moss", START, 1))
    states.append(everything(log))
    log.change(1, seen=4)
    states.append(everything(log))
    log.change_tank("Moss", name="Mossy", litres=20.0)
    states.append(everything(log))
    log.remove(2)
    for state in reversed(states):
        log.undo()
        assert everything(log) == state
    for _ in range(3):
        log.undo()
    assert everything(log) == [[], []]
    with pytest.raises(LogError, match="nothing in the log to take back"):
        log.undo()


def test_a_number_is_never_given_to_another_note(log: TankLog) -> None:
    (first,) = log.add(look("Amber", START, 3))
    log.undo()
    (second,) = log.add(look("Amber", START, 5))
    assert second.id > first.id
    assert len(log.history(second.id)) == 1


def test_notes_go_with_a_tank_that_is_renamed(log: TankLog) -> None:
    log.add(look("Amber", START, 3))
    log.change_tank("amber", name="Old Amber", lives="nerites")
    assert [note.tank for note in log.notes("old amber")] == ["Old Amber"]
    assert log.tank("Old Amber").lives == "nerites"


@pytest.mark.parametrize("name", ["", "   ", "x" * 61, "a\x00b"])
def test_a_tank_needs_a_name_that_can_be_read(log: TankLog, name: str) -> None:
    with pytest.raises(LogError, match="given as a tank's name"):
        log.add_tank(name)


def test_a_tank_is_refused_whose_name_is_taken_or_volume_none(log: TankLog) -> None:
    with pytest.raises(LogError, match="There is a tank Amber already"):
        log.add_tank("AMBER")
    with pytest.raises(LogError, match="There is a tank Moss already"):
        log.change_tank("Amber", name="moss")
    for litres in (0.0, -19.0, float("nan"), 1e9):
        with pytest.raises(LogError, match="litres were given"):
            log.add_tank("New", litres=litres)
    assert [tank.name for tank in log.tanks()] == ["Amber", "Moss", "Slate"]


def test_what_the_tool_saw_is_kept_apart_from_what_the_keeper_saw(log: TankLog) -> None:
    (note,) = log.add(look("Amber", START, 2, judge=Judge.TOOL))
    assert log.note(note.id).judge is Judge.TOOL
    assert log.change(note.id, judge=Judge.KEEPER).judge is Judge.KEEPER


def test_notes_keep_the_clock_they_were_written_with_and_are_in_the_order_of_time(
    log: TankLog,
) -> None:
    far = timezone(timedelta(hours=-9))
    late = look("Amber", START.astimezone(far), 1)
    early = look("Amber", START - timedelta(hours=1), 2)
    log.add(late, early)
    assert [note.seen for note in log.notes()] == [2, 1]
    assert log.notes()[1].at.utcoffset() == timedelta(hours=-9)


def test_an_older_data_folder_gets_the_log_and_a_copy_of_itself(
    tmp_path: Path, clock: Hand
) -> None:
    from pestvision.storage.migrations import MIGRATIONS

    Database(tmp_path, migrations=MIGRATIONS[:2]).close()
    with shelf(tmp_path, clock, "Amber") as log:
        log.add(look("Amber", START, 1))
    assert len(list((tmp_path / "backups").glob("schema-2-*.db"))) == 1


def test_a_mark_is_another_one_after_every_change_and_undo(tmp_path: Path) -> None:
    with shelf(tmp_path, clock := Hand()) as log:
        marks = [log.mark()]
        for act in (
            lambda: log.add(look("Amber", clock(), 1)),
            lambda: log.change(1, seen=2),
            lambda: log.remove(1),
            log.undo,
            log.undo,
            lambda: log.change_tank("Moss", litres=3.0),
        ):
            act()
            marks.append(log.mark())
        assert len(set(marks)) == len(marks)
        log.notes()
        assert log.mark() == marks[-1]


def test_what_changed_since_a_mark_is_told_or_that_all_is_to_be_read_anew(tmp_path: Path) -> None:
    with shelf(tmp_path, clock := Hand()) as log:
        log.add(look("Amber", clock(), 1), look("Moss", clock(), 0))
        mark = log.mark()
        assert log.notes_since(mark) == []
        log.change(2, seen=2)
        log.remove(1)
        assert sorted(log.notes_since(mark) or []) == [1, 2]
        assert [change.row for change in log.last_step()] == [1]
        log.undo()
        assert log.notes_since(mark) is None
        mark = log.mark()
        log.change_tank("Moss", litres=3.0)
        assert log.notes_since(mark) is None
