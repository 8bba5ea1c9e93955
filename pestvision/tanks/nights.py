"""From notes to nights: what was seen and taken in one tank, night by night, and with how much effort."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

from pestvision.settings import TankSettings
from pestvision.tanks.records import Judge, Kind, Means, Night, Note, Pest

if TYPE_CHECKING:
    from collections.abc import Iterable

NIGHT_BEGINS_H: Final = 12  # a night goes from noon to noon of the keeper's own clock
LEAST_EFFORT: Final = 0.05  # a look of seconds is still a look


def night_of(note: Note) -> date:
    """Give the day on whose evening a note's night began, by the clock the note was written with."""
    return (note.at - timedelta(hours=NIGHT_BEGINS_H)).date()


def nights_of(
    notes: Iterable[Note],
    tank: str,
    *,
    pest: Pest = Pest.LEECH,
    settings: TankSettings | None = None,
) -> tuple[Night, ...]:
    """Gather looks and removals of a tank into nights, in the order of time.

    What only the tool has said of photos is no look: nobody has measured how often it misses a leech on this
    tank's glass. The night counts once the keeper has looked at it and says so.

    Parameters
    ----------
    notes
        Notes of any tanks, in any order.
    tank
        The tank's name.
    pest
        Which animal is counted.
    settings
        Says how long a look is taken for that nobody timed.
    """
    usual = (settings or TankSettings()).usual_minutes
    by_night: dict[date, list[Note]] = defaultdict(list)
    for note in notes:
        is_one = note.kind in {Kind.LOOKED, Kind.REMOVED} and note.pest is pest
        if is_one and note.tank == tank and note.judge is Judge.KEEPER:
            by_night[night_of(note)].append(note)
    return tuple(_night(day, by_night[day], usual) for day in sorted(by_night))


def _night(day: date, notes: list[Note], usual_minutes: float) -> Night:
    looks = [note for note in notes if note.kind is Kind.LOOKED]
    taken = sum(note.taken or 0 for note in notes)
    seen = taken
    out = 0  # taken out before the look at hand; those seen at it were there beside them
    # of two looks at one time that at which less was taken counts as the first: fewer are certain then
    if len(notes) > 1:
        notes = sorted(notes, key=lambda each: (each.at, each.taken or 0, each.seen or 0))
    for note in notes:
        seen = max(seen, out + (note.seen or 0))
        out += note.taken or 0
    eye = [note for note in looks if note.means is Means.EYE]
    effort = sum((note.minutes or usual_minutes) / usual_minutes for note in eye)
    effort += len(looks) - len(eye)  # a photo or a trap is one usual look
    used = {note.means for note in looks}
    return Night(
        day,
        seen,
        taken,
        effort=max(effort, LEAST_EFFORT) if looks else 1.0,
        is_timed=bool(looks) and all(note.minutes is not None for note in eye),
        is_look=bool(looks),
        brooding=any(note.brooding for note in notes),
        means=tuple(means for means in Means if means in used),
    )
