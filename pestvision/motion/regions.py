"""Connected changes between two aligned photos, measured before anything is said about them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, Bool, BoxXyxy
    from pestvision.motion.noise import ChangeMap

# Sigmas. A region grows from its strongest pixel as far as Z_GROW. On tuning pairs 95 % of movers
# have a region at these levels, a dozen a pair being something else: `evidence` tells them apart.
Z_GROW = 2.5
Z_SEED = 3.5

MAX_LOOKED_AT = 150  # candidates measured, by strength: a ruined pair must not take minutes
MAX_FRAME_SHARE = 0.25  # of the frame's area: more is not a small animal
CLOSE_PX = 5  # at the working size: joins the two sides of one animal
LEAST_LENGTH_SHARE = 0.8
"""Of `min_length_px`: a bent animal's rectangle is shorter than the animal."""

LEAST_SIDE_PX = 3
"""Of a region's upright box, at the working size: change is smoothed over 3 × 3 pixels, and a thinner
one has no inside that could be measured."""


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """A candidate at the working size, and the window of the photos it lies in.

    `mask`: (h, w) bool, the changed pixels in the window; `ring`: the unchanged pixels about them.
    """

    window: tuple[slice, slice]
    mask: Bool
    ring: Bool
    z_peak: float
    strength: float
    length_px: float
    width_px: float
    box: BoxXyxy


def find_regions(change: ChangeMap, min_length_px: float) -> list[Region]:
    """Threshold with hysteresis, join, and measure what is of a possible size."""
    side = np.ones((CLOSE_PX, CLOSE_PX), np.uint8)
    grown = cv2.morphologyEx((change.z > Z_GROW).view(np.uint8), cv2.MORPH_CLOSE, side)
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(grown, connectivity=8)
    strength = _strength(change.z, labels, n_labels)
    strength[stats[:, cv2.CC_STAT_AREA] > MAX_FRAME_SHARE * change.z.size] = 0.0
    order = np.argsort(-strength)[:MAX_LOOKED_AT]
    sides = np.minimum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    order = order[(strength[order] > 0) & (sides[order] >= LEAST_SIDE_PX)]
    found = [measured_region(change, labels, stats, int(label)) for label in order]
    least = LEAST_LENGTH_SHARE * min_length_px / change.step
    return [region for region in found if region.length_px >= least]


def _strength(z: F32, labels: cv2.typing.MatLike, n_labels: int) -> F64:
    """Sum what is above Z_GROW in each label; 0 where no pixel is above Z_SEED: (n_labels,)."""
    places = np.nonzero(z > Z_GROW)
    values, owners = z[places], labels[places]
    total = np.bincount(owners, weights=values, minlength=n_labels).astype(np.float64)
    seeded = np.zeros(n_labels, bool)
    seeded[owners[values > Z_SEED]] = True
    total[~seeded] = 0.0
    total[0] = 0.0
    return total


def measured_region(
    change: ChangeMap, labels: cv2.typing.MatLike, stats: cv2.typing.MatLike, label: int
) -> Region:
    """Measure the region of a label, from `cv2.connectedComponentsWithStats`."""
    x, y, width, height = (int(value) for value in stats[label, :4])
    pad = max(6, max(width, height) // 3)
    rows = slice(max(0, y - pad), min(labels.shape[0], y + height + pad))
    columns = slice(max(0, x - pad), min(labels.shape[1], x + width + pad))
    window = (rows, columns)
    mask = labels[window] == label
    near = cv2.dilate(mask.view(np.uint8), np.ones((5, 5), np.uint8)).view(np.bool_)
    ring = ~near & (labels[window] == 0) & change.usable[window]
    contours, _ = cv2.findContours(mask.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    _, sides, _ = cv2.minAreaRect(np.vstack(contours))
    z_inside = change.z[window][mask]
    return Region(
        window=window,
        mask=mask,
        ring=ring,
        z_peak=float(z_inside.max()),
        strength=float(z_inside.sum()),
        length_px=float(max(sides)) + 1.0,
        width_px=float(min(sides)) + 1.0,
        box=(float(x), float(y), float(x + width), float(y + height)),
    )
