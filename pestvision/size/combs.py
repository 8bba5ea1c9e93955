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

from pestvision.size.comb_strip import Comb, Laid, Strip

if TYPE_CHECKING:
    from pestvision.arrays import F32, U8

BLOCK_PX: Final = 96
"""Side of the blocks whose spectrum is looked at: ten lines and more, and still one straight row."""

LEVELS_PX: Final = (2400, 1200, 600)
"""Long sides of the photo on which blocks are looked at: fine lines on the first, wide ones on the last."""

PERIODS_PX: Final = (3.3, 20.0)
"""Spaces between lines looked for on each of them."""

LEAST_PEAK: Final = 14.0
"""Least height of a frequency over the usual one of its block (own choice; the photographed rulers have 16 and more)."""

OVERTONE_SHARE: Final = 0.7
"""Of a frequency's size: a half or third of it that has as much is the lines' own."""

MAX_SEEDS: Final = 10
"""Blocks about which a strip is looked at."""

N_PASSES: Final = 5
"""How often a strip is laid anew along what was followed."""

LEAST_FOR_LEAN: Final = 0.35
"""Length of a row over the photo's long side below which its perspective is not believed.

A short row says nothing sure about it, and a wrong lean does great harm far from the row.
"""


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
    steep = (
        np.maximum(far, 1e-6) ** 1.25
    )  # natural pictures fall off by about this; the rest is flat
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
                part = _overtone(power / steep, best, side)
                frequency = (float(fx.flat[best]) / part, float(fy.flat[best]) / part)
                found.append((*middle, *frequency, peak))
    return found


def _overtone(size: F32, best: int, side: int) -> int:
    """Tell whether a frequency is the second or third of a lower one: thin lines have strong overtones."""
    row, column = divmod(best, size.shape[1])
    row = row if row <= side // 2 else row - side
    for part in (3, 2):
        low = size[
            np.ix_(
                np.arange(round(row / part) - 1, round(row / part) + 2) % side,
                np.clip(np.arange(round(column / part) - 1, round(column / part) + 2), 0, None),
            )
        ]
        if float(low.max()) > OVERTONE_SHARE * float(size.flat[best]):
            return part
    return 1


def _followed(grey: F32, seed: _Seed) -> Comb | None:
    """Follow a seed's row of lines; None if there is no even row of them."""
    laid = Laid(seed.at_xy_px, np.array(seed.frequency))
    comb = _passes(grey, laid, leans=True)
    if comb is not None:
        ends = comb.places_xy_px[[0, -1]]
        if np.hypot(*(ends[1] - ends[0])) < LEAST_FOR_LEAN * max(grey.shape):
            return _passes(grey, laid, leans=False)
    return comb


def _passes(grey: F32, laid: Laid, *, leans: bool) -> Comb | None:
    """Lay a strip anew along what was followed, time and again, and take the lines on the last."""
    for _ in range(N_PASSES):  # each knows spacing, direction and lean better, and follows farther
        strip = Strip.cut(grey, laid)
        row = strip.best_row()
        better = None if row is None else strip.refined(row, leans=leans)
        if better is None:
            return None
        laid = better
    strip = Strip.cut(grey, laid)
    row = strip.best_row()
    return None if row is None else strip.comb(row)


class Row:
    """A run of columns of a strip in which lines cross one of its rows."""

    y: int
    start: int
    stop: int
    strength: float


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
