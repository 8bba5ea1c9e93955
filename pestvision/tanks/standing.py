"""How every tank stands: its state, the last look, the next look due, and why.

The one place that joins what the log says of looks, contacts and clearance. Page, report, reminders and
commands all tell of this.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from pestvision.settings import TankSettings
from pestvision.tanks.clearance import HowClear, Outlook, how_clear, outlook
from pestvision.tanks.clearance import State as Clearness
from pestvision.tanks.clearance_words import day_words
from pestvision.tanks.contacts import Exposure, exposures
from pestvision.tanks.nights import NIGHT_BEGINS_H, night_of, nights_of
from pestvision.tanks.quarantine import BatchRisk, Hold, batch_risk, batches_of, holds_of
from pestvision.tanks.records import Cargo, Judge, Kind, Night, Note, Pest, Tank
from pestvision.tanks.removal import HowMany, how_many
from pestvision.tanks.trend import TrendOf, trend_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

QUIET_DAYS: Final = 14.0
"""How often a tank is looked at in which nothing was ever seen (common practice, no source)."""
NOON: Final = time(NIGHT_BEGINS_H)
FRESH: Final = timedelta(days=7)  # so long after a find a tank is looked at every night
LOSSES: Final = timedelta(days=14)  # deaths are counted over so long
LIVELY: Final = frozenset({Cargo.ANIMALS, Cargo.PLANTS, Cargo.WILD})
"""What a leech comes in with most easily: on plants, on and in animals, with finds from ponds."""


class State(StrEnum):
    """How a tank stands, the most urgent first."""

    SEEN = "leeches seen"
    DOUBT = "seen by the program only"
    EXPOSED = "exposed"
    QUARANTINE = "in quarantine"
    NOT_LOOKED = "not looked at yet"
    EMPTIED = "emptied"
    QUIET = "none seen so far"
    CLEAR = "probably clear"


@dataclass(frozen=True, slots=True)
class Standing:
    """How one tank stands.

    Parameters
    ----------
    tank
        The tank.
    state
        Its state, in a few words.
    sentence
        Why it is in that state, one sentence.
    last_look
        The night of the last look by a person, None where there was none.
    last_seen
        The night of the last leech seen or taken out, None where there was none.
    next_look
        The night on which it is to be looked at next; in the past where it is overdue; None where an emptied
        tank waits.
    why_look
        Why then, one sentence.
    look_every
        How often it is looked at from then on, in days; None where it is looked at once.
    trend
        Whether finds fall.
    n_taken
        Leeches taken out since the tank was last emptied.
    n_died
        Snails that died in the last two weeks.
    nights
        Its nights since it was last emptied, in order.
    notes
        Its notes, moves to it among them, in order.
    clear
        How sure it is clear.
    exposure
        The way by which leeches could have reached it from another tank, None where there is none.
    holds
        Why nothing is to be sold from it; none where it may.
    batches
        What came in as a batch and still waits in it.
    emptied_on
        The day it was emptied where it has not been restocked since.
    clear_since
        Since when it counts as clear after leeches; None where it does not.
    """

    tank: Tank
    state: State
    sentence: str
    last_look: date | None
    last_seen: date | None
    next_look: date | None
    why_look: str
    look_every: float | None
    trend: TrendOf
    n_taken: int
    n_died: int
    nights: tuple[Night, ...]
    notes: tuple[Note, ...]
    clear: HowClear
    exposure: Exposure | None = None
    holds: tuple[Hold, ...] = ()
    batches: tuple[BatchRisk, ...] = ()
    emptied_on: date | None = None
    clear_since: datetime | None = None
    _asked: _Asked | None = field(default=None, repr=False)

    def is_overdue(self, tonight_is: date) -> bool:
        """Tell whether the look that is due was not made yet and its night has passed."""
        return self.next_look is not None and self.next_look < tonight_is


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked of `how_clear`, so that `outlook` can be asked the same."""

    nights: tuple[Night, ...]
    today: date
    settings: TankSettings
    additions: tuple[date, ...]
    emptied_on: date | None
    exposed_since: date | None


def tonight(now: datetime) -> date:
    """Give the night it is: until noon the one that began yesterday."""
    return (now - timedelta(hours=NIGHT_BEGINS_H)).date()


def standings(
    tanks: Iterable[Tank],
    notes: Sequence[Note],
    *,
    now: datetime,
    settings: TankSettings | None = None,
) -> tuple[Standing, ...]:
    """Say of every tank how it stands, the most urgent first.

    Parameters
    ----------
    tanks
        All tanks.
    notes
        All notes, in any order; those after `now` are not looked at.
    now
        The time now, by the keeper's own clock.
    settings
        What is taken for granted.
    """
    chosen = settings or TankSettings()
    past = sorted((note for note in notes if note.at <= now), key=lambda note: (note.at, note.id))
    by_tank: dict[str, list[Note]] = defaultdict(list)
    for note in past:
        by_tank[note.tank].append(note)
        if note.other is not None:
            by_tank[note.other].append(note)
    lives = [_Life(tank, by_tank[tank.name], now, chosen) for tank in tanks]
    # contacts end where a tank is clear, and only one in which leeches were seen can be the beginning of one
    cleared = {life.tank.name: since for life in lives if (since := _clear_since(life)) is not None}
    ways = _open_ways(past, chosen, cleared)
    waiting = _waiting(past, lives)
    found = [
        _standing(
            life,
            ways.get(life.tank.name),
            waiting[life.tank.name],
            clear_since=cleared.get(life.tank.name),
        )
        for life in lives
    ]
    order = list(State)
    return tuple(
        sorted(
            found, key=lambda one: (order.index(one.state), -one.n_taken, one.tank.name.casefold())
        )
    )


def cleared_of(standings: Iterable[Standing]) -> dict[str, datetime]:
    """Give the tanks that count as clear, and since when: contacts with what was in them end there."""
    return {one.tank.name: one.clear_since for one in standings if one.clear_since is not None}


def left_in(standing: Standing, *, settings: TankSettings | None = None) -> HowMany:
    """Say how many leeches are left in a tank, from the nights of the outbreak that goes on."""
    chosen = settings or TankSettings()
    return _left(_outbreak(standing.nights, chosen), chosen)


def outlook_of(standing: Standing) -> Outlook:
    """Say what clean looks to come would make of a tank, for several ways to go on."""
    if standing._asked is None:
        message = "a standing that was not made by standings()"
        raise ValueError(message)
    return _outlook(standing._asked)


@lru_cache(maxsize=256)
def _left(nights: tuple[Night, ...], settings: TankSettings) -> HowMany:
    return how_many(nights, settings=settings)


@lru_cache(maxsize=256)
def _clear(asked: _Asked) -> HowClear:
    return how_clear(
        asked.nights,
        today=asked.today,
        settings=asked.settings,
        additions=asked.additions,
        emptied_on=asked.emptied_on,
        is_exposed=asked.exposed_since is not None,
        exposed_since=asked.exposed_since,
    )


@lru_cache(maxsize=64)
def _outlook(asked: _Asked) -> Outlook:
    return outlook(
        asked.nights,
        today=asked.today,
        settings=asked.settings,
        additions=asked.additions,
        emptied_on=asked.emptied_on,
        is_exposed=asked.exposed_since is not None,
        exposed_since=asked.exposed_since,
    )


def _outbreak(nights: tuple[Night, ...], settings: TankSettings) -> tuple[Night, ...]:
    """Give the nights since finds began anew: after a brooding period without any."""
    gap = timedelta(weeks=settings.brooding_weeks)
    finds = [night.day for night in nights if night.seen]
    began = max(
        (day for before, day in zip([date.min, *finds], finds, strict=False) if day > before + gap),
        default=None,
    )
    return nights if began is None else tuple(night for night in nights if night.day >= began)


def _open_ways(
    past: Sequence[Note], settings: TankSettings, cleared: Mapping[str, datetime]
) -> dict[str, Exposure]:
    window_days = 7 * settings.brooding_weeks
    found = exposures(past, window_days=window_days, cleared=cleared)
    return {one.tank: one for one in found if one.until is None}


def _waiting(past: Sequence[Note], lives: Sequence[_Life]) -> dict[str, list[BatchRisk]]:
    """Give by tank the batches whose wait is not over; what was in an emptied tank waits no longer."""
    by_tank: dict[str, list[BatchRisk]] = defaultdict(list)
    life_of = {life.tank.name: life for life in lives}
    for batch in batches_of(past):
        life = life_of.get(batch.tank)
        if life is None or (life.emptied_at and life.emptied_at.date() >= batch.arrived):
            continue
        risk = batch_risk(batch, today=life.tonight, settings=life.settings)
        if not risk.is_over:
            by_tank[batch.tank].append(risk)
    return by_tank


class _Life:
    """What a tank's notes come to since it was last emptied."""

    def __init__(
        self, tank: Tank, notes: list[Note], now: datetime, settings: TankSettings
    ) -> None:
        self.tank, self.notes, self.now, self.settings = tank, notes, now, settings
        own = [note for note in notes if note.tank == tank.name]
        emptied = [note.at for note in own if note.kind is Kind.EMPTIED]
        self.emptied_at = emptied[-1] if emptied else None
        began = self.emptied_at
        self.own = [note for note in own if began is None or note.at > began]
        before = [] if began is None else [note for note in own if note.at <= began]
        self.restocked_at = next(
            (note.at for note in self.notes if self._restocks(note, began)), None
        )
        self.nights = nights_of(self.own, tank.name, settings=settings)
        self.had_leeches = any(night.seen for night in nights_of(before, tank.name))
        self.by_tool = self._unseen_by_keeper()

    def _restocks(self, note: Note, began: datetime | None) -> bool:
        if began is None or note.at <= began:
            return False
        is_in = note.tank == self.tank.name or note.other == self.tank.name
        is_lively = note.cargo is Cargo.ANIMALS
        moved_in = note.kind is Kind.MOVED and note.other == self.tank.name and is_lively
        return is_in and (
            note.kind is Kind.RESTOCKED or (note.kind is Kind.ADDED and is_lively) or moved_in
        )

    @property
    def is_empty(self) -> bool:
        return self.emptied_at is not None and self.restocked_at is None

    @property
    def may_be_clear(self) -> bool:
        """Leeches were seen in it, and the wait since the last one is over."""
        last = max((night.day for night in self.nights if night.seen), default=None)
        return (
            last is not None
            and last + timedelta(weeks=self.settings.brooding_weeks) <= self.tonight
        )

    @property
    def restocked_after_leeches(self) -> date | None:
        """The day it was restocked where it had leeches before it was emptied and none was seen since."""
        if self.restocked_at is None or not self.had_leeches:
            return None
        return None if any(night.seen for night in self.nights) else self.restocked_at.date()

    @property
    def tonight(self) -> date:
        return tonight(self.now)

    def asked(self, exposed_since: date | None) -> _Asked:
        """Give what is asked of the arithmetic; a restocked tank that had leeches counts as exposed."""
        if self.restocked_at is not None and self.had_leeches and exposed_since is None:
            exposed_since = self.restocked_at.date()
        return _Asked(
            self.nights,
            self.tonight,
            self.settings,
            self._additions(),
            self.emptied_at.date() if self.is_empty and self.emptied_at is not None else None,
            exposed_since,
        )

    def _additions(self) -> tuple[date, ...]:
        """Give the days on which something lively came in, of the life that goes on."""
        days = [
            note.at.date()
            for note in self.notes
            if (self.emptied_at is None or note.at > self.emptied_at)
            and (
                (note.kind is Kind.ADDED and note.tank == self.tank.name and note.cargo in LIVELY)
                or (note.kind is Kind.RESTOCKED and note.tank == self.tank.name)
            )
        ]
        return tuple(sorted(days))

    def _unseen_by_keeper(self) -> Note | None:
        """Give the last sighting by the program that no look by a person has followed."""
        last = None
        for note in self.own:
            if note.kind is not Kind.LOOKED or note.pest is not Pest.LEECH:
                continue
            if note.judge is Judge.KEEPER:
                last = None
            elif note.seen:
                last = note
        return last


def _clear_since(life: _Life) -> datetime | None:
    """Give the time from which on a tank counts as clear: after the night that made it so."""
    asked = life.asked(None)
    if not life.may_be_clear or _clear(asked).state is not Clearness.CLEAR:
        return None
    last = max(night.day for night in life.nights if night.seen)
    earliest = last + timedelta(weeks=life.settings.brooding_weeks)
    days = [
        earliest,
        *(night.day for night in life.nights if night.is_look and night.day > earliest),
    ]
    # clean looks make it surer one by one, so that the first day is found by halving
    first = bisect_left(
        days, True, key=lambda day: _clear(replace(asked, today=day)).state is Clearness.CLEAR
    )
    day = days[min(first, len(days) - 1)]
    return min(datetime.combine(day + timedelta(days=1), NOON, tzinfo=life.now.tzinfo), life.now)


def _standing(
    life: _Life,
    way: Exposure | None,
    batches: list[BatchRisk],
    *,
    clear_since: datetime | None,
) -> Standing:
    since = None if way is None else way.since.date()
    asked = life.asked(since)
    clear = _clear(asked)
    open_way = None if way is None or _is_passed(clear, way.since.date(), life) else way
    again = life.restocked_after_leeches
    open_again = None if again is None or _is_passed(clear, again, life) else again
    looks = [night.day for night in life.nights if night.is_look]
    seen = [night.day for night in life.nights if night.seen]
    state, sentence = _state(life, open_way, clear, open_again, batches)
    due = _next_look(life, state, looks, seen)
    return Standing(
        tank=life.tank,
        state=state,
        sentence=sentence,
        last_look=max(looks, default=None),
        last_seen=max(seen, default=None),
        next_look=due.night,
        why_look=due.why,
        look_every=due.every,
        trend=trend_of(life.nights, today=life.tonight),
        n_taken=sum(night.taken for night in life.nights),
        n_died=sum(
            note.count or 0
            for note in life.own
            if note.kind is Kind.DIED and note.at > life.now - LOSSES
        ),
        nights=life.nights,
        notes=tuple(life.notes),
        clear=clear,
        exposure=open_way,
        holds=holds_of(
            life.tank.name,
            clear=clear,
            exposure=open_way,
            by_tool=life.by_tool,
            restocked_on=open_again,
            batches=batches,
            today=life.tonight,
            settings=life.settings,
        ),
        batches=tuple(batches),
        emptied_on=asked.emptied_on,
        clear_since=clear_since,
        _asked=asked,
    )


def _state(
    life: _Life,
    way: Exposure | None,
    clear: HowClear,
    restocked_on: date | None,
    batches: Sequence[BatchRisk],
) -> tuple[State, str]:
    """Give the most urgent of the states that hold, and why."""
    name = life.tank.name
    if life.is_empty and life.emptied_at is not None:
        return State.EMPTIED, (
            f"{name} was emptied on {day_words(life.emptied_at.date())}. That it is clear is never promised: "
            "no published starvation time exists for snail leeches."
        )
    last = clear.last_sighting
    if last is not None and clear.state is not Clearness.CLEAR:
        n_seen = sum(night.seen for night in life.nights if night.day == last)
        were = "One leech was" if n_seen == 1 else f"{n_seen} leeches were"
        return State.SEEN, f"{were} seen in {name} on {day_words(last)}, the last so far."
    if life.by_tool is not None:
        return State.DOUBT, (
            f"The program took {life.by_tool.seen} on photos of {name} for leech-like, on "
            f"{day_words(night_of(life.by_tool))}; nobody has looked since."
        )
    if way is not None:
        return State.EXPOSED, way.sentence()
    if restocked_on is not None:
        return State.EXPOSED, (
            f"{name} had leeches before it was emptied, and was restocked on {day_words(restocked_on)}: it is "
            "watched like an exposed one."
        )
    if batches:
        until = max(risk.earliest for risk in batches)
        return State.QUARANTINE, (
            f"What came into {name} waits in quarantine until {day_words(until)} at the earliest."
        )
    if last is not None:
        return State.CLEAR, f"{name} is probably clear. {clear.caution}"
    if not any(night.is_look for night in life.nights):
        return State.NOT_LOOKED, f"Nobody has looked for leeches in {name} yet."
    return State.QUIET, f"No leech was ever seen in {name}, in {_looks(life)}."


def _looks(life: _Life) -> str:
    n_looks = sum(night.is_look for night in life.nights)
    return "one night of looking" if n_looks == 1 else f"{n_looks} nights of looking"


def _is_passed(clear: HowClear, since: date, life: _Life) -> bool:
    """Tell whether looks since an exposure have made a tank as sure as one called probably clear."""
    waited = since + timedelta(weeks=life.settings.brooding_weeks) <= life.tonight
    return waited and clear.p_clear is not None and clear.p_clear >= life.settings.clear_at


@dataclass(frozen=True, slots=True)
class _Next:
    """The next look: the night, why then, and how often from then on."""

    night: date | None
    why: str
    every: float | None = None


def _next_look(life: _Life, state: State, looks: list[date], seen: list[date]) -> _Next:
    settings, last = life.settings, max(looks, default=None)
    if state is State.EMPTIED:
        return _Next(
            None, "It stands empty: a look proves little until something lives in it again."
        )
    if state is State.DOUBT:
        return _Next(life.tonight, "The program has seen something: look yourself.")
    watched = state in {State.SEEN, State.EXPOSED, State.QUARANTINE}
    days = settings.look_every_days if watched else QUIET_DAYS
    if last is None:
        return _Next(life.tonight, "Nobody has looked yet.", days)
    if state is State.SEEN and life.tonight - max(seen) <= FRESH:
        why = "Leeches were seen within the last week: every night counts."
        return _Next(last + timedelta(days=1), why, 1.0)
    why = (
        f"Looked at every {days:g} days until it is probably clear."
        if watched
        else f"Looked at every {days:g} days, so that a new one is met early."
    )
    return _Next(last + timedelta(days=max(1, round(days))), why, days)
