"""Keep a long scan's memory flat on Linux."""

from __future__ import annotations

import ctypes
import sys
from functools import cache

M_MMAP_THRESHOLD = -3  # glibc's malloc.h
LARGE_BYTES = 4 << 20  # a working copy of a 12-megapixel photo takes 4 to 36 MB


@cache
def give_back_large_arrays() -> bool:
    """Have every large array returned to the system when it is let go; say whether that was set.

    Notes
    -----
    The GNU C library raises its limit for separate blocks, up to 32 MB, whenever such a block is
    freed. Photo-sized arrays then come from the common heap, small crops that are kept settle between
    them, and the heap grows: with the net, 60 photos of 12 megapixels peaked at 1540 MB and 20 at
    1059 MB. With a fixed limit 20 photos stayed at 996 MB from the fourth on. Source of the
    mechanism: mallopt(3), M_MMAP_THRESHOLD. Elsewhere than on Linux with that library, nothing is
    done.
    """
    if not sys.platform.startswith("linux"):
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    return mallopt is not None and mallopt(M_MMAP_THRESHOLD, LARGE_BYTES) == 1
