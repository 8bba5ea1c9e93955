"""Leslie's and DeLury's lines: how the catch per effort falls as animals go, or as effort adds up.

References
----------
Leslie and Davis 1939, J Anim Ecol 8:94. DeLury 1947, Biometrics 3:145. The change that adds half of a night's
own catch or effort is in Ricker 1975.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.tanks.estimates import (
    NO_DECLINE,
    Estimate,
    checked_estimate,
    require_nights,
    too_little,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64

LEAST_NIGHTS_FOR_A_LINE: Final = 3


def leslie(catches: Sequence[int], efforts: Sequence[float], *, ricker: bool = True) -> Estimate:
    """Give Leslie's estimate: the catch per effort falls on a line as what was taken before grows.

    Parameters
    ----------
    catches, efforts
        Of each night.
    ricker
        Count half of a night's own catch as taken before it.
    """
    name = "Leslie"
    reason = _no_line(catches, efforts)
    if reason is not None:
        return Estimate(name, reason=reason)
    caught, effort = np.asarray(catches, float), np.asarray(efforts, float)
    before = np.cumsum(caught) - caught + (caught / 2 if ricker else 0)
    line = _Line.through(before, caught / effort)
    if line.slope >= 0:
        return Estimate(name, reason=NO_DECLINE)
    number = -line.intercept / line.slope
    spread = 1 / before.size + (number - line.middle) ** 2 / line.square
    number_se = line.residual / -line.slope * math.sqrt(spread)
    return checked_estimate(
        name, catches, number=number, chance=-line.slope, number_se=number_se, nights=before.size
    )


def delury(catches: Sequence[int], efforts: Sequence[float], *, ricker: bool = True) -> Estimate:
    """Give DeLury's estimate: the log of the catch per effort falls on a line as the effort adds up.

    Parameters
    ----------
    catches, efforts
        Of each night; no catch may be 0.
    ricker
        Count half of a night's own effort as spent before it.
    """
    name = "DeLury"
    reason = _no_line(catches, efforts)
    if reason is None and min(catches) == 0:
        reason = "it cannot take a night without a catch"
    if reason is not None:
        return Estimate(name, reason=reason)
    caught, effort = np.asarray(catches, float), np.asarray(efforts, float)
    before = np.cumsum(effort) - effort + (effort / 2 if ricker else 0)
    line = _Line.through(before, np.log(caught / effort))
    if line.slope >= 0:
        return Estimate(name, reason=NO_DECLINE)
    chance = -line.slope
    number = math.exp(line.intercept) / chance
    spread = 1 / before.size + (line.middle - 1 / chance) ** 2 / line.square
    number_se = number * line.residual * math.sqrt(spread)
    return checked_estimate(
        name, catches, number=number, chance=chance, number_se=number_se, nights=before.size
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """A straight line by least squares."""

    slope: float
    intercept: float
    residual: float  # its standard deviation
    middle: float  # mean of the x values
    square: float  # sum of the squared distances from it

    @classmethod
    def through(cls, x: F64, y: F64) -> _Line:
        middle = float(x.mean())
        square = float(((x - middle) ** 2).sum())
        slope = float((x - middle) @ y) / square
        intercept = float(y.mean()) - slope * middle
        rest = y - intercept - slope * x
        residual = math.sqrt(float(rest @ rest) / (x.size - 2))
        return cls(slope, intercept, residual, middle, square)


def _no_line(catches: Sequence[int], efforts: Sequence[float]) -> str | None:
    require_nights(catches, efforts)
    if len(catches) < LEAST_NIGHTS_FOR_A_LINE or sum(catches) == 0:
        return too_little(catches)
    return None
