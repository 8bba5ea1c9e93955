"""Where three real planarians were, read by eye from the sequence `planarians_7.5fps`.

How they were read: frames 3, 10, 20, …, 70 were enlarged eight to ten times with a grid of dots every ten
pixels; tip, tip and the bends between were read off each animal, and the place halfway along that line was
worked out. Each place is good to about 2 pixels, 4 where the animal is folded (the second one from frame 50
on, and the first in frame 70) or goes up the wall of the dish (the third from frame 40 on).

The lens drew nearer between the frames (two per cent over the clip), so places are carried to the first frame
by the two reflections of lamps on the dish, whose middles were read from each frame too, to 0.3 pixels.
"""

from __future__ import annotations

import numpy as np

FRAMES_PER_S = 7.5
FRAMES = (3, 10, 20, 30, 40, 50, 60, 70)

MIDDLES: dict[str, tuple[tuple[float, float], ...]] = {
    "upper right": (
        (737.6, 396.0),
        (745.0, 393.6),
        (757.5, 395.7),
        (754.6, 390.2),
        (761.4, 388.5),
        (765.5, 392.8),
        (763.2, 400.1),
        (755.8, 408.0),
    ),
    "lower left": (
        (561.0, 658.0),
        (557.5, 659.7),
        (553.5, 666.0),
        (553.2, 673.0),
        (561.5, 671.0),
        (565.0, 673.0),
        (563.5, 689.0),
        (556.5, 685.7),
    ),
    "lower right": (
        (755.3, 667.0),
        (763.0, 664.5),
        (770.0, 661.0),
        (784.5, 662.5),
        (793.0, 666.0),
        (801.0, 665.5),
        (808.5, 663.0),
        (817.0, 658.5),
    ),
}
"""Halfway along each animal, pixels of the frame itself, at `FRAMES`."""

LAMPS_AT_FIRST = ((361.3, 433.6), (896.6, 448.9))
LAMPS: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = (
    ((358.6, 432.7), (899.4, 448.5)),
    ((359.1, 432.9), (898.8, 448.6)),
    ((359.5, 433.0), (898.6, 448.8)),
    ((355.7, 432.4), (902.5, 448.6)),
    ((356.1, 432.4), (902.4, 448.6)),
    ((355.8, 432.4), (902.9, 448.8)),
    ((355.8, 432.3), (903.2, 449.0)),
    ((356.0, 432.4), (903.1, 448.9)),
)
"""The two reflections, left and right, at frame 0 and at `FRAMES`."""


def marked_places(animal: str) -> np.ndarray:
    """Give (8, 2) places of an animal in pixels of the first frame, at `FRAMES`."""
    left, right = (complex(*point) for point in LAMPS_AT_FIRST)
    carried = []
    for place, (one, other) in zip(MIDDLES[animal], LAMPS, strict=True):
        from_left = complex(*place) - complex(*one)
        at = left + from_left * (right - left) / (complex(*other) - complex(*one))
        carried.append((at.real, at.imag))
    return np.array(carried)


def marked_speed(animal: str, *, first_s: float = 0.0, last_s: float = 1e9) -> float:
    """Give the speed along the marks within a time, pixels of the first frame a second.

    With errors of 1.5 pixels a mark it is good to about 0.5 of 6 pixels a second.
    """
    times = np.array(FRAMES) / FRAMES_PER_S
    places = marked_places(animal)
    steps = np.hypot(*np.diff(places, axis=0).T)
    # A piece between two marks counts by the share of it that lies within the time.
    starts, ends = times[:-1], times[1:]
    inside = np.clip(np.minimum(ends, last_s) - np.maximum(starts, first_s), 0, None)
    return float((steps * inside / (ends - starts)).sum() / inside.sum())
