"""When is a tank clear: how probable it is that none is left, and what further clean looks would make of it.

No tank is called probably clear before a brooding period has passed since the last sighting, and every
answer carries what was taken for granted. `presence` and `cohorts` hold the arithmetic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.tanks.catchability import Detection
from pestvision.tanks.clearance_words import (
    CAUTION,
    EMPTY_LOOKS,
    IF_CLEAN,
    MEAN_NOTHING_MORE,
    STARVING,
    assumption_words,
    day_words,
    detection_sentence,
    doubt_sentence,
    percent,
    probability_sentence,
    seen_sentence,
    wait_sentence,
)
from pestvision.tanks.cohorts import Arrivals, history_of
from pestvision.tanks.presence import Assumed, Looks, detection_of, presence_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.settings import TankSettings
    from pestvision.tanks.cohorts import History
    from pestvision.tanks.presence import Presence
    from pestvision.tanks.records import Night

OUTLOOK_WEEKS: Final = 52
DAYS_A_WEEK: Final = 7


class State(StrEnum):
    """How clear a tank is, in words."""

    SEEN = "leeches seen"
    TOO_EARLY = "too early"
    NOT_YET = "not yet"
    CLEAR = "probably clear"
    NEVER = "never seen here"
    EMPTY = "left empty: cannot be told"


@dataclass(frozen=True, slots=True)
class Assumption:
    """Something taken for granted.

    Parameters
    ----------
    about
        What it is about, in a word or two.
    says
        What is assumed, with its value.
    """

    about: str
    says: str


@dataclass(frozen=True, slots=True)
class HowClear:
    """How clear a tank is today.

    Parameters
    ----------
    state
        The answer.
    p_clear
        Probability that none is there; None where no number can be given.
    p_left_over, p_brood, p_came_in
        Probability that some of those found before are left, of a hidden brood, and of something that
        came in unseen. None where no number can be given.
    last_sighting
        The evening of the last one, None if none was ever seen.
    earliest
        Before this day it cannot be called clear; None if none was ever seen, or it stands empty.
    n_clean
        Clean looks since the last sighting, or all if there was none.
    detection
        Chance that a usual look finds a given one, None where no number can be given.
    reasons
        Why, in sentences.
    assumptions
        What was taken for granted.
    caution
        To be shown wherever the probability is.
    """

    state: State
    p_clear: float | None
    p_left_over: float | None
    p_brood: float | None
    p_came_in: float | None
    last_sighting: date | None
    earliest: date | None
    n_clean: int
    detection: Detection | None
    reasons: tuple[str, ...]
    assumptions: tuple[Assumption, ...]
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class Plan:
    """How somebody might go on looking.

    Parameters
    ----------
    says
        In words: "twice a week by torch".
    every_days
        Days from look to look.
    effort
        Of each look; 1 is a usual one.
    """

    says: str
    every_days: float
    effort: float = 1.0


USUAL_PLANS: Final = (
    Plan("once a week by torch", 7.0),
    Plan("twice a week by torch", 3.5),
    Plan("every second night by torch", 2.0),
    Plan("every second night by torch, twice as long", 2.0, 2.0),
)


@dataclass(frozen=True, slots=True)
class Course:
    """How the probability would rise if every look of a plan were clean.

    Parameters
    ----------
    plan
        How it is looked.
    days, p_clear
        A day a week, and the probability on it.
    reached
        First day on which the tank would be called probably clear; None if not within the weeks shown.
    says
        The same as a sentence.
    """

    plan: Plan
    days: tuple[date, ...]
    p_clear: tuple[float, ...]
    reached: date | None
    says: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """What further clean looks would make of it.

    Parameters
    ----------
    courses
        One for each plan; none where nothing can be told.
    clear_at
        From this probability on a tank is called probably clear.
    earliest
        No course reaches it before this day.
    shorten
        What would shorten it, and what would not, in sentences.
    caution
        To be shown wherever the probabilities are.
    """

    courses: tuple[Course, ...]
    clear_at: float
    earliest: date | None
    shorten: tuple[str, ...]
    caution: str = CAUTION


def how_clear(
    nights: Sequence[Night],
    *,
    today: date,
    settings: TankSettings,
    additions: Sequence[date] = (),
    emptied_on: date | None = None,
    is_exposed: bool = False,
    exposed_since: date | None = None,
) -> HowClear:
    """Say how clear a tank is.

    Parameters
    ----------
    nights
        All nights of the tank, in any order; those after `today` are not looked at.
    today
        The day it is asked on.
    settings
        What is taken for granted.
    additions
        Days on which animals, plants or wild finds were put in.
    emptied_on
        Since when it stands empty; None where it does not.
    is_exposed, exposed_since
        It touched a tank that has leeches, and since when if that is known.
    """
    past = _past(nights, today)
    last = max((night.day for night in past if night.seen), default=None)
    n_clean = sum(
        night.is_look and not night.seen and (last is None or night.day > last) for night in past
    )
    assumptions = tuple(
        Assumption(*words) for words in assumption_words(settings, is_seen=last is not None)
    )
    if emptied_on is not None:
        since = f"Empty since {day_words(emptied_on)}."
        return HowClear(
            state=State.EMPTY,
            p_clear=None,
            p_left_over=None,
            p_brood=None,
            p_came_in=None,
            last_sighting=last,
            earliest=None,
            n_clean=n_clean,
            detection=None,
            reasons=(since, STARVING, EMPTY_LOOKS),
            assumptions=assumptions,
        )
    exposed = _exposed(past, is_exposed=is_exposed, exposed_since=exposed_since)
    case = _Case(past, today, settings, tuple(additions), exposed, is_exposed)
    presence = case.presence([today])
    p_clear = float(presence.clear[0])
    earliest = None if last is None else last + _wait(settings)
    state = _state(p_clear, today, settings, last=last, earliest=earliest, n_clean=n_clean)
    detection = Detection(*detection_of(case.history, case.assumed))
    return HowClear(
        state=state,
        p_clear=p_clear,
        p_left_over=float(presence.left_over[0]),
        p_brood=float(presence.brood[0]),
        p_came_in=float(presence.came_in[0]),
        last_sighting=last,
        earliest=earliest,
        n_clean=n_clean,
        detection=detection,
        reasons=_reasons(case, state, presence, detection, n_clean),
        assumptions=assumptions,
    )


def outlook(
    nights: Sequence[Night],
    *,
    today: date,
    settings: TankSettings,
    additions: Sequence[date] = (),
    emptied_on: date | None = None,
    is_exposed: bool = False,
    exposed_since: date | None = None,
    plans: Sequence[Plan] = USUAL_PLANS,
    weeks: int = OUTLOOK_WEEKS,
) -> Outlook:
    """Say what clean looks to come would make of it, for several ways to go on.

    The parameters are those of `how_clear`, the ways to go on, and how far ahead to look.
    """
    past = _past(nights, today)
    last = max((night.day for night in past if night.seen), default=None)
    if emptied_on is not None:
        return Outlook((), settings.clear_at, None, (STARVING, EMPTY_LOOKS))
    exposed = _exposed(past, is_exposed=is_exposed, exposed_since=exposed_since)
    case = _Case(past, today, settings, tuple(additions), exposed, is_exposed)
    earliest = None if last is None else last + _wait(settings)
    courses = tuple(_course(case, plan, earliest, weeks) for plan in plans)
    return Outlook(courses, settings.clear_at, earliest, _shorten(courses, earliest, settings))


class _Case:
    """A tank's nights as the sums need them."""

    def __init__(
        self,
        past: list[Night],
        today: date,
        settings: TankSettings,
        additions: tuple[date, ...],
        exposed: date | None,
        is_exposed: bool,
    ) -> None:
        self.past, self.today, self.settings = past, today, settings
        self.additions = tuple(day for day in additions if day <= today)
        self.exposed = exposed
        self.last = max((night.day for night in past if night.seen), default=None)
        self.history = _history(past, today)
        self.is_brooding = self.last is not None and any(
            night.brooding and night.day >= self.last - _wait(settings) for night in past
        )
        events = [(day.toordinal(), settings.introduced_by_addition) for day in self.additions]
        if exposed is not None:
            events.append((exposed.toordinal(), settings.there_exposed))
        at_first = settings.there_exposed if is_exposed else settings.there_unseen
        brood = settings.hidden_brood_seen if self.is_brooding else settings.hidden_brood
        self.assumed = Assumed(
            arrivals=Arrivals(
                at_first, settings.introduced_a_week, tuple(events), hatched=settings.hidden_brood
            ),
            hidden_brood=brood,
            hidden_in_new=settings.hidden_brood,
            hidden_days=math.ceil(settings.hidden_weeks * DAYS_A_WEEK),
            gone=settings.gone_untaken,
        )

    def presence(self, days: Sequence[date], looks: Looks | None = None) -> Presence:
        """Weigh what may be there on some days."""
        ordinals = [day.toordinal() for day in days]
        return presence_at(ordinals, self.history, self.assumed, looks=looks)


def _past(nights: Sequence[Night], today: date) -> list[Night]:
    return sorted((night for night in nights if night.day <= today), key=lambda night: night.day)


def _history(past: list[Night], today: date) -> History:
    if not past:
        return history_of([today.toordinal()], [0.0], [0], [0])
    return history_of(
        [night.day.toordinal() for night in past],
        [night.effort if night.is_look else 0.0 for night in past],
        [night.seen for night in past],
        [night.taken for night in past],
    )


def _exposed(past: list[Night], *, is_exposed: bool, exposed_since: date | None) -> date | None:
    """Give the day from which looks can tell of an exposure: the last sighting where it is not known."""
    if exposed_since is not None or not is_exposed:
        return exposed_since
    return max((night.day for night in past if night.seen), default=None)


def _wait(settings: TankSettings) -> timedelta:
    return timedelta(days=math.ceil(settings.brooding_weeks * DAYS_A_WEEK))


def _state(
    p_clear: float,
    today: date,
    settings: TankSettings,
    *,
    last: date | None,
    earliest: date | None,
    n_clean: int,
) -> State:
    if last is None or earliest is None:
        return State.NEVER
    if n_clean == 0:
        return State.SEEN
    if today < earliest:
        return State.TOO_EARLY
    return State.CLEAR if p_clear >= settings.clear_at else State.NOT_YET


def _reasons(
    case: _Case, state: State, presence: Presence, detection: Detection, n_clean: int
) -> tuple[str, ...]:
    settings, last = case.settings, case.last
    is_seen = last is not None
    reasons = []
    if last is not None and state is State.SEEN:
        reasons.append(seen_sentence(last, sum(n.seen for n in case.past if n.day == last)))
    if last is not None and case.today < last + _wait(settings):
        reasons.append(wait_sentence(last, last + _wait(settings), settings.brooding_weeks))
    reasons.append(
        probability_sentence(
            float(presence.clear[0]), settings.clear_at, n_clean=n_clean, last=last
        )
    )
    reasons.append(doubt_sentence(presence, is_seen=is_seen))
    reasons.append(detection_sentence(detection, is_seen=is_seen))
    reasons.extend(_remarks(case))
    return tuple(reasons)


def _remarks(case: _Case) -> list[str]:
    """Say what about this tank changes the reckoning."""
    settings, remarks = case.settings, []
    if case.is_brooding:
        remarks.append(
            "One that carried eggs or young was seen: a hidden brood is held to be more likely."
        )
    if case.history.kept:
        remarks.append(
            f"{case.history.kept} seen and never taken out: held to be there still, unless clean looks "
            "make it likelier that it died."
        )
    untimed = sum(night.is_look and not night.is_timed for night in case.past)
    if untimed:
        remarks.append(
            f"Looks that nobody timed: {untimed}. Each counts as one of {settings.usual_minutes:g} minutes."
        )
    added = sum(case.last is None or day > case.last for day in case.additions)
    if added:
        remarks.append(f"Put in since then: {added} times. Each may have brought something along.")
    if case.exposed is not None:
        remarks.append(
            f"It touched a tank that has them; counted from {day_words(case.exposed)} on."
        )
    return remarks


def _course(case: _Case, plan: Plan, earliest: date | None, weeks: int) -> Course:
    today = case.today
    n_looks = math.floor(weeks * DAYS_A_WEEK / plan.every_days)
    planned = [
        today + timedelta(days=round(k * plan.every_days + 1e-9)) for k in range(1, n_looks + 1)
    ]
    looks = Looks(tuple(day.toordinal() for day in planned), plan.effort)
    days = [today + timedelta(weeks=week) for week in range(weeks + 1)]
    p_clear = case.presence(days, looks).clear
    reached = _first_reached(case, looks, days, p_clear >= case.settings.clear_at, earliest)
    at = percent(case.settings.clear_at)
    if reached is None:
        says = f"Looking {plan.says}: not within {weeks} weeks."
    elif reached == today:
        says = f"{plan.says.capitalize()}: {at} is reached today."
    else:
        says = f"Looking {plan.says}: {at} by {day_words(reached)}, if every look is clean."
    return Course(plan, tuple(days), tuple(float(p) for p in p_clear), reached, says)


def _first_reached(
    case: _Case,
    looks: Looks,
    days: list[date],
    is_enough: np.ndarray[tuple[int], np.dtype[np.bool_]],
    earliest: date | None,
) -> date | None:
    """Give the first day, of a look or of the wait's end, with a probability high enough."""
    is_late = np.array([earliest is None or day >= earliest for day in days])
    hits = np.flatnonzero(is_enough & is_late)
    if hits.size == 0:
        return None
    if hits[0] == 0:
        return days[0]
    start, end = days[hits[0] - 1], days[hits[0]]
    between = {date.fromordinal(day) for day in looks.days} | {end}
    between |= {earliest} if earliest is not None else set()
    tried = sorted(
        day for day in between if start < day <= end and (earliest is None or day >= earliest)
    )
    enough = case.presence(tried, looks).clear >= case.settings.clear_at
    return tried[int(np.argmax(enough))] if enough.any() else end


def _shorten(
    courses: tuple[Course, ...], earliest: date | None, settings: TankSettings
) -> tuple[str, ...]:
    """Say what would shorten it and what would not."""
    says = []
    dates = [course.reached for course in courses if course.reached is not None]
    if dates and len(dates) == len(courses) and len(set(dates)) == 1:
        says.append("More looks would not bring the day nearer.")
    elif dates:
        best = min(courses, key=lambda course: course.reached or date.max)
        says.append(f"The soonest of these is looking {best.plan.says}.")
    if courses and len(dates) < len(courses):
        says.append("Longer looks and more of them shorten it.")
    says.append(MEAN_NOTHING_MORE)
    if earliest is not None:
        says.append(
            f"Nothing shortens the {settings.brooding_weeks:g} weeks from the last sighting to "
            f"{day_words(earliest)}."
        )
    says.append(IF_CLEAN)
    return tuple(says)
