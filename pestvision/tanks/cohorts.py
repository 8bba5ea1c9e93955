"""The sums behind `clearance`: what finds and clean looks say of those that are left over.

The model
---------
Each animal has a hazard of its own of being found, per unit of search effort (1 is one usual look); hazards
differ between animals as a Gamma distribution does. Those easy to find go first, and a clean look tells less
than it seems to. What the hazards are like is learned from the nights themselves, on the grid of `default_grid`;
given them, everything below has a closed form, so that nothing is drawn at random.

What may still be there is one of these, each by itself once the hazards are given:

- *Left over* from those that were being found. Their number comes from a negative binomial distribution
  (`COHORT`). Finds after a long pause may be of the same ones or of newly come or hatched ones: both are
  weighed (`Cohorts`), and so is when each of them came, if clean nights lie before.
- *Seen and let be*, and never found again.
- *A hidden brood*: a parent that sits still and unseen, whose young cannot be found before they let go of
  it. Looks before that say nothing of them.
- *Newly come in* since the last sighting, a little in every week, more with everything that was added; the
  update of Martin, Cameron & Greiner 2007 (Prev Vet Med 79:71), with looks that may miss.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.tanks.hazards import CHANCE_RANGE, SPREAD_RANGE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64

USUAL_CHANCE: Final = 0.25  # that a usual look finds a given animal: the middle of what is likely
CHANCE_SPREAD: Final = 1.0  # standard deviation of its logit: 95 % from 4 to 70 %
# Of the coefficient of variation of the hazards, P(v) ~ v exp(-v^2 / (2 UNEQUAL^2)): the likeliest is UNEQUAL,
# all alike is the exception (brooding ones hunt later and less often, hatchlings are a millimetre long), and one
# in seventeen is over 1.29, where a few are easy and many hardly ever show. This and `COHORT` were chosen by
# `training.clearance_exam`, on other seeds than those it reports.
UNEQUAL: Final = 0.54
LEAST_UNEQUAL: Final = 0.05
CHANCE_STEPS: Final = 40
SPREAD_STEPS: Final = 20
PAUSE_DAYS: Final = 14  # shorter pauses between finds are not looked at for a new beginning
MOST_PAUSES: Final = 5  # the longest that many are


@dataclass(frozen=True, slots=True)
class Number:
    """How many there may be: negative binomial, P(n) ~ Gamma(size + n) / n! * ratio^n."""

    size: float
    ratio: float


# A mean of 38, nine in ten between 6 and 91: where one was found, more are expected than show.
COHORT: Final = Number(2.0, 0.95)


@dataclass(frozen=True, slots=True)
class Grid:
    """The hazards weighed: mean chance of a usual look, Gamma shape and rate, log prior; each (S,)."""

    chance: F64
    shape: F64
    rate: F64
    log_prior: F64

    def log_unseen(self, effort: F64 | float) -> F64:
        """Give the log of the share of animals unseen after so much effort: shape of `effort` and (S,)."""
        unseen: F64 = -self.shape * np.log1p(np.asarray(effort)[..., None] / self.rate)
        return unseen


@functools.cache
def default_grid() -> Grid:
    """Give the grid with its prior weights."""
    low, high = (math.log(chance / (1 - chance)) for chance in CHANCE_RANGE)
    logit, spread = np.meshgrid(
        np.linspace(low, high, CHANCE_STEPS),
        np.linspace(LEAST_UNEQUAL, SPREAD_RANGE[1], SPREAD_STEPS),
    )
    middle = math.log(USUAL_CHANCE / (1 - USUAL_CHANCE))
    log_prior = -((logit - middle) ** 2) / (2 * CHANCE_SPREAD**2)
    log_prior += np.log(spread) - spread**2 / (2 * UNEQUAL**2)
    chance = 1 / (1 + np.exp(-logit.ravel()))
    return grid_of(chance, spread.ravel(), log_prior.ravel())


def grid_of(chance: F64, spread: F64, log_prior: F64) -> Grid:
    """Make a grid of mean chances, spreads (coefficients of variation of the hazards) and log weights."""
    shape = 1 / spread**2
    rate = 1 / np.expm1(-np.log1p(-chance) / shape)
    return Grid(chance, shape, rate, log_prior)


@dataclass(frozen=True, slots=True)
class History:
    """Nights as the sums need them, in the order of time.

    Parameters
    ----------
    days
        Day of each night, as a count of days.
    effort
        Search effort of its looks, 0 where there was none.
    new
        Animals found for the first time, at the least.
    kept
        How many were seen and never taken out.
    kept_at
        Index of the last night with a sighting.
    """

    days: tuple[int, ...]
    effort: tuple[float, ...]
    new: tuple[int, ...]
    kept: int
    kept_at: int


@dataclass(frozen=True, slots=True)
class Arrivals:
    """How likely something came into the tank, at any time.

    Parameters
    ----------
    at_first
        Chance that it was there before the first night.
    a_week
        Chance of every week.
    events
        What may have brought something: the day of each, and its chance.
    hatched
        Chance that new ones of a later find hatched in the tank.
    """

    at_first: float
    a_week: float
    events: tuple[tuple[int, float], ...] = ()
    hatched: float = 0.0

    def chance_between(self, first: int, last: int) -> float:
        """Give the chance that something came in after the one day and up to the other."""
        stayed_out = (1 - self.a_week) ** (max(0, last - first) / 7)
        for day, chance in self.events:
            if first < day <= last:
                stayed_out *= 1 - chance
        return float(1 - stayed_out)


@dataclass(frozen=True, slots=True)
class Chain:
    """Finds that may be of one cohort, and one time at which it may have come.

    Parameters
    ----------
    log_weight
        Of its finds and of this time, without what the ends of the looks say; (S,).
    found
        How many were found.
    effort
        All that its members have behind them up to now.
    """

    log_weight: F64
    found: int
    effort: float


@dataclass(frozen=True, slots=True)
class Cohorts:
    """All ways to divide the finds among cohorts that came one after the other.

    `chains[j][i]`: the finds of the blocks i to j are one cohort, which came before block i.
    """

    chains: tuple[tuple[tuple[Chain, ...], ...], ...]

    def log_weights(self, grid: Grid, ahead: F64) -> tuple[F64, F64]:
        """Give the log weight of the nights, and of the nights with none left over, (A, S) each.

        Parameters
        ----------
        grid
            The hazards.
        ahead
            Effort of clean looks that follow, of shape (A,).
        """
        nothing = np.zeros((ahead.size, grid.shape.size))
        seen, clear = [nothing], [nothing]
        for by_start in self.chains:
            parts = [self._of(chains, grid, ahead) for chains in by_start]
            seen.append(_log_sum([seen[i] + part[0] for i, part in enumerate(parts)]))
            clear.append(_log_sum([clear[i] + part[1] for i, part in enumerate(parts)]))
        return seen[-1], clear[-1]

    @staticmethod
    def _of(chains: tuple[Chain, ...], grid: Grid, ahead: F64) -> tuple[F64, F64]:
        seen = []
        for chain in chains:
            unseen = np.exp(grid.log_unseen(chain.effort + ahead))
            left = -(COHORT.size + chain.found) * np.log1p(-COHORT.ratio * unseen)
            seen.append(chain.log_weight + left)
        # that none is left does not hang on looks to come
        clear = _log_sum([chain.log_weight for chain in chains])
        return _log_sum(seen), np.broadcast_to(clear, seen[0].shape)


def history_of(
    days: Sequence[int],
    efforts: Sequence[float],
    seen: Sequence[int],
    taken: Sequence[int],
) -> History:
    """Work out which animals were found for the first time, and how many were seen and let be.

    One seen where one was let be before counts as the same one: more were there than were let be only where
    more are seen than that.
    """
    before, known, new = 0, 0, []
    kept_at = -1
    for index, (found, out) in enumerate(zip(seen, taken, strict=True)):
        new.append(max(0, before + found - known))
        known = max(known, before + found)
        before += out
        kept_at = index if found else kept_at
    return History(tuple(days), tuple(efforts), tuple(new), known - before, kept_at)


def cohorts_of(history: History, grid: Grid, arrivals: Arrivals) -> Cohorts:
    """Weigh every way to divide the finds among cohorts, for the history up to now."""
    starts = _block_starts(history)
    ends = [*starts[1:], len(history.days)]
    before = np.concatenate([[0.0], np.cumsum(history.effort)])
    chains = []
    for last in range(len(starts)):
        by_first = []
        for first in range(last + 1):
            finds = [k for k in range(starts[first], ends[last]) if history.new[k]]
            times = _times(history, starts, first, arrivals)
            goes_on = sum(
                math.log1p(-_new_in_pause(history, starts[k], arrivals))
                for k in range(first + 1, last + 1)
            )
            by_first.append(
                tuple(_chain(history, grid, before, finds, came, w, goes_on) for came, w in times)
            )
        chains.append(tuple(by_first))
    return Cohorts(tuple(chains))


def _block_starts(history: History) -> list[int]:
    """Give the nights with which a block of finds begins: the first find, and those after long pauses."""
    finds = [index for index, new in enumerate(history.new) if new]
    pauses = [
        (history.days[after] - history.days[before], after) for before, after in pairwise(finds)
    ]
    longest = sorted((pause for pause in pauses if pause[0] >= PAUSE_DAYS), reverse=True)
    return [finds[0], *sorted(index for _, index in longest[:MOST_PAUSES])]


def _new_in_pause(history: History, start: int, arrivals: Arrivals) -> float:
    """Give the chance that a new cohort came in the pause that a find ended."""
    pause_from = max(k for k in range(start) if history.new[k])
    come_in = arrivals.chance_between(history.days[pause_from], history.days[start])
    return 1 - (1 - come_in) * (1 - arrivals.hatched)


def _times(
    history: History, starts: list[int], first: int, arrivals: Arrivals
) -> list[tuple[int, float]]:
    """Give nights just before which a cohort may have come, each with its chance.

    They lie 0, 1, 2, 4, 8, … nights before its first find, and each stands for the days back to the next.
    """
    start = starts[first]
    earliest = 0 if first == 0 else max(k for k in range(start) if history.new[k]) + 1
    steps = [0, *(2**power for power in range(20))]
    nights = [start - step for step in steps if start - step > earliest] + [earliest]
    times = []
    for night, before in zip(nights, [*nights[1:], None], strict=True):
        if before is not None:
            chance = arrivals.chance_between(history.days[before], history.days[night])
        elif first == 0:
            chance = arrivals.at_first
        else:
            chance = arrivals.chance_between(history.days[night - 1], history.days[night])
        times.append((night, chance))
    if first == 0:
        total = sum(chance for _, chance in times)
        return [(night, chance / total) for night, chance in times]
    return _with_hatched(history, times, arrivals.hatched)


def _with_hatched(
    history: History, times: list[tuple[int, float]], hatched: float
) -> list[tuple[int, float]]:
    """Add the chance that they hatched, spread evenly over the days of the pause."""
    befores = [night for night, _ in times[1:]] + [times[-1][0] - 1]
    days = [
        history.days[night] - history.days[before]
        for (night, _), before in zip(times, befores, strict=True)
    ]
    return [
        (night, chance + hatched * length / max(sum(days), 1))
        for (night, chance), length in zip(times, days, strict=True)
    ]


def _chain(
    history: History,
    grid: Grid,
    before: F64,
    finds: list[int],
    came: int,
    chance: float,
    goes_on: float,
) -> Chain:
    """Weigh finds as those of one cohort that came just before a night."""
    counts = np.array([history.new[k] for k in finds])
    is_look = np.array([history.effort[k] > 0 for k in finds])
    found = int(counts.sum())
    constant = (
        math.lgamma(COHORT.size + found)
        - math.lgamma(COHORT.size)
        + COHORT.size * math.log(1 - COHORT.ratio)
        + found * math.log(COHORT.ratio)
        - sum(math.lgamma(count + 1) for count in counts)
    )
    log_weight = np.full(grid.shape.size, constant + goes_on + math.log(max(chance, 1e-300)))
    if is_look.any():
        starts = before[np.array(finds)[is_look]] - before[came]
        ends = before[np.array(finds)[is_look] + 1] - before[came]
        at_start, at_end = grid.log_unseen(starts), grid.log_unseen(ends)
        of_night = at_start + np.log(-np.expm1(at_end - at_start))
        log_weight = log_weight + counts[is_look] @ of_night
    return Chain(log_weight, found, float(before[-1] - before[came]))


def _log_sum(parts: list[F64]) -> F64:
    if len(parts) == 1:
        return parts[0]
    stacked = np.stack(parts)
    top = stacked.max(axis=0)
    total: F64 = top + np.log(np.exp(stacked - top).sum(axis=0))
    return total
