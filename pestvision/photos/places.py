"""Tell whether two photos show the same place, from small copies of them.

Two tests, either of which is enough. Corners that match under one small shift, turn and scale, with
fine detail agreeing over part of the frame: a camera held in the hand. Fine detail that agrees over
most of the frame as it stands: a camera on a stand, also when one photo is dark or bare. Detail is
compared after local contrast is evened out, so that exposure and lamps do not matter; it is compared
block by block, so that animals, glare and bubbles spoil only their own blocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, as_f32, as_u8

LOOK_SIDE_PX: Final = 512  # longer side of the copies compared; an eighth of a 12-megapixel photo
_DETAIL_SIDE_PX: Final = 256
_MIN_SIDE_PX: Final = 32  # strips are widened to this: the corner finder needs some height
_N_CORNERS: Final = 400
_CORNER_CONTRAST: Final = 8  # grey levels after evening out; a bare glass box gives 100 corners
_DARKEST_RANGE: Final = 8.0  # grey levels; a photo with fewer is stretched no further: it is noise
_REPROJECTION_PX: Final = 4.0  # of the 512: corners of a reduced photo are sure to a pixel or two
_N_BLOCKS: Final = 8  # a side
_MAX_ASPECT_RATIO: Final = 1.02  # one camera, one way up; a photo held upright is another view
# Nearest over second nearest: Lowe 2004, doi 10.1023/B:VISI.0000029664.99615.94.
_RATIO: Final = 0.8

# What a hand may do between two photos of one place: 4 % shift, 2° and 3 % at each photo, hence twice
# that between two, and more for a real hand: the frames of a real display tank go to a fifth.
_MAX_SHIFT: Final = 0.3  # of the longer side
_MAX_TURN_DEG: Final = 10.0
_MAX_SCALE: Final = 1.2

# Measured on real photographs. Of 8,997 pairs of different places three made a small move of six or
# more corners by chance, and at most 6 % of their blocks agreed: none was taken for one place. Of 154
# photos moved as by a hand 98 % were taken for one place; at an eighth of the light 95 %.
_MIN_INLIERS: Final = 6
_MIN_SHARE_MOVED: Final = 0.15
_MIN_SHARE_STILL: Final = 0.6
_BLOCK_AGREES: Final = 0.3  # correlation of one block's fine detail


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What a place looks like, small enough to keep one for every view.

    `corners_xy_px`: (N, 2) float32, columns before rows as OpenCV takes them, in pixels of the copy;
    `codes`: (N, 32) uint8, one binary description a corner; `detail`: (h, w) float32, fine detail
    with local contrast evened out; `height_px`, `width_px`: of the copy.
    """

    corners_xy_px: F32
    codes: U8
    detail: F32
    height_px: int
    width_px: int

    def __post_init__(self) -> None:
        as_f32(self.corners_xy_px, "corners_xy_px")
        as_f32(self.detail, "detail")
        as_u8(self.codes, "codes")


def describe_place(rgb: U8) -> Look:
    """Describe the place on a small copy of a photo.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, RGB, longer side about `LOOK_SIDE_PX`.
    """
    grey = _shrunk(as_u8(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)), LOOK_SIDE_PX)
    finder = cv2.ORB.create(nfeatures=_N_CORNERS, fastThreshold=_CORNER_CONTRAST)
    corners, found = finder.detectAndCompute(_even_out(grey), None)
    points = np.array([corner.pt for corner in corners], np.float32).reshape(-1, 2)
    codes = np.zeros((0, 32), np.uint8) if len(corners) == 0 else as_u8(found)
    return Look(points, codes, _fine_detail(grey), grey.shape[0], grey.shape[1])


def likeness(one: Look, other: Look) -> float:
    """Tell whether two photos show one place; exposure, small moves and animals do not matter.

    Returns
    -------
    float
        0 for two places; else the share of the frame whose fine detail agrees, up to 1.
    """
    aspect = (one.width_px * other.height_px) / (one.height_px * other.width_px)
    if max(aspect, 1 / aspect) > _MAX_ASPECT_RATIO:
        return 0.0
    share = _agreeing_share(one, other, np.eye(2, 3))
    if share >= _MIN_SHARE_STILL:
        return share
    matrix, n_inliers = _match_corners(one, other)
    if n_inliers < _MIN_INLIERS or not _is_small_move(matrix, one):
        return 0.0
    share = _agreeing_share(one, other, matrix)
    return share if share >= _MIN_SHARE_MOVED else 0.0


def _shrunk(grey: U8, long_side_px: int) -> U8:
    """Shrink to a longer side of at most `long_side_px`; no side becomes too thin to work with."""
    height, width = grey.shape
    scale = min(long_side_px / max(height, width), 1.0)
    size_wh = max(round(width * scale), _MIN_SIDE_PX), max(round(height * scale), _MIN_SIDE_PX)
    return as_u8(cv2.resize(grey, size_wh, interpolation=cv2.INTER_AREA))


def _even_out(grey: U8) -> U8:
    """Stretch to the full range, then even out contrast locally: night photos are mostly dark."""
    low, high = np.percentile(grey[::4, ::4], (1, 99))
    gain = 255 / max(high - low, _DARKEST_RANGE)
    curve = ((np.arange(256) - low) * gain).clip(0, 255).astype(np.uint8)
    stretched = cv2.LUT(grey, curve)
    return as_u8(cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8)).apply(stretched))


def _fine_detail(grey: U8) -> F32:
    small = _shrunk(grey, _DETAIL_SIDE_PX).astype(np.float32)
    smooth = cv2.GaussianBlur(small, (0, 0), 0.7)
    detail = smooth - cv2.blur(smooth, (13, 13))
    spread = np.sqrt(np.maximum(cv2.blur(detail * detail, (27, 27)), 0))  # blur may round below 0
    return as_f32((detail / (spread + 1.5)).astype(np.float32))  # 1.5 grey levels: sensor noise


def _match_corners(one: Look, other: Look) -> tuple[F64, int]:
    """Give the (2, 3) move from one copy to the other, and how many corners follow it."""
    still = np.eye(2, 3)
    if len(one.codes) < _MIN_INLIERS or len(other.codes) < _MIN_INLIERS:
        return still, 0
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING).knnMatch(one.codes, other.codes, k=2)
    good = [near for near, second in pairs if near.distance < _RATIO * second.distance]
    if len(good) < _MIN_INLIERS:
        return still, 0
    matrix, inliers = cv2.estimateAffinePartial2D(
        one.corners_xy_px[[match.queryIdx for match in good]],
        other.corners_xy_px[[match.trainIdx for match in good]],
        method=cv2.RANSAC,
        ransacReprojThreshold=_REPROJECTION_PX,
        maxIters=500,
    )
    found = np.asarray(matrix, np.float64) if np.shape(matrix) == (2, 3) else still
    return found, int(np.sum(inliers)) if found is not still else 0


def _is_small_move(matrix: F64, look: Look) -> bool:
    scale = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    turn_deg = float(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])))
    centre = np.array([look.width_px / 2, look.height_px / 2])
    shift_px = np.abs(matrix[:, :2] @ centre + matrix[:, 2] - centre).max()
    return (
        1 / _MAX_SCALE < scale < _MAX_SCALE
        and abs(turn_deg) < _MAX_TURN_DEG
        and shift_px < _MAX_SHIFT * max(look.height_px, look.width_px)
    )


def _agreeing_share(one: Look, other: Look, matrix: F64) -> float:
    """Give the share of the inner blocks whose fine detail agrees after the move, 0 to 1.

    `matrix` is in pixels of the copies, the details are smaller.
    """
    height, width = one.detail.shape
    move = matrix.copy()
    move[:, 2] *= width / one.width_px
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    everywhere = np.ones_like(other.detail)
    moved = as_f32(cv2.warpAffine(other.detail, move, (width, height), flags=flags))
    seen = as_f32(cv2.warpAffine(everywhere, move, (width, height), flags=flags))
    n_rows, n_columns = height // _N_BLOCKS * _N_BLOCKS, width // _N_BLOCKS * _N_BLOCKS

    def mean(values: F32) -> F32:
        cut = values[:n_rows, :n_columns]
        return as_f32(cv2.resize(cut, (_N_BLOCKS, _N_BLOCKS), interpolation=cv2.INTER_AREA))

    one_mean, moved_mean = mean(one.detail), mean(moved)
    together = mean(one.detail * moved) - one_mean * moved_mean
    one_power = mean(one.detail * one.detail) - one_mean**2
    moved_power = mean(moved * moved) - moved_mean**2
    correlation = together / np.sqrt(np.maximum(one_power * moved_power, 1e-6))
    is_seen = mean(seen) > 0.8
    is_seen[[0, -1]] = is_seen[:, [0, -1]] = False  # rims of tanks of one make look all the same
    if is_seen.sum() < _N_BLOCKS * _N_BLOCKS // 4:
        return 0.0
    return float((correlation[is_seen] > _BLOCK_AGREES).mean())
