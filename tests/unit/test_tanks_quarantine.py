"""Batches, what clean looks at them prove, holds on selling, and the record for a buyer."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pestvision.settings import TankSettings
from pestvision.tanks.quarantine import (
    NO_CERTIFICATE,
    HoldReason,
    batch_risk,
    batches_of,
    chance_infested,
    inspection_record,
    plan_of,
)
from pestvision.tanks.records import Cargo, Judge, Kind, Note, Pest, Tank
from pestvision.tanks.samples import batch_sensitivity
from pestvision.tanks.standing import Standing, standings
from tests.made_log import START, look

DAY = timedelta(days=1)
SURE = TankSettings(per_look=0.7, hidden_brood=1e-9)
CAME = Note(
    "Dusk", START, Kind.ADDED, cargo=Cargo.ANIMALS, count=20, batch="spring", source="a fair"
)


def clean(tank: str, *days: float, **said: object) -> list[Note]:
    return [look(tank, START + day * DAY, 0, batch="spring", **said) for day in days]


def risk_of(notes: list[Note], day: float, settings: TankSettings = SURE) -> object:
    (batch,) = batches_of(notes)
    return batch_risk(batch, today=(START + day * DAY).date(), settings=settings)


@pytest.mark.parametrize(
    ("prior", "chances"), [(0.1, (0.0323, 0.0099, 0.0030)), (0.3, (0.1139, 0.0371, 0.0114))]
)
def test_clean_full_looks_at_twenty_snails_prove_what_bayes_says(
    prior: float, chances: tuple[float, ...]
) -> None:
    # Recomputed by hand with Bayes' rule: 20 snails, one infested, a look sees it with 0.7.
    sees = batch_sensitivity(20, n_animals=20, n_infested=1, sensitivity=0.7)
    for n_looks, chance in enumerate(chances, start=1):
        assert chance_infested(prior, [sees] * n_looks) == pytest.approx(chance, abs=5e-5)


@pytest.mark.parametrize(("n_looks", "sees_one"), [(1, 0.70), (2, 0.91), (3, 0.973), (4, 0.9919)])
def test_repeated_looks_see_more(n_looks: int, sees_one: float) -> None:
    # Recomputed: 1 - (1 - 0.7)^n.
    prior = 0.5
    p = chance_infested(prior, [0.7] * n_looks)
    assert 1 - p / (1 - p) == pytest.approx(sees_one, abs=5e-5)


def test_a_look_at_some_of_the_animals_proves_less_than_one_at_all() -> None:
    some = risk_of([CAME, *clean("Dusk", 7, count=10)], 8)
    every = risk_of([CAME, *clean("Dusk", 7)], 8)
    assert some.p_infested > every.p_infested  # type: ignore[attr-defined]
    # one of 20 infested: 10 looked at see it with 0.35 (Cameron & Baldock 1998, recomputed)
    assert some.p_infested == pytest.approx(chance_infested(0.1, [0.35]))  # type: ignore[attr-defined]


def test_looks_while_a_brood_hides_do_not_end_the_doubt() -> None:
    settings = TankSettings(per_look=0.7, hidden_brood=0.2)
    early = risk_of([CAME, *clean("Dusk", *range(1, 41))], 41, settings)
    assert early.p_infested == pytest.approx(0.1 * 0.2 / (0.9 + 0.1 * 0.2), rel=1e-6)  # type: ignore[attr-defined]
    late = risk_of([CAME, *clean("Dusk", *range(1, 41), 43, 50, 56)], 56, settings)
    assert late.p_infested < 0.01  # type: ignore[attr-defined]
    assert late.is_over  # type: ignore[attr-defined]
    assert not early.is_over  # type: ignore[attr-defined]


def test_the_wait_ends_not_before_its_weeks_whatever_the_looks() -> None:
    notes = [CAME, *clean("Dusk", *range(1, 55))]
    assert not risk_of(notes, 55).is_over  # type: ignore[attr-defined]
    assert risk_of(notes, 56).is_over  # type: ignore[attr-defined]
    assert not risk_of([CAME], 200).is_over  # type: ignore[attr-defined]  nobody looked


def test_a_find_begins_the_wait_anew() -> None:
    notes = [
        CAME,
        *clean("Dusk", 7, 14),
        look("Dusk", START + 20 * DAY, 1, taken=1, batch="spring"),
    ]
    risk = risk_of(notes, 21)
    assert risk.earliest == START.date() + 76 * DAY  # type: ignore[attr-defined]
    assert risk.p_infested == pytest.approx(0.5)  # type: ignore[attr-defined]
    assert "a leech was seen in it on 21 March 2026" in risk.sentence  # type: ignore[attr-defined]


def test_wild_finds_are_feared_more() -> None:
    wild = Note("Dusk", START, Kind.ADDED, cargo=Cargo.WILD, batch="pond")
    assert risk_of([wild], 1).p_infested == pytest.approx(0.3)  # type: ignore[attr-defined]


def test_the_plan_is_a_look_every_week_and_one_on_the_last_day() -> None:
    (batch,) = batches_of([CAME])
    days = plan_of(batch, today=START.date(), settings=SURE)
    assert [(day - START.date()).days for day in days] == [7, 14, 21, 28, 35, 42, 49, 56]
    assert plan_of(batch, today=START.date() + 50 * DAY, settings=SURE) == (
        START.date() + 56 * DAY,
    )


def test_a_batch_is_gathered_from_its_notes_in_any_order() -> None:
    notes = [
        CAME,
        Note("Dusk", START + DAY, Kind.ADDED, cargo=Cargo.ANIMALS, count=4, batch="Spring "),
        Note(
            "Dusk", START + 2 * DAY, Kind.MOVED, cargo=Cargo.ANIMALS, other="Rill", batch="spring"
        ),
        look("Rill", START + 3 * DAY, 0, batch="SPRING", count=3),
        look("Rill", START + 4 * DAY, 0, batch="spring", judge=Judge.TOOL),
        look("Rill", START + 4 * DAY, 0, batch="another"),
    ]
    told = {batches_of(order) for order in permutations(notes, 6)}
    assert len(told) == 1
    ((batch,),) = told
    assert (batch.tank, batch.n_animals, batch.arrived) == ("Rill", 24, START.date() + DAY)
    assert [(one.n_looked, one.seen) for one in batch.looks] == [(3, 0)]


@given(st.lists(st.integers(1, 100), max_size=12), st.integers(1, 100))
def test_a_further_clean_look_never_raises_the_chance(days: list[int], more: int) -> None:
    before = risk_of([CAME, *clean("Dusk", *sorted(set(days)))], 120)
    after = risk_of([CAME, *clean("Dusk", *sorted({*days, more}))], 120)
    assert after.p_infested <= before.p_infested + 1e-12  # type: ignore[attr-defined]


def stand(notes: list[Note], day: float, *names: str) -> Standing:
    tanks = [Tank(place, name) for place, name in enumerate(names or ("Amber", "Moss"), start=1)]
    found = standings(tanks, notes, now=START + day * DAY)
    return next(one for one in found if one.tank.name == tanks[0].name)


def test_nothing_is_sold_from_a_tank_with_leeches_before_the_wait_and_the_looks() -> None:
    notes = [look("Amber", START, 5, taken=5)]
    (hold,) = stand(notes, 1).holds
    assert (hold.reason, hold.earliest) == (HoldReason.SEEN, START.date() + 56 * DAY)
    assert "no promise" in hold.sentence
    (late,) = stand(notes, 100).holds  # the wait is over, and nobody looked
    assert late.earliest is None
    assert "go on looking" in late.sentence


def test_each_reason_to_hold_is_given_and_a_quiet_tank_has_none() -> None:
    assert stand([look("Amber", START, 0)], 1).holds == ()
    seen = look("Moss", START, 5)
    moved = Note("Moss", START - DAY, Kind.MOVED, cargo=Cargo.ANIMALS, other="Amber")
    tool = look("Amber", START, 2, judge=Judge.TOOL)
    batch = Note("Amber", START, Kind.ADDED, cargo=Cargo.PLANTS, batch="spring")
    reasons = [hold.reason for hold in stand([seen, moved, batch], 1).holds]
    assert reasons == [HoldReason.EXPOSED, HoldReason.QUARANTINE]
    assert [hold.reason for hold in stand([tool], 1).holds] == [HoldReason.DOUBT]
    emptied = [look("Amber", START, 1), Note("Amber", START + DAY, Kind.EMPTIED)]
    (hold,) = stand(emptied, 2).holds
    assert (hold.reason, hold.earliest) == (HoldReason.EMPTIED, None)
    restocked = [*emptied, Note("Amber", START + 9 * DAY, Kind.RESTOCKED)]
    (hold,) = stand(restocked, 10).holds
    assert (hold.reason, hold.earliest) == (HoldReason.RESTOCKED, START.date() + 65 * DAY)


def test_a_buyers_record_says_what_was_looked_at_and_that_it_is_no_certificate() -> None:
    notes = [
        look("Amber", START - 100 * DAY, 3, taken=3),
        look("Amber", START - 10 * DAY, 2, taken=2, remark="behind the filter"),
        look("Amber", START - 5 * DAY, 0, minutes=20.0),
        look("Amber", START - 4 * DAY, 0, judge=Judge.TOOL),
        look("Moss", START - 5 * DAY, 9),
        Note("Amber", START - 3 * DAY, Kind.REMOVED, pest=Pest.LEECH, taken=1),
    ]
    record = inspection_record("Amber", notes, today=START.date())
    assert [(one.found, one.means, one.minutes) for one in record.looks] == [
        (2, "by eye", 15.0),
        (0, "by eye", 20.0),
    ]
    assert record.last_sighting == START.date() - 3 * DAY
    assert record.n_taken == 3
    assert "looked at 2 times; at 1 of them leeches were seen" in record.says
    assert record.no_certificate == NO_CERTIFICATE
    assert "no certificate" in record.no_certificate
    assert "filter" not in repr(record)
    nothing = inspection_record("Amber", [], today=date(2026, 3, 1))
    assert "nobody wrote down a look" in nothing.says


def test_a_look_that_counts_animals_names_their_batch() -> None:
    from pestvision.errors import LogError
    from pestvision.tanks.records import check_note

    with pytest.raises(LogError, match="names no batch"):
        check_note(look("Amber", START, 0, count=3), now=START)
