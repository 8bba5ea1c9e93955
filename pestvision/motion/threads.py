"""Long thin changes that are faint all along: worms too thin for the map of change.

A worm thinner than the map's smoothing is nowhere far above the noise, and only its length tells it.
The grey difference of the two photos is run along eight directions, and what answers is a candidate.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, F64, Bool, as_f32, as_u8
from pestvision.motion.noise import bands_about, local_spread
from pestvision.motion.regions import (
    label_parts,
    measured_region,
    seeded_strength,
    window_about,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.motion.noise import ChangeMap
    from pestvision.motion.regions import Region

# Medians of the response; noise alone has 1. Of 51 movers of tuning pairs that had no region otherwise,
# 25 get one at these levels; 2.5 and 4 gave 22, 3 and 4.5 gave 19.
THREAD_GROW = 2.5
THREAD_SEED = 3.5
LEAST_LENGTH_PX = 13  # of the upright box's longer side, at the working size
MAX_THREADS = 20  # candidates measured, by strength
# A thread is looked at beside the regions it touches if it is this many times as long as each: 0.871 of
# movers found in place of 0.866 without (628 tuning pairs, out of fold, 0.42 false blobs a pair).
FRAGMENTS = 2.0
FAT = 0.5  # width over length: what is fatter about a short region is the filters' own halo about it (three halos: 0.62 to 0.64)

CLIP_LEVELS = 30.0  # grey levels: a large change must not ring far about itself
NOISE_OF_SPREAD = 0.06  # of the noise, for each grey level of spread that both photos have

BAND_ROWS = 96  # worked on at once: 0.4 MB a copy, which stays in the processor's cache
HALO_ROWS = 8  # a bar reaches four, what it runs over was blurred and spread over three more

# In pixels of half the working size. There, 25 of the 51 were met for 16 candidates a pair and 0.1 s (27
# with bars 1.1 across, not fitted since); at the full size, bars twice as large met 29 for 38 and 0.25 s.
KERNEL_PX = 9
ALONG_PX = 2.4
ACROSS_PX = 0.8
N_TURNS = 8
LEAST_OF_BAR = 0.03  # of a bar's middle: without lesser taps the filters take two thirds as long


def find_threads(response: F32, change: ChangeMap, taken: Sequence[Region]) -> list[Region]:
    """Find what answers along a line, where no region is taken already.

    Parameters
    ----------
    response
        From `thread_response`.
    change
        The map of the same pair.
    taken
        From `find_regions`: what touches one of them is left out, unless it is `FRAGMENTS` as long.

    Returns
    -------
    At most `MAX_THREADS`, the strongest first.
    """
    above = response > THREAD_GROW
    labels, stats = label_parts(above.view(np.uint8))
    strength = seeded_strength(response[above], labels[above], len(stats), seed=THREAD_SEED)
    sides = 2 * np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    longest = _longest_touched(labels, len(sides), taken)
    strength[(sides < LEAST_LENGTH_PX) | (sides < FRAGMENTS * longest)] = 0.0
    found: list[Region] = []
    for label in np.argsort(-strength):
        if strength[label] <= 0 or len(found) == MAX_THREADS:
            break
        region = _measured(response, change, labels, stats, int(label))
        if region is None:
            continue
        if longest[label] == 0 or region.width_px <= FAT * region.length_px:
            found.append(region)
    return found


def _longest_touched(labels: cv2.typing.MatLike, n_labels: int, taken: Sequence[Region]) -> F64:
    """Give the longer side of the longest region that each label touches, 0 for none, (n_labels,)."""
    longest = np.zeros(n_labels)
    for region in taken:
        rows, columns = np.nonzero(region.mask)
        rows = np.minimum((rows + region.window[0].start) // 2, labels.shape[0] - 1)
        columns = np.minimum((columns + region.window[1].start) // 2, labels.shape[1] - 1)
        touched = np.unique(labels[rows, columns])
        x0, y0, x1, y1 = region.box
        longest[touched] = np.maximum(longest[touched], max(x1 - x0, y1 - y0))
    return longest


def _measured(
    response: F32,
    change: ChangeMap,
    labels: cv2.typing.MatLike,
    stats: cv2.typing.MatLike,
    label: int,
) -> Region | None:
    """Measure a label of the response at the working size; None if too little of it is left there."""
    rows, columns = window_about(stats[label, :4], labels.shape)
    part = np.ascontiguousarray(response[rows, columns])
    own = cv2.dilate((labels[rows, columns] == label).view(np.uint8), np.ones((3, 3), np.uint8))
    height, width = 2 * part.shape[0], 2 * part.shape[1]
    changed = cv2.resize(part, (width, height), interpolation=cv2.INTER_LINEAR) > THREAD_GROW
    wide = cv2.resize(part * own, (width, height), interpolation=cv2.INTER_LINEAR)
    mask = wide > THREAD_GROW
    *_, across, down = cv2.boundingRect(mask.view(np.uint8))
    if max(across, down) < LEAST_LENGTH_PX or float(wide.max()) <= THREAD_SEED:
        return None
    window = (slice(2 * rows.start, 2 * rows.stop), slice(2 * columns.start, 2 * columns.stop))
    return measured_region(change, window, mask, changed)


def thread_response(change: ChangeMap) -> F32:
    """Run the grey difference along eight directions.

    Returns
    -------
    (h // 2, w // 2) float32, the strongest answer of any direction, in medians of it over the photo; 0
    where a photo has no source.
    """
    height, width = change.z.shape[0] // 2, change.z.shape[1] // 2
    usable = np.ascontiguousarray(change.usable[: 2 * height : 2, : 2 * width : 2])
    most = np.empty((height, width), np.float32)
    for rows, halo in bands_about(height, BAND_ROWS, HALO_ROWS):
        apart = _apart(change, halo, usable[halo])
        answer, along = np.zeros_like(apart), np.empty_like(apart)
        for kernel in _bars():
            cv2.filter2D(apart, cv2.CV_32F, kernel, along)
            cv2.max(answer, np.abs(along, out=along), answer)
        most[rows] = answer[rows.start - halo.start : rows.stop - halo.start]
    sample = most[::2, ::2][usable[::2, ::2]]
    middle = float(np.median(sample)) if sample.size else 0.0
    most[~usable] = 0.0
    return as_f32(most / np.float32(max(middle, 1e-3)))


def _apart(change: ChangeMap, rows: slice, usable: Bool) -> F32:
    """Give the grey difference over its noise at half the working size, clipped, of some rows."""
    height, width = usable.shape
    both = slice(2 * rows.start, 2 * rows.stop), slice(0, 2 * width)
    halves = [
        as_u8(cv2.resize(photo[both], (width, height), interpolation=cv2.INTER_AREA))
        for photo in (change.first, change.second)
    ]
    greys = [cv2.cvtColor(half, cv2.COLOR_RGB2GRAY) for half in halves]
    apart = cv2.subtract(greys[0], greys[1], dtype=cv2.CV_32F)
    np.clip(apart, -CLIP_LEVELS, CLIP_LEVELS, out=apart)
    apart[~usable] = 0.0
    spread = cv2.min(*(local_spread(half) for half in halves)).astype(np.float32)
    return as_f32(cv2.divide(apart, 1.0 + NOISE_OF_SPREAD * cv2.blur(spread, (3, 3))))


@cache
def _bars() -> tuple[F32, ...]:
    """Give a bar with flanks of the other sign at eight turns, each of sum 0 and square sum 1."""
    reach = np.arange(KERNEL_PX) - KERNEL_PX // 2
    x, y = np.meshgrid(reach, reach)
    bars = []
    for turn in np.arange(N_TURNS) * np.pi / N_TURNS:
        along = (x * np.cos(turn) + y * np.sin(turn)) / ALONG_PX
        across = np.square((y * np.cos(turn) - x * np.sin(turn)) / ACROSS_PX)
        window = np.exp(-np.square(along) / 2)
        bar = window * (1 - across) * np.exp(-across / 2)
        window[np.abs(bar) < LEAST_OF_BAR] = 0.0
        bar[np.abs(bar) < LEAST_OF_BAR] = 0.0
        bar -= window * (bar.sum() / window.sum())
        bars.append((bar / np.sqrt(np.square(bar).sum())).astype(np.float32))
    return tuple(bars)
