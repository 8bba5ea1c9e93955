"""The log as a table: out and in again, and rows that are damaged."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import pytest

from pestvision.errors import LogError
from pestvision.tanks.moments import moment_of
from pestvision.tanks.records import Cargo, Kind, Note, Pest, Stage
from pestvision.tanks.tables import notes_csv, read_notes, read_table, take_notes, tanks_csv
from tests.made_log import HERE, START, Hand, look, shelf

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pestvision.tanks.log import TankLog

NOW = datetime(2026, 3, 14, 12, 0, tzinfo=HERE)
HEAD = "tank,at,kind,pest,seen,means,minutes\n"
GOOD = "Amber,2026-02-28T21:00+01:00,looked,leech-like,3,eye,15\n"


@pytest.fixture
def log(tmp_path: Path) -> Iterator[TankLog]:
    with shelf(tmp_path / "data", Hand()) as opened:
        yield opened


def some_notes() -> list[Note]:
    return [
        look(
            "Amber", START, 3, taken=2, brooding=True, minutes=12.5, remark='=1+1, "quoted"\nand on'
        ),
        Note("Moss", START, Kind.DIED, count=25, stage=Stage.HATCHLING, what="-small ones"),
        Note("Amber", START, Kind.MOVED, cargo=Cargo.WILD, other="Moss", batch="'spring"),
        Note("Slate", START, Kind.REMOVED, pest=Pest.FLATWORM, taken=1),
    ]


def test_a_log_that_is_written_out_and_read_in_is_the_same(log: TankLog, tmp_path: Path) -> None:
    log.add(*some_notes())
    text = notes_csv(log.notes())
    with shelf(tmp_path / "other", Hand()) as other:
        taken = take_notes(other, text, who="keeper", zone=HERE)
        assert taken.complaints == taken.remarks == ()
        assert other.notes() == log.notes()
        again = take_notes(other, text, who="keeper", zone=HERE)
        assert (again.added, again.n_known) == ((), 4)
        other.undo()
        assert other.notes() == []


def test_a_spreadsheet_runs_nothing_that_a_remark_says(log: TankLog) -> None:
    log.add(*some_notes())
    assert "'=1+1" in notes_csv(log.notes())


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_a_table_that_a_spreadsheet_saved_with_another_sign_between_is_read(delimiter: str) -> None:
    text = (HEAD + GOOD).replace(",", delimiter)
    (row,), complaints = read_notes(text, now=NOW)
    assert complaints == []
    assert row.note.seen == 3


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("Amber,2026-02-28T21:00+01:00,looked,leech-like,-3,eye,15", "-3 was given"),
        ("Amber,2026-02-28T21:00+01:00,looked,leech-like,a few,eye,15", "without a unit"),
        ("Amber,2026-02-28T21:00+01:00,looked,leech-like,3,eye,1 h", "an hour is 60"),
        ("Amber,2026-02-28T21:00+01:00,looked,leech-like,3,eye,nan", "'nan' was given"),
        ("Amber,2026-02-28T21:00+01:00,looked,leech-like,3,nose,15", "eye, photo, trap"),
        ("Amber,2026-02-28T21:00+01:00,peeked,leech-like,3,eye,15", "looked, removed"),
        ("Amber,28.02.2026,looked,leech-like,3,eye,15", "given as a time"),
        ("Amber,2031-02-28T21:00+01:00,looked,leech-like,3,eye,15", "in the future"),
        ("Willow,2026-02-28T21:00+01:00,looked,leech-like,3,eye,15", "no tank 'Willow'"),
        ("Amber,2026-02-28T21:00+01:00,looked,leech-like,3", "has 5 cells"),
        ("Amber,2026-02-28T21:00+01:00,looked,leech-like,3,eye,15,more", "has 8 cells"),
        (",2026-02-28T21:00+01:00,looked,leech-like,3,eye,15", "nothing under 'tank'"),
        ("Amber,,looked,leech-like,3,eye,15", "nothing under 'at'"),
    ],
)
def test_a_damaged_row_gets_one_sentence_with_its_line_and_the_rest_is_kept(
    log: TankLog, row: str, says: str
) -> None:
    text = f"{HEAD}{GOOD}{row}\n{GOOD.replace('Amber', 'Moss')}"
    taken = take_notes(log, text, who="keeper", zone=HERE)
    assert [note.tank for note in taken.added] == ["Amber", "Moss"]
    (complaint,) = taken.complaints
    assert complaint.startswith("Line 3: ")
    assert says in complaint
    assert "\n" not in complaint


def test_the_line_of_a_row_is_right_after_a_remark_of_several_lines(log: TankLog) -> None:
    head = "tank,at,kind,remark\n"
    text = f'{head}Amber,2026-02-28,cleaned,"one\ntwo\nthree"\n\nNowhere,2026-02-28,cleaned,x\n'
    taken = take_notes(log, text, who="keeper", zone=HERE)
    assert taken.complaints[0].startswith("Line 6: ")
    assert taken.added[0].remark == "one\ntwo\nthree"


def test_two_moves_at_the_same_second_keep_the_first(log: TankLog) -> None:
    head = "tank,at,kind,cargo,other\n"
    rows = (
        "Amber,2026-02-28T21:00+01:00,moved,plants,Moss\nMoss,2026-02-28T20:00Z,moved,water,Slate\n"
    )
    taken = take_notes(log, head + rows, who="keeper", zone=HERE)
    assert len(taken.added) == 1
    assert "nobody can tell which came first" in taken.complaints[0]


def test_a_log_from_another_time_zone_keeps_its_own_clock_and_says_so(log: TankLog) -> None:
    text = HEAD + GOOD.replace("+01:00", "-08:00") + GOOD.replace("Amber", "Moss")
    taken = take_notes(log, text, who="keeper", zone=HERE)
    (remark,) = taken.remarks
    assert "1 of the notes" in remark
    assert "-0800" in remark
    assert log.notes("Amber")[0].at.utcoffset() == timedelta(hours=-8)
    assert [note.tank for note in log.notes()] == ["Moss", "Amber"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("tank,kind\nAmber,cleaned\n", "lacks the column 'at'"),
        ("tank,at,kind,mood\n", "unknown column 'mood'"),
        ("tank,at,kind,at\n", "names a column twice"),
        ("nothing at all", "lacks the column 'tank'"),
    ],
)
def test_a_table_without_its_columns_is_refused(log: TankLog, text: str, says: str) -> None:
    with pytest.raises(LogError, match=says):
        take_notes(log, text, who="keeper")


@pytest.mark.parametrize(
    ("data", "says"),
    [(b"", "is empty"), (b"\xff\xfe\x00", "no text in UTF-8"), (b"PK\x00\x01", "no table of text")],
)
def test_a_file_that_is_no_table_is_refused(tmp_path: Path, data: bytes, says: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    with pytest.raises(LogError, match=says):
        read_table(path)
    with pytest.raises(LogError, match="cannot be read"):
        read_table(tmp_path / "missing.csv")
    with pytest.raises(LogError, match="cannot be read"):
        read_table(tmp_path)


def test_tanks_are_written_out(log: TankLog) -> None:
    log.change_tank("Amber", lives="nerites, =cmd")
    assert tanks_csv(log.tanks()).splitlines()[1] == 'Amber,19.0,"nerites, =cmd",'


def test_a_time_of_the_clock_is_the_last_time_it_was_so_late() -> None:
    assert moment_of("11:30", now=NOW, zone=HERE) == datetime(2026, 3, 14, 11, 30, tzinfo=HERE)
    assert moment_of("21:30", now=NOW, zone=HERE) == datetime(2026, 3, 13, 21, 30, tzinfo=HERE)


def test_a_day_is_its_evening_and_today_is_at_the_latest_now() -> None:
    assert moment_of("2026-03-01", now=NOW, zone=HERE) == datetime(2026, 3, 1, 21, tzinfo=HERE)
    assert moment_of("2026-03-14", now=NOW, zone=HERE) == NOW


def test_a_time_with_its_zone_keeps_it() -> None:
    at = moment_of("2026-03-01T10:00-08:00", now=NOW, zone=HERE)
    assert at == datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
    assert at.tzinfo == timezone(timedelta(hours=-8))


@pytest.mark.parametrize("text", ["", "soon", "24:00", "2026-13-01", "2026-02-30 10:00", "9" * 400])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(LogError, match="given as a time"):
        moment_of(text, now=NOW, zone=HERE)


def test_replacing_nothing_reads_the_same(log: TankLog) -> None:
    (note,) = log.add(look("Amber", START, 1))
    assert replace(note) == note
