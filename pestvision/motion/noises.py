"""How far a frame stands out from the ground, in units of the noise about each place."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import cv2
import numpy as np

from pestvision.arrays import F32, Bool, as_f32

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

Each: TypeAlias = "Callable[..., Iterable[Any]]"
"""Does something to each of several things, one after the other or side by side: `map`, or that of threads."""

LOCAL_PX = 24  # surroundings by which wide changes and the local noise are told
COARSE = 4  # surroundings are told on a grid so much coarser
CALM_NOISES = 3.0  # a change is taken for this at the most where the surroundings are told
USUAL_LEVEL = 1.5  # mean size of a change of nothing, in noises: three channels together
GRAIN_PX = (
    1.0  # blur that takes grain down to a third and leaves a worm of two pixels half as clear
)
BLOCKS = 4  # a side: blocks of the frame in which grain is told
TAIL_SHARE = 0.995
NEAR_PX = 4  # how far the most conspicuous place near an edge may be
HALF = (
    0.45  # of it: where an edge lies that was blurred; a body of two pixels is the narrower for it
)
SEEN_AT = 5.0  # in noise: a place that stands out by itself
JOINED_AT = 3.0  # in noise: a place that belongs to one beside it that stands out


def in_noises(change: F32, per_noise: F32) -> F32:
    """Give a change in noises, what is wide in it and the noise of the surroundings taken out."""
    noises = smoothed(change)
    cv2.multiply(noises, cv2.merge([per_noise] * 3), dst=noises)
    height, width = per_noise.shape
    few = (max(1, width // COARSE), max(1, height // COARSE))
    side = 2 * (LOCAL_PX // COARSE) + 1
    wide = cv2.resize(noises, few, interpolation=cv2.INTER_AREA)
    calm = cv2.blur(np.clip(wide, -CALM_NOISES, CALM_NOISES), (side, side))
    cv2.subtract(noises, cv2.resize(calm, (width, height)), dst=noises)
    cv2.multiply(noises, noises, dst=noises)
    size = _added(noises)
    cv2.sqrt(size, dst=size)
    usual = cv2.resize(np.minimum(size, np.float32(CALM_NOISES)), few, interpolation=cv2.INTER_AREA)
    level = np.maximum(cv2.blur(usual, (side, side)) / np.float32(USUAL_LEVEL), np.float32(1.0))
    return as_f32(cv2.divide(size, cv2.resize(level, (width, height)), dst=size))


def smoothed(change: F32) -> F32:
    """Take the grain out of a change: what is an animal's covers several pixels, with one sign."""
    return as_f32(cv2.GaussianBlur(change, (0, 0), GRAIN_PX))


def tail_of(noises: Sequence[F32]) -> float:
    """Give what `TAIL_SHARE` of the places of nothing stay below: grain has longer tails than its middle says.

    Told in each block of the frame by itself; of the blocks the middle one counts, so that animals, which
    are in few of them, do not.
    """
    tails = []
    for one in noises:
        for rows in np.array_split(one, BLOCKS, axis=0):
            for block in np.array_split(rows, BLOCKS, axis=1):
                at = int(TAIL_SHARE * (block.size - 1))
                tails.append(float(np.partition(block, at, axis=None)[at]))
    return float(np.median(tails))


def narrowed(noises: F32, out: Bool) -> Bool:
    """Draw what stands out in to where it does so by half: (H, W) bool.

    What is conspicuous stands out to beyond its edge, by the blur of lens and grain filter.
    """
    side = 2 * NEAR_PX + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    left, top, width, height = cv2.boundingRect(out.astype(np.uint8))
    cut = (slice(top, top + height), slice(left, left + width))  # beyond it nothing stands out
    narrow = np.zeros(out.shape, np.bool_)
    if width:
        most = cv2.dilate(np.where(out[cut], noises[cut], 0).astype(np.float32), kernel)
        narrow[cut] = out[cut] & (noises[cut] > HALF * most)
    return narrow


def standing_out(noises: F32, where: Bool) -> Bool:
    """Mark what stands out, and what belongs to it: (H, W) bool."""
    weak = (noises > JOINED_AT) & where
    n, found = cv2.connectedComponents(weak.astype(np.uint8), connectivity=8)
    labels, places = np.asarray(found).ravel(), np.flatnonzero(weak)
    strong = np.zeros(n, np.bool_)
    strong[labels[places[noises.ravel()[places] > SEEN_AT]]] = True
    out = np.zeros(weak.shape, np.bool_)
    out.ravel()[places] = strong[labels[places]]
    return out


def size_of(change: F32) -> F32:
    """Give the size of a change in colour: (H, W) float32, grey levels."""
    return as_f32(cv2.sqrt(_added(as_f32(change * change))))


def _added(squares: F32) -> F32:
    return as_f32(cv2.transform(squares, np.ones((1, 3), np.float32)))


def grey_of(rgb: F32) -> F32:
    """Give the mean of the three channels: (H, W) float32."""
    return as_f32(cv2.transform(rgb, np.full((1, 3), 1 / 3, np.float32)))


def grown(mask: Bool, by_px: int) -> Bool:
    """Grow a mask by some pixels."""
    side = 2 * by_px + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel) > 0)
