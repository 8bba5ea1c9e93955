"""The close fit of a round thing: to the steepest places along an ellipse's normals, at full size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from pestvision.size.ellipses import around, distance, from_conics, through_many
from pestvision.size.ring_draw import LEAST_AXIS_RATIO, N_ROUND, cut_patch, edge_level
from pestvision.size.ring_likeness import measured
from pestvision.size.ring_votes import gradient, hues
from pestvision.size.round_thing import RoundThing

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, U8

    Slopes = tuple[F32, F32]

WINDOWS: Final = (0.035, 0.025, 0.018)
"""Over the radius: how far from the ellipse its edge is looked for, time after time."""

CLOSE_RADIUS_PX: Final = 110.0
"""Largest radius of the patch on which each ellipse is fitted and measured."""

FINE_RADIUS_PX: Final = 260.0
"""Largest radius of the patch for those that are offered: a scale is not surer beyond."""

N_FINE: Final = 240
"""Places around an ellipse for the close fit."""

LEAST_SUPPORT: Final = 0.72
"""Share of the circumference that an edge must run along.

Chosen on drawn tables. Pebbles and bubbles often pass it too: a person confirms what is a coin.
"""

INSIDE: Final = (0.55, 0.92)
OUTSIDE: Final = (1.08, 1.22)
"""Of an ellipse's size: the bands between whose colours the step is looked for."""

HELD_SHARE: Final = 0.016
HELD_PX: Final = 1.3
"""How far from the ellipse its edge may lie to count as its own: over its size, and pixels of the patch at least."""

N_ROBUST: Final = 4
"""Times that weights are taken anew in a fit."""

N_RINGS: Final = 6
"""Rings of a band at which its colours are taken."""

JOINED: Final = (-2, -1, 0, 1, 2)
"""Neighbours along the edge, of `N_FINE`, whose steps are taken together."""

STEP_LEVEL: Final = 0.6
"""Of a whole edge's slope: what a step must have, its noise being less, as neighbours are joined."""


def close_fits(rgb: U8, row: F64) -> list[RoundThing]:
    """Fit ellipses near one, twice; what is no ellipse or cut by the frame is left out.

    Once to the steepest edges of any kind, once to steps from what is seen about it to what is seen
    within: the edge of a shadow is no such step, nor is that of a pebble beside the coin.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    row
        (5,): x, y, long, short, angle on the photo.
    """
    look = _look(rgb, row, CLOSE_RADIUS_PX)
    hue = hues(look.patch)
    any_edge, step = gradient(look.patch, hue), step_slopes(look.patch, hue, look.row)
    steep, level = np.hypot(*any_edge), edge_level(*any_edge)
    things: list[RoundThing] = []
    for slopes, is_step in ((any_edge, False), (step, True)):
        now = _fitted(slopes, look.row, WINDOWS, is_step=is_step)
        if now is None:
            continue
        ways = [_held(any_edge, now, is_step=False), _held(step, now, is_step=True)]
        if ways[is_step].support < LEAST_SUPPORT:
            continue
        measures, contrast = measured(
            look.patch,
            steep,
            now,
            level=level,
            size=2 * now[2] / look.scale / min(rgb.shape[:2]),
            support=ways[0].support,
            step_support=ways[1].support,
            roughness=ways[is_step].scatter / now[2],
            sharpness=ways[0].steep / level,
        )
        x, y, long, short, angle = look.on_photo(now).tolist()
        thing = RoundThing(
            (x, y),
            (long, short),
            angle,
            support=ways[is_step].support,
            contrast=contrast,
            axis_sd_px=ways[is_step].axis_sd / look.scale,
            frame_px=(rgb.shape[0], rgb.shape[1]),
            is_step=is_step,
            measures=measures,
        )
        if _is_whole(thing):
            things.append(thing)
    return things


def refined(rgb: U8, thing: RoundThing) -> RoundThing:
    """Fit a round thing once more on a larger patch, which gives its size more closely."""
    row = np.array([*thing.centre_xy_px, *thing.semi_axes_px, thing.angle_rad])
    if row[2] <= CLOSE_RADIUS_PX:
        return thing
    look = _look(rgb, row, FINE_RADIUS_PX)
    hue = hues(look.patch)
    slopes = step_slopes(look.patch, hue, look.row) if thing.is_step else gradient(look.patch, hue)
    now = _fitted(slopes, look.row, WINDOWS[-2:], is_step=thing.is_step)
    if now is None:
        return thing
    held = _held(slopes, now, is_step=thing.is_step)
    x, y, long, short, angle = look.on_photo(now).tolist()
    finer = replace(
        thing,
        centre_xy_px=(x, y),
        semi_axes_px=(long, short),
        angle_rad=angle,
        axis_sd_px=held.axis_sd / look.scale,
    )
    return finer if held.support >= LEAST_SUPPORT and _is_whole(finer) else thing


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """A patch about an ellipse: the ellipse on it, its scale and its corner on the photo."""

    patch: F32
    row: F64
    scale: float
    origin: F64

    def on_photo(self, row: F64) -> F64:
        """Give an ellipse of the patch on the photo."""
        return np.array([*(row[:2] / self.scale + self.origin), *(row[2:4] / self.scale), row[4]])


def _look(rgb: U8, row: F64, most_radius: float) -> _Look:
    scale = min(1.0, most_radius / row[2])
    reach = 1.25 * row[2]
    cut = cut_patch(rgb, (row[0], row[1]), reach, scale)
    patch = cv2.GaussianBlur(cut, (0, 0), 0.8 + row[2] * scale / 180)
    origin = row[:2] - reach
    start = np.array([*((row[:2] - origin) * scale), *(row[2:4] * scale), row[4]])
    return _Look(np.asarray(patch, np.float32), start, scale, origin)


def _is_whole(thing: RoundThing) -> bool:
    """Whether the frame does not cut it."""
    edge = thing.outline_xy_px()
    return bool((edge >= 1).all() and (edge <= np.array(thing.frame_px[::-1]) - 1).all())


def _fitted(slopes: Slopes, row: F64, windows: tuple[float, ...], *, is_step: bool) -> F64 | None:
    """Give the ellipse fitted to a patch, None if it is none."""
    level = _least_slope(slopes, is_step=is_step)
    now = row
    for window in windows:
        places, steep = _steepest(slopes, now, window, is_step=is_step)
        firm = steep > level
        if firm.sum() < 0.4 * N_FINE:
            return None
        fitted = _robust(places[firm], now)
        if fitted is None:
            return None
        now = fitted
    return now


def _least_slope(slopes: Slopes, *, is_step: bool) -> float:
    return edge_level(*slopes) * (0.5 * STEP_LEVEL if is_step else 0.5)


@dataclass(frozen=True, slots=True)
class _Held:
    """How an ellipse is held by edges: the share of it, their scatter in pixels, their median slope."""

    support: float
    scatter: float
    steep: float

    @property
    def axis_sd(self) -> float:
        """One standard deviation of its size, in pixels.

        Neighbouring places share their blur: about one in three counts for itself.
        """
        return self.scatter / float(np.sqrt(max(self.support, 0.1) * N_FINE / 6))


def _held(slopes: Slopes, row: F64, *, is_step: bool) -> _Held:
    places, steep = _steepest(slopes, row, WINDOWS[-1], is_step=is_step)
    off = np.abs(distance(row, places))
    near = max(HELD_SHARE * row[2], HELD_PX)
    held = (off < near) & (steep > _least_slope(slopes, is_step=is_step))
    scatter = float(np.sqrt(np.mean(off[held] ** 2))) if held.any() else 1.0
    return _Held(float(held.mean()), scatter, float(np.median(steep)))


def step_slopes(patch: F32, hue: F32, row: F64) -> Slopes:
    """Give the slopes of the mixture of light and hue that best tells inside from outside (Fisher's).

    What varies much on either side counts little in it. It falls from the inside to the outside.
    """
    planes = np.concatenate([patch, hue], axis=2)
    inner, outer = (_band(planes, row, band) for band in (INSIDE, OUTSIDE))
    step = inner.mean(axis=0) - outer.mean(axis=0)
    spread = np.cov(inner.T) + np.cov(outer.T) + np.eye(planes.shape[2])
    mix = np.linalg.solve(spread, step)
    # not by `@`: some processors' product of many small rows warns of invalid values where all are sound
    mixed = np.asarray(cv2.transform(planes, (mix / np.abs(mix).sum())[None]), np.float32)
    return (
        np.asarray(cv2.Scharr(mixed, cv2.CV_32F, 1, 0, scale=1 / 32), np.float32),
        np.asarray(cv2.Scharr(mixed, cv2.CV_32F, 0, 1, scale=1 / 32), np.float32),
    )


def _band(planes: F32, row: F64, band: tuple[float, float]) -> F64:
    """Give what is seen (n, planes) between two ellipses about one, given over its size."""
    seen = []
    for part in np.linspace(*band, N_RINGS):
        ring = row.copy()
        ring[2:4] *= part
        at = np.floor(around(ring[None], N_ROUND)[0][0]).astype(int)
        inside = (at >= 0).all(axis=1) & (at < planes.shape[1::-1]).all(axis=1)
        seen.append(planes[at[inside, 1], at[inside, 0]])
    return np.concatenate(seen).astype(np.float64)


def _steepest(slopes: Slopes, row: F64, window: float, *, is_step: bool = False) -> tuple[F64, F64]:
    """Give the steepest place within a window of an ellipse along its normals, and the slope there.

    `is_step`: only where it falls outwards.
    """
    places, normals = (part[0] for part in around(row[None], N_FINE))
    step = 0.5
    half = max(3, int(np.ceil(window * row[2] / step)))
    offsets = step * np.arange(-half, half + 1)
    at = places[:, None] + offsets[None, :, None] * normals[:, None] - 0.5
    x, y = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
    along = (
        cv2.remap(slopes[0], x, y, cv2.INTER_LINEAR) * normals[:, :1]
        + cv2.remap(slopes[1], x, y, cv2.INTER_LINEAR) * normals[:, 1:]
    )
    if is_step:
        # Neighbours joined: an edge runs on, noise does not.
        along = np.maximum(-sum(np.roll(along, turn, axis=0) for turn in JOINED) / len(JOINED), 0.0)
    else:
        along = np.abs(along)
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


def _robust(points: F64, row: F64) -> F64 | None:
    """Fit an ellipse to places near one, those far from it counting less (Tukey's weights)."""
    middle, size = row[:2], row[2]
    unit = (points - middle) / size
    now = np.array([0.0, 0.0, 1.0, row[3] / size, row[4]])
    for _ in range(N_ROBUST):
        off = distance(now, unit)
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.3 / size)
        weight = np.clip(1 - (off / (4.0 * spread)) ** 2, 0, None) ** 2
        rows = from_conics(through_many(unit, weight))
        if not np.isfinite(rows).all() or rows[0, 3] < 0.9 * LEAST_AXIS_RATIO * rows[0, 2]:
            return None
        now = rows[0]
    return np.array([*(now[:2] * size + middle), *(now[2:4] * size), now[4]])
