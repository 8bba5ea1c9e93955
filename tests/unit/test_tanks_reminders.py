"""Looks due as a calendar file: what it says, what it keeps to itself, and that other programs read it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from icalendar import Calendar

from pestvision.errors import LogError, ShapeError
from pestvision.settings import TankSettings
from pestvision.tanks.reminders import Due, looks_calendar
from tests.made_log import HERE, START

KEY = UUID(int=7)
WRITTEN = START - timedelta(hours=3)
WHY = "A leech was seen on 26 Feb; a tank under watch is looked at every 3 days."
WATCH = Due("Amber", START, WHY, every_days=3.0, until=date(2026, 4, 26))


def text_of(*dues: Due, **given: Any) -> str:
    return looks_calendar(dues, **{"key": KEY, "written": WRITTEN, **given})


def events_of(text: str) -> list[Any]:
    calendar = Calendar.from_ical(text)
    assert calendar.errors == []
    events = calendar.walk("VEVENT")
    assert all(event.errors == [] for event in events)
    return list(events)


def test_a_look_due_is_one_entry_with_its_reason_and_its_alarm() -> None:
    (event,) = events_of(text_of(WATCH))
    assert event["SUMMARY"] == "Look at tank Amber"
    assert event["DESCRIPTION"] == WHY
    assert event["DURATION"].dt == timedelta(minutes=15)
    assert event["DTSTAMP"].dt == WRITTEN.astimezone(UTC)
    (alarm,) = event.walk("VALARM")
    assert (alarm["ACTION"], alarm["TRIGGER"].dt) == ("DISPLAY", timedelta(0))


def test_the_evening_stays_the_evening_when_the_clocks_change() -> None:
    text = text_of(WATCH)
    (event,) = events_of(text)
    assert event["DTSTART"].dt == datetime(2026, 3, 1, 21, 0)  # noqa: DTZ001  of the wall clock
    assert "DTSTART:20260301T210000\r\n" in text


def test_it_comes_again_until_the_last_day_and_that_evening_too() -> None:
    (event,) = events_of(text_of(WATCH))
    rule = event["RRULE"]
    assert (rule["FREQ"], rule["INTERVAL"]) == (["DAILY"], [3])
    assert rule["UNTIL"] == [datetime(2026, 4, 26, 23, 59, 59)]  # noqa: DTZ001  as DTSTART


@pytest.mark.parametrize(
    ("every", "until", "says"),
    [
        (None, None, None),
        (2.9, None, "RRULE:FREQ=DAILY;INTERVAL=2\r\n"),  # rather early than late
        (0.5, None, "RRULE:FREQ=DAILY;INTERVAL=1\r\n"),
        (3.0, date(2026, 3, 3), None),  # over before it comes again
        (3.0, date(2026, 3, 4), "RRULE:FREQ=DAILY;INTERVAL=3;UNTIL=20260304T235959\r\n"),
    ],
)
def test_how_often_it_comes_again(every: float | None, until: date | None, says: str) -> None:
    text = text_of(replace(WATCH, every_days=every, until=until))
    events_of(text)
    assert (says in text) if says else ("RRULE" not in text)


def test_a_newer_file_moves_the_look_and_does_not_double_it() -> None:
    before = events_of(text_of(WATCH, replace(WATCH, tank="Moss")))
    later = replace(WATCH, at=START + timedelta(days=3), why="Another reason.", tank="AMBER")
    (after,) = events_of(text_of(later))
    assert after["UID"] == before[0]["UID"] != before[1]["UID"]


def test_no_two_entries_have_one_name() -> None:
    dues = (WATCH, WATCH, replace(WATCH, about="batch spring"), replace(WATCH, tank="Moss"))
    names = [event["UID"] for event in events_of(text_of(*dues))]
    other_log = [event["UID"] for event in events_of(text_of(*dues, key=UUID(int=8)))]
    assert len({*names, *other_log}) == 8


def test_the_order_of_what_is_due_does_not_matter() -> None:
    dues = (WATCH, replace(WATCH, tank="Moss"), replace(WATCH, at=START - timedelta(days=1)))
    assert text_of(*dues) == text_of(*reversed(dues))


def test_the_length_of_a_look_is_a_setting() -> None:
    (event,) = events_of(text_of(WATCH, settings=TankSettings(usual_minutes=40.0)))
    assert event["DURATION"].dt == timedelta(minutes=40)


def test_nothing_due_is_said_and_no_empty_calendar_is_made() -> None:
    with pytest.raises(LogError, match="No look is due") as error:
        text_of()
    assert error.value.advice


@pytest.mark.parametrize("wrong", [{"at": START.replace(tzinfo=None)}, {"every_days": 0.0}])
def test_what_cannot_be_due_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ShapeError):
        replace(WATCH, **wrong)


def test_a_zone_far_away_keeps_its_own_evening() -> None:
    assert HERE.utcoffset(None) == timedelta(hours=1)
    far = START.astimezone(UTC)
    assert "DTSTART:20260301T200000\r\n" in text_of(replace(WATCH, at=far))
