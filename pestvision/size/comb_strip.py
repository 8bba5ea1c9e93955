"""A strip of a photo along a row of evenly spaced lines, in which they stand upright and even.

The phase of their frequency is followed along the strip, so that each line's place is known to a part
of a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64

STRIP_PERIOD_PX: Final = 10.0
"""Space between lines on the strip."""

STRIP_HALF_PERIODS: Final = 12
"""Half the strip's height, in spaces between lines."""

LEAST_COHERENCE: Final = 0.5
"""Share of a row's variation that the lines' frequency explains where a row of lines is."""

FEWEST_LINES: Final = 8
"""Shorter rows are taken for texture."""

FEWEST_FOR_LEAN: Final = 16
"""Spaces between lines in a row below which its perspective is not even tried."""

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
        One standard deviation of it over it.
    to_ticks
        (3, 3) float64: takes a pixel `(x, y, 1)` to spaces between lines, along the row and across it,
        as if the row did not lean away.
    lean_per_px
        By what share the space between lines changes a photo pixel along the row (perspective).
    darkness
        (n, m) float64: how dark each line is over its surroundings, m places across the row, 1 being
        usual. Not known (NaN) where it lies outside the photo.
    strength
        0 to 1: how much of what varies along the row the lines explain.
    """

    places_xy_px: F64
    period_px: float
    period_sd: float
    to_ticks: F64
    lean_per_px: float
    darkness: F64
    strength: float

    @property
    def n_lines(self) -> int:
        """How many lines it has."""
        return len(self.places_xy_px)


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """How a strip lies on the photo.

    `frequency` is in cycles a photo pixel at the place `at_xy_px`, along the row; the strip's places
    `x, y` from there are divided by 1 + `lean` x, as they are in perspective.
    """

    at_xy_px: tuple[float, float]
    frequency: F64
    lean: float = 0.0

    def to_photo(self, left: float, top: float) -> F64:
        """Give the (3, 3) matrix from strip places, whose corner lies at `left, top`, to the photo."""
        period = 1.0 / float(np.hypot(*self.frequency))
        along = self.frequency * period
        across = np.array([-along[1], along[0]])
        turn = period / STRIP_PERIOD_PX * np.column_stack([along, across])
        at = np.asarray(self.at_xy_px)
        whole = np.vstack(
            [np.column_stack([turn + np.outer(at, [self.lean, 0.0]), at]), [self.lean, 0.0, 1.0]]
        )
        corner = np.array([[1, 0, left], [0, 1, top], [0, 0, 1.0]])
        return np.asarray(whole @ corner, np.float64)

    def reach(self, wide: int, high: int) -> tuple[int, int]:
        """Give how far the strip may reach to the left and right (strip pixels) and stay on the photo."""
        corners = np.array([[0, 0, 1], [wide, 0, 1], [wide, high, 1], [0, high, 1.0]])
        back = corners @ np.linalg.inv(self.to_photo(0.0, 0.0)).T
        x = back[:, 0] / back[:, 2]
        most = 4 * max(wide, high) * float(np.hypot(*self.frequency)) * STRIP_PERIOD_PX
        if self.lean != 0:  # not to the horizon
            most = min(most, 0.6 / abs(self.lean))
        if (back[:, 2] * back[0, 2] <= 0).any():
            return int(-most), int(most)
        return int(max(np.floor(x.min()), -most)), int(min(np.ceil(x.max()), most))


@dataclass(frozen=True, slots=True)
class Row:
    """A run of columns of a strip in which lines cross one of its rows."""

    y: int
    start: int
    stop: int
    strength: float


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A part of the photo in which the lines stand upright, `STRIP_PERIOD_PX` apart.

    `left` is where its first column lies; `pixels` (h, w) float32; `to_photo` (3, 3) takes a strip
    place to the photo; `wave` (h, w)
    complex64: amplitude and phase of the lines' frequency about each pixel; `share` (h, w): its share
    of what varies there; `inside` (h, w) bool: where the strip lies on the photo.
    """

    laid: Laid
    left: int
    pixels: F32
    to_photo: F64
    wave: np.ndarray[tuple[int, ...], np.dtype[np.complex64]]
    share: F32
    inside: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

    @classmethod
    def cut(cls, grey: F32, laid: Laid) -> Strip:
        """Cut the strip that lies so."""
        high, wide = grey.shape
        left, right = laid.reach(wide, high)
        half = round(STRIP_HALF_PERIODS * STRIP_PERIOD_PX)
        to_photo = laid.to_photo(left, -half)
        scale = 1.0 / float(np.hypot(*laid.frequency)) / STRIP_PERIOD_PX
        soft = cv2.GaussianBlur(grey, (0, 0), 0.4 * scale) if scale > 1.2 else grey
        # Between pixel middles, as OpenCV counts, not corners.
        shift = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
        middles = np.linalg.inv(shift) @ to_photo @ shift
        size = (max(right - left, 2), 2 * half)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        pixels = np.asarray(
            cv2.warpPerspective(soft, middles, size, flags=flags, borderMode=cv2.BORDER_REPLICATE),
            np.float32,
        )
        inside = cv2.warpPerspective(np.ones_like(grey), middles, size, flags=flags) > 0.99
        wave, share = _demodulated(pixels)
        return cls(laid, left, pixels, to_photo, wave, share, np.asarray(inside))

    def best_row(self) -> Row | None:
        """Find the longest run of lines about the strip's middle."""
        share = np.where(self.inside, self.share, 0)
        best: Row | None = None
        for y in range(4, len(share) - 4, 3):
            for start, stop in _runs(share[y] > LEAST_COHERENCE):
                mean = float(share[y, start:stop].mean())
                row = Row(y, start, stop, mean)
                if best is None or mean * (stop - start) > best.strength * (best.stop - best.start):
                    best = row
        if best is None or best.stop - best.start < (FEWEST_LINES - 1) * STRIP_PERIOD_PX:
            return None
        return best

    def refined(self, row: Row, *, leans: bool) -> Laid | None:
        """Lay the strip anew by the slope and bend of the phase along the row, and its slope across."""
        columns = np.arange(row.start, row.stop) + 0.5 + self.left
        phase = np.unwrap(np.angle(self.wave[row.y, row.start : row.stop])) / (2 * np.pi)
        middle = columns.mean()
        bend, slope_x, _ = np.polyfit(columns - middle, phase, 2)
        lean = self.laid.lean / (1 + self.laid.lean * middle)
        if not leans or row.stop - row.start < FEWEST_FOR_LEAN * STRIP_PERIOD_PX:
            bend, lean, slope_x = 0.0, 0.0, float(np.polyfit(columns, phase, 1)[0])
        near = self.wave[max(0, row.y - 4) : row.y + 5, row.start : row.stop]
        slope_y = float(np.angle((near[1:] * near[:-1].conj()).sum())) / (2 * np.pi)
        # The row's own middle becomes the strip's: x = 0 there, and y = 0 on the row.
        own = np.array([1 / STRIP_PERIOD_PX + slope_x, slope_y])
        if not 0.5 < own[0] * STRIP_PERIOD_PX < 2.0:
            return None
        spot = np.array([middle - self.left, row.y + 0.5, 1.0])
        x, y, w = self.to_photo @ spot
        at = (float(x / w), float(y / w))
        rows = (self.to_photo[:2] - np.outer(at, self.to_photo[2])) / w
        frequency = np.linalg.inv(rows[:, :2]).T @ own
        # Leaning as before, seen from the new middle, and a little more: a bend of the phase.
        lean = (lean + bend / own[0]) / (own[0] * STRIP_PERIOD_PX)
        return Laid(at, np.asarray(frequency, np.float64), float(lean))

    def comb(self, row: Row) -> Comb | None:
        """Give each line of a row its place, and how dark it is across the row."""
        columns = np.arange(row.start, row.stop) + 0.5
        cycles = columns / STRIP_PERIOD_PX + np.unwrap(
            np.angle(self.wave[row.y, row.start : row.stop])
        ) / (2 * np.pi)
        slope, start = np.polyfit(columns, cycles, 1)
        if float(np.std(cycles - (start + slope * columns))) > BEND_TOLERANCE:
            return None
        numbers = np.arange(
            int(np.ceil(start + slope * columns[0])), int(np.floor(start + slope * columns[-1])) + 1
        )
        if len(numbers) < FEWEST_LINES:
            return None
        places = np.asarray((numbers - start) / slope, np.float64)
        dark, is_offset = _darkness(self, places, row.y)
        if not is_offset:
            places = places + STRIP_PERIOD_PX / 2
        spots = np.column_stack([places, np.full(len(places), row.y + 0.5), np.ones(len(places))])
        full = spots @ self.to_photo.T
        xy = full[:, :2] / full[:, 2:]
        back = np.linalg.inv(self.to_photo)
        steps = np.hypot(*np.diff(xy, axis=0).T)
        middle = len(steps) // 2
        return Comb(
            places_xy_px=xy,
            period_px=float(steps[max(0, middle - 2) : middle + 3].mean()),
            period_sd=float(np.std(cycles - (start + slope * columns))) / len(numbers),
            to_ticks=np.diag([slope, slope, 1.0]) @ back,
            lean_per_px=abs(self.laid.lean)
            * float(np.hypot(*self.laid.frequency))
            * STRIP_PERIOD_PX,
            darkness=dark,
            strength=row.strength,
        )


def _demodulated(
    pixels: F32,
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.complex64]], F32]:
    """Give amplitude and phase of the lines' frequency about each pixel, and its share of what varies."""
    period = STRIP_PERIOD_PX
    flat = pixels - cv2.GaussianBlur(pixels, (0, 0), 0.9 * period)
    # Thin lines have overtones: they are softened, so that what is left is mostly the lines' own frequency.
    flat = np.asarray(cv2.GaussianBlur(flat, (0, 0), sigmaX=0.1 * period, sigmaY=1.5), np.float32)
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


def _darkness(strip: Strip, places: F64, y: int) -> tuple[F64, bool]:
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
