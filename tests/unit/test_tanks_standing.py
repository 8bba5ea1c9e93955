"""How tanks stand: the most urgent first, and why."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import permutations

import pytest

from pestvision.tanks.records import Cargo, Judge, Kind, Note, Pest, Stage, Tank
from pestvision.tanks.standing import (
    Standing,
    State,
    cleared_of,
    left_in,
    outlook_of,
    standings,
    tonight,
)
from tests.made_log import HERE, START, look

TANKS = [Tank(place, name, 19.0) for place, name in enumerate(("Amber", "Moss", "Slate"), start=1)]
DAY = timedelta(days=1)


def stand(notes: list[Note], now: datetime, tanks: list[Tank] = TANKS) -> dict[str, Standing]:
    return {one.tank.name: one for one in standings(tanks, notes, now=now)}


def nightly(tank: str, first: datetime, *finds: int) -> list[Note]:
    return [look(tank, first + place * DAY, n, taken=n or None) for place, n in enumerate(finds)]


def test_a_tank_without_notes_is_to_be_looked_at_tonight() -> None:
    found = standings(TANKS, [], now=START)
    assert [one.tank.name for one in found] == ["Amber", "Moss", "Slate"]
    for one in found:
        assert one.state is State.NOT_LOOKED
        assert one.next_look == START.date()
        assert one.last_look is one.last_seen is None


def test_until_noon_it_is_still_the_night_before() -> None:
    assert tonight(datetime(2026, 3, 2, 2, 0, tzinfo=HERE)) == date(2026, 3, 1)
    assert tonight(datetime(2026, 3, 2, 13, 0, tzinfo=HERE)) == date(2026, 3, 2)


def test_a_tank_with_leeches_comes_first_and_is_looked_at_every_night() -> None:
    notes = [*nightly("Moss", START, 14, 9, 6), look("Amber", START, 0)]
    first, *others = standings(TANKS, notes, now=START + 2 * DAY)
    assert (first.tank.name, first.state, first.n_taken) == ("Moss", State.SEEN, 29)
    assert first.next_look == START.date() + 3 * DAY
    assert "6 leeches were seen in Moss on 3 March 2026" in first.sentence
    assert {one.tank.name: one.state for one in others} == {
        "Amber": State.QUIET,
        "Slate": State.NOT_LOOKED,
    }


def test_what_only_the_program_saw_asks_for_a_look_and_is_settled_by_one() -> None:
    seen = look("Amber", START, 2, judge=Judge.TOOL)
    one = stand([seen], START)["Amber"]
    assert (one.state, one.next_look, one.last_look) == (State.DOUBT, START.date(), None)
    assert "nobody has looked since" in one.sentence
    looked = look("Amber", START + timedelta(hours=1), 0)
    assert stand([seen, looked], START + DAY)["Amber"].state is State.QUIET
    confirmed = replace(seen, judge=Judge.KEEPER)
    assert stand([confirmed], START)["Amber"].state is State.SEEN


def test_a_tank_that_got_plants_from_one_with_leeches_is_exposed() -> None:
    moved = Note("Moss", START - DAY, Kind.MOVED, cargo=Cargo.PLANTS, other="Amber")
    notes = [moved, *nightly("Moss", START, 5)]
    one = stand(notes, START + DAY)["Amber"]
    assert one.state is State.EXPOSED
    assert one.exposure is not None
    assert one.exposure.source == "Moss"
    assert one.clear.p_clear is not None
    assert one.clear.p_clear < 0.5  # as likely as not by the contact, and a little by itself
    assert stand(notes, START + DAY)["Slate"].exposure is None


def test_looks_of_two_months_end_an_exposure() -> None:
    moved = Note("Moss", START - DAY, Kind.MOVED, cargo=Cargo.PLANTS, other="Amber")
    clean = [look("Amber", START + place * 2 * DAY, 0) for place in range(60)]
    notes = [moved, *nightly("Moss", START, 5), *clean]
    assert stand(notes, START + 40 * DAY)["Amber"].state is State.EXPOSED
    assert stand(notes, START + 119 * DAY)["Amber"].state is State.QUIET


def test_an_emptied_tank_waits_and_is_never_promised() -> None:
    notes = [*nightly("Amber", START, 5), Note("Amber", START + DAY, Kind.EMPTIED)]
    one = stand(notes, START + 300 * DAY)["Amber"]  # about ten months
    assert (one.state, one.next_look, one.clear.p_clear) == (State.EMPTIED, None, None)
    assert "never promised" in one.sentence
    assert outlook_of(one).courses == ()


@pytest.mark.parametrize(
    "restocking",
    [
        Note("Amber", START + 30 * DAY, Kind.RESTOCKED, count=10),
        Note("Amber", START + 30 * DAY, Kind.ADDED, cargo=Cargo.ANIMALS, count=10),
        Note("Moss", START + 30 * DAY, Kind.MOVED, cargo=Cargo.ANIMALS, other="Amber"),
    ],
    ids=["restocked", "added", "moved in"],
)
def test_a_restocked_tank_that_had_leeches_is_watched_like_an_exposed_one(restocking: Note) -> None:
    notes = [*nightly("Amber", START, 5), Note("Amber", START + DAY, Kind.EMPTIED), restocking]
    one = stand(notes, START + 31 * DAY)["Amber"]
    assert one.state is State.EXPOSED
    assert "had leeches before it was emptied" in one.sentence
    assert one.n_taken == 0


def test_plants_put_into_an_emptied_tank_do_not_restock_it() -> None:
    notes = [
        Note("Amber", START, Kind.EMPTIED),
        Note("Amber", START + DAY, Kind.ADDED, cargo=Cargo.PLANTS),
    ]
    assert stand(notes, START + 2 * DAY)["Amber"].state is State.EMPTIED


def test_a_batch_waits_in_quarantine_for_its_weeks() -> None:
    notes = [
        Note("Amber", START, Kind.ADDED, cargo=Cargo.ANIMALS, count=12, batch="spring"),
        *[look("Amber", START + place * 3 * DAY, 0, batch="spring") for place in range(25)],
    ]
    one = stand(notes, START + 40 * DAY)["Amber"]
    assert one.state is State.QUARANTINE
    assert "26 April 2026" in one.sentence  # eight weeks
    assert stand(notes, START + 73 * DAY)["Amber"].state is State.QUIET


def test_a_tank_is_called_probably_clear_only_after_the_wait_and_many_clean_looks() -> None:
    finds = (50, 31, 22, 14, 9, 6, 3, 2, 0, 1)
    clean = [look("Amber", START + (10 + 2 * place) * DAY, 0) for place in range(60)]
    notes = [*nightly("Amber", START, *finds), *clean]
    early = stand(notes, START + 40 * DAY)["Amber"]
    assert early.state is State.SEEN
    assert early.clear.earliest == START.date() + 9 * DAY + 56 * DAY
    late = stand(notes, START + 129 * DAY)["Amber"]
    assert late.state is State.CLEAR
    assert "not a guarantee" in late.sentence
    assert late.next_look == START.date() + 128 * DAY + 14 * DAY
    again = stand([*notes, look("Amber", START + 129 * DAY, 1)], START + 130 * DAY)["Amber"]
    assert again.state is State.SEEN


def test_how_many_are_left_is_counted_from_where_finds_began_anew() -> None:
    notes = [
        *nightly("Amber", START, 50, 31, 22),
        *[look("Amber", START + (3 + place) * DAY, 0) for place in range(100)],
        *nightly("Amber", START + 103 * DAY, 12, 7, 3),
    ]
    one = stand(notes, START + 106 * DAY)["Amber"]
    found = left_in(one)
    assert found.caught == 22
    assert found.at_least == 22
    assert one.n_taken == 125


def test_snails_lost_in_two_weeks_are_counted() -> None:
    notes = [
        Note("Amber", START - 20 * DAY, Kind.DIED, count=9, stage=Stage.ADULT),
        Note("Amber", START - DAY, Kind.DIED, count=25, stage=Stage.HATCHLING),
    ]
    assert stand(notes, START)["Amber"].n_died == 25


def test_what_comes_later_is_not_looked_at_and_the_order_of_entry_does_not_matter() -> None:
    notes = [
        *nightly("Moss", START, 5, 3),
        Note("Moss", START + timedelta(hours=1), Kind.MOVED, cargo=Cargo.WATER, other="Amber"),
        Note("Slate", START, Kind.REMOVED, pest=Pest.LEECH, taken=1),
    ]
    now = START + DAY
    told = {standings(TANKS, order, now=now) for order in permutations(notes)}
    assert len(told) == 1
    later = look("Slate", now + DAY, 9)
    assert standings(TANKS, [*notes, later], now=now) == told.pop()


def test_contacts_end_where_a_tank_is_probably_clear() -> None:
    finds = (50, 31, 22, 14, 9, 6, 3, 2, 0, 1)
    clean = [look("Amber", START + (10 + 2 * place) * DAY, 0) for place in range(60)]
    notes = [*nightly("Amber", START, *finds), *clean]
    now = START + 129 * DAY
    (since,) = cleared_of(standings(TANKS, notes, now=now)).values()
    assert START + (9 + 56) * DAY < since < now
    early = Note("Amber", since - DAY, Kind.MOVED, cargo=Cargo.PLANTS, other="Moss")
    late = Note("Amber", since + DAY, Kind.MOVED, cargo=Cargo.PLANTS, other="Slate")
    found = stand([*notes, early, late], now)
    assert found["Moss"].exposure is not None
    assert found["Slate"].exposure is None
