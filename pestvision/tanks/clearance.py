"""When is a tank clear: how probable it is that none is left, and what further clean looks would make of it.

No tank is called probably clear before a brooding period has passed since the last sighting, and every
answer carries what was taken for granted. `cohorts` and `presence` hold the arithmetic, `clear_outlook` what
is to come.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from pestvision.tanks.catchability import Detection
from pestvision.tanks.clear_case import case_of
from pestvision.tanks.clear_outlook import USUAL_PLANS, Course, Outlook, Plan, outlook
from pestvision.tanks.clearance_words import (
    BROODING_SEEN,
    CAUTION,
    EMPTY_LOOKS,
    STARVING,
    added_sentence,
    assumption_words,
    day_words,
    detection_sentence,
    doubt_sentence,
    exposed_sentence,
    kept_sentence,
    probability_sentence,
    seen_sentence,
    untimed_sentence,
    wait_sentence,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from pestvision.settings import TankSettings
    from pestvision.tanks.clear_case import Case
    from pestvision.tanks.presence import Presence
    from pestvision.tanks.records import Night

__all__ = [
    "USUAL_PLANS",
    "Assumption",
    "Course",
    "HowClear",
    "Outlook",
    "Plan",
    "State",
    "how_clear",
    "outlook",
]


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
    last_sighting
        The evening of the last one, None if none was ever seen.
    n_clean
        Clean looks since the last sighting, or all if there was none.
    reasons
        Why, in sentences.
    assumptions
        What was taken for granted.
    p_clear
        Probability that none is there; None where no number can be given.
    p_left_over, p_brood, p_came_in
        Probability that some of those found before are left, of a hidden brood, and of something that came
        in unseen; None where no number can be given.
    earliest
        Before this day it cannot be called clear; None if none was ever seen, or it stands empty.
    detection
        Chance that a usual look finds a given one, None where no number can be given.
    caution
        To be shown wherever the probability is.
    """

    state: State
    last_sighting: date | None
    n_clean: int
    reasons: tuple[str, ...]
    assumptions: tuple[Assumption, ...]
    p_clear: float | None = None
    p_left_over: float | None = None
    p_brood: float | None = None
    p_came_in: float | None = None
    earliest: date | None = None
    detection: Detection | None = None
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
        It touched a tank that has leeches, and on which day if that is known: the last one, if on several.
    """
    case = case_of(
        nights,
        today,
        settings,
        additions=additions,
        is_exposed=is_exposed,
        exposed_since=exposed_since,
    )
    assumptions = tuple(
        Assumption(*words) for words in assumption_words(settings, is_seen=case.last is not None)
    )
    if emptied_on is not None:
        return HowClear(
            state=State.EMPTY,
            last_sighting=case.last,
            n_clean=case.n_clean,
            reasons=(f"Empty since {day_words(emptied_on)}.", STARVING, EMPTY_LOOKS),
            assumptions=assumptions,
        )
    presence = case.presence([today])
    state = _state(case, float(presence.clear[0]))
    detection = Detection(*presence.detection)
    return HowClear(
        state=state,
        last_sighting=case.last,
        n_clean=case.n_clean,
        reasons=_reasons(case, state, presence, detection),
        assumptions=assumptions,
        p_clear=float(presence.clear[0]),
        p_left_over=float(presence.left_over[0]),
        p_brood=float(presence.brood[0]),
        p_came_in=float(presence.came_in[0]),
        earliest=case.earliest,
        detection=detection,
    )


def _state(case: Case, p_clear: float) -> State:
    if case.earliest is None:
        return State.NEVER
    if case.n_clean == 0:
        return State.SEEN
    if case.today < case.earliest:
        return State.TOO_EARLY
    return State.CLEAR if p_clear >= case.settings.clear_at else State.NOT_YET


def _reasons(case: Case, state: State, presence: Presence, detection: Detection) -> tuple[str, ...]:
    """Say why, the answer first."""
    settings, last, earliest = case.settings, case.last, case.earliest
    reasons = []
    if last is not None and state is State.SEEN:
        reasons.append(seen_sentence(last, max(n.seen for n in case.nights if n.day == last)))
    if last is not None and earliest is not None and case.today < earliest:
        reasons.append(wait_sentence(last, earliest, settings.brooding_weeks))
    p_clear = float(presence.clear[0])
    reasons.append(
        probability_sentence(p_clear, settings.clear_at, n_clean=case.n_clean, last=last)
    )
    if state is not State.SEEN:  # right after a find the doubt is no doubt
        reasons.append(doubt_sentence(presence, is_seen=last is not None))
    reasons.append(detection_sentence(detection, is_seen=last is not None))
    if case.is_brooding:
        reasons.append(BROODING_SEEN)
    if case.history.kept:
        reasons.append(kept_sentence(case.history.kept))
    untimed = sum(night.is_look and not night.is_timed for night in case.nights)
    if untimed:
        reasons.append(untimed_sentence(untimed, settings.usual_minutes))
    added = sum(last is None or day >= last for day in case.additions)
    if added:
        reasons.append(added_sentence(added))
    if case.exposed is not None:
        reasons.append(exposed_sentence(case.exposed))
    return tuple(reasons)
