"""Which tank gave what to which, and when leeches were seen where: the notes put in order.

Time is counted in whole seconds, and nothing goes back in time. Two moves of the same second are taken in both
orders: what came in may have gone out again in that second. That is the cautious reading.

**Lives.** A tank's time is cut where it was emptied. What came into it before counts no longer after: neither a
sighting nor an exposure of one life says anything of the next. What was carried out before, with tools or water or
whatever else, still counts where it went. What is noted out of a tank at the very second of the emptying came from
before it, and so did what was seen; what is noted into it is taken for both. An emptied tank is not thereby clear:
`ways_in` names what may have outlived it.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from pestvision.tanks.records import Cargo, Judge, Kind, Pest

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date, datetime

    from pestvision.tanks.records import Note

MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class Risk(StrEnum):
    """How much what was carried is to be feared. Common practice, no source."""

    HIGH = "high"
    MIDDLE = "middle"
    LOW = "low"


RISKS: Final[tuple[Risk, ...]] = tuple(Risk)
"""From the most to the least to be feared."""

RISK_OF: Final[dict[Cargo, Risk]] = {
    Cargo.WILD: Risk.HIGH,
    Cargo.ANIMALS: Risk.HIGH,
    Cargo.PLANTS: Risk.HIGH,
    Cargo.STONES: Risk.MIDDLE,
    Cargo.WATER: Risk.MIDDLE,
    Cargo.FOOD: Risk.MIDDLE,  # live food carries along what lives in its water
    Cargo.TOOLS: Risk.LOW,
}
"""Wild finds, animals and plants before stones, water and food, those before tools: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Contact:
    """Something went out of one tank into another.

    Parameters
    ----------
    out_of, into
        The tanks' names.
    at
        When.
    cargo
        What kind of thing.
    note
        The number of the note that says so.
    """

    out_of: str
    into: str
    at: datetime
    cargo: Cargo
    note: int

    @property
    def second(self) -> int:
        """Whole seconds since 1970 in UTC."""
        return second_of(self.at)

    @property
    def risk(self) -> Risk:
        """How much it is to be feared."""
        return RISK_OF[self.cargo]


LifeKey = tuple[str, int]
"""A tank's name, and which of its lives: 0 before it was first emptied."""


@dataclass(frozen=True, slots=True)
class History:
    """What the notes say of contacts, put in order.

    Parameters
    ----------
    tanks
        Every tank there is, sorted.
    contacts
        In time order.
    additions
        Notes of what came in from outside, in time order: additions and restockings that name no known tank.
    ends
        By tank: the times at which one of its lives ended, in order.
    first_seen, last_seen
        By life: the first and the last sighting of a leech.
    confirmed
        The lives in which the keeper saw or took out a leech; of the others only the tool's reading of photos says so.
    last_looked
        By tank: the last look for leeches, with or without a find.
    emptied
        By tank: when it was last emptied.
    """

    tanks: tuple[str, ...]
    contacts: tuple[Contact, ...]
    additions: tuple[Note, ...]
    ends: Mapping[str, tuple[datetime, ...]]
    first_seen: Mapping[LifeKey, datetime]
    last_seen: Mapping[LifeKey, datetime]
    confirmed: frozenset[LifeKey]
    last_looked: Mapping[str, datetime]
    emptied: Mapping[str, datetime]

    def present(self, tank: str) -> LifeKey:
        """Give the life that a tank is in after the last note."""
        return tank, len(self.ends.get(tank, ()))

    def life_from(self, key: LifeKey) -> datetime | None:
        """Give when a life began, None where no emptying came before it."""
        tank, life = key
        return self.ends[tank][life - 1] if life else None

    def life_until(self, key: LifeKey) -> datetime | None:
        """Give when a life ended, None where it lasts."""
        tank, life = key
        ends = self.ends.get(tank, ())
        return ends[life] if life < len(ends) else None

    def out_from(self, contact: Contact) -> LifeKey:
        """Give the life out of which something came: at the second of an emptying, the one before it."""
        seconds = [second_of(end) for end in self.ends.get(contact.out_of, ())]
        return contact.out_of, bisect_left(seconds, contact.second)

    def into_lives(self, contact: Contact) -> tuple[LifeKey, ...]:
        """Give the lives into which something came: at the second of an emptying, both."""
        seconds = [second_of(end) for end in self.ends.get(contact.into, ())]
        first, last = (
            bisect_left(seconds, contact.second),
            bisect_right(seconds, contact.second),
        )
        return tuple((contact.into, life) for life in range(first, last + 1))


def second_of(at: datetime) -> int:
    """Give the whole seconds since 1970 in UTC."""
    return int(at.timestamp() // 1)


def day_words(at: date) -> str:
    """Give a day as `3 Mar 2026`, whatever the computer's language."""
    return f"{at.day} {MONTHS[at.month - 1]} {at.year}"


def history_of(
    notes: Iterable[Note],
    *,
    tanks: Iterable[str] = (),
    cleared: Mapping[str, datetime] | None = None,
) -> History:
    """Put in order what the notes say of contacts, sightings and emptyings.

    Parameters
    ----------
    notes
        Of all tanks, in any order.
    tanks
        Further tanks, of which there may be no note.
    cleared
        By tank: from when on it counts as clear, if something else says so. What came into it before counts
        no longer, as if it had been emptied, unless a leech was seen in it afterwards.
    """
    notes = sorted(notes, key=_order)
    names = _names(notes, tanks)
    known = _KnownTanks(names)
    contacts, additions = [], []
    confirmed: dict[str, list[datetime]] = {}
    looked: dict[str, datetime] = {}
    seen: dict[str, list[datetime]] = {}
    by_tool: dict[str, list[datetime]] = {}
    emptied: dict[str, list[datetime]] = {}
    for note in notes:
        tank = names[note.tank.casefold()]
        if note.kind is Kind.MOVED or note.kind is Kind.ADDED or note.kind is Kind.RESTOCKED:
            out_of = known.giver(note)
            if out_of is None:
                additions.append(note)
                continue
            contact = _contact(note, tank, out_of, names)
            if contact.out_of != contact.into:
                contacts.append(contact)
        elif note.kind is Kind.EMPTIED:
            emptied.setdefault(tank, []).append(note.at)
        elif note.pest is Pest.LEECH:
            is_find = (note.seen or 0) > 0 or (note.taken or 0) > 0
            if note.judge is Judge.TOOL:
                if is_find:
                    by_tool.setdefault(tank, []).append(note.at)
                continue
            if note.kind is Kind.LOOKED:
                looked[tank] = note.at
            # a person has looked since: what the program saw stands if something was found, and else not
            before = by_tool.pop(tank, [])
            if is_find:
                confirmed.setdefault(tank, []).append(note.at)
                seen.setdefault(tank, []).extend((*before, note.at))
    for tank, times in by_tool.items():
        seen.setdefault(tank, []).extend(times)
    ends = {tank: tuple(times) for tank, times in emptied.items()}
    for name, at in (cleared or {}).items():
        tank = names.get(name.casefold(), name)
        if not any(when > at for when in seen.get(tank, ())):
            ends[tank] = tuple(sorted((*ends.get(tank, ()), at)))
    first_seen, last_seen = _sightings(seen, ends)
    return History(
        tanks=tuple(sorted(set(names.values()))),
        contacts=tuple(contacts),
        additions=tuple(additions),
        ends=ends,
        first_seen=first_seen,
        last_seen=last_seen,
        confirmed=frozenset(_sightings(confirmed, ends)[0]),
        last_looked=looked,
        emptied={tank: times[-1] for tank, times in emptied.items()},
    )


def _sightings(
    seen: Mapping[str, Sequence[datetime]], ends: Mapping[str, Sequence[datetime]]
) -> tuple[dict[LifeKey, datetime], dict[LifeKey, datetime]]:
    first: dict[LifeKey, datetime] = {}
    last: dict[LifeKey, datetime] = {}
    for tank, times in seen.items():
        seconds = [second_of(end) for end in ends.get(tank, ())]
        for at in times:
            key = (tank, bisect_left(seconds, second_of(at)))
            first.setdefault(key, at)
            last[key] = at
    return first, last


def _order(note: Note) -> tuple[float, str, str, str, str, int]:
    """Put notes in time order, whatever the order they were written in."""
    return note.at.timestamp(), note.tank, note.kind, note.other or "", note.cargo or "", note.id


def _names(notes: Iterable[Note], tanks: Iterable[str]) -> dict[str, str]:
    """Give every tank's name by its small letters: one spelling for each tank."""
    names: dict[str, str] = {}
    for note in notes:
        for name in (note.tank, note.other):
            if name is not None:
                small = name.casefold()
                names[small] = min(names.get(small, name), name)
    return names | {name.casefold(): name for name in tanks}


def _contact(note: Note, tank: str, out_of: str, names: Mapping[str, str]) -> Contact:
    into = tank
    if note.kind is Kind.MOVED and note.other is not None:
        into = names[note.other.casefold()]
    cargo = note.cargo or Cargo.ANIMALS  # a restocking tells of snails
    return Contact(out_of=out_of, into=into, at=note.at, cargo=cargo, note=note.id)


class _KnownTanks:
    """Finds the tank that a note of an addition names as where something is from.

    `source` names a tank where it is its name, whatever the case of its letters, or says "from" that name; so does
    `what`. To take a shop for a tank of that name costs a look; to miss a tank costs more.
    """

    def __init__(self, names: Mapping[str, str]) -> None:
        self._names = names
        self._found: dict[str, str | None] = {}
        longest_first = sorted(set(names.values()), key=lambda name: (-len(name), name))
        either = "|".join(re.escape(name) for name in longest_first) or r"(?!)"
        self._from = re.compile(rf"\b[Ff]rom (?:the |my |our |[Tt]ank )*({either})(?!\w)")

    def giver(self, note: Note) -> str | None:
        """Give the tank that something came from, None where it came from outside."""
        if note.kind is Kind.MOVED:
            return self._names[note.tank.casefold()]
        for text, is_source in ((note.source, True), (note.what, False)):
            if text is None:
                continue
            if is_source and (name := self._names.get(" ".join(text.split()).casefold())):
                return name
            if text not in self._found:
                match = self._from.search(text)
                self._found[text] = match[1] if match else None
            if found := self._found[text]:
                return found
        return None
