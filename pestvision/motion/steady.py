"""Take out the camera's motion: where each frame of a clip lies on the first one.

Corners are spread evenly over the frame, so that a large animal with a strong pattern has no more of them
than the ground on which it sits, and followed by a pyramid of local least squares from a key frame. Of two
motions that hold for many corners, the one that reaches over more of the frame is the camera's: an animal
is in one place, the ground is everywhere. Where few corners are left, the frame becomes the next key.

Of a camera that stood on a stand this is known beforehand: it kept still wherever nothing wide shows that it
did not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, Bool, as_f32, as_rgb, as_u8

if TYPE_CHECKING:
    from collections.abc import Sequence

CELLS = (6, 8)
"""Rows and columns of the grid over which corners are spread."""
CORNERS_A_CELL = 2
LEAST_CORNERS = 10  # points that hold a model: five times the two that a similarity needs
LEAST_CELLS = 5  # cells they lie in: fewer may all be on one animal
LEAST_CELLS_ON_A_STAND = 12  # of 48, by which a stand is seen to have moved; own choice
BOTH_WAYS_PX = 0.5  # a corner followed there and back has to come home as near as this
INLIER_PX = 1.2  # following is good to 0.1 px; the rest is room for parallax
NEW_KEY_SHARE = 0.5  # of the key's corners still held; below, the frame becomes the key
MOST_OF_ALL = 0.7  # of the corners held by one motion: nothing else is looked for
MOST_SCALE = 1.15  # of a key's size: beyond it patches no longer look alike
PHASE_SURE = 0.08  # response of the phase correlation; unrelated noise gave 0.03
DETAIL_PX = 12.0  # what is wider than this is light, not detail
BENT_GAIN = 0.75  # a homography has to take the error down to this share of a similarity's
MOST_BEND = 0.03  # perspective over the frame; more is no hand's shake
LOST_PX = 0.5  # error taken for a frame that nothing holds
WIDE_CELLS = 4  # rows and columns over which a plain shift has to hold: an animal alone is on fewer
ALIKE = 0.3
"""Correlation of a cell with the same one after the shift: two or three deviations of that of grain."""
ALIKE_CELLS = 8  # of 48: an animal is on fewer, and grain is alike in one at times
GRAIN_PX = 1.5  # blur that takes grain out before cells are compared


@dataclass(frozen=True, slots=True, eq=False)
class Steadied:
    """How a frame lies on the first one.

    `matrix`: (3, 3) float64, takes (x, y, 1) of the frame to the first frame, pixel centres at whole
    numbers. `error_px`: median error of the corners that hold it. `is_held`: False where nothing did and
    the last known motion was taken.
    """

    matrix: F64
    error_px: float
    is_held: bool


class Steadier:
    """Place one frame after the other; all of one size, the first of them is the reference.

    `on_a_stand`: whether the camera is known to have stood. What little shows is then not taken for its motion,
    and where nothing shows it kept still, so that every frame is held.
    """

    def __init__(self, *, on_a_stand: bool = False) -> None:
        self._on_a_stand = on_a_stand
        self._key: U8 | None = None
        self._corners: F32 = np.zeros((0, 2), np.float32)
        self._cells: F64 = np.zeros(0)
        self._key_to_first: F64 = np.eye(3)
        self._last: F64 = np.eye(3)  # the last frame on the key

    def place(self, rgb: U8, *, animals_xyxy_px: Sequence[Sequence[float]] = ()) -> Steadied:
        """Tell how a frame, (H, W, 3) uint8 RGB, lies on the first one given.

        `animals_xyxy_px` are boxes, on this frame, of what is known to move by itself: no corner is
        chosen there when the frame becomes a key.
        """
        detail = detail_of(rgb)
        if self._key is None:
            self._take_as_key(detail, np.eye(3), animals_xyxy_px)
            return Steadied(np.eye(3), 0.0, is_held=True)
        found = self._follow(detail)
        if found is None and not self._on_a_stand:
            found = self._shifted(detail)
        if found is None:
            error = 0.0 if self._on_a_stand else LOST_PX
            return Steadied(self._key_to_first @ self._last, error, is_held=self._on_a_stand)
        on_key, error, share = found
        self._last = on_key
        matrix = self._key_to_first @ on_key
        matrix /= matrix[2, 2]
        size = float(np.sqrt(abs(np.linalg.det(on_key[:2, :2]))))
        if share < NEW_KEY_SHARE or not 1 / MOST_SCALE < size < MOST_SCALE:
            self._take_as_key(detail, matrix, animals_xyxy_px)
        return Steadied(matrix, error, is_held=True)

    def _take_as_key(
        self, detail: U8, matrix: F64, animals_xyxy_px: Sequence[Sequence[float]]
    ) -> None:
        self._key, self._key_to_first, self._last = detail, matrix, np.eye(3)
        allowed = np.full(detail.shape, 255, np.uint8)
        for x0, y0, x1, y1 in animals_xyxy_px:
            allowed[max(0, int(y0)) : int(y1) + 1, max(0, int(x0)) : int(x1) + 1] = 0
        self._corners = spread_corners(detail, allowed)
        self._cells = _cell_of(self._corners, detail.shape)

    def _follow(self, detail: U8) -> tuple[F64, float, float] | None:
        """Follow the key's corners: the motion, its error, and the share of corners that hold it."""
        if self._key is None or len(self._corners) < LEAST_CORNERS:
            return None
        guess = as_f32(moved(_inverse(self._last), self._corners).astype(np.float32))
        here, kept = _followed(self._key, detail, self._corners, guess)
        if kept.sum() < LEAST_CORNERS:
            shift, response = _phase_shift(self._key, detail)
            if response < PHASE_SURE:
                return None
            here, kept = _followed(
                self._key,
                detail,
                self._corners,
                as_f32((self._corners + np.array(shift)).astype(np.float32)),
            )
        if kept.sum() < LEAST_CORNERS:
            return None
        least = LEAST_CELLS_ON_A_STAND if self._on_a_stand else LEAST_CELLS
        ground = _widest(here[kept], self._corners[kept], self._cells[kept], least_cells=least)
        if ground is None:
            return None
        matrix, error, n_held = ground
        return matrix, error, n_held / len(self._corners)

    def _shifted(self, detail: U8) -> tuple[F64, float, float] | None:
        """Find a plain shift where corners are too few."""
        if self._key is None:
            return None
        (x, y), response = _phase_shift(self._key, detail)
        if response < PHASE_SURE or not _is_wide(self._key, detail, (x, y)):
            return None
        return np.array([[1.0, 0.0, -x], [0.0, 1.0, -y], [0.0, 0.0, 1.0]]), LOST_PX, 1.0


def detail_of(rgb: U8) -> U8:
    """Take local mean and contrast out of a frame, so that light and exposure do not matter."""
    grey = cv2.cvtColor(as_rgb(rgb), cv2.COLOR_RGB2GRAY).astype(np.float32)
    side = 2 * round(DETAIL_PX) + 1
    flat = grey - cv2.blur(grey, (side, side))
    power = cv2.max(cv2.blur(cv2.multiply(flat, flat), (side, side)), 0.0)  # type: ignore[call-overload]
    spread = cv2.add(cv2.sqrt(power), 6.0)  # type: ignore[call-overload]
    return as_u8(cv2.add(cv2.divide(flat, spread, scale=48), 128.0, dtype=cv2.CV_8U))  # type: ignore[call-overload]


def spread_corners(detail: U8, allowed: U8) -> F32:
    """Choose corners, at most `CORNERS_A_CELL` in each cell of the grid: (N, 2) float32 (x, y)."""
    height, width = detail.shape
    n_most = 6 * CORNERS_A_CELL * CELLS[0] * CELLS[1]
    found: Any = cv2.goodFeaturesToTrack(detail, n_most, 0.02, 5, mask=allowed, blockSize=5)
    if found is None:
        return np.zeros((0, 2), np.float32)
    corners = as_f32(found.astype(np.float32).reshape(-1, 2))  # the strongest first
    margin = 4
    inside = (corners > margin).all(1) & (corners < (width - margin, height - margin)).all(1)
    corners = corners[inside]
    taken: dict[float, int] = {}
    keep = []
    for index, cell in enumerate(_cell_of(corners, detail.shape)):
        taken[cell] = taken.get(cell, 0) + 1
        if taken[cell] <= CORNERS_A_CELL:
            keep.append(index)
    return as_f32(corners[keep].astype(np.float32))


def _cell_of(corners: F32, size: tuple[int, ...]) -> F64:
    rows = np.clip(corners[:, 1] * CELLS[0] // size[0], 0, CELLS[0] - 1)
    columns = np.clip(corners[:, 0] * CELLS[1] // size[1], 0, CELLS[1] - 1)
    return np.asarray(rows * CELLS[1] + columns, np.float64)


def _followed(key: U8, detail: U8, corners: F32, guess: F32) -> tuple[F32, Bool]:
    """Follow corners there and back; where they are, and which came home."""
    options = {
        "winSize": (15, 15),
        "maxLevel": 2,
        "criteria": (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 10, 0.02),
    }
    there, good, _ = cv2.calcOpticalFlowPyrLK(  # type: ignore[call-overload]
        key, detail, corners, guess.copy(), flags=cv2.OPTFLOW_USE_INITIAL_FLOW, **options
    )
    home, back, _ = cv2.calcOpticalFlowPyrLK(  # type: ignore[call-overload]
        detail, key, there, corners.copy(), flags=cv2.OPTFLOW_USE_INITIAL_FLOW, **options
    )
    missed = np.linalg.norm(home - corners, axis=1)
    inside = (there >= 0).all(1) & (there < detail.shape[::-1]).all(1)
    return there, (good.ravel() == 1) & (back.ravel() == 1) & (missed < BOTH_WAYS_PX) & inside


def _widest(here: F32, key: F32, cells: F64, *, least_cells: int) -> tuple[F64, float, int] | None:
    """Give the motion that holds in most cells of the frame, of the two that hold most corners."""
    left = np.ones(len(here), np.bool_)
    best: tuple[int, F64, Bool] | None = None
    for _ in range(2):
        if left.sum() < LEAST_CORNERS:
            break
        answer: tuple[Any, Any] = cv2.estimateAffinePartial2D(
            here[left], key[left], method=cv2.RANSAC, ransacReprojThreshold=INLIER_PX
        )
        matrix, held = answer
        if matrix is None:
            break
        inliers = np.zeros(len(here), np.bool_)
        inliers[np.flatnonzero(left)[held.ravel() == 1]] = True
        n_cells = len(np.unique(cells[inliers]))
        full = np.vstack([matrix, [0.0, 0.0, 1.0]])
        is_enough = inliers.sum() >= LEAST_CORNERS and n_cells >= least_cells
        if is_enough and (best is None or n_cells > best[0]):
            best = n_cells, full, inliers
        if inliers.sum() > MOST_OF_ALL * len(here):
            break
        left &= ~inliers
    if best is None:
        return None
    _, matrix, inliers = best
    return _bent(matrix, here[inliers], key[inliers])


def _bent(matrix: F64, here: F32, key: F32) -> tuple[F64, float, int]:
    """Let the similarity bend to a homography where the corners clearly ask for it."""
    errors = np.linalg.norm(moved(matrix, here) - key, axis=1)
    error = float(np.median(errors))
    if len(here) >= 6 * LEAST_CORNERS:
        bent: Any = cv2.findHomography(here, key, 0)[0]
        if bent is not None and np.abs(bent[2, :2]).max() * here.max() < MOST_BEND:
            of_bent = float(np.median(np.linalg.norm(moved(bent, here) - key, axis=1)))
            if of_bent < BENT_GAIN * error:
                return np.asarray(bent, np.float64), of_bent, len(here)
    return matrix, error, len(here)


def _phase_shift(key: U8, detail: U8) -> tuple[tuple[float, float], float]:
    """Give the shift from key to frame by phase correlation, and how sharply it stands out."""
    window = cv2.createHanningWindow((key.shape[1], key.shape[0]), cv2.CV_32F)
    one, other = (image.astype(np.float32) - 128 for image in (key, detail))
    (x, y), response = cv2.phaseCorrelate(one, other, window)
    return (float(x), float(y)), float(response)


def _is_wide(key: U8, detail: U8, shift: tuple[float, float]) -> bool:
    """Tell whether a shift holds over much of the frame: what alone shows may be an animal, which moves by itself."""
    back = np.array([[1.0, 0.0, -shift[0]], [0.0, 1.0, -shift[1]]])
    size = (key.shape[1], key.shape[0])
    laid = cv2.warpAffine(detail, back, size, borderValue=128)
    one, other = (
        cv2.GaussianBlur(image.astype(np.float32) - 128, (0, 0), GRAIN_PX) for image in (key, laid)
    )
    few = (CELLS[1], CELLS[0])
    both, of_one, of_other = (
        cv2.resize(product, few, interpolation=cv2.INTER_AREA)
        for product in (one * other, one * one, other * other)
    )
    alike = both / np.sqrt(np.maximum(of_one * of_other, 1e-9)) > ALIKE
    rows, columns = (np.flatnonzero(alike.any(axis=axis)) for axis in (1, 0))
    if alike.sum() < ALIKE_CELLS:
        return False
    return bool(min(np.ptp(rows), np.ptp(columns)) + 1 >= WIDE_CELLS)


def moved(matrix: F64, places: F64 | F32) -> F64:
    """Take (N, 2) places, whole numbers at pixel centres, by a (3, 3) matrix to another frame."""
    ones = np.ones(len(places))
    full = np.column_stack([places.astype(np.float64), ones]) @ matrix.T
    return np.asarray(full[:, :2] / full[:, 2:], np.float64)


def _inverse(matrix: F64) -> F64:
    return np.asarray(np.linalg.inv(matrix), np.float64)
