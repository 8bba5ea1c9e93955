"""What must hold of "how clear is it" whatever was written down."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pestvision.settings import TankSettings
from pestvision.tanks.clearance import HowClear, Plan, State, how_clear, outlook
from pestvision.tanks.records import Night

FEW = settings(max_examples=80, deadline=None, derandomize=True)
FIRST = date(2026, 1, 5)
USUAL = TankSettings()
# an introduction belongs to the day, not to the look: with the same day asked for it may stay in
EFFORTS = st.floats(0.05, 5.0)


@st.composite
def told_nights(draw: st.DrawFn) -> list[Night]:
    """Nights of one tank: finds, finds let be, finds without a look, and clean looks."""
    nights, day = [], FIRST
    for _ in range(draw(st.integers(1, 14))):
        day += timedelta(days=draw(st.sampled_from([1, 1, 2, 3, 5, 9, 20, 45])))
        seen = draw(st.sampled_from([0, 0, 0, 1, 1, 2, 5, 12]))
        taken = draw(st.integers(0, seen))
        is_look = draw(st.booleans()) if seen and seen == taken else True
        nights.append(
            Night(
                day,
                seen,
                taken,
                effort=draw(EFFORTS),
                is_look=is_look,
                brooding=bool(seen) and draw(st.booleans()),
            )
        )
    return nights


CASES = st.fixed_dictionaries(
    {
        "nights": told_nights(),
        "wait": st.integers(1, 200),
        "added": st.lists(st.integers(0, 300), max_size=3),
        "is_exposed": st.booleans(),
    }
)


def asked(case: dict[str, object], nights: list[Night]) -> HowClear:
    days = [night.day for night in case["nights"]]  # type: ignore[attr-defined]
    return how_clear(
        nights,
        today=max(days) + timedelta(days=case["wait"]),  # type: ignore[arg-type]
        settings=USUAL,
        additions=[FIRST + timedelta(days=n) for n in case["added"]],  # type: ignore[attr-defined]
        is_exposed=bool(case["is_exposed"]),
    )


@FEW
@given(case=CASES, after=st.integers(1, 200), effort=EFFORTS)
def test_a_further_clean_look_never_raises_the_probability_that_some_are_there(
    case: dict[str, object], after: int, effort: float
) -> None:
    nights: list[Night] = case["nights"]  # type: ignore[assignment]
    day = nights[-1].day + timedelta(days=min(after, case["wait"]))  # type: ignore[call-overload]
    before = asked(case, nights)
    further = asked(case, [*nights, Night(day, 0, 0, effort=effort)])
    assert before.p_clear is not None
    assert further.p_clear is not None
    assert further.p_clear >= before.p_clear - 1e-9


@FEW
@given(case=CASES, effort=EFFORTS, longer=st.floats(1.0, 6.0))
def test_more_effort_in_clean_looks_never_lowers_the_probability_of_being_clear(
    case: dict[str, object], effort: float, longer: float
) -> None:
    nights: list[Night] = case["nights"]  # type: ignore[assignment]
    look = Night(nights[-1].day + timedelta(days=1), 0, 0, effort=effort)
    short = asked(case, [*nights, look])
    long = asked(case, [*nights, replace(look, effort=effort * longer)])
    assert short.p_clear is not None
    assert long.p_clear is not None
    assert long.p_clear >= short.p_clear - 1e-9


@FEW
@given(case=CASES, seed=st.integers(0, 1000))
def test_the_order_of_entry_does_not_matter(case: dict[str, object], seed: int) -> None:
    nights: list[Night] = case["nights"]  # type: ignore[assignment]
    shuffled = list(nights)
    random.Random(seed).shuffle(shuffled)
    assert asked(case, shuffled) == asked(case, nights)


@FEW
@given(case=CASES)
def test_probabilities_are_probabilities_and_no_word_comes_before_the_wait_is_over(
    case: dict[str, object],
) -> None:
    nights: list[Night] = case["nights"]  # type: ignore[assignment]
    told = asked(case, nights)
    for chance in (told.p_clear, told.p_left_over, told.p_brood, told.p_came_in):
        assert chance is not None
        assert 0.0 <= chance <= 1.0
    # each doubt alone is no more than all of them together
    assert told.p_clear is not None
    assert 1 - told.p_clear >= max(told.p_left_over, told.p_brood, told.p_came_in) - 1e-9  # type: ignore[type-var]
    assert told.detection is not None
    assert 0 < told.detection.low <= told.detection.mean <= told.detection.high < 1
    seen = [night.day for night in nights if night.seen]
    if told.state is State.CLEAR:
        today = nights[-1].day + timedelta(days=case["wait"])  # type: ignore[arg-type]
        assert told.p_clear >= USUAL.clear_at
        assert today >= max(seen) + timedelta(weeks=USUAL.brooding_weeks)
    assert (told.state is State.NEVER) == (not seen)


@FEW
@given(case=CASES, every=st.floats(1.0, 14.0), effort=EFFORTS)
def test_no_course_reaches_it_before_the_wait_is_over_or_sooner_with_less(
    case: dict[str, object], every: float, effort: float
) -> None:
    nights: list[Night] = case["nights"]  # type: ignore[assignment]
    today = nights[-1].day + timedelta(days=case["wait"])  # type: ignore[arg-type]
    plans = [Plan("as often", every, effort), Plan("as often, longer", every, effort * 2)]
    found = outlook(nights, today=today, settings=USUAL, plans=plans, weeks=20)
    short, long = found.courses
    for one, other in zip(short.p_clear, long.p_clear, strict=True):
        assert 0.0 <= one <= other + 1e-9 <= 1.0 + 2e-9
    for course in found.courses:
        if course.reached is not None and found.earliest is not None:
            assert course.reached >= found.earliest
    if short.reached is not None:
        assert long.reached is not None
        assert long.reached <= short.reached
    now = how_clear(nights, today=today, settings=USUAL)
    assert short.p_clear[0] == pytest.approx(now.p_clear, abs=1e-9)
