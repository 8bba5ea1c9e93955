"""What a drawer hands back: pictures together with the exact truth about them.

Boxes are `(x0, y0, x1, y1)` in pixels, right and bottom exclusive; masks are (H, W) bool. A pixel
belongs to a mask when at least half of it is covered by the body, however transparent the body is.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import as_rgb, checked_box
from pestvision.errors import ShapeError
from pestvision.organisms.classes import FINE_NAMES

if TYPE_CHECKING:
    from datetime import datetime

    from pestvision.arrays import F64, U8, Bool, BoxXyxy


@dataclass(frozen=True, slots=True)
class Pose:
    """How a body is held, apart from where it is.

    Parameters
    ----------
    name
        A word for it: `stretched`, `ball`, `gliding`, ...
    heading_deg
        Direction of the head in the picture: 0 to the right, 90 downwards.
    stretch
        Length now over length at rest.
    bends_rad
        How the midline turns from tail to head: the whole turn of a C, then the amplitudes of an
        S and of a double S.
    phase
        0 to 1: where in its wave, beat or spin the body is.
    tilt_deg
        Turn about its length and across it, from being seen straight from above: (90, 0) is from
        the side. Flat painters take no notice of it.
    """

    name: str
    heading_deg: float = 0.0
    stretch: float = 1.0
    bends_rad: tuple[float, float, float] = (0.0, 0.0, 0.0)
    phase: float = 0.0
    tilt_deg: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if not self.stretch > 0:
            raise ShapeError("stretch", expected="a positive number", actual=str(self.stretch))


def _check_fine(fine: str) -> None:
    if fine not in FINE_NAMES:
        raise ShapeError("fine", expected=" or ".join(FINE_NAMES), actual=fine)


@dataclass(frozen=True, slots=True, eq=False)
class DrawnCrop:
    """One organism or thing about the middle of a square picture.

    `rgb`: (S, S, 3) uint8. `mask`: (S, S) bool. `fine`: a name of FINE_NAMES. `length_px`: length
    along the body's midline where it has one, else its longest extent. `line_xy_px`: (N, 2) where a
    body along a line has its middle in the picture, tail first, seen as it is turned; (0, 0) is the
    top-left corner. Suckers, and the rounding of the tips, lie beyond its ends.
    """

    rgb: U8
    mask: Bool
    fine: str
    pose: Pose
    length_px: float
    line_xy_px: F64 | None = None

    def __post_init__(self) -> None:
        as_rgb(self.rgb)
        _check_fine(self.fine)
        if self.mask.shape != self.rgb.shape[:2]:
            raise ShapeError("mask", expected=str(self.rgb.shape[:2]), actual=str(self.mask.shape))


@dataclass(frozen=True, slots=True, eq=False)
class DrawnObject:
    """The truth about one body in a picture: class, box, pose, length, and its mask in the box.

    `mask` covers the box only: (y1 - y0, x1 - x0) bool, the box having whole-number edges.
    """

    fine: str
    box_xyxy_px: BoxXyxy
    mask: Bool
    pose: Pose
    length_px: float

    def __post_init__(self) -> None:
        _check_fine(self.fine)
        x0, y0, x1, y1 = checked_box(self.box_xyxy_px)
        if self.mask.shape != (round(y1 - y0), round(x1 - x0)):
            raise ShapeError("mask", expected="the shape of the box", actual=str(self.mask.shape))


@dataclass(frozen=True, slots=True, eq=False)
class DrawnPhoto:
    """A picture and everything in it that has a class, the intended subjects first."""

    rgb: U8
    objects: tuple[DrawnObject, ...]

    def __post_init__(self) -> None:
        as_rgb(self.rgb)


@dataclass(frozen=True, slots=True)
class HandHeld:
    """How far a hand-held camera strays between two photos: the largest values either way.

    The defaults are the range in which movers must still be found.

    Parameters
    ----------
    shift_of_width
        Shift over the width of the picture.
    turn_deg
        Turn about the line of sight.
    scale
        Relative change of scale.
    exposure_ev
        Change of exposure, stops.
    white_balance
        Relative change of the red and the blue channel against the green.
    """

    shift_of_width: float = 0.04
    turn_deg: float = 2.0
    scale: float = 0.03
    exposure_ev: float = 0.7
    white_balance: float = 0.06

    def halved(self) -> HandHeld:
        """Give the limits for photos that each stray from a place between them: any two by no more than all.

        The white balance keeps its own.
        """
        return replace(
            self,
            shift_of_width=0.5 * self.shift_of_width,
            turn_deg=0.5 * self.turn_deg,
            scale=0.5 * self.scale,
            exposure_ev=0.5 * self.exposure_ev,
        )

    def __post_init__(self) -> None:
        for name in ("shift_of_width", "turn_deg", "scale", "exposure_ev", "white_balance"):
            if not getattr(self, name) >= 0:
                raise ShapeError(name, expected="0 or more", actual=str(getattr(self, name)))


TRIPOD = HandHeld(
    shift_of_width=0.0004, turn_deg=0.02, scale=0.0004, exposure_ev=0.1, white_balance=0.01
)
"""A camera on a stand: a touch of the shutter moves it by less than a pixel or so."""


@dataclass(frozen=True, slots=True, eq=False)
class DrawnMover:
    """An animal that moved between two photos.

    `box_first_xyxy_px` on the first photo's pixels, `box_second_xyxy_px` on the second's; None where
    it had not come yet, or had left. `length_px` is its length at rest.
    """

    fine: str
    length_px: float
    first: DrawnObject | None
    second: DrawnObject | None

    def __post_init__(self) -> None:
        _check_fine(self.fine)
        if self.first is None and self.second is None:
            raise ShapeError("mover", expected="a place in one photo at least", actual="none")

    @property
    def box_first_xyxy_px(self) -> BoxXyxy | None:
        """Its box on the first photo, None where it was not there."""
        return None if self.first is None else self.first.box_xyxy_px

    @property
    def box_second_xyxy_px(self) -> BoxXyxy | None:
        """Its box on the second photo, None where it was not there."""
        return None if self.second is None else self.second.box_xyxy_px


@dataclass(frozen=True, slots=True, eq=False)
class DrawnPair:
    """Two photos of one place.

    `matrix` (3, 3) float64 takes first's pixel (x, y, 1) to second's, pixel (0, 0) being the centre
    of the top-left pixel. `movers` moved by their own will; `stills` are animals that stayed, boxes
    on the first photo; `disturbances` are boxes, on the first photo, of what changed without being
    an animal (bubbles, swaying plants, glare).
    """

    first: U8
    second: U8
    matrix: F64
    movers: tuple[DrawnMover, ...]
    stills: tuple[DrawnObject, ...]
    disturbances: tuple[tuple[str, BoxXyxy], ...] = ()

    def __post_init__(self) -> None:
        as_rgb(self.first, "first")
        as_rgb(self.second, "second")
        if self.matrix.shape != (3, 3):
            raise ShapeError("matrix", expected="(3, 3)", actual=str(self.matrix.shape))


@dataclass(frozen=True, slots=True, eq=False)
class DrawnFrame:
    """One frame of a burst.

    `time_s` from the first frame; `head_xy_px` and `tail_xy_px` are the ends of the midline. `matrix`
    (3, 3) float64 takes the first frame's pixel (x, y, 1) to this one's.
    """

    rgb: U8
    time_s: float
    truth: DrawnObject
    head_xy_px: tuple[float, float]
    tail_xy_px: tuple[float, float]
    matrix: F64 = field(default_factory=lambda: np.eye(3))


@dataclass(frozen=True, slots=True, eq=False)
class DrawnBurst:
    """Frames of one animal; `gait` is how it moved, `period_s` the time of one of its steps or waves."""

    fine: str
    gait: str
    frames: tuple[DrawnFrame, ...]
    period_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class NightAnimal:
    """One animal of a view in one photo: `track` is the same for the same animal all night."""

    track: int
    truth: DrawnObject


@dataclass(frozen=True, slots=True, eq=False)
class NightPhoto:
    """One photo of a night: `matrix` takes the view's first photo's pixels to this one's."""

    view: str
    rgb: U8
    taken: datetime
    matrix: F64
    animals: tuple[NightAnimal, ...]
