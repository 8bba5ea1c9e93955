"""How far a track goes in the time between two photos, and what that says of the animal.

Between photos seconds apart a creeping animal does not travel many of its lengths, and a fish or a shrimp
does. Between photos minutes apart anything may have come anywhere: then only the look counts, and so it
does where no time is known. Travel is never told to be more than it surely was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from pestvision.photos.exif import TakenAt

SEEN_SHORT = 3.0
"""A leech's longest length over its shortest is 2 to 3 (from memory; 2.0 to 3.1 in a flatworm, from the
lengths that the Essex Field Club gives for Bdellocephala): what is seen may be a third of it."""

CREEP = 1.0
"""Lengths seen a second that no creeping leech or flatworm does. A step of a leech takes it by two thirds
of its longest length at the most, 0.24 times a second (Garcia-Perez et al. 2005, J Neurosci 25:2597,
table 1): 0.16 longest lengths, 0.5 lengths seen. A flatworm glides by 0.3 lengths a second at the most
(from memory, no source read): 0.9 lengths seen."""

SWIM = 1.7 * SEEN_SHORT
"""Lengths seen a second that no leech does. One that swims sends 1.3 to 1.7 waves a second along its body
(the same table), about one wave on the body at a time (from memory), and nothing that swims by waves goes
faster than they run: 1.7 longest lengths, 5.1 lengths seen."""

WHOLE_SECOND = 1.0  # by so much two times without a fraction of a second may lie farther apart


@dataclass(frozen=True, slots=True)
class Travel:
    """How often a track went farther than a creeping animal, and than any leech, and its best pace.

    `n_beyond_creep`, `n_beyond_swim`: of the steps between two photos, those at a pace above `CREEP`, and
    above `SWIM`. `pace`: the fastest step, in lengths seen a second; 0 where none is known.
    """

    n_beyond_creep: int = 0
    n_beyond_swim: int = 0
    pace: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.n_beyond_swim <= self.n_beyond_creep or not self.pace >= 0:
            raise ShapeError("travel", expected="counts and a pace that fit", actual=str(self))


UNKNOWN = Travel()


def travel_of(
    steps: Iterable[tuple[str, str, float | None]],
    *,
    length_px: float,
    taken: Mapping[str, TakenAt],
) -> Travel:
    """Measure how fast a track goes.

    Parameters
    ----------
    steps
        For each pair of photos: their names, and how far the track went in pixels, None where that is
        not known.
    length_px
        The longest that the animal is seen, pixels.
    taken
        When each photo was taken. A photo that is not in it has no time.
    """
    paces = []
    for first, second, distance_px in steps:
        seconds = longest_seconds(taken.get(first), taken.get(second))
        if distance_px is not None and seconds is not None:
            paces.append(distance_px / length_px / seconds)
    return Travel(
        n_beyond_creep=sum(pace > CREEP for pace in paces),
        n_beyond_swim=sum(pace > SWIM for pace in paces),
        pace=max(paces, default=0.0),
    )


def longest_seconds(first: TakenAt | None, second: TakenAt | None) -> float | None:
    """Give the longest time that may lie between two photos, in seconds; None where it is not known.

    Only what the camera wrote into the photo is trusted: a file's name may tell when it was sent. Without
    fractions of a second up to a whole one more may have passed.
    """
    if first is None or second is None or first.local is None or second.local is None:
        return None
    if first.source != "exif" or second.source != "exif":
        return None
    seconds = (second.local - first.local).total_seconds()
    if first.offset is not None and second.offset is not None:
        seconds -= (second.offset - first.offset).total_seconds()
    if seconds < 0:
        return None
    if not (first.has_subseconds and second.has_subseconds):
        seconds += WHOLE_SECOND
    return seconds if seconds > 0 else None
