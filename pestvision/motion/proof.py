"""Proof that something moved: the places that it passed look otherwise while it is there.

Somebody who knows outlines gives one wherever he is asked, and a leaf or a stone is as good a body to him
as an animal. A body's outline that wanders over a ground in which nothing moves covers and uncovers
places, and they look the same covered or not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pestvision.arrays import F32, F64, U8, Bool
    from pestvision.motion.bodies import Body

N_FRAMES = 24  # of a stretch, evenly: more change little
MARGIN_PX = 8  # about all the places that it passed
RIM_PX = 2  # on each side of its outline nothing is told: edges are soft, and outlines not exact
LEAST_TIMES = 2  # that a place is seen covered, and seen uncovered
LEAST_PLACES = 20
BLUR_PX = 1.0  # takes grain down to a third
LEAST_NOISE = 1.0  # grey levels of a smoothed place


@dataclass(frozen=True, slots=True)
class Proof:
    """What speaks for it that a body moved.

    `contrast`: standard errors by which the places that were both covered and clear differ, in the median;
    0 where there are too few. `passed`: their number over the body's area.
    """

    contrast: float
    passed: float


@dataclass(frozen=True, slots=True, eq=False)
class _Passed:
    """Where a body was: (k, h, w, 3) float32 looks, and (k, h, w) bool where it covered and where it was clear."""

    looks: F32
    covered: Bool
    clear: Bool


def proof_of(bodies: Mapping[int, Body], frames: Sequence[U8], to_anchor: Sequence[F64]) -> Proof:
    """Compare the places that a body passed while it is there with how they look when it is not.

    Parameters
    ----------
    bodies
        By the frame's number, one at least; they lie on the anchor.
    frames, to_anchor
        (h, w, 3) uint8 each, and the (3, 3) matrices that lay them on the anchor.
    """
    numbers = np.array(sorted(bodies))
    chosen = numbers[np.unique(np.linspace(0, len(numbers) - 1, N_FRAMES).round().astype(int))]
    some = {int(number): bodies[int(number)] for number in chosen}
    area = float(np.median([body.area for body in some.values()]))
    passed = _passed(some, frames, to_anchor)
    n_covered, n_clear = passed.covered.sum(axis=0), passed.clear.sum(axis=0)
    both = (n_covered >= LEAST_TIMES) & (n_clear >= LEAST_TIMES)
    n_both = int(both.sum())
    return Proof(_contrast(passed, both) if n_both >= LEAST_PLACES else 0.0, n_both / area)


def _passed(some: Mapping[int, Body], frames: Sequence[U8], to_anchor: Sequence[F64]) -> _Passed:
    left = min(body.left for body in some.values()) - MARGIN_PX
    top = min(body.top for body in some.values()) - MARGIN_PX
    width = max(body.left + body.mask.shape[1] for body in some.values()) + MARGIN_PX - left
    height = max(body.top + body.mask.shape[0] for body in some.values()) + MARGIN_PX - top
    shift = np.array([[1.0, 0.0, -left], [0.0, 1.0, -top], [0.0, 0.0, 1.0]])
    covered = np.zeros((len(some), height, width), np.bool_)
    clear = np.zeros_like(covered)
    looks = np.zeros((*covered.shape, 3), np.float32)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * RIM_PX + 1,) * 2)
    for k, (number, body) in enumerate(some.items()):
        mask = np.zeros((height, width), np.uint8)
        y, x = body.top - top, body.left - left
        mask[y : y + body.mask.shape[0], x : x + body.mask.shape[1]] = body.mask
        frame, matrix = frames[number], shift @ to_anchor[number]
        all_of_it = np.ones(frame.shape[:2], np.uint8)
        there = cv2.warpPerspective(all_of_it, matrix, (width, height), flags=cv2.INTER_NEAREST)
        laid = cv2.warpPerspective(frame, matrix, (width, height), borderMode=cv2.BORDER_REPLICATE)
        looks[k] = cv2.GaussianBlur(laid.astype(np.float32), (0, 0), BLUR_PX)
        covered[k] = (mask > 0) & (there > 0)
        clear[k] = (cv2.dilate(mask, kernel) == 0) & (there > 0)
        if clear[k].any():  # all in one light
            looks[k] -= np.median(looks[k][clear[k]], axis=0)
    return _Passed(looks, covered, clear)


def _contrast(passed: _Passed, both: Bool) -> float:
    values = passed.looks[:, both]
    n_on, mean_on, left_on = _mean_and_spread(values, passed.covered[:, both])
    n_off, mean_off, left_off = _mean_and_spread(values, passed.clear[:, both])
    variance = (left_on + left_off) / (n_on + n_off - 2)[:, None] + LEAST_NOISE**2
    errors = variance * (1 / n_on + 1 / n_off)[:, None]
    return float(np.median(np.sqrt((np.square(mean_on - mean_off) / errors).mean(axis=1))))


def _mean_and_spread(values: F32, where: Bool) -> tuple[F64, F64, F64]:
    """Give of (k, N, 3) values, where they count, the number (N,), the mean and the sum of squares left (N, 3)."""
    n = where.sum(axis=0).astype(np.float64)
    mean = (values * where[..., None]).sum(axis=0) / n[:, None]
    left = (np.square(values - mean) * where[..., None]).sum(axis=0)
    return n, mean, left
