"""What clean looks prove: the published formulas of detection and freedom, each with its source.

A look can miss what is there; it never sees what is not there. `samples` holds what a batch needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NoReturn

from pestvision.errors import LogError

if TYPE_CHECKING:
    from collections.abc import Sequence

SLACK: Final = 1e-9  # keeps a whole number of looks whole where rounding errs by the last digit


@dataclass(frozen=True, slots=True)
class Freedom:
    """How sure freedom is in one period.

    Parameters
    ----------
    prior
        Probability of being free before the period's look, with what may have come in.
    free
        The same after a clean look.
    """

    prior: float
    free: float


def cumulative_detection(p_look: float, n_looks: int) -> float:
    """Give the chance that at least one of several looks sees what is there: 1 - (1 - p)^n.

    Source: McArdle 1990, Oikos 57:276.
    """
    require_share("the chance of one look", p_look)
    require_count("looks", n_looks)
    return 1 - (1 - p_look) ** n_looks


def looks_needed(p_look: float, *, confidence: float = 0.95) -> int | None:
    """Give how many looks make it this sure to see what is there, None if no number does.

    Source: McArdle 1990, Oikos 57:276; Kéry 2002, J Wildl Manage 66:330.
    """
    require_share("the chance of one look", p_look)
    require_below_one("the confidence", confidence)
    if p_look == 0:
        return None
    if p_look == 1:
        return 1
    return max(1, math.ceil(math.log(1 - confidence) / math.log(1 - p_look) - SLACK))


def upper_limit_of_none(n: int, *, confidence: float = 0.95) -> float:
    """Give the largest share that goes with none in n, one-sided and exact: 1 - (1 - C)^(1/n).

    Source: Hanley & Lippman-Hand 1983, JAMA 249:1743.
    """
    require_count("looks", n, least=1)
    require_below_one("the confidence", confidence)
    return float(1 - (1 - confidence) ** (1 / n))


def rule_of_three(n: int) -> float:
    """Give the quick form of `upper_limit_of_none` at 95 %: 3/n.

    Source: Hanley & Lippman-Hand 1983, JAMA 249:1743.
    """
    require_count("looks", n, least=1)
    return 3 / n


def p_still_there(prior: float, p_look: float, n_clean: int) -> float:
    """Give the probability that something is still there after clean looks.

    Parameters
    ----------
    prior
        Probability that it was there before.
    p_look
        Chance of one look to see it.
    n_clean
        Looks that saw nothing.

    Notes
    -----
    prior (1-p)^n / (1 - prior + prior (1-p)^n), the form in Wintle et al. 2012, Divers Distrib 18:417.
    """
    require_share("the probability before", prior)
    missed = 1 - cumulative_detection(p_look, n_clean)
    there = prior * missed
    total = 1 - prior + there
    return there / total if total else prior  # certain before, and a look that misses nothing


def clean_looks_needed(prior: float, p_look: float, *, at_most: float = 0.05) -> int | None:
    """Give how many clean looks bring `p_still_there` down to `at_most`, None if no number does."""
    require_share("the probability before", prior)
    require_share("the chance of one look", p_look)
    if not 0 < at_most < 1:
        refuse(f"{at_most:g} was given for the probability wanted", "Give one between 0 and 1.")
    if prior <= at_most:
        return 0
    if p_look == 0 or prior == 1:
        return None
    if p_look == 1:
        return 1
    odds = at_most / (1 - at_most) * (1 - prior) / prior
    return max(1, math.ceil(math.log(odds) / math.log(1 - p_look) - SLACK))


def freedom_over_time(
    sensitivities: Sequence[float],
    *,
    prior: float = 0.5,
    p_introduced: float | Sequence[float] = 0.0,
) -> tuple[Freedom, ...]:
    """Give how sure freedom is after each of several periods with a clean look.

    Parameters
    ----------
    sensitivities
        Of each period: the chance to see at least one, if any are there.
    prior
        Probability of being free before the first period.
    p_introduced
        Chance that something comes in before a period's look, whatever is there already; one for all
        periods, or one a period.

    Raises
    ------
    LogError
        If a number is no probability, or there are not as many introductions as periods.

    Notes
    -----
    Source: Martin, Cameron & Greiner 2007, Prev Vet Med 79:71.
    """
    require_share("the probability before", prior)
    if isinstance(p_introduced, float | int):
        introduced = [float(p_introduced)] * len(sensitivities)
    else:
        introduced = list(p_introduced)
    if len(introduced) != len(sensitivities):
        refuse(
            f"{len(introduced)} chances of introduction were given for {len(sensitivities)} periods",
            "Give one for all, or one for each.",
        )
    free = prior
    periods = []
    for sensitivity, p_in in zip(sensitivities, introduced, strict=True):
        require_share("the sensitivity", sensitivity)
        require_share("the chance of introduction", p_in)
        before = free * (1 - p_in)
        free = 1 - p_still_there(1 - before, sensitivity, 1)
        periods.append(Freedom(before, free))
    return tuple(periods)


def freedom_in_the_long_run(sensitivity: float, p_introduced: float) -> Freedom:
    """Give where `freedom_over_time` settles if every period is like the last.

    Source: Martin, Cameron & Greiner 2007, Prev Vet Med 79:71.
    """
    require_share("the sensitivity", sensitivity)
    require_below_one("the chance of introduction", p_introduced)
    if p_introduced == 0 == sensitivity:
        refuse(
            "A chance of 0 was given both to see it and for it to come in, so that nothing ever changes",
            "Give one of the two above 0.",
        )
    if p_introduced >= sensitivity:
        return Freedom(0.0, 0.0)  # it comes in at least as fast as it is found
    prior = 1 - p_introduced / sensitivity
    return Freedom(prior, prior / (1 - p_introduced))


def require_share(what: str, value: float, *, is_zero_good: bool = True) -> None:
    """Refuse what is no share, with one sentence that says what it was given for."""
    if not (0 <= value <= 1 if is_zero_good else 0 < value <= 1):
        least = "from 0" if is_zero_good else "over 0"
        refuse(f"{value:g} was given for {what}", f"Give a number {least} to 1.")


def require_below_one(what: str, value: float) -> None:
    """Refuse what is no share below 1: certainty takes no end of looks."""
    if not 0 <= value < 1:
        refuse(f"{value:g} was given for {what}", "Give a number from 0 to below 1.")


def require_count(what: str, value: int, *, least: int = 0) -> None:
    """Refuse a count below the least that makes sense."""
    if value < least:
        refuse(f"{value} {what} were given", f"Give a whole number from {least}.")


def refuse(wrong: str, advice: str) -> NoReturn:
    """Refuse what was given, in one sentence and an advice."""
    raise LogError(f"{wrong}.", advice=advice)
