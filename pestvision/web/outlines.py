"""Draw numbered outlines on a photo: a number and the label in words, never colour alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import cv2
import numpy as np
from PIL import Image, ImageDraw

from pestvision.arrays import U8, BoxXyxy, as_rgb, as_u8, checked_box
from pestvision.organisms.classes import GROUP_NAMES
from pestvision.report.plates import COLOURS, HALO, Box, line_px, write_plate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64

SHOWN_LONG_SIDE_PX = 1600
"""Long side of a photo on the page, pixels: sharp on a wide screen, and half a megabyte to send."""

MARK_COLOUR = "#ffffff"


@dataclass(frozen=True, slots=True)
class Outline:
    """A box to draw, and the line along which the animal in it was measured where there is one.

    `box_xyxy_px` and the (K, 2) `line_xy_px` are in pixels of the upright original photo.
    """

    number: int
    box_xyxy_px: BoxXyxy
    label: str
    line_xy_px: F64 | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        checked_box(self.box_xyxy_px)

    def caption(self) -> str:
        """Give the number and the label in words."""
        return f"{self.number}  {GROUP_NAMES[self.label]}"


def reduced(rgb: U8, long_side_px: int = SHOWN_LONG_SIDE_PX) -> U8:
    """Reduce an (H, W, 3) uint8 photo to a long side of at most `long_side_px`; never enlarge it."""
    height, width = rgb.shape[:2]
    scale = long_side_px / max(height, width)
    if scale >= 1:
        return rgb
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    return as_u8(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))


def draw_outlines(rgb: U8, outlines: Sequence[Outline], *, scale: float) -> U8:
    """Draw outlines on a copy of a photo.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, the photo as shown.
    outlines
        What to draw; the first is drawn last, on top.
    scale
        Shown pixels per original pixel.
    """
    picture = Image.fromarray(as_rgb(rgb))
    pen = ImageDraw.Draw(picture)
    boxes = [_scaled(outline.box_xyxy_px, scale, picture.size) for outline in outlines]
    for outline, box in reversed(list(zip(outlines, boxes, strict=True))):
        colour = COLOURS[outline.label]
        _frame(pen, box, colour, line_px(picture))
        if outline.line_xy_px is not None:
            _body_line(pen, outline.line_xy_px * scale, colour, line_px(picture))
    taken: list[Box] = []
    for outline, box in zip(outlines, boxes, strict=True):
        colour = COLOURS[outline.label]
        write_plate(pen, box, outline.caption(), colour=colour, picture=picture, taken=taken)
    return as_rgb(_array(picture))


def draw_mark(
    rgb: U8,
    *,
    scale: float,
    corner_px: tuple[float, float] | None = None,
    box_xyxy_px: BoxXyxy | None = None,
) -> U8:
    """Draw the person's own mark on a copy: a cross for one corner, a dashed box for two."""
    picture = Image.fromarray(as_rgb(rgb))
    pen = ImageDraw.Draw(picture)
    line = line_px(picture)
    if corner_px is not None:
        x, y = corner_px[0] * scale, corner_px[1] * scale
        arm = 6 * line
        for colour, width in ((HALO, 3 * line), (MARK_COLOUR, line)):
            pen.line((x - arm, y, x + arm, y), fill=colour, width=width)
            pen.line((x, y - arm, x, y + arm), fill=colour, width=width)
    if box_xyxy_px is not None:
        box = _scaled(box_xyxy_px, scale, picture.size)
        _frame(pen, box, HALO, line)
        _dashes(pen, box, line)
    return as_rgb(_array(picture))


def _array(picture: Image.Image) -> U8:
    return as_u8(np.array(picture))


def _scaled(box: BoxXyxy, scale: float, size: tuple[int, int]) -> tuple[float, float, float, float]:
    """Give a box in shown pixels, inside the picture and at least one pixel each way."""
    x0 = min(max(box[0] * scale, 0), size[0] - 2)
    y0 = min(max(box[1] * scale, 0), size[1] - 2)
    return (
        x0,
        y0,
        max(min(box[2] * scale, size[0] - 1), x0 + 1),
        max(min(box[3] * scale, size[1] - 1), y0 + 1),
    )


def _frame(
    pen: ImageDraw.ImageDraw, box: tuple[float, float, float, float], colour: str, line: int
) -> None:
    halo = (box[0] - line, box[1] - line, box[2] + line, box[3] + line)
    pen.rectangle(halo, outline=HALO, width=3 * line)
    pen.rectangle(box, outline=colour, width=line)


def _body_line(pen: ImageDraw.ImageDraw, line: F64, colour: str, width: int) -> None:
    """Draw the line along which an animal was measured, thin, so that the animal shows beside it."""
    thin = max(1, width // 2)
    for ink, wide in ((HALO, 3 * thin), (colour, thin)):
        pen.line([tuple(place) for place in line], fill=ink, width=wide, joint="curve")


def _dashes(pen: ImageDraw.ImageDraw, box: tuple[float, float, float, float], line: int) -> None:
    x0, y0, x1, y1 = box
    step = 6 * line
    for start in range(round(x0), round(x1), 2 * step):
        end = min(start + step, x1)
        pen.line((start, y0, end, y0), fill=MARK_COLOUR, width=line)
        pen.line((start, y1, end, y1), fill=MARK_COLOUR, width=line)
    for start in range(round(y0), round(y1), 2 * step):
        end = min(start + step, y1)
        pen.line((x0, start, x0, end), fill=MARK_COLOUR, width=line)
        pen.line((x1, start, x1, end), fill=MARK_COLOUR, width=line)
