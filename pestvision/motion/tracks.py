"""Follow movers over the photos of a view."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import BoxXyxy
    from pestvision.motion.blobs import Blob


@dataclass(frozen=True, slots=True)
class Mover:
    """A blob that left joined to the blob that arrived, or one of them alone.

    Boxes are on each photo's own pixels (the second's are carried through the pair's matrix).
    `displacement_px` is measured after alignment, so that the camera's own motion does not count.
    """

    box_first_xyxy_px: BoxXyxy | None
    box_second_xyxy_px: BoxXyxy | None
    displacement_px: float | None
    z_peak: float
    track: int = 0


def pair_movers(blobs: Sequence[Blob], matrix: object) -> tuple[Mover, ...]:
    """Join what left to what arrived."""
    raise RuntimeError(blobs, matrix)
