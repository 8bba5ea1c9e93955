"""Keep a long scan's memory flat on Linux."""

from __future__ import annotations

import ctypes
import sys
from functools import cache

M_MMAP_THRESHOLD = -3  # glibc's malloc.h
LARGE_BYTES = 4 << 20  # a working copy of a 12-megapixel photo takes 4 to 36 MB
M_TRIM_THRESHOLD = -1
KEPT_BYTES = 32 << 20
"""Of the heap's end, kept for the next array: without it every strip that is let go is handed back, and
the system clears its pages anew for the next. Filters for threads: 25 ms a pair in place of 39."""


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
    if mallopt is None:
        return False
    mallopt(M_TRIM_THRESHOLD, KEPT_BYTES)
    return bool(mallopt(M_MMAP_THRESHOLD, LARGE_BYTES) == 1)


def give_back_what_is_free() -> None:
    """Hand what is free of the heap back to the system, where that can be asked for.

    Frames of a clip are smaller than `LARGE_BYTES`: what several threads let go of them settles in heaps of
    their own. Checks of a ten-second clip, one after the other, grew by 150 MB each; so they do not.
    Source: malloc_trim(3).
    """
    if not sys.platform.startswith("linux"):
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
