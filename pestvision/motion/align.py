"""Bring the second photo of a pair onto the first."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from pestvision.arrays import F32, U8, Bool


class AlignReason(StrEnum):
    """Why a pair could not be aligned."""

    NOT_SAME_SCENE = "not-same-scene"
    MOVED_TOO_FAR = "moved-too-far"
    TOO_BLURRED = "too-blurred"
    NO_DETAIL = "no-detail"


@dataclass(frozen=True, slots=True, eq=False)
class AlignedPair:
    """Two photos on one pixel grid: the first's.

    `first`, `warped`: (H, W, 3) uint8 RGB. `valid`: (H, W) bool, False where the warp has no source.
    `matrix`: (3, 3) float32 homography that takes first's pixel (x, y, 1) to second's; pixel (0, 0)
    is the centre of the top-left pixel. `residual_px`: median error of the matched points.
    """

    first: U8
    warped: U8
    valid: Bool
    matrix: F32
    residual_px: float


@dataclass(frozen=True, slots=True)
class AlignmentFailed:
    """Falsy. `reason` is one of AlignReason; `advice` is a sentence for the person."""

    reason: AlignReason
    advice: str

    def __bool__(self) -> Literal[False]:
        return False


def align_pair(first: U8, second: U8) -> AlignedPair | AlignmentFailed:
    """Align two photos."""
    raise RuntimeError(first, second)
