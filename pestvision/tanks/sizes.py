"""Sizes over the nights: the smallest, the largest, and how many were of hatchling size.

Nothing here changes how many are said to be left or how sure a tank is clear: that young ones were seen is
said in a sentence and reckoned with nowhere.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pestvision.tanks.clearance_words import day_words
from pestvision.tanks.nights import night_of
from pestvision.tanks.records import Judge, Kind, Note, Pest

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

# Sizes and times: Šatkauskienė and Rutkauskaitė-Sucilienė 2022, Zootaxa 5115:47 (p. 52, young of about 1 mm);
# Hatto 1968, Hydrobiologia 31:363 (abstract: 16 days to hatching after 3 to 4, and 10 or more on the parent);
# Govedich 2004, as summarised.
BROOD_CLOCK: Final = (
    "A young Helobdella stagnalis is about 1 mm long. From its eggs to young that leave their parent took "
    "Alboglossiphonia heteroclita about 30 days at 14 degrees (Hatto 1968), and young Helobdella europaea "
    "stay on their parent for 5 to 6 weeks (after Govedich 2004): the eggs were laid weeks before."
)
BRED: Final = "something has bred here, or in what was put in."
NOT_RECKONED: Final = "No number here reckons with that."
STRETCHING: Final = (
    "One animal is long and short by turns as it crawls, so that a small difference says nothing."
)


@dataclass(frozen=True, slots=True)
class SizeNight:
    """What the looks and removals of one night say of sizes.

    Parameters
    ----------
    day
        The day on whose evening the night began.
    smallest_mm, largest_mm
        Of the whole night, in millimetres; None where nobody measured.
    hatchlings, of
        The most young ones at one look, and how many were seen at that look; None where nobody said.
    """

    day: date
    smallest_mm: float | None = None
    largest_mm: float | None = None
    hatchlings: int | None = None
    of: int | None = None

    def as_json(self) -> dict[str, Any]:
        """Give it as an object for other programs."""
        return {
            "night": self.day.isoformat(),
            "smallest_mm": self.smallest_mm,
            "largest_mm": self.largest_mm,
            "hatchlings": self.hatchlings,
            "of": self.of,
        }


def size_nights(
    notes: Iterable[Note], tank: str, *, pest: Pest = Pest.LEECH
) -> tuple[SizeNight, ...]:
    """Gather what was written of sizes in one tank since it was last emptied, in the order of time.

    What only the program has read off photos is left out until the keeper has looked at them.

    Parameters
    ----------
    notes
        Notes of any tanks, in any order.
    tank
        The tank's name.
    pest
        Which animal.
    """
    own = [note for note in notes if note.tank == tank]
    emptied = max((note.at for note in own if note.kind is Kind.EMPTIED), default=None)
    by_night: dict[date, list[Note]] = defaultdict(list)
    for note in own:
        is_told = note.pest is pest and note.judge is Judge.KEEPER and _says_sizes(note)
        if is_told and (emptied is None or note.at > emptied):
            by_night[night_of(note)].append(note)
    return tuple(_night(day, by_night[day]) for day in sorted(by_night))


def _says_sizes(note: Note) -> bool:
    told = (note.smallest_mm, note.largest_mm, note.hatchlings)
    return bool(note.seen or note.taken) and any(value is not None for value in told)


def _night(day: date, notes: Sequence[Note]) -> SizeNight:
    lengths = [
        length
        for note in notes
        for length in (note.smallest_mm, note.largest_mm)
        if length is not None
    ]
    smallest = [note.smallest_mm for note in notes if note.smallest_mm is not None]
    largest = [note.largest_mm for note in notes if note.largest_mm is not None]
    told = [
        (note.hatchlings, note.seen or note.taken or 0)
        for note in notes
        if note.hatchlings is not None
    ]
    hatchlings, of = max(told, default=(None, None))
    return SizeNight(
        day,
        min(lengths) if smallest else None,
        max(lengths) if largest else None,
        hatchlings,
        of,
    )


def share_words(night: SizeNight) -> str:
    """Say how many were of hatchling size; empty where nobody said."""
    if night.hatchlings is None or night.of is None:
        return ""
    return f"{night.hatchlings or 'none'} of {night.of} of hatchling size"


def size_sentences(nights: Sequence[SizeNight]) -> tuple[str, ...]:
    """Say what the sizes come to: the last ones, young ones if any, and the largest first and last.

    Empty where nothing was written of sizes.
    """
    if not nights:
        return ()
    told = [_last_words(nights[-1])]
    young = [night for night in nights if night.hatchlings]
    if young:
        last = day_words(young[-1].day)
        told.append(f"Young ones were seen, last on {last}: {BRED} {NOT_RECKONED}")
    told += _largest_words(nights)
    if young:
        told.append(BROOD_CLOCK)
    return tuple(told)


def _last_words(night: SizeNight) -> str:
    parts = [
        f"the {which} {length:g} mm long"
        for which, length in (("largest", night.largest_mm), ("smallest", night.smallest_mm))
        if length is not None
    ]
    share = share_words(night)
    said = ", ".join([*parts, share] if share else parts)
    return f"Sizes on {day_words(night.day)}, the last night with any: {said}."


def _largest_words(nights: Sequence[SizeNight]) -> tuple[str, ...]:
    """Set the largest of the first night that was measured beside that of the last."""
    measured = [(night.day, night.largest_mm) for night in nights if night.largest_mm is not None]
    if len(measured) < 2:
        return ()
    (first_day, first), (last_day, last) = measured[0], measured[-1]
    became = "grown smaller" if last < first else "not grown smaller"
    course = f"the largest was {first:g} mm on {day_words(first_day)} and {last:g} mm on {day_words(last_day)}"
    return (
        f"Over {len(measured)} nights with a length {course}: the largest seen has {became}.",
        STRETCHING,
    )
