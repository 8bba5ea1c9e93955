"""The textbook estimators of how many there were, from what was taken out night after night.

All of them take every animal for equally easy to find, and the tank for closed: none comes in, none hatches.
Where that is wrong they give too few, and far too short an interval; `catchability` is the default view, and
these stand beside it. An estimator that cannot answer says why, as a value.

Notation: catches c1 … ck of k nights of equal effort; T their sum; X the sum of (k - i) times ci.

References
----------
Moran 1951, Biometrika 38:307. Zippin 1956, Biometrics 12:163, and 1958, J Wildl Manage 22:82. Seber and Le
Cren 1967, J Anim Ecol 36:631. Carle and Strub 1978, Biometrics 34:621. Seber 1982, Estimation of Animal
Abundance. Schnute 1983, Can J Fish Aquat Sci 40:2153.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pestvision.tanks.depletion import delury, leslie
from pestvision.tanks.estimates import (
    NO_DECLINE,
    Estimate,
    checked_estimate,
    require_nights,
    too_little,
)
from pestvision.tanks.profiles import (
    MANY,
    chance_of_chi2,
    constant_chance_nll,
    first_differs_nll,
    lowest,
    lowest_of_rest,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

LIKELIHOOD_95: Final = 3.841458821  # of the chi-square distribution with one degree of freedom
EFFORT_IS_EQUAL_WITHIN: Final = 1.05  # the longest look over the shortest
UNEQUAL_EFFORT: Final = "it needs nights of equal effort"


@dataclass(frozen=True, slots=True)
class FirstNightTest:
    """Whether the first night differs from the others: Schnute's likelihood-ratio test.

    Parameters
    ----------
    chi2
        Twice the difference of the log likelihoods, one degree of freedom; None where it cannot be told.
    p_value
        Chance of so large a difference where the first night does not differ.
    equal, unequal
        What Moran's and Schnute's models say.
    """

    chi2: float | None
    p_value: float | None
    equal: Estimate
    unequal: Estimate


def maximum_likelihood(catches: Sequence[int]) -> Estimate:
    """Give the whole number that makes the catches the likeliest, with Zippin's standard error."""
    name = "maximum likelihood"
    reason = _no_answer(catches)
    if reason is not None:
        return Estimate(name, reason=reason)
    number = _first_whole(
        catches, lambda n: constant_chance_nll(catches, n) < constant_chance_nll(catches, n + 1)
    )
    return _with_zippin_error(name, catches, number)


def zippin(catches: Sequence[int]) -> Estimate:
    """Give Zippin's estimate with the correction of one half for its bias."""
    reason = _no_answer(catches)
    if reason is not None:
        return Estimate("Zippin", reason=reason)
    k, total, x = _sums(catches)

    def is_past(n: float) -> bool:
        return math.log(n + 0.5) + k * _log(k * n - x - total) < math.log(
            n - total + 0.5
        ) + k * math.log(k * n - x)

    return _with_zippin_error("Zippin", catches, _first_whole(catches, is_past))


def carle_strub(catches: Sequence[int]) -> Estimate:
    """Give Carle and Strub's weighted estimate, both weights 1. It answers where the others cannot."""
    if len(catches) < 2 or sum(catches) == 0:
        return Estimate("Carle-Strub", reason=too_little(catches))
    k, total, x = _sums(catches)

    def is_past(n: float) -> bool:
        ratio = math.log(n + 1) - math.log(n - total + 1)
        rest = k * n - x
        for later in range(k):
            ratio += math.log(rest - total + 1 + later) - math.log(rest + 2 + later)
        return ratio < 0

    return _with_zippin_error("Carle-Strub", catches, _first_whole(catches, is_past))


def seber_le_cren(catches: Sequence[int]) -> Estimate:
    """Give Seber and Le Cren's estimate from two nights."""
    name = "Seber-Le Cren"
    reason = _not_two(catches)
    if reason is not None:
        return Estimate(name, reason=reason)
    first, second = catches
    fall = first - second
    number_se = first * second * math.sqrt(first + second) / fall**2
    return checked_estimate(
        name,
        catches,
        number=first**2 / fall,
        chance=1 - second / first,
        number_se=number_se,
        chance_se=math.sqrt(second * (first + second) / first**3),
    )


def robson_regier(catches: Sequence[int]) -> Estimate:
    """Give Robson and Regier's estimate from two nights, less biased than Seber and Le Cren's."""
    name = "Robson-Regier"
    reason = _not_two(catches)
    if reason is not None:
        return Estimate(name, reason=reason)
    first, second = catches
    number = (first**2 - second) / (first - second)
    return checked_estimate(name, catches, number=number, chance=1 - second / (first + 1))


def seber_three(catches: Sequence[int]) -> Estimate:
    """Give Seber's closed form for three nights."""
    name = "Seber, three nights"
    if len(catches) != 3 or sum(catches) == 0:
        return Estimate(name, reason="it needs exactly three nights, with finds")
    _, total, x = _sums(catches)
    under_root = total**2 + 6 * x * total - 3 * x**2
    if x <= total or under_root < 0:
        return Estimate(name, reason=NO_DECLINE)
    top = 6 * x**2 - 3 * x * total - total**2 + total * math.sqrt(under_root)
    number = top / (18 * (x - total))
    return checked_estimate(name, catches, number=number, chance=_chance(catches, number))


def moran(catches: Sequence[int]) -> Estimate:
    """Give the maximum of the likelihood with one chance for all nights, and its likelihood interval."""
    reason = _no_answer(catches, least_nights=3)
    if reason is not None:
        return Estimate("Moran", reason=reason)
    found = lowest(catches, constant_chance_nll, width=LIKELIHOOD_95)
    if found.at >= MANY:
        return Estimate("Moran", reason=NO_DECLINE)
    chance = _chance(catches, found.at)
    return Estimate(
        "Moran", found.at, chance, low=found.low, high=found.high, nll=float(found.value)
    )


def schnute(catches: Sequence[int]) -> Estimate:
    """Give the maximum where the first night has a chance of its own; `chance` is that of the others."""
    if len(catches) < 3 or sum(catches[1:]) == 0:
        return Estimate("Schnute", reason=too_little(catches))
    if _has_no_maximum(catches[1:]):
        return Estimate("Schnute", reason=NO_DECLINE)
    found = lowest(catches, first_differs_nll, width=LIKELIHOOD_95)
    if found.at >= MANY:
        return Estimate("Schnute", reason=NO_DECLINE)
    chance = lowest_of_rest(catches, found.at)
    return Estimate(
        "Schnute", found.at, chance, low=found.low, high=found.high, nll=float(found.value)
    )


def first_night_test(catches: Sequence[int]) -> FirstNightTest:
    """Test whether the first night differs from the others in how easily animals are found."""
    equal, unequal = moran(catches), schnute(catches)
    if equal.nll is None or unequal.nll is None:
        return FirstNightTest(None, None, equal, unequal)
    chi2 = max(0.0, 2 * (equal.nll - unequal.nll))
    return FirstNightTest(chi2, chance_of_chi2(chi2), equal, unequal)


def textbook(catches: Sequence[int], efforts: Sequence[float]) -> tuple[Estimate, ...]:
    """Give what each estimator says of these nights; those that need equal effort say so where it is not."""
    require_nights(catches, efforts)
    alike = [maximum_likelihood, zippin, carle_strub, moran, schnute]
    alike += [seber_le_cren, robson_regier] if len(catches) == 2 else []
    alike += [seber_three] if len(catches) == 3 else []
    is_equal = max(efforts) <= EFFORT_IS_EQUAL_WITHIN * min(efforts)
    of_nights = tuple(method(catches) for method in alike)
    if not is_equal:
        of_nights = tuple(Estimate(item.method, reason=UNEQUAL_EFFORT) for item in of_nights)
    return (*of_nights, leslie(catches, efforts), delury(catches, efforts))


def _sums(catches: Sequence[int]) -> tuple[int, int, int]:
    k = len(catches)
    return k, sum(catches), sum((k - night) * c for night, c in enumerate(catches, start=1))


def _log(value: float) -> float:
    return math.log(value) if value > 0 else -math.inf


def _chance(catches: Sequence[int], number: float) -> float:
    k, total, x = _sums(catches)
    return total / (k * number - x)


def _has_no_maximum(catches: Sequence[int]) -> bool:
    """Carle and Strub 1978, equation 6: the likelihood still rises where the number has no end."""
    k, total, x = _sums(catches)
    return x <= (total - 1) * (k - 1) / 2 - 1


def _no_answer(catches: Sequence[int], *, least_nights: int = 2) -> str | None:
    if len(catches) < least_nights or sum(catches) == 0:
        return too_little(catches)
    return NO_DECLINE if _has_no_maximum(catches) else None


def _not_two(catches: Sequence[int]) -> str | None:
    if len(catches) != 2:
        return "it needs exactly two nights"
    return NO_DECLINE if catches[1] >= catches[0] else None


def _first_whole(catches: Sequence[int], is_past: Callable[[float], bool]) -> int:
    """Give the smallest whole number, from what was caught on, that is past the maximum.

    By doubling and halving: past it once, past it for good.
    """
    total = sum(catches)
    step = 1
    while not is_past(total + step - 1):
        step *= 2
        if step > MANY:
            return total + step
    low, high = total + step // 2 - 1, total + step - 1
    while low + 1 < high:
        middle = (low + high) // 2
        low, high = (low, middle) if is_past(middle) else (middle, high)
    return high


def _with_zippin_error(name: str, catches: Sequence[int], number: int) -> Estimate:
    k = len(catches)
    p = _chance(catches, number)
    q = 1 - p
    missed = q**k
    spread = (1 - missed) ** 2 - (p * k) ** 2 * q ** (k - 1)
    if q <= 0 or spread <= 0:
        return checked_estimate(name, catches, number=float(number), chance=p, number_se=0.0)
    number_se = math.sqrt(number * (1 - missed) * missed / spread)
    chance_se = math.sqrt((q * p) ** 2 * (1 - missed) / (number * q * spread))
    return checked_estimate(
        name, catches, number=float(number), chance=p, number_se=number_se, chance_se=chance_se
    )
