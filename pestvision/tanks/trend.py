"""Whether finds are falling: the last week against the one before, with the effort of both."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.tanks.records import Night

WEEK: Final = timedelta(days=7)
LEAST_LOOKS: Final = 2  # in each week: one night more or less says nothing
BY_CHANCE: Final = 0.1
"""A difference that chance alone makes more often than this is called none. One-sided, either way: a trend
is a hint where to look, and no estimate hangs on it."""


class Trend(StrEnum):
    """What finds do."""

    FALLING = "falling"
    RISING = "rising"
    LEVEL = "no clear change"
    NONE = "none seen"
    UNKNOWN = "cannot say"


@dataclass(frozen=True, slots=True)
class TrendOf:
    """A trend, and the finds it was read off.

    Parameters
    ----------
    trend
        What finds do.
    last, before
        Seen in the last seven nights and in the seven before.
    sentence
        The same in words.
    """

    trend: Trend
    last: int
    before: int
    sentence: str


def trend_of(nights: Sequence[Night], *, today: date) -> TrendOf:
    """Compare the finds of the last seven nights with the seven before.

    Given how many were found in both weeks, those of the last one are a binomial draw whose chance is that
    week's share of the effort, if nothing has changed (the conditional test of two Poisson rates; Przyborowski
    and Wilenski 1940, Biometrika 31:313, cited from memory).

    Parameters
    ----------
    nights
        Of one tank, in any order. Finds without a look count as finds of no effort.
    today
        The night that the last week ends with.
    """
    last = [night for night in nights if today - WEEK < night.day <= today]
    before = [night for night in nights if today - 2 * WEEK < night.day <= today - WEEK]
    n_last, n_before = (sum(night.seen for night in week) for week in (last, before))
    if any(sum(night.is_look for night in week) < LEAST_LOOKS for week in (last, before)):
        words = (
            f"Fewer than {LEAST_LOOKS} looks in one of the last two weeks: no trend can be told."
        )
        return TrendOf(Trend.UNKNOWN, n_last, n_before, words)
    if n_last + n_before == 0:
        return TrendOf(Trend.NONE, 0, 0, "None seen in the last two weeks.")
    effort_last, effort_before = (
        sum(night.effort for night in week if night.is_look) for week in (last, before)
    )
    share = effort_last / (effort_last + effort_before)
    trend = _trend(n_last, n_before, share)
    words = f"{n_last} seen in the last seven nights, {n_before} in the seven before: {trend}."
    return TrendOf(trend, n_last, n_before, words)


def _trend(n_last: int, n_before: int, share: float) -> Trend:
    if at_most(n_last, n_last + n_before, share) < BY_CHANCE:
        return Trend.FALLING
    if at_most(n_before, n_last + n_before, 1 - share) < BY_CHANCE:
        return Trend.RISING
    return Trend.LEVEL


def at_most(n: int, of: int, chance: float) -> float:
    """Give the chance of at most `n` successes in `of` draws, each with this chance, over 0 and under 1."""
    log_chance, log_rest = math.log(chance), math.log1p(-chance)
    terms = (
        math.lgamma(of + 1) - math.lgamma(k + 1) - math.lgamma(of - k + 1)
        + k * log_chance + (of - k) * log_rest
        for k in range(n + 1)
    )  # fmt: skip
    return min(1.0, math.fsum(math.exp(term) for term in terms))
