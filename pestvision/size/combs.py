"""Evenly spaced lines on a photo: the ticks of a ruler, the lines of graph paper, a grid on a mat.

1. Blocks of the photo in whose spectrum one frequency stands out say where, how far apart and which way.
2. About such a block a strip is laid along the row of lines, turned so that they stand upright; the phase
   of that frequency is followed along the row, so that each line's place is known to a part of a pixel.
3. What is dark at each line, row by row, tells long lines from short ones.

Places have (0, 0) at the top-left corner of the top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, U8

BLOCK_PX: Final = 96
"""Side of the blocks whose spectrum is looked at: ten lines and more, and still one straight row."""

LEVELS_PX: Final = (2400, 1200, 600)
"""Long sides of the photo on which blocks are looked at: fine lines on the first, wide ones on the last."""

PERIODS_PX: Final = (3.3, 20.0)
"""Spaces between lines looked for on each of them."""

LEAST_PEAK: Final = 14.0
"""Least height of a frequency over the usual one of its block (natural texture reaches about 10)."""

MAX_SEEDS: Final = 10
"""Blocks about which a strip is looked at."""

STRIP_PERIOD_PX: Final = 10.0
"""Space between lines on the strip."""

STRIP_HALF_PERIODS: Final = 12
"""Half the strip's height, in spaces between lines."""

LEAST_COHERENCE: Final = 0.55
"""Share of a row's variation that the lines' frequency explains where a row of lines is."""

FEWEST_LINES: Final = 8
"""Shorter rows are taken for texture."""

BEND_TOLERANCE: Final = 0.12
"""Largest error of a line's place, over the space between lines, for a row to be straight and even."""


@dataclass(frozen=True, slots=True, eq=False)
class Comb:
    """A row of evenly spaced lines.

    Parameters
    ----------
    places_xy_px
        (n, 2) float64: where each line crosses the row, in order.
    period_px
        Space between neighbouring lines at the middle of the row.
    period_sd
        One standard deviation of it over it, with its change along the row (perspective).
    darkness
        (n, m) float64: how dark each line is over its surroundings, m places across the row, 1 being
        usual. Not known (NaN) where it lies outside the photo.
    strength
        0 to 1: how much of what varies along the row the lines explain.
    """

    places_xy_px: F64
    period_px: float
    period_sd: float
    darkness: F64
    strength: float

    @property
    def n_lines(self) -> int:
        """How many lines it has."""
        return len(self.places_xy_px)


@dataclass(frozen=True, slots=True)
class _Seed:
    """A block in whose spectrum a frequency stands out: where, cycles a pixel, and how much."""

    at_xy_px: tuple[float, float]
    frequency: tuple[float, float]
    peak: float


def find_combs(grey: F32, *, near: tuple[float, float] | None = None) -> tuple[Comb, ...]:
    """Find rows of evenly spaced lines, those with most lines and least doubt first.

    Parameters
    ----------
    grey
        (H, W) float32, 0..255.
    near
        A place on the photo at which the row must lie, None for anywhere.
    """
    found: list[Comb] = []
    for seed in _seeds(grey, near):
        comb = _followed(grey, seed)
        if comb is not None and not any(_same(comb, other) for other in found):
            found.append(comb)
    return tuple(sorted(found, key=lambda comb: -comb.strength * np.sqrt(comb.n_lines)))


def _seeds(grey: F32, near: tuple[float, float] | None) -> list[_Seed]:
    high, wide = grey.shape
    found: list[_Seed] = []
    for long_side in LEVELS_PX:
        scale = min(1.0, long_side / max(high, wide))
        size = (max(1, round(wide * scale)), max(1, round(high * scale)))
        small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        at = None if near is None else (near[0] * scale, near[1] * scale)
        for x, y, fx, fy, peak in _block_peaks(np.asarray(small, np.float32), at):
            found.append(_Seed((x / scale, y / scale), (fx * scale, fy * scale), peak))
        if scale == 1.0 and long_side < max(high, wide):
            break
    found.sort(key=lambda seed: -seed.peak)
    kept: list[_Seed] = []
    for seed in found:
        if all(_differs(seed, other) for other in kept):
            kept.append(seed)
        if len(kept) == MAX_SEEDS:
            break
    return kept


def _differs(one: _Seed, other: _Seed) -> bool:
    """Whether two seeds may be of two rows: another spacing or direction, or far apart."""
    a, b = np.array(one.frequency), np.array(other.frequency)
    a = a if a @ b >= 0 else -a
    if np.hypot(*(a - b)) > 0.08 * np.hypot(*b):
        return True
    apart = np.subtract(one.at_xy_px, other.at_xy_px)
    return bool(np.hypot(*apart) > 40 / np.hypot(*b))


def _block_peaks(
    small: F32, near: tuple[float, float] | None
) -> list[tuple[float, float, float, float, float]]:
    """Give (x, y, frequency x, frequency y, peak) of the blocks in which a frequency stands out."""
    high, wide = small.shape
    side = min(BLOCK_PX, high, wide)
    if side < 32:
        return []
    window = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    fy, fx = np.meshgrid(np.fft.fftfreq(side), np.fft.rfftfreq(side), indexing="ij")
    far = np.hypot(fx, fy)
    band = (far > 1 / PERIODS_PX[1]) & (far < 1 / PERIODS_PX[0])
    steep = far**1.25  # natural pictures fall off by about this; the rest is flat
    found = []
    starts = [
        sorted({*range(0, length - side + 1, side // 2), length - side}) for length in (high, wide)
    ]
    for top in starts[0]:
        for left in starts[1]:
            middle = (left + side / 2, top + side / 2)
            if near is not None and np.abs(np.subtract(near, middle)).max() > 0.6 * side:
                continue
            block = small[top : top + side, left : left + side]
            flat = (block - block.mean()) * window
            power = np.abs(np.fft.rfft2(flat)) * steep
            usual = float(np.median(power[band])) + 0.35 * side
            power[~band] = 0
            best = int(power.argmax())
            peak = float(power.flat[best]) / usual
            if peak > LEAST_PEAK:
                found.append((*middle, float(fx.flat[best]), float(fy.flat[best]), peak))
    return found


def _followed(grey: F32, seed: _Seed) -> Comb | None:
    """Lay a strip along a seed's row and follow its lines; None if there is no even row of them."""
    frequency = np.array(seed.frequency)
    for _ in range(3):  # each pass knows the spacing and the direction better
        strip = _Strip.cut(grey, seed.at_xy_px, frequency)
        row = strip.best_row()
        if row is None:
            return None
        better = strip.refined(row)
        if better is None:
            return None
        frequency = better
    strip = _Strip.cut(grey, seed.at_xy_px, frequency)
    row = strip.best_row()
    return None if row is None else strip.comb(row)


@dataclass(frozen=True, slots=True)
class _Row:
    """A run of columns of a strip in which lines cross one of its rows."""

    y: int
    start: int
    stop: int
    strength: float


@dataclass(frozen=True, slots=True, eq=False)
class _Strip:
    """A part of the photo in which the lines stand upright, `STRIP_PERIOD_PX` apart.

    `pixels` (h, w) float32; `to_photo` (2, 3) takes a strip place to the photo; `wave` (h, w)
    complex64: amplitude and phase of the lines' frequency about each pixel; `share` (h, w): its share
    of what varies there; `inside` (h, w) bool: where the strip lies on the photo.
    """

    pixels: F32
    to_photo: F64
    wave: np.ndarray[tuple[int, ...], np.dtype[np.complex64]]
    share: F32
    inside: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

    @classmethod
    def cut(cls, grey: F32, at: tuple[float, float], frequency: F64) -> _Strip:
        """Cut the strip about a place for a frequency in cycles a pixel."""
        period = 1.0 / float(np.hypot(*frequency))
        along = frequency * period
        scale = period / STRIP_PERIOD_PX  # photo pixels a strip pixel
        high, wide = grey.shape
        corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]]) - np.asarray(at)
        reach = corners @ along / scale
        left, right = int(np.floor(reach.min())), int(np.ceil(reach.max()))
        half = round(STRIP_HALF_PERIODS * STRIP_PERIOD_PX)
        across = np.array([-along[1], along[0]])
        turn = scale * np.column_stack([along, across])
        shift = np.asarray(at) + turn @ np.array([left, -half])
        to_photo = np.column_stack([turn, shift])
        soft = cv2.GaussianBlur(grey, (0, 0), 0.4 * scale) if scale > 1.2 else grey
        # Between pixel middles, as OpenCV counts, not corners.
        middles = np.column_stack([turn, shift + turn @ np.array([0.5, 0.5]) - 0.5])
        size = (right - left, 2 * half)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        pixels = np.asarray(
            cv2.warpAffine(soft, middles, size, flags=flags, borderMode=cv2.BORDER_REPLICATE),
            np.float32,
        )
        inside = cv2.warpAffine(np.ones_like(grey), middles, size, flags=flags) > 0.99
        wave, share = _demodulated(pixels)
        return cls(pixels, to_photo, wave, share, np.asarray(inside))

    def best_row(self) -> _Row | None:
        """Find the longest run of lines about the strip's middle."""
        share = np.where(self.inside, self.share, 0)
        best: _Row | None = None
        for y in range(4, len(share) - 4, 3):
            for start, stop in _runs(share[y] > LEAST_COHERENCE):
                mean = float(share[y, start:stop].mean())
                row = _Row(y, start, stop, mean)
                if best is None or mean * (stop - start) > best.strength * (best.stop - best.start):
                    best = row
        if best is None or best.stop - best.start < (FEWEST_LINES - 1) * STRIP_PERIOD_PX:
            return None
        return best

    def refined(self, row: _Row) -> F64 | None:
        """Give the frequency on the photo by the slope of the phase along and across the row."""
        columns = np.arange(row.start, row.stop)
        phase = np.unwrap(np.angle(self.wave[row.y, row.start : row.stop]))
        slope_x = float(np.polyfit(columns, phase, 1)[0]) / (2 * np.pi)
        near = self.wave[max(0, row.y - 4) : row.y + 5, row.start : row.stop]
        turn = (near[1:] * near[:-1].conj()).sum()
        slope_y = float(np.angle(turn)) / (2 * np.pi)
        own = np.array([1 / STRIP_PERIOD_PX + slope_x, slope_y])
        if not 0.5 < own[0] * STRIP_PERIOD_PX < 2.0:
            return None
        return np.asarray(np.linalg.inv(self.to_photo[:, :2]).T @ own, np.float64)

    def comb(self, row: _Row) -> Comb | None:
        """Give each line of a row its place, and how dark it is across the row."""
        columns = np.arange(row.start, row.stop) + 0.5
        cycles = columns / STRIP_PERIOD_PX + np.unwrap(
            np.angle(self.wave[row.y, row.start : row.stop])
        ) / (2 * np.pi)
        curve = np.polynomial.Polynomial.fit(columns, cycles, 2)
        if float(np.std(cycles - curve(columns))) > BEND_TOLERANCE:
            return None
        first, last = int(np.ceil(curve(columns[0]))), int(np.floor(curve(columns[-1])))
        numbers = np.arange(min(first, last), max(first, last) + 1)
        if len(numbers) < FEWEST_LINES:
            return None
        places = np.interp(numbers, curve(columns), columns)
        dark, is_offset = _darkness(self, places, row.y)
        if is_offset:  # pale lines: the darkest place is half a space off
            places = places + STRIP_PERIOD_PX / 2
        on_photo = np.column_stack([places, np.full(len(places), row.y + 0.5)])
        xy = on_photo @ self.to_photo[:, :2].T + self.to_photo[:, 2]
        steps = np.hypot(*np.diff(xy, axis=0).T)
        spread = (steps.max() - steps.min()) / np.mean(steps) / np.sqrt(12)
        fit = float(np.std(cycles - curve(columns))) / len(numbers)
        return Comb(
            places_xy_px=xy,
            period_px=float(np.hypot(*(xy[-1] - xy[0])) / (len(xy) - 1)),
            period_sd=float(np.hypot(spread, fit)),
            darkness=dark,
            strength=row.strength,
        )


def _demodulated(
    pixels: F32,
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.complex64]], F32]:
    """Give amplitude and phase of the lines' frequency about each pixel, and its share of what varies."""
    period = STRIP_PERIOD_PX
    flat = pixels - cv2.GaussianBlur(pixels, (0, 0), 0.9 * period)
    flat = cv2.GaussianBlur(flat, (1, 0) if False else (0, 0), sigmaX=0.8, sigmaY=1.5)
    turn = 2 * np.pi * (np.arange(pixels.shape[1]) + 0.5) / period
    wave = []
    for part in (np.cos(turn), -np.sin(turn)):
        product = flat * part[None].astype(np.float32)
        wave.append(cv2.GaussianBlur(product, (0, 0), sigmaX=1.6 * period, sigmaY=1.5))
    power = cv2.GaussianBlur(flat * flat, (0, 0), sigmaX=1.6 * period, sigmaY=1.5)
    full = wave[0] + 1j * wave[1]
    share = 2 * np.abs(full) ** 2 / (power + 1.0)
    return full.astype(np.complex64), np.asarray(share, np.float32)


def _runs(mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> list[tuple[int, int]]:
    """Give the runs of True, gaps of three lines' spaces bridged."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    merged: list[tuple[int, int]] = []
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if merged and start - merged[-1][1] < 3 * STRIP_PERIOD_PX:
            merged[-1] = (merged[-1][0], stop)
        else:
            merged.append((start, stop))
    return merged


def _darkness(strip: _Strip, places: F64, y: int) -> tuple[F64, bool]:
    """Give how dark each line is over what lies half a space beside it, (n, m), and whether lines are pale."""
    half = STRIP_PERIOD_PX / 2
    rows = np.arange(0, len(strip.pixels), 2)

    def read(x: F64) -> F64:
        across = np.repeat(x[None].astype(np.float32), len(rows), axis=0)
        down = np.repeat(rows[:, None].astype(np.float32), len(x), axis=1)
        return np.asarray(cv2.remap(strip.pixels, across - np.float32(0.5), down, cv2.INTER_LINEAR))

    def over(x: F64) -> F64:
        beside = 0.5 * (read(x - half) + read(x + half))
        here = (read(x - 0.7) + read(x) + read(x + 0.7)) / 3
        return np.asarray((beside - here).T, np.float64)

    at = int(np.argmin(np.abs(rows - y)))
    crest, trough = over(places), over(places + half)
    # The wave's crest is its palest place. Narrow lines are far from their ground, which fills the rest.
    is_offset = _narrow(strip.pixels[y], places) < 0
    dark = trough if is_offset else -crest
    level = float(np.median(np.abs(dark[:, at]))) + 1e-6
    x = np.clip(places.astype(int), 0, strip.inside.shape[1] - 1)
    dark[~strip.inside[rows][:, x].T] = np.nan
    return dark / level, is_offset


def _narrow(row: F32, places: F64) -> float:
    """Give how skewed a row of lines is: above 0 if the pale part is the narrow one (pale lines)."""
    part = row[int(places[0]) : int(places[-1]) + 1].astype(np.float64)
    part = part - part.mean()
    return float((part**3).mean())


def _same(one: Comb, other: Comb) -> bool:
    """Whether two rows are of the same lines: as far apart, and upon one another."""
    if abs(one.period_px / other.period_px - 1) > 0.04:
        return False
    middle = one.places_xy_px.mean(axis=0)
    gap = np.hypot(*(other.places_xy_px - middle).T).min()
    direction = one.places_xy_px[-1] - one.places_xy_px[0]
    its = other.places_xy_px[-1] - other.places_xy_px[0]
    turned = abs(direction @ its) / (np.hypot(*direction) * np.hypot(*its))
    return bool(gap < 12 * one.period_px and turned > 0.97)


def grey_of(rgb: U8) -> F32:
    """Give an RGB picture as grey, (H, W) float32, 0..255."""
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.float32)
