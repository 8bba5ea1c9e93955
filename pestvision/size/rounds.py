"""Round things on a photo: ellipses that edges run along, found by votes, samples and a close fit.

1. On a reduced photo every edge pixel votes for the middles that lie square to it, one map a radius.
2. About each middle voted for, ellipses through five edge pixels are drawn at random and scored by how
   much of their circumference an edge runs along.
3. The best is fitted closely at full size, to the steepest place along its normals.

Places have (0, 0) at the top-left corner of the top-left pixel, as in `Scale`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ShapeError
from pestvision.size.ellipses import around, distance, from_conics, through_five
from pestvision.size.ring_votes import gradient, thin_edges, vote_for_middles

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

FINE_RADIUS_PX: Final = 260.0
"""Largest radius of the patch for the close fit: a scale is not surer beyond."""

N_FINE: Final = 240
"""Places around an ellipse for the close fit."""

LEAST_SUPPORT: Final = 0.72
"""Share of the circumference that an edge must run along.

Chosen on drawn tables. Pebbles and bubbles often pass it too: a person confirms what is a coin.
"""

SIZE_POWER: Final = 0.3
"""How much size counts in the order of offers; chosen on drawn tables, as `LEAST_SUPPORT` was."""

STEP_BANDS: Final = ((-0.6, -0.25), (0.06, 0.2))
"""From the edge, over the radius: where the colours inside and outside are taken.

Not close to the edge on the inside: there a bubble has a dark ring.
"""

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

OUTER_SHARE: Final = 0.75
"""Support that a ring must have for those well within it to be its rim, letters or inner metal."""

SAME_RING: Final = 0.03
"""Rings whose axes differ by less are one."""

UPON_FACE: Final = 0.82
"""A ring smaller than this share of another about the same middle lies upon its face."""


@dataclass(frozen=True, slots=True)
class RoundThing:
    """An ellipse on a photo that may be a coin seen at a slant.

    Parameters
    ----------
    centre_xy_px
        Its middle.
    semi_axes_px
        Half its longest and half its shortest width.
    angle_rad
        Of the long axis, from +x towards +y.
    support
        Share of its circumference along which an edge runs, 0 to 1.
    contrast
        Share of its circumference across which inside and outside differ, 0 to 1: little for a bubble.
    axis_sd_px
        One standard deviation of its long semi-axis, from the scatter of the edge.
    frame_px
        (height, width) of the photo.
    """

    centre_xy_px: tuple[float, float]
    semi_axes_px: tuple[float, float]
    angle_rad: float
    support: float
    contrast: float
    axis_sd_px: float
    frame_px: tuple[int, int]

    def __post_init__(self) -> None:
        long, short = self.semi_axes_px
        if not 0 < short <= long < float("inf"):
            raise ShapeError(
                "semi_axes_px", expected="0 < short <= long", actual=f"{long}, {short}"
            )

    @property
    def axis_ratio(self) -> float:
        """Short over long axis: the cosine of the tilt of a round thing."""
        return self.semi_axes_px[1] / self.semi_axes_px[0]

    @property
    def likeness(self) -> float:
        """How likely it is the coin that a person laid beside an animal, for the order of offers.

        Its edge is whole, it is opaque, and it is rather large on the photo.
        """
        size = 2 * self.semi_axes_px[0] / min(self.frame_px)
        return float(self.support * (0.5 + 0.5 * self.contrast) * size**SIZE_POWER)

    def outline_xy_px(self, n: int = 120) -> F64:
        """Give n points around it, (n, 2)."""
        row = np.array([*self.centre_xy_px, *self.semi_axes_px, self.angle_rad])
        return np.asarray(around(row[None], n)[0][0], np.float64)


def find_rounds(rgb: U8, *, most: int = 6) -> tuple[RoundThing, ...]:
    """Find round things wholly within a photo, the likeliest coin first.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    most
        How many are given at most.

    Raises
    ------
    ShapeError
        If `rgb` is no RGB picture.
    """
    as_rgb(rgb)
    rng = np.random.default_rng(0)  # the same photo gives the same answer
    found = []
    for spot in vote_for_middles(rgb):
        for ellipse in _drawn(rgb, spot, rng):
            thing = _close_fit(rgb, ellipse)
            if thing is not None:
                found.append(thing)
    return _apart(found)[:most]


def _patch(rgb: U8, at: tuple[float, float], reach: float, scale: float) -> F32:
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


def _drawn(rgb: U8, spot: tuple[float, float, float], rng: np.random.Generator) -> list[F64]:
    """Find the best ellipses about a spot: (x, y, long, short, angle) each, in photo pixels."""
    x, y, radius = spot
    scale = PATCH_RADIUS_PX / radius
    patch = cv2.GaussianBlur(_patch(rgb, (x, y), PATCH_REACH * radius, scale), (0, 0), 1.2)
    slopes = gradient(np.asarray(patch, np.float32))
    places, normals = thin_edges(*slopes, 0.25)
    middle = PATCH_REACH * PATCH_RADIUS_PX
    points = (places - middle) / PATCH_RADIUS_PX
    far = np.hypot(points[:, 0], points[:, 1])
    square = np.abs((points * normals).sum(axis=1)) > 0.8 * far
    points = points[square & (far > 0.62) & (far < 1.45)]
    rows = _random_ellipses(points, rng)
    if len(rows) == 0:
        return []
    level = _edge_level(*slopes)
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
        if all(np.abs(row[:4] - rows[other][:4]).max() > DISTINCT for other in kept):
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


def _edge_level(slope_x: F32, slope_y: F32) -> float:
    """Give the slope that counts as a whole edge: well above the patch's own noise."""
    steep = np.hypot(slope_x, slope_y)
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
    matrix = np.column_stack(
        [near[:, 0] ** 2, near[:, 0] * near[:, 1], near[:, 1] ** 2, near[:, 0], near[:, 1]]
    )
    conic = np.asarray(np.linalg.lstsq(matrix, np.ones(len(near)), rcond=None)[0], np.float64)
    better = _usable(from_conics(conic[None]))
    return better[0] if len(better) else row


def _close_fit(rgb: U8, row: F64) -> RoundThing | None:
    """Fit an ellipse to the steepest places along its normals at full size; None if it is none."""
    scale = min(1.0, FINE_RADIUS_PX / row[2])
    reach = 1.25 * row[2]
    soft = 0.8 + row[2] * scale / 180
    cut = _patch(rgb, (row[0], row[1]), reach, scale)
    patch = np.asarray(cv2.GaussianBlur(cut, (0, 0), soft), np.float32)
    slopes = gradient(patch)
    level = _edge_level(*slopes)
    origin = np.array([row[0], row[1]]) - reach
    now = row.copy()
    now[:2] = (row[:2] - origin) * scale
    now[2:4] *= scale
    for window in (0.035, 0.025, 0.018):
        places, steep = _steepest(slopes, now, window)
        firm = steep > 0.5 * level
        if firm.sum() < 0.4 * N_FINE:
            return None
        fitted = _robust(places[firm], now)
        if fitted is None:
            return None
        now = fitted
    places, steep = _steepest(slopes, now, 0.018)
    off = np.abs(distance(now, places))
    held = (off < max(0.012 * now[2], 0.9)) & (steep > 0.5 * level)
    support = float(held.mean())
    if support < LEAST_SUPPORT:
        return None
    # Neighbouring places share their blur: about one in three counts for itself.
    scatter = float(np.sqrt(np.mean(off[held] ** 2)) / np.sqrt(held.sum() / 6))
    x, y = now[:2] / scale + origin
    long, short = float(now[2] / scale), float(now[3] / scale)
    thing = RoundThing(
        (float(x), float(y)),
        (long, short),
        float(now[4]),
        support=support,
        contrast=_contrast(patch, now),
        axis_sd_px=scatter / scale,
        frame_px=(rgb.shape[0], rgb.shape[1]),
    )
    edge = thing.outline_xy_px()
    if (edge < 1).any() or (edge > np.array(rgb.shape[1::-1]) - 1).any():
        return None  # cut by the frame
    return thing


def _steepest(slopes: tuple[F32, F32], row: F64, window: float) -> tuple[F64, F64]:
    """Give the steepest place within a window of an ellipse along its normals, and the slope there."""
    places, normals = (part[0] for part in around(row[None], N_FINE))
    step = 0.5
    half = max(3, int(np.ceil(window * row[2] / step)))
    offsets = step * np.arange(-half, half + 1)
    at = places[:, None] + offsets[None, :, None] * normals[:, None] - 0.5
    x, y = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
    along = np.abs(
        cv2.remap(slopes[0], x, y, cv2.INTER_LINEAR) * normals[:, :1]
        + cv2.remap(slopes[1], x, y, cv2.INTER_LINEAR) * normals[:, 1:]
    )
    # Nearer to the middle of the window counts for more: rims lie close to one another.
    weighed = along * (1 - 0.3 * np.abs(offsets) / (offsets[-1] + step))
    peak = weighed.argmax(axis=1)
    inner = np.clip(peak, 1, len(offsets) - 2)
    each = np.arange(N_FINE)
    left, here, right = (along[each, inner + shift] for shift in (-1, 0, 1))
    bend = left - 2 * here + right
    shift = np.where(bend < -1e-6, 0.5 * (left - right) / np.minimum(bend, -1e-6), 0.0)
    best = offsets[inner] + step * np.clip(shift, -1, 1)
    return places + best[:, None] * normals, along[each, peak]


def _contrast(patch: F32, row: F64) -> float:
    """Give the share of the circumference across which the colours differ beyond the patch's noise."""
    sides = []
    for band in STEP_BANDS:
        rings = []
        for part in np.linspace(*band, 6):
            ring = row.copy()
            ring[2:4] *= 1 + part
            places = around(ring[None], N_ROUND)[0][0] - 0.5
            x, y = places[:, 0].astype(np.float32), places[:, 1].astype(np.float32)
            rings.append(cv2.remap(patch, x, y, cv2.INTER_LINEAR)[:, 0])
        sides.append(np.array(rings))
    step = np.abs(sides[0].mean(axis=0) - sides[1].mean(axis=0)).max(axis=1)
    noise = np.median(sides[1].std(axis=0).max(axis=1))
    return float((step > max(8.0, 1.5 * float(noise))).mean())


def _robust(points: F64, row: F64) -> F64 | None:
    """Fit an ellipse to places near one, those far from it counting less (Tukey's weights)."""
    middle, size = row[:2], row[2]
    unit = (points - middle) / size
    now = np.array([0.0, 0.0, 1.0, row[3] / size, row[4]])
    for _ in range(6):
        off = distance(now, unit)
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.3 / size)
        weight = np.sqrt(np.clip(1 - (off / (4.0 * spread)) ** 2, 0, None) ** 2)
        x, y = unit[:, 0], unit[:, 1]
        matrix = np.column_stack([x * x, x * y, y * y, x, y]) * weight[:, None]
        rows = from_conics(np.linalg.lstsq(matrix, weight, rcond=None)[0][None])
        if not np.isfinite(rows).all() or rows[0, 3] < 0.9 * LEAST_AXIS_RATIO * rows[0, 2]:
            return None
        now = rows[0]
    return np.array([*(now[:2] * size + middle), *(now[2:4] * size), now[4]])


def _apart(found: list[RoundThing]) -> tuple[RoundThing, ...]:
    """Offer each ring once and no ring upon a coin's face, the likeliest coin first.

    Two rings that differ by a little (a coin's edge and its shadow's) are both offered: a person sees
    which is the coin's.
    """
    kept: list[RoundThing] = []
    for one in sorted(found, key=lambda thing: (-round(thing.support, 2), thing.axis_sd_px)):
        if not any(_is_twice(one, other) for other in kept):
            kept.append(one)
    faces = [
        one
        for one in kept
        if not any(_is_upon(one, other) and other.support > OUTER_SHARE for other in kept)
    ]
    return tuple(sorted(faces, key=lambda thing: -thing.likeness))


def _is_twice(one: RoundThing, other: RoundThing) -> bool:
    """Whether two are the same ring."""
    off = np.hypot(*np.subtract(one.centre_xy_px, other.centre_xy_px))
    ratio = one.semi_axes_px[0] / other.semi_axes_px[0]
    return bool(off < 0.06 * other.semi_axes_px[0] and abs(ratio - 1) < SAME_RING)


def _is_upon(inner: RoundThing, outer: RoundThing) -> bool:
    """Whether one is a ring upon the other: about the same middle, well within it."""
    off = np.hypot(*np.subtract(inner.centre_xy_px, outer.centre_xy_px))
    ratio = inner.semi_axes_px[0] / outer.semi_axes_px[0]
    return bool(off < 0.12 * outer.semi_axes_px[0] and 0.4 < ratio < UPON_FACE)
