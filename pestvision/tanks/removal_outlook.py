"""How many further nights it takes until none is left: if all stay clean, and with those still to be pulled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pestvision.tanks.removal_words import to_go_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.tanks.catchability import Beliefs

MOST_NIGHTS: Final = 60  # further ahead nothing is forecast


@dataclass(frozen=True, slots=True)
class NightsToGo:
    """How many further nights at this rate until, at the chance asked for, none is left.

    Parameters
    ----------
    least
        If all of them stay clean. None where more than `MOST_NIGHTS`.
    even
        Until all are out as likely as not, with those still to be pulled. None as above.
    sure
        Until all are out with the chance asked for. None where it cannot be said.
    sentence
        The same in words, with the caution that goes with a probability.
    """

    least: int | None
    even: int | None
    sure: int | None
    sentence: str


def nights_to_go(beliefs: Beliefs, *, effort: float, at: float, let_be: int = 0) -> NightsToGo:
    """Count the further nights until none is left.

    Parameters
    ----------
    beliefs
        Of those left.
    effort
        Of each further night, 1 is one usual look.
    at
        Probability asked for, such as 0.95.
    let_be
        How many were seen and let be: while they are there, no clean look can prove that none is.
    """
    least = _first_night(lambda night: beliefs.none_left_after(night * effort) >= at)
    even = _first_night(lambda night: beliefs.all_out_after(night * effort) >= 0.5)
    sure = _first_night(lambda night: beliefs.all_out_after(night * effort) >= at)
    sentence = to_go_words((least, even, sure), cap=MOST_NIGHTS, at=at, let_be=let_be)
    return NightsToGo(least, even, sure, sentence)


def _first_night(is_enough: Callable[[int], bool]) -> int | None:
    """Give the first number of nights that is enough; what is enough stays so."""
    if not is_enough(MOST_NIGHTS):
        return None
    low, high = -1, MOST_NIGHTS
    while low + 1 < high:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(middle) else (middle, high)
    return high
