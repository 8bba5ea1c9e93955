"""How many of a batch to look at, and what it proves: the published formulas, each with its source."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pestvision.tanks.surveillance import (
    SLACK,
    refuse,
    require_below_one,
    require_count,
    require_share,
)


@dataclass(frozen=True, slots=True)
class SampleForFreedom:
    """How many to look at so that a clean result makes freedom as sure as wanted.

    Parameters
    ----------
    prior
        Probability of being free, with what may have come in.
    sensitivity
        Chance to see at least one, if any are there, that the looks together must have.
    n
        How many to look at; None where even looking at all of them would not do.
    """

    prior: float
    sensitivity: float
    n: int | None


def sample_by_cannon_and_roe(n_animals: int, n_infested: int, *, confidence: float = 0.95) -> int:
    """Give how many of a batch to look at, with a sure look, to find one of the infested ones.

    The quick formula, (1 - (1-C)^(1/d)) (N - (d-1)/2), rounded up. Source: Cannon & Roe 1982, Livestock
    disease surveys: a field manual for veterinarians.
    """
    _require_batch(n_animals, n_infested)
    require_below_one("the confidence", confidence)
    share = float(1 - (1 - confidence) ** (1 / n_infested))
    looks = share * (n_animals - (n_infested - 1) / 2)
    return min(n_animals, math.ceil(looks - SLACK))


def exact_sample(n_animals: int, n_infested: int, *, confidence: float = 0.95) -> int:
    """Give the same as `sample_by_cannon_and_roe`, exactly, from the hypergeometric distribution."""
    _require_batch(n_animals, n_infested)
    require_below_one("the confidence", confidence)
    p_missed = 1.0
    n_healthy = n_animals - n_infested
    for n in range(1, n_animals + 1):
        if n > n_healthy:
            return n  # more than there are healthy ones: an infested one is among them
        p_missed *= (n_healthy - n + 1) / (n_animals - n + 1)
        if p_missed <= 1 - confidence + SLACK:
            return n
    return n_animals


def sample_sensitivity(
    n: int, share: float, *, sensitivity: float, n_animals: int | None = None
) -> float:
    """Give the chance that looking at n animals sees at least one infested.

    Parameters
    ----------
    n
        Animals looked at.
    share
        Share of the animals that is infested, if any are.
    sensitivity
        Chance that a look at an infested one sees it.
    n_animals
        How many there are, None for very many.

    Notes
    -----
    1 - (1 - share·Se)^n, or with N animals 1 - (1 - Se·n/N)^(share·N), which is close to exact. Source:
    MacDiarmid 1988, N Z Vet J 36:39; Martin, Shoukri & Thorburn 1992, Prev Vet Med 14:33.
    """
    require_share("the share infested", share)
    require_share("the sensitivity", sensitivity)
    require_count("animals looked at", n)
    if n_animals is None:
        return 1 - (1 - share * sensitivity) ** n
    _require_sample(n, n_animals)
    return float(1 - (1 - sensitivity * n / n_animals) ** _infested(share, n_animals))


def sample_needed(
    share: float, *, sensitivity: float, confidence: float = 0.95, n_animals: int | None = None
) -> int | None:
    """Give how many animals to look at so that `sample_sensitivity` is `confidence`; None if all are too few.

    Source: MacDiarmid 1988, N Z Vet J 36:39.
    """
    require_share("the share infested", share, is_zero_good=False)
    require_share("the sensitivity", sensitivity, is_zero_good=False)
    require_below_one("the confidence", confidence)
    if n_animals is None:
        if share * sensitivity == 1:
            return 1
        looks = math.log(1 - confidence) / math.log(1 - share * sensitivity)
    else:
        n_infested = _infested(share, n_animals)
        looks = n_animals / sensitivity * (1 - (1 - confidence) ** (1 / n_infested))
        if looks > n_animals + SLACK:
            return None
    return max(1, math.ceil(looks - SLACK))


def largest_share_missed(
    n: int, *, sensitivity: float, confidence: float = 0.95, n_animals: int | None = None
) -> float:
    """Give the share of infested animals that n clean ones rule out with this confidence.

    Source: MacDiarmid 1988, N Z Vet J 36:39.
    """
    require_count("animals looked at", n, least=1)
    require_share("the sensitivity", sensitivity, is_zero_good=False)
    require_below_one("the confidence", confidence)
    if n_animals is None:
        return min(1.0, float(1 - (1 - confidence) ** (1 / n)) / sensitivity)
    _require_sample(n, n_animals)
    missed = 1 - sensitivity * n / n_animals
    if missed == 0:
        return 0.0
    return min(1.0, math.log(1 - confidence) / math.log(missed) / n_animals)


def sample_for_freedom(
    wanted: float,
    *,
    prior: float,
    p_introduced: float,
    share: float,
    sensitivity: float,
    n_animals: int | None = None,
) -> SampleForFreedom:
    """Give how many to look at so that, all being clean, freedom is as probable as wanted.

    Source: Martin, Cameron & Greiner 2007, Prev Vet Med 79:71; the share and the sensitivity as in
    `sample_needed`.
    """
    require_below_one("the probability wanted", wanted)
    require_share("the probability before", prior)
    require_share("the chance of introduction", p_introduced)
    before = prior * (1 - p_introduced)
    if before >= wanted:
        return SampleForFreedom(before, 0.0, 0)
    needed = (wanted - before) / (wanted * (1 - before))
    if before == 0:
        return SampleForFreedom(before, needed, None)
    n = sample_needed(share, sensitivity=sensitivity, confidence=needed, n_animals=n_animals)
    return SampleForFreedom(before, needed, n)


def batch_sensitivity(
    n_looked: int,
    *,
    n_animals: int,
    n_infested: int,
    sensitivity: float,
    specificity: float = 1.0,
    cutoff: int = 1,
) -> float:
    """Give the chance that an infested batch is called so: at least `cutoff` of those looked at seem infested.

    The modified hypergeometric formula, exact. Source: Cameron & Baldock 1998, Prev Vet Med 34:1.
    """
    _require_batch(n_animals, n_infested)
    _require_sample(n_looked, n_animals)
    _require_test(sensitivity, specificity, cutoff)
    n_healthy = n_animals - n_infested
    p_below = 0.0
    for n_among in range(max(0, n_looked - n_healthy), min(n_looked, n_infested) + 1):
        p_among = _hypergeometric(n_among, n_animals, n_infested, n_looked)
        for n_true in range(min(cutoff - 1, n_among) + 1):
            p_true = _binomial(n_true, n_among, sensitivity)
            p_false = _binomial_at_most(cutoff - 1 - n_true, n_looked - n_among, 1 - specificity)
            p_below += p_among * p_true * p_false
    return _as_share(1 - p_below)


def large_batch_sensitivity(
    n_looked: int, share: float, *, sensitivity: float, specificity: float = 1.0, cutoff: int = 1
) -> float:
    """Give `batch_sensitivity` for a batch so large that looking does not use it up: binomial.

    Source: Cameron & Baldock 1998, Prev Vet Med 34:1.
    """
    require_count("animals looked at", n_looked)
    require_share("the share infested", share)
    _require_test(sensitivity, specificity, cutoff)
    p_seems = share * sensitivity + (1 - share) * (1 - specificity)
    return _as_share(1 - _binomial_at_most(cutoff - 1, n_looked, p_seems))


def batch_specificity(n_looked: int, *, specificity: float, cutoff: int = 1) -> float:
    """Give the chance that a clean batch is called clean: each healthy animal is misjudged by itself.

    Source: Cameron & Baldock 1998, Prev Vet Med 34:1.
    """
    require_count("animals looked at", n_looked)
    _require_test(1.0, specificity, cutoff)
    return _as_share(_binomial_at_most(cutoff - 1, n_looked, 1 - specificity))


def batch_specificity_of_marked(
    n_looked: int, *, n_animals: int, specificity: float, cutoff: int = 1
) -> float:
    """Give the same where a fixed number of healthy animals is misjudged at every look: hypergeometric.

    The number is N (1 - Sp), rounded. Source: Martin, Shoukri & Thorburn 1992, Prev Vet Med 14:33.
    """
    _require_sample(n_looked, n_animals)
    _require_test(1.0, specificity, cutoff)
    n_marked = round(n_animals * (1 - specificity))
    lowest = max(0, n_looked - (n_animals - n_marked))
    highest = min(cutoff - 1, n_looked, n_marked)
    return _as_share(
        sum(_hypergeometric(k, n_animals, n_marked, n_looked) for k in range(lowest, highest + 1))
    )


def _infested(share: float, n_animals: int) -> int:
    """How many animals a share of them is, never fewer than one, as MacDiarmid 1988 has it."""
    return max(1, math.ceil(share * n_animals - SLACK)) if share else 0


def _as_share(value: float) -> float:
    return min(1.0, max(0.0, value))


def _hypergeometric(k: int, n_animals: int, n_marked: int, n_drawn: int) -> float:
    log_p = (
        _log_choose(n_marked, k)
        + _log_choose(n_animals - n_marked, n_drawn - k)
        - _log_choose(n_animals, n_drawn)
    )
    return math.exp(log_p)


def _binomial(k: int, n: int, p: float) -> float:
    if p in {0.0, 1.0}:
        return float(k == n * int(p))
    return math.exp(_log_choose(n, k) + k * math.log(p) + (n - k) * math.log1p(-p))


def _binomial_at_most(k: int, n: int, p: float) -> float:
    return sum(_binomial(i, n, p) for i in range(min(k, n) + 1))


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def _require_batch(n_animals: int, n_infested: int) -> None:
    if not 1 <= n_infested <= n_animals:
        refuse(
            f"{n_infested} infested of {n_animals} animals were given",
            "Give at least one infested, and no more than there are animals.",
        )


def _require_sample(n: int, n_animals: int) -> None:
    if not 0 <= n <= n_animals or n_animals < 1:
        refuse(
            f"A look at {n} of {n_animals} animals was given",
            "Give at least one animal, and no more looked at than there are.",
        )


def _require_test(sensitivity: float, specificity: float, cutoff: int) -> None:
    require_share("the sensitivity", sensitivity)
    require_share("the specificity", specificity)
    require_count("animals as the number that calls a batch infested", cutoff, least=1)
