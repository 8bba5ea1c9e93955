"""A trail on an even grid of times, what went astray left out, and waves found at uneven times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.trail import N_MIDLINE

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool

SMOOTH_S = 0.1  # of a half cycle of the quickest waves told apart, 0.29 s, a third
FINEST_GRID_S = 0.04  # finer frames tell no more of any of these gaits
LONGEST_GRID = 20_000  # points; ten minutes at 30 a second
MAX_HOLE_S = 0.5  # longer times unseen are left out of speeds and of cycles
N_ABOUT = 2  # frames before and after that a sighting is held against
ASTRAY_SIGMAS, ASTRAY_SHARE = 3.0, 0.1  # of their scatter, and of the length: further off is astray
MIDDLE = slice(N_MIDLINE // 2 - 1, N_MIDLINE // 2 + 2)  # points whose mean is the body's middle
MIN_SIZE = 1e-9
LEAST_POWER = 0.4  # of the variance that one frequency explains, for a bending to count as repeated


@dataclass(frozen=True, slots=True, eq=False)
class Even:
    """A trail on an even grid: (m,) times, (m, K, 2) smoothed midlines, (m,) lengths; `good` (m,)."""

    times: F64
    lines: F64
    lengths: F64
    good: Bool
    step_s: float


def astray(lines: F64, lengths: F64) -> Bool:
    """Mark the frames whose outline went astray: length or middle far from what the frames about have.

    A sighting is held against the median of five, and what they scatter by (Hampel 1974); in a step or a
    jump they scatter widely themselves, so that these stay.
    """
    n = len(lengths)
    if n < 2 * N_ABOUT + 1:
        return np.zeros(n, bool)
    middle = lines[:, MIDDLE].mean(axis=1)
    typical = max(float(np.median(lengths)), MIN_SIZE)
    wide = np.clip(np.arange(n)[:, None] + np.arange(-N_ABOUT, N_ABOUT + 1), 0, n - 1)
    bad = np.zeros(n, bool)
    for course in (lengths, middle[:, 0], middle[:, 1]):
        about = course[wide]
        usual = np.median(about, axis=1)
        scatter = 1.4826 * np.median(np.abs(about - usual[:, None]), axis=1)
        bad |= np.abs(course - usual) > np.maximum(ASTRAY_SIGMAS * scatter, ASTRAY_SHARE * typical)
    return np.asarray(bad) if bad.mean() < 0.3 else np.zeros(n, bool)


def on_a_grid(times: F64, lines: F64, lengths: F64) -> Even:
    """Lay a trail on an even grid and smooth it."""
    from scipy.ndimage import gaussian_filter1d

    step = max(float(np.median(np.diff(times))), FINEST_GRID_S)
    step = max(step, (times[-1] - times[0]) / LONGEST_GRID)
    grid = np.arange(times[0], times[-1] + 0.5 * step, step)
    flat = np.column_stack([lines.reshape(len(times), -1), lengths])
    laid = np.column_stack([np.interp(grid, times, column) for column in flat.T])
    sigma = SMOOTH_S / step
    if sigma > 0.3:  # below it the kernel is one point
        laid = gaussian_filter1d(laid, sigma, axis=0, mode="nearest")
    after = np.clip(np.searchsorted(times, grid), 1, len(times) - 1)
    hole = times[after] - times[after - 1]
    good = hole <= max(MAX_HOLE_S, 2.5 * step)
    if not good.any():
        good = np.ones(len(grid), bool)
    return Even(grid, laid[:, :-1].reshape(len(grid), -1, 2), laid[:, -1], np.asarray(good), step)


def length_noise(times: F64, lengths: F64) -> float:
    """One standard deviation of a length that has no meaning: what the neighbours do not foretell."""
    if len(lengths) < 4:
        return 0.0
    share = (times[1:-1] - times[:-2]) / (times[2:] - times[:-2])
    foretold = lengths[:-2] + share * (lengths[2:] - lengths[:-2])
    off = (lengths[1:-1] - foretold) / np.sqrt(1 + share**2 + (1 - share) ** 2)
    return float(1.4826 * np.median(np.abs(off)))


def best_wave(times: F64, course: F64, hertz: tuple[float, float]) -> tuple[float | None, float]:
    """Give the frequency of the wave that explains a course best, and the share of variance it explains.

    A least-squares fit of a wave at each frequency (Lomb 1976, Scargle 1982), so that missing frames and
    uneven intervals do no harm.
    """
    from scipy.signal import lombscargle

    low, high = hertz
    level = course - course.mean()
    if high <= low or level.var() < 1e-8:
        return None, 0.0
    duration = float(times[-1] - times[0])
    n_tried = int(min(4000, max(40, 10 * duration * (high - low))))
    tried = np.linspace(low, high, n_tried)
    power = lombscargle(times, level, 2 * np.pi * tried, normalize=True)
    best = int(np.argmax(power))
    return float(tried[best]), float(power[best])
