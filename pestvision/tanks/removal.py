"""How many are left in a tank from which leeches are pulled night after night, and whether that is winning.

The view is that of `catchability`, in which some are harder to find than others. Where the nights cannot say,
the answer is a value with its reason, and still tells how many there were at the least.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from pestvision.tanks import removal_words as words
from pestvision.tanks.catchability import beliefs_of, least_there
from pestvision.tanks.estimators import first_night_test, textbook
from pestvision.tanks.removal_outlook import nights_to_go
from pestvision.tanks.removal_signs import decline_of, rise_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.settings import TankSettings
    from pestvision.tanks.catchability import Beliefs
    from pestvision.tanks.estimates import Estimate
    from pestvision.tanks.estimators import FirstNightTest
    from pestvision.tanks.records import Night
    from pestvision.tanks.removal_outlook import NightsToGo
    from pestvision.tanks.removal_signs import Decline, Rise

LEAST_NIGHTS: Final = 3  # two nights cannot tell a fall from unequal animals
# Eggs laid when the finds began can be free young after about 30 days at 14 degrees: Alboglossiphonia
# heteroclita, Hatto 1968, Hydrobiologia 31:363.
BROOD_DAYS: Final = 30
# Below this ratio the likelihood of one chance for all, Moran's, has no upper 95 % limit of the number.
UPPER_LIMIT_FROM: Final = 3.84
FALLS_BELOW: Final = 0.05  # chance of a fall that is called one
FIRST_NIGHT_BELOW: Final = 0.05  # chance, of Schnute's test
FIRST_NIGHT_EFFORT: Final = (
    1.25  # the test takes efforts for equal: the longest over the shortest, at most
)
LEVEL_FROM: Final = 10  # pulled; fewer that do not fall say little
EFFORT_CHANGED: Final = 2.0  # the longest look over the shortest from which on it is said


class Refusal(StrEnum):
    """Why it cannot be said how many are left."""

    NOTHING_SEEN = "nothing seen"
    NOTHING_TAKEN = "nothing taken out"
    TOO_FEW_NIGHTS = "too few nights"
    BROODING = "a brooding one was seen"
    TOO_LONG = "a brood may have come out"
    RISES = "finds rise again"
    NO_DECLINE = "finds do not fall"


class Doubt(StrEnum):
    """Why to trust the numbers less."""

    HARDLY_FALLS = "finds hardly fall"
    FIRST_NIGHT = "the first night differs"
    EFFORT = "effort changed"
    UNTIMED = "looks were not timed"
    MEANS = "different means"
    LONG_SPAN = "a brood may have come out"


class Winning(StrEnum):
    """Whether removal is winning."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "cannot say yet"


@dataclass(frozen=True, slots=True)
class Warned:
    """A doubt, and what it says of this tank.

    Parameters
    ----------
    doubt
        What it is about.
    says
        The same in words.
    is_of_textbook
        It touches the textbook numbers alone: the default view allows for it.
    """

    doubt: Doubt
    says: str
    is_of_textbook: bool = False


@dataclass(frozen=True, slots=True)
class Weighed:
    """What the nights say, in numbers alone. Made by `weigh`.

    Parameters
    ----------
    nights
        Those that count, in the order of time: from the first find on.
    caught
        Taken out in them.
    at_least
        How many were there at the least.
    refusal, reason
        Why it cannot be said how many are left, and the same in words; None where it can.
    warned
        Why to trust the numbers less, also where they are refused.
    beliefs
        Of those left; None where refused.
    decline, rise
        Whether finds fall, and whether they rise again; None where there was nothing to judge.
    first_night
        Whether the first night differs; None where looks were too unequal to ask.
    """

    nights: tuple[Night, ...]
    caught: int
    at_least: int
    refusal: Refusal | None
    reason: str
    warned: tuple[Warned, ...]
    beliefs: Beliefs | None
    decline: Decline | None
    rise: Rise | None
    first_night: FirstNightTest | None


@dataclass(frozen=True, slots=True)
class HowMany:
    """How many there were and how many are left. Made by `how_many`.

    Parameters
    ----------
    caught
        Taken out so far, in all nights.
    at_least
        How many were there at the least: taken out, and seen and let be. Always known.
    low, best, high
        How many were ever there: 95 % range and the middle; None where it cannot be said.
    left_low, left_best, left_high
        How many of them are left.
    p_none_left
        Probability that none is left: under these assumptions, and not a guarantee.
    refusal, reason
        Why it cannot be said; None and empty where it can.
    warned
        Why to trust the numbers less.
    remarks
        What was reckoned with and needs no doubt.
    why
        Why this view was chosen, or none.
    is_winning, winning
        Whether removal is winning, and the sentence that says so.
    to_go
        Nights more at this rate; None where it cannot be said.
    textbook, why_not_textbook
        What the textbook estimators say, and why they are not the default.
    sentence
        The whole of it in one sentence.
    lately
        Where finds go too far back, the same of the nights within the last brooding period alone, which may
        again be refused.
    beliefs
        What the numbers were read off; None where it cannot be said.
    """

    caught: int
    at_least: int
    low: int | None
    best: int | None
    high: int | None
    left_low: int | None
    left_best: int | None
    left_high: int | None
    p_none_left: float | None
    refusal: Refusal | None
    reason: str
    warned: tuple[Warned, ...]
    remarks: tuple[str, ...]
    why: str
    is_winning: Winning
    winning: str
    to_go: NightsToGo | None
    textbook: tuple[Estimate, ...]
    why_not_textbook: str
    sentence: str
    lately: HowMany | None = None
    beliefs: Beliefs | None = field(default=None, repr=False, compare=False)


def how_many(nights: Sequence[Night], *, settings: TankSettings) -> HowMany:
    """Say how many leeches there were in a tank, how many are left, and whether removal is winning.

    Parameters
    ----------
    nights
        Of one tank, in any order; clean ones too.
    settings
        Says how long a brood hides, and from which probability on none is likely left.
    """
    weighed = weigh(nights, settings=settings)
    is_winning, winning = _winning(weighed)
    counted = weighed.nights
    catches, efforts = [n.taken for n in counted], [n.effort for n in counted]
    low = best = high = None
    beliefs = weighed.beliefs
    if beliefs is not None:
        left_low, left_high = beliefs.likely_left()
        middle = min(max(beliefs.quantile_left(0.5), left_low), left_high)
        low, best, high = (weighed.caught + left for left in (left_low, middle, left_high))
    return HowMany(
        caught=weighed.caught,
        at_least=weighed.at_least,
        low=low,
        best=best,
        high=high,
        left_low=_less(low, weighed.caught),
        left_best=_less(best, weighed.caught),
        left_high=_less(high, weighed.caught),
        p_none_left=None if beliefs is None else beliefs.p_none_left,
        refusal=weighed.refusal,
        reason=weighed.reason,
        warned=weighed.warned,
        remarks=_remarks(weighed, len(nights)),
        why=words.WHY_UNEQUAL if beliefs is not None else weighed.reason,
        is_winning=is_winning,
        winning=winning,
        to_go=_to_go(weighed, settings),
        textbook=textbook(catches, efforts) if counted else (),
        why_not_textbook=words.WHY_NOT_TEXTBOOK,
        sentence=_sentence(weighed, low, high),
        lately=_lately(weighed, settings),
        beliefs=beliefs,
    )


def weigh(nights: Sequence[Night], *, settings: TankSettings) -> Weighed:
    """Judge whether the nights can say how many are left, and weigh those left where they can.

    Parameters
    ----------
    nights
        Of one tank, in any order; clean ones too.
    settings
        Says how long a brood hides.
    """
    in_order = sorted(nights, key=lambda night: night.day)
    first = next((index for index, night in enumerate(in_order) if night.seen), len(in_order))
    counted = tuple(in_order[first:])
    catches, seen = [n.taken for n in counted], [n.seen for n in counted]
    efforts = [n.effort for n in counted]
    decline = decline_of(seen, efforts) if counted else None
    rise = rise_of(seen, efforts) if counted else None
    refusal, reason = _refusal(counted, decline, rise, weeks=settings.brooding_weeks)
    is_even = bool(counted) and max(efforts) <= FIRST_NIGHT_EFFORT * min(efforts)
    first_night = first_night_test(catches) if is_even else None
    return Weighed(
        nights=counted,
        caught=sum(catches),
        at_least=least_there(catches, seen),
        refusal=refusal,
        reason=reason,
        warned=_doubts(counted, decline, refusal, first_night),
        beliefs=beliefs_of(catches, efforts, seen=seen) if refusal is None else None,
        decline=decline,
        rise=rise,
        first_night=first_night,
    )


def _to_go(weighed: Weighed, settings: TankSettings) -> NightsToGo | None:
    if weighed.beliefs is None:
        return None
    effort = sum(night.effort for night in weighed.nights) / len(weighed.nights)
    let_be = weighed.at_least - weighed.caught
    return nights_to_go(weighed.beliefs, effort=effort, at=settings.clear_at, let_be=let_be)


def _refusal(
    nights: tuple[Night, ...], decline: Decline | None, rise: Rise | None, *, weeks: float
) -> tuple[Refusal | None, str]:
    """Give the first reason why it cannot be said, the plainest first."""
    finds = [night for night in nights if night.seen]
    if decline is None or not finds:
        return (
            Refusal.NOTHING_SEEN,
            "Nothing was seen or pulled, so that there is nothing to count.",
        )
    brooding = [night for night in nights if night.brooding]
    if brooding:
        return Refusal.BROODING, words.brooding_words(brooding[-1].day, weeks)
    if finds[-1].day - finds[0].day > timedelta(weeks=weeks):
        return Refusal.TOO_LONG, words.too_long_words(finds[0].day, finds[-1].day, weeks)
    if not any(night.taken for night in nights):
        return Refusal.NOTHING_TAKEN, "nothing was taken out, and only what is taken out tells."
    if len(nights) < LEAST_NIGHTS:
        return Refusal.TOO_FEW_NIGHTS, words.too_few_words(len(nights), LEAST_NIGHTS)
    if rise is not None:
        return Refusal.RISES, words.rises_words(rise, nights[rise.night].day)
    if decline.ratio == 0.0:
        return Refusal.NO_DECLINE, words.no_decline_words()
    return None, ""


def _doubts(
    nights: tuple[Night, ...],
    decline: Decline | None,
    refusal: Refusal | None,
    first_night: FirstNightTest | None,
) -> tuple[Warned, ...]:
    doubts: list[Warned] = []
    if decline is None:
        return ()
    if refusal is None and decline.ratio < UPPER_LIMIT_FROM:
        doubts.append(Warned(Doubt.HARDLY_FALLS, words.hardly_falls_words()))
    efforts = [night.effort for night in nights]
    ratio = max(efforts) / min(efforts)
    if first_night is not None and (first_night.p_value or 1.0) < FIRST_NIGHT_BELOW:
        says = _first_night_says(first_night, nights[0].taken)
        doubts.append(Warned(Doubt.FIRST_NIGHT, says, is_of_textbook=True))
    if ratio > EFFORT_CHANGED:
        doubts.append(Warned(Doubt.EFFORT, words.effort_words(min(efforts), max(efforts))))
    untimed = sum(not night.is_timed for night in nights)
    if untimed:
        doubts.append(Warned(Doubt.UNTIMED, words.untimed_words(untimed, len(nights))))
    # the chief means of each night; one without a look has none
    means = {night.means[0].value for night in nights if night.means}
    if len(means) > 1:
        doubts.append(Warned(Doubt.MEANS, words.means_words(sorted(means))))
    days = [night.day for night in nights if night.seen]
    span = (days[-1] - days[0]).days
    if span > BROOD_DAYS and refusal not in {Refusal.BROODING, Refusal.TOO_LONG}:
        doubts.append(Warned(Doubt.LONG_SPAN, words.long_span_words(span, BROOD_DAYS)))
    return tuple(doubts)


def _first_night_says(tested: FirstNightTest, taken: int) -> str:
    others = tested.unequal.chance or 0.0
    is_better = taken / (tested.unequal.number or 1.0) > others
    return words.first_night_words(tested.p_value or 0.0, is_better=is_better)


def _winning(weighed: Weighed) -> tuple[Winning, str]:
    """Say whether finds fall, rise or stay; what is hidden under a brooding one is not among them."""
    decline, rise = weighed.decline, weighed.rise
    if decline is None or weighed.caught == 0:
        return Winning.UNKNOWN, words.winning_unknown_words("nothing was pulled.")
    if weighed.refusal in {Refusal.BROODING, Refusal.TOO_FEW_NIGHTS}:
        return Winning.UNKNOWN, words.winning_unknown_words(weighed.reason)
    if rise is not None:
        return Winning.NO, words.rising_is_losing_words(rise)
    if decline.p_value < FALLS_BELOW:
        return Winning.YES, words.falls_words(decline, len(weighed.nights))
    if decline.ratio == 0.0 and weighed.caught >= LEVEL_FROM:
        return Winning.NO, words.level_is_losing_words(weighed.caught)
    return Winning.UNKNOWN, words.winning_unknown_words(
        "finds fall no more than chance could make them."
    )


def _remarks(weighed: Weighed, given: int) -> tuple[str, ...]:
    remarks = [words.NOT_COUNTED] if weighed.beliefs is not None else []
    if weighed.at_least > weighed.caught:
        remarks.append(words.let_be_words(weighed.at_least - weighed.caught))
    if weighed.nights and given > len(weighed.nights):
        remarks.append(words.left_out_words(given - len(weighed.nights)))
    return tuple(remarks)


def _sentence(weighed: Weighed, low: int | None, high: int | None) -> str:
    if low is None or high is None:
        return words.refused_sentence(weighed.at_least, weighed.reason)
    return words.likely_sentence(weighed.at_least, low, high, caught=weighed.caught)


def _lately(weighed: Weighed, settings: TankSettings) -> HowMany | None:
    """Count the nights of the last brooding period alone, where finds or a brooding one go further back."""
    if weighed.refusal not in {Refusal.TOO_LONG, Refusal.BROODING}:
        return None
    since = weighed.nights[-1].day - timedelta(weeks=settings.brooding_weeks)
    recent = [night for night in weighed.nights if night.day >= since]
    if len(recent) == len(weighed.nights):
        return None
    return how_many(recent, settings=settings)


def _less(number: int | None, caught: int) -> int | None:
    return None if number is None else number - caught
