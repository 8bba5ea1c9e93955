"""The trend of finds."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from scipy.stats import binom

from pestvision.tanks.records import Night
from pestvision.tanks.trend import Trend, at_most, trend_of

TODAY = date(2026, 3, 14)


def nights(*finds: int, effort: float = 1.0) -> list[Night]:
    """One night after the other, the last of them today."""
    first = TODAY - timedelta(days=len(finds) - 1)
    return [
        Night(first + timedelta(days=place), n, n, effort=effort) for place, n in enumerate(finds)
    ]


@pytest.mark.parametrize(
    ("finds", "trend"),
    [
        ((9, 9, 9, 9, 9, 9, 9, 3, 3, 3, 3, 3, 3, 3), Trend.FALLING),
        ((3, 3, 3, 3, 3, 3, 3, 9, 9, 9, 9, 9, 9, 9), Trend.RISING),
        ((5, 4, 5, 4, 5, 4, 5, 5, 4, 5, 4, 5, 4, 4), Trend.LEVEL),
        ((1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0), Trend.LEVEL),  # one alone tells nothing
        ((0,) * 14, Trend.NONE),
        ((9, 3), Trend.UNKNOWN),
        ((), Trend.UNKNOWN),
    ],
)
def test_finds_of_the_last_week_are_held_against_the_week_before(
    finds: tuple[int, ...], trend: Trend
) -> None:
    told = trend_of(nights(*finds), today=TODAY)
    assert told.trend is trend
    if trend in {Trend.FALLING, Trend.RISING, Trend.LEVEL}:
        assert f"{told.last} seen in the last seven nights, {told.before} in the" in told.sentence


def test_twice_the_effort_makes_no_rise() -> None:
    last = nights(6, 6, 6, 6, 6, 6, 6, effort=2.0)
    before = [Night(night.day - timedelta(days=7), 3, 3) for night in last]
    assert trend_of([*before, *last], today=TODAY).trend is Trend.LEVEL
    unknown = [Night(night.day, night.seen, night.taken) for night in last]
    assert trend_of([*before, *unknown], today=TODAY).trend is Trend.RISING


def test_the_order_of_nights_does_not_matter() -> None:
    made = nights(9, 9, 9, 9, 9, 9, 9, 3, 3, 3, 3, 3, 3, 3)
    assert trend_of(made, today=TODAY) == trend_of(made[::-1], today=TODAY)


@pytest.mark.parametrize(("n", "of", "chance"), [(0, 5, 0.3), (3, 10, 0.5), (400, 900, 0.45)])
def test_the_sum_of_the_binomial_is_scipys(n: int, of: int, chance: float) -> None:
    assert at_most(n, of, chance) == pytest.approx(binom.cdf(n, of, chance))
