"""What is measured of a trail to tell its gait: each number has a meaning that a keeper could check.

Times may be uneven and frames may be missing: all is first laid on an even grid no finer than the frames
and smoothed over a moment shorter than any gait's half cycle.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.trail import N_MIDLINE

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool
    from pestvision.motion.trail import Trail

SMOOTH_S = 0.1  # of a half cycle of the quickest waves told apart, 0.29 s, a third
FINEST_GRID_S = 0.04  # finer frames tell no more of any of these gaits
LONGEST_GRID = 20_000  # points; ten minutes at 30 a second
MAX_HOLE_S = 0.5  # longer times unseen are left out of speeds and of cycles
SLIDE_S = 0.3  # sliding is told over so long: less than half of the quickest loop
PACE_S = 0.5  # speeds are told over half a second, so that jitter does not look like speed
MOST_UNSEEN = 0.5  # of a half-cycle, in one go: more of it unseen, and it is left out
LEAST_CYCLE_SHARE = 0.12  # of the length: smaller comings and goings are no step (a glide has 5 %)
CYCLE_NOISE_SIGMAS = 4.0  # and smaller than this many deviations of the noise neither
LEAST_OF_WHOLE = 0.4  # and smaller than this share of all that the length changes by neither
HELD_SHARE = 0.35  # an end holds if it goes less than this share of the other end's way
HELD_JITTER = 3.0  # or less than this many jitters
MOVED_SHARE = 0.5  # the other end has gone at least so much of what the length changes by
N_ABOUT = 2  # frames before and after that a sighting is held against
ASTRAY_SIGMAS, ASTRAY_SHARE = 3.0, 0.1  # of their scatter, and of the length: further off is astray
CLEAN_SHARE, CLEAN_RAD = 0.012, 0.05
"""Noise of a place or a length over the length, and of a bend: what is cleaner tells no more."""
LEAST_SIDES = 0.03  # of the motion's power across the body: less of it tells no more
MOST_RANGE = 0.35
"""Logarithm of longest over shortest, 1.4: a larger one says no more. A planarian's own two lengths are 2.0-3.1
apart ("The British fresh-water planarians", Essex Field Club), and what hides a part of it shortens it too: which
end holds must decide, not how far it stretches."""
MIDDLE = slice(N_MIDLINE // 2 - 1, N_MIDLINE // 2 + 2)  # points whose mean is the body's middle
MIN_SIZE = 1e-9

FEATURES = (
    "log_speed",
    "log_net_speed",
    "speed_evenness",
    "log_burst",
    "log_moved_over_jitter",
    "length_range",
    "log_length_over_noise",
    "steps",
    "loose_cycles",
    "log_period",
    "held",
    "alternation",
    "bend",
    "log_bend_over_noise",
    "bend_rate",
    "log_outline_over_noise",
    "slide",
    "log_slide_speed",
    "slide_one_way",
    "sideways",
    "slides_on",
    "bend_beat",
)
"""The numbers that the gait is told from, in the order of the weights."""


@dataclass(frozen=True, slots=True)
class HalfCycle:
    """A stretch in which the length grows (`sign` 1) or shrinks (-1).

    `change`: of the length, over its median. `moved`: how far each end went, in that length. `held`: which
    end stayed, 0 or 1, None where both or neither did.
    """

    start_s: float
    end_s: float
    sign: int
    change: float
    moved: tuple[float, float]
    held: int | None


@dataclass(frozen=True, slots=True)
class Measured:
    """What a trail shows, in numbers.

    Parameters
    ----------
    values
        In the order of `FEATURES`.
    interval_s
        Median interval between frames in which it was seen.
    n_seen, duration_s
        Frames in which it was seen away from the edge, and the seconds from the first to the last.
    length_px
        Median length.
    halves
        The half-cycles of the length, in their order.
    n_cycles, n_steps
        Whole cycles of the length; those with one end held while it grew and the other while it shrank.
    period_s
        Of the length's cycles, or of the bending where there are none; None where neither repeats.
    lengthening_share
        Of a cycle, the share in which the length grows; None without cycles.
    speed, net_speed
        In lengths a second: along the path, and from the first place to the last.
    moved_px, jitter_px
        How far the middle strayed from its mean place, and what of a place is not the animal's.
    length_ratio
        Longest over shortest length, without the outermost hundredths.
    bend_rad
        How far the body's shape comes and goes, one standard deviation over time.
    bend_hz
        How often a second its bending repeats; None where it does not.
    one_end_held
        Share of the motion in which the same end stays throughout.
    hops
        How many jumps between rests.
    """

    values: F64
    interval_s: float
    n_seen: int
    duration_s: float
    length_px: float
    halves: tuple[HalfCycle, ...]
    n_cycles: int
    n_steps: int
    period_s: float | None
    lengthening_share: float | None
    speed: float
    net_speed: float
    moved_px: float
    jitter_px: float
    length_ratio: float
    bend_rad: float
    bend_hz: float | None
    one_end_held: float
    hops: int


@dataclass(frozen=True, slots=True, eq=False)
class _Even:
    """A trail on an even grid: (m,) times, (m, K, 2) smoothed midlines, (m,) lengths; `good` (m,)."""

    times: F64
    lines: F64
    lengths: F64
    good: Bool
    step_s: float


def measure(trail: Trail) -> Measured | None:
    """Measure a trail; None where fewer than three frames show the animal away from the edge."""
    use = trail.seen & ~trail.at_edge & np.isfinite(trail.midlines_xy_px).all(axis=(1, 2))
    if use.sum() < 3:
        return None
    times = trail.times_s[use]
    lines, lengths = trail.midlines_xy_px[use], trail.lengths_px[use]
    fair = ~_astray(lines, lengths)
    times, lines, lengths = times[fair], lines[fair], lengths[fair]
    typical = max(float(np.median(lengths)), MIN_SIZE)
    even = _on_a_grid(times, lines, lengths)
    jitter = max(trail.jitter_px, 0.02) / typical
    noise = _length_noise(times, lengths) / typical
    pace = _Pace.of(even, typical)
    ends = even.lines[:, [0, -1]] / typical
    halves = _half_cycles(even, ends, noise=noise, jitter=jitter)
    n_cycles, n_steps = _cycles_and_steps(halves)
    period, rising = _rhythm(halves, times, lengths)
    bend, bend_noise, bend_rate = _bending(times, lines, even)
    bend_hz, bend_beat = _beat(times, lines)
    slides = _sliding(even, typical, jitter)
    held, alternation, one_end = _holding(even, ends, typical)
    reach = float(np.sqrt(even.lines.mean(axis=1)[even.good].var(axis=0).sum()))
    smooth_lengths = even.lengths[even.good]
    low, high = np.quantile(smooth_lengths, [0.02, 0.98])
    length_range = float(np.log(max(high, MIN_SIZE) / max(low, MIN_SIZE)))
    outline = float(np.sqrt(_shape_free(even.lines[even.good]).var(axis=0).sum(axis=1).mean()))
    values = np.array(
        [
            np.log(pace.path + 0.004),
            np.log(pace.net + 0.004),
            pace.evenness,
            np.log1p(pace.burst),
            np.log1p(reach / typical / max(jitter, CLEAN_SHARE)),
            min(length_range, MOST_RANGE),
            np.log1p(min(length_range, MOST_RANGE) / max(noise, CLEAN_SHARE)),
            min(n_steps, 3.0),
            min(n_cycles - n_steps, 3.0),
            0.0 if period is None else np.log(period / 2.3),
            held,
            alternation,
            bend,
            np.log1p(bend / max(bend_noise, CLEAN_RAD)),
            np.log1p(bend_rate),
            np.log1p(outline / typical / max(jitter, CLEAN_SHARE)),
            *slides,
            slides[0] * slides[2],
            bend_beat,
        ]
    )
    return Measured(
        values=np.asarray(values, np.float64),
        interval_s=float(np.median(np.diff(times))),
        n_seen=int(use.sum()),
        duration_s=float(times[-1] - times[0]),
        length_px=typical,
        halves=tuple(halves),
        n_cycles=n_cycles,
        n_steps=n_steps,
        period_s=period if period is not None else (1.0 / bend_hz if bend_hz else None),
        lengthening_share=rising,
        speed=pace.path,
        net_speed=pace.net,
        moved_px=reach,
        jitter_px=jitter * typical,
        length_ratio=float(np.exp(length_range)),
        bend_rad=bend,
        bend_hz=bend_hz,
        one_end_held=one_end,
        hops=pace.hops,
    )


def _astray(lines: F64, lengths: F64) -> Bool:
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


def _on_a_grid(times: F64, lines: F64, lengths: F64) -> _Even:
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
    return _Even(grid, laid[:, :-1].reshape(len(grid), -1, 2), laid[:, -1], np.asarray(good), step)


def _length_noise(times: F64, lengths: F64) -> float:
    """One standard deviation of a length that has no meaning: what the neighbours do not foretell."""
    if len(lengths) < 4:
        return 0.0
    share = (times[1:-1] - times[:-2]) / (times[2:] - times[:-2])
    foretold = lengths[:-2] + share * (lengths[2:] - lengths[:-2])
    off = (lengths[1:-1] - foretold) / np.sqrt(1 + share**2 + (1 - share) ** 2)
    return float(1.4826 * np.median(np.abs(off)))


@dataclass(frozen=True, slots=True)
class _Pace:
    """Speeds of the middle in lengths a second, their evenness, how they burst, and jumps."""

    path: float
    net: float
    evenness: float
    burst: float
    hops: int

    @classmethod
    def of(cls, even: _Even, typical: float) -> _Pace:
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


SPEED_SMOOTH_S = (
    0.4  # what comes and goes within half a second is more the outline's than the animal's
)


def _path_speed(middle: F64, even: _Even) -> float:
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


HOP_SPEED = 1.5  # lengths a second, and
HOP_OVER_REST = 4.0  # so many times the usual speed: a jump


def _count_hops(quick: F64, step_s: float) -> int:
    """Count the jumps: runs of speed far above the usual one, shorter than half a second."""
    level = max(HOP_SPEED, HOP_OVER_REST * float(np.median(quick)))
    above = np.concatenate([[False], quick > level, [False]])
    starts = np.flatnonzero(~above[:-1] & above[1:])
    ends = np.flatnonzero(above[:-1] & ~above[1:])
    return int(np.sum((ends - starts) * step_s <= 0.5))


def _half_cycles(even: _Even, ends: F64, *, noise: float, jitter: float) -> list[HalfCycle]:
    """Cut the length's course at its turning points, small comings and goings left out."""
    typical = float(np.median(even.lengths))
    level = even.lengths / max(typical, MIN_SIZE)
    smoothing = min(1.0, np.sqrt(even.step_s / (2 * np.sqrt(np.pi) * SMOOTH_S)))
    whole = float(np.quantile(level, 0.95) - np.quantile(level, 0.05))
    least = max(LEAST_CYCLE_SHARE, CYCLE_NOISE_SIGMAS * noise * smoothing, LEAST_OF_WHOLE * whole)
    found = []
    for start, stop in _turning_points(level, least):
        if _longest_run(~even.good[start : stop + 1]) > MOST_UNSEEN * (stop - start):
            continue
        found.append(_half_cycle(even, ends, level, (start, stop), jitter))
    return found


def _longest_run(flags: Bool) -> int:
    """Length of the longest run of True."""
    ends = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return int((ends[1::2] - ends[::2]).max(initial=0))


def _half_cycle(
    even: _Even, ends: F64, level: F64, span: tuple[int, int], jitter: float
) -> HalfCycle:
    start, stop = span
    change = float(level[stop] - level[start])
    # Between the flat parts about the turning points: there neither end says anything.
    course = np.abs(level[start : stop + 1] - level[start])
    inner = np.flatnonzero((course >= 0.12 * abs(change)) & (course <= 0.88 * abs(change)))
    a, b = (start + int(inner[0]), start + int(inner[-1])) if len(inner) > 1 else (start, stop)
    grown = abs(float(level[b] - level[a]))
    moved = [float(np.hypot(*(ends[b, k] - ends[a, k]))) for k in (0, 1)]
    calm, lively = min(moved), max(moved)
    holds = calm <= max(HELD_SHARE * lively, HELD_JITTER * jitter) and lively >= MOVED_SHARE * grown
    held = int(moved[1] < moved[0]) if holds else None
    # A stretch that is begun: how long it takes is told from its middle part, flat parts left out.
    return HalfCycle(
        start_s=float(even.times[start]),
        end_s=float(even.times[stop]),
        sign=1 if change > 0 else -1,
        change=abs(change),
        moved=(moved[0], moved[1]),
        held=held,
    )


def _turning_points(level: F64, least: float) -> list[tuple[int, int]]:
    """Give the stretches between turning points of a course that change it by `least` or more."""
    marks: list[int] = []
    low = high = 0
    heading = 0
    for index in range(1, len(level)):
        if level[index] > level[high]:
            high = index
        if level[index] < level[low]:
            low = index
        if heading <= 0 and level[index] - level[low] >= least:
            marks.append(low)
            heading, high = 1, index
        elif heading >= 0 and level[high] - level[index] >= least:
            marks.append(high)
            heading, low = -1, index
    if heading:
        marks.append(high if heading > 0 else low)
    return [(a, b) for a, b in itertools.pairwise(marks) if b > a]


def _cycles_and_steps(halves: list[HalfCycle]) -> tuple[int, int]:
    """Count whole cycles, two halves each, and those in which one end, then the other, held.

    The clip may begin with either half; where one is left over, the count begins where more steps are.
    """
    n_cycles = len(halves) // 2
    starts = (0,) if len(halves) % 2 == 0 else (0, 1)
    counts = [
        sum(
            one.held is not None and other.held is not None and one.held != other.held
            for one, other in zip(halves[start::2], halves[start + 1 :: 2], strict=False)
        )
        for start in starts
    ]
    return n_cycles, max(counts, default=0)


def _rhythm(halves: list[HalfCycle], times: F64, lengths: F64) -> tuple[float | None, float | None]:
    """Give the time of a cycle of the length, and the share of it in which the length grows.

    From turning point to turning point; where there are enough of them, from the wave that explains the
    length best among those of about that time.
    """
    periods, shares = [], []
    for one, other in itertools.pairwise(halves):
        if one.sign == other.sign or other.start_s - one.end_s > MAX_HOLE_S:
            continue
        whole = other.end_s - one.start_s
        grown = one if one.sign == 1 else other
        periods.append(whole)
        shares.append((grown.end_s - grown.start_s) / whole)
    if not periods:
        return None, None
    # The first half-cycle and the last are cut by the clip: those between them are whole.
    inner = periods[1:-1] or periods
    rough, share = float(np.median(inner)), float(np.median(shares[1:-1] or shares))
    if len(halves) < 4:
        return max(rough, *periods), share
    span = (1.0 / (1.5 * rough), 1.5 / rough)
    hertz, explained = _best_wave(times, lengths, span)
    return (1.0 / hertz if hertz is not None and explained >= LEAST_POWER else rough), share


def _shape_free(lines: F64) -> F64:
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


def _bending(times: F64, lines: F64, even: _Even) -> tuple[float, float, float]:
    """Give how far the shape comes and goes (rad), its noise, and rad a second."""
    raw = _bend_modes(lines)
    noise = float(np.sqrt(sum(_length_noise(times, raw[:, k]) ** 2 for k in range(raw.shape[1]))))
    smooth = _bend_modes(even.lines)[even.good]
    amplitude = float(np.sqrt(smooth.var(axis=0).sum()))
    rates = np.diff(smooth, axis=0) / even.step_s
    rate = float(np.median(np.hypot.reduce(rates, axis=1))) if len(rates) else 0.0
    return amplitude, noise, rate


LEAST_POWER = 0.4  # of the variance that one frequency explains, for a bending to count as repeated
SLOWEST_HZ, FASTEST_HZ = 0.3, 6.0


def _beat(times: F64, lines: F64) -> tuple[float | None, float]:
    """Give how often a second the bending repeats, None where it does not, and the share so explained."""
    modes = _bend_modes(lines)
    lively = modes[:, int(np.argmax(modes.var(axis=0)))]
    duration = float(times[-1] - times[0])
    low = max(SLOWEST_HZ, 1.5 / duration)
    high = min(FASTEST_HZ, 0.5 / float(np.median(np.diff(times))))
    hertz, share = _best_wave(times, lively, (low, high))
    return (hertz if share >= LEAST_POWER else None), share


def _best_wave(times: F64, course: F64, hertz: tuple[float, float]) -> tuple[float | None, float]:
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


def _holding(even: _Even, ends: F64, typical: float) -> tuple[float, float, float]:
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


def _sliding(even: _Even, typical: float, jitter: float) -> tuple[float, float, float, float]:
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
