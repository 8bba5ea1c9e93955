"""What a textbook estimator answers, or why it cannot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from collections.abc import Sequence

TWO_SIDED_95: Final = 1.959963985  # of the normal distribution
NO_DECLINE: Final = "the catches do not fall from night to night, so that no end is in sight"
TOO_FEW_NIGHTS: Final = "it needs more nights"


@dataclass(frozen=True, slots=True)
class Estimate:
    """What one textbook estimator says.

    Parameters
    ----------
    method
        Its name.
    number
        How many were there before the first night, at least what was taken out; None where it cannot say.
    chance
        Of finding a given animal in one night; for Leslie and DeLury with one unit of effort.
    number_se, chance_se
        Standard errors, None where the method has none. With fewer than 20 animals they mean little.
    low, high
        95 % interval of the number, `high` infinite where the nights set no upper limit.
    reason
        Why it cannot say; None where it can.
    nll
        Negative log likelihood at the estimate, for Moran and Schnute.
    """

    method: str
    number: float | None = None
    chance: float | None = None
    number_se: float | None = None
    chance_se: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str | None = None
    nll: float | None = None


def require_nights(catches: Sequence[int], efforts: Sequence[float]) -> None:
    """Make sure that there is an effort over 0 for every catch, and no catch below 0."""
    is_right = 0 < len(catches) == len(efforts)
    if not is_right or min(catches) < 0 or not min(efforts) > 0:
        raise ShapeError(
            "catches, efforts",
            expected="one of each for every night; none negative, efforts over 0",
            actual=f"{list(catches)}, {list(efforts)}",
        )


def too_little(catches: Sequence[int]) -> str:
    """Say what is missing where there is too little to go by."""
    return TOO_FEW_NIGHTS if sum(catches) else "nothing was caught"


def checked_estimate(
    name: str,
    catches: Sequence[int],
    *,
    number: float,
    chance: float,
    number_se: float | None = None,
    chance_se: float | None = None,
    nights: int | None = None,
) -> Estimate:
    """Give the estimate with its interval, unless it says that fewer were there than were taken out."""
    total = sum(catches)
    if number < total - 1e-9:
        return Estimate(name, reason="its answer is below what was taken out")
    low = high = None
    if number_se is not None:
        reach = TWO_SIDED_95 if nights is None else student_95(nights - 2)
        low, high = max(float(total), number - reach * number_se), number + reach * number_se
    return Estimate(name, max(number, total), chance, number_se, chance_se, low, high)


def student_95(freedom: int) -> float:
    """Give the two-sided 95 % point of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.975))
