"""Perceptual hash of a crop: pictures that look alike have hashes that differ in few bits.

Source: the hash of low frequencies described by Zauner 2010, "Implementation and benchmarking of
perceptual image hash functions", section 3.1.1: reduce to 32 x 32 grey levels, take the cosine transform,
keep the 8 x 8 lowest frequencies, and note which lie above their median.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from pestvision.arrays import U8, as_rgb

SIDE_PX = 32
KEPT = 8
N_BITS = KEPT * KEPT
ALIKE_BITS = 8
"""Crops whose hashes differ in at most so many bits are shown together; see `training/README.md`."""


def look_hash(rgb: U8) -> int:
    """Give the 64-bit hash of a (H, W, 3) uint8 RGB picture, as a signed integer for the database."""
    grey = cv2.cvtColor(as_rgb(rgb), cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA).astype(np.float32)
    low = cv2.dct(small)[:KEPT, :KEPT]
    bits = (low > np.median(low)).ravel()
    return int(np.packbits(bits).view(">i8")[0])


def bits_apart(one: int, others: npt.NDArray[np.int64]) -> npt.NDArray[np.uint8]:
    """Give in how many bits a hash differs from each of (N,) others."""
    return np.asarray(np.bitwise_count(np.bitwise_xor(np.int64(one), others).view(np.uint64)))


def nearest_alike(one: int, others: npt.NDArray[np.int64]) -> int:
    """Give the place of the most alike of (N,) hashes, -1 where none is within `ALIKE_BITS`."""
    if not len(others):
        return -1
    apart = bits_apart(one, others)
    nearest = int(apart.argmin())
    return nearest if apart[nearest] <= ALIKE_BITS else -1
