"""What must hold for those left whatever was caught."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pestvision.settings import TankSettings
from pestvision.tanks.catchability import beliefs_of, least_there
from pestvision.tanks.records import Night
from pestvision.tanks.removal import how_many
from pestvision.tanks.removal_signs import rise_of

FEW = settings(max_examples=60, deadline=None, derandomize=True)
CATCHES = st.lists(st.integers(0, 30), min_size=1, max_size=8)
EFFORTS = st.floats(0.1, 4.0)
NIGHTS = st.lists(st.tuples(st.integers(0, 20), st.integers(0, 5), EFFORTS), min_size=1, max_size=8)


@FEW
@given(nights=NIGHTS, effort=EFFORTS, presence=st.floats(0.01, 0.99), gone=st.floats(0.0, 0.5))
def test_a_further_clean_look_never_lowers_the_chance_that_none_is_left(
    nights: list[tuple[int, int, float]], effort: float, presence: float, gone: float
) -> None:
    taken = [night[0] for night in nights]
    seen = [night[0] + night[1] for night in nights]
    efforts = [night[2] for night in nights]
    before = beliefs_of(taken, efforts, seen=seen, presence=presence, gone=gone)
    after = beliefs_of(
        [*taken, 0], [*efforts, effort], seen=[*seen, 0], presence=presence, gone=gone
    )
    ahead = before.after([effort])
    assert ahead.p_none_left >= before.p_none_left
    assert ahead.p_none_left == pytest.approx(before.none_left_after(effort), rel=1e-9, abs=1e-12)
    assert after.p_none_left >= before.p_none_left * (1 - 1e-9)
    assert after.p_none_left == pytest.approx(ahead.p_none_left, rel=1e-3, abs=1e-6)


@FEW
@given(nights=NIGHTS)
def test_no_belief_falls_below_what_was_pulled_and_seen(
    nights: list[tuple[int, int, float]],
) -> None:
    taken = [night[0] for night in nights]
    seen = [night[0] + night[1] for night in nights]
    beliefs = beliefs_of(taken, [night[2] for night in nights], seen=seen)
    least = least_there(taken, seen)
    assert beliefs.joint.sum() == pytest.approx(1.0)
    assert np.isfinite(beliefs.joint).all()
    for share in (0.001, 0.025, 0.5, 0.975):
        assert beliefs.quantile_there(share) >= least >= sum(taken)


@FEW
@given(catches=CATCHES)
def test_quantiles_rise_with_their_share(catches: list[int]) -> None:
    beliefs = beliefs_of(catches, [1.0] * len(catches))
    quantiles = [beliefs.quantile_left(share) for share in (0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99)]
    assert quantiles == sorted(quantiles)


@FEW
@given(nights=NIGHTS, apart=st.integers(1, 9), brooding=st.sampled_from([None, 0, 2]))
def test_every_estimate_is_at_least_what_was_pulled(
    nights: list[tuple[int, int, float]], apart: int, brooding: int | None
) -> None:
    made = [
        Night(
            day=date(2026, 3, 1) + timedelta(days=apart * index),
            seen=taken + let_be,
            taken=taken,
            effort=effort,
            brooding=index == brooding and taken > 0,
        )
        for index, (taken, let_be, effort) in enumerate(nights)
    ]
    answer = how_many(made, settings=TankSettings())
    pulled = sum(night.taken for night in made)
    assert answer.caught == pulled
    assert answer.at_least >= pulled
    assert answer.sentence
    assert (answer.refusal is None) == (answer.low is not None)
    if answer.low is not None:
        assert answer.high is not None
        assert answer.best is not None
        assert pulled <= answer.at_least <= answer.low <= answer.best <= answer.high
    for estimate in answer.textbook:
        assert (estimate.number is None) != (estimate.reason is None)
        for value in (estimate.number, estimate.low, estimate.high):
            assert value is None or value >= pulled - 1e-6


@FEW
@given(nights=NIGHTS, effort=EFFORTS)
def test_a_further_clean_night_never_makes_the_tank_look_fuller(
    nights: list[tuple[int, int, float]], effort: float
) -> None:
    made = [
        Night(
            date(2026, 3, 1) + timedelta(days=index), taken + let_be, taken, effort=effort_of_night
        )
        for index, (taken, let_be, effort_of_night) in enumerate(nights)
    ]
    clean = Night(date(2026, 3, 1) + timedelta(days=len(nights)), 0, 0, effort=effort)
    before = how_many(made, settings=TankSettings())
    after = how_many([*made, clean], settings=TankSettings())
    assert after.at_least == before.at_least
    if before.p_none_left is not None and after.p_none_left is not None:
        assert after.p_none_left >= before.p_none_left * (1 - 1e-3) - 1e-9


@FEW
@given(finds=st.lists(st.integers(0, 40), min_size=1, max_size=12), factor=st.floats(0.1, 8.0))
def test_what_counts_is_the_share_of_effort_and_not_its_unit(
    finds: list[int], factor: float
) -> None:
    ones, scaled = [1.0] * len(finds), [factor] * len(finds)
    rise, again = rise_of(finds, ones), rise_of(finds, scaled)
    assert (rise is None) == (again is None)
    if rise is not None and again is not None:
        assert again.night == rise.night
        assert again.before == pytest.approx(rise.before / factor)
