"""Cycles of the length: when it grows and shrinks, which end holds meanwhile, and how long a cycle takes."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.gait_grid import LEAST_POWER, MAX_HOLE_S, MIN_SIZE, SMOOTH_S, Even, best_wave

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool

MOST_UNSEEN = 0.5  # of a half-cycle, in one go: more of it unseen, and it is left out
LEAST_CYCLE_SHARE = 0.12  # of the length: smaller comings and goings are no step (a glide has 5 %)
CYCLE_NOISE_SIGMAS = 4.0  # and smaller than this many deviations of the noise neither
LEAST_OF_WHOLE = 0.4  # and smaller than this share of all that the length changes by neither
HELD_SHARE = 0.35  # an end holds if it goes less than this share of the other end's way
HELD_JITTER = 3.0  # or less than this many jitters
MOVED_SHARE = 0.5  # the other end has gone at least so much of what the length changes by


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


def half_cycles(even: Even, ends: F64, *, noise: float, jitter: float) -> list[HalfCycle]:
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
    even: Even, ends: F64, level: F64, span: tuple[int, int], jitter: float
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


def cycles_and_steps(halves: list[HalfCycle]) -> tuple[int, int]:
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


def rhythm(halves: list[HalfCycle], times: F64, lengths: F64) -> tuple[float | None, float | None]:
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
    hertz, explained = best_wave(times, lengths, span)
    return (1.0 / hertz if hertz is not None and explained >= LEAST_POWER else rough), share
