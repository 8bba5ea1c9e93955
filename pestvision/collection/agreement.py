"""How well two or more people, or one person twice, agree on labels beyond chance.

Cohen's kappa compares two rows of labels; Krippendorff's alpha any number, with gaps. What cannot be
told, because too little was labelled twice or because every label is the same, is a value with a
reason.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, TypeAlias, get_args

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import NDArray

Level: TypeAlias = Literal["nominal", "ordinal", "interval"]

_FEWEST_UNITS: Final = 2  # one unit says nothing of chance
_Z_95: Final = 1.959963984540054  # 97.5 % quantile of the normal distribution
TOO_FEW: Final = "fewer than two things were labelled by both"
TOO_FEW_PAIRED: Final = "fewer than two things were labelled more than once"
NO_VARIATION: Final = "every label is the same, so agreement by chance is certain"


@dataclass(frozen=True, slots=True)
class Agreement:
    """Cohen's kappa of two rows of labels.

    Parameters
    ----------
    kappa
        1 for full agreement, 0 for what chance gives, below 0 for less; None where it cannot be
        told.
    standard_error
        For many units (Fleiss, Cohen & Everitt 1969); None where kappa is.
    interval
        95 %, from `standard_error`, cut at -1 and 1. None where the standard error is 0, as with
        full agreement: the formula then says nothing of how sure it is.
    n_units
        Units that both labelled.
    observed, expected
        Share of units on which they agree, and share that chance would give; None without units.
    reason
        Why kappa is None; empty where it is not.
    """

    kappa: float | None
    standard_error: float | None
    interval: tuple[float, float] | None
    n_units: int
    observed: float | None
    expected: float | None
    reason: str = ""

    def __post_init__(self) -> None:
        _require_value_or_reason(self.kappa, self.reason)


@dataclass(frozen=True, slots=True)
class Reliability:
    """Krippendorff's alpha of any number of coders.

    Parameters
    ----------
    alpha
        1 for full agreement, 0 for what chance gives; None where it cannot be told.
    level
        How far apart two labels are: `nominal`, `ordinal` or `interval`.
    n_units
        Units with at least two labels.
    n_labels
        Labels in those units.
    observed, expected
        Disagreement within units, and between all labels; None where alpha is for want of units.
    reason
        Why alpha is None; empty where it is not.
    """

    alpha: float | None
    level: Level
    n_units: int
    n_labels: int
    observed: float | None
    expected: float | None
    reason: str = ""

    def __post_init__(self) -> None:
        _require_value_or_reason(self.alpha, self.reason)


def cohen_kappa(first: Sequence[Hashable], second: Sequence[Hashable]) -> Agreement:
    """Compare two rows of labels of the same units.

    Parameters
    ----------
    first, second
        One label a unit, in the same order; None where a unit was not labelled. Only units that both
        labelled count.

    Raises
    ------
    ValueError
        If the rows differ in length. A programmer's error.

    Notes
    -----
    Cohen 1960, Educ Psychol Meas 20:37, doi 10.1177/001316446002000104. Standard error: Fleiss, Cohen
    & Everitt 1969, Psychol Bull 72:323, doi 10.1037/h0028106.
    """
    both = [pair for pair in zip(first, second, strict=True) if None not in pair]
    n_units = len(both)
    if n_units < _FEWEST_UNITS:
        return Agreement(None, None, None, n_units, None, None, TOO_FEW)
    counts = Counter(both)
    labels = list(dict.fromkeys(label for pair in both for label in pair))
    table = np.array([[counts[row, column] for column in labels] for row in labels], float)
    shares = table / n_units
    rows, columns = shares.sum(1), shares.sum(0)
    observed, expected = float(np.trace(shares)), float(rows @ columns)
    if len(labels) == 1:
        return Agreement(None, None, None, n_units, observed, expected, NO_VARIATION)
    kappa = (observed - expected) / (1 - expected)
    error = _kappa_error(shares, kappa, n_units)
    interval = None
    if error > 0:
        interval = (max(kappa - _Z_95 * error, -1.0), min(kappa + _Z_95 * error, 1.0))
    return Agreement(kappa, error, interval, n_units, observed, expected)


def _kappa_error(shares: NDArray[np.float64], kappa: float, n_units: int) -> float:
    """Give the standard error of kappa for many units, not supposing that it is 0."""
    rows, columns = shares.sum(1), shares.sum(0)
    expected = float(rows @ columns)
    # On the diagonal p(1 - (row + column)(1 - kappa))²; off it (1 - kappa)² p(column + row)².
    reach = rows[None, :] + columns[:, None]  # [i, j]: column's share of i and row's share of j
    weights = ((1 - kappa) * reach) ** 2
    np.fill_diagonal(weights, (1 - np.diag(reach) * (1 - kappa)) ** 2)
    variance = float((shares * weights).sum()) - (kappa - expected * (1 - kappa)) ** 2
    # Rounding leaves some 1e-17 where it is 0.
    variance = 0.0 if variance < 1e-12 else variance
    return math.sqrt(variance / n_units) / (1 - expected)


def krippendorff_alpha(
    ratings: Sequence[Sequence[Hashable]], *, level: Level = "nominal"
) -> Reliability:
    """Compare the labels of any number of coders.

    Parameters
    ----------
    ratings
        One row a coder, one label a unit, in the same order; None where a coder gave none. Numbers
        for the levels `ordinal` and `interval`.
    level
        `nominal`: two labels are the same or not. `ordinal`: they are as far apart as there are
        labels between them. `interval`: the square of their difference.

    Raises
    ------
    ValueError
        If the rows differ in length, a label is no finite number where numbers are needed, or the
        level is not known. A programmer's error.

    Notes
    -----
    Krippendorff 2011, "Computing Krippendorff's Alpha-Reliability", repository.upenn.edu/asc_papers/43.
    """
    if level not in get_args(Level):
        raise ValueError(f"the level {level!r} is none of {', '.join(get_args(Level))}")
    units = [[label for label in unit if label is not None] for unit in zip(*ratings, strict=True)]
    units = [unit for unit in units if len(unit) >= 2]
    n_labels = sum(len(unit) for unit in units)
    if len(units) < _FEWEST_UNITS:
        return Reliability(None, level, len(units), n_labels, None, None, TOO_FEW_PAIRED)
    labels = _in_order({label for unit in units for label in unit}, level)
    place = {label: index for index, label in enumerate(labels)}
    together = np.zeros((len(labels), len(labels)))
    for unit in units:
        counts = np.zeros(len(labels))
        for label in unit:
            counts[place[label]] += 1
        together += (np.outer(counts, counts) - np.diag(counts)) / (len(unit) - 1)
    n_each = together.sum(0)
    distance = _distance(labels, n_each, level)
    observed = float((together * distance).sum()) / n_labels
    expected = float(n_each @ distance @ n_each) / (n_labels * (n_labels - 1))
    if len(labels) == 1:
        return Reliability(None, level, len(units), n_labels, observed, expected, NO_VARIATION)
    alpha = 1 - observed / expected
    return Reliability(alpha, level, len(units), n_labels, observed, expected)


def _in_order(labels: set[Hashable], level: Level) -> list[Hashable]:
    if level == "nominal":
        return list(labels)
    numbers = [_number(label) for label in labels]
    return sorted(numbers)  # type: ignore[return-value]  # a number is hashable


def _number(label: Hashable) -> float:
    if isinstance(label, (int, float, np.number)) and math.isfinite(label):
        return float(label)
    raise ValueError(f"the label {label!r} is no finite number, and the level needs one")


def _distance(
    labels: list[Hashable], n_each: NDArray[np.float64], level: Level
) -> NDArray[np.float64]:
    """Give the squared distance of every two labels, (labels, labels)."""
    if level == "nominal":
        return 1 - np.eye(len(labels))
    # On the ordinal level: labels from one to the other, each of the two counted half.
    ranks = np.cumsum(n_each) - n_each / 2
    middle = ranks if level == "ordinal" else np.array(labels, float)
    difference: NDArray[np.float64] = (middle[:, None] - middle[None, :]) ** 2
    return difference


def _require_value_or_reason(value: float | None, reason: str) -> None:
    if (value is None) != bool(reason):
        raise ValueError(f"a value or a reason, not both: {value}, {reason!r}")
