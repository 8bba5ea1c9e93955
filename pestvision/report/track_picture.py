"""Where the animals of a clip went, drawn on its first frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from PIL import Image, ImageDraw

from pestvision.arrays import as_rgb, as_u8
from pestvision.errors import ShapeError
from pestvision.organisms.classes import GROUP_NAMES, LABELS
from pestvision.report.plates import COLOURS, HALO, Box, line_px, write_plate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pestvision.arrays import F64, U8, Bool
    from pestvision.motion.trail import Trail

    I64 = NDArray[np.int64]

N_BODIES: Final = 5  # midlines drawn of one animal: more hide its path
PATH_COLOUR: Final = "#ffffff"
RING: Final = 3.0  # radius of the ring where a path begins, in lines; ARROW is the head at its end
ARROW: Final = 5.0


@dataclass(frozen=True, slots=True)
class Tracked:
    """One animal to be drawn: its number, its label, and where it was."""

    number: int
    label: str
    trail: Trail

    def __post_init__(self) -> None:
        if self.label not in LABELS:
            raise ShapeError("label", expected=" or ".join(LABELS), actual=self.label)

    def caption(self) -> str:
        """Give the number and the label in words."""
        return f"{self.number}  {GROUP_NAMES[self.label]}"


def track_picture(picture_rgb: U8, tracked: Sequence[Tracked], *, scale: float) -> U8:
    """Draw tracks on a copy of the first frame.

    The path of each animal's middle is a white line from a ring to an arrow head; lines in the colour of
    its label show its body at the first moment, the last, and some between.

    Parameters
    ----------
    picture_rgb
        (H, W, 3) uint8, the first frame as it is shown.
    tracked
        What to draw; the first is drawn last, on top.
    scale
        Shown pixels per pixel of the frame.
    """
    picture = Image.fromarray(as_rgb(picture_rgb))
    pen = ImageDraw.Draw(picture)
    width = line_px(picture)
    for item in reversed(tracked):
        _bodies(pen, item, scale, width)
        _path(pen, item.trail, scale, width)
    taken: list[Box] = []
    for item in tracked:
        first = item.trail.midlines_xy_px[np.flatnonzero(_placed(item.trail))[:1]] * scale
        if len(first):
            (x0, y0), (x1, y1) = first[0].min(axis=0) - width, first[0].max(axis=0) + width
            box = (float(x0), float(y0) - 2 * width, float(x1), float(y1))
            colour = COLOURS[item.label]
            write_plate(pen, box, item.caption(), colour=colour, picture=picture, taken=taken)
    return as_rgb(as_u8(np.array(picture)))


def _placed(trail: Trail) -> Bool:
    return np.asarray(np.isfinite(trail.midlines_xy_px).all(axis=(1, 2)))


def _bodies(pen: ImageDraw.ImageDraw, item: Tracked, scale: float, width: int) -> None:
    known = np.flatnonzero(_placed(item.trail))
    chosen = sorted({int(i) for i in np.linspace(0, len(known) - 1, N_BODIES).round()})
    for rank in chosen if len(known) else []:
        line = [tuple(point) for point in item.trail.midlines_xy_px[known[rank]] * scale]
        thin = max(2, round(0.7 * width))
        for colour, wide in ((HALO, 3 * thin), (COLOURS[item.label], thin)):
            pen.line(line, fill=colour, width=wide, joint="curve")
        for x, y in (line[0], line[-1]):  # its two ends, so that one body is told from the next
            for colour, reach in ((HALO, 2.4 * thin), (COLOURS[item.label], 1.5 * thin)):
                pen.ellipse((x - reach, y - reach, x + reach, y + reach), fill=colour)


def _path(pen: ImageDraw.ImageDraw, trail: Trail, scale: float, width: int) -> None:
    """Draw the way of the middle, with a break where the animal was not seen."""
    middles = trail.midlines_xy_px.mean(axis=1) * scale
    pieces = pieces_of(_placed(trail))
    if not pieces:
        return
    thin = max(1, width // 2)
    for colour, wide in ((HALO, thin + 2 * max(1, thin // 2 + 1)), (PATH_COLOUR, thin)):
        for piece in pieces:
            if len(piece) > 1:
                pen.line([tuple(point) for point in middles[piece]], fill=colour, width=wide)
    x, y = middles[pieces[0][0]]
    for colour, wide in ((HALO, 3 * thin), (PATH_COLOUR, thin)):
        reach = RING * width + (wide - thin) / 2
        pen.ellipse((x - reach, y - reach, x + reach, y + reach), outline=colour, width=wide)
    _arrow(pen, middles[np.concatenate(pieces)], width)


def _arrow(pen: ImageDraw.ImageDraw, way: F64, width: int) -> None:
    """Put an arrow head at the end of a way, along where it came from; none where it hardly moved."""
    gone = way[-1] - way
    far = np.hypot(gone[:, 0], gone[:, 1])
    size = ARROW * width
    if far.max() < 2 * size:
        return
    from_there = gone[np.flatnonzero(far >= size)[-1]]
    along = from_there / np.hypot(*from_there)
    across = np.array([-along[1], along[0]])
    tip = way[-1] + along * size / 2
    corners = [
        tip,
        tip - size * along + 0.6 * size * across,
        tip - size * along - 0.6 * size * across,
    ]
    pen.polygon(
        [tuple(c) for c in corners], fill=PATH_COLOUR, outline=HALO, width=max(1, width // 2)
    )


def pieces_of(use: Bool) -> list[I64]:
    """Give the runs of frames in use, as indices."""
    known = np.flatnonzero(use)
    if not len(known):
        return []
    return list(np.split(known, np.flatnonzero(np.diff(known) > 1) + 1))
