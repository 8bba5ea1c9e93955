"""Batches in quarantine: when to look at them, and how likely one is infested after clean looks.

A batch is what came in together: notes of additions that name it, and the looks that name it too.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from pestvision.errors import LogError
from pestvision.tanks.clear_case import wait_of
from pestvision.tanks.clearance_words import CAUTION, percent
from pestvision.tanks.nights import night_of
from pestvision.tanks.records import Cargo, Judge, Kind, Note, Pest
from pestvision.tanks.samples import batch_sensitivity
from pestvision.tanks.surveillance import p_still_there, require_share

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from pestvision.settings import TankSettings

LOOK_RANGE: Final = (0.2, 0.8)  # what a look at one snail may be worth at the worst and at the best
NOT_MEASURED: Final = (
    "How often a look at an infested snail sees it, nobody has measured: a leech sits inside the shell, and "
    "young ones are a millimetre long."
)
NOT_COUNTED: Final = "How likely the batch is infested cannot be said: how many animals came in was not written down."
NO_ANIMALS: Final = (
    "How likely the batch is infested cannot be said: nobody knows how well a look finds anything on plants, "
    "stones or in water. What is kept apart for the whole time counts."
)
NOT_LOOKED: Final = "Nobody has looked at it yet."
YOUNG_HIDE: Final = (
    "Young hide under their parent for up to 5 or 6 weeks: however many looks are clean, the batch stays "
    "apart to the end."
)


@dataclass(frozen=True, slots=True)
class Batch:
    """What came in together. Made by `batches_of`.

    Parameters
    ----------
    name
        Its name.
    tanks
        Where it is or was, in the order of the notes.
    came_on
        The day its last part came in: the time apart begins with it.
    n_animals
        Animals that came in; None where they were not counted.
    is_animals
        Some of it are animals.
    looks
        The keeper's looks for leeches, in the order of time.
    """

    name: str
    tanks: tuple[str, ...]
    came_on: date
    n_animals: int | None
    is_animals: bool
    looks: tuple[Note, ...]

    @property
    def last_sighting(self) -> date | None:
        """The last night one was seen in it."""
        return max((night_of(look) for look in self.looks if look.seen), default=None)

    @property
    def n_clean(self) -> int:
        """Clean looks since the last part came in and since the last sighting."""
        last = self.last_sighting
        return sum(
            not look.seen
            and night_of(look) >= self.came_on
            and (last is None or night_of(look) > last)
            for look in self.looks
        )


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """When to look at a batch.

    Parameters
    ----------
    batch
        Its name.
    looks
        Days of the looks to come, the first one today if one is overdue.
    ends_on
        The first day on which its time apart may end: rather a later one, if something is seen.
    is_overdue
        A look should have been made by now.
    """

    batch: str
    looks: tuple[date, ...]
    ends_on: date
    is_overdue: bool


@dataclass(frozen=True, slots=True)
class BatchRisk:
    """How likely a batch is infested after clean looks, under assumptions.

    Parameters
    ----------
    p_infested
        With what a look is assumed to be worth; None where it cannot be said.
    p_least, p_most
        The same if a look is worth as much, and as little, as it may be (`LOOK_RANGE`).
    says
        The same in words, or why it cannot be said.
    assumptions
        What was taken for granted, in sentences.
    caution
        To be shown with the probability.
    """

    p_infested: float | None
    p_least: float | None
    p_most: float | None
    says: str
    assumptions: tuple[str, ...]
    caution: str = CAUTION


def batches_of(notes: Iterable[Note]) -> tuple[Batch, ...]:
    """Gather the batches that the notes name, in the order in which they came in.

    A batch that only looks name is none: nobody knows when it came in.
    """
    by_name: dict[str, list[Note]] = {}
    for note in sorted(notes, key=lambda note: (note.at, note.id)):
        if note.batch is not None:
            by_name.setdefault(note.batch.casefold(), []).append(note)
    found = [_batch(named) for named in by_name.values()]
    return tuple(sorted((b for b in found if b is not None), key=lambda b: (b.came_on, b.name)))


def batch_called(notes: Iterable[Note], name: str) -> Batch:
    """Give the batch of a name, whatever the case of its letters.

    Raises
    ------
    LogError
        If no addition names it.
    """
    batches = batches_of(notes)
    for batch in batches:
        if batch.name.casefold() == name.strip().casefold():
            return batch
    known = ", ".join(batch.name for batch in batches)
    message = f"No addition belongs to a batch called '{name}'."
    advice = (
        f"Those in the log are: {known}." if known else "Note what came in, and name its batch."
    )
    raise LogError(message, advice=advice)


def plan_of(batch: Batch, *, today: date, settings: TankSettings) -> BatchPlan:
    """Say when to look at a batch from today on.

    Parameters
    ----------
    batch
        What came in.
    today
        The day it is asked on.
    settings
        How long it stays apart and how often it is looked at.
    """
    ends_on = max(
        batch.came_on + wait_of(settings.quarantine_weeks),
        (batch.last_sighting or batch.came_on) + wait_of(settings.brooding_weeks),
    )
    every = max(1, round(settings.look_every_days))
    looked = [night_of(look) for look in batch.looks if night_of(look) >= batch.came_on]
    following = max(looked, default=batch.came_on) + timedelta(days=every)
    if not looked:
        following = batch.came_on  # the first evening, before anything can spread
    is_overdue = following < today <= ends_on
    days = []
    day = max(following, today)
    while day < ends_on:
        days.append(day)
        day += timedelta(days=every)
    if today <= ends_on:
        days.append(ends_on)  # a last look before it goes
    return BatchPlan(batch.name, tuple(days), ends_on, is_overdue)


def batch_risk(
    n_animals: int,
    looks: Sequence[int],
    *,
    per_look_sensitivity: float,
    prior: float,
    n_infested: int = 1,
) -> float:
    """Give the probability that a batch is infested after clean looks.

    Parameters
    ----------
    n_animals
        Animals of the batch.
    looks
        How many of them were looked at, each time, none seen to carry anything.
    per_look_sensitivity
        Chance that a look at an infested animal sees it. An assumption: no published figure exists.
    prior
        Probability that the batch came in infested.
    n_infested
        How many are infested, if any are; one is the most careful.

    Raises
    ------
    LogError
        If a number makes no sense: more looked at than there are, a chance outside 0 to 1.

    Notes
    -----
    Each look is the batch test of Cameron & Baldock 1998 (Prev Vet Med 34:1) that never sees what is not
    there; looks are taken to miss by themselves.
    """
    require_share("the probability before", prior)
    missed = _missed(n_animals, looks, sensitivity=per_look_sensitivity, n_infested=n_infested)
    return p_still_there(prior, 1 - missed, 1)


def risk_of(batch: Batch, *, settings: TankSettings) -> BatchRisk:
    """Say how likely a batch is infested after its looks, where that can be said.

    Every look is taken for one at all of its animals.
    """
    assumed = settings.quarantine_look
    if not batch.is_animals:
        return BatchRisk(None, None, None, NO_ANIMALS, (NOT_MEASURED,))
    if batch.n_animals is None:
        return BatchRisk(None, None, None, NOT_COUNTED, (NOT_MEASURED,))
    if batch.last_sighting is not None:
        says = "Leeches were seen in it: it is infested, and only clean looks and time tell more."
        return BatchRisk(None, None, None, says, (NOT_MEASURED,))
    n_late = _n_clean_from(batch, batch.came_on + wait_of(settings.hidden_weeks))
    middle, most, least = (
        _with_brood(batch.n_animals, (batch.n_clean, n_late), chance, settings)
        for chance in (assumed, min(LOOK_RANGE[0], assumed), max(LOOK_RANGE[1], assumed))
    )
    says = _risk_sentence(batch.n_clean, batch.n_animals, (least, middle, most))
    return BatchRisk(middle, least, most, says, _assumptions(settings))


def _with_brood(
    n_animals: int, n_looks: tuple[int, int], sensitivity: float, settings: TankSettings
) -> float:
    """Weigh all looks, and those late enough to see the young of a brood that hid, in the share with one."""
    at_once, late = (
        _missed(n_animals, [n_animals] * n, sensitivity=sensitivity, n_infested=1) for n in n_looks
    )
    hidden = settings.hidden_brood
    missed = (1 - hidden) * at_once + hidden * late
    return p_still_there(settings.introduced_by_addition, 1 - missed, 1)


def _missed(n_animals: int, looks: Sequence[int], *, sensitivity: float, n_infested: int) -> float:
    """Give the chance that an infested batch is called clean by every look."""
    missed = 1.0
    for n_looked in looks:
        missed *= 1 - batch_sensitivity(
            n_looked, n_animals=n_animals, n_infested=n_infested, sensitivity=sensitivity
        )
    return min(1.0, max(0.0, missed))


def _n_clean_from(batch: Batch, day: date) -> int:
    return sum(not look.seen and night_of(look) >= day for look in batch.looks)


def _risk_sentence(n_looks: int, n_animals: int, risks: tuple[float, float, float]) -> str:
    least, middle, most = (percent(risk) for risk in risks)
    of_animals = f"{n_animals} animal{'' if n_animals == 1 else 's'}"
    if n_looks == 0:
        return (
            f"{NOT_LOOKED} That one of its {of_animals} is infested is held for {middle} probable."
        )
    looks = "1 clean look" if n_looks == 1 else f"{n_looks} clean looks"
    return (
        f"After {looks} at {of_animals} the batch is infested with a probability of {middle}, or of {least} "
        f"to {most} as a look is worth more or less."
    )


def _assumptions(settings: TankSettings) -> tuple[str, ...]:
    prior, look = settings.introduced_by_addition, settings.quarantine_look
    low, high = min(LOOK_RANGE[0], look), max(LOOK_RANGE[1], look)
    before = (
        f"Before any look a batch is infested with a probability of {prior:.3g}, and then one animal is. "
        "Nobody has measured that."
    )
    worth = (
        f"A look at an infested animal sees it with a chance of {look:.3g}; from {low:.3g} to {high:.3g} is "
        f"thought possible. {NOT_MEASURED}"
    )
    hidden = (
        f"With a chance of {settings.hidden_brood:.3g} what it carries is a brood that no look finds for "
        f"{settings.hidden_weeks:g} weeks."
    )
    return before, worth, hidden, "Every look was at all of them.", YOUNG_HIDE


def _batch(named: list[Note]) -> Batch | None:
    added = [note for note in named if note.kind is Kind.ADDED]
    if not added:
        return None
    animals = [note for note in added if note.cargo is Cargo.ANIMALS]
    counts = [note.count for note in animals]
    tanks: dict[str, None] = {}
    for note in named:
        tanks[note.tank] = None
        if note.other is not None:
            tanks[note.other] = None
    return Batch(
        name=added[0].batch or "",
        tanks=tuple(tanks),
        came_on=max(note.at.date() for note in added),
        n_animals=None if None in counts or not counts else sum(n or 0 for n in counts),
        is_animals=bool(animals),
        looks=tuple(
            note
            for note in named
            if note.kind is Kind.LOOKED and note.pest is Pest.LEECH and note.judge is Judge.KEEPER
        ),
    )
