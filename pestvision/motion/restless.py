"""How restless a place is: what the other pairs of a stretch show of it.

A plant sways, a lamp's image jumps about, bubbles rise from one stone: over and over at one place. An
animal that comes to a place in one pair, and leaves it in the next, does not change it in all the others.
So more than two photos of a view tell, for each place, how often something changes there anyway. What
changed at a place that is mostly at rest is surer to be an animal, and what changed at a restless one
less sure.

How much is a measured likelihood ratio, by which the number of false ones that are expected is
multiplied. So that number stays what was asked for: what grows at restless places falls at restful ones.
Nothing is forbidden: an animal that wriggles at one place all night counts `MOST_FACTOR` times less, and
stays where it is plain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.arrays import BoxXyxy, box_iou
from pestvision.errors import ShapeError
from pestvision.motion.tracks import carried_box

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64

SAME_IOU = (
    0.1  # two boxes that overlap so much are at one place; or the middle of one is in the other
)
NEXT = 1
"""Pairs so near say nothing of a place: what came there in one pair leaves it in the next."""
LEAST_PAIRS = 2  # others than those: of one alone, nothing is said

SHARES: Final = (0.5, 0.85)
FACTORS: Final = (0.8, 2.0, 3.0)
"""For a place that changed in under a half, in up to 0.85, and in more of the other pairs. Of 1427 false
candidates and 479 movers' (60 tuning series of `training.restless_exam`, those of which the program is
neither sure nor sure of the contrary) the shares that lie there have the ratios 0.68, 1.70 and 2.67. All
are 1.17 times that: still tanks then show fewer false blobs than without, and as many movers are found."""
LEAST_FACTOR, MOST_FACTOR = min(FACTORS), max(FACTORS)


@dataclass(frozen=True, slots=True, eq=False)
class PairPlaces:
    """Where something changed in a pair, whatever it was.

    Parameters
    ----------
    boxes
        Of all candidates, on the first photo's pixels.
    matrix
        (3, 3) float64, the pair's: takes the first photo's (x, y, 1) to the second's.
    size
        Height and width of the first photo.
    """

    boxes: tuple[BoxXyxy, ...]
    matrix: F64
    size: tuple[int, int]

    def __post_init__(self) -> None:
        if self.matrix.shape != (3, 3):
            raise ShapeError("matrix", expected="(3, 3)", actual=str(self.matrix.shape))

    def has_changed_at(self, box: BoxXyxy) -> bool | None:
        """Tell whether something changed at a box's place; None where its middle lies outside."""
        x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        if not (0 <= x < self.size[1] and 0 <= y < self.size[0]):
            return None
        return any(
            (one[0] <= x <= one[2] and one[1] <= y <= one[3]) or box_iou(one, box) > SAME_IOU
            for one in self.boxes
        )


def place_factors(
    pairs: Sequence[PairPlaces | None], boxes: Sequence[Sequence[BoxXyxy]]
) -> list[list[float]]:
    """Give, for each box of each pair, how many times more false ones its place makes to be expected.

    Parameters
    ----------
    pairs
        Neighbouring pairs of a stretch, in order; None for one that could not be aligned: what is
        before it and what comes after it cannot be laid on each other.
    boxes
        For each pair, boxes on its first photo's pixels.

    Returns
    -------
    `LEAST_FACTOR` to `MOST_FACTOR`; 1 where fewer than `LEAST_PAIRS` others show the place.
    """
    return [
        [factor_of(restlessness(box, rank, pairs)) for box in of_pair]
        for rank, of_pair in enumerate(boxes)
    ]


def restlessness(box: BoxXyxy, rank: int, pairs: Sequence[PairPlaces | None]) -> float | None:
    """Give in what share of the other pairs something changed at the place of a box of a pair.

    The pairs next to it are left out. None where fewer than `LEAST_PAIRS` are left.
    """
    changed = [
        has_changed
        for other, there in _carried(box, rank, pairs)
        if (has_changed := other.has_changed_at(there)) is not None
    ]
    return sum(changed) / len(changed) if len(changed) >= LEAST_PAIRS else None


def _carried(
    box: BoxXyxy, rank: int, pairs: Sequence[PairPlaces | None]
) -> list[tuple[PairPlaces, BoxXyxy]]:
    """Carry a box into each pair that can be reached, but those next to it."""
    found = []
    ahead: F64 = np.eye(3)
    for other in range(rank, len(pairs)):
        pair = pairs[other]
        if pair is None:
            break
        if other > rank + NEXT:
            found.append((pair, carried_box(box, ahead)))
        ahead = pair.matrix @ ahead
    back: F64 = np.eye(3)
    for other in range(rank - 1, -1, -1):
        pair = pairs[other]
        if pair is None:
            break
        back = np.linalg.inv(pair.matrix) @ back
        if other < rank - NEXT:
            found.append((pair, carried_box(box, back)))
    return found


def factor_of(share: float | None) -> float:
    """Give the factor of a place that changed in a share of the other pairs; 1 where that is not known."""
    if share is None:
        return 1.0
    return FACTORS[int(np.searchsorted(SHARES, share, side="right"))]
