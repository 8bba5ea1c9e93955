"""What touched what: which tanks are exposed and since when, how leeches may have come in, what to check first.

Everything here is a way that leeches *could* have gone along what the log holds. It is no finding: an exposed tank is
one to look at. What the log does not hold (a wet hand, a net nobody noted) is not seen here either.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from pestvision.tanks.contact_graph import (
    RISK_OF,
    RISKS,
    Contact,
    History,
    Risk,
    day_words,
    history_of,
)
from pestvision.tanks.contact_spread import WINDOW_DAYS, spread
from pestvision.tanks.contact_ways import Origin, Way, WaysIn, givers_before, ways_in

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date, datetime

    from pestvision.tanks.records import Note

__all__ = [
    "RISK_OF",
    "WINDOW_DAYS",
    "Contact",
    "Exposure",
    "Origin",
    "Reason",
    "Risk",
    "TankState",
    "Way",
    "WaysIn",
    "check_first",
    "contacts_of",
    "day_words",
    "exposures",
    "look_back_words",
    "states_of",
    "tank_states",
    "ways_in",
]

ONLY_THE_TOOL: Final = "Only the tool's reading of photos says so: look at the animal yourself."


@dataclass(frozen=True, slots=True)
class Exposure:
    """A tank that leeches could have reached from a tank they were seen in.

    Parameters
    ----------
    tank
        The exposed tank.
    since
        When the first such contact came in.
    path
        The contacts of the earliest way, in time order, from the tank with leeches to this one.
    risk
        The highest risk at which any way leads here; a way is as much to be feared as the least of its contacts.
    riskiest
        The earliest way of that risk.
    source_seen
        When leeches were first seen in the tank that `path` begins in.
    is_confirmed
        The keeper saw or took out a leech there; False where only the tool's reading of photos says so.
    until
        When it ended, because the tank was emptied or called clear; None while it lasts.
    seen
        When leeches were first seen in this tank itself, None where they were not.
    """

    tank: str
    since: datetime
    path: tuple[Contact, ...]
    risk: Risk
    riskiest: tuple[Contact, ...]
    source_seen: datetime
    is_confirmed: bool = True
    until: datetime | None = None
    seen: datetime | None = None

    @property
    def source(self) -> str:
        """The tank with leeches that the earliest way begins in."""
        return self.path[0].out_of

    def sentence(self) -> str:
        """Say in words since when and by which way."""
        steps = "; ".join(
            f"{contact.cargo} from {contact.out_of} into {contact.into} on {day_words(contact.at)}"
            for contact in self.path
        )
        before = ""
        if self.path[0].at < self.source_seen:
            before = ", after this; they may have been there unseen"
        end = "" if self.is_confirmed else f" {ONLY_THE_TOOL}"
        if self.until is not None:
            end += f" The exposure ended on {day_words(self.until)}."
        return (
            f"{self.tank} has been exposed since {day_words(self.since)}: {steps}. Leeches were first seen in "
            f"{self.source} on {day_words(self.source_seen)}{before}.{end}"
        )


class Reason(StrEnum):
    """Why a tank is to be looked at, the most pressing first."""

    EXPOSED = "exposed"
    MAY_BE_SOURCE = "may be where they came from"
    SEEN = "seen"
    QUIET = "no contact known"


@dataclass(frozen=True, slots=True)
class TankState:
    """How a tank stands towards the leeches that were seen anywhere.

    Parameters
    ----------
    tank
        The tank.
    reason
        Whether it was seen in, exposed, may be a source, or nothing links it.
    why
        A sentence on it.
    since
        Seen or exposed since; of a possible source, when it gave something; of a quiet tank None.
    last_looked
        The last look for leeches in it, None where there is none.
    days_unlooked
        Days from that look to today, None where there is none.
    is_looked_since
        A look came after `since`.
    risk
        Of an exposed tank or a possible source.
    exposure
        Of an exposed tank, and of a seen one that was exposed before.
    gave
        Of a possible source: what it gave to a tank before leeches were seen there.
    emptied
        When it was last emptied.
    is_confirmed
        Of a tank with leeches: the keeper saw one, not only the tool in photos.
    """

    tank: str
    reason: Reason
    why: str
    since: datetime | None
    last_looked: datetime | None
    days_unlooked: int | None
    is_looked_since: bool
    risk: Risk | None = None
    exposure: Exposure | None = None
    gave: Contact | None = None
    emptied: datetime | None = None
    is_confirmed: bool = True


def contacts_of(notes: Iterable[Note], *, tanks: Iterable[str] = ()) -> tuple[Contact, ...]:
    """Give everything that went from one tank into another, in time order.

    Moves are; additions and restockings are where their source names a tank of the log. Tools and water that were
    carried from tank to tank are moves too. `tanks` names further tanks, of which there may be no note.
    """
    return history_of(notes, tanks=tanks).contacts


def exposures(
    notes: Iterable[Note],
    *,
    window_days: float = WINDOW_DAYS,
    cleared: Mapping[str, datetime] | None = None,
) -> tuple[Exposure, ...]:
    """Give the tanks that leeches could have reached from those they were seen in.

    Parameters
    ----------
    notes
        Of all tanks, in any order.
    window_days
        How long leeches may have been in a tank before they were first seen there, in days.
    cleared
        By tank: from when on it counts as clear, if something else says so; see `history_of`.

    Returns
    -------
    tuple of Exposure
        Those that last first; then by risk, the earliest first. A tank in which leeches were seen is among
        them only where something reached it before its own look-back.

    Raises
    ------
    LogError
        If the look-back makes no sense.
    """
    return _exposures(history_of(notes, cleared=cleared), window_days)


def tank_states(
    notes: Iterable[Note],
    *,
    today: date,
    tanks: Iterable[str] = (),
    window_days: float = WINDOW_DAYS,
    cleared: Mapping[str, datetime] | None = None,
) -> tuple[TankState, ...]:
    """Say of every tank how it stands, those to be looked at first in front.

    Parameters
    ----------
    notes
        Of all tanks, in any order. Those after `today` are left out.
    today
        The day, as the keeper's calendar says.
    tanks
        Further tanks, of which there may be no note.
    window_days, cleared
        As of `exposures`.

    Raises
    ------
    LogError
        If the look-back makes no sense.
    """
    known = (note for note in notes if note.at.date() <= today)
    history = history_of(known, tanks=tanks, cleared=cleared)
    return states_of(history, today=today, window_days=window_days)


def states_of(history: History, *, today: date, window_days: float) -> tuple[TankState, ...]:
    """Say of every tank of a history how it stands; see `tank_states`."""
    exposed = {
        exposure.tank: exposure
        for exposure in _exposures(history, window_days)
        if exposure.until is None
    }
    gave = givers_before(history, window_days=window_days)
    states = []
    for tank in history.tanks:
        if history.present(tank) in history.first_seen:
            states.append(_seen_state(history, tank, exposed.get(tank), today))
        elif tank in exposed:
            states.append(_exposed_state(history, exposed[tank], today))
        elif tank in gave:
            states.append(_source_state(history, gave[tank], today))
        else:
            states.append(_state(history, tank, Reason.QUIET, _quiet_words(history, tank), today))
    return tuple(sorted(states, key=_most_pressing))


def check_first(
    notes: Iterable[Note],
    *,
    today: date,
    tanks: Iterable[str] = (),
    window_days: float = WINDOW_DAYS,
    cleared: Mapping[str, datetime] | None = None,
) -> tuple[TankState, ...]:
    """Say which tanks to look at tonight, in which order, and why.

    Exposed tanks come first: those that were not looked at since, the most to be feared in front; then those longest
    not looked at. Tanks that gave something to a tank before leeches were seen there follow. Tanks with leeches come
    last: that they need looking at is known. Tanks that nothing links are left out.
    """
    states = tank_states(notes, today=today, tanks=tanks, window_days=window_days, cleared=cleared)
    return tuple(state for state in states if state.reason is not Reason.QUIET)


def look_back_words(window_days: float = WINDOW_DAYS) -> str:
    """Say in a sentence what the look-back takes for granted."""
    return (
        f"Where leeches were seen, they are taken to have been there up to {window_days:g} days before: "
        "young hide under a parent, and few are seen at first. No study says how long they stay unseen."
    )


def _exposures(history: History, window_days: float) -> tuple[Exposure, ...]:
    reached = spread(history, window_days=window_days)
    by_risk = {
        risk: spread(history, window_days=window_days, at_least=risk) for risk in RISKS[:-1]
    } | {RISKS[-1]: reached}
    found = []
    for key in reached.by:
        path = reached.path(key)
        until = history.life_until(key)
        if until is not None and until <= path[-1].at:
            continue  # it came in at the very second of the emptying
        source = history.out_from(path[0])
        risk = next(risk for risk in RISKS if key in by_risk[risk].by)
        found.append(
            Exposure(
                tank=key[0],
                since=path[-1].at,
                path=path,
                risk=risk,
                riskiest=by_risk[risk].path(key),
                source_seen=history.first_seen[source],
                is_confirmed=source in history.confirmed,
                until=until,
                seen=history.first_seen.get(key),
            )
        )
    found.sort(key=lambda one: (one.until is not None, RISKS.index(one.risk), one.since, one.tank))
    return tuple(found)


def _state(
    history: History,
    tank: str,
    reason: Reason,
    why: str,
    today: date,
    *,
    since: datetime | None = None,
    risk: Risk | None = None,
    exposure: Exposure | None = None,
    gave: Contact | None = None,
) -> TankState:
    looked = history.last_looked.get(tank)
    life = history.present(tank)
    return TankState(
        tank=tank,
        reason=reason,
        why=why,
        since=since,
        last_looked=looked,
        days_unlooked=None if looked is None else (today - looked.date()).days,
        is_looked_since=looked is not None and since is not None and looked > since,
        risk=risk,
        exposure=exposure,
        gave=gave,
        emptied=history.emptied.get(tank),
        is_confirmed=life not in history.first_seen or life in history.confirmed,
    )


def _seen_state(history: History, tank: str, exposure: Exposure | None, today: date) -> TankState:
    key = history.present(tank)
    first, last = history.first_seen[key], history.last_seen[key]
    why = f"Leeches were first seen in {tank} on {day_words(first)}"
    why += "." if first == last else f", and last on {day_words(last)}."
    if key not in history.confirmed:
        why += f" {ONLY_THE_TOOL}"
    return _state(history, tank, Reason.SEEN, why, today, since=first, exposure=exposure)


def _exposed_state(history: History, exposure: Exposure, today: date) -> TankState:
    looked = history.last_looked.get(exposure.tank)
    told = (
        "Nobody looked for leeches in it since"
        if looked is None or looked <= exposure.since
        else f"It was last looked at on {day_words(looked)}"
    )
    return _state(
        history,
        exposure.tank,
        Reason.EXPOSED,
        f"{exposure.sentence()} {told}.",
        today,
        since=exposure.since,
        risk=exposure.risk,
        exposure=exposure,
    )


def _source_state(history: History, contact: Contact, today: date) -> TankState:
    why = (
        f"{contact.cargo.capitalize()} went from {contact.out_of} into {contact.into} on "
        f"{day_words(contact.at)}, before leeches were seen there: they may have come from {contact.out_of}."
    )
    return _state(
        history,
        contact.out_of,
        Reason.MAY_BE_SOURCE,
        why,
        today,
        since=contact.at,
        risk=contact.risk,
        gave=contact,
    )


def _quiet_words(history: History, tank: str) -> str:
    words = f"Nothing in the log links {tank} to a tank with leeches."
    _, life = history.present(tank)
    began = history.life_from((tank, life))
    if began is not None and began != history.emptied.get(tank):
        words += f" It counts as clear since {day_words(began)}."
    elif began is not None:
        words += (
            f" It was emptied on {day_words(began)}; what came into it before counts no "
            "longer, which is no promise that it is clear."
        )
    return words


def _most_pressing(state: TankState) -> tuple[int, bool, int, float, str]:
    """Order by reason; not looked at since; risk; longest not looked at since it counts."""
    risk = 0 if state.risk is None or state.is_looked_since else RISKS.index(state.risk)
    unlooked = state.last_looked if state.is_looked_since else state.since
    second = unlooked.timestamp() if unlooked else 0.0
    return tuple(Reason).index(state.reason), state.is_looked_since, risk, second, state.tank
