"""Batches in quarantine, holds on selling, and the record for a buyer."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from pestvision.errors import LogError
from pestvision.settings import TankSettings
from pestvision.tanks.clearance import HowClear, how_clear
from pestvision.tanks.nights import nights_of
from pestvision.tanks.quarantine import (
    Why,
    batch_called,
    batch_risk,
    batches_of,
    holds,
    inspection_record,
    plan_of,
    risk_of,
)
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest

USUAL = TankSettings()
CAME = date(2026, 3, 2)


def at(day: date, hour: int = 21) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=UTC)


def came(day: date = CAME, **more: Any) -> Note:
    fields = {"cargo": Cargo.ANIMALS, "count": 20, "batch": "March", "what": "ramshorns", **more}
    return Note("Pearl", at(day, 10), Kind.ADDED, **fields)


def look(day: date, seen: int = 0, tank: str = "Pearl", **more: Any) -> Note:
    fields = {"pest": Pest.LEECH, "seen": seen, "means": Means.EYE, "minutes": 15.0, **more}
    return Note(tank, at(day), Kind.LOOKED, **fields)


def days_on(number: float) -> date:
    return CAME + timedelta(days=number)


# --- the chance that a batch is infested ---


@pytest.mark.parametrize(
    (
        "prior",
        "n_looks",
        "expected",
    ),  # recomputed: 20 snails, all looked at, Se .7, Sp 1, one infested
    [
        (0.1, 1, 0.0323),
        (0.1, 2, 0.0099),
        (0.1, 3, 0.0030),
        (0.3, 1, 0.1139),
        (0.3, 2, 0.0371),
        (0.3, 3, 0.0114),
    ],
)
def test_a_quarantine_of_20_snails_after_clean_looks(
    prior: float, n_looks: int, expected: float
) -> None:
    found = batch_risk(20, [20] * n_looks, per_look_sensitivity=0.7, prior=prior)
    assert found == pytest.approx(expected, abs=5e-5)


def test_a_look_at_half_of_them_is_worth_what_the_batch_test_says() -> None:
    # one of 20 infested, 10 looked at, Se .7: .35 (recomputed); prior .5 makes .65 / 1.65
    half = batch_risk(20, [10], per_look_sensitivity=0.7, prior=0.5)
    assert half == pytest.approx(0.65 / 1.65, abs=1e-9)
    four = batch_risk(20, [10], per_look_sensitivity=0.7, prior=0.5, n_infested=4)
    assert four < half  # more of them are easier to find
    assert batch_risk(20, [], per_look_sensitivity=0.7, prior=0.1) == pytest.approx(0.1)
    assert batch_risk(20, [20], per_look_sensitivity=0.0, prior=0.1) == pytest.approx(0.1)


def test_what_makes_no_sense_gets_one_sentence() -> None:
    with pytest.raises(LogError, match="21 of 20"):
        batch_risk(20, [21], per_look_sensitivity=0.7, prior=0.1)
    with pytest.raises(LogError, match=r"1\.2 was given for the probability before"):
        batch_risk(20, [20], per_look_sensitivity=0.7, prior=1.2)


def test_the_risk_of_a_batch_comes_with_its_range_and_says_what_nobody_measured() -> None:
    batch = batches_of([came(), look(CAME, batch="March"), look(days_on(3), batch="march")])[0]
    risk = risk_of(batch, settings=USUAL)
    assert risk.p_least is not None
    assert risk.p_infested is not None
    assert risk.p_most is not None
    assert 0 < risk.p_least < risk.p_infested < risk.p_most < USUAL.introduced_by_addition
    assert "After 2 clean looks at 20 animals" in risk.says
    assert "nobody has measured" in " ".join(risk.assumptions)
    assert "not a guarantee" in risk.caution


def test_looks_while_a_brood_hides_prove_less_than_looks_after_it() -> None:
    early = [look(days_on(n), batch="March") for n in (0, 3, 6)]
    late = [look(days_on(n), batch="March") for n in (43, 46, 49)]
    risks = [
        risk_of(batches_of([came(), *looks])[0], settings=USUAL).p_infested
        for looks in (early, late)
    ]
    assert risks[0] is not None
    assert risks[1] is not None
    assert risks[0] > 2 * risks[1]
    # without a hidden brood it makes no difference, and it is the plain batch test
    plain = replace(USUAL, hidden_brood=1e-12)
    alone = risk_of(batches_of([came(), *early])[0], settings=plain).p_infested
    assert alone == pytest.approx(
        batch_risk(20, [20] * 3, per_look_sensitivity=0.5, prior=0.05), abs=1e-9
    )


@pytest.mark.parametrize(
    ("notes", "says"),
    [
        ([came(cargo=Cargo.PLANTS, count=3)], "plants"),
        ([came(count=None)], "not written down"),
        ([came(), look(CAME, seen=1, batch="March")], "it is infested"),
    ],
)
def test_where_the_risk_cannot_be_said_there_is_a_reason_and_no_number(
    notes: list[Note], says: str
) -> None:
    risk = risk_of(batches_of(notes)[0], settings=USUAL)
    assert risk.p_infested is risk.p_least is risk.p_most is None
    assert says in risk.says


# --- batches and their looks ---


def test_a_batch_is_what_its_notes_say() -> None:
    notes = [
        look(days_on(1), batch="March", judge=Judge.TOOL, seen=2),
        look(days_on(1), batch="March", pest=Pest.FLATWORM, seen=1),
        look(days_on(2), batch="March"),
        came(days_on(4), count=5, batch="MARCH"),
        came(),
        came(cargo=Cargo.PLANTS, count=None),
        look(days_on(5)),
        Note("Pearl", at(days_on(6)), Kind.MOVED, cargo=Cargo.ANIMALS, other="Rill", batch="March"),
    ]
    (batch,) = batches_of(notes)
    assert batch.name == "March"
    assert batch.tanks == ("Pearl", "Rill")
    assert batch.came_on == days_on(4)  # the time apart begins with the last part
    assert batch.n_animals == 25
    assert [night.seen for night in batch.looks] == [0]  # the keeper's, for leeches
    assert batch.n_clean == 0  # it was before the last part came in
    assert batch_called(notes, " march ").name == "March"
    with pytest.raises(LogError, match="'April'") as caught:
        batch_called(notes, "April")
    assert "March" in caught.value.advice
    with pytest.raises(LogError) as caught:
        batch_called([look(CAME, batch="April")], "April")
    assert "name its batch" in caught.value.advice


def test_the_plan_goes_from_the_first_evening_to_a_last_look_after_eight_weeks() -> None:
    plan = plan_of(batches_of([came()])[0], today=CAME, settings=USUAL)
    assert plan.looks[0] == CAME
    assert plan.looks[1] == days_on(3)
    assert plan.ends_on == plan.looks[-1] == days_on(56)
    assert list(plan.looks) == sorted(set(plan.looks))
    assert not plan.is_overdue


def test_the_plan_goes_on_from_the_last_look_and_tells_of_one_that_is_overdue() -> None:
    batch = batches_of([came(), look(CAME, batch="March")])[0]
    assert plan_of(batch, today=days_on(1), settings=USUAL).looks[0] == days_on(3)
    late = plan_of(batch, today=days_on(10), settings=USUAL)
    assert late.is_overdue
    assert late.looks[0] == days_on(10)
    over = plan_of(batch, today=days_on(60), settings=USUAL)
    assert over.looks == ()
    assert not over.is_overdue


def test_a_find_begins_the_time_apart_anew() -> None:
    batch = batches_of([came(), look(days_on(20), seen=1, batch="March")])[0]
    assert plan_of(batch, today=days_on(21), settings=USUAL).ends_on == days_on(76)


# --- holds ---


def clear_of(notes: list[Note], tank: str, today: date, **more: Any) -> dict[str, HowClear]:
    return {tank: how_clear(nights_of(notes, tank), today=today, settings=USUAL, **more)}


def test_a_tank_with_leeches_is_held_until_its_looks_speak_for_it() -> None:
    notes = [look(CAME, seen=3, taken=3, tank="Moss"), look(days_on(3), tank="Moss")]
    today = days_on(4)
    (hold,) = holds(notes, today=today, settings=USUAL, clear=clear_of(notes, "Moss", today))
    assert (hold.name, hold.is_batch, hold.why) == ("Moss", False, Why.SEEN)
    assert hold.earliest == days_on(56)
    assert "95 %" in hold.first
    assert "no promise" in hold.first
    # many clean looks later it is free
    clean = [look(days_on(n), tank="Moss", minutes=60.0) for n in range(2, 160)]
    notes, today = [notes[0], *clean], days_on(160)
    assert holds(notes, today=today, settings=USUAL, clear=clear_of(notes, "Moss", today)) == ()


def test_a_tank_that_touched_one_with_leeches_is_held_for_eight_weeks_and_until_looked_at() -> None:
    looks = [look(days_on(n), tank="Rill") for n in range(1, 80, 2)]
    since = {"Rill": at(CAME)}

    def held(notes: list[Note], today: date) -> list[Why]:
        clear = clear_of(notes, "Rill", today, is_exposed=True, exposed_since=CAME)
        found = holds(notes, today=today, settings=USUAL, clear=clear, exposed_since=since)
        return [hold.why for hold in found]

    assert held(looks[:20], days_on(40)) == [Why.EXPOSED]  # too early, however many looks
    assert held([], days_on(90)) == [Why.EXPOSED]  # time alone does not do
    assert held(looks, days_on(80)) == []
    later = {"Rill": at(days_on(200))}  # it has not happened yet
    assert holds([], today=CAME, settings=USUAL, clear={}, exposed_since=later) == ()


def test_what_only_the_tool_saw_is_held_until_somebody_has_looked() -> None:
    seen = look(CAME, seen=1, tank="Slate", judge=Judge.TOOL, means=Means.PHOTO)
    (hold,) = holds([seen], today=days_on(1), settings=USUAL, clear={})
    assert hold.why is Why.TOOL
    assert hold.earliest == days_on(1)
    assert "Look at the photo" in hold.first
    looked = [seen, look(days_on(1), tank="Slate")]
    assert holds(looked, today=days_on(1), settings=USUAL, clear={}) == ()
    flatworm = replace(seen, pest=Pest.FLATWORM)
    assert holds([flatworm], today=days_on(1), settings=USUAL, clear={}) == ()


def test_a_batch_is_held_to_the_end_of_its_quarantine_and_until_a_clean_look() -> None:
    early = [came(), look(days_on(3), batch="March")]
    (hold,) = holds(early, today=days_on(4), settings=USUAL, clear={})
    assert (hold.name, hold.is_batch, hold.why) == ("March", True, Why.QUARANTINE)
    assert hold.earliest == days_on(56)
    (hold,) = holds([came()], today=days_on(60), settings=USUAL, clear={})
    assert hold.earliest == days_on(60)  # over, but nobody has looked
    assert "too few" in hold.says
    assert holds(early, today=days_on(60), settings=USUAL, clear={}) == ()
    found = [came(), look(days_on(3), seen=1, batch="March")]
    (hold,) = holds(found, today=days_on(4), settings=USUAL, clear={})
    assert hold.why is Why.SEEN
    assert hold.earliest == days_on(59)


def test_an_emptied_tank_that_had_leeches_gets_no_date() -> None:
    notes = [look(CAME, seen=3, taken=3, tank="Moss")]
    clear = clear_of(notes, "Moss", days_on(300), emptied_on=days_on(5))
    (hold,) = holds(notes, today=days_on(300), settings=USUAL, clear=clear)
    assert hold.earliest is None
    assert "cannot be told" in hold.first
    never = clear_of([], "Moss", days_on(300), emptied_on=days_on(5))
    assert holds([], today=days_on(300), settings=USUAL, clear=never) == ()


# --- the record for a buyer ---


def test_the_record_says_what_was_looked_at_how_and_what_was_found() -> None:
    notes = [
        look(CAME, seen=2, taken=2, tank="Moss"),
        look(days_on(10), tank="Moss", minutes=None),
        look(days_on(12), tank="Moss", means=Means.TRAP, minutes=30.0),
        look(days_on(13), tank="Moss", means=Means.PHOTO, judge=Judge.TOOL, seen=1),
        look(days_on(14), tank="Fern", seen=5),
        look(days_on(15), tank="Moss", pest=Pest.FLATWORM, seen=4),
        look(days_on(99), tank="Moss"),
    ]
    record = inspection_record(notes, tank="Moss", today=days_on(20))
    assert [(each.found, each.means, each.by) for each in record.looks] == [
        (2, Means.EYE, Judge.KEEPER),
        (0, Means.EYE, Judge.KEEPER),
        (0, Means.TRAP, Judge.KEEPER),
        (1, Means.PHOTO, Judge.TOOL),
    ]
    assert (record.first_day, record.last_day) == (CAME, days_on(12))
    assert (record.n_by_keeper, record.minutes, record.n_untimed) == (3, 45.0, 1)
    assert record.last_sighting == CAME
    assert (record.clean_since, record.n_clean) == (days_on(10), 2)
    assert "no certificate" in record.no_certificate
    told = " ".join(record.statements)
    assert "looked at for leech-like animals 3 times" in told
    assert "last seen in the night of 2 March 2026" in told
    assert "tool alone" in told
    assert "clear" not in told  # no verdict


def test_a_find_before_the_time_shown_is_still_named() -> None:
    notes = [look(CAME, seen=2, tank="Moss"), look(days_on(30), tank="Moss")]
    record = inspection_record(notes, tank="Moss", today=days_on(40), since=days_on(20))
    assert len(record.looks) == 1
    assert record.last_sighting == CAME


def test_a_tank_nobody_looked_at_gets_a_record_that_says_so() -> None:
    record = inspection_record([], tank="Moss", today=CAME)
    assert record.statements[0].startswith("Tank Moss was not looked at")
    assert record.looks == ()


def test_the_record_of_a_batch_goes_by_its_name() -> None:
    notes = [came(), look(CAME, batch="march"), look(days_on(1))]
    record = inspection_record(notes, batch="march", today=days_on(9))
    assert (record.about, record.is_batch, len(record.looks)) == ("March", True, 1)
    with pytest.raises(LogError, match="one tank or one batch"):
        inspection_record(notes, today=CAME)
    with pytest.raises(LogError, match="'April'"):
        inspection_record(notes, batch="April", today=CAME)
