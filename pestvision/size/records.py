"""The records of sizes: a scale on a photo, an animal's outline, and a length with its range.

Positions are `(x, y)` in pixels of the upright photo, (0, 0) being the top-left corner of its top-left
pixel, as boxes have it. Millimetres are those of the plane in which the scale lay.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.arrays import checked_box, describe
from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool, BoxXyxy

MARKER_CARD = "marker-card"
COIN = "coin"
CARD_OUTLINE = "card-outline"
RULER = "ruler"
TWO_POINTS = "two-points"
DUCKWEED = "duckweed"
SCALE_KINDS = (MARKER_CARD, COIN, CARD_OUTLINE, RULER, TWO_POINTS, DUCKWEED)
"""What a scale can be taken from."""

MAX_TILT_DEG = 30.0
"""Beyond this tilt a scale is refused: a length along the slope is then off by 13 % (cos 30° = .866)."""

SIGMAS_OF_95 = 1.96
"""A normal quantity lies within so many of its standard deviations 95 times in 100."""


@dataclass(frozen=True, slots=True, eq=False)
class Scale:
    """Millimetres per pixel on one photo, in the plane of what was measured.

    Parameters
    ----------
    kind
        One of `SCALE_KINDS`.
    to_mm
        (3, 3) float64: takes a pixel `(x, y, 1)` to millimetres in the plane. Where only a length is
        known it is a plain enlargement.
    relative_sd
        One standard deviation of a length measured near the scale, over that length: of the scale
        alone, not of the animal's outline.
    outline_xy_px
        (N, 2) float64: what was found, for a person to see on the photo.
    tilt_deg
        How far the plane leans away from the camera, or None where that cannot be known.
    notes
        Sentences: what is taken for granted, and what would make it better.
    is_rough
        Whether it gives an order of magnitude only. Lengths by it are told as such, never as a number
        that could be trusted.
    too_small_by
        The least and the greatest factor by which lengths read by it may have to be multiplied to be
        true: (1, 1) unless something pushes them to one side, as glass and water do.
    """

    kind: str
    to_mm: F64
    relative_sd: float
    outline_xy_px: F64
    tilt_deg: float | None = None
    notes: tuple[str, ...] = ()
    is_rough: bool = False
    too_small_by: tuple[float, float] = (1.0, 1.0)

    def __post_init__(self) -> None:
        if self.kind not in SCALE_KINDS:
            raise ShapeError("kind", expected=" or ".join(SCALE_KINDS), actual=self.kind)
        if self.to_mm.shape != (3, 3) or not np.isfinite(self.to_mm).all():
            raise ShapeError("to_mm", expected="(3, 3), finite", actual=describe(self.to_mm))
        if not 0 <= self.relative_sd < 1:
            raise ShapeError("relative_sd", expected="0 to 1", actual=str(self.relative_sd))
        if self.outline_xy_px.ndim != 2 or self.outline_xy_px.shape[1:] != (2,):
            raise ShapeError("outline", expected="(N, 2)", actual=describe(self.outline_xy_px))
        least, most = self.too_small_by
        if not 0 < least <= 1 <= most < float("inf"):
            expected = "a factor of 1 or less and one of 1 or more"
            raise ShapeError("too_small_by", expected=expected, actual=str(self.too_small_by))

    def places_mm(self, xy_px: F64) -> F64:
        """Give where pixels lie in the plane: (N, 2) pixels to (N, 2) millimetres."""
        full = np.column_stack([xy_px, np.ones(len(xy_px))]) @ self.to_mm.T
        return np.asarray(full[:, :2] / full[:, 2:], np.float64)

    def length_mm(self, line_xy_px: F64) -> float:
        """Give the length of a line through (N, 2) pixels, in millimetres."""
        steps = np.diff(self.places_mm(line_xy_px), axis=0)
        return float(np.hypot(steps[:, 0], steps[:, 1]).sum())

    def mm_per_px(self, at_xy_px: tuple[float, float]) -> float:
        """Give the millimetres of a pixel at a place: the root of the area that a pixel covers there."""
        x, y = at_xy_px
        corners = self.places_mm(np.array([[x, y], [x + 1.0, y], [x, y + 1.0]]))
        along, down = corners[1] - corners[0], corners[2] - corners[0]
        return float(np.sqrt(abs(along[0] * down[1] - along[1] * down[0])))

    def range_mm(self, mm: float, *, relative_sd: float = 0.0) -> tuple[float, float]:
        """Give the least and the greatest true length of what reads `mm`, for 95 times in 100.

        `relative_sd` is what the outline adds. The range is that of a lognormal length, so that it never
        reaches 0, stretched to one side by `too_small_by`.
        """
        spread = float(np.exp(SIGMAS_OF_95 * np.hypot(self.relative_sd, relative_sd)))
        return mm * self.too_small_by[0] / spread, mm * self.too_small_by[1] * spread

    def moved(self, to_own_px: F64) -> Scale:
        """Give the scale for another photo; `to_own_px` (3, 3) takes its pixels to those of this one."""
        back = np.linalg.inv(to_own_px)
        full = np.column_stack([self.outline_xy_px, np.ones(len(self.outline_xy_px))]) @ back.T
        return replace(self, to_mm=self.to_mm @ to_own_px, outline_xy_px=full[:, :2] / full[:, 2:])

    def enlarged(self, factor: float, *, relative_sd: float = 0.0, note: str = "") -> Scale:
        """Give the scale with every length times `factor`, made less sure by `relative_sd`."""
        return replace(
            self,
            to_mm=np.diag([factor, factor, 1.0]) @ self.to_mm,
            relative_sd=float(min(np.hypot(self.relative_sd, relative_sd), 0.99)),
            notes=(*self.notes, note) if note else self.notes,
        )


@dataclass(frozen=True, slots=True)
class NoScale:
    """No scale could be taken from a photo, and why: a value, never an error. It is falsy.

    `reason` is one sentence or two, for the person: what was looked for, and what would do.
    """

    reason: str

    def __post_init__(self) -> None:
        if not self.reason.strip():
            raise ShapeError("reason", expected="a sentence", actual="nothing")

    def __bool__(self) -> bool:
        """Tell that there is no scale."""
        return False


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """The outline of one animal on a photo, and the line along its middle.

    Parameters
    ----------
    box_xyxy_px, mask
        Where it lies: the box has whole-number edges and `mask` covers it, (y1 - y0, x1 - x0) bool.
    midline_xy_px
        (K, 2) float64, K points evenly along the body from tip to tip; which end is the head is not
        known.
    widths_px
        (K,) float64: how wide the body is across each of these points.
    length_px
        Length along the midline, with the ends that a skeleton loses put back.
    relative_sd
        One standard deviation of `length_px`, over it.
    doubts
        Sentences: why the outline may be wrong (it touches the frame, it crosses itself, …).
    """

    box_xyxy_px: BoxXyxy
    mask: Bool
    midline_xy_px: F64
    widths_px: F64
    length_px: float
    relative_sd: float
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        x0, y0, x1, y1 = checked_box(self.box_xyxy_px)
        if self.mask.shape != (round(y1 - y0), round(x1 - x0)):
            raise ShapeError("mask", expected="the shape of the box", actual=str(self.mask.shape))
        if self.midline_xy_px.ndim != 2 or self.midline_xy_px.shape[1:] != (2,):
            raise ShapeError("midline", expected="(K, 2)", actual=describe(self.midline_xy_px))
        if self.widths_px.shape != self.midline_xy_px.shape[:1]:
            raise ShapeError("widths", expected="(K,)", actual=describe(self.widths_px))
        if not self.length_px > 0 or not 0 <= self.relative_sd < 1:
            found = f"{self.length_px}, {self.relative_sd}"
            raise ShapeError("length_px, relative_sd", expected="over 0, 0 to 1", actual=found)

    def body_line(self) -> BodyLine:
        """Give what is needed to measure it, without its mask."""
        return BodyLine(
            self.midline_xy_px,
            self.length_px,
            self.relative_sd,
            self.doubts,
            widths_px=self.widths_px,
        )


@dataclass(frozen=True, slots=True, eq=False)
class BodyLine:
    """What is kept of an outline where its mask is not needed: enough to measure it by any scale.

    Fields as in `Outline`; `widths_px` is empty where they are not known. `is_rough`: its ends are too unsure
    for a length to be told; what shape it has can still be seen.
    """

    midline_xy_px: F64
    length_px: float
    relative_sd: float
    doubts: tuple[str, ...] = ()
    widths_px: F64 = field(default_factory=lambda: np.zeros(0))
    is_rough: bool = False

    def __post_init__(self) -> None:
        if self.midline_xy_px.ndim != 2 or self.midline_xy_px.shape[1:] != (2,):
            raise ShapeError("midline", expected="(K, 2)", actual=describe(self.midline_xy_px))
        if self.widths_px.shape not in {(0,), self.midline_xy_px.shape[:1]}:
            raise ShapeError("widths", expected="(K,) or none", actual=describe(self.widths_px))


@dataclass(frozen=True, slots=True)
class Length:
    """How long an animal is, with the range that holds its true length 95 times in 100.

    `notes` are sentences: what the length rests on, and which way it may be off.
    """

    mm: float
    low_mm: float
    high_mm: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not 0 < self.low_mm <= self.mm <= self.high_mm < float("inf"):
            found = f"{self.low_mm}, {self.mm}, {self.high_mm}"
            raise ShapeError("length", expected="0 < low <= length <= high", actual=found)

    def as_json(self) -> dict[str, Any]:
        """Give the three numbers of the `check --json` contract, rounded to a tenth."""
        return {
            "length_mm": round(self.mm, 1),
            "length_mm_low": round(self.low_mm, 1),
            "length_mm_high": round(self.high_mm, 1),
        }
