"""From what stands out in one frame to bodies: pieces that belong together, with their masks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.errors import ShapeError
from pestvision.motion.pieces import pieces_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32, F64, Bool, BoxXyxy

GAP_PX = 3  # pieces nearer than twice this are one body: a faint waist parts it
LEAST_AREA_PX = 12  # smaller things have no shape
FAINT = 0.25
"""Of how clearly a body stands out: what does so by less is where the ground was not told well, beside it."""
MOST_BODIES = (
    16  # of a frame, the most conspicuous; more is a frame that does not lie on the ground
)


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """What stands out in one frame and belongs together.

    `left`, `top`: where `mask`, (h, w) bool, begins, in whole pixels. `strength`: how far it stands out,
    in noises, added up. `area`: its pixels. `middle`: (2,) float64, mean (x, y) of them, their centres at
    halves.
    """

    left: int
    top: int
    mask: Bool
    strength: float
    area: int = field(init=False)
    middle: F64 = field(init=False)

    def __post_init__(self) -> None:
        if self.mask.ndim != 2 or not self.mask.any():
            raise ShapeError("mask", expected="(h, w) bool, not empty", actual=str(self.mask.shape))
        moments = cv2.moments(self.mask.astype(np.uint8), binaryImage=True)
        area = moments["m00"]
        middle = np.array([self.left + moments["m10"] / area, self.top + moments["m01"] / area])
        middle += 0.5
        object.__setattr__(self, "area", round(area))
        object.__setattr__(self, "middle", middle)

    @property
    def reach(self) -> float:
        """Diagonal of its box, pixels."""
        return float(np.hypot(*self.mask.shape))

    @property
    def box(self) -> BoxXyxy:
        """Its box: left, top, right, bottom."""
        high, wide = self.mask.shape
        return (self.left, self.top, self.left + wide, self.top + high)

    def places(self) -> F64:
        """(N, 2) float64: (x, y) of its pixels' centres."""
        rows, columns = np.nonzero(self.mask)
        return np.column_stack([self.left + columns + 0.5, self.top + rows + 0.5])


def bodies_in(out: Bool, noises: F32) -> list[Body]:
    """Part what stands out into bodies, the most conspicuous first.

    Parameters
    ----------
    out
        (H, W) bool.
    noises
        (H, W) float32: how far each place stands out.
    """
    left, top, wide, high = cv2.boundingRect(out.astype(np.uint8))  # beyond it nothing stands out
    if not wide:
        return []
    x0, y0 = max(left - GAP_PX, 0), max(top - GAP_PX, 0)
    cut = (slice(y0, top + high + GAP_PX), slice(x0, left + wide + GAP_PX))
    out, noises = out[cut], noises[cut]
    side = 2 * GAP_PX + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    joined = cv2.dilate(out.astype(np.uint8), kernel)
    found = []
    for piece in pieces_in(np.asarray(joined > 0)):
        inside = out[piece.rows, piece.columns]
        if np.count_nonzero(inside) < LEAST_AREA_PX:
            continue
        rows, columns = piece.rows[inside], piece.columns[inside]
        far = noises[rows, columns]
        clear = far > FAINT * float(np.percentile(far, 90))
        mine = np.zeros((piece.height, piece.width), np.bool_)
        mine[rows[clear] - piece.top, columns[clear] - piece.left] = True
        strength = float(far[clear].sum())
        found.append(trimmed(x0 + piece.left, y0 + piece.top, bridged(mine, GAP_PX), strength))
    found.sort(key=lambda body: -body.strength)
    return found[:MOST_BODIES]


def bridged(mask: Bool, gap_px: int) -> Bool:
    """Join pieces over gaps of up to twice so much, each piece keeping its outline: (h, w) bool."""
    side = 2 * gap_px + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    padded = cv2.copyMakeBorder(mask.astype(np.uint8), *(side,) * 4, cv2.BORDER_CONSTANT, value=0)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, kernel)
    return np.asarray(closed[side:-side, side:-side] > 0)


def trimmed(left: int, top: int, mask: Bool, strength: float) -> Body:
    """Make a body of a mask, cut to what is in it."""
    rows, columns = np.nonzero(mask.any(axis=1))[0], np.nonzero(mask.any(axis=0))[0]
    y0, y1, x0, x1 = int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1
    return Body(left + x0, top + y0, np.asarray(mask[y0:y1, x0:x1]), strength)


def joined(bodies: Sequence[Body]) -> Body:
    """Make one body of several pieces."""
    if len(bodies) == 1:
        return bodies[0]
    left, top = min(body.left for body in bodies), min(body.top for body in bodies)
    right = max(body.left + body.mask.shape[1] for body in bodies)
    bottom = max(body.top + body.mask.shape[0] for body in bodies)
    mask = np.zeros((bottom - top, right - left), np.bool_)
    for body in bodies:
        y, x = body.top - top, body.left - left
        mask[y : y + body.mask.shape[0], x : x + body.mask.shape[1]] |= body.mask
    return Body(left, top, mask, sum(body.strength for body in bodies))


def overlap(one: Body, other: Body) -> float:
    """Give the common area of two bodies over the smaller one's, 0 to 1."""
    x0, y0 = max(one.left, other.left), max(one.top, other.top)
    x1 = min(one.left + one.mask.shape[1], other.left + other.mask.shape[1])
    y1 = min(one.top + one.mask.shape[0], other.top + other.mask.shape[0])
    if x1 <= x0 or y1 <= y0:
        return 0.0
    a = one.mask[y0 - one.top : y1 - one.top, x0 - one.left : x1 - one.left]
    b = other.mask[y0 - other.top : y1 - other.top, x0 - other.left : x1 - other.left]
    return float((a & b).sum()) / min(one.area, other.area)


def share_on(body: Body, part: Body) -> float:
    """Give how much of a part's area a body holds, 0 to 1."""
    return overlap(body, part) * min(body.area, part.area) / part.area


def shared_out(body: Body, claims: Sequence[F64]) -> list[Body | None]:
    """Part a body that is several animals touching: each pixel to the nearest claim.

    `claims` are (N, 2) places where each of them is expected.
    """
    places = body.places()
    away = np.stack([_nearest(places, claim) for claim in claims])
    owner = away.argmin(axis=0)
    rows, columns = np.nonzero(body.mask)
    parts: list[Body | None] = []
    for index in range(len(claims)):
        mask = np.zeros(body.mask.shape, np.bool_)
        mine = owner == index
        mask[rows[mine], columns[mine]] = True
        share = float(mine.mean())
        enough = mine.sum() >= LEAST_AREA_PX
        parts.append(trimmed(body.left, body.top, mask, body.strength * share) if enough else None)
    return parts


def _nearest(places: F64, claim: F64) -> F64:
    thin = claim[:: max(1, len(claim) // 60)]
    away = np.hypot(places[:, None, 0] - thin[None, :, 0], places[:, None, 1] - thin[None, :, 1])
    return np.asarray(away.min(axis=1), np.float64)
