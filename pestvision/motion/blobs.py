"""Small things that changed between two aligned photos."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from pestvision.arrays import BoxXyxy
    from pestvision.motion.align import AlignedPair


@dataclass(frozen=True, slots=True)
class Blob:
    """One changed region on the first photo's grid.

    `box_xyxy_px` on the first photo's pixels. `seen_on` says which photo shows the animal there:
    `first` (it left from here), `second` (it arrived here) or `both` (cannot be told, or it moved by
    less than its own length). `z_peak` is the strongest change in noise sigmas; `area_px` the number
    of changed pixels; `contrast_rgb` the mean difference animal minus ground, per channel.
    """

    box_xyxy_px: BoxXyxy
    seen_on: Literal["first", "second", "both"]
    z_peak: float
    area_px: int
    length_px: float
    contrast_rgb: tuple[float, float, float]


def find_blobs(pair: AlignedPair, *, min_length_px: float = 16.0) -> tuple[Blob, ...]:
    """Isolate what changed."""
    raise RuntimeError(pair, min_length_px)
