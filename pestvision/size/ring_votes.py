"""Where a round thing may be: every edge pixel votes for the middles that lie square to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

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


FEWEST_EDGES: Final = 72
"""Edge pixels on a photo below which there is nothing to vote."""

HUE_OFFSET: Final = 16.0
"""Added to a level before its logarithm is taken, so that the noise of the dark is no hue."""

HUE_LEVELS: Final = 100.0
"""Levels that a logarithm counts for: a hundredth more is a level, as it is at a mean level of light."""

MOST_HUE_GAIN: Final = 6.0
LEAST_HUE_SLOPE: Final = 0.15
"""Bounds of how much hue may count: a photo without colour has nothing but the coder's noise in it."""


def hues(picture: F32) -> F32:
    """Give two planes of hue, (H, W, 2): how red and how blue over green, whatever the light.

    Gravel of one colour, in its own shade, is all but even there; so is a table with a shadow on it.
    """
    red, green, blue = cv2.split(cv2.log(picture + np.float32(HUE_OFFSET)))
    return np.asarray(HUE_LEVELS * cv2.merge([red - green, blue - green]), np.float32)


def gradient(picture: F32, hue: F32) -> tuple[F32, F32]:
    """Give the slope in x and y of what is steepest at each pixel, a channel of light or of hue.

    Hue counts as much as light at a usual pixel: where light is all texture, hue tells things apart.
    """
    light_x, light_y, light = _steepest_of(picture)
    hue_x, hue_y, colour = _steepest_of(hue)
    usual = float(np.median(light[::3, ::3])), float(np.median(colour[::3, ::3]))
    gain = np.float32(min(MOST_HUE_GAIN, np.sqrt(usual[0] / max(usual[1], LEAST_HUE_SLOPE**2))))
    is_hue = colour * gain**2 > light
    return (
        np.asarray(np.where(is_hue, gain * hue_x, light_x), np.float32),
        np.asarray(np.where(is_hue, gain * hue_y, light_y), np.float32),
    )


def _steepest_of(picture: F32) -> tuple[F32, F32, F32]:
    """Give the slope in x and y of the channel that is steepest at each pixel, and its square."""
    across, down = (
        cv2.split(cv2.Scharr(picture, cv2.CV_32F, *way, scale=1 / 32)) for way in ((1, 0), (0, 1))
    )
    slope_x, slope_y = (np.asarray(each[0], np.float32) for each in (across, down))
    square = np.asarray(slope_x**2 + slope_y**2, np.float32)
    for x, y in zip(across[1:], down[1:], strict=True):
        other = np.asarray(x, np.float32) ** 2 + np.asarray(y, np.float32) ** 2
        is_more = other > square
        slope_x = np.asarray(np.where(is_more, x, slope_x), np.float32)
        slope_y = np.asarray(np.where(is_more, y, slope_y), np.float32)
        square = np.asarray(np.maximum(square, other), np.float32)
    return slope_x, slope_y, square


def thin_edges(slope_x: F32, slope_y: F32, share: float) -> tuple[F64, F64]:
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
    places = np.asarray(np.column_stack([x, y]) + 0.5, np.float64)
    return places, np.asarray(np.column_stack([across[y, x], down[y, x]]), np.float64)


def _odd(shape: tuple[int, ...]) -> int:
    return max(3, min(shape[:2]) // 5 * 2 + 1)


def vote_for_middles(rgb: U8) -> list[tuple[float, float, float]]:
    """Vote for middles: (x, y, radius) in pixels of the photo, the best first.

    Large rings are looked for on a smaller photo, in which gravel and lettering are gone.
    """
    high, wide = rgb.shape[:2]
    spots: list[tuple[float, float, float]] = []
    for long_side in REDUCED_PX:
        scale = min(1.0, long_side / max(high, wide))
        size = (max(1, round(wide * scale)), max(1, round(high * scale)))
        small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.float32)
        soft = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), np.float32)
        places, normals = thin_edges(*gradient(soft, hues(soft)), 0.14)
        most = 0.5 * min(size)
        if long_side != REDUCED_PX[-1]:
            most = min(most, MOST_RADIUS_PX)
        if len(places) < FEWEST_EDGES or most < LEAST_RADIUS_PX:
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
