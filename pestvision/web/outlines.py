"""Draw numbered outlines on a photo: a number and the label in words, never colour alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from pestvision.arrays import U8, BoxXyxy, as_rgb, as_u8, checked_box
from pestvision.organisms.classes import CANT_TELL, GROUP_NAMES, Group

if TYPE_CHECKING:
    from collections.abc import Sequence

SHOWN_LONG_SIDE_PX = 1600
"""Long side of a photo on the page, pixels: sharp on a wide screen, and half a megabyte to send."""

COLOURS: dict[str, str] = {
    Group.LEECH_LIKE: "#d55e00",
    Group.FLATWORM_LIKE: "#e69f00",
    Group.HARMLESS: "#009e73",
    Group.NOT_AN_ORGANISM: "#999999",
    CANT_TELL: "#56b4e9",
}
"""Colours told apart with every kind of colour vision (from memory: Okabe and Ito, "Color Universal
Design", 2008). All of them carry black writing at a contrast of 4.5 or more."""

MARK_COLOUR = "#ffffff"
HALO = "#000000"
TEXT_SHARE = 1 / 33  # of the long side: 11 px where the photo is shown 360 px wide, on a phone
LINE_SHARE = 1 / 240  # of the long side: 1.4 px there, and 7 px on 1600 px


@dataclass(frozen=True, slots=True)
class Outline:
    """A box to draw. `box_xyxy_px` is in pixels of the upright original photo."""

    number: int
    box_xyxy_px: BoxXyxy
    label: str

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
    for outline in reversed(outlines):
        box = _scaled(outline.box_xyxy_px, scale, picture.size)
        _frame(pen, box, COLOURS[outline.label], _line_px(picture))
        _plate(pen, box, outline.caption(), COLOURS[outline.label], picture)
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
    line = _line_px(picture)
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


def _line_px(picture: Image.Image) -> int:
    return max(2, round(max(picture.size) * LINE_SHARE))


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


def _plate(
    pen: ImageDraw.ImageDraw,
    box: tuple[float, float, float, float],
    text: str,
    colour: str,
    picture: Image.Image,
) -> None:
    """Write the caption on a plate above the box, or inside it where there is no room above."""
    size_px = max(12.0, max(picture.size) * TEXT_SHARE)
    font = ImageFont.load_default(size_px)
    pad = size_px / 4
    left, top, right, bottom = pen.textbbox((0, 0), text, font=font)
    width, height = right - left + 2 * pad, bottom - top + 2 * pad
    x = min(max(box[0], 0), max(picture.width - width, 0))
    y = box[1] - height if box[1] >= height else min(box[1], picture.height - height)
    pen.rectangle((x, y, x + width, y + height), fill=colour, outline=HALO, width=2)
    pen.text((x + pad - left, y + pad - top), text, fill="#000000", font=font)


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
