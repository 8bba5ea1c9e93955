"""Join what left to what arrived, within a pair, by an assignment of least total cost.

Over the photos of a view movers are followed by `links`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import linear_sum_assignment

from pestvision.arrays import F32, F64, BoxXyxy, checked_box
from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.motion.blobs import Blob

STEP_LENGTHS = 12.0  # body lengths at which distance alone costs 1; common practice, no source
COLOUR_STEP = 45.0  # grey levels of contrast at which colour alone costs 1
WORST_COST = 1.3  # above it, two blobs are two animals: one left and another came


@dataclass(frozen=True, slots=True)
class Traits:
    """What a mover looks like by its blobs: size in pixels, and contrast with its ground."""

    length_px: float
    width_px: float
    area_px: float
    contrast_rgb: tuple[float, float, float]

    def __post_init__(self) -> None:
        if not min(self.length_px, self.width_px, self.area_px) > 0:
            raise ShapeError("traits", expected="sizes above 0", actual=str(self))

    @classmethod
    def of(cls, *blobs: Blob) -> Traits:
        """Take the mean over blobs."""
        red, green, blue = np.mean([blob.contrast_rgb for blob in blobs], axis=0).tolist()
        return cls(
            length_px=float(np.mean([blob.length_px for blob in blobs])),
            width_px=float(np.mean([max(blob.width_px, 1.0) for blob in blobs])),
            area_px=float(np.mean([blob.area_px for blob in blobs])),
            contrast_rgb=(red, green, blue),
        )


@dataclass(frozen=True, slots=True)
class Mover:
    """A blob that left joined to the blob that arrived, or one of them alone.

    Boxes are on each photo's own pixels (the second's are carried through the pair's matrix).
    `displacement_px` is measured after alignment, so that the camera's own motion does not count;
    None where one box is None. `track` is 0 until `link_movers` has numbered it. `traits` is None where
    nothing is known of its looks.
    """

    box_first_xyxy_px: BoxXyxy | None
    box_second_xyxy_px: BoxXyxy | None
    displacement_px: float | None
    z_peak: float
    track: int = 0
    traits: Traits | None = None

    def __post_init__(self) -> None:
        boxes = [
            box for box in (self.box_first_xyxy_px, self.box_second_xyxy_px) if box is not None
        ]
        if not boxes:
            raise ShapeError("boxes", expected="at least one box", actual="None, None")
        for box in boxes:
            checked_box(box)


def pair_movers(blobs: Sequence[Blob], matrix: F32 | F64) -> tuple[Mover, ...]:
    """Join what left to what arrived.

    Parameters
    ----------
    blobs
        Of one pair, from `find_blobs`.
    matrix
        (3, 3), the pair's: takes the first photo's (x, y, 1) to the second's.

    Returns
    -------
    One mover for each joined couple and for each blob left alone, the strongest first. A blob whose
    photo cannot be told has its box on both photos.
    """
    if np.shape(matrix) != (3, 3):
        raise ShapeError("matrix", expected="(3, 3)", actual=str(np.shape(matrix)))
    left = [blob for blob in blobs if blob.seen_on == "first"]
    arrived = [blob for blob in blobs if blob.seen_on == "second"]
    movers = [
        Mover(
            blob.box_xyxy_px,
            carried_box(blob.box_xyxy_px, matrix),
            displacement_px=blob.moved_px,
            z_peak=blob.z_peak,
            traits=Traits.of(blob),
        )
        for blob in blobs
        if blob.seen_on == "both"
    ]
    couples = _couples(left, arrived)
    for one, other in couples:
        movers.append(
            Mover(
                one.box_xyxy_px,
                carried_box(other.box_xyxy_px, matrix),
                displacement_px=_distance(one.box_xyxy_px, other.box_xyxy_px),
                z_peak=max(one.z_peak, other.z_peak),
                traits=Traits.of(one, other),
            )
        )
    taken = {id(blob) for couple in couples for blob in couple}
    movers += [
        Mover(b.box_xyxy_px, None, None, b.z_peak, traits=Traits.of(b))
        for b in left
        if id(b) not in taken
    ]
    movers += [
        Mover(None, carried_box(b.box_xyxy_px, matrix), None, b.z_peak, traits=Traits.of(b))
        for b in arrived
        if id(b) not in taken
    ]
    return tuple(sorted(movers, key=lambda mover: -mover.z_peak))


def carried_box(box_xyxy_px: BoxXyxy, matrix: F32 | F64) -> BoxXyxy:
    """Carry a box through a homography: the upright box around its four carried corners."""
    x0, y0, x1, y1 = box_xyxy_px
    # A box's edges lie half a pixel before the centre of its first pixel: (0, 0) is a centre.
    corners = np.array([[x0, y0, 1], [x1, y0, 1], [x1, y1, 1], [x0, y1, 1]]) - [0.5, 0.5, 0]
    ahead = corners @ np.asarray(matrix, np.float64).T
    points = ahead[:, :2] / ahead[:, 2:] + 0.5
    low, high = points.min(axis=0), points.max(axis=0)
    return checked_box((float(low[0]), float(low[1]), float(high[0]), float(high[1])))


def _couples(left: Sequence[Blob], arrived: Sequence[Blob]) -> list[tuple[Blob, Blob]]:
    if not left or not arrived:
        return []
    cost = np.array([[_cost(one, other) for other in arrived] for one in left])
    # A couple above the worst cost is worth no more than leaving both alone.
    rows, columns = (side.tolist() for side in linear_sum_assignment(np.minimum(cost, WORST_COST)))
    return [
        (left[row], arrived[column])
        for row, column in zip(rows, columns, strict=True)
        if cost[row, column] < WORST_COST
    ]


def _cost(one: Blob, other: Blob) -> float:
    """Give how unlike two blobs are in size, contrast and place; 0 is the same."""
    size = abs(float(np.log(one.area_px / other.area_px)))
    colour = float(np.abs(np.subtract(one.contrast_rgb, other.contrast_rgb)).mean()) / COLOUR_STEP
    length = max(one.length_px, other.length_px)
    return (
        0.5 * size
        + colour
        + _distance(one.box_xyxy_px, other.box_xyxy_px) / (length * STEP_LENGTHS)
    )


def _distance(one: BoxXyxy, other: BoxXyxy) -> float:
    across = (one[0] + one[2] - other[0] - other[2]) / 2
    down = (one[1] + one[3] - other[1] - other[3]) / 2
    return float(np.hypot(across, down))
