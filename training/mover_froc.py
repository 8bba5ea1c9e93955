"""Free-response curves: what share of movers is found, against false blobs a pair.

A finder gives every blob a score; a threshold on it, moved from the surest blob downwards, draws the
curve. Nothing here knows a picture.

Source of the method: Bunch, Hamilton, Sanderson & Simmons 1978, J. Appl. Photogr. Eng. 4:166-171.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from collections.abc import Sequence

FALSE_A_PAIR = (0.05, 0.1, 0.2, 0.5, 1.0)
"""Where a curve is read off."""


@dataclass(frozen=True, slots=True)
class Marked:
    """What one finder did on one pair.

    `movers`: for each mover that counts, the score of the surest blob on it, None where there is none.
    `false`: the scores of blobs that lie on no mover, counting or not.
    """

    movers: tuple[float | None, ...]
    false: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Point:
    """A place on a curve: movers found of so many, at so many false blobs over so many pairs."""

    n_found: int
    n_movers: int
    n_false: int
    n_pairs: int


def point_at(pairs: Sequence[Marked], least_score: float) -> Point:
    """Count what is found from a score on."""
    movers = [score for pair in pairs for score in pair.movers]
    return Point(
        n_found=sum(score is not None and score >= least_score for score in movers),
        n_movers=len(movers),
        n_false=sum(score >= least_score for pair in pairs for score in pair.false),
        n_pairs=len(pairs),
    )


def curve(
    pairs: Sequence[Marked], false_a_pair: Sequence[float] = FALSE_A_PAIR
) -> tuple[Point, ...]:
    """Read a curve off.

    Parameters
    ----------
    pairs
        What one finder did on each.
    false_a_pair
        Most false blobs a pair, on average.

    Returns
    -------
    For each, the place with the lowest threshold that leaves no more: fewer where scores are equal.
    """
    if not pairs:
        raise ShapeError("pairs", expected="at least one", actual="none")
    false = np.sort([score for pair in pairs for score in pair.false])[::-1]
    points = []
    for rate in false_a_pair:
        n_allowed = int(np.floor(rate * len(pairs) + 1e-9))
        least = -np.inf
        if n_allowed < len(false):  # just above the first false blob that is too many
            least = float(np.nextafter(false[n_allowed], np.inf))
        points.append(point_at(pairs, least))
    return tuple(points)


def poisson_interval(count: int, n: int) -> tuple[float, float]:
    """Give the exact 95 % interval of a mean count. Source: Garwood 1936, Biometrika 28:437-442.

    Counts that come in clusters (several on one pair) spread by more.
    """
    low = 0.0 if count == 0 else float(chi2.ppf(0.025, 2 * count)) / 2
    return low / n, float(chi2.ppf(0.975, 2 * count + 2)) / 2 / n
