"""What came in and waits: batches and their looks, what clean looks prove, holds on selling, a record for a buyer."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from pestvision.tanks.clearance import State as Clearness
from pestvision.tanks.clearance_words import day_words, looks_words, percent
from pestvision.tanks.nights import night_of
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest
from pestvision.tanks.samples import batch_sensitivity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pestvision.settings import TankSettings
    from pestvision.tanks.clearance import HowClear
    from pestvision.tanks.contacts import Exposure

LOOK_DAYS: Final = 7  # from look to look of a batch (common practice, no source)
RECORD_WEEKS: Final = 12  # a buyer's record goes back so far: the brooding window and some
NO_PROMISE: Final = "That is the earliest day, and no promise."
NO_CERTIFICATE: Final = (
    "This is a record of looks, and no certificate of health. It says what was looked at and what was found. "
    "Leeches hide: young sit under a parent or inside a shell, where no look finds them. Keep what you "
    "bought apart for eight weeks, and look at it yourself."
)
LOOK_RANGE: Final = (
    0.2,
    0.8,
)  # what a look at one animal may be worth at the worst and at the best
UNMEASURED: Final = (
    "How often a look at an infested animal sees it, nobody has measured: a leech sits inside the shell, and "
    "young ones are a millimetre long."
)


@dataclass(frozen=True, slots=True)
class BatchLook:
    """A look at a batch.

    Parameters
    ----------
    day
        The night it was made in.
    n_looked
        Animals looked at; None for all of them.
    seen
        Leeches seen.
    """

    day: date
    n_looked: int | None
    seen: int


@dataclass(frozen=True, slots=True)
class Batch:
    """What came in together and is kept apart.

    Parameters
    ----------
    name
        Its name.
    tank
        Where it is: the tank it came into, or was moved to since.
    arrived
        The day it came in; of several additions the last.
    cargo
        What it is; wild finds where any of it is.
    n_animals
        How many animals it has, None where they were not counted, or it is plants.
    source
        Where it is from.
    looks
        By a person, in order.
    """

    name: str
    tank: str
    arrived: date
    cargo: Cargo
    n_animals: int | None
    source: str | None
    looks: tuple[BatchLook, ...]

    @property
    def last_find(self) -> date | None:
        """The night of the last leech seen in it."""
        return max((look.day for look in self.looks if look.seen), default=None)


@dataclass(frozen=True, slots=True)
class BatchRisk:
    """How likely a batch still carries leeches, and when it may end its wait.

    Parameters
    ----------
    batch
        The batch.
    p_infested
        Chance that it still carries some, with what a look is assumed to be worth.
    p_least, p_most
        The same if a look is worth as much, and as little, as it may be (`LOOK_RANGE`).
    earliest
        The first day on which it may end: the wait since it came, and since the last find.
    is_over
        The wait is over, and the looks have made it as sure as is asked for.
    plan
        Days on which it is looked at, those still to come.
    sentence
        The same in words.
    """

    batch: Batch
    p_infested: float
    p_least: float
    p_most: float
    earliest: date
    is_over: bool
    plan: tuple[date, ...]
    sentence: str


class HoldReason(StrEnum):
    """Why nothing is sold from a tank or batch."""

    SEEN = "leeches seen"
    DOUBT = "seen by the program only"
    EXPOSED = "exposed"
    RESTOCKED = "restocked after leeches"
    QUARANTINE = "in quarantine"
    EMPTIED = "emptied"


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold on selling.

    Parameters
    ----------
    reason
        Why.
    sentence
        The same in words, with what must happen first.
    earliest
        The first day on which it may end; None where none can be named.
    batch
        The batch that it is for, None for the whole tank.
    """

    reason: HoldReason
    sentence: str
    earliest: date | None
    batch: str | None = None


def batches_of(notes: Iterable[Note]) -> tuple[Batch, ...]:
    """Gather what came in as batches, in the order in which they came.

    Notes belong together that name the same batch, whatever the case of its letters. A batch that leeches
    were sought in by the program alone was not looked at.
    """
    by_name: dict[str, list[Note]] = {}
    for note in sorted(notes, key=lambda each: (each.at, each.id)):
        if note.batch is not None:
            by_name.setdefault(note.batch.strip().casefold(), []).append(note)
    found = [_batch(own) for own in by_name.values()]
    return tuple(sorted((one for one in found if one is not None), key=lambda one: one.arrived))


def _batch(own: list[Note]) -> Batch | None:
    came = [note for note in own if note.kind in {Kind.ADDED, Kind.RESTOCKED}]
    if not came:
        return None  # looks at a batch of which nobody wrote that it came
    counts = [note.count for note in came if note.cargo in {Cargo.ANIMALS, None}]
    kinds = {note.cargo for note in came}
    moved = [note.other for note in own if note.kind is Kind.MOVED and note.other is not None]
    looks = [
        BatchLook(night_of(note), note.count, note.seen or 0)
        for note in own
        if note.kind is Kind.LOOKED and note.pest is Pest.LEECH and note.judge is Judge.KEEPER
    ]
    pulled = [
        BatchLook(night_of(note), 0, note.taken or 0)
        for note in own
        if note.kind is Kind.REMOVED and note.pest is Pest.LEECH
    ]
    return Batch(
        name=came[0].batch or "",
        tank=moved[-1] if moved else came[-1].tank,
        arrived=came[-1].at.date(),
        cargo=Cargo.WILD if Cargo.WILD in kinds else (came[0].cargo or Cargo.ANIMALS),
        n_animals=sum(count or 0 for count in counts) if counts and all(counts) else None,
        source=next((note.source for note in came if note.source), None),
        looks=tuple(sorted((*looks, *pulled), key=lambda look: look.day)),
    )


def chance_infested(
    prior: float,
    looks: Sequence[float],
    *,
    late_looks: Sequence[float] = (),
    hidden: float = 0.0,
) -> float:
    """Give the chance that a batch is infested after clean looks.

    Parameters
    ----------
    prior
        The chance before any look.
    looks
        Of each look that only finds what is not hidden: the chance to see at least one, if any are there.
    late_looks
        The same of looks that also find a brood that has come out.
    hidden
        Chance that an infested batch carries its leeches as a hidden brood alone.

    Notes
    -----
    Bayes' rule over repeated looks, each independent of the others once it is known that the batch is
    infested.
    """
    missed_early = math.prod(1 - p for p in looks)
    missed_late = math.prod(1 - p for p in late_looks)
    missed = missed_late * ((1 - hidden) * missed_early + hidden)
    whole = 1 - prior + prior * missed
    return prior * missed / whole if whole > 0 else 1.0


def batch_risk(batch: Batch, *, today: date, settings: TankSettings) -> BatchRisk:
    """Say how likely a batch still carries leeches, and when its wait may end.

    One infested animal is assumed, which is the hardest to find. A look at an infested one sees it with a
    chance that is an assumption (`per_look`); looks in the first weeks see nothing of a hidden brood.

    Parameters
    ----------
    batch
        The batch.
    today
        Looks after this day do not count.
    settings
        What is taken for granted.
    """
    prior = settings.infested_wild if batch.cargo is Cargo.WILD else settings.infested_batch
    comes_out = batch.arrived + timedelta(days=math.ceil(7 * settings.hidden_weeks))
    wait = timedelta(days=math.ceil(7 * settings.quarantine_weeks))
    past = [look for look in batch.looks if batch.arrived <= look.day <= today]
    last = max((look.day for look in past if look.seen), default=None)
    earliest = batch.arrived + wait
    if last is not None:  # infested for certain then; what is left of it is like a new batch
        earliest = max(earliest, last + timedelta(days=math.ceil(7 * settings.brooding_weeks)))
        comes_out = max(comes_out, last + timedelta(days=math.ceil(7 * settings.hidden_weeks)))
        prior = max(prior, settings.there_exposed)
    clean = [look for look in past if not look.seen and (last is None or look.day > last)]
    p_infested, p_most, p_least = (
        chance_infested(
            prior,
            [_sees(look, batch, worth) for look in clean if look.day < comes_out],
            late_looks=[_sees(look, batch, worth) for look in clean if look.day >= comes_out],
            hidden=settings.hidden_brood,
        )
        for worth in (
            settings.per_look,
            min(LOOK_RANGE[0], settings.per_look),
            max(LOOK_RANGE[1], settings.per_look),
        )
    )
    is_over = today >= earliest and p_infested <= 1 - settings.clear_at
    plan = plan_of(batch, today=today, settings=settings, until=earliest)
    return BatchRisk(
        batch=batch,
        p_infested=p_infested,
        p_least=p_least,
        p_most=p_most,
        earliest=earliest,
        is_over=is_over,
        plan=plan,
        sentence=_risk_words(batch, (p_least, p_infested, p_most), earliest, len(clean), last),
    )


def plan_of(
    batch: Batch, *, today: date, settings: TankSettings, until: date | None = None
) -> tuple[date, ...]:
    """Give the days on which a batch is still to be looked at: every week, and on the last day of its wait."""
    end = until or batch.arrived + timedelta(days=math.ceil(7 * settings.quarantine_weeks))
    days = []
    day = batch.arrived + timedelta(days=LOOK_DAYS)
    while day < end:
        days.append(day)
        day += timedelta(days=LOOK_DAYS)
    return tuple(each for each in (*days, end) if each >= today)


def _sees(look: BatchLook, batch: Batch, worth: float) -> float:
    """Give the chance that a look sees at least one, if a single animal of the batch is infested."""
    if batch.n_animals is None or look.n_looked is None:
        return worth
    n_looked = min(look.n_looked, batch.n_animals)
    return batch_sensitivity(n_looked, n_animals=batch.n_animals, n_infested=1, sensitivity=worth)


def _risk_words(
    batch: Batch,
    chances: tuple[float, float, float],
    earliest: date,
    n_clean: int,
    last: date | None,
) -> str:
    since = f"came on {day_words(batch.arrived)}"
    if last is not None:
        since += f", and a leech was seen in it on {day_words(last)}"
    looks = "No clean look" if not n_clean else looks_words(n_clean)
    least, middle, most = (percent(chance) for chance in chances)
    told = f"is held for {middle}"
    if n_clean:
        told += f", or {least} to {most} as a look is worth more or less"
    return (
        f"The batch {batch.name} {since}. {looks} since then: the chance that it still carries some {told}. "
        f"{UNMEASURED} It waits until {day_words(earliest)} at the earliest."
    )


def holds_of(
    name: str,
    *,
    clear: HowClear,
    exposure: Exposure | None,
    by_tool: Note | None,
    restocked_on: date | None,
    batches: Sequence[BatchRisk],
    today: date,
    settings: TankSettings,
) -> tuple[Hold, ...]:
    """Say why nothing is to be sold from a tank, and from when on it might be.

    Parameters
    ----------
    name
        The tank.
    clear
        How sure it is clear.
    exposure
        The way by which leeches could have reached it; None where there is none, or looks have settled it.
    by_tool
        What only the program saw and nobody has looked at; None where there is nothing.
    restocked_on
        When it was restocked after leeches, where looks have not settled it since; else None.
    batches
        Those in it that still wait.
    today, settings
        The night it is asked in, and what is taken for granted.
    """
    found: list[Hold] = []
    wait = timedelta(days=math.ceil(7 * settings.brooding_weeks))
    if clear.state is Clearness.EMPTY:
        words = f"{name} stands empty. Restock it, and look for {settings.brooding_weeks:g} weeks first."
        return (Hold(HoldReason.EMPTIED, words, None),)
    if clear.last_sighting is not None and clear.state is not Clearness.CLEAR:
        seen = f"Leeches were seen in {name}, last on {day_words(clear.last_sighting)}."
        found.append(_hold(HoldReason.SEEN, seen, clear.earliest, today))
    if by_tool is not None:
        words = (
            f"The program took something on photos of {name} for leech-like, and nobody has looked since. "
            "Look yourself; a look that finds nothing ends this."
        )
        found.append(Hold(HoldReason.DOUBT, words, today))
    if exposure is not None:
        way = f"{name} may have got leeches from {exposure.source}, on {day_words(exposure.since.date())}."
        found.append(_hold(HoldReason.EXPOSED, way, exposure.since.date() + wait, today))
    if restocked_on is not None:
        again = f"{name} had leeches before it was emptied, and was restocked on {day_words(restocked_on)}."
        found.append(_hold(HoldReason.RESTOCKED, again, restocked_on + wait, today))
    for risk in batches:
        words = f"{risk.sentence} {NO_PROMISE}"
        found.append(Hold(HoldReason.QUARANTINE, words, max(risk.earliest, today), risk.batch.name))
    return tuple(found)


def _hold(reason: HoldReason, why: str, earliest: date | None, today: date) -> Hold:
    """Make a hold that looks have to end: on the earliest day, or later until they have."""
    if earliest is None or earliest <= today:
        must = (
            "The wait is over, and the looks so far do not make it probably clear: go on looking."
        )
        return Hold(reason, f"{why} {must}", None)
    must = f"The hold may end on {day_words(earliest)} at the earliest, once clean looks make it probably clear."
    return Hold(reason, f"{why} {must} {NO_PROMISE}", earliest)


@dataclass(frozen=True, slots=True)
class RecordedLook:
    """One look on a buyer's record."""

    day: date
    means: str
    minutes: float | None
    found: int


@dataclass(frozen=True, slots=True)
class InspectionRecord:
    """What a buyer may be told of a tank: looks and what they found, and that it is no certificate.

    Parameters
    ----------
    tank, lives
        The tank, and what lives in it.
    first, last
        The record's first and last day.
    looks
        By a person, in order.
    last_sighting
        The night of the last leech seen in it, at any time; None where none was.
    n_taken
        Leeches taken out within the record's days.
    holds
        Why nothing should be sold from it now.
    says
        What was found, in one sentence.
    no_certificate
        To be shown with it.
    """

    tank: str
    lives: str | None
    first: date
    last: date
    looks: tuple[RecordedLook, ...]
    last_sighting: date | None
    n_taken: int
    holds: tuple[Hold, ...]
    says: str
    no_certificate: str = NO_CERTIFICATE


MEANS_WORDS: Final[dict[Means, str]] = {
    Means.EYE: "by eye",
    Means.PHOTO: "by photo",
    Means.TRAP: "by bait trap",
}


def inspection_record(
    name: str,
    notes: Sequence[Note],
    *,
    today: date,
    holds: tuple[Hold, ...] = (),
    lives: str | None = None,
) -> InspectionRecord:
    """Gather what a buyer may be told of a tank.

    Parameters
    ----------
    name
        The tank.
    notes
        Its notes, in any order. Remarks and names of people are not passed on.
    today
        The record's last day.
    holds
        Why nothing should be sold from it now.
    lives
        What lives in it.
    """
    first = today - timedelta(weeks=RECORD_WEEKS)
    own = [
        note
        for note in sorted(notes, key=lambda each: (each.at, each.id))
        if note.tank == name and note.pest is Pest.LEECH and note.judge is Judge.KEEPER
    ]
    finds = [night_of(note) for note in own if note.seen or note.taken]
    recent = [note for note in own if first <= night_of(note) <= today]
    looks = tuple(
        RecordedLook(
            night_of(note),
            MEANS_WORDS.get(note.means or Means.EYE, ""),
            note.minutes,
            note.seen or 0,
        )
        for note in recent
        if note.kind is Kind.LOOKED
    )
    last_sighting = max(finds, default=None)
    return InspectionRecord(
        tank=name,
        lives=lives,
        first=first,
        last=today,
        looks=looks,
        last_sighting=last_sighting,
        n_taken=sum(note.taken or 0 for note in recent),
        holds=holds,
        says=_record_words(looks, first, today, last_sighting),
    )


def _record_words(
    looks: Sequence[RecordedLook], first: date, today: date, last_sighting: date | None
) -> str:
    between = f"Between {day_words(first)} and {day_words(today)}"
    if not looks:
        words = f"{between} nobody wrote down a look at this tank."
    else:
        times = "once" if len(looks) == 1 else f"{len(looks)} times"
        n_found = sum(look.found > 0 for look in looks)
        at = "none of them" if not n_found else f"{n_found} of them"
        words = f"{between} it was looked at {times}; at {at} leeches were seen."
    if last_sighting is not None:
        words += f" The last sighting in it was on {day_words(last_sighting)}."
    return words
