"""The middle one of the values that each place has over time, by comparing whole frames in a fixed order.

A network of comparisons (Batcher 1968, Proc AFIPS Spring Joint Computer Conf 32:307-314) sorts all places at
once: for sixteen frames some sixty smaller-and-larger of two frames, which is quicker by far than to
choose at each place for itself.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import as_u8

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8
    from pestvision.motion.noises import Each

N_STRIPS = (
    4  # of a frame, sorted one by one: they stay near the processor, and each core has its own
)


def middle_of(frames: Sequence[U8], *, each: Each = map) -> U8:
    """Give the middle value of each place, of an even number the upper one: uint8, shaped like a frame."""

    def middle(strips: Sequence[U8]) -> U8:
        values = [strip.copy() for strip in strips]
        for low, high in comparisons(len(values)):
            smaller = cv2.min(values[low], values[high])
            cv2.max(values[low], values[high], dst=values[high])
            values[low] = as_u8(smaller)
        return values[len(values) // 2]

    strips = zip(*(np.array_split(frame, N_STRIPS) for frame in frames), strict=True)
    return as_u8(np.concatenate(list(each(middle, list(strips)))))


@cache
def comparisons(n: int) -> tuple[tuple[int, int], ...]:
    """Give the pairs that are to be compared, one after the other, so that `n` values are in order."""
    pairs: list[tuple[int, int]] = []
    block = 1
    while block < n:
        step = block
        while step:
            pairs += [
                (low, low + step)
                for start in range(step % block, n - step, 2 * step)
                for low in range(start, min(start + step, n - step))
                if low // (2 * block) == (low + step) // (2 * block)
            ]
            step //= 2
        block *= 2
    return tuple(pairs)
