"""Ellipses about a spot, drawn at random through edge pixels, the best supported kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from pestvision.size.ellipses import around, distance, from_conics, through_five, through_many
from pestvision.size.ring_votes import gradient, hues, thin_edges

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, U8

PATCH_RADIUS_PX: Final = 80.0
"""Radius of a round thing on the patch on which ellipses are drawn at random."""

PATCH_REACH: Final = 1.5
"""Half the side of that patch, over the radius."""

N_DRAWS: Final = 900
"""Ellipses through five edge pixels: with a third of the pixels on the edge sought, six are all on it."""

LEAST_AXIS_RATIO: Final = 0.70
"""Flatter ellipses (45° and more) are no round thing that could give a scale."""

N_ROUND: Final = 72
"""Places around an ellipse at which an edge is looked for."""

STRONG: Final = 4.0
"""Over the slope that counts as a whole edge: what a sharp edge has, and a shadow's has not."""

STRONG_SHARE: Final = 1.0
"""How much sharp edges count beside edges of any kind."""

N_TOP: Final = 60
"""Ellipses of a spot, the best supported, among which distinct ones are looked for."""

N_REFITTED: Final = 14
"""Distinct ones that are fitted to the edge pixels near them."""

N_OF_A_SPOT: Final = 2
"""Distinct ones that are offered: a coin's own edge, and that with its shadow."""

NEXT_SHARE: Final = 0.85
"""Score that the second must have, over the first's."""

DISTINCT: Final = 0.035
"""Least difference of middle or axes, over the radius."""

OUTER_BONUS: Final = 0.05
"""How much a ring's size counts against its support: of two rings alike, the outer one is the coin's."""


def cut_patch(rgb: U8, at: tuple[float, float], reach: float, scale: float) -> F32:
    """Cut a square about a place, `reach` photo pixels each way, reduced or enlarged by `scale`."""
    side = round(2 * reach * scale)
    low = np.array(at) - reach
    x0, y0 = (max(0, int(value)) for value in low - 4)
    x1 = min(rgb.shape[1], int(at[0] + reach) + 5)
    y1 = min(rgb.shape[0], int(at[1] + reach) + 5)
    cut = np.asarray(rgb[y0:y1, x0:x1], np.float32)
    if scale < 1:  # blurred first, so that no texture is folded into edges
        cut = np.asarray(cv2.GaussianBlur(cut, (0, 0), 0.45 / scale), np.float32)
    shift = np.array([x0, y0]) - low
    # Corner convention on both sides: pixel middles lie half a pixel in.
    move = scale * (shift + 0.5) - 0.5
    matrix = np.array([[scale, 0, move[0]], [0, scale, move[1]]])
    warped = cv2.warpAffine(cut, matrix, (side, side), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(warped, np.float32)


def drawn_ellipses(
    rgb: U8, spot: tuple[float, float, float], rng: np.random.Generator
) -> list[F64]:
    """Find the best ellipses about a spot: (x, y, long, short, angle) each, in photo pixels."""
    x, y, radius = spot
    scale = PATCH_RADIUS_PX / radius
    cut = cut_patch(rgb, (x, y), PATCH_REACH * radius, scale)
    patch = np.asarray(cv2.GaussianBlur(cut, (0, 0), 1.2), np.float32)
    slopes = gradient(patch, hues(patch))
    places, normals = thin_edges(*slopes, 0.25)
    middle = PATCH_REACH * PATCH_RADIUS_PX
    points = (places - middle) / PATCH_RADIUS_PX
    far = np.hypot(points[:, 0], points[:, 1])
    square = np.abs((points * normals).sum(axis=1)) > 0.8 * far
    points = points[square & (far > 0.62) & (far < 1.45)]
    rows = _random_ellipses(points, rng)
    if len(rows) == 0:
        return []
    level = edge_level(*slopes)
    support = _support(rows, slopes, middle=middle, level=level)
    best = _distinct(rows[np.argsort(-support)[:N_TOP]])[:N_REFITTED]
    for _ in range(2):
        best = np.array([_refitted(row, points) for row in best])
    support = _support(best, slopes, middle=middle, level=level)
    strong = _support(best, slopes, middle=middle, level=STRONG * level)
    score = (support + STRONG_SHARE * strong) * (1 + OUTER_BONUS * (best[:, 2] - 1))
    order = np.argsort(-score)
    order = order[(support[order] > 0.5) & (score[order] > NEXT_SHARE * score.max())]
    return [
        np.array([x + row[0] * radius, y + row[1] * radius, *(row[2:4] * radius), row[4]])
        for row in _distinct(best[order])[:N_OF_A_SPOT]
    ]


def _distinct(rows: F64) -> F64:
    """Keep ellipses (M, 5) that differ in middle or size from all those before them."""
    kept: list[int] = []
    for index, row in enumerate(rows):
        if not kept or np.abs(row[:4] - rows[kept, :4]).max(axis=1).min() > DISTINCT:
            kept.append(index)
    return rows[kept]


def _random_ellipses(points: F64, rng: np.random.Generator) -> F64:
    """Give ellipses (M, 5) through five points each, drawn from five different directions."""
    sector = ((np.arctan2(points[:, 1], points[:, 0]) / (2 * np.pi)) % 1.0 * 15).astype(int)
    members = [np.flatnonzero(sector == index) for index in range(15)]
    filled = [index for index in range(15) if len(members[index])]
    if len(filled) < 9:
        return np.zeros((0, 5))
    picks = rng.random((N_DRAWS, len(filled))).argsort(axis=1)[:, :5]
    chosen = np.empty((N_DRAWS, 5), int)
    for index, at in enumerate(filled):
        hit = picks == index
        chosen[hit] = rng.choice(members[at], int(hit.sum()))
    return _usable(from_conics(through_five(points[chosen])))


def _usable(rows: F64) -> F64:
    """Keep ellipses near a spot, of about its size and not too flat (spot: middle 0, radius 1)."""
    rows = rows[np.isfinite(rows).all(axis=1)]
    keep = (np.hypot(rows[:, 0], rows[:, 1]) < 0.35) & (rows[:, 2] < 1.45) & (rows[:, 2] > 0.7)
    return rows[keep & (rows[:, 3] > LEAST_AXIS_RATIO * rows[:, 2])]


def edge_level(slope_x: F32, slope_y: F32) -> float:
    """Give the slope that counts as a whole edge: well above the patch's own noise."""
    steep = np.hypot(slope_x[::2, ::2], slope_y[::2, ::2])
    return float(max(2.5 * np.median(steep), 0.12 * np.quantile(steep, 0.98), 0.6))


def _support(rows: F64, slopes: tuple[F32, F32], *, middle: float, level: float) -> F64:
    """Give how much of each ellipse (M, 5), in radii about the middle, an edge runs along."""
    places, normals = around(rows, N_ROUND)
    at = places * PATCH_RADIUS_PX + middle - 0.5
    high, wide = slopes[0].shape
    best = np.zeros(at.shape[:2])
    for offset in (-1.0, 0.0, 1.0):
        spot = np.rint(at + offset * normals).astype(int)
        x, y = np.clip(spot[..., 0], 0, wide - 1), np.clip(spot[..., 1], 0, high - 1)
        along = slopes[0][y, x] * normals[..., 0] + slopes[1][y, x] * normals[..., 1]
        np.maximum(best, np.abs(along), out=best)
    return np.asarray(np.minimum(best / level, 1.0).mean(axis=1))


def _refitted(row: F64, points: F64) -> F64:
    """Fit an ellipse to the edge pixels within 2.5 % of it, if they go around it."""
    off = distance(row, points)
    near = points[np.abs(off) < 0.025]
    if len(near) < 30:
        return row
    better = _usable(from_conics(through_many(near)))
    return better[0] if len(better) else row
