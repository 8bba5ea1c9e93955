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

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, U8

REDUCED_PX: Final = (800, 400, 200)
"""Long sides of the photos on which middles are voted for: small rings on the first, large on the last."""

LEAST_RADIUS_PX: Final = 14.0
"""Of a round thing on the reduced photo: smaller ones have too few edge pixels to tell their shape."""

MOST_RADIUS_PX: Final = 40.0
"""Largest radius looked for on all but the smallest of the reduced photos."""

RADIUS_STEP: Final = 1.09
"""From one radius to the next; an ellipse tilted by 30° spreads its votes over 13 %."""

LEAST_VOTES: Final = 4.0
"""Votes for a middle over those that chance would give it, in standard deviations."""

MAX_SPOTS: Final = 12
"""Middles on each of the reduced photos that are looked at closely."""

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

Chosen on drawn tables: coins have .9 and more, pebbles and snail shells mostly less.
"""

SIZE_POWER: Final = 0.3
"""How much size counts in the order of offers; chosen on drawn tables, as `LEAST_SUPPORT` was."""

STEP_BANDS: Final = ((-0.6, -0.25), (0.06, 0.2))
"""From the edge, over the radius: where the colours inside and outside are taken.

Not close to the edge on the inside: there a bubble has a dark ring.
"""

OUTER_BONUS: Final = 0.05
"""How much a ring's size counts against its support: of two rings alike, the outer one is the coin's."""

OUTER_SHARE: Final = 0.85
"""The outermost of several rings is taken if it has this share of the best one's support."""


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
        return _around(row[None], n)[0][0]


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
    for spot in _spots(rgb):
        ellipse = _drawn(rgb, spot, rng)
        thing = None if ellipse is None else _close_fit(rgb, ellipse)
        if thing is not None:
            found.append(thing)
    return _apart(found)[:most]


def _gradient(picture: F32) -> tuple[F32, F32]:
    """Give the slope in x and y of the channel that is steepest at each pixel."""
    slope_x = cv2.Scharr(picture, cv2.CV_32F, 1, 0, scale=1 / 32)
    slope_y = cv2.Scharr(picture, cv2.CV_32F, 0, 1, scale=1 / 32)
    which = (slope_x**2 + slope_y**2).argmax(axis=2)[..., None]
    return (
        np.asarray(np.take_along_axis(slope_x, which, 2)[..., 0], np.float32),
        np.asarray(np.take_along_axis(slope_y, which, 2)[..., 0], np.float32),
    )


def _thin(slope_x: F32, slope_y: F32, share: float) -> tuple[F64, F64]:
    """Give the places (N, 2) of thin edges and their unit normals (N, 2), `share` of all pixels."""
    steep = np.hypot(slope_x, slope_y)
    # Steep for its neighbourhood: one glaring corner must not hide all the rest.
    around = cv2.blur(steep, (_odd(steep.shape), _odd(steep.shape)))
    steep = steep / (around + np.float32(0.5 * float(steep.mean()) + 1e-3))
    level = float(np.quantile(steep, 1.0 - share))
    safe = np.maximum(np.hypot(slope_x, slope_y), 1e-6)
    across, down = slope_x / safe, slope_y / safe
    y, x = np.nonzero(steep > max(level, 1.2))
    keep = np.ones(len(x), bool)
    high, wide = steep.shape
    for sign in (-1, 1):
        there_x = np.clip(np.rint(x + sign * across[y, x]).astype(int), 0, wide - 1)
        there_y = np.clip(np.rint(y + sign * down[y, x]).astype(int), 0, high - 1)
        keep &= steep[y, x] >= steep[there_y, there_x]
    y, x = y[keep], x[keep]
    return np.column_stack([x, y]) + 0.5, np.column_stack([across[y, x], down[y, x]]).astype(float)


def _odd(shape: tuple[int, ...]) -> int:
    return max(3, min(shape[:2]) // 5 * 2 + 1)


def _spots(rgb: U8) -> list[tuple[float, float, float]]:
    """Vote for middles: (x, y, radius) in pixels of the photo, the best first.

    Large rings are looked for on a smaller photo, in which gravel and lettering are gone.
    """
    high, wide = rgb.shape[:2]
    spots: list[tuple[float, float, float]] = []
    for long_side in REDUCED_PX:
        scale = min(1.0, long_side / max(high, wide))
        size = (max(1, round(wide * scale)), max(1, round(high * scale)))
        small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.float32)
        places, normals = _thin(*_gradient(cv2.GaussianBlur(small, (0, 0), 1.0)), 0.14)
        most = 0.5 * min(size)
        if long_side != REDUCED_PX[-1]:
            most = min(most, MOST_RADIUS_PX)
        if len(places) < N_ROUND or most < LEAST_RADIUS_PX:
            continue
        count = int(np.log(most / LEAST_RADIUS_PX) / np.log(RADIUS_STEP)) + 1
        peaks = [
            peak
            for radius in LEAST_RADIUS_PX * RADIUS_STEP ** np.arange(count)
            for peak in _votes(places, normals, size, float(radius))
        ]
        best = _not_twice(sorted(peaks, reverse=True))
        spots += [(x / scale, y / scale, radius / scale) for _, x, y, radius in best]
    return spots


def _not_twice(
    peaks: list[tuple[float, float, float, float]],
) -> list[tuple[float, float, float, float]]:
    """Keep the best peaks that lie apart or differ in radius."""
    kept: list[tuple[float, float, float, float]] = []
    for score, x, y, radius in peaks:
        if all(
            np.hypot(x - a, y - b) > 0.3 * radius or not 1 / 1.25 < radius / r < 1.25
            for _, a, b, r in kept
        ):
            kept.append((score, x, y, radius))
        if len(kept) == MAX_SPOTS:
            break
    return kept


def _votes(
    places: F64, normals: F64, size: tuple[int, int], radius: float
) -> list[tuple[float, float, float, float]]:
    """Give the peaks (score, x, y, radius) of the votes for one radius, eight at most."""
    cell = max(1.0, radius / 12)
    wide, high = int(size[0] / cell) + 1, int(size[1] / cell) + 1
    maps = []
    for sign in (-1.0, 1.0):
        at = ((places + sign * radius * normals) / cell).astype(int)
        inside = (at >= 0).all(axis=1) & (at[:, 0] < wide) & (at[:, 1] < high)
        flat = np.bincount(at[inside, 1] * wide + at[inside, 0], minlength=wide * high)
        votes = flat.reshape(high, wide).astype(np.float32)
        near = cv2.blur(votes, (3, 3), borderType=cv2.BORDER_CONSTANT) * 9
        usual = cv2.blur(votes, (13, 13)) * 9
        # Over what the clutter about gives by chance (counts scatter by their root).
        maps.append((near - usual) / np.sqrt(usual + 0.02 * np.float32(2 * np.pi * radius) + 1))
    # An edge whose ground is darker on one side and paler on the other votes on both maps.
    score = np.maximum(np.maximum(maps[0], maps[1]), 0.7 * (maps[0] + maps[1]))
    top = cv2.dilate(score, np.ones((5, 5), np.uint8))
    rows, columns = np.nonzero((score >= top) & (score > LEAST_VOTES))
    order = np.argsort(-score[rows, columns])[:8]
    return [
        (float(score[y, x]), (x + 0.5) * cell, (y + 0.5) * cell, radius)
        for y, x in zip(rows[order].tolist(), columns[order].tolist(), strict=True)
    ]


def _patch(rgb: U8, at: tuple[float, float], reach: float, scale: float) -> F32:
    """Cut a square about a place, `reach` photo pixels each way, reduced or enlarged by `scale`."""
    side = round(2 * reach * scale)
    low = np.array(at) - reach
    x0, y0 = (max(0, int(value)) for value in low - 4)
    x1 = min(rgb.shape[1], int(at[0] + reach) + 5)
    y1 = min(rgb.shape[0], int(at[1] + reach) + 5)
    cut = rgb[y0:y1, x0:x1]
    if scale < 1:  # blurred first, so that no texture is folded into edges
        cut = cv2.GaussianBlur(cut, (0, 0), 0.45 / scale)
    shift = np.array([x0, y0]) - low
    # Corner convention on both sides: pixel middles lie half a pixel in.
    move = scale * (shift + 0.5) - 0.5
    matrix = np.array([[scale, 0, move[0]], [0, scale, move[1]]])
    warped = cv2.warpAffine(cut, matrix, (side, side), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(warped, np.float32)


def _drawn(rgb: U8, spot: tuple[float, float, float], rng: np.random.Generator) -> F64 | None:
    """Find the best ellipse about a spot: (x, y, long, short, angle) in photo pixels, or None."""
    x, y, radius = spot
    scale = PATCH_RADIUS_PX / radius
    patch = cv2.GaussianBlur(_patch(rgb, (x, y), PATCH_REACH * radius, scale), (0, 0), 1.2)
    slopes = _gradient(np.asarray(patch, np.float32))
    places, normals = _thin(*slopes, 0.25)
    middle = PATCH_REACH * PATCH_RADIUS_PX
    points = (places - middle) / PATCH_RADIUS_PX
    far = np.hypot(points[:, 0], points[:, 1])
    square = np.abs((points * normals).sum(axis=1)) > 0.8 * far
    points = points[square & (far > 0.62) & (far < 1.45)]
    rows = _random_ellipses(points, rng)
    if len(rows) == 0:
        return None
    level = _edge_level(*slopes)
    support = _support(rows, slopes, middle=middle, level=level)
    best = rows[np.argsort(-support)[:12]]
    for _ in range(2):
        best = np.array([_refitted(row, points) for row in best])
    support = _support(best, slopes, middle=middle, level=level)
    strong = _support(best, slopes, middle=middle, level=3 * level)
    score = (support + 0.5 * strong) * (1 + OUTER_BONUS * (best[:, 2] - 1))
    if support.max() < 0.5:
        return None
    row = best[np.argmax(score)]
    return np.array([x + row[0] * radius, y + row[1] * radius, *(row[2:4] * radius), row[4]])


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
    return _usable(_from_conics(_solved(points[chosen])))


def _solved(points: F64) -> F64:
    """Solve a x² + b xy + c y² + d x + e y = 1 for five points each: (M, 5, 2) to (M, 5)."""
    x, y = points[..., 0], points[..., 1]
    matrix = np.stack([x * x, x * y, y * y, x, y], axis=-1) + 1e-9 * np.eye(5)
    return np.asarray(np.linalg.solve(matrix, np.ones((*matrix.shape[:2], 1)))[..., 0])


def _from_conics(conics: F64) -> F64:
    """Give (x, y, long, short, angle) of conics (M, 5); NaN where they are no ellipse."""
    a, b, c, d, e = conics.T
    with np.errstate(all="ignore"):
        det = 4 * a * c - b * b
        x, y = (b * e - 2 * c * d) / det, (b * d - 2 * a * e) / det
        level = 1 + a * x * x + b * x * y + c * y * y
        middle, spread = (a + c) / 2, np.hypot((a - c) / 2, b / 2)
        sign = np.sign(middle)
        long = np.sqrt(level / (middle - sign * spread))
        short = np.sqrt(level / (middle + sign * spread))
        angle = 0.5 * np.arctan2(-sign * b, -sign * (a - c))
    rows = np.column_stack([x, y, long, short, angle])
    rows[det <= 0] = np.nan
    return np.asarray(rows, np.float64)


def _usable(rows: F64) -> F64:
    """Keep ellipses near a spot, of about its size and not too flat (spot: middle 0, radius 1)."""
    rows = rows[np.isfinite(rows).all(axis=1)]
    keep = (np.hypot(rows[:, 0], rows[:, 1]) < 0.35) & (rows[:, 2] < 1.45) & (rows[:, 2] > 0.7)
    return rows[keep & (rows[:, 3] > LEAST_AXIS_RATIO * rows[:, 2])]


def _around(rows: F64, n: int) -> tuple[F64, F64]:
    """Give places (M, n, 2) around ellipses (M, 5), and the unit normals there."""
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    cosine, sine = np.cos(turn), np.sin(turn)
    long, short = rows[:, 2:3], rows[:, 3:4]
    u, v = long * cosine, short * sine
    normal_u, normal_v = short * cosine, long * sine
    norm = np.hypot(normal_u, normal_v)
    c, s = np.cos(rows[:, 4:5]), np.sin(rows[:, 4:5])
    places = np.stack([rows[:, 0:1] + c * u - s * v, rows[:, 1:2] + s * u + c * v], axis=-1)
    normals = np.stack([c * normal_u - s * normal_v, s * normal_u + c * normal_v], axis=-1)
    return places, normals / norm[..., None]


def _edge_level(slope_x: F32, slope_y: F32) -> float:
    """Give the slope that counts as a whole edge: well above the patch's own noise."""
    steep = np.hypot(slope_x, slope_y)
    return float(max(2.5 * np.median(steep), 0.12 * np.quantile(steep, 0.98), 0.6))


def _support(rows: F64, slopes: tuple[F32, F32], *, middle: float, level: float) -> F64:
    """Give how much of each ellipse (M, 5), in radii about the middle, an edge runs along."""
    places, normals = _around(rows, N_ROUND)
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
    off = _distance(row, points)
    near = points[np.abs(off) < 0.025]
    if len(near) < 30:
        return row
    matrix = np.column_stack(
        [near[:, 0] ** 2, near[:, 0] * near[:, 1], near[:, 1] ** 2, near[:, 0], near[:, 1]]
    )
    conic = np.linalg.lstsq(matrix, np.ones(len(near)), rcond=None)[0]
    better = _usable(_from_conics(conic[None]))
    return better[0] if len(better) else row


def _distance(row: F64, points: F64) -> F64:
    """Give about how far points lie outside an ellipse (Sampson's first-order distance)."""
    c, s = np.cos(row[4]), np.sin(row[4])
    x, y = points[:, 0] - row[0], points[:, 1] - row[1]
    u, v = (c * x + s * y) / row[2], (-s * x + c * y) / row[3]
    slope = 2 * np.hypot(u / row[2], v / row[3])
    return np.asarray((u * u + v * v - 1) / np.maximum(slope, 1e-9))


def _close_fit(rgb: U8, row: F64) -> RoundThing | None:
    """Fit an ellipse to the steepest places along its normals at full size; None if it is none."""
    scale = min(1.0, FINE_RADIUS_PX / row[2])
    reach = 1.25 * row[2]
    soft = 0.8 + row[2] * scale / 180
    patch = cv2.GaussianBlur(_patch(rgb, (row[0], row[1]), reach, scale), (0, 0), soft)
    slopes = _gradient(np.asarray(patch, np.float32))
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
    off = np.abs(_distance(now, places))
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
    places, normals = (part[0] for part in _around(row[None], N_FINE))
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
            places = _around(ring[None], N_ROUND)[0][0] - 0.5
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
        off = _distance(now, unit)
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.3 / size)
        weight = np.sqrt(np.clip(1 - (off / (4.0 * spread)) ** 2, 0, None) ** 2)
        x, y = unit[:, 0], unit[:, 1]
        matrix = np.column_stack([x * x, x * y, y * y, x, y]) * weight[:, None]
        rows = _from_conics(np.linalg.lstsq(matrix, weight, rcond=None)[0][None])
        if not np.isfinite(rows).all() or rows[0, 3] < 0.9 * LEAST_AXIS_RATIO * rows[0, 2]:
            return None
        now = rows[0]
    return np.array([*(now[:2] * size + middle), *(now[2:4] * size), now[4]])


def _apart(found: list[RoundThing]) -> tuple[RoundThing, ...]:
    """Keep one ring of each thing, the outermost well supported, the likeliest coin first."""
    kept: list[RoundThing] = []
    for one in sorted(found, key=lambda thing: -thing.semi_axes_px[0]):
        rings = [other for other in kept if _is_ring_of(one, other)]
        if all(ring.support < OUTER_SHARE * one.support for ring in rings):
            kept = [other for other in kept if other not in rings]
            kept.append(one)
    return tuple(sorted(kept, key=lambda thing: -thing.likeness))


def _is_ring_of(inner: RoundThing, outer: RoundThing) -> bool:
    """Whether one is a ring upon the other: about the same middle, at least half its size."""
    off = np.hypot(*np.subtract(inner.centre_xy_px, outer.centre_xy_px))
    ratio = inner.semi_axes_px[0] / outer.semi_axes_px[0]
    return bool(off < 0.25 * outer.semi_axes_px[0] and ratio > 0.5)
