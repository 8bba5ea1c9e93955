"""The probability that nothing is left in a tank, now and after clean looks that may follow.

`cohorts` weighs what was found. Here stands what may have come beside it, and the sum of both.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.tanks.cohorts import Arrivals, Cohorts, Grid, cohorts_of, default_grid

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64
    from pestvision.tanks.cohorts import History

# Of those that came in unseen, half the time there is one: P(n) ~ FEW^n / n. A prior that lets many in would
# make one clean look say too much.
FEW: Final = 0.8
# Young of a hidden brood that live: P(n) ~ (1 - 1/BROOD)^n from one on, BROOD on average. Broods are larger,
# but most young die soon, and many would make one clean look say too much. Assumed, no source.
BROOD: Final = 4.0
RECENT_WEEKS: Final = (
    12  # arrivals are reckoned week by week for so long back, before that in fours
)
WEEKS_TOGETHER: Final = 4
LOG_RULED_OUT: Final = -40.0  # of the likeliest hazards, in logs
N_KEPT: Final = 64  # tanks whose cohorts are kept; one takes up to 0.4 MB


@dataclass(frozen=True, slots=True)
class Assumed:
    """What the nights do not tell, and is taken for granted.

    Parameters
    ----------
    arrivals
        What may come in.
    hidden_brood
        Chance that a brood was hidden at the last sighting.
    hidden_in_new
        Chance that what came in was hidden as a brood is.
    hidden_days
        How long a brood stays hidden at the most.
    gone
        Chance that those seen and let be are no longer there.
    """

    arrivals: Arrivals
    hidden_brood: float
    hidden_in_new: float
    hidden_days: int
    gone: float


@dataclass(frozen=True, slots=True)
class Presence:
    """The probability that nothing is left, and where the doubt lies. One value a day asked for.

    Parameters
    ----------
    clear
        Probability that none of those below is there.
    left_over, brood, came_in
        Probability that some of those found before are left, that a hidden brood is there, that
        something has come in. More than one may be true.
    detection
        On the first day: mean chance that a usual look finds a given animal, and its 95 % interval.
    """

    clear: F64
    left_over: F64
    brood: F64
    came_in: F64
    detection: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Looks:
    """Clean looks to come: their days, as counts of days, rising, and the effort of each."""

    days: tuple[int, ...] = ()
    effort: float = 1.0


def presence_at(
    days: Sequence[int],
    history: History,
    assumed: Assumed,
    *,
    looks: Looks | None = None,
    grid: Grid | None = None,
) -> Presence:
    """Weigh what may be there on each of some days, given that the looks to come are clean.

    Parameters
    ----------
    days
        Days on or after the last night, rising.
    history
        The nights so far.
    assumed
        What is taken for granted.
    looks
        Clean looks to come, None for none.
    grid
        The hazards weighed; None for the usual ones.
    """
    grid = default_grid() if grid is None else grid
    looks = Looks() if looks is None else looks
    at = np.asarray(days, dtype=np.float64)
    timeline = _Timeline(history, looks)
    is_seen = any(history.new)
    ahead = timeline.between(float(history.days[-1]), at)
    if is_seen and at.size > 1:
        grid = _likely(grid, history, assumed)
    nothing = np.zeros((at.size, grid.shape.size))
    seen, clear = nothing, nothing
    if is_seen:
        cohorts = _cohorts(history, grid, assumed.arrivals)
        seen, clear = cohorts.log_weights(grid, ahead)
    kept_seen, kept_clear = _kept(history, assumed.gone, grid, ahead)
    brood = _Part(nothing, 0.0)
    if is_seen:
        brood = _brood(history, assumed, grid, timeline, at)
    came = _came_in(history, assumed, grid, timeline, at, is_seen=is_seen)
    found, none_found = grid.log_prior + seen + kept_seen, grid.log_prior + clear + kept_clear
    whole = found + brood.log_seen + came.log_seen
    none_left = none_found + brood.log_seen + came.log_seen
    no_brood = found + brood.log_none + came.log_seen
    none_came = found + brood.log_seen + came.log_none
    none = none_found + brood.log_none + came.log_none
    return Presence(
        clear=_share(none, whole),
        left_over=1 - _share(none_left, whole),
        brood=1 - _share(no_brood, whole),
        came_in=1 - _share(none_came, whole),
        detection=_detection(whole[0], grid.chance),
    )


def _likely(grid: Grid, history: History, assumed: Assumed) -> Grid:
    """Leave out hazards that the finds rule out, for speed: looks to come would not bring them back."""
    cohorts = _cohorts(history, grid, assumed.arrivals)
    log_weight = grid.log_prior + cohorts.log_weights(grid, np.zeros(1))[0][0]
    kept = log_weight > log_weight.max() + LOG_RULED_OUT
    return Grid(grid.chance[kept], grid.shape[kept], grid.rate[kept], grid.log_prior[kept])


def _detection(log_weight: F64, chance: F64) -> tuple[float, float, float]:
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    order = np.argsort(chance, kind="stable")
    below = np.cumsum(weight[order])
    low, high = (
        float(chance[order][min(int(np.searchsorted(below, share)), below.size - 1)])
        for share in (0.025, 0.975)
    )
    return float(weight @ chance), low, high


def _cohorts(history: History, grid: Grid, arrivals: Arrivals) -> Cohorts:
    """Give the cohorts of a history; those on the usual grid are kept, since several questions need them."""
    if grid is default_grid():
        return _usual_cohorts(history, arrivals)
    return cohorts_of(history, grid, arrivals)


@functools.lru_cache(maxsize=N_KEPT)
def _usual_cohorts(history: History, arrivals: Arrivals) -> Cohorts:
    return cohorts_of(history, default_grid(), arrivals)


@dataclass(frozen=True, slots=True)
class _Part:
    """Log weight of the clean looks if it may be there, and of its not being there; (A, S) and a number."""

    log_seen: F64
    log_none: F64 | float


class _Timeline:
    """All looks, past and to come: how much effort lies up to a day."""

    def __init__(self, history: History, looks: Looks) -> None:
        self._days = np.array([*history.days, *looks.days], dtype=np.float64)
        efforts = [*history.effort, *[looks.effort] * len(looks.days)]
        self._sums = np.concatenate([[0.0], np.cumsum(efforts)])

    def until(self, day: F64 | float) -> F64:
        """Give the effort of all looks on and before a day."""
        sums: F64 = self._sums[np.searchsorted(self._days, day, side="right")]
        return sums

    def between(self, after: float, until: F64) -> F64:
        """Give the effort of the looks after a day and up to others."""
        effort: F64 = np.maximum(0.0, self.until(until) - self.until(after))
        return effort


def _share(part: F64, whole: F64) -> F64:
    top = whole.max(axis=1, keepdims=True)
    share: F64 = np.exp(part - top).sum(axis=1) / np.exp(whole - top).sum(axis=1)
    return np.clip(share, 0.0, 1.0)


def _few_unseen(log_unseen: F64) -> F64:
    """Give the chance that few newcomers all stay unseen: the sum of P(n) u^n for `FEW`."""
    unseen: F64 = np.log1p(-FEW * np.exp(log_unseen)) / math.log(1 - FEW)
    return unseen


def _brood_unseen(log_unseen: F64) -> F64:
    """Give the chance that all young of a brood stay unseen, for `BROOD`."""
    one = np.exp(log_unseen)
    unseen: F64 = one / (BROOD - (BROOD - 1) * one)
    return unseen


def _brood(history: History, assumed: Assumed, grid: Grid, timeline: _Timeline, at: F64) -> _Part:
    lets_go = history.days[history.kept_at] + assumed.hidden_days
    unseen = _brood_unseen(grid.log_unseen(timeline.between(lets_go, at)))
    chance = assumed.hidden_brood
    return _Part(np.log1p(-chance + chance * unseen), math.log1p(-chance))


def _came_in(
    history: History,
    assumed: Assumed,
    grid: Grid,
    timeline: _Timeline,
    at: F64,
    *,
    is_seen: bool,
) -> _Part:
    """Weigh all that may have come in since the last sighting, or at any time where none was ever seen."""
    # what was put in on the day of a sighting counts: nobody knows which came first
    since = history.days[history.kept_at if is_seen else 0] - 1
    events = [] if is_seen else [(since, assumed.arrivals.at_first)]
    for first, last in _spans(since, int(at[0]), int(at[-1])):
        events.append((last, assumed.arrivals.chance_between(first, last)))
    log_seen = np.zeros((at.size, grid.shape.size))
    log_none = np.zeros((at.size, 1))
    for day, chance in events:
        if chance == 0:
            continue
        is_past = (at >= day)[:, None]
        at_once = _few_unseen(grid.log_unseen(timeline.between(day, at)))
        later = _brood_unseen(grid.log_unseen(timeline.between(day + assumed.hidden_days, at)))
        unseen = (1 - assumed.hidden_in_new) * at_once + assumed.hidden_in_new * later
        log_seen += np.where(is_past, np.log1p(-chance + chance * unseen), 0.0)
        with np.errstate(divide="ignore"):
            log_none += np.where(is_past, np.log1p(-chance), 0.0)
    return _Part(log_seen, log_none)


def _spans(since: int, now: int, last: int) -> list[tuple[int, int]]:
    """Cut the time since a day into weeks, and into fours of them where it is long ago."""
    ends = [now]
    while ends[0] > since:
        is_recent = now - ends[0] < 7 * RECENT_WEEKS
        ends.insert(0, max(since, ends[0] - 7 * (1 if is_recent else WEEKS_TOGETHER)))
    while ends[-1] < last:
        ends.append(min(last, ends[-1] + 7))
    return list(pairwise(ends))


def _kept(history: History, gone: float, grid: Grid, ahead: F64) -> tuple[F64, F64]:
    """Weigh those that were seen and let be: gone, or there and not seen again."""
    nothing = np.zeros((ahead.size, grid.shape.size))
    if history.kept == 0:
        return nothing, nothing
    last = history.kept_at
    look = history.effort[last]
    clean = math.fsum(history.effort[last + 1 :]) + ahead
    found_by = max(look, 1.0)  # one that was met by chance is taken for one that a usual look finds
    first = grid.log_unseen(clean)
    with np.errstate(divide="ignore"):
        there = first + np.log(-np.expm1(grid.log_unseen(clean + found_by) - first))
        there -= np.log(-np.expm1(grid.log_unseen(np.array([found_by]))))
        log_gone, log_there = np.log(gone), np.log1p(-gone)
    return np.logaddexp(log_gone, log_there + history.kept * there), nothing + log_gone
