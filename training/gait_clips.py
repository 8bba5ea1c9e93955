"""Whole drawn clips for the exam of gaits: frames with a shaken camera, followed, read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import box_iou
from pestvision.motion.chase import Look, chase
from pestvision.organisms.outline_net import sure_of
from pestvision.photos.video import FRAMES_A_SECOND
from training.scenes.bursts import Shake, draw_burst
from training.scenes.gaits import SOURCED
from training.scenes.trails import FINES_OF_DRAWN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import BoxXyxy
    from pestvision.motion.trail import Trail
    from training.scenes.gaits import Habits
    from training.scenes.records import DrawnBurst, DrawnFrame

SIZE = (360, 480)
LENGTH_PX = (50.0, 90.0)
SAME_IOU = 0.1  # a trail's box lies on the animal
ANALYSED_PER_S = FRAMES_A_SECOND  # as a clip is read
LEAST_SHARE = 0.3  # of the frames in which it does: less is another thing's trail
STAYING = ("still", "creep", "sway")
"""What hardly moves is followed from a box, as the net gives it when a clip is checked."""


def draw_clip(
    rng: np.random.Generator,
    drawn: str,
    *,
    interval_s: float,
    seconds: float,
    habits: Habits = SOURCED,
    on_a_stand: bool = False,
) -> DrawnBurst:
    """Draw a clip of one animal, some of them at a variable rate: from a hand, or from a stand."""
    fine = str(rng.choice(FINES_OF_DRAWN[drawn]))
    length_px = float(rng.uniform(*LENGTH_PX))
    shake = Shake(
        float(rng.uniform(1, 6)), float(rng.uniform(0.1, 0.8)), float(rng.uniform(0, 0.8))
    )
    return draw_burst(
        rng,
        fine,
        n=max(3, int(seconds / interval_s)),
        interval_s=interval_s,
        gait=drawn,
        height_px=SIZE[0],
        width_px=SIZE[1],
        length_px=length_px,
        shake=Shake(0.0, 0.0, 0.0) if on_a_stand else shake,
        unevenness=float(rng.choice([0.0, 0.1])),
        habits=habits,
    )


def looked_at(burst: DrawnBurst) -> list[DrawnFrame]:
    """Give the frames that are looked at: of a quick clip no more than `ANALYSED_PER_S` a second."""
    chosen: list[DrawnFrame] = []
    for frame in burst.frames:
        if not chosen or frame.time_s - chosen[-1].time_s >= 0.9 / ANALYSED_PER_S:
            chosen.append(frame)
    return chosen


def followed(
    burst: DrawnBurst, *, is_marked: bool = False, on_a_stand: bool = False
) -> Trail | None:
    """Follow the animal of a clip; None where no trail lies on it.

    `is_marked`: whether somebody marked it in the first frame. What hardly moves always is. `on_a_stand`:
    whether somebody says that the camera stood.
    """
    frames = looked_at(burst)
    looks = [Look(frame.time_s, frame.rgb) for frame in frames]
    of_time = {frame.time_s: index for index, frame in enumerate(frames)}

    def marks(held: Sequence[Look]) -> list[tuple[int, BoxXyxy]]:
        if burst.gait not in STAYING and not is_marked:
            return []
        return [(0, frames[of_time[held[0].time_s]].truth.box_xyxy_px)]

    best: tuple[float, Trail | None] = (LEAST_SHARE, None)
    for trail in chase(looks, marks=marks, sure=sure_of, on_a_stand=on_a_stand).trails:
        there = [
            bool(np.isfinite(box).all())
            and box_iou(_four(box), frame.truth.box_xyxy_px) >= SAME_IOU
            for box, frame in zip(trail.boxes_xyxy_px, frames, strict=True)
        ]
        if float(np.mean(there)) > best[0]:
            best = (float(np.mean(there)), trail)
    return best[1]


def _four(box: Sequence[float] | np.ndarray) -> BoxXyxy:
    x0, y0, x1, y1 = (float(value) for value in box)
    return (x0, y0, x1, y1)
