"""Paint flat shapes, with opacity and relief, on a small sheet of their own.

A sheet's coordinates are *units*: the body's length at rest is 1, its middle the origin, its head
towards +x; y grows downwards. Everything is scaled to pixels by `px_per_unit`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import cv2
import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32

Points: TypeAlias = npt.NDArray[np.floating]
Colour: TypeAlias = "Sequence[float] | npt.NDArray[np.floating]"


def f32(array: npt.ArrayLike) -> F32:
    """Give an array as float32, copied only if it is something else."""
    return np.asarray(array, np.float32)


def spread(field: F32) -> F32:
    """Repeat a field over three channels: products of whole pictures are many times faster."""
    return f32(cv2.merge((field, field, field)))


def tinted(field: F32, colour: Colour) -> F32:
    """Give a field in a colour: (h, w) times (3,) or (h, w, 3)."""
    if isinstance(colour, np.ndarray) and colour.ndim == 3:
        return f32(spread(f32(field)) * f32(colour))
    red, green, blue = (float(level) for level in colour)
    level = f32(field)
    return f32(
        cv2.merge((level * np.float32(red), level * np.float32(green), level * np.float32(blue)))
    )


_SUBPIXEL_BITS = 4  # cv2's fixed-point drawing: a sixteenth of a pixel
_PAD_PX = 4  # room for soft edges


class Sheet:
    """A body being painted.

    Parameters
    ----------
    extent
        `(x0, y0, x1, y1)` in units: what must fit.
    px_per_unit
        Scale.

    Attributes
    ----------
    rgb : (h, w, 3) float32, colour times opacity, 0..1
    alpha : (h, w) float32, opacity
    cover : (h, w) float32, how much of a pixel the body covers, however transparent
    height : (h, w) float32, relief above the ground, pixels
    """

    def __init__(self, extent: tuple[float, float, float, float], px_per_unit: float) -> None:
        x0, y0, x1, y1 = extent
        self.px_per_unit = px_per_unit
        self.origin = (_PAD_PX - x0 * px_per_unit, _PAD_PX - y0 * px_per_unit)
        self.shape = (
            int(np.ceil((y1 - y0) * px_per_unit)) + 2 * _PAD_PX,
            int(np.ceil((x1 - x0) * px_per_unit)) + 2 * _PAD_PX,
        )
        self.rgb = np.zeros((*self.shape, 3), np.float32)
        self.alpha = np.zeros(self.shape, np.float32)
        self.cover = np.zeros(self.shape, np.float32)
        self.height = np.zeros(self.shape, np.float32)

    def to_px(self, points: Points) -> F32:
        """Take points in units, (N, 2), to sheet pixels."""
        return f32(
            (np.asarray(points, np.float64) * self.px_per_unit + self.origin).astype(np.float32)
        )

    def grid(self) -> tuple[F32, F32]:
        """Give x and y of every pixel, in units."""
        rows, columns = self.shape
        x = (np.arange(columns, dtype=np.float32) - self.origin[0]) / self.px_per_unit
        y = (np.arange(rows, dtype=np.float32) - self.origin[1]) / self.px_per_unit
        return f32(np.broadcast_to(x[None, :], self.shape)), f32(
            np.broadcast_to(y[:, None], self.shape).astype(np.float32)
        )

    def lay(
        self, cover: F32, colour: Colour, *, opacity: float | F32 = 1.0, height: F32 | None = None
    ) -> None:
        """Lay a shape over what is there and count it as part of the body."""
        self._blend(cover * opacity, colour)
        np.maximum(self.cover, cover, out=self.cover)
        if height is not None:
            np.maximum(self.height, height * cover, out=self.height)

    def stain(self, cover: F32, colour: Colour, *, opacity: float | F32 = 1.0) -> None:
        """Colour the body that is there; where there is none, nothing happens."""
        amount = np.clip(cover * opacity, 0.0, 1.0).astype(np.float32)
        self.rgb += (tinted(self.alpha, colour) - self.rgb) * spread(amount)

    def shade(self, factor: F32) -> None:
        """Multiply the colour by a factor a pixel."""
        self.rgb *= spread(factor)

    def _blend(self, amount: F32, colour: Colour) -> None:
        self.rgb *= spread(f32(1.0 - amount))
        self.rgb += tinted(amount, colour)
        self.alpha += (1.0 - self.alpha) * amount

    def polygon(self, points: Points) -> F32:
        """Cover of a filled polygon, corners in units."""
        sheet = np.zeros(self.shape, np.uint8)
        cv2.fillPoly(sheet, [self._fixed(points)], 255, lineType=cv2.LINE_AA, shift=_SUBPIXEL_BITS)
        return _as_cover(sheet)

    def ellipse(self, x: float, y: float, axes: tuple[float, float], turn_deg: float = 0.0) -> F32:
        """Cover of a filled ellipse; `axes` are half its diameters, in units."""
        return self.ellipses([(x, y, *axes, turn_deg)])

    def ellipses(self, items: Sequence[tuple[float, float, float, float, float]]) -> F32:
        """Cover of ellipses `(x, y, half_width, half_height, turn_deg)`."""
        sheet = np.zeros(self.shape, np.uint8)
        for x, y, a, b, turn_deg in items:
            turn = np.deg2rad(turn_deg)
            angle = np.linspace(0, 2 * np.pi, 25, endpoint=False)
            u, v = a * np.cos(angle), b * np.sin(angle)
            ring = np.stack(
                [x + u * np.cos(turn) - v * np.sin(turn), y + u * np.sin(turn) + v * np.cos(turn)],
                axis=1,
            )
            cv2.fillConvexPoly(
                sheet, self._fixed(ring), 255, lineType=cv2.LINE_AA, shift=_SUBPIXEL_BITS
            )
        return _as_cover(sheet)

    def strokes(self, lines: Sequence[Points], width: float) -> F32:
        """Cover of open lines, `width` in units; thinner than a pixel is drawn fainter."""
        sheet = np.zeros(self.shape, np.uint8)
        width_px = width * self.px_per_unit
        cv2.polylines(
            sheet,
            [self._fixed(line) for line in lines],
            isClosed=False,
            color=255,
            thickness=max(1, round(width_px)),
            lineType=cv2.LINE_AA,
            shift=_SUBPIXEL_BITS,
        )
        # A pixel that a hair covers by less than half is not counted as body.
        return f32(_as_cover(sheet) * np.float32(min(1.0, max(width_px, 0.35))))

    def _fixed(self, points: Points) -> npt.NDArray[np.int32]:
        return np.round(self.to_px(points) * (1 << _SUBPIXEL_BITS)).astype(np.int32)


def _as_cover(sheet: npt.NDArray[np.uint8]) -> F32:
    return f32(sheet.astype(np.float32) * np.float32(1 / 255))


def soften(picture: F32, sigma_px: float) -> F32:
    """Blur by a Gaussian; a wide one is done on a smaller copy, which looks the same."""
    shrink = int(sigma_px // 2.5)
    if shrink < 2:
        return f32(cv2.GaussianBlur(picture, (0, 0), max(sigma_px, 0.1)))
    rows, columns = picture.shape[:2]
    size = (max(2, columns // shrink), max(2, rows // shrink))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / shrink)
    return f32(cv2.resize(small, (columns, rows), interpolation=cv2.INTER_LINEAR))


def dome(cover: F32, depth_px: float) -> F32:
    """Raise a shape into a rounded relief by the distance from its edge."""
    inside = (cover > 0.5).astype(np.uint8)
    if not inside.any():
        return f32(np.zeros_like(cover))
    distance = cv2.distanceTransform(inside, cv2.DIST_L2, 3)
    deepest = float(distance.max())
    rise = np.clip(distance / deepest, 0.0, 1.0)
    return f32(depth_px * np.sqrt(rise * (2.0 - rise)))


def mottle(rng: np.random.Generator, shape: tuple[int, int], cells: float) -> F32:
    """Smooth random field, 0..1, with about `cells` cells along its longer side."""
    longer = max(shape)
    rows = max(2, round(cells * shape[0] / longer) + 1)
    columns = max(2, round(cells * shape[1] / longer) + 1)
    seeds = rng.random((rows, columns), dtype=np.float32)
    field = cv2.resize(seeds, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return f32(np.clip(field, 0.0, 1.0))


def vary(
    rng: np.random.Generator, colour: tuple[float, float, float], by: float = 0.12
) -> tuple[float, float, float]:
    """Change a colour a little in brightness, less in hue; kept within 0..1."""
    level = 1.0 + rng.uniform(-by, by)
    hue = 1.0 + rng.uniform(-by, by, 3) * 0.5
    red, green, blue = np.clip(np.asarray(colour) * level * hue, 0.0, 1.0)
    return float(red), float(green), float(blue)
