"""The likely ways in which leeches came into a tank, from what the log holds.

The order is a judgement by cargo and by where it came from, no probability: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from pestvision.tanks.contact_graph import RISK_OF, RISKS, Contact, day_words, history_of, second_of
from pestvision.tanks.contact_spread import WINDOW_DAYS, spread
from pestvision.tanks.records import Cargo

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime

    from pestvision.tanks.contact_graph import History, LifeKey
    from pestvision.tanks.contact_spread import Spread
    from pestvision.tanks.records import Note


class Origin(StrEnum):
    """Where something came from, as far as leeches go."""

    SEEN_TANK = "a tank with leeches"
    EXPOSED_TANK = "an exposed tank"
    OUTSIDE = "outside"
    QUIET_TANK = "a tank in which none were seen"
    BEFORE_EMPTYING = "before it was emptied"


STEPS_DOWN: Final[dict[Origin, int]] = {
    Origin.SEEN_TANK: 0,
    Origin.EXPOSED_TANK: 1,
    Origin.OUTSIDE: 1,
    Origin.BEFORE_EMPTYING: 1,
    Origin.QUIET_TANK: 2,
}
"""How many places an origin moves a way down, beside the cargo's risk. Wild finds are not moved down."""

LONG_AGO_DOWN: Final = 3  # below everything of the same kind within the look-back


@dataclass(frozen=True, slots=True)
class Way:
    """One way in which leeches may have come into a tank.

    Parameters
    ----------
    origin
        Where from, as far as leeches go.
    at
        The last time before the first sighting.
    sentence
        What the log says of it.
    cargo
        What came; None of what was there before the tank was emptied.
    out_of
        The tank it came from, None where it came from outside.
    times
        How often, up to the first sighting.
    is_long_ago
        All of it lies before the look-back.
    """

    origin: Origin
    at: datetime
    sentence: str
    cargo: Cargo | None = None
    out_of: str | None = None
    times: int = 1
    is_long_ago: bool = False

    @property
    def place(self) -> int:
        """How far down it stands; 0 is the likeliest."""
        risk = 0 if self.cargo is None else RISKS.index(RISK_OF[self.cargo])
        origin = 0 if self.cargo is Cargo.WILD else STEPS_DOWN[self.origin]
        return risk + origin + LONG_AGO_DOWN * self.is_long_ago


@dataclass(frozen=True, slots=True)
class WaysIn:
    """The ways in which leeches may have come into a tank, the likeliest first.

    Parameters
    ----------
    tank
        The tank.
    first_seen
        The first sighting since it was last emptied before one, None where none was noted.
    ways
        Empty where nothing in the log explains it, or no leech was seen.
    sentence
        What there is to say of them all.
    """

    tank: str
    first_seen: datetime | None
    ways: tuple[Way, ...]
    sentence: str


def ways_in(
    notes: Iterable[Note],
    tank: str,
    *,
    tanks: Iterable[str] = (),
    window_days: float = WINDOW_DAYS,
) -> WaysIn:
    """Give the likely ways in which leeches came into a tank.

    What came within the look-back before the first sighting counts: from outside, and from other tanks, with leeches
    or without. What came before that counts only if it came from a tank with leeches or an exposed one.

    Parameters
    ----------
    notes
        Of all tanks, in any order.
    tank
        The tank's name, whatever the case of its letters.
    tanks
        Further tanks, of which there may be no note.
    window_days
        The look-back, in days.

    Raises
    ------
    LogError
        If the look-back makes no sense.
    """
    history = history_of(notes, tanks=tanks)
    name = next((known for known in history.tanks if known.casefold() == tank.casefold()), tank)
    lives = sorted(key for key in history.first_seen if key[0] == name)
    if not lives:
        return WaysIn(name, None, (), f"No leech was noted in {name}.")
    return ways_into(history, lives[-1], window_days=window_days)


def ways_into(history: History, key: LifeKey, *, window_days: float) -> WaysIn:
    """Give the ways into one life of a tank in which leeches were seen; see `ways_in`."""
    first = history.first_seen[key]
    reached = spread(history, window_days=window_days, without=key)
    since = first - timedelta(days=window_days)
    ways = [
        *_left_over(history, key, reached),
        *_from_tanks(history, key, reached, since=since),
        *_from_outside(history, key, since=since),
    ]
    origins = tuple(Origin)
    ways.sort(
        key=lambda way: (way.place, origins.index(way.origin), -way.at.timestamp(), way.sentence)
    )
    day = day_words(first)
    if not ways:
        sentence = (
            f"Nothing in the log explains how leeches came into {key[0]}: nothing is noted as added or moved "
            f"into it in the {window_days:g} days before they were first seen on {day}."
        )
    else:
        sentence = (
            f"Leeches were first seen in {key[0]} on {day}. What came into it in the {window_days:g} days before, "
            "the likeliest way first; the order is common practice, no source."
        )
    return WaysIn(key[0], first, tuple(ways), sentence)


def givers_before(history: History, *, window_days: float) -> dict[str, Contact]:
    """Give the tanks that gave something to a tank in the look-back before leeches were seen there.

    Only what a tank's present life gave to the present life of a tank with leeches. Of several gifts the most to be
    feared stands, the last of them.
    """
    gave: dict[str, Contact] = {}
    for contact in history.contacts:
        key = history.present(contact.into)
        first = history.first_seen.get(key)
        if first is None or key not in history.into_lives(contact):
            continue
        since = second_of(first - timedelta(days=window_days))
        if not since <= contact.second <= second_of(first):
            continue
        if history.out_from(contact) != history.present(contact.out_of):
            continue
        before = gave.get(contact.out_of)
        if before is None or RISKS.index(contact.risk) <= RISKS.index(before.risk):
            gave[contact.out_of] = contact
    return gave


def _left_over(history: History, key: LifeKey, reached: Spread) -> Iterator[Way]:
    """Give what may have outlived the emptying that this life began with, if anything."""
    tank, life = key
    began = history.life_from(key)
    before = (tank, life - 1)
    if began is None or not (before in history.first_seen or before in reached.by):
        return
    had = "leeches had been seen in it" if before in history.first_seen else "it had been exposed"
    yield Way(
        Origin.BEFORE_EMPTYING,
        began,
        f"{tank} was emptied on {day_words(began)}, and {had} before: something may have outlived that.",
    )


def _from_tanks(
    history: History, key: LifeKey, reached: Spread, *, since: datetime
) -> Iterator[Way]:
    first = history.first_seen[key]
    groups: dict[tuple[Origin, str, Cargo, bool], list[Contact]] = {}
    for contact in history.contacts:
        if contact.second > second_of(first) or key not in history.into_lives(contact):
            continue
        origin = _origin(history, contact, reached)
        is_long_ago = contact.second < second_of(since)
        if is_long_ago and origin is Origin.QUIET_TANK:
            continue
        group = (origin, contact.out_of, contact.cargo, is_long_ago)
        groups.setdefault(group, []).append(contact)
    for (origin, out_of, cargo, is_long_ago), found in groups.items():
        last = found[-1]
        told = _origin_words(history, last, origin, reached)
        sentence = f"{_came(cargo, len(found), last.at, f'from {out_of}')}; {told}."
        yield Way(origin, last.at, sentence, cargo, out_of, len(found), is_long_ago)


def _from_outside(history: History, key: LifeKey, *, since: datetime) -> Iterator[Way]:
    tank, _ = key
    until = second_of(history.first_seen[key])
    began = history.life_from(key)
    least = max(second_of(since), 0 if began is None else second_of(began))
    groups: dict[tuple[Cargo, str], list[Note]] = {}
    for note in history.additions:
        if note.tank.casefold() == tank.casefold() and least <= second_of(note.at) <= until:
            group = (note.cargo or Cargo.ANIMALS, (note.source or "").strip())
            groups.setdefault(group, []).append(note)
    for (cargo, source), found in groups.items():
        told = f"from outside: {source}" if source else "from where, is not noted"
        sentence = f"{_came(cargo, len(found), found[-1].at, told)}."
        yield Way(Origin.OUTSIDE, found[-1].at, sentence, cargo, None, len(found))


def _came(cargo: Cargo, times: int, last: datetime, where: str) -> str:
    often = f"on {day_words(last)}" if times == 1 else f"{times} times, last on {day_words(last)}"
    return f"{cargo.capitalize()} came in {often}, {where}"


def _origin(history: History, contact: Contact, reached: Spread) -> Origin:
    out_of = history.out_from(contact)
    if reached.had_from.get(out_of, float("inf")) <= contact.second:
        return Origin.SEEN_TANK
    return Origin.EXPOSED_TANK if reached.is_carrying(out_of, contact.second) else Origin.QUIET_TANK


def _origin_words(history: History, contact: Contact, origin: Origin, reached: Spread) -> str:
    out_of = history.out_from(contact)
    if origin is Origin.SEEN_TANK:
        first = history.first_seen[out_of]
        return f"leeches were first seen there on {day_words(first)}"
    if origin is Origin.EXPOSED_TANK:
        path = reached.path(out_of)
        return f"that tank has been exposed since {day_words(path[-1].at)}, from {path[0].out_of}"
    return "no leech was noted there until then, so look there too"
