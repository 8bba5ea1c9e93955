"""The sums behind `catchability`: the grid of hazards, and how nights weigh each number left on it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F64

CHANCE_RANGE: Final = (0.01, 0.95)  # that one usual look finds a given animal, the mean over all
SPREAD_RANGE: Final = (0.01, 2.2)  # coefficient of variation of the hazards; .01 is as good as 0
USUAL_SPREAD: Final = 1.0  # scale of its half-normal prior
# A look finds at least 1 %, so that there are hardly more than a hundred for each one found; the rest is for
# tanks of which little is known.
MOST_LEFT_PER_TAKEN: Final = 100
MOST_LEFT_ANYWAY: Final = 1000
EXACT_LEFT: Final = 64  # numbers left up to this stand alone; larger ones in groups
GROUP_RATIO: Final = 1.03  # the largest of a group over the largest of the one before
CHANCE_STEPS: Final = (40, 100)  # least and most steps of the grid over the mean chance
SPREAD_STEPS: Final = (14, 20)
# The logit of the chance is known to about 1/sqrt(caught) at best. Up to this many caught the most steps
# above are as fine as that; above it the grid is drawn again where the weight lies.
FINE_UP_TO: Final = 175
DROPPED_BELOW: Final = math.exp(-30.0)  # of the largest weight; the grid is not drawn again there


@dataclass(frozen=True, slots=True)
class Settings:
    """The grid: chance, Gamma and log prior weight of each setting, all of shape (S,)."""

    chance: F64
    shape: F64
    rate: F64
    log_prior: F64


@dataclass(frozen=True, slots=True)
class Stretch:
    """Nights as the sums need them: a night with finds, or clean nights in a row put together."""

    taken: int
    seen: int
    effort: float


def log_unseen(shape: F64, rate: F64, effort: F64 | float) -> F64:
    """Give the log of the share that is unseen after so much effort, of shape (S,)."""
    unseen: F64 = -shape * np.log1p(effort / rate)
    return unseen


def merged(catches: list[int], seen: list[int], efforts: list[float]) -> list[Stretch]:
    """Put clean nights in a row together: only their whole effort counts."""
    stretches: list[Stretch] = []
    for taken, found, effort in zip(catches, seen, efforts, strict=True):
        if found == 0 and stretches and stretches[-1].seen == 0:
            stretches[-1] = Stretch(0, 0, stretches[-1].effort + effort)
        else:
            stretches.append(Stretch(taken, found, effort))
    return stretches


def without_untaken(nights: list[Stretch], number: int) -> list[Stretch]:
    """Give the nights as if those seen and never taken had gone in the last night that shows them."""
    before = 0
    there: list[int] = []
    for night in nights:
        there.append(before + night.seen)
        before += night.taken
    last = max(index for index, least in enumerate(there) if least == max(there))
    changed = nights[last]
    # what a caller knows beside the nights may exceed what was seen
    taken = min(changed.seen, changed.taken + number)
    return [*nights[:last], Stretch(taken, changed.seen, changed.effort), *nights[last + 1 :]]


def numbers_left(most: int, least: int) -> tuple[F64, F64, F64]:
    """Give the numbers left that are told apart: the middle, first and last of each group.

    Where some are known to be there, a group begins at the least number that can be left.
    """
    lasts = [float(number) for number in range(EXACT_LEFT + 1)]
    while lasts[-1] < most:
        lasts.append(math.floor(max(lasts[-1] + 1, lasts[-1] * GROUP_RATIO)))
    last = np.unique([*lasts, float(max(least - 1, 0))])
    first = np.concatenate([[0.0], last[:-1] + 1])
    return (first + last) / 2, first, last


def _settings(chances: tuple[float, float, int], spreads: tuple[float, float, int]) -> Settings:
    """Draw the grid: logits of the chance, and spreads, each from, to and in so many steps."""
    logits = np.linspace(*chances)
    chance, spread = np.meshgrid(1 / (1 + np.exp(-logits)), np.linspace(*spreads))
    # a step of the logit is chance * (1 - chance) of the chance itself, on which the prior is even
    weight = chance * (1 - chance) * np.exp(-((spread / USUAL_SPREAD) ** 2) / 2)
    for edge in (0, -1):  # the trapezoid rule
        weight[edge, :] /= 2
        weight[:, edge] /= 2
    shape = 1 / spread.ravel() ** 2
    rate = 1 / np.expm1(-np.log1p(-chance.ravel()) / shape)
    return Settings(chance.ravel(), shape, rate, np.log(weight.ravel() / weight.sum()))


def settings_for(
    caught: int,
    nights: list[Stretch],
    numbers: tuple[F64, F64, F64],
    *,
    bound: int,
    presence: float,
) -> Settings:
    """Draw the grid as fine as so many caught ask for.

    It depends on how many were caught and on nothing else as long as they are few, so that one more clean
    look is weighed on the same grid.
    """
    span = tuple(math.log(chance / (1 - chance)) for chance in CHANCE_RANGE)
    wanted = math.ceil((span[1] - span[0]) * math.sqrt(max(caught, 1)))
    steps = min(max(wanted, CHANCE_STEPS[0]), CHANCE_STEPS[1])
    across = SPREAD_STEPS[0] if steps < CHANCE_STEPS[1] else SPREAD_STEPS[1]
    chances, spreads = (span[0], span[1], steps), (*SPREAD_RANGE, across)
    settings = _settings(chances, spreads)
    if caught <= FINE_UP_TO:
        return settings
    for _ in range(2):
        log_joint, _ = log_joint_of(settings, nights, numbers, bound=bound, presence=presence)
        weights = np.exp(log_joint.max(axis=0) - log_joint.max()).reshape(across, steps)
        chances = _box(chances, weights.max(axis=0))
        spreads = _box(spreads, weights.max(axis=1))
        settings = _settings(chances, spreads)
    return settings


def _box(axis: tuple[float, float, int], weights: F64) -> tuple[float, float, int]:
    """Give the part of an axis of the grid on which weight lies, with a step to spare at both ends."""
    points = np.linspace(*axis)
    held = np.flatnonzero(weights > DROPPED_BELOW)
    low, high = max(int(held[0]) - 1, 0), min(int(held[-1]) + 1, points.size - 1)
    return float(points[low]), float(points[high]), axis[2]


def log_joint_of(
    settings: Settings,
    nights: list[Stretch],
    numbers: tuple[F64, F64, F64],
    *,
    bound: int,
    presence: float,
) -> tuple[F64, F64]:
    """Give the log weight of each number left with each setting, (U, S), and the exposure of those left."""
    from scipy.special import gammaln

    left, first, last = numbers
    taken_in_all = sum(night.taken for night in nights)
    there = left + taken_in_all
    exposure = np.zeros_like(settings.chance)
    per_animal, constant = np.zeros_like(exposure), np.zeros_like(exposure)
    draws = np.zeros_like(there)
    before = 0
    for night in nights:
        at_start = log_unseen(settings.shape, settings.rate, exposure)
        missed = log_unseen(settings.shape, settings.rate, exposure + night.effort) - at_start
        per_animal += missed
        constant -= (before + night.seen) * missed
        if night.seen:
            constant += night.seen * np.log(-np.expm1(missed))
            present = np.maximum(there - before, night.seen)  # fewer cannot be: see the bound
            draws += gammaln(present + 1) - gammaln(present - night.seen + 1)
        if night.taken == night.seen:
            exposure = exposure + night.effort
        else:
            share = night.taken / night.seen
            unseen = at_start + np.log1p(share * np.expm1(missed))
            exposure = settings.rate * np.expm1(-unseen / settings.shape)
        before += night.taken
    is_ever_seen = any(night.seen for night in nights) or bound > 0
    log_number = _log_prior(there, last - first + 1, is_ever_seen=is_ever_seen, presence=presence)
    log_number = np.where(last + taken_in_all < bound, -np.inf, log_number + draws)
    log_joint = np.outer(there, per_animal) + (constant + settings.log_prior)[None, :]
    return log_joint + log_number[:, None], exposure


def _log_prior(there: F64, width: F64, *, is_ever_seen: bool, presence: float) -> F64:
    some = np.maximum(there, 1)
    with np.errstate(divide="ignore"):
        if is_ever_seen:
            known: F64 = np.where(there < 1, -np.inf, np.log(width / some))
            return known
        # 1/n - 1/(n+1) summed over the group from its first to its last
        share = 1 / (some - (width - 1) / 2) - 1 / (some + (width + 1) / 2)
        absent = np.log1p(-presence)
        unknown: F64 = np.where(there < 1, absent, np.log(presence) + np.log(share))
        return unknown
