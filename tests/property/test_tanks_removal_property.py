"""What must hold for those left whatever was caught."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pestvision.tanks.catchability import beliefs_of, least_there

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
