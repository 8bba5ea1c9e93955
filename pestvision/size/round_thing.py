"""A round thing on a photo: an ellipse that an edge runs along."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.errors import ShapeError
from pestvision.size.ellipses import around
from pestvision.size.ring_likeness import likeness

if TYPE_CHECKING:
    from pestvision.arrays import F64


@dataclass(frozen=True, slots=True)
class RoundThing:
    """An ellipse on a photo that may be a coin seen at a slant.

    Parameters
    ----------
    centre_xy_px
        Its middle.
    semi_axes_px
        Half its longest and half its shortest width.
    angle_rad
        Of the long axis, from +x towards +y.
    support
        Share of its circumference along which an edge runs, 0 to 1.
    contrast
        Share of its circumference across which inside and outside differ, 0 to 1: little for a bubble.
    axis_sd_px
        One standard deviation of its long semi-axis, from the scatter of the edge.
    frame_px
        (height, width) of the photo.
    is_step
        Whether it was fitted to steps from its own colours to the ground's, or to edges of any kind.
    measures
        What its likeness to a coin is told from (`ring_likeness.MEASURES`).
    """

    centre_xy_px: tuple[float, float]
    semi_axes_px: tuple[float, float]
    angle_rad: float
    support: float
    contrast: float
    axis_sd_px: float
    frame_px: tuple[int, int]
    is_step: bool = False
    measures: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        long, short = self.semi_axes_px
        if not 0 < short <= long < float("inf"):
            raise ShapeError(
                "semi_axes_px", expected="0 < short <= long", actual=f"{long}, {short}"
            )

    @property
    def axis_ratio(self) -> float:
        """Short over long axis: the cosine of the tilt of a round thing."""
        return self.semi_axes_px[1] / self.semi_axes_px[0]

    @property
    def likeness(self) -> float:
        """How likely it is the coin that a person laid beside an animal, for the order of offers."""
        return likeness(self.measures)

    def outline_xy_px(self, n: int = 120) -> F64:
        """Give n points around it, (n, 2)."""
        row = np.array([*self.centre_xy_px, *self.semi_axes_px, self.angle_rad])
        return np.asarray(around(row[None], n)[0][0], np.float64)
