"""The sharpest frames of a clip, kept at their full size while it is read: what crops are cut from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import U8
    from pestvision.photos.video import ClipFrame

KEPT_BYTES = 1.0e8  # of full-size frames kept for crops: 32 at 1080p, eight at 4K
MOST_KEPT = 40
FIRST_SLOT_S = (
    0.4  # of so much time the sharpest frame is kept, at first; twice as long when there are many
)


@dataclass(slots=True)
class SharpFrames:
    """Sharp frames held at their full size, evenly over the clip: when there are many, every other goes.

    `most`: how many. `slot_s`: of so much time the sharpest is kept. `frames`: for each its number among the
    looks, its sharpness, and the frame.
    """

    most: int
    slot_s: float = FIRST_SLOT_S
    frames: list[tuple[int, float, ClipFrame]] = field(default_factory=list)

    @classmethod
    def of_size(cls, width: int, height: int) -> SharpFrames:
        """Keep as many frames of a size, pixels, as `KEPT_BYTES` hold."""
        most = int(np.clip(KEPT_BYTES / (1.5 * width * height), 3, MOST_KEPT))
        return cls(most)

    def offer(self, number: int, frame: ClipFrame) -> None:
        """Keep a frame where it is the sharpest of its time."""
        sharpness = sharpness_of(frame.rgb)
        if self.frames and self._slot(self.frames[-1][2]) == self._slot(frame):
            if sharpness > self.frames[-1][1]:
                self.frames[-1] = (number, sharpness, frame)
            return
        self.frames.append((number, sharpness, frame))
        if len(self.frames) > self.most:
            self.slot_s *= 2
            best: dict[int, tuple[int, float, ClipFrame]] = {}
            for item in self.frames:
                slot = self._slot(item[2])
                if slot not in best or item[1] > best[slot][1]:
                    best[slot] = item
            self.frames = list(best.values())

    def _slot(self, frame: ClipFrame) -> int:
        return int(frame.time_s / self.slot_s)


def sharpness_of(rgb: U8) -> float:
    """Give how sharp a frame is: the variance of its Laplacian, to be put to those of its like."""
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)[::2, ::2]
    return float(cv2.Laplacian(grey, cv2.CV_32F).var())
