"""Measure what speaks for an animal in each of many boxes, cheaply: sums over boxes by integral images."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.organisms.candidates import N_SALIENCE, area_of, common_area

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32, F64, U8
    from pestvision.organisms.candidates import Candidates, Salience

RING_SHARE = 0.25
"""Width of the ring around a box, over the box's long side."""
RING_LEAST_PX = 2.0
WITHIN_SHARE = 0.9
"""A box lies within another when this share of it does, and the other is `LARGER` times as large."""
LARGER = 1.3
ALIKE_LOG = 0.3
"""Boxes whose long sides differ by less than this (natural logarithm) are alike in size."""

FEATURES = (
    "long_side",  # logarithm of the long side over the picture's
    "aspect",  # logarithm of long over short side
    "fill",  # share of the box that the connected part fills
    "sides_touched",  # of the picture's border, 0 to 4
    "off_middle",  # of the box from the picture's, over its sides
    "score",  # logarithm; by it the candidates were sought
    "score_share",  # over the picture's highest
    "rank",  # 0 for the highest score, towards 1
    "brightness",
    "edge",  # logarithm
    "edge_share",  # over the mean step of the picture
    "outline",  # logarithm of its length over the square root of the area
    "level",
    *(f"inside_{index}" for index in range(N_SALIENCE)),  # mean of each map over its top
    *(f"ring_{index}" for index in range(N_SALIENCE)),
    "lightness_change",  # inside less the ring, CIELAB
    "red_change",
    "yellow_change",
    "lightness_spread",
    "lightness_spread_ring",
    "steps_inside",  # logarithm of the mean step of lightness
    "steps_ring",
    *(
        f"life_{place}_{name}"
        for name in ("coarse", "fine")
        for place in ("inside", "ring", "core")
    ),
    "life_mean",  # of the fine map over the whole picture
    "life_most",
    "n_same",
    "n_maps",
    "n_around",  # boxes that this one lies within
    "n_within",  # boxes that lie within this one
    "life_around",  # the liveliest of them less this one's
    "life_within",
    "n_alike",  # logarithm of the number of boxes of this size
    "life_rank",  # 0 for the liveliest box, towards 1
    "n",  # logarithm of the number of boxes
)
"""What is measured of a box, in this order."""


def measure_boxes(candidates: Candidates, salience: Salience, *, lives: Sequence[F32]) -> F64:
    """Measure each candidate.

    Parameters
    ----------
    candidates
        n boxes, in pixels of the reduced picture.
    salience
        Of the picture on which they were found.
    lives
        The coarse and the fine map of what is alive, any size, float32, each over the whole picture.

    Returns
    -------
    F64
        (n, len(FEATURES)), finite.
    """
    if len(candidates) == 0:
        return np.zeros((0, len(FEATURES)))
    height, width = salience.steps.shape
    places = _Places(candidates.boxes_xyxy_px, height, width)
    columns = _of_shape(candidates, places)
    columns |= _of_finding(candidates, float(salience.steps.mean()))
    for index, (one_map, top) in enumerate(zip(salience.maps, salience.tops, strict=True)):
        inside, ring = places.means(one_map)
        columns |= {f"inside_{index}": inside / top, f"ring_{index}": ring / top}
    columns |= _of_colour(salience.small, salience.steps, places)
    columns |= _of_life(lives, places)
    columns |= _of_others(candidates.boxes_xyxy_px, columns["life_inside_fine"])
    return np.stack([columns[name] for name in FEATURES], axis=1)


class _Places:
    """Boxes in whole pixels of a picture, each with its ring and its core."""

    def __init__(self, boxes: F64, height: int, width: int) -> None:
        frame = (width, height, width, height)
        self.height, self.width = height, width
        self.sides = boxes[:, 2:] - boxes[:, :2]
        self.long = self.sides.max(1)
        grow = np.maximum(RING_LEAST_PX, RING_SHARE * self.long)[:, None]
        self.inside = boxes.astype(np.intp)
        around = boxes + grow * (-1, -1, 1, 1)
        self.around = np.clip(np.rint(around), 0, frame).astype(np.intp)
        quarter = np.hstack([self.sides, -self.sides]) / 4
        self.core = np.rint(boxes + quarter).astype(np.intp)
        self.core[:, 2:] = np.maximum(self.core[:, 2:], self.core[:, :2] + 1)
        self.area = area_of(self.inside.astype(np.float64))
        self.ring_area = area_of(self.around.astype(np.float64)) - self.area

    def means(self, values: F32) -> tuple[F64, F64]:
        """Give the (n,) mean of a map inside each box and in its ring, where it has none the former."""
        sums = cv2.integral(values)
        total = _summed(sums, self.inside)
        inside = total / self.area
        ring = (_summed(sums, self.around) - total) / np.maximum(self.ring_area, 1)
        return inside, np.where(self.ring_area > 0, ring, inside)

    def core_means(self, values: F32) -> F64:
        """Give the (n,) mean of a map in the middle half of each box."""
        return _summed(cv2.integral(values), self.core) / area_of(self.core.astype(np.float64))


def _summed(sums: object, boxes: object) -> F64:
    """Give the (n,) sum inside (n, 4) boxes of whole pixels, from an integral image."""
    table, (x0, y0, x1, y1) = np.asarray(sums, np.float64), np.asarray(boxes).T
    return np.asarray(table[y1, x1] - table[y0, x1] - table[y1, x0] + table[y0, x0], np.float64)


def _of_shape(candidates: Candidates, places: _Places) -> dict[str, F64]:
    height, width = places.height, places.width
    x0, y0, x1, y1 = candidates.boxes_xyxy_px.T
    # the outermost pixel counts as the border
    touched = [x0 <= 1, y0 <= 1, x1 >= width - 1, y1 >= height - 1]
    return {
        "long_side": np.log(places.long / max(height, width)),
        "aspect": np.log(places.long / places.sides.min(1)),
        "fill": candidates.area_px / places.area,
        "sides_touched": np.sum(touched, axis=0).astype(np.float64),
        "off_middle": np.hypot((x0 + x1) / 2 / width - 0.5, (y0 + y1) / 2 / height - 0.5),
    }


def _of_finding(candidates: Candidates, mean_step: float) -> dict[str, F64]:
    n = len(candidates)
    return {
        "score": np.log1p(candidates.score),
        "score_share": candidates.score / max(float(candidates.score.max()), 1e-9),
        "rank": np.arange(n) / n,
        "brightness": candidates.brightness,
        "edge": np.log1p(candidates.edge),
        # half a unit of CIELAB: the rounding of a flat picture is no step
        "edge_share": candidates.edge / (mean_step + 0.5),
        "outline": np.log(np.maximum(candidates.outline_px, 1) / np.sqrt(candidates.area_px)),
        "level": candidates.level,
        "n_same": candidates.n_same,
        "n_maps": candidates.n_maps,
        "n": np.full(n, np.log(n)),
    }


def _of_colour(small: U8, steps: F32, places: _Places) -> dict[str, F64]:
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    columns = {}
    for index, name in enumerate(("lightness", "red", "yellow")):
        inside, ring = places.means(np.ascontiguousarray(lab[..., index]))
        columns[f"{name}_change"] = inside - ring
        if name == "lightness":
            squares = places.means(lab[..., index] ** 2)
            columns["lightness_spread"] = np.sqrt(np.maximum(squares[0] - inside**2, 0))
            columns["lightness_spread_ring"] = np.sqrt(np.maximum(squares[1] - ring**2, 0))
    inside, ring = places.means(steps)
    # a ring's sum is a difference of sums: its rounding may be a hair under zero
    columns["steps_inside"] = np.log1p(np.maximum(inside, 0))
    columns["steps_ring"] = np.log1p(np.maximum(ring, 0))
    return columns


def _of_life(lives: Sequence[F32], places: _Places) -> dict[str, F64]:
    columns: dict[str, F64] = {}
    for name, life in zip(("coarse", "fine"), lives, strict=True):
        large = np.asarray(
            cv2.resize(life, (places.width, places.height), interpolation=cv2.INTER_LINEAR),
            dtype=np.float32,
        )
        inside, ring = places.means(large)
        columns |= {f"life_inside_{name}": inside, f"life_ring_{name}": ring}
        columns[f"life_core_{name}"] = places.core_means(large)
    n = len(places.area)
    fine = lives[-1]
    return columns | {
        "life_mean": np.full(n, float(fine.mean())),
        "life_most": np.full(n, float(fine.max())),
    }


def _of_others(boxes: F64, life: F64) -> dict[str, F64]:
    """Compare each box with the others: what lies around it, within it, and is as large."""
    n, areas = len(boxes), area_of(boxes)
    share = common_area(boxes, boxes) / areas[:, None]  # of the box of the row
    is_around = (share >= WITHIN_SHARE) & (areas[None] > LARGER * areas[:, None])
    is_within = is_around.T
    logs = np.log((boxes[:, 2:] - boxes[:, :2]).max(1))
    is_alike = np.abs(logs[:, None] - logs[None]) < ALIKE_LOG

    def liveliest(is_other: object) -> F64:
        best = np.where(np.asarray(is_other), life[None], -np.inf).max(1)
        return np.asarray(np.where(np.isfinite(best), best - life, 0.0), np.float64)

    return {
        "n_around": is_around.sum(1).astype(np.float64),
        "n_within": is_within.sum(1).astype(np.float64),
        "life_around": liveliest(is_around),
        "life_within": liveliest(is_within),
        "n_alike": np.log(is_alike.sum(1)),
        "life_rank": np.argsort(np.argsort(-life, kind="stable"), kind="stable") / n,
    }
