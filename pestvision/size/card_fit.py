"""Lay the card through the markers that were read: a homography, and how sure lengths by it are.

Weighted least squares through all corners. What holds it where only a marker or two are seen is that no camera
sees a plane bent more than a near one that leans: a loose bound on the two perspective terms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from pestvision.size.card_layout import MARKERS, WINDOW_XYXY_MM
from pestvision.size.tilt import FOCAL_GUESS

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from pestvision.size.card_markers import SeenMarker

CORNER_SD_PX: Final = 0.35
"""How well a corner is placed, until the corners of this photo say better; on drawn photos it is 0.1 to 0.5."""
CORNER_PRIOR: Final = 8.0
"""How many corner coordinates that first guess counts for."""
FAR_CORNER_PX: Final = 4.0
"""A corner so far from the others' homography is of something else, or covered."""
FAR_CORNER_SHARE: Final = 0.06  # of the marker's side: the same, for large ones
GROWTH_SD_PX: Final = 0.7
"""Smear makes black squares larger on the photo, and bright paper smaller: all of them by as much, which one
more unknown takes up. On drawn photos it was -0.4 to 1.3 px."""
BEND_SD: Final = 0.35
"""Of a perspective term, over local pixels per mm and focal length: the sine of 20 degrees."""

_BY_NUMBER: Final = {marker.number: marker for marker in MARKERS}


@dataclass(frozen=True, slots=True, eq=False)
class CardFit:
    """The card laid through its markers.

    `to_px` (3, 3) takes the card's millimetres to pixels; `relative_sd` is of a length by it; `card_mm` (N, 2)
    are the corners that it was made of, four of each marker.
    """

    to_px: F64
    relative_sd: float
    card_mm: F64

    @property
    def n_markers(self) -> int:
        """Of how many markers it was made."""
        return len(self.card_mm) // 4


def lay_card(seen: list[SeenMarker], long_side_px: float) -> CardFit | None:
    """Lay the card through all markers, leaving out those that do not belong; None if they contradict."""
    kept = _agreeing(seen)
    if not kept:
        return None
    card = np.concatenate([_BY_NUMBER[one.number].corners_mm() for one in kept])
    photo = np.concatenate([one.corners_px for one in kept])
    to_px = _direct(card, photo)
    if to_px is None:
        return None
    bend = _bend_bound(to_px, card, long_side_px)
    outward = np.concatenate([_outward(one.corners_px) for one in kept])
    to_px, covariance = _least_squares(to_px, card, photo, outward, bend)
    return CardFit(to_px, _length_sd(to_px, covariance, card), card)


def _agreeing(seen: list[SeenMarker]) -> list[SeenMarker]:
    """Give the markers that lie on one card: most of the corners of each are where one homography has them."""
    if len(seen) == 1:
        return seen
    card = np.concatenate([_BY_NUMBER[one.number].corners_mm() for one in seen])
    photo = np.concatenate([one.corners_px for one in seen])
    far = max(FAR_CORNER_PX, FAR_CORNER_SHARE * float(np.median([one.side_px for one in seen])))
    try:
        _, is_near = cv2.findHomography(card, photo, cv2.RANSAC, far)
        near = np.asarray(is_near, np.bool_).reshape(-1, 4).sum(axis=1)
    except (cv2.error, ValueError):  # no homography at all
        return []
    kept = [one for one, n_near in zip(seen, near, strict=True) if n_near >= 3]
    # One that disagrees with one other: which is the card cannot be told.
    return kept if len(kept) > 1 else []


def _direct(card: F64, photo: F64) -> F64 | None:
    try:
        found = np.asarray(cv2.findHomography(card, photo, 0)[0], np.float64)
    except (cv2.error, TypeError):  # places that lie on one line: an error, or None for a matrix
        return None
    if found.shape != (3, 3) or not np.isfinite(found).all():
        return None
    return np.asarray(found / found[2, 2], np.float64)


def through(matrix: F64, xy: F64) -> F64:
    """Take places, (N, 2), through a homography."""
    full = np.column_stack([xy, np.ones(len(xy))]) @ matrix.T
    return np.asarray(full[:, :2] / full[:, 2:], np.float64)


def window_middle_mm() -> tuple[float, float]:
    """Give the middle of the card's window, where the animal most likely lies."""
    x0, y0, x1, y1 = WINDOW_XYXY_MM
    return (x0 + x1) / 2, (y0 + y1) / 2


def _bend_bound(to_px: F64, card: F64, long_side_px: float) -> float:
    """Give one standard deviation of a perspective term, per millimetre: lean over distance."""
    middle = card.mean(axis=0)
    here = through(to_px, middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    px_per_mm = float(np.sqrt(abs(np.linalg.det(np.array([here[1] - here[0], here[2] - here[0]])))))
    return BEND_SD * px_per_mm / (FOCAL_GUESS * long_side_px)


def _outward(corners_px: F64) -> F64:
    """Give how a marker's corners move, (4, 2), when each of its sides moves outwards by a pixel."""
    before, after = (corners_px - np.roll(corners_px, turn, axis=0) for turn in (1, -1))
    return np.asarray(
        before / np.hypot(*before.T)[:, None] + after / np.hypot(*after.T)[:, None], np.float64
    )


def _least_squares(start: F64, card: F64, photo: F64, outward: F64, bend: float) -> tuple[F64, F64]:
    """Improve a homography by Gauss and Newton; give it, and how sure it is.

    Returns
    -------
    (3, 3) homography from the card to pixels, and the (8, 8) covariance of its first eight numbers when the
    card's origin is moved to the middle of its markers. The ninth unknown is how much the squares have grown.
    """
    middle = card.mean(axis=0)
    shift = np.array([[1.0, 0.0, middle[0]], [0.0, 1.0, middle[1]], [0.0, 0.0, 1.0]])
    local = card - middle
    matrix = start @ shift
    numbers = np.append((matrix / matrix[2, 2]).ravel()[:8], 0.0)
    held = np.array([0.0] * 6 + [1.0 / bend**2] * 2 + [1.0 / GROWTH_SD_PX**2])
    covariance = np.eye(9)
    for _ in range(12):
        eight, there = _jacobian(numbers[:8], local)
        jacobian = np.column_stack([eight, outward.ravel()])
        left = (photo - there - numbers[8] * outward).ravel()
        variance = _variance(left)
        normal = jacobian.T @ jacobian / variance + np.diag(held)
        right = jacobian.T @ left / variance - held * numbers
        scaling = 1.0 / np.sqrt(np.diag(normal))
        scaled = np.linalg.inv(normal * np.outer(scaling, scaling))
        covariance = scaled * np.outer(scaling, scaling)
        step = covariance @ right
        numbers = numbers + step
        if float(np.abs(jacobian @ step).max()) < 1e-4:
            break
    full = np.append(numbers[:8], 1.0).reshape(3, 3) @ np.linalg.inv(shift)
    return np.asarray(full / full[2, 2], np.float64), np.asarray(covariance[:8, :8], np.float64)


def _variance(left: F64) -> float:
    """Give the variance of a corner's coordinate: what is left over, and a first guess for where little is."""
    free = max(0.0, len(left) - 9.0)
    return float(((left**2).sum() + CORNER_PRIOR * CORNER_SD_PX**2) / (free + CORNER_PRIOR))


def _jacobian(numbers: F64, local: F64) -> tuple[F64, F64]:
    """Give how pixels change with the eight numbers, (2 N, 8), and where they are, (N, 2)."""
    x, y = local.T
    under = numbers[6] * x + numbers[7] * y + 1.0
    right = (numbers[0] * x + numbers[1] * y + numbers[2]) / under
    down = (numbers[3] * x + numbers[4] * y + numbers[5]) / under
    zero, one = np.zeros_like(x), np.ones_like(x)
    rows_x = np.column_stack([x, y, one, zero, zero, zero, -x * right, -y * right])
    rows_y = np.column_stack([zero, zero, zero, x, y, one, -x * down, -y * down])
    jacobian = np.stack([rows_x, rows_y], axis=1).reshape(-1, 8) / np.repeat(under, 2)[:, None]
    return jacobian, np.column_stack([right, down])


def _length_sd(to_px: F64, covariance: F64, card: F64) -> float:
    """Give one standard deviation of a length at the window's middle or at the markers, whichever is larger."""
    middle = card.mean(axis=0)
    shift = np.array([[1.0, 0.0, middle[0]], [0.0, 1.0, middle[1]], [0.0, 0.0, 1.0]])
    local = to_px @ shift
    numbers = (local / local[2, 2]).ravel()[:8]
    places = [np.zeros(2), np.asarray(window_middle_mm()) - middle]
    return max(_sd_at(numbers, covariance, place) for place in places)


def _sd_at(numbers: F64, covariance: F64, place: F64) -> float:
    """Give the standard deviation of the logarithm of pixels per millimetre at a place, in the worst direction."""
    worst = 0.0
    for turn in np.deg2rad((0.0, 45.0, 90.0, 135.0)):
        along = np.array([np.cos(turn), np.sin(turn)])

        def log_length(values: F64, along: F64 = along) -> float:
            _, ends = _jacobian(values, np.array([place - along, place + along]))
            return float(np.log(np.hypot(*(ends[1] - ends[0]))))

        sizes = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        slope = np.zeros(8)
        for index in range(8):
            step = np.zeros(8)
            step[index] = max(1e-3 * sizes[index], 1e-12)
            slope[index] = (log_length(numbers + step) - log_length(numbers - step)) / (
                2 * step[index]
            )
        worst = max(worst, float(np.sqrt(max(float(slope @ covariance @ slope), 0.0))))
    return worst
