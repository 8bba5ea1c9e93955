"""What a note may say of sizes: one sentence on the first thing that cannot be."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pestvision.tanks.records import Note

# Snail leeches reach 30 mm at rest, and the longest flatworm that is likely in a tank 40 mm stretched out
# (Bdellocephala punctata; Essex Field Club, "The British fresh-water planarians"). Five times that is a slip
# of the hand: pixels, or tenths of a millimetre.
MAX_LENGTH_MM: Final = 200.0
SIZES: Final = ("smallest_mm", "largest_mm")
"""The fields of a note that hold a length."""


def wrong_sizes(note: Note) -> tuple[str, str] | None:
    """Say what is wrong with the sizes of a note and what would do; None where nothing is."""
    for name, which in zip(SIZES, ("smallest", "largest"), strict=True):
        length = getattr(note, name)
        if length is not None and not 0 < length <= MAX_LENGTH_MM:
            return (
                f"{length:g} mm were given for the {which}",
                f"Give millimetres, more than 0 and at most {MAX_LENGTH_MM:g}.",
            )
    smallest, largest = note.smallest_mm, note.largest_mm
    if smallest is not None and largest is not None and smallest > largest:
        return (
            f"the smallest is given as {smallest:g} mm and the largest as {largest:g} mm",
            "Give the smaller number for the smallest.",
        )
    return _wrong_beside_number(note)


def _wrong_beside_number(note: Note) -> tuple[str, str] | None:
    """Hold sizes against how many there were."""
    number, verb = (note.taken, "taken out") if note.seen is None else (note.seen, "seen")
    if number is None:
        return None  # that it is missing is said elsewhere
    if number == 0 and (note.smallest_mm is not None or note.largest_mm is not None):
        return (
            f"it gives the size of one and says that none was {verb}",
            "Leave one of the two out.",
        )
    if note.hatchlings is not None and note.hatchlings > number:
        return (
            f"{note.hatchlings} were of hatchling size and {number} {verb}",
            f"Young ones are among those {verb}: give the larger number as {verb}.",
        )
    return None
