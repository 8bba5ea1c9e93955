"""Seek boxes of what stands out from its ground, on a reduced photo: many, for a ranking to choose from."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, as_f32, as_u8, describe
from pestvision.errors import ShapeError

WIDTHS = (0.02, 0.05, 0.12)
"""Widths of what stands out, over the diagonal."""
N_SALIENCE = len(WIDTHS) + 1
"""Maps that `salience_maps` gives."""
MIN_SHARE = 0.02
"""Smallest long side of a box over the picture's: below it a close-up is not a close-up."""
MIN_AREA_PX = 12
SAME_IOU = 0.7
"""Boxes that overlap this much are one candidate. At 0.8 and 400 boxes the ranking was no better on
real photographs, out of fold."""
MAX_CANDIDATES = 200
"""Boxes kept before they are ranked."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Boxes of what stands out, the most outstanding first, with what is known from finding them.

    Each is an array of n numbers but the first. `boxes_xyxy_px` (n, 4), in pixels of the reduced
    picture; `score` by which they are ordered; `area_px` of the connected part; `brightness`, the mean
    of its map over the map's top; `edge`, the mean step of lightness a pixel along its outline;
    `outline_px`, pixels of that outline; `level` of the threshold, 0 to 1; `n_same` boxes of all maps
    and levels that overlap it by `SAME_IOU`, itself among them; `n_maps` from which they come.
    """

    boxes_xyxy_px: F64
    score: F64
    area_px: F64
    brightness: F64
    edge: F64
    outline_px: F64
    level: F64
    n_same: F64
    n_maps: F64

    def __post_init__(self) -> None:
        n = len(self.boxes_xyxy_px)
        if self.boxes_xyxy_px.shape != (n, 4) or any(
            getattr(self, name).shape != (n,) for name in self.__slots__[1:]
        ):
            found = ", ".join(describe(getattr(self, name)) for name in self.__slots__)
            name = "candidates"
            raise ShapeError(name, expected="(n, 4) and eight of (n,)", actual=found)

    def __len__(self) -> int:
        return len(self.boxes_xyxy_px)


@dataclass(frozen=True, slots=True, eq=False)
class Salience:
    """What is worked out once of a reduced picture.

    `small` (h, w, 3) uint8, RGB; `maps`, `N_SALIENCE` of (h, w) float32, as `salience_maps` gives them;
    `tops`, the value that each is measured by; `steps` (h, w) float32, as `steps_of_lightness` gives
    them.
    """

    small: U8
    maps: tuple[F32, ...]
    tops: tuple[float, ...]
    steps: F32

    def __post_init__(self) -> None:
        size = self.small.shape[:2]
        if any(item.shape != size for item in (*self.maps, self.steps)):
            found = ", ".join(describe(item) for item in (*self.maps, self.steps))
            name = "salience"
            raise ShapeError(name, expected=f"maps of {size}", actual=found)


def measure_salience(small: U8) -> Salience:
    """Work out how each pixel of a reduced picture stands out, and its steps of lightness."""
    maps = tuple(salience_maps(small))
    tops = tuple(_top_of(item) for item in maps)
    return Salience(small, maps, tops, steps_of_lightness(small))


def salience_maps(small: U8) -> list[F32]:
    """Give (h, w) float32 maps of how far each pixel's colour is from its ground's.

    One map for each of `WIDTHS`: the difference of two Gaussian means in CIELAB; and one of the
    Mahalanobis distance to the colours along the photo's border.
    """
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    height, width = lab.shape[:2]
    diagonal = float(np.hypot(height, width))
    maps = []
    for share in WIDTHS:
        near = cv2.GaussianBlur(lab, (0, 0), max(0.8, diagonal * share * 0.12))
        far = _wide_mean(lab, diagonal * share)
        maps.append(_lengths(near - far))
    margin = max(2, int(0.04 * min(height, width)))
    rim = np.ones((height, width), dtype=bool)
    rim[margin:-margin, margin:-margin] = False
    border = lab[rim]
    middle = np.median(border, axis=0)
    # 16 = (4 units of 8-bit CIELAB) squared: no border is trusted to be more uniform than that
    covariance = np.cov((border - middle).T) + 16.0 * np.eye(3)
    whiten = np.linalg.cholesky(np.linalg.inv(covariance)).astype(np.float32)
    away = (cv2.GaussianBlur(lab, (0, 0), 1.5) - middle.astype(np.float32)) @ whiten
    maps.append(as_f32(np.float32(10.0) * _lengths(away)))
    return maps


def _lengths(vectors: F32 | F64) -> F32:
    """Give the (h, w) float32 lengths of (h, w, 3) vectors."""
    return as_f32(np.sqrt(np.einsum("ijk,ijk->ij", vectors, vectors)).astype(np.float32))


def _wide_mean(lab: F32, sigma_px: float) -> F32:
    """Blur widely by way of a reduced copy: the same mean at a fraction of the time."""
    step = max(1, int(sigma_px / 3))
    height, width = lab.shape[:2]
    few = cv2.resize(
        lab, (max(1, width // step), max(1, height // step)), interpolation=cv2.INTER_AREA
    )
    blurred = cv2.GaussianBlur(few, (0, 0), sigma_px / step)
    return as_f32(cv2.resize(blurred, (width, height), interpolation=cv2.INTER_LINEAR))


def _top_of(salience: F32) -> float:
    """Give the value a map is measured by: near its maximum, and at the least one unit of CIELAB.

    On a flat picture the rounding of the blurs is no outline.
    """
    return max(float(np.percentile(salience, 99.5)), 1.0)


def steps_of_lightness(small: U8) -> F32:
    """Give the (h, w) float32 step of lightness a pixel, in units of 8-bit CIELAB."""
    lightness = cv2.cvtColor(small, cv2.COLOR_RGB2LAB)[..., 0].astype(np.float32)
    smooth = cv2.GaussianBlur(lightness, (0, 0), 1.0)
    # a Sobel kernel of 3 x 3 gives eight times the step
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0) / 8
    return as_f32(cv2.magnitude(across, cv2.Sobel(smooth, cv2.CV_32F, 0, 1) / 8))


def find_candidates(salience: Salience) -> Candidates:
    """Threshold each map at several levels, and keep the boxes of connected parts that lie apart."""
    tables = [
        _parts_of_map(one_map, top, salience.steps)
        for one_map, top in zip(salience.maps, salience.tops, strict=True)
    ]
    parts = np.concatenate(tables)
    of_map = np.repeat(np.arange(len(tables)), [len(table) for table in tables])
    order = np.argsort(-parts[:, 4], kind="stable")
    parts, of_map = parts[order], of_map[order]
    kept, overlaps = spread(parts[:, :4], iou=SAME_IOU, most=MAX_CANDIDATES)
    is_same = overlaps >= SAME_IOU
    n_maps = sum(is_same[:, of_map == index].any(1).astype(float) for index in range(len(tables)))
    score, area, brightness, edge, outline, level = parts[kept, 4:].T
    return Candidates(
        boxes_xyxy_px=parts[kept, :4],
        score=score,
        area_px=area,
        brightness=brightness,
        edge=edge,
        outline_px=outline,
        level=level,
        n_same=is_same.sum(1).astype(np.float64),
        n_maps=np.asarray(n_maps, np.float64),
    )


def _parts_of_map(salience: F32, top: float, steps: F32) -> F64:
    """Give (n, 10) connected parts of a map: box, then `score` to `level` of `Candidates`."""
    grey = np.clip(salience / top * 255, 0, 255).astype(np.uint8)
    otsu = cv2.threshold(grey, 0, 255, cv2.THRESH_OTSU)[0]
    levels = {int(otsu), int(otsu * 0.7), int(otsu * 1.4), int(np.percentile(grey, 97))}
    found = [_parts_at(level, grey, salience / top, steps) for level in sorted(levels)]
    parts = np.concatenate(found)
    parts[:, 4] *= top
    return parts


def _parts_at(level: int, grey: U8, share: F32, steps: F32) -> F64:
    """Give the parts above a level; the score is still a share of the map's top."""
    side = max(grey.shape)
    square = np.ones((3, 3), np.uint8)
    above = (grey > max(level, 5)).astype(np.uint8)
    mask = as_u8(cv2.morphologyEx(above, cv2.MORPH_CLOSE, square))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    # the ground is number 0; what is tiny is left out before anything is worked out for it
    sides = stats[:, cv2.CC_STAT_WIDTH : cv2.CC_STAT_HEIGHT + 1].max(1)
    large = np.flatnonzero((sides >= MIN_SHARE * side) & (stats[:, -1] >= MIN_AREA_PX))
    large = large[large > 0]

    def summed(values: F32 | U8, where: U8) -> F64:
        pixels = np.flatnonzero(where.view(np.bool_))  # of bytes it takes ten times as long
        of_part = labels.ravel()[pixels]
        sums = np.bincount(of_part, weights=values.ravel()[pixels], minlength=len(stats))
        return np.asarray(sums[large], np.float64)

    rim = mask - as_u8(cv2.erode(mask, square))
    outline, climb = summed(rim, rim), summed(steps, rim)
    left, top, width, height, areas = stats[large].astype(np.float64).T
    brightness = summed(share, mask) / areas
    # mean salience, times size up to 15 % of the frame: larger is not more likely an animal
    score = brightness * np.sqrt(np.minimum(areas, (0.15 * side) ** 2))
    edge = climb / np.maximum(outline, 1)
    box = (left, top, left + width, top + height)
    columns = (*box, score, areas, brightness, edge, outline, np.full(len(large), level / 255))
    return np.stack(columns, axis=1)


def spread(boxes: F64, *, iou: float, most: int) -> tuple[list[int], F64]:
    """Keep boxes in order, leaving out those that overlap a kept one by `iou` or more.

    Returns
    -------
    kept
        Indices, at most `most`.
    overlaps
        (k, n) intersection over union of the kept boxes with all.
    """
    is_free = np.ones(len(boxes), dtype=bool)
    kept: list[int] = []
    rows = []
    for index in range(len(boxes)):
        if len(kept) >= most:
            break
        if is_free[index]:
            kept.append(index)
            rows.append(overlap(boxes[[index]], boxes)[0])
            is_free &= rows[-1] < iou
    return kept, np.array(rows, np.float64).reshape(len(kept), len(boxes))


def overlap(some: F64, others: F64) -> F64:
    """Give the (m, n) intersections over unions of (m, 4) with (n, 4) boxes; `box_iou` for many."""
    shared = common_area(some, others)
    union = area_of(some)[:, None] + area_of(others)[None] - shared
    return np.asarray(shared / union, np.float64)


def common_area(some: F64, others: F64) -> F64:
    """Give the (m, n) area that (m, 4) boxes share with (n, 4) others."""
    wide, high = (
        np.minimum(some[:, None, axis + 2], others[None, :, axis + 2])
        - np.maximum(some[:, None, axis], others[None, :, axis])
        for axis in (0, 1)
    )
    return np.asarray(np.maximum(wide, 0.0) * np.maximum(high, 0.0), np.float64)


def area_of(boxes: F64) -> F64:
    """Give the (n,) area of (n, 4) boxes."""
    return np.asarray((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1]), np.float64)
