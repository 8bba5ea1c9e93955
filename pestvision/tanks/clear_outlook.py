"""What clean looks to come would make of a tank, for several ways to go on looking."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.tanks.clear_case import DAYS_A_WEEK, case_of
from pestvision.tanks.clearance_words import (
    CAUTION,
    EMPTY_LOOKS,
    STARVING,
    course_sentence,
    shorten_sentences,
)
from pestvision.tanks.presence import Looks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import Bool
    from pestvision.settings import TankSettings
    from pestvision.tanks.clear_case import Case
    from pestvision.tanks.records import Night

OUTLOOK_WEEKS: Final = 52


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
    if emptied_on is not None:
        return Outlook((), settings.clear_at, None, (STARVING, EMPTY_LOOKS))
    case = case_of(
        nights,
        today,
        settings,
        additions=additions,
        is_exposed=is_exposed,
        exposed_since=exposed_since,
    )
    courses = tuple(_course(case, plan, weeks) for plan in plans)
    shorten = shorten_sentences(
        {course.plan.says: course.reached for course in courses},
        case.earliest,
        brooding_weeks=settings.brooding_weeks,
    )
    return Outlook(courses, settings.clear_at, case.earliest, shorten)


def _course(case: Case, plan: Plan, weeks: int) -> Course:
    n_looks = math.floor(weeks * DAYS_A_WEEK / plan.every_days)
    planned = [
        case.today.toordinal() + math.floor(k * plan.every_days + 0.5)
        for k in range(1, n_looks + 1)
    ]
    looks = Looks(tuple(planned), plan.effort)
    days = tuple(case.today + timedelta(weeks=week) for week in range(weeks + 1))
    p_clear = case.presence(days, looks).clear
    reached = _first_reached(case, looks, days, p_clear >= case.settings.clear_at)
    says = course_sentence(
        plan.says, reached, today=case.today, clear_at=case.settings.clear_at, weeks=weeks
    )
    return Course(plan, days, tuple(float(p) for p in p_clear), reached, says)


def _first_reached(
    case: Case, looks: Looks, days: tuple[date, ...], is_enough: Bool
) -> date | None:
    """Give the first day, of a look or of the wait's end, with a probability high enough."""
    earliest = case.earliest or date.min
    hits = np.flatnonzero(is_enough & np.array([day >= earliest for day in days]))
    if hits.size == 0:
        return None
    if hits[0] == 0:
        return days[0]
    start, end = days[hits[0] - 1], days[hits[0]]
    between = {date.fromordinal(day) for day in looks.days} | {earliest, end}
    tried = sorted(day for day in between if start < day <= end and day >= earliest)
    enough = case.presence(tried, looks).clear >= case.settings.clear_at
    return tried[int(np.argmax(enough))] if enough.any() else end
