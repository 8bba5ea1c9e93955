"""What must not be sold yet: why, until when at the least, and what has to happen first."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from pestvision.tanks.batches import batches_of, plan_of, risk_of
from pestvision.tanks.clear_case import wait_of
from pestvision.tanks.clearance import State
from pestvision.tanks.clearance_words import CAUTION, day_words, percent
from pestvision.tanks.nights import night_of
from pestvision.tanks.records import Judge, Kind, Pest

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date, datetime

    from pestvision.settings import TankSettings
    from pestvision.tanks.batches import Batch
    from pestvision.tanks.clearance import HowClear
    from pestvision.tanks.records import Note

NO_PROMISE: Final = "That day is the earliest one; it is no promise."


class Why(StrEnum):
    """Why something must not be sold yet."""

    SEEN = "leeches seen"
    EXPOSED = "touched a tank with leeches"
    QUARANTINE = "in quarantine"
    TOOL = "a sighting nobody has looked at"


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold on selling.

    Parameters
    ----------
    name
        The tank or the batch.
    is_batch
        True for a batch.
    why
        The reason.
    says
        The same in a sentence.
    earliest
        The first day on which it may end; None where no day can be named.
    first
        What has to happen before it ends, in a sentence.
    caution
        To be shown with it.
    """

    name: str
    is_batch: bool
    why: Why
    says: str
    earliest: date | None
    first: str
    caution: str = CAUTION


def holds(
    notes: Iterable[Note],
    *,
    today: date,
    settings: TankSettings,
    clear: Mapping[str, HowClear],
    exposed_since: Mapping[str, datetime] | None = None,
) -> tuple[Hold, ...]:
    """List what must not be sold today: tanks by name, then batches, the gravest reason of each first.

    Parameters
    ----------
    notes
        All notes of the log.
    today
        The day it is asked on.
    settings
        What is taken for granted.
    clear
        How clear each tank is; a tank that is missing is held for nothing but what the notes say.
    exposed_since
        Tanks that touched one with leeches, and when.
    """
    known = list(notes)
    exposed = dict(exposed_since or {})
    found: list[Hold] = []
    for tank in sorted({*clear, *exposed, *(note.tank for note in known)}, key=str.casefold):
        told = clear.get(tank)
        of_tank = [
            _seen(tank, told, settings),
            _by_tool(tank, known, today),
            _exposed(tank, told, exposed.get(tank), today, settings),
        ]
        found += [hold for hold in of_tank if hold is not None]
    for batch in batches_of(known):
        hold = _in_quarantine(batch, today, settings)
        found += [hold] if hold is not None else []
    return tuple(found)


def _seen(tank: str, told: HowClear | None, settings: TankSettings) -> Hold | None:
    if told is None or told.state in {State.NEVER, State.CLEAR}:
        return None
    at = percent(settings.clear_at)
    if told.state is State.EMPTY:
        if told.last_sighting is None:
            return None
        return Hold(
            tank,
            is_batch=False,
            why=Why.SEEN,
            says=f"Leeches were seen in it on {day_words(told.last_sighting)}, and it stands empty since.",
            earliest=None,
            first="When an empty tank is free of them cannot be told. Clean it before anything goes in.",
        )
    last = "" if told.last_sighting is None else f" on {day_words(told.last_sighting)}"
    return Hold(
        tank,
        is_batch=False,
        why=Why.SEEN,
        says=f"Leeches were seen in it{last}, and it is not probably clear.",
        earliest=told.earliest,
        first=(
            f"Clean looks until the probability that none is there has reached {at}. {NO_PROMISE}"
        ),
    )


def _by_tool(tank: str, notes: Sequence[Note], today: date) -> Hold | None:
    looked = [note for note in notes if note.tank == tank and note.kind is Kind.LOOKED]
    checked = [note.at for note in looked if note.judge is Judge.KEEPER]
    last = max(checked, default=None)
    open_ones = [
        note
        for note in looked
        if note.judge is Judge.TOOL
        and note.seen
        and note.pest is Pest.LEECH
        and night_of(note) <= today
        and (last is None or note.at > last)
    ]
    if not open_ones:
        return None
    when = day_words(night_of(max(open_ones, key=lambda note: note.at)))
    return Hold(
        tank,
        is_batch=False,
        why=Why.TOOL,
        says=f"On photos of {when} the tool saw something leech-like, and nobody has looked since.",
        earliest=today,
        first="Look at the photo and into the tank, and note what you see.",
    )


def _exposed(
    tank: str,
    told: HowClear | None,
    since: datetime | None,
    today: date,
    settings: TankSettings,
) -> Hold | None:
    """Hold a tank that touched one with leeches, until the wait is over and its own looks speak for it."""
    if since is None or since.date() > today:
        return None
    earliest = since.date() + wait_of(settings.brooding_weeks)
    p_clear = None if told is None else told.p_clear
    if today >= earliest and p_clear is not None and p_clear >= settings.clear_at:
        return None
    at = percent(settings.clear_at)
    return Hold(
        tank,
        is_batch=False,
        why=Why.EXPOSED,
        says=f"It touched a tank with leeches on {day_words(since.date())}; a brood could have come over.",
        earliest=max(earliest, today),
        first=f"Clean looks until the probability that none is there has reached {at}. {NO_PROMISE}",
    )


def _in_quarantine(batch: Batch, today: date, settings: TankSettings) -> Hold | None:
    plan = plan_of(batch, today=today, settings=settings)
    risk = risk_of(batch, settings=settings)
    last = batch.last_sighting
    wanted = 1 - settings.clear_at
    is_sure = batch.n_clean > 0 and (risk.p_infested is None or risk.p_infested <= wanted)
    if today >= plan.ends_on and is_sure:
        return None
    says = f"It came in on {day_words(batch.came_on)} and is in quarantine for {settings.quarantine_weeks:g} weeks."
    if last is not None:
        says = f"Leeches were seen in it on {day_words(last)}."
    first = f"A clean look at all of it on the last day. {NO_PROMISE}"
    if today >= plan.ends_on:
        says = (
            f"Its time in quarantine is over, and {batch.n_clean or 'no'} clean looks are too few."
        )
        first = f"Clean looks at all of it. {NO_PROMISE}"
    return Hold(
        batch.name,
        is_batch=True,
        why=Why.SEEN if last is not None else Why.QUARANTINE,
        says=says,
        earliest=max(plan.ends_on, today),
        first=first,
    )
