"""Long thin changes that are faint all along: worms too thin for the map of change.

A worm thinner than the map's smoothing is nowhere far above the noise, and only its length tells it.
The grey difference of the two photos is run along eight directions, and what answers is a candidate.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, as_f32, as_u8
from pestvision.motion.noise import local_spread
from pestvision.motion.regions import measured_region

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

CLIP_LEVELS = 30.0  # grey levels: a large change must not ring far about itself
NOISE_OF_SPREAD = 0.06  # of the noise, for each grey level of spread that both photos have

# In pixels of half the working size. There, 25 of the 51 were met for 16 candidates a pair and 0.1 s (27
# with bars 1.1 across, not fitted since); at the full size, bars twice as large met 29 for 38 and 0.25 s.
KERNEL_PX = 9
ALONG_PX = 2.4
ACROSS_PX = 0.8
N_TURNS = 8


def find_threads(response: F32, change: ChangeMap, taken: Sequence[Region]) -> list[Region]:
    """Find what answers along a line, where no region is taken already.

    Parameters
    ----------
    response
        From `thread_response`.
    change
        The map of the same pair.
    taken
        From `find_regions`: what overlaps one of them is left out.

    Returns
    -------
    At most `MAX_THREADS`, the strongest first.
    """
    height, width = change.z.shape
    wide = as_f32(cv2.resize(response, (width, height), interpolation=cv2.INTER_LINEAR))
    above = wide > THREAD_GROW
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(
        above.view(np.uint8), connectivity=8
    )
    values, owners = wide[above], labels[above]
    strength = np.bincount(owners, weights=values, minlength=n_labels).astype(np.float64)
    seeded = np.zeros(n_labels, bool)
    seeded[owners[values > THREAD_SEED]] = True
    for region in taken:
        seeded[labels[region.window][region.mask]] = False
    seeded[0] = False
    sides = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    strength[~seeded | (sides < LEAST_LENGTH_PX)] = 0.0
    order = [int(label) for label in np.argsort(-strength)[:MAX_THREADS] if strength[label] > 0]
    return [measured_region(change, labels, stats, label) for label in order]


def thread_response(change: ChangeMap) -> F32:
    """Run the grey difference along eight directions.

    Returns
    -------
    (h // 2, w // 2) float32, the strongest answer of any direction, in medians of it over the photo; 0
    where a photo has no source.
    """
    height, width = change.z.shape[0] // 2 * 2, change.z.shape[1] // 2 * 2
    halves = [
        as_u8(
            cv2.resize(
                photo[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA
            )
        )
        for photo in (change.first, change.second)
    ]
    usable = change.usable[:height:2, :width:2]
    greys = [cv2.cvtColor(half, cv2.COLOR_RGB2GRAY) for half in halves]
    apart = cv2.subtract(greys[0], greys[1], dtype=cv2.CV_32F)
    apart[~usable] = 0.0
    spread = cv2.min(*(local_spread(half) for half in halves)).astype(np.float32)
    noise = 1.0 + NOISE_OF_SPREAD * cv2.blur(spread, (3, 3))
    apart = np.clip(apart, -CLIP_LEVELS, CLIP_LEVELS) / noise
    most = np.zeros(apart.shape, np.float32)
    for kernel in _bars():
        along = as_f32(cv2.filter2D(apart, cv2.CV_32F, kernel))
        np.maximum(most, np.abs(along), out=most)
    sample = most[::2, ::2][usable[::2, ::2]]
    middle = float(np.median(sample)) if sample.size else 0.0
    most[~usable] = 0.0
    return as_f32(most / np.float32(max(middle, 1e-3)))


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
        bar -= window * (bar.sum() / window.sum())
        bars.append((bar / np.sqrt(np.square(bar).sum())).astype(np.float32))
    return tuple(bars)
