"""What every picture with numbers on it shares: colours by label, the dark edge of a line, plates of words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PIL import ImageFont

from pestvision.organisms.classes import CANT_TELL, Group

if TYPE_CHECKING:
    from PIL import Image, ImageDraw

COLOURS: dict[str, str] = {
    Group.LEECH_LIKE: "#d55e00",
    Group.FLATWORM_LIKE: "#e69f00",
    Group.HARMLESS: "#009e73",
    Group.NOT_AN_ORGANISM: "#999999",
    CANT_TELL: "#56b4e9",
}
"""Colours told apart with every kind of colour vision (from memory: Okabe and Ito, "Color Universal
Design", 2008). All of them carry black writing at a contrast of 4.5 or more."""

HALO = "#000000"
TEXT_SHARE = 1 / 33  # of the long side: 11 px where the photo is shown 360 px wide, on a phone
LINE_SHARE = 1 / 240  # of the long side: 1.4 px there, and 7 px on 1600 px


def line_px(picture: Image.Image) -> int:
    """Give the width of a line on a picture, pixels."""
    return max(2, round(max(picture.size) * LINE_SHARE))


Box = tuple[float, float, float, float]


def write_plate(
    pen: ImageDraw.ImageDraw,
    box: Box,
    text: str,
    *,
    colour: str,
    picture: Image.Image,
    taken: list[Box] | None = None,
) -> None:
    """Write words on a plate above a box, or inside it where there is no room above.

    Where `taken` are the plates there already, this one goes to the first place about the box at which it
    hides none of them, and is added to them.
    """
    size_px = max(12.0, max(picture.size) * TEXT_SHARE)
    font = ImageFont.load_default(size_px)
    pad = size_px / 4
    left, top, right, bottom = pen.textbbox((0, 0), text, font=font)
    width, height = right - left + 2 * pad, bottom - top + 2 * pad
    x = min(max(box[0], 0), max(picture.width - width, 0))
    y = box[1] - height if box[1] >= height else min(box[1], picture.height - height)
    if taken is not None:
        x, y = _free_place(box, (width, height), (x, y), picture=picture, taken=taken)
        taken.append((x, y, x + width, y + height))
    pen.rectangle((x, y, x + width, y + height), fill=colour, outline=HALO, width=2)
    pen.text((x + pad - left, y + pad - top), text, fill="#000000", font=font)


def _free_place(
    box: Box,
    size: tuple[float, float],
    usual: tuple[float, float],
    *,
    picture: Image.Image,
    taken: list[Box],
) -> tuple[float, float]:
    """Give the left top of the first place inside the picture that touches no plate; the usual one if none."""
    width, height = size
    x0, y0, x1, y1 = box
    rows = [
        y0 - height,
        y1,
        *(y for n in range(1, 6) for y in (y0 - (n + 1) * height, y1 + n * height)),
    ]
    places = [usual, *((x, y) for y in rows for x in (x0, x1 - width, x1, x0 - width))]
    for x, y in places:
        inside = 0 <= x <= picture.width - width and 0 <= y <= picture.height - height
        if inside and not any(
            x < right and left < x + width and y < bottom and top < y + height
            for left, top, right, bottom in taken
        ):
            return x, y
    return usual
