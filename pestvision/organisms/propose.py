"""Propose boxes that may hold an organism, on a photo of any size.

Two cues together. What stands out from its ground, at several widths and levels, gives many boxes with
good outlines; the net, run once over the reduced photo without its last pooling, tells which of them
lie on something alive. Neither is good enough alone (training/README.md has the figures).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, BoxXyxy, as_f32, as_rgb, as_u8

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

STAND_OUT_PX = 400
"""Long side of the picture on which boxes are sought. 800 finds 2 % more of the real boxes at ten times
the cost."""
MAP_PX = (256, 576)
"""Long sides of the pictures the net is run over: the first for animals that fill the frame."""
WIDE_SHARE = 0.4
"""Share of the photo's long side from which a box is read on the coarse map."""
WIDTHS = (0.02, 0.05, 0.12)
"""Widths of what stands out, over the diagonal."""
SALIENCE_WEIGHT = 0.6
"""Weight of the rank by standing out against the net's probability; 0.3 to 1 do the same within 2 %."""
MIN_SHARE = 0.02
"""Smallest long side of a box over the photo's long side: below it a close-up is not a close-up."""
NEAR_IOU = 0.5
"""Boxes that overlap more than this are one proposal."""
MAX_BOXES = 200
"""Boxes kept before the net ranks them."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A box that may hold an organism, in pixels of the photo, and how strongly it was proposed."""

    box_xyxy_px: BoxXyxy
    strength: float


def propose(
    rgb: U8, organism_map: Callable[[U8], F32], *, max_proposals: int = 12
) -> tuple[Proposal, ...]:
    """Propose boxes on a photo, the strongest first.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, RGB.
    organism_map
        Gives, for a (h, w, 3) uint8 picture whose sides are multiples of 32, the (h/32, w/32) float32
        probability that something alive is there (`Classifier.organism_map`).
    max_proposals
        Number of boxes at most; the whole frame is always the last of them.
    """
    height, width = as_rgb(rgb).shape[:2]
    whole = (0.0, 0.0, float(width), float(height))
    # the boxes are sought while the net looks: together they keep two cores busy, in turns only one
    with ThreadPoolExecutor(len(MAP_PX), "pestvision-map") as looking:
        waiting = [
            looking.submit(organism_map, reduced(rgb, side_px, multiple=32))
            for side_px in reversed(MAP_PX)  # the one that takes longest first
        ]
        boxes = outstanding_boxes(rgb)
        maps = [look.result() for look in reversed(waiting)]
    ranks = np.arange(len(boxes)) / max(len(boxes), 1)
    strengths = (_life(maps, boxes, height, width) - SALIENCE_WEIGHT * ranks).tolist()
    order = sorted(range(len(boxes)), key=lambda index: -strengths[index])
    ranked = [(boxes[index], strengths[index]) for index in order]
    kept = apart(ranked, iou=NEAR_IOU, most=max_proposals - 1)
    return tuple(Proposal(box, strength) for box, strength in [*kept, (whole, -1.0)])


def reduced(rgb: U8, side_px: int, *, multiple: int = 1) -> U8:
    """Resize so that the long side is `side_px`, both sides a multiple of `multiple`."""
    height, width = rgb.shape[:2]
    scale = side_px / max(height, width)
    new_height, new_width = (
        max(multiple, round(size * scale / multiple) * multiple) for size in (height, width)
    )
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return as_u8(cv2.resize(rgb, (new_width, new_height), interpolation=how))


def outstanding_boxes(rgb: U8) -> list[BoxXyxy]:
    """Give boxes of what stands out from its ground, the most outstanding first."""
    small = reduced(rgb, STAND_OUT_PX)
    height, width = small.shape[:2]
    scale_x, scale_y = rgb.shape[1] / width, rgb.shape[0] / height
    found: list[tuple[BoxXyxy, float]] = []
    for salience in salience_maps(small):
        found += _boxes_of_map(salience)
    found.sort(key=lambda item: -item[1])
    return [
        (x0 * scale_x, y0 * scale_y, x1 * scale_x, y1 * scale_y)
        for (x0, y0, x1, y1), _score in apart(found, iou=0.7, most=MAX_BOXES)
    ]


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
    spread = np.cov((border - middle).T) + 16.0 * np.eye(3)
    whiten = np.linalg.cholesky(np.linalg.inv(spread)).astype(np.float32)
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


def _boxes_of_map(salience: F32) -> list[tuple[BoxXyxy, float]]:
    """Threshold a map at several levels, and give the box and score of each connected part."""
    height, width = salience.shape
    # at the least one unit of CIELAB: on a flat picture the rounding of the blurs is no outline
    top = max(float(np.percentile(salience, 99.5)), 1.0)
    grey = np.clip(salience / top * 255, 0, 255).astype(np.uint8)
    otsu = cv2.threshold(grey, 0, 255, cv2.THRESH_OTSU)[0]
    levels = {int(otsu), int(otsu * 0.7), int(otsu * 1.4), int(np.percentile(grey, 97))}
    full_area = (0.15 * max(height, width)) ** 2
    found = []
    for level in sorted(levels):
        mask = cv2.morphologyEx(
            (grey > max(level, 5)).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)
        )
        n, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
        # the ground is number 0, and most of the picture: it is not summed
        drawn = np.flatnonzero(mask)
        sums = np.bincount(labels.ravel()[drawn], weights=salience.ravel()[drawn], minlength=n)
        # what is tiny is left out before anything is worked out for it
        sides, areas = stats[:, cv2.CC_STAT_WIDTH : cv2.CC_STAT_HEIGHT + 1].max(1), stats[:, -1]
        large = np.flatnonzero((sides >= MIN_SHARE * max(height, width)) & (areas >= 12))
        for index in large[large > 0]:
            x, y, w, h, area = (int(value) for value in stats[index])
            # mean salience, times size up to 15 % of the frame: larger is not more likely an animal
            score = sums[index] / area * np.sqrt(min(area, full_area))
            found.append(((float(x), float(y), float(x + w), float(y + h)), float(score)))
    return found


def apart(
    boxes: Sequence[tuple[BoxXyxy, float]], *, iou: float, most: int
) -> list[tuple[BoxXyxy, float]]:
    """Keep boxes in order, leaving out those that overlap a kept one by more than `iou`."""
    edges = np.asarray([box for box, _ in boxes], dtype=np.float64).reshape(-1, 4)
    is_free = np.ones(len(edges), dtype=bool)
    kept: list[tuple[BoxXyxy, float]] = []
    for index, item in enumerate(boxes):
        if len(kept) >= most:
            break
        if is_free[index]:
            kept.append(item)
            is_free &= _ious(edges[index], edges) < iou
    return kept


def _ious(one: F64, others: F64) -> F64:
    """Give the (n,) intersections over unions of a box with (n, 4) boxes; `box_iou` for many."""
    low = np.maximum(one[:2], others[:, :2])
    high = np.minimum(one[2:], others[:, 2:])
    shared = np.maximum(high - low, 0.0).prod(axis=1)
    area = (one[2] - one[0]) * (one[3] - one[1])
    areas = (others[:, 2] - others[:, 0]) * (others[:, 3] - others[:, 1])
    return np.asarray(shared / (area + areas - shared), dtype=np.float64)


def _life(maps: Sequence[F32], boxes: Sequence[BoxXyxy], height: int, width: int) -> F64:
    """Give the (n,) mean of the map inside each box: the coarse map for wide boxes, else the fine one."""
    edges = np.asarray(boxes, dtype=np.float64).reshape(-1, 4)
    sides = np.maximum(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1])
    is_wide = sides > WIDE_SHARE * max(height, width)
    life = np.zeros(len(edges))
    for chosen, one_map in ((is_wide, maps[0]), (~is_wide, maps[-1])):
        if chosen.any():
            life[chosen] = _mean_inside(one_map, edges[chosen] / (width, height, width, height))
    return life


def _mean_inside(life: F32, shares: F64) -> F64:
    """Give the (n,) mean of a map inside (n, 4) boxes, whose edges are shares of the frame.

    Each is the mean of 5 x 5 samples inside the box, linear between the map's cells.
    """
    rows, cols = life.shape
    inside = np.linspace(0, 1, 7)[1:-1]
    x0, y0, x1, y1 = (shares[:, [index]] for index in range(4))
    xs = ((x0 + (x1 - x0) * inside) * cols - 0.5).astype(np.float32)  # (n, 5)
    ys = ((y0 + (y1 - y0) * inside) * rows - 0.5).astype(np.float32)
    grid_x = np.tile(xs, (1, 5))  # (n, 25)
    grid_y = np.repeat(ys, 5, axis=1)
    sampled = cv2.remap(life, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(sampled.reshape(grid_x.shape).mean(1), dtype=np.float64)
