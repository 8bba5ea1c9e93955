"""What catches and clean looks say of those still there, where some are harder to find than others.

The model
---------
Each animal has a hazard of its own of being found, per unit of search effort (1 is one usual look). Hazards
differ between animals as a Gamma distribution does, so that a share ``(1 + E / rate) ** -shape`` of them is
unseen after a total effort E. Those easy to find go first; those left are harder to find than those taken,
and a clean look tells less than it seems to. With a large shape all are alike, the textbook case.

A night's finds are a binomial draw from those that are there. Where every animal seen is taken, the nights
together are the multinomial of the removal method. Where some are seen and let be, the share of those seen
that was taken goes out of the population, and the rest stays: an approximation, since nobody knows if one
seen again is the same.

The priors
----------
- How many were ever there, where one was seen: 1/N, the usual choice for a number of unknown size (no size is
  favoured over its double). Bounded, so that it is a proper prior: see `hazards.MOST_LEFT_PER_TAKEN`.
- How many there are, where none was ever seen: absent with the chance that the caller gives; else 1/(N(N+1)),
  half of it on a single one. Few come in at a time, and a prior that lets hundreds in would make one clean
  look say far too much.
- The mean chance that one usual look finds a given animal: even from 1 to 95 %. No published figure exists
  for leeches in a tank.
- How unequal they are: the coefficient of variation of the hazards is half-normal with a scale of 1, from 0
  (all alike) to 2.2 (shape 0.2: a few easy ones, many that hardly ever show). Brooding ones hunt later and
  less often, and hatchlings are a millimetre long, so that alike is the exception. The scale was chosen by
  simulation, on other seeds than those of the published table (`training.removal_exam`): a smaller one
  misses too many of the hard ones, a larger one widens every interval and calls no tank clear.

Everything is summed over a grid: nothing is drawn at random, and the same catches give the same numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.errors import ShapeError
from pestvision.tanks.hazards import (
    MOST_LEFT_ANYWAY,
    MOST_LEFT_PER_TAKEN,
    log_joint_of,
    log_unseen,
    merged,
    numbers_left,
    settings_for,
    without_untaken,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64


TINY: Final = 1e-200  # sums below it lose digits


@dataclass(frozen=True, slots=True)
class Detection:
    """The chance that one usual look finds a given animal, the mean over all that were ever there.

    Parameters
    ----------
    mean
        Posterior mean.
    low, high
        95 % interval.
    """

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class Beliefs:
    """What is believed of those left after the last night. Made by `beliefs_of`.

    Parameters
    ----------
    taken
        How many were taken out in all.
    left
        The numbers left that are told apart, of shape (U,), rising from 0: one by one up to 64, above that
        the middle of a group of numbers.
    first, last
        The smallest and the largest number of each group, of shape (U,).
    joint
        Probability of each number left with each setting of the grid, of shape (U, S); sums to 1.
    chance
        Mean chance that one usual look finds a given animal, of shape (S,).
    shape, rate
        Of the Gamma distribution of the hazards, of shape (S,); the rate in effort.
    exposure
        Search effort that those left have behind them, of shape (S,).
    """

    taken: int
    left: F64
    first: F64
    last: F64
    joint: F64
    chance: F64
    shape: F64
    rate: F64
    exposure: F64

    @property
    def p_left(self) -> F64:
        """Probability of each number left, of shape (U,)."""
        probabilities: F64 = self.joint.sum(axis=1)
        return probabilities

    @property
    def p_none_left(self) -> float:
        """Probability that none is left."""
        return float(self.joint[0].sum())

    def after(self, efforts: Sequence[float]) -> Beliefs:
        """Give what would be believed had clean looks of these efforts followed."""
        effort = _require_total(efforts)
        return Beliefs(
            taken=self.taken,
            left=self.left,
            first=self.first,
            last=self.last,
            joint=self._if_clean(effort),
            chance=self.chance,
            shape=self.shape,
            rate=self.rate,
            exposure=self.exposure + effort,
        )

    def none_left_after(self, effort: float) -> float:
        """Give the probability that none is left, had clean looks of this total effort followed.

        The same as ``after([effort]).p_none_left``: how a total is split over looks makes no difference.
        """
        return float(self._if_clean(effort)[0].sum())

    def chance_to_see_one(self, effort: float = 1.0) -> float:
        """Give the probability that a look of this effort finds at least one."""
        clean = self.joint * np.exp(np.outer(self.left, self._log_missed(effort)))
        return float(min(1.0, max(0.0, 1.0 - clean.sum())))

    def all_out_after(self, effort: float) -> float:
        """Give the probability that all are out once this much more effort has gone into taking out.

        Not what a row of clean looks would say (`none_left_after`), but a forecast from today.
        """
        found = -np.expm1(self._log_missed(effort))
        # 0 ** 0 is 1: where none is left, all are out
        return float(min(1.0, (self.joint * found[None, :] ** self.left[:, None]).sum()))

    def detection(self) -> Detection:
        """Give the mean chance that one usual look finds a given animal, with its 95 % interval."""
        weights = self.joint.sum(axis=0)
        order = np.argsort(self.chance, kind="stable")
        below = np.cumsum(weights[order])
        low, high = (
            float(self.chance[order][min(int(np.searchsorted(below, share)), below.size - 1)])
            for share in (0.025, 0.975)
        )
        return Detection(mean=float(weights @ self.chance), low=low, high=high)

    def quantile_left(self, share: float) -> int:
        """Give the number left that is not exceeded with this probability.

        Of a group of numbers the smallest stands for it in the lower half and the largest in the upper one,
        so that an interval is never too narrow by the grouping.
        """
        below = np.cumsum(self.p_left)
        index = min(int(np.searchsorted(below, share - 1e-12)), below.size - 1)
        return int(self.first[index] if share < 0.5 else self.last[index])

    def likely_left(self, share: float = 0.95) -> tuple[int, int]:
        """Give the shortest range of numbers left that holds at least this probability.

        The probabilities have a long tail to many. Cutting as much off at the near end as at the far one
        would leave out the few that are the likeliest of all.
        """
        below = np.concatenate([[0.0], np.cumsum(self.p_left)])
        ends = np.searchsorted(below, below[:-1] + share - 1e-12)
        starts = np.flatnonzero(ends < below.size)
        if starts.size == 0:
            return int(self.first[0]), int(self.last[-1])
        widths = self.last[ends[starts] - 1] - self.first[starts]
        best = int(np.argmin(widths))
        return int(self.first[starts[best]]), int(self.last[ends[starts[best]] - 1])

    def quantile_there(self, share: float) -> int:
        """Give the number ever there that is not exceeded with this probability: taken and left."""
        return self.taken + self.quantile_left(share)

    def _if_clean(self, effort: float) -> F64:
        """Give the joint probabilities after clean looks of this effort, (U, S)."""
        log_missed = np.outer(self.left, self._log_missed(effort))
        clean: F64 = self.joint * np.exp(log_missed)
        total = float(clean.sum())
        if total < TINY:  # so many are left that clean looks are next to impossible: by their logs
            with np.errstate(divide="ignore"):
                log_clean = np.log(self.joint) + log_missed
            clean = np.exp(log_clean - log_clean.max())
            total = float(clean.sum())
        return clean / total

    def _log_missed(self, effort: float) -> F64:
        """Give the log of the chance that one of those left stays unseen for more effort, shape (S,)."""
        return log_unseen(self.shape, self.rate, self.exposure + effort) - log_unseen(
            self.shape, self.rate, self.exposure
        )


def beliefs_of(
    catches: Sequence[int],
    efforts: Sequence[float],
    *,
    seen: Sequence[int] | None = None,
    at_least: int = 0,
    presence: float = 0.5,
    gone: float = 0.0,
) -> Beliefs:
    """Weigh how many are left after nights of looking and taking out.

    Parameters
    ----------
    catches
        Taken out in each night, in the order of the nights; 0 where none was.
    efforts
        Search effort of each night; 1 is one usual look. Over 0.
    seen
        Seen in each night, at least what was taken; None where all seen were taken. What was seen and let be
        was found and is still there: `least_there` follows from it.
    at_least
        How many were there at the least, where something beside these nights tells.
    presence
        Chance, before any look, that there are any; used only where none was ever seen.
    gone
        Chance that those seen last and never taken are no longer there: died, eaten, or mistaken for one.
        With 0 such a tank is never clear, however many clean looks follow.

    Raises
    ------
    ShapeError
        If there is no night, lengths differ, a count is negative, an effort is not over 0, more was taken
        than seen, or a chance lies outside 0 to 1.
    """
    found = list(catches if seen is None else seen)
    _require_nights(list(catches), list(efforts), found)
    for name, chance in (("presence", presence), ("gone", gone)):
        if not 0 <= chance <= 1:
            raise ShapeError(name, expected="0 to 1", actual=str(chance))
    taken = sum(catches)
    bound = max(at_least, least_there(catches, found))
    nights = merged(list(catches), found, list(efforts))
    cells = [(nights, bound, 1.0 - gone)]
    if gone > 0 and bound > taken:
        cells.append((without_untaken(nights, bound - taken), 0, gone))
    elif gone > 0:
        cells = [(nights, bound, 1.0)]
    scale = max(taken, bound)
    left, first, last = numbers_left(MOST_LEFT_PER_TAKEN * scale + MOST_LEFT_ANYWAY, bound - taken)
    settings = settings_for(scale, nights, (left, first, last), bound=bound, presence=presence)
    parts = [
        (weight, *log_joint_of(settings, part, (left, first, last), bound=least, presence=presence))
        for part, least, weight in cells
        if weight > 0
    ]
    top = max(float(log_joint.max()) for _, log_joint, _ in parts)
    joint = np.hstack([weight * np.exp(log_joint - top) for weight, log_joint, _ in parts])
    return Beliefs(
        taken=taken,
        left=left,
        first=first,
        last=last,
        joint=joint / joint.sum(),
        chance=np.tile(settings.chance, len(parts)),
        shape=np.tile(settings.shape, len(parts)),
        rate=np.tile(settings.rate, len(parts)),
        exposure=np.concatenate([exposure for _, _, exposure in parts]),
    )


def least_there(catches: Sequence[int], seen: Sequence[int]) -> int:
    """Give how many were there at the least: what was taken up to a night, and seen and let be in it."""
    before = 0
    least = 0
    for taken, found in zip(catches, seen, strict=True):
        least = max(least, before + found)
        before += taken
    return max(least, before)


def _require_nights(catches: list[int], efforts: list[float], seen: list[int]) -> None:
    is_alike = 0 < len(catches) == len(efforts) == len(seen)
    if not is_alike:
        raise ShapeError(
            "catches, efforts, seen",
            expected="one of each for every night, and a night at the least",
            actual=f"{len(catches)}, {len(efforts)}, {len(seen)}",
        )
    for taken, effort, found in zip(catches, efforts, seen, strict=True):
        if not 0 <= taken <= found or not 0 < effort < math.inf:
            raise ShapeError(
                "catches, efforts, seen",
                expected="0 <= taken <= seen, effort over 0",
                actual=f"taken {taken}, seen {found}, effort {effort}",
            )


def _require_total(efforts: Sequence[float]) -> float:
    if any(not 0 <= effort < math.inf for effort in efforts):
        raise ShapeError("efforts", expected="0 or more each", actual=str(list(efforts)))
    return float(sum(efforts))
