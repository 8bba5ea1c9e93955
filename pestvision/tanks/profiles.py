"""Likelihoods of a row of catches over how many there were, and their likelihood intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    Likelihood = Callable[[Sequence[int], float], float]

MANY: Final = 1e7  # so many that the nights set no upper limit
SMALLEST_STEP: Final = 1e-7  # above what was taken out, in animals
GOLDEN: Final = (math.sqrt(5) - 1) / 2
REFINED: Final = 42  # steps; each leaves 62 % of the range, or half of it
SCANNED: Final = 72  # points of the first, coarse pass


@dataclass(frozen=True, slots=True)
class Lowest:
    """Where a negative log likelihood is lowest, and the range within the 95 % limit.

    Parameters
    ----------
    at, value
        The number and its negative log likelihood.
    low, high
        Likelihood-ratio interval; `high` is infinite where the nights set no upper limit.
    """

    at: float
    value: float
    low: float
    high: float


def constant_chance_nll(catches: Sequence[int], number: float) -> float:
    """Give the negative log likelihood of a number where all nights find with one chance, at its best."""
    k, total = len(catches), sum(catches)
    x = sum((k - night) * c for night, c in enumerate(catches, start=1))
    missed = k * number - x - total  # nights on which one that was there went unseen
    return _ways(catches, number) - _binomial(total, missed)


def first_differs_nll(catches: Sequence[int], number: float) -> float:
    """Give the negative log likelihood of a number where the first night has a chance of its own."""
    first, rest = catches[0], catches[1:]
    k, total = len(rest), sum(rest)
    x = sum((k - night) * c for night, c in enumerate(rest, start=1))
    missed = k * (number - first) - x - total
    return _ways(catches, number) - _binomial(first, number - first) - _binomial(total, missed)


def lowest_of_rest(catches: Sequence[int], number: float) -> float:
    """Give the chance of the nights after the first that goes with this number."""
    first, rest = catches[0], catches[1:]
    k, total = len(rest), sum(rest)
    x = sum((k - night) * c for night, c in enumerate(rest, start=1))
    return total / (k * (number - first) - x)


def lowest(catches: Sequence[int], nll: Likelihood, *, width: float) -> Lowest:
    """Find where the negative log likelihood is lowest, over numbers from what was taken out on.

    Parameters
    ----------
    catches
        Of each night.
    nll
        One of the likelihoods of this file.
    width
        Twice the rise that still lies within the interval.
    """
    total = sum(catches)
    span = (math.log(SMALLEST_STEP), math.log(MANY))

    def of(position: float) -> float:
        return nll(catches, total + math.exp(position))

    points = [span[0] + (span[1] - span[0]) * i / (SCANNED - 1) for i in range(SCANNED)]
    values = [of(point) for point in points]
    best = min(range(SCANNED), key=values.__getitem__)
    here = _golden(of, points[max(best - 1, 0)], points[min(best + 1, SCANNED - 1)])
    at, value = total + math.exp(here), of(here)
    if best == 0 or nll(catches, float(total)) <= value:
        at, value, here = float(total), nll(catches, float(total)), span[0]
    limit = value + width / 2

    def crossing(inside: float, outside: float) -> float:
        for _ in range(REFINED):
            middle = (inside + outside) / 2
            inside, outside = (middle, outside) if of(middle) <= limit else (inside, middle)
        return total + math.exp(inside)

    low = float(total) if nll(catches, float(total)) <= limit else crossing(here, span[0])
    high = math.inf if of(span[1]) <= limit else crossing(here, span[1])
    return Lowest(at, value, low, high)


def chance_of_chi2(chi2: float) -> float:
    """Give the chance of a larger chi-square with one degree of freedom."""
    return math.erfc(math.sqrt(chi2 / 2))


def _ways(catches: Sequence[int], number: float) -> float:
    """Give minus the log of the number of ways in which so many can be caught of so many.

    How those caught spread over the nights adds the same whatever the number. It is taken in so that a model
    that suits their spread exactly adds nothing; with that, Schnute's printed values come out.
    """
    total = sum(catches)
    drawn = math.lgamma(number + 1) - math.lgamma(number - total + 1) - math.lgamma(total + 1)
    return sum(c * math.log(c / total) for c in catches if c) - drawn


def _binomial(found: float, missed: float) -> float:
    """Give the log likelihood of so many finds and misses, with the chance that suits them best."""
    tried = found + missed
    log_likelihood = found * math.log(found / tried) if found > 0 else 0.0
    if missed > 0:
        log_likelihood += missed * math.log1p(-found / tried)
    return log_likelihood


def _golden(of: Callable[[float], float], low: float, high: float) -> float:
    for _ in range(REFINED):
        left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        low, high = (low, right) if of(left) <= of(right) else (left, high)
    return (low + high) / 2
