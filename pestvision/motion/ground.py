"""What lies behind the animals of a clip: the ground as it would be without them.

Frames lie on each other already. Where an animal moved away the ground was seen, and of the values that
a place had over time the one is taken that fits what surrounds the animal's whole path; where it never
moved away, the ground is filled in from what surrounds it. A frame's difference to that ground, light and
exposure taken out, is what the animals are seen by, whether they move or not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, Bool, as_f32
from pestvision.motion.cores import cores_of, remnants_of
from pestvision.motion.ghosts import told_apart
from pestvision.motion.medians import middle_of
from pestvision.motion.noises import (
    JOINED_AT,
    grey_of,
    grown,
    in_noises,
    size_of,
    smoothed,
    tail_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.motion.noises import Each

N_SAMPLED = 16
"""Frames from which the ground is made: their median is steady, and more take time."""
GRID_PX = 16  # cells on which light is compared
LIGHT_ROUNDS = 3
SLIGHT_GAIN = 0.02  # a smaller one changes the edges of the ground by less than the noise
MOST_LIGHT = 3.0  # spreads beyond which a cell is taken for an animal, not for light
EDGE_JITTER_PX = 0.35  # what is left of the camera's motion, and of sharpness that comes and goes
LEAST_NOISE = 0.6  # grey levels: packed clips are smoother than they are true
GROWN_PX = 3  # about what moved the ground is looked at anew: edges are soft
ROUNDS = 2  # what is left of animals in the first ground shows against what was cleared
LEAST_CLEAR = 2  # times at which a place was seen clear; fewer may be chance


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The ground of a stretch of frames.

    `rgb`: (H, W, 3) float32. `per_noise`: (H, W) float32, one over the noise expected of a place, larger
    at edges. `coarse`: the ground on the grid of `GRID_PX`. `seen`: (H, W) bool, where most frames look.
    """

    rgb: F32
    per_noise: F32
    coarse: F32
    seen: Bool


def ground_of(
    frames: Sequence[U8],
    *,
    covered: Sequence[U8],
    animals: Bool,
    by_colour: bool = True,
    each: Each = map,
) -> Ground:
    """Make the ground of a stretch.

    Parameters
    ----------
    frames
        (H, W, 3) uint8 RGB, laid over each other; a few dozen of a stretch.
    covered
        For each (H, W) uint8, 255 where the frame looked.
    animals
        (H, W) bool: what is known to be an animal that covers the ground in all frames.
    by_colour
        Whether what has the colours of an animal beside it is taken for its middle, which never leaves
        its place. It finds whole bodies, and leaves of their colour; nobody needs it who outlines what
        stands out.
    each
        Goes through the frames: `map`, or that of some threads.
    """
    middle = middle_of(frames, each=each).astype(np.float32)
    seen = np.mean([cover > 0 for cover in covered], axis=0) > 0.6
    coarse = _coarse(middle)
    stack_lit = np.empty((len(frames), *middle.shape), np.float32)
    lit = [as_f32(one) for one in stack_lit]
    for one, answer in zip(lit, each(lambda frame: _relit(frame, coarse), frames), strict=True):
        one[:] = answer
    nothing = np.zeros(seen.shape, np.bool_)
    wheres = [(cover > 0) & seen for cover in covered]
    ground = _ground(middle, lit, seen, each=each)
    for turn in range(ROUNDS):
        there, gone = told_apart(lit, ground.rgb, ground.per_noise, wheres, each=each)
        marked = animals & ~there.any(axis=0) & ~gone.any(axis=0) if turn == 0 else nothing
        better = _bettered(ground.rgb, stack_lit, (there, gone), marked, by_colour=by_colour)
        if better is None:
            break
        rgb, away_from = better
        if turn and by_colour:
            left = grown(remnants_of(rgb, stack_lit, there, ground.per_noise), 1)
            rgb = _filled_in(rgb, left) if left.any() else rgb
        ground = _ground(rgb, lit, seen, away_from=away_from, each=each)
    return ground


def _bettered(
    rgb: F32, lit: F32, told: tuple[Bool, Bool], marked: Bool, *, by_colour: bool
) -> tuple[F32, Bool] | None:
    """Give a ground with less of animals in it, and where it was looked at anew; None if nowhere."""
    there, gone = told
    core, animal_like = np.zeros_like(marked), there
    if by_colour:
        core, animal_like = cores_of(rgb, lit, there, gone)
    doubtful = grown(there.any(axis=0) | gone.any(axis=0) | marked | core, GROWN_PX)
    if not doubtful.any():
        return None
    soft = [np.stack([grown(mask, 2) for mask in masks]) for masks in told]
    clear = np.where(soft[1].any(axis=0), soft[1], ~soft[0])
    rim = grown(core, 2)
    clear = np.where(rim, ~np.stack([grown(mask, 2) for mask in animal_like]), clear) & ~marked
    return _cleared(lit, rgb, doubtful, clear), doubtful


def _calibrated(ground: Ground, lit: Sequence[F32], each: Each) -> Ground:
    """Take the noise for larger where nothing stands out by more than it should."""

    def few_places(frame: F32) -> F32:
        return as_f32(in_noises(as_f32(frame - ground.rgb), ground.per_noise)[::2, ::2])

    tail = tail_of(list(each(few_places, list(lit)[:: max(1, len(lit) // 6)])))
    if tail <= JOINED_AT:
        return ground
    return replace(ground, per_noise=as_f32(ground.per_noise * np.float32(JOINED_AT / tail)))


def difference(frame: U8, ground: Ground) -> F32:
    """Give by how many noises each place of a frame differs from the ground: (H, W) float32."""
    change = _relit(frame, ground.coarse)
    cv2.subtract(change, ground.rgb, dst=change)
    return in_noises(change, ground.per_noise)


def _cleared(lit: F32, middle: F32, doubtful: Bool, clear: Bool) -> F32:
    """Give the ground where animals were: the median of the times at which it was clear there.

    Where a ghost was found those times count; else all at which nothing was there. Where the ground was
    never clear it is filled in from around.
    """
    rows, columns = np.nonzero(doubtful)
    clear = clear[:, rows, columns]
    n_clear = clear.sum(axis=0)
    values = np.where(clear[..., None], lit[:, rows, columns], np.float32(np.inf))
    values.sort(axis=0)
    half = np.maximum(n_clear - 1, 0) // 2
    best = values[half, np.arange(len(rows))]
    rgb = middle.copy()
    rgb[rows, columns] = np.where(np.isfinite(best), best, 0)
    never = np.zeros(doubtful.shape, np.bool_)
    never[rows, columns] = n_clear < LEAST_CLEAR
    return _filled_in(rgb, never) if never.any() else rgb


def _filled_in(rgb: F32, hole: Bool) -> F32:
    """Fill a hole smoothly from around it, coarse to fine."""
    weight = (~hole).astype(np.float32)
    levels = [(as_f32(rgb * weight[..., None]), weight)]
    while min(levels[-1][1].shape) > 2 and (levels[-1][1] <= 0).any():
        levels.append(tuple(as_f32(cv2.pyrDown(item)) for item in levels[-1]))  # type: ignore[arg-type]
    total, weight = levels[-1]
    full = as_f32(total / np.maximum(weight, 1e-6)[..., None])
    for total, weight in levels[-2::-1]:
        up = as_f32(cv2.pyrUp(full, dstsize=(weight.shape[1], weight.shape[0])))
        own = total / np.maximum(weight, 1e-6)[..., None]
        trust = np.clip(weight, 0, 1)[..., None]
        full = as_f32(trust * own + (1 - trust) * up)
    return full


def _ground(
    rgb: F32, lit: Sequence[F32], seen: Bool, *, away_from: Bool | None = None, each: Each
) -> Ground:
    noise = _noise_of(lit, rgb, away_from=away_from, each=each)
    grey = grey_of(rgb)
    across = cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8)
    down = cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8)
    edges = cv2.GaussianBlur(np.hypot(across, down), (0, 0), 1.5)
    ground = Ground(
        rgb=rgb,
        per_noise=as_f32((1 / np.hypot(noise, EDGE_JITTER_PX * 1.7 * edges)).astype(np.float32)),
        coarse=_coarse(rgb),
        seen=seen,
    )
    return _calibrated(ground, lit, each)


def _noise_of(lit: Sequence[F32], rgb: F32, *, away_from: Bool | None, each: Each) -> float:
    """Give the usual size of a difference that is nothing, grey levels, from a few frames."""

    def usual(frame: F32) -> float:
        size = size_of(as_f32(smoothed(as_f32(frame - rgb))[::3, ::3]))
        return float(np.median(size if away_from is None else size[~away_from[::3, ::3]]))

    sizes = list(each(usual, list(lit)[:: max(1, len(lit) // 8)]))
    return max(LEAST_NOISE, 0.9 * float(np.median(sizes)))  # median of a 3-D length is 1.54 sigma


def _coarse(rgb: F32) -> F32:
    size = max(1, rgb.shape[1] // GRID_PX), max(1, rgb.shape[0] // GRID_PX)
    return as_f32(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))


def _relit(frame: U8, here_coarse: F32) -> F32:
    """Bring a frame into the light of a coarse ground: a smooth change over the frame, and a gain.

    Cells that differ by far more than the rest are an animal's and have no say. The change is told on the
    coarse grid and laid over the frame; a gain that is more than slight is taken at every place.
    """
    there = frame.astype(np.float32)
    there_coarse = _coarse(there)
    change = (here_coarse - there_coarse).reshape(-1, 3)
    height, width = here_coarse.shape[:2]
    level = there_coarse.mean(axis=2).ravel() / 128 - 1
    columns: F64 = np.column_stack([_places(height, width), level]).astype(np.float64)
    solved, left = _smooth_change(columns, change)
    plain, plain_left = _smooth_change(_places(height, width), change)
    # Where one level prevails a gain can be told by an animal alone, and then leaves more than none does.
    is_gain = left <= plain_left
    is_plain = not is_gain or float(np.abs(solved[-1]).max()) < SLIGHT_GAIN * 128
    if not is_gain:
        columns, solved = _places(height, width), plain
    n = len(solved) if is_plain else len(solved) - 1
    surface = (columns[:, :n] @ solved[:n]).reshape(height, width, 3).astype(np.float32)
    wide = cv2.resize(surface, (there.shape[1], there.shape[0]), interpolation=cv2.INTER_LINEAR)
    if (
        not is_plain
    ):  # the grey of a place, over 128, times the gain, less the gain of a middling one
        of_grey = np.eye(3) + np.repeat(solved[-1][:, None] / (3 * 128), 3, axis=1)
        there = as_f32(cv2.transform(there, np.column_stack([of_grey, -solved[-1]])))
    return as_f32(cv2.add(there, wide, dst=there))


def _smooth_change(columns: F64, change: F64 | F32) -> tuple[F64, float]:
    """Fit terms to the change of cells, those far off having no say; give also the middling error."""
    trust = np.ones(len(columns))
    solved: F64 = np.zeros((columns.shape[1], 3))
    middling = 0.0
    for _ in range(LIGHT_ROUNDS):
        weighted = columns * trust[:, None]
        normal = weighted.T @ columns + 1e-3 * np.eye(columns.shape[1])
        solved = np.asarray(np.linalg.solve(normal, weighted.T @ change), np.float64)
        left = np.abs(change - columns @ solved).max(axis=1)
        middling = float(np.median(left))
        trust = 1 / np.square(1 + np.square(left / (MOST_LIGHT * (1.48 * middling + 0.3))))
    return solved, middling


@lru_cache(maxsize=4)
def _places(height: int, width: int) -> F64:
    """Give the terms of a smooth change over the cells: (cells, 6)."""
    v, u = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j].reshape(2, -1)
    return np.asarray(np.stack([np.ones_like(u), u, v, u * v, u * u, v * v], axis=1), np.float64)
