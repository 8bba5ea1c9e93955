"""What is measured of a trail to tell its gait: each number has a meaning that a keeper could check.

Times may be uneven and frames may be missing: all is first laid on an even grid no finer than the frames
and smoothed over a moment shorter than any gait's half cycle.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.gait_cycles import HalfCycle, cycles_and_steps, half_cycles, rhythm
from pestvision.motion.gait_grid import MIN_SIZE, astray, length_noise, on_a_grid
from pestvision.motion.gait_motion import Pace, beat, bending, holding, shape_free, sliding

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from pestvision.motion.trail import Trail

CLEAN_SHARE, CLEAN_RAD = 0.012, 0.05
"""Noise of a place or a length over the length, and of a bend: what is cleaner tells no more."""
MOST_RANGE = 0.35
"""Logarithm of longest over shortest, 1.4: a larger one says no more. A planarian's own two lengths are 2.0-3.1
apart ("The British fresh-water planarians", Essex Field Club), and what hides a part of it shortens it too: which
end holds must decide, not how far it stretches."""
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


def measure(trail: Trail) -> Measured | None:
    """Measure a trail; None where fewer than three frames show the animal away from the edge."""
    use = trail.seen & ~trail.at_edge & np.isfinite(trail.midlines_xy_px).all(axis=(1, 2))
    if use.sum() < 3:
        return None
    times = trail.times_s[use]
    lines, lengths = trail.midlines_xy_px[use], trail.lengths_px[use]
    fair = ~astray(lines, lengths)
    times, lines, lengths = times[fair], lines[fair], lengths[fair]
    typical = max(float(np.median(lengths)), MIN_SIZE)
    even = on_a_grid(times, lines, lengths)
    jitter = max(trail.jitter_px, 0.02) / typical
    noise = length_noise(times, lengths) / typical
    pace = Pace.of(even, typical)
    ends = even.lines[:, [0, -1]] / typical
    halves = half_cycles(even, ends, noise=noise, jitter=jitter)
    n_cycles, n_steps = cycles_and_steps(halves)
    period, rising = rhythm(halves, times, lengths)
    bend, bend_noise, bend_rate = bending(times, lines, even)
    bend_hz, bend_beat = beat(times, lines)
    slides = sliding(even, typical, jitter)
    held, alternation, one_end = holding(even, ends, typical)
    reach = float(np.sqrt(even.lines.mean(axis=1)[even.good].var(axis=0).sum()))
    smooth_lengths = even.lengths[even.good]
    low, high = np.quantile(smooth_lengths, [0.02, 0.98])
    length_range = float(np.log(max(high, MIN_SIZE) / max(low, MIN_SIZE)))
    outline = float(np.sqrt(shape_free(even.lines[even.good]).var(axis=0).sum(axis=1).mean()))
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
