"""How a body gets along: speeds, jumps, bending, which end holds, and sliding along its own line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.gait_grid import LEAST_POWER, MIDDLE, MIN_SIZE, Even, best_wave, length_noise

if TYPE_CHECKING:
    from pestvision.arrays import F64

PACE_S = 0.5  # speeds are told over half a second, so that jitter does not look like speed
SPEED_SMOOTH_S = (
    0.4  # what comes and goes within half a second is more the outline's than the animal's
)
HOP_SPEED = 1.5  # lengths a second, and
HOP_OVER_REST = 4.0  # so many times the usual speed: a jump


@dataclass(frozen=True, slots=True)
class Pace:
    """Speeds of the middle in lengths a second, their evenness, how they burst, and jumps."""

    path: float
    net: float
    evenness: float
    burst: float
    hops: int

    @classmethod
    def of(cls, even: Even, typical: float) -> Pace:
        """Measure the speeds of a trail on its grid; `typical` is the median length, pixels."""
        middle = even.lines[:, MIDDLE].mean(axis=1) / typical
        lag = max(1, round(PACE_S / even.step_s))
        duration = max(float(even.times[-1] - even.times[0]), even.step_s)
        net = float(np.hypot(*(middle[-1] - middle[0]))) / duration
        if len(middle) <= lag:
            return cls(net, net, 1.0, 1.0, 0)
        good = even.good[lag:] & even.good[:-lag]
        gone = middle[lag:] - middle[:-lag]
        speeds = np.hypot(gone[:, 0], gone[:, 1])[good] / (lag * even.step_s)
        if not len(speeds):
            return cls(net, net, 1.0, 1.0, 0)
        low, _half, high = np.quantile(speeds, [0.15, 0.5, 0.9])
        evenness = float(low / max(high, 0.01))
        path = _path_speed(middle, even)
        quick = np.hypot(*np.diff(middle, axis=0).T) / even.step_s
        quick = quick[even.good[1:]]
        burst = float(np.quantile(quick, 0.98) / max(float(np.median(quick)), 0.05))
        return cls(path, net, evenness, burst, _count_hops(quick, even.step_s))


def _path_speed(middle: F64, even: Even) -> float:
    """Give the speed along the path of the middle, lengths a second, its trembling smoothed away."""
    from scipy.ndimage import gaussian_filter1d

    sigma = SPEED_SMOOTH_S / even.step_s
    reach = min(len(middle) - 1, int(4 * sigma) + 1)
    # Beyond its ends the path goes on as it came, mirrored, so that smoothing does not slow it there.
    longer = np.pad(middle, ((reach, reach), (0, 0)), mode="reflect", reflect_type="odd")
    smooth = gaussian_filter1d(longer, max(sigma, 1e-3), axis=0)[reach : len(longer) - reach]
    steps = np.hypot(*np.diff(smooth, axis=0).T)
    good = even.good[1:]
    return float(steps[good].mean() / even.step_s) if good.any() else 0.0


def _count_hops(quick: F64, step_s: float) -> int:
    """Count the jumps: runs of speed far above the usual one, shorter than half a second."""
    level = max(HOP_SPEED, HOP_OVER_REST * float(np.median(quick)))
    above = np.concatenate([[False], quick > level, [False]])
    starts = np.flatnonzero(~above[:-1] & above[1:])
    ends = np.flatnonzero(above[:-1] & ~above[1:])
    return int(np.sum((ends - starts) * step_s <= 0.5))


SLIDE_S = 0.3  # sliding is told over so long: less than half of the quickest loop
LEAST_SIDES = 0.03  # of the motion's power across the body: less of it tells no more
SLOWEST_HZ, FASTEST_HZ = 0.3, 6.0


def shape_free(lines: F64) -> F64:
    """Give midlines about their own middles: what is left when the way of the middle is taken out."""
    return np.asarray(lines - lines.mean(axis=1, keepdims=True), np.float64)


def _bend_modes(lines: F64) -> F64:
    """Give how midlines are bent: (n, 3), the C, and the two halves of the S that make a wave.

    Each is the amplitude, in radians, of a course of the body's direction from end to end.
    """
    steps = np.diff(lines, axis=1)
    angle = np.unwrap(np.arctan2(steps[..., 1], steps[..., 0]), axis=1)
    angle = angle - angle.mean(axis=1, keepdims=True)
    k = angle.shape[1]
    s = (np.arange(k) + 0.5) / k
    shapes = np.stack([2 * s - 1, np.sin(2 * np.pi * s), np.cos(2 * np.pi * s)])
    shapes /= np.sqrt((shapes**2).mean(axis=1, keepdims=True))
    return np.asarray(angle @ shapes.T / k, np.float64)


def bending(times: F64, lines: F64, even: Even) -> tuple[float, float, float]:
    """Give how far the shape comes and goes (rad), its noise, and rad a second."""
    raw = _bend_modes(lines)
    noise = float(np.sqrt(sum(length_noise(times, raw[:, k]) ** 2 for k in range(raw.shape[1]))))
    smooth = _bend_modes(even.lines)[even.good]
    amplitude = float(np.sqrt(smooth.var(axis=0).sum()))
    rates = np.diff(smooth, axis=0) / even.step_s
    rate = float(np.median(np.hypot.reduce(rates, axis=1))) if len(rates) else 0.0
    return amplitude, noise, rate


def beat(times: F64, lines: F64) -> tuple[float | None, float]:
    """Give how often a second the bending repeats, None where it does not, and the share so explained."""
    modes = _bend_modes(lines)
    lively = modes[:, int(np.argmax(modes.var(axis=0)))]
    duration = float(times[-1] - times[0])
    low = max(SLOWEST_HZ, 1.5 / duration)
    high = min(FASTEST_HZ, 0.5 / float(np.median(np.diff(times))))
    hertz, share = best_wave(times, lively, (low, high))
    return (hertz if share >= LEAST_POWER else None), share


def holding(even: Even, ends: F64, typical: float) -> tuple[float, float, float]:
    """Tell which end holds while the length changes.

    Returns
    -------
    held
        0 to 1: how much less the stiller end moves than the other, where the length changes.
    alternation
        -1 to 1: 1 if one end moves while the length grows and the other while it shrinks, -1 if it is
        the same end both times, 0 if both move alike.
    one_end
        0 to 1: how much less one and the same end moves than the other, over all.
    """
    lag = max(1, round(0.2 / even.step_s))
    if len(ends) <= lag:
        return 0.0, 0.0, 0.0
    good = even.good[lag:] & even.good[:-lag]
    gone = np.linalg.norm(ends[lag:] - ends[:-lag], axis=2)[good]
    grown = (even.lengths[lag:] - even.lengths[:-lag])[good] / typical
    whole = gone.sum(axis=1)
    lean = (gone[:, 0] - gone[:, 1]) / np.maximum(whole, MIN_SIZE)
    weight = np.abs(grown)
    held = float((weight * np.abs(lean)).sum() / max(float(weight.sum()), MIN_SIZE))
    up, down = np.clip(grown, 0, None), np.clip(-grown, 0, None)
    sides = [float((w * lean).sum() / max(float(w.sum()), MIN_SIZE)) for w in (up, down)]
    alternation = -float(np.sign(sides[0] * sides[1]) * np.sqrt(abs(sides[0] * sides[1])))
    total = gone.sum(axis=0)
    one_end = float(abs(total[0] - total[1]) / max(float(total.sum()), MIN_SIZE))
    return held, alternation, one_end


def sliding(even: Even, typical: float, jitter: float) -> tuple[float, float, float, float]:
    """Tell how far the body slides along its own line, as what glides or creeps does on its cilia or foot.

    Each point of a gliding body goes where the point before it was, all at one speed, however the body
    turns. A stepping body's points go along it at different speeds, a bending one's go sideways.

    Returns
    -------
    slide
        0 to 1: of all motion of the body's points, the share that is sliding at one speed.
    log_slide_speed
        Logarithm of the speed of sliding, lengths a second.
    one_way
        0 to 1: how far it keeps its direction: 1 if it always slides towards the same end.
    sideways
        Logarithm of the speed across the body over that along it.
    """
    lag = max(1, round(SLIDE_S / even.step_s))
    if len(even.lines) <= lag:
        return 0.0, float(np.log(0.004)), 0.0, 0.0
    good = even.good[lag:] & even.good[:-lag]
    if not good.any():
        return 0.0, float(np.log(0.004)), 0.0, 0.0
    velocity = (even.lines[lag:] - even.lines[:-lag])[good] / (typical * lag * even.step_s)
    mean_line = 0.5 * (even.lines[lag:] + even.lines[:-lag])[good]
    along = np.gradient(mean_line, axis=1)
    along /= np.maximum(np.linalg.norm(along, axis=2, keepdims=True), MIN_SIZE)
    forward = (velocity * along).sum(axis=2)
    across = velocity[..., 0] * along[..., 1] - velocity[..., 1] * along[..., 0]
    sliding = forward[:, 1:-1].mean(axis=1)
    power = float((velocity[:, 1:-1] ** 2).sum(axis=2).mean())
    noise = 2.0 * (jitter / (lag * even.step_s)) ** 2
    slide = float((sliding**2).mean() / max(power, noise, MIN_SIZE))
    speed = float(np.abs(sliding).mean())
    one_way = float(abs(sliding.mean()) / max(speed, MIN_SIZE))
    sides = float(
        (across[:, 1:-1] ** 2).mean() / max(float((forward[:, 1:-1] ** 2).mean()), MIN_SIZE)
    )
    return (
        float(np.sqrt(slide)),
        float(np.log(speed + 0.004)),
        one_way,
        0.5 * float(np.log(sides + LEAST_SIDES)),
    )
