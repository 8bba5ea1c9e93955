"""What a buyer may be shown: what was looked at, when, by what means, found or not. It is no certificate."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from pestvision.errors import LogError
from pestvision.tanks.batches import batch_called
from pestvision.tanks.clearance_words import day_words
from pestvision.tanks.nights import night_of
from pestvision.tanks.records import Judge, Kind, Pest

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, datetime

    from pestvision.tanks.records import Means, Note

NO_CERTIFICATE: Final = (
    "This is the keeper's own record. It is no certificate and no guarantee: a look can miss what is there, "
    "and young hide under their parent for weeks."
)
ONLY_THE_TOOL: Final = "Read off photos by the tool alone; nobody has looked at them since."


@dataclass(frozen=True, slots=True)
class Inspected:
    """One look.

    Parameters
    ----------
    at
        When.
    tank
        Where.
    means
        By what means.
    minutes
        How long; None where nobody timed it.
    found, taken
        How many were seen, and taken out.
    by
        Who says so.
    """

    at: datetime
    tank: str
    means: Means | None
    minutes: float | None
    found: int
    taken: int
    by: Judge


@dataclass(frozen=True, slots=True)
class InspectionRecord:
    """A one-page record for a buyer. Made by `inspection_record`.

    Parameters
    ----------
    about
        The tank or the batch.
    is_batch
        True for a batch.
    pest
        What was looked for.
    first_day, last_day
        Days from and to which looks were made; None where there was none.
    written_on
        The day of the record.
    looks
        Every look, in the order of time.
    n_by_keeper
        How many of them the keeper made or looked over.
    minutes
        Minutes of those that were timed.
    n_untimed
        Looks by eye that nobody timed.
    last_sighting
        The last night one was seen or taken out; None if never in this time.
    clean_since
        The first clean look since, None where there is none.
    n_clean
        Clean looks of the keeper since.
    statements
        The same in sentences.
    no_certificate
        To be shown with it, always.
    """

    about: str
    is_batch: bool
    pest: Pest
    first_day: date | None
    last_day: date | None
    written_on: date
    looks: tuple[Inspected, ...]
    n_by_keeper: int
    minutes: float
    n_untimed: int
    last_sighting: date | None
    clean_since: date | None
    n_clean: int
    statements: tuple[str, ...]
    no_certificate: str = NO_CERTIFICATE


def inspection_record(
    notes: Iterable[Note],
    *,
    today: date,
    tank: str | None = None,
    batch: str | None = None,
    since: date | None = None,
    pest: Pest = Pest.LEECH,
) -> InspectionRecord:
    """Put together what was looked at in a tank or of a batch.

    Parameters
    ----------
    notes
        All notes of the log.
    today
        The day of the record.
    tank, batch
        One of the two: what it is about.
    since
        Nights before this are left out, None for none. Finds before it are not: they are named.
    pest
        What was looked for.

    Raises
    ------
    LogError
        If not exactly one of tank and batch was given, or the log knows no such batch.
    """
    known = sorted(notes, key=lambda note: (note.at, note.id))
    if (tank is None) == (batch is None):
        message = (
            "An inspection record is about one tank or one batch, and neither or both were given."
        )
        raise LogError(message, advice="Name the tank, or the batch.")
    about = tank if tank is not None else batch_called(known, batch or "").name
    is_batch = tank is None
    named = [
        note
        for note in known
        if note.pest is pest
        and night_of(note) <= today
        and ((note.batch or "").casefold() == about.casefold() if is_batch else note.tank == about)
    ]
    finds = [
        night_of(note) for note in named if note.judge is Judge.KEEPER and (note.seen or note.taken)
    ]
    last = max(finds, default=None)
    looks = tuple(
        _inspected(note)
        for note in named
        if note.kind is Kind.LOOKED and (since is None or night_of(note) >= since)
    )
    by_keeper = [note for note in named if note.kind is Kind.LOOKED and note.judge is Judge.KEEPER]
    by_keeper = [note for note in by_keeper if since is None or night_of(note) >= since]
    clean = [night_of(note) for note in by_keeper if last is None or night_of(note) > last]
    nights = [night_of(note) for note in by_keeper]
    record = InspectionRecord(
        about=about,
        is_batch=is_batch,
        pest=pest,
        first_day=min(nights, default=None),
        last_day=max(nights, default=None),
        written_on=today,
        looks=looks,
        n_by_keeper=len(by_keeper),
        minutes=sum(note.minutes or 0.0 for note in by_keeper),
        n_untimed=sum(note.minutes is None for note in by_keeper),
        last_sighting=last,
        clean_since=min(clean, default=None),
        n_clean=len(clean),
        statements=(),
    )
    return _with_statements(record)


def _inspected(note: Note) -> Inspected:
    return Inspected(
        note.at, note.tank, note.means, note.minutes, note.seen or 0, note.taken or 0, note.judge
    )


def _with_statements(record: InspectionRecord) -> InspectionRecord:
    says = []
    what = f"{'Batch' if record.is_batch else 'Tank'} {record.about}"
    if record.first_day is None or record.last_day is None:
        says.append(f"{what} was not looked at for {record.pest} animals in this time.")
    else:
        times = "once" if record.n_by_keeper == 1 else f"{record.n_by_keeper} times"
        says.append(
            f"{what} was looked at for {record.pest} animals {times}, from the night of "
            f"{day_words(record.first_day)} to that of {day_words(record.last_day)}."
        )
        if record.minutes:
            untimed = f"; {record.n_untimed} were not timed" if record.n_untimed else ""
            says.append(f"That took {record.minutes:g} minutes in all{untimed}.")
        else:
            says.append("No look was timed.")
    if record.last_sighting is None:
        says.append("Nothing of the kind was seen.")
    else:
        says.append(f"One was last seen in the night of {day_words(record.last_sighting)}.")
        looks = f"{record.n_clean} clean look" + ("" if record.n_clean == 1 else "s")
        says.append(f"Since then: {looks if record.n_clean else 'no clean look'}.")
    n_tool = sum(look.by is Judge.TOOL for look in record.looks)
    if n_tool:
        says.append(f"{n_tool} of the looks listed: {ONLY_THE_TOOL[0].lower()}{ONLY_THE_TOOL[1:]}")
    return replace(record, statements=tuple(says))
