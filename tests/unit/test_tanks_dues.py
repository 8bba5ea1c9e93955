"""Which looks are due."""

from __future__ import annotations

from datetime import datetime, timedelta

from pestvision.tanks.dues import EVENING, dues_of
from pestvision.tanks.records import Cargo, Kind, Note, Tank
from pestvision.tanks.standing import standings
from tests.made_log import HERE, START, look

DAY = timedelta(days=1)
TANKS = [Tank(1, "Amber"), Tank(2, "Moss"), Tank(3, "Slate")]


def test_a_tank_with_leeches_is_due_every_night_and_a_quiet_one_every_fortnight() -> None:
    notes = [look("Amber", START, 5, taken=5), look("Moss", START, 0)]
    found = dues_of(standings(TANKS[:2], notes, now=START + DAY), now=START + DAY)
    amber, moss = found
    assert (amber.tank, amber.every_days, amber.at) == (
        "Amber",
        1.0,
        datetime.combine(START.date() + DAY, EVENING, tzinfo=HERE),
    )
    assert amber.until == START.date() + 8 * DAY
    assert (moss.every_days, moss.at.date(), moss.until) == (14.0, START.date() + 14 * DAY, None)


def test_what_is_overdue_is_due_tonight_and_an_emptied_tank_is_not() -> None:
    notes = [look("Amber", START, 0), Note("Moss", START, Kind.EMPTIED)]
    now = START + 100 * DAY
    (amber,) = dues_of(standings(TANKS[:2], notes, now=now), now=now)
    assert amber.at.date() == now.date()


def test_the_looks_at_a_batch_are_due_one_by_one() -> None:
    notes = [Note("Slate", START, Kind.ADDED, cargo=Cargo.ANIMALS, count=5, batch="Spring")]
    found = dues_of(standings(TANKS[2:], notes, now=START), now=START)
    assert [due.about for due in found] == ["look", *["batch spring"] * 8]
    assert all(due.every_days is None for due in found[1:])
