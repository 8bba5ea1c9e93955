"""Observations as Darwin Core: what a row says, what it keeps to itself, and that it stays the same."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from pestvision.errors import LogError
from pestvision.tanks.darwincore import COLUMNS, observations_csv
from pestvision.tanks.keys import log_key
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest
from tests.made_log import START, Hand, look, shelf

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pestvision.tanks.log import TankLog

PRIVATE = "in Ada's cellar, Elm Road"


@pytest.fixture
def log(tmp_path: Path) -> Iterator[TankLog]:
    with shelf(tmp_path / "data", Hand()) as opened:
        opened.add_tank("Dusk")  # nobody measured its volume
        yield opened


def some_notes() -> list[Note]:
    return [
        look("Amber", START - timedelta(days=2), 3, taken=2, brooding=True, remark=PRIVATE),
        look("Amber", START - timedelta(days=1), minutes=12.5),
        look("Moss", START, 1, means=Means.PHOTO, minutes=None, judge=Judge.TOOL),
        Note("Slate", START, Kind.REMOVED, pest=Pest.FLATWORM, taken=4, what="=from the filter"),
        Note("Slate", START, Kind.MOVED, cargo=Cargo.PLANTS, other="Moss"),
        look("Dusk", START, means=Means.TRAP, minutes=None),
    ]


def rows_of(log: TankLog, **asked: object) -> list[dict[str, str]]:
    text = observations_csv(log.notes(), log.tanks(), key=log_key(log), **asked)  # type: ignore[arg-type]
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_each_look_and_each_removal_is_a_row_and_nothing_else_is(log: TankLog) -> None:
    log.add(*some_notes())
    rows = rows_of(log)
    # by time, then in the order of writing
    assert [row["occurrenceStatus"] for row in rows] == [
        "detected", "notDetected", "detected", "detected", "notDetected",
    ]  # fmt: skip
    assert [row["individualCount"] for row in rows] == ["3", "0", "1", "4", "0"]


def test_a_row_says_how_it_was_looked_and_how_sure_the_name_is(log: TankLog) -> None:
    log.add(*some_notes())
    found, clean, by_tool, removed, trapped = rows_of(log)
    assert found["eventDate"] == "2026-02-27T21:00:00+01:00"
    assert (found["scientificName"], found["taxonRank"]) == ("Hirudinea", "subclass")
    assert (found["identificationQualifier"], found["degreeOfEstablishment"]) == ("cf.", "captive")
    assert found["identificationRemarks"] == "leech-like by eye; not determined by a specialist"
    assert found["identificationVerificationStatus"] == "unverified"
    assert found["reproductiveCondition"] == "brooding"
    assert (found["samplingEffort"], clean["samplingEffort"]) == ("15 minutes", "12.5 minutes")
    assert (found["sampleSizeValue"], found["sampleSizeUnit"]) == ("19", "litre")
    assert clean["identificationRemarks"] == "nothing leech-like seen by eye"
    assert [row["basisOfRecord"] for row in (found, by_tool)] == [
        "HumanObservation",
        "MachineObservation",
    ]
    assert "nobody has looked at it since" in by_tool["occurrenceRemarks"]
    assert (by_tool["samplingEffort"], by_tool["sampleSizeValue"]) == ("", "")
    assert removed["scientificName"] == "Platyhelminthes"
    assert "may be among those counted" in removed["occurrenceRemarks"]
    assert (trapped["sampleSizeValue"], trapped["sampleSizeUnit"]) == ("", "")


def test_nothing_of_the_keeper_is_told_unless_it_is_asked_for(log: TankLog) -> None:
    log.add(*some_notes())
    text = observations_csv(log.notes(), log.tanks(), key=log_key(log))
    for private in (PRIVATE, "Amber", "filter", "keeper,", str(log.folder)):
        assert private not in text
    assert all((row["country"], row["locality"]) == ("", "") for row in rows_of(log))


def test_place_and_remarks_are_told_where_they_are_asked_for(log: TankLog) -> None:
    log.add(*some_notes())
    found, _clean, _tool, removed, _trapped = rows_of(log, country="Norway", has_remarks=True)
    assert found["country"] == "Norway"
    assert found["occurrenceRemarks"] == PRIVATE
    assert removed["occurrenceRemarks"].endswith("; =from the filter")


def test_a_spreadsheet_runs_nothing_that_a_keeper_wrote(log: TankLog) -> None:
    log.add(look("Amber", START, 1, remark="=1+1"))
    (row,) = rows_of(log, has_remarks=True, locality="-north")
    assert (row["occurrenceRemarks"], row["locality"]) == ("'=1+1", "'-north")


def test_a_note_keeps_its_name_when_it_is_corrected_and_its_tank_renamed(log: TankLog) -> None:
    first, *_others = log.add(*some_notes())
    before = [row["occurrenceID"] for row in rows_of(log)]
    log.change(first.id, seen=5)
    log.change_tank("Amber", name="Rill")
    log.add(look("Moss", START, 0))
    after = rows_of(log)
    assert [row["occurrenceID"] for row in after][: len(before)] == before
    assert after[0]["individualCount"] == "5"
    assert len({row["occurrenceID"] for row in after}) == len(after) == 6
    assert all(re.fullmatch(r"urn:uuid:[0-9a-f-]{36}", row["occurrenceID"]) for row in after)


def test_two_logs_never_give_two_notes_one_name(log: TankLog, tmp_path: Path) -> None:
    clock = Hand()
    clock.later(seconds=-1)
    with (
        shelf(tmp_path / "other", clock) as other,
        shelf(tmp_path / "third", Hand(), "Rill") as last,
    ):
        keys = {log_key(each) for each in (log, other, last)}
    assert len(keys) == 3


def test_what_was_looked_for_at_one_look_is_one_event(log: TankLog) -> None:
    leech = look("Amber", START, 1)
    log.add(leech, replace(leech, pest=Pest.FLATWORM, seen=0), replace(leech, tank="Moss"))
    one, two, other = rows_of(log)
    assert one["eventID"] == two["eventID"] != other["eventID"]
    assert one["locationID"] == two["locationID"] != other["locationID"]
    assert len({row["occurrenceID"] for row in (one, two, other)}) == 3


def test_a_log_without_looks_gives_the_line_of_terms_alone(log: TankLog) -> None:
    text = observations_csv([], log.tanks(), key=log_key(log))
    assert text == ",".join(COLUMNS) + "\r\n"


def test_a_note_that_stands_in_no_log_is_refused(log: TankLog) -> None:
    with pytest.raises(LogError, match="it has no number yet"):
        observations_csv([look("Amber", START)], log.tanks(), key=log_key(log))
    with pytest.raises(LogError, match="its tank Fern is not given"):
        observations_csv([look("Fern", START)], log.tanks(), key=log_key(log))
