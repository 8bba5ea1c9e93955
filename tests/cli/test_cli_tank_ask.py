"""The commands that ask the log."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from pestvision.storage.place import data_folder
from pestvision.tanks.clearance_words import CAUTION
from pestvision.tanks.log import TankLog
from pestvision.tanks.records import Cargo, Kind, Note, Stage
from tests.made_log import look

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from typer.testing import Result

    TypeIn = Callable[..., Result]

DAY = timedelta(days=1)


def flat(text: str) -> str:
    """What was printed, without its line breaks."""
    return " ".join(text.split())


@pytest.fixture
def shelf() -> None:
    """Three tanks, leeches in one of them for ten nights, plants moved from it to the next."""
    start = datetime.now(UTC) - 10 * DAY
    with TankLog(data_folder(None)) as log:
        for name in ("Amber", "Moss", "Slate"):
            log.add_tank(name)
        log.add(Note("Amber", start - DAY, Kind.MOVED, cargo=Cargo.PLANTS, other="Moss"))
        log.add(Note("Amber", start, Kind.DIED, count=25, stage=Stage.HATCHLING))
        for place, n in enumerate((50, 31, 22, 14, 9, 6, 3, 2, 1, 0)):
            log.add(look("Amber", start + place * DAY, n, taken=n or None))


@pytest.mark.usefixtures("shelf")
def test_the_shelf_says_where_to_look_tonight_and_what_not_to_sell(type_in: TypeIn) -> None:
    told = flat(type_in("tank", "status").stdout)
    assert told.startswith("Look tonight at: ")
    assert told.index("Amber: leeches seen") < told.index("Moss: exposed")
    assert "138 leeches taken out; 25 snails died in the last two weeks." in told
    assert "Sell nothing: Leeches were seen in Amber" in told
    assert "Slate: not looked at yet" in told


@pytest.mark.usefixtures("shelf")
def test_one_tank_is_told_in_full_with_the_caution(type_in: TypeIn) -> None:
    result = type_in("tank", "status", "amber")
    assert result.exit_code == 0, result.stderr
    for words in ("At least 138; likely", "Removal is winning", CAUTION, "8 weeks later"):
        assert words in flat(result.stdout)
    assert "take-off: Taking a leech off" in flat(result.stdout)
    assert "Did you mean Amber?" in type_in("tank", "status", "Ambr").stderr


@pytest.mark.usefixtures("shelf")
def test_the_forecast_names_days_ways_and_what_is_taken_for_granted(type_in: TypeIn) -> None:
    told = flat(type_in("tank", "forecast", "Amber").stdout)
    for words in ("twice a week by torch", "Taken for granted:", "Hidden brood", CAUTION):
        assert words in told
    found = json.loads(type_in("tank", "forecast", "Amber", "--json").stdout)
    assert found["caution"] == CAUTION
    assert len(found["courses"][0]["days"]) == len(found["courses"][0]["p_clear"])


@pytest.mark.usefixtures("shelf")
def test_status_is_one_line_of_json_a_tank(type_in: TypeIn) -> None:
    lines = [json.loads(line) for line in type_in("tank", "status", "--json").stdout.splitlines()]
    assert [line["tank"] for line in lines] == ["Amber", "Moss", "Slate"]
    assert lines[0]["state"] == "leeches seen"
    assert lines[0]["holds"][0]["earliest"] is not None
    assert all(line["caution"] == CAUTION for line in lines)


@pytest.mark.usefixtures("shelf")
def test_contacts_say_what_to_check_first_and_how_they_came_and_draw_it(
    type_in: TypeIn, tmp_path: Path
) -> None:
    picture = tmp_path / "contacts.svg"
    result = type_in("tank", "contacts", "--svg", picture)
    assert "1. Moss: exposed." in result.stdout
    assert picture.read_text(encoding="utf-8").startswith("<svg")
    assert "Nothing in the log explains" in flat(type_in("tank", "contacts", "Amber").stdout)
    (line,) = type_in("tank", "contacts", "Moss", "--json").stdout.splitlines()
    assert json.loads(line)["path"][0]["from"] == "Amber"


def test_an_empty_log_says_how_to_begin(type_in: TypeIn) -> None:
    for command in ("status", "contacts"):
        assert "pestvision tank add NAME" in flat(type_in("tank", command).stdout)


def test_advice_is_listed_and_given_with_its_cautions(type_in: TypeIn) -> None:
    listed = type_in("tank", "advice").stdout
    assert "emptied-tank-bleach" in listed
    card = type_in("tank", "advice", "emptied-tank-bleach").stdout
    assert "Never in a stocked tank" in card
    assert "Sources:" in card
    missing = type_in("tank", "advice", "bleech")
    assert missing.exit_code == 3
    assert "The nearest one is" in missing.stderr


@pytest.mark.usefixtures("shelf")
def test_looks_due_are_written_as_a_calendar_and_never_over_another_file(
    type_in: TypeIn, tmp_path: Path
) -> None:
    from icalendar import Calendar

    path = tmp_path / "looks.ics"
    assert type_in("tank", "remind", path).exit_code == 0
    second = type_in("tank", "remind", path)
    assert "looks-2.ics" in second.stdout
    events = Calendar.from_ical(path.read_bytes()).walk("VEVENT")
    assert {str(event["SUMMARY"]) for event in events} == {
        "Look at tank Amber",
        "Look at tank Moss",
        "Look at tank Slate",
    }


def test_an_empty_log_has_nothing_to_remind_of(type_in: TypeIn, tmp_path: Path) -> None:
    result = type_in("tank", "remind", tmp_path / "looks.ics")
    assert result.exit_code == 3
    assert "No look is due" in result.stderr


@pytest.mark.usefixtures("shelf")
def test_a_tank_is_reported_on_a_page_and_a_buyer_gets_no_certificate(
    type_in: TypeIn, tmp_path: Path
) -> None:
    assert type_in("tank", "report", "amber", "--out", tmp_path / "amber.html").exit_code == 0
    page = (tmp_path / "amber.html").read_text(encoding="utf-8")
    assert CAUTION in page
    assert "At least 138" in page
    result = type_in("tank", "report", "Amber", "--for-buyer", "--out", tmp_path)
    assert "Amber-record.html" in result.stdout
    record = (tmp_path / "Amber-record.html").read_text(encoding="utf-8")
    assert "no certificate" in record
    assert "<script" not in page + record


def test_a_file_is_named_so_that_every_system_can_hold_it() -> None:
    from pestvision.cli.tank_work import file_name_of

    assert file_name_of("Rack 2/left: a", for_buyer=False) == "Rack-2-left--a.html"
    assert file_name_of("???", for_buyer=True) == "tank-record.html"
