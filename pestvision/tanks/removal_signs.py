"""What the finds themselves say against a closed tank, and whether they fall.

In a closed tank from which animals are taken, finds per effort can only fall, however unequal the animals are.
Both tests here rest on that and on nothing else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.tanks.hazards import merged

if TYPE_CHECKING:
    from collections.abc import Sequence

# A rise is called one where chance makes it more seldom than this, over the number of nights: the more nights,
# the more pairs of stretches are looked at. Chosen by simulation (`training.removal_exam`, other seeds than
# the published ones), so that about one closed tank in twenty is wrongly called rising.
RISE_BY_CHANCE: Final = 0.5
LONGEST_COMPARED: Final = 10  # nights on either side of a rise; a hatch shows at once or not at all
HAZARDS: Final = 80  # steps from finding almost none in all looks to finding almost all in one
LEAST_HAZARD: Final = 0.01  # over all looks: 1 % of those there
MOST_HAZARD: Final = 6.0  # in one usual look: 99.8 %


@dataclass(frozen=True, slots=True)
class Rise:
    """Finds that rise again more than chance would make them.

    Parameters
    ----------
    night
        Number of the first night of the rise, from 0.
    before, after
        Finds per usual look in the stretch before it and in the one from it on.
    p_value
        Chance of such a difference, if finds had stayed level.
    """

    night: int
    before: float
    after: float
    p_value: float


@dataclass(frozen=True, slots=True)
class Decline:
    """Whether finds fall.

    Parameters
    ----------
    ratio
        Twice the gain in log likelihood of a steady fall over no fall; 0 where none suits the finds better.
    p_value
        Chance of so clear a fall if finds had stayed level, one-sided.
    early_nights
        How many of the first nights take up half of the effort at the most, 1 at the least.
    early, late
        Found in these, and in the nights after.
    """

    ratio: float
    p_value: float
    early_nights: int
    early: int
    late: int


def decline_of(finds: Sequence[int], efforts: Sequence[float]) -> Decline:
    """Weigh a steady fall of the finds against none.

    Given how many were found in all, the nights share them as their effort does if nothing has changed, and
    as one chance for all would share them if animals run out.

    Parameters
    ----------
    finds
        Found in each night.
    efforts
        Effort of each night, 1 is one usual look.
    """
    found, effort = np.asarray(finds, float), np.asarray(efforts, float)
    ends = np.cumsum(effort)
    hazards = np.geomspace(min(LEAST_HAZARD / ends[-1], 1.0), MOST_HAZARD, HAZARDS)[:, None]
    log_found = np.log(-np.expm1(-hazards * effort)) - hazards * (ends - effort)
    log_share = log_found - np.log(-np.expm1(-hazards * ends[-1]))
    level = float(found @ np.log(effort / ends[-1]))
    ratio = max(0.0, 2 * (float((log_share @ found).max()) - level))
    # half of the chi-square with one degree of freedom: only a fall counts
    p_value = math.erfc(math.sqrt(ratio / 2)) / 2 if ratio > 0 else 1.0
    early_nights = max(1, int((ends <= ends[-1] / 2).sum()))
    early = int(found[:early_nights].sum())
    return Decline(ratio, p_value, early_nights, early, late=sum(finds) - early)


def rise_of(finds: Sequence[int], efforts: Sequence[float]) -> Rise | None:
    """Find the clearest rise from one stretch of nights to the next, or None where chance explains it.

    Given how many were found in two neighbouring stretches together, those of the later one are a binomial
    draw whose chance is at most the later one's share of the effort. That holds exactly for a closed tank,
    whatever the inequality.

    Parameters
    ----------
    finds
        Found in each night.
    efforts
        Effort of each night, 1 is one usual look.
    """
    from scipy.special import betainc

    nights = merged(list(finds), list(finds), list(efforts))
    starts = _first_nights(finds)
    found = np.concatenate([[0], np.cumsum([night.seen for night in nights])])
    spent = np.concatenate([[0.0], np.cumsum([night.effort for night in nights])])
    pairs = np.asarray(_pairs(len(nights)), dtype=np.int64).reshape(-1, 3)
    if pairs.size == 0:
        return None
    start, middle, end = pairs.T
    later, both = found[end] - found[middle], found[end] - found[start]
    share = (spent[end] - spent[middle]) / (spent[end] - spent[start])
    has_some = later > 0
    chance = np.ones(later.size)
    # the chance of so many or more, of a binomial draw
    fewer = (both - later)[has_some] + 1.0
    chance[has_some] = betainc(later[has_some].astype(float), fewer, share[has_some])
    best = int(np.argmin(chance))
    if not chance[best] < RISE_BY_CHANCE / len(nights):
        return None
    first, turn, last = (int(index) for index in pairs[best])
    return Rise(
        night=starts[turn],
        before=float((found[turn] - found[first]) / (spent[turn] - spent[first])),
        after=float((found[last] - found[turn]) / (spent[last] - spent[turn])),
        p_value=float(chance[best]),
    )


def _pairs(count: int) -> list[tuple[int, int, int]]:
    """Give start, middle and end of every two neighbouring stretches."""
    return [
        (start, middle, end)
        for middle in range(1, count)
        for start in range(max(0, middle - LONGEST_COMPARED), middle)
        for end in range(middle + 1, min(count, middle + LONGEST_COMPARED) + 1)
    ]


def _first_nights(finds: Sequence[int]) -> list[int]:
    """Give the number of the first night of each stretch that `hazards.merged` makes."""
    return [
        night
        for night, found in enumerate(finds)
        if found > 0 or night == 0 or finds[night - 1] > 0
    ]
