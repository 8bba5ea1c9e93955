"""Where the animals of a clip went, drawn on its first frame: on the whole of it, or on what lies about them.

A small animal in a large frame is a speck that its own lines hide: the close-up shows what lies about its
track, enlarged, and the whole frame as a small picture in a corner.
"""

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
CLOSE_PX: Final = (800, 600)  # width and height of a close-up: sharp on a phone, 50 kB of JPEG
MOST_TIMES: Final = (
    6.0  # enlarged more than that a frame shows its pixels and no more of the animal
)
ABOUT: Final = (
    0.35  # of the longer side of a track is shown beyond it, but a body's length at least
)
FILLS: Final = 0.7  # of the frame's width or height: from there on the whole frame shows as much
INSET_SHARE: Final = 0.3  # of a close-up's width: 108 px on a phone
RIM_PX: Final = 3  # about the small picture


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
    at = _At(scale)
    _draw_tracks(picture, tracked, at)
    _write_plates(picture, tracked, at, taken=[])
    return as_rgb(as_u8(np.array(picture)))


def close_up(picture_rgb: U8, tracked: Sequence[Tracked], *, scale: float, window: Box) -> U8:
    """Draw tracks on what lies about them, enlarged, with the whole frame as a small picture in a corner.

    Where an animal shows on the first frame itself, no line is drawn over it.

    Parameters
    ----------
    picture_rgb, tracked, scale
        As `track_picture`.
    window
        What is shown, in pixels of the frame: `window_of`.

    Returns
    -------
    U8
        (600, 800, 3) uint8.
    """
    whole = Image.fromarray(as_rgb(picture_rgb))
    x0, y0, x1, y1 = (value * scale for value in window)
    picture = whole.resize(CLOSE_PX, Image.Resampling.LANCZOS, box=(x0, y0, x1, y1))
    at = _At(CLOSE_PX[0] / (window[2] - window[0]), (window[0], window[1]))
    _draw_tracks(picture, tracked, at, bare_start=True)
    inset = _inset(picture, whole, (x0, y0, x1, y1), [at.shown(_middles(t.trail)) for t in tracked])
    _write_plates(picture, tracked, at, taken=[inset])
    return as_rgb(as_u8(np.array(picture)))


def window_of(tracked: Sequence[Tracked], picture_rgb: U8, *, scale: float) -> Box | None:
    """Give what a close-up of tracks shows, in pixels of the frame; None where they fill the frame."""
    lines = [_lines(item.trail).reshape(-1, 2) for item in tracked]
    if not any(len(line) for line in lines):
        return None
    points = np.concatenate(lines)
    frame = np.array(picture_rgb.shape[1::-1]) / scale
    low, high = points.min(axis=0), points.max(axis=0)
    body = max(float(np.nanmedian(item.trail.lengths_px)) for item in tracked)
    wanted = high - low + 2 * max(body, ABOUT * float((high - low).max()))
    shape = np.array(CLOSE_PX, np.float64)
    times = float(max((wanted / shape).max(), 1 / (MOST_TIMES * scale)))
    size = shape * times
    if (size > FILLS * frame).any():
        return None
    corner = np.clip((low + high) / 2 - size / 2, 0, frame - size)
    (x0, y0), (x1, y1) = corner, corner + size
    return float(x0), float(y0), float(x1), float(y1)


@dataclass(frozen=True, slots=True)
class _At:
    """Where a picture shows the frame: shown pixels per pixel of it, and the corner it begins at."""

    scale: float
    corner_xy_px: tuple[float, float] = (0.0, 0.0)

    def shown(self, xy_px: F64) -> F64:
        """Give pixels of the frame, (..., 2), as pixels of the picture."""
        return np.asarray((xy_px - np.array(self.corner_xy_px)) * self.scale)


def _draw_tracks(
    picture: Image.Image, tracked: Sequence[Tracked], at: _At, *, bare_start: bool = False
) -> None:
    pen = ImageDraw.Draw(picture)
    width = line_px(picture)
    for item in reversed(tracked):
        _bodies(pen, item, at, width, bare_start=bare_start)
        _path(pen, item.trail, at, width)


def _write_plates(
    picture: Image.Image, tracked: Sequence[Tracked], at: _At, *, taken: list[Box]
) -> None:
    pen = ImageDraw.Draw(picture)
    width = line_px(picture)
    for item in tracked:
        first = at.shown(_lines(item.trail)[:1])
        if len(first):
            (x0, y0), (x1, y1) = first[0].min(axis=0) - width, first[0].max(axis=0) + width
            box = (float(x0), float(y0) - 2 * width, float(x1), float(y1))
            colour = COLOURS[item.label]
            write_plate(pen, box, item.caption(), colour=colour, picture=picture, taken=taken)


def _inset(picture: Image.Image, whole: Image.Image, window: Box, ways: Sequence[F64]) -> Box:
    """Put the whole frame, small, into the corner where it hides least of the ways; give its place."""
    wide = round(INSET_SHARE * picture.width)
    small = whole.resize((wide, max(1, round(wide * whole.height / whole.width))))
    pen = ImageDraw.Draw(small)
    box = np.array(window) * small.width / whole.width
    for colour, line in ((HALO, 2 * RIM_PX), (PATH_COLOUR, RIM_PX)):
        rim = box + np.array([-line, -line, line, line])
        pen.rectangle(tuple(rim), outline=colour, width=line)
    far = (picture.width - small.width - RIM_PX, picture.height - small.height - RIM_PX)
    corners = [(x, y) for y in (far[1], RIM_PX) for x in (far[0], RIM_PX)]
    points = np.concatenate(list(ways))

    def hidden(corner: tuple[int, int]) -> int:
        inside = (points >= corner) & (points <= np.add(corner, small.size))
        return int(inside.all(axis=1).sum())

    x, y = min(corners, key=hidden)
    edge = (x - RIM_PX, y - RIM_PX, x + small.width + RIM_PX - 1, y + small.height + RIM_PX - 1)
    ImageDraw.Draw(picture).rectangle(edge, fill=PATH_COLOUR)
    picture.paste(small, (x, y))
    return edge


def _lines(trail: Trail) -> F64:
    """Give the midlines of the frames in which it was seen, (n, K, 2)."""
    return np.asarray(trail.midlines_xy_px[_placed(trail)])


def _middles(trail: Trail) -> F64:
    return np.asarray(_lines(trail).mean(axis=1))


def _placed(trail: Trail) -> Bool:
    return np.asarray(np.isfinite(trail.midlines_xy_px).all(axis=(1, 2)))


def _bodies(
    pen: ImageDraw.ImageDraw, item: Tracked, at: _At, width: int, *, bare_start: bool
) -> None:
    known = np.flatnonzero(_placed(item.trail))
    chosen = sorted({int(i) for i in np.linspace(0, len(known) - 1, N_BODIES).round()})
    for rank in chosen if len(known) else []:
        if bare_start and known[rank] == 0:  # it shows itself there
            continue
        line = [tuple(point) for point in at.shown(item.trail.midlines_xy_px[known[rank]])]
        thin = max(2, round(0.7 * width))
        for colour, wide in ((HALO, 3 * thin), (COLOURS[item.label], thin)):
            pen.line(line, fill=colour, width=wide, joint="curve")
        for x, y in (line[0], line[-1]):  # its two ends, so that one body is told from the next
            for colour, reach in ((HALO, 2.4 * thin), (COLOURS[item.label], 1.5 * thin)):
                pen.ellipse((x - reach, y - reach, x + reach, y + reach), fill=colour)


def _path(pen: ImageDraw.ImageDraw, trail: Trail, at: _At, width: int) -> None:
    """Draw the way of the middle, with a break where the animal was not seen."""
    middles = at.shown(trail.midlines_xy_px.mean(axis=1))
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
