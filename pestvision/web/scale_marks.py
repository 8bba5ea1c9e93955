"""Draw what a scale is taken from on a photo: the two ends of a length, round things, the scale taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PIL import Image, ImageDraw

from pestvision.arrays import U8, as_rgb, as_u8
from pestvision.report.plates import HALO, line_px, write_plate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64
    from pestvision.size.round_thing import RoundThing

LIGHT = "#ffffff"
SCALE_PLATE = "scale"
DASH = 8  # of a dashed line, in widths of a line


def draw_ends(rgb: U8, ends_px: Sequence[tuple[float, float]], *, scale: float) -> U8:
    """Draw the ends of a known length on a copy: a cross each, named A and B, and a line between two."""
    if not ends_px:
        return rgb
    picture = Image.fromarray(as_rgb(rgb))
    pen = ImageDraw.Draw(picture)
    line = line_px(picture)
    places = [(x * scale, y * scale) for x, y in ends_px]
    if len(places) == 2:
        _dashed(pen, np.array(places), line)
    arm = 5 * line
    for (x, y), name in zip(places, "AB", strict=False):
        for colour, width in ((HALO, 3 * line), (LIGHT, line)):
            pen.line((x - arm, y - arm, x + arm, y + arm), fill=colour, width=width)
            pen.line((x - arm, y + arm, x + arm, y - arm), fill=colour, width=width)
        box = (x - arm, y - 1.5 * arm, x + arm, y + arm)
        write_plate(pen, box, name, colour=LIGHT, picture=picture)
    return as_rgb(as_u8(np.array(picture)))


def draw_rounds(rgb: U8, rounds: Sequence[RoundThing], *, scale: float) -> U8:
    """Draw round things on a copy, each with its number."""
    if not rounds:
        return rgb
    picture = Image.fromarray(as_rgb(rgb))
    pen = ImageDraw.Draw(picture)
    for number, thing in reversed(list(enumerate(rounds, start=1))):
        _ring(pen, thing.outline_xy_px() * scale, str(number), picture)
    return as_rgb(as_u8(np.array(picture)))


def draw_scale(rgb: U8, outline_xy_px: F64, *, scale: float) -> U8:
    """Draw what a scale was taken from on a copy: a line between two points, else its outline."""
    if len(outline_xy_px) < 2:
        return rgb
    picture = Image.fromarray(as_rgb(rgb))
    pen = ImageDraw.Draw(picture)
    places = outline_xy_px * scale
    if len(places) == 2:
        _dashed(pen, places, line_px(picture))
        _named(pen, places, SCALE_PLATE, picture)
    else:
        _ring(pen, places, SCALE_PLATE, picture)
    return as_rgb(as_u8(np.array(picture)))


def _ring(pen: ImageDraw.ImageDraw, places: F64, name: str, picture: Image.Image) -> None:
    _dashed(pen, np.vstack([places, places[:1]]), line_px(picture))
    _named(pen, places, name, picture)


def _named(pen: ImageDraw.ImageDraw, places: F64, name: str, picture: Image.Image) -> None:
    (x0, y0), (x1, y1) = places.min(axis=0), places.max(axis=0)
    gap = 2 * line_px(picture)
    box = (float(x0), float(y0) - gap, float(x1), float(y1))
    write_plate(pen, box, name, colour=LIGHT, picture=picture)


def _dashed(pen: ImageDraw.ImageDraw, places: F64, line: int) -> None:
    """Draw a line through places: dark, with light dashes upon it."""
    pen.line([tuple(place) for place in places], fill=HALO, width=3 * line, joint="curve")
    steps = np.hypot(*np.diff(places, axis=0).T)
    gone = np.concatenate([[0.0], np.cumsum(steps)])
    starts = np.arange(0.0, gone[-1], 2 * DASH * line)
    for start in starts:
        along = np.linspace(start, min(start + DASH * line, gone[-1]), 5)
        dash = np.column_stack([np.interp(along, gone, places[:, k]) for k in (0, 1)])
        pen.line([tuple(place) for place in dash], fill=LIGHT, width=line, joint="curve")
