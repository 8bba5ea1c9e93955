"""The sentences about how many are left. Each says no more than what was reckoned."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pestvision.tanks.clearance_words import CAUTION, day_words

if TYPE_CHECKING:
    from datetime import date

    from pestvision.tanks.removal_signs import Decline, Rise

WHY_UNEQUAL: Final = (
    "Some leeches are harder to find than others: brooding ones hunt later and less often, young ones are a "
    "millimetre long. This view allows for that, and for not knowing by how much."
)
WHY_NOT_TEXTBOOK: Final = (
    "They take all leeches for equally catchable. Where they are not, these numbers are too low and their "
    "ranges far too short."
)
NOT_COUNTED: Final = "Young still under a parent cannot be found, and are not in these numbers."


def likely_sentence(at_least: int, low: int, high: int, *, caught: int) -> str:
    """Say how many there were and how many are left: at least, and likely."""
    there = f"At least {at_least}; likely {low} to {high} were there"
    if low == high:
        there = f"At least {at_least}, and likely no more were there"
        if low > at_least:
            there = f"At least {at_least}; likely {low} were there"
    left_low, left_high = low - caught, high - caught
    if left_high == 0:
        return f"{there}, so likely none is left."
    left = f"{left_low}" if left_low == left_high else f"{left_low} to {left_high}"
    return f"{there}, so {left} {'is' if left == '1' else 'are'} left."


def refused_sentence(at_least: int, reason: str) -> str:
    """Say what is known where the number left cannot be said."""
    if at_least == 0:
        return reason
    were = "was" if at_least == 1 else "were"
    return f"At least {at_least} {were} there. How many are left cannot be said: {reason}"


def too_few_words(nights: int, least: int) -> str:
    """Say that there are too few nights."""
    counted = "one night" if nights == 1 else f"{nights} nights"
    return (
        f"there {'is' if nights == 1 else 'are'} only {counted} since the first find, and it takes {least} "
        "to see a fall. Look again, clean nights count too."
    )


def brooding_words(day: date, weeks: float) -> str:
    """Say that a brood may come out."""
    return (
        f"one with eggs or young was seen in the night of {day_words(day)}, and its young may come out for "
        f"{weeks:g} weeks from then. Go on looking, and count anew after that."
    )


def too_long_words(first: date, last: date, weeks: float) -> str:
    """Say that a brood may have come out since."""
    return (
        f"finds go from {day_words(first)} to {day_words(last)}, longer than the {weeks:g} weeks in which a "
        "hidden brood comes out. Those found at the end need not be left of those at the beginning."
    )


def rises_words(rise: Rise, day: date) -> str:
    """Say that finds rise again."""
    return (
        f"finds rise again, from about {rate(rise.before)} a look to {rate(rise.after)} from the night of "
        f"{day_words(day)} on, more than chance would do. A brood has come out, some have come in, or the "
        "later looks were better ones."
    )


def no_decline_words() -> str:
    """Say that finds do not fall."""
    return (
        "finds do not fall from look to look, so that nothing tells how many stand behind them. More nights "
        "will tell, with the same time spent in each."
    )


def hardly_falls_words() -> str:
    """Say that the upper number is hardly known."""
    return (
        "Finds fall no more than chance could make them: the upper number rests more on what is taken for "
        "granted than on the finds. More nights will tell."
    )


def first_night_words(p_value: float, *, is_better: bool) -> str:
    """Say that the first night differs."""
    found = "a larger share of those there" if is_better else "a smaller share of those there"
    return (
        f"The first night found {found} than later ones did (Schnute's test, P {p_value:.3f}). The looks "
        "were not alike, or the animals are not: the textbook numbers are not to be trusted. The default view "
        "allows for unequal animals."
    )


def effort_words(least: float, most: float) -> str:
    """Say that looks were of very unequal length."""
    return (
        f"The longest look took {rate(most / least)} times as long as the shortest. That is reckoned with, "
        "as if twice the time found twice the chance; whether it does is not known."
    )


def untimed_words(untimed: int, nights: int) -> str:
    """Say that looks were not timed."""
    which = (
        "No look was timed" if untimed == nights else f"{untimed} of {nights} nights were not timed"
    )
    return (
        f"{which}: a usual look was taken for granted. If some were shorter or longer, fewer or more may be "
        "left. Write the minutes."
    )


def means_words(names: list[str]) -> str:
    """Say that looks were made by different means."""
    return (
        f"Nights were looked at in different ways ({', '.join(names)}): each finds other animals, and they "
        "are reckoned as one."
    )


def long_span_words(days: int, brood_days: int) -> str:
    """Say that eggs laid at the beginning may have come out."""
    return (
        f"The finds stretch over {days} days. Eggs laid when they began can be free young after about "
        f"{brood_days} days (Alboglossiphonia heteroclita at 14 degrees; Hatto 1968), sooner in the warm: "
        "some found since may be new."
    )


def let_be_words(number: int) -> str:
    """Say that some were seen and let be."""
    one = number == 1
    return f"{number} {'was' if one else 'were'} seen and not taken out, and {'is' if one else 'are'} still there."


def left_out_words(number: int) -> str:
    """Say that nights before the first find are left out."""
    nights = "1 clean night" if number == 1 else f"{number} clean nights"
    return f"{nights} before the first find {'is' if number == 1 else 'are'} left out: leeches may have come in since."


def falls_words(decline: Decline, nights: int) -> str:
    """Say that removal is winning."""
    later = nights - decline.early_nights
    first = (
        "the first night"
        if decline.early_nights == 1
        else f"the first {decline.early_nights} nights"
    )
    rest = "night" if later == 1 else f"{later} nights"
    return (
        f"Removal is winning: {decline.early} {'was' if decline.early == 1 else 'were'} found in {first} and {decline.late} in the {rest} after, "
        "and chance alone hardly does that."
    )


def rising_is_losing_words(rise: Rise) -> str:
    """Say that removal is not winning because finds rise."""
    return (
        f"Removal is not winning: finds rose again, from about {rate(rise.before)} to {rate(rise.after)} a "
        "look."
    )


def level_is_losing_words(number: int) -> str:
    """Say that removal is not winning because finds stay level."""
    return (
        f"Removal is not winning yet: after {number} were pulled, a look finds as many as before."
    )


def winning_unknown_words(reason: str) -> str:
    """Say that it cannot be said yet."""
    return f"Whether removal is winning cannot be said yet: {reason}"


def to_go_words(
    nights: tuple[int | None, int | None, int | None], *, cap: int, at: float, let_be: int
) -> str:
    """Say how many nights more at this rate: if all stay clean, as likely as not, and surely."""
    least, even, sure = nights
    goal = f"{math.floor(at * 100 + 1e-9)} %"
    if least == 0:
        return f"That none is left that can be found is {goal} likely already. {CAUTION}"
    if let_be:
        one = let_be == 1
        first = f"{let_be} that {'was' if one else 'were'} seen {'is' if one else 'are'} still to be pulled"
    elif least is None:
        first = (
            f"For {goal} that none is left that can be found it takes more than {cap} further nights, even "
            "if all stay clean"
        )
    else:
        further = "1 more night" if least == 1 else f"{least} more nights"
        first = (
            f"For {goal} that none is left that can be found it takes {further} at this rate if all stay "
            "clean"
        )
    if even is None:
        rest = f"when all will be out cannot be said: hardly within {cap} nights"
    else:
        out = "already" if even == 0 else f"after {even}"
        if sure is None:
            rest = (
                f"all are out {out} as likely as not, and when that is {goal} sure cannot be said, since "
                "some may be too hard to find"
            )
        else:
            rest = f"all are out {out} as likely as not, and after {sure} with {goal}"
    return f"{first}. Reckoning with more finds, {rest}. {CAUTION}"


def rate(value: float) -> str:
    """Give a rate as people say it: whole from 10 on, with one digit below."""
    return f"{value:.0f}" if value >= 10 else f"{value:.1f}".removesuffix(".0")
