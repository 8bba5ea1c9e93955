"""What stands on the page for a close-up: the photo or clip, and what is marked on it. Knows no component."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from pestvision.errors import PersonError
from pestvision.web import words
from pestvision.web.numbers import number_of, text_of
from pestvision.web.outlines import draw_mark, draw_outlines
from pestvision.web.scale_marks import draw_ends, draw_rounds, draw_scale

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.clip_result import ClipCheck
    from pestvision.findings.finding import PhotoCheck
    from pestvision.size.records import Scale
    from pestvision.size.round_thing import RoundThing
    from pestvision.web.outlines import Outline

Place = tuple[float, float]
"""A place on a photo, `(x, y)` in pixels of the upright original."""


class MarkError(PersonError):
    """The place that the person marked cannot be used."""


Edges = tuple[float | None, float | None, float | None, float | None]
"""Left, top, right and bottom of a mark, per cent of the photo; None where not filled in."""


@dataclass(frozen=True, slots=True, eq=False)
class Measuring:
    """What is known of the scale of a photo, and what was marked to find one.

    Parameters
    ----------
    ends_px
        The ends of a known length that were marked so far, two at the most.
    rounds
        Round things that were found, for the person to say which of them is a coin.
    scale
        The scale that was taken; None before.
    """

    ends_px: tuple[Place, ...] = ()
    rounds: tuple[RoundThing, ...] = ()
    scale: Scale | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """The photo on the page, or the first frame of a clip, and what is drawn on it.

    Parameters
    ----------
    path
        Where our copy is kept.
    name
        Its file name.
    height, width
        Pixels of the upright original.
    small_rgb
        The photo reduced for the page, (h, w, 3) uint8, without drawings.
    outlines
        What was found.
    corner_px
        The first corner of a mark that waits for its second, original pixels.
    mark_xyxy_px
        The finished mark, original pixels.
    found
        The answer that is shown, None before the first.
    is_of_mark
        Whether that answer is of a marked place alone.
    judged_with
        Whose labels it was judged with, as a sentence; empty for the net as it came.
    measuring
        The scale, and what was marked to find one.
    is_clip
        Whether it is a clip.
    found_on_clip
        The answer that is shown for a clip, None before the first.
    """

    path: Path
    name: str
    height: int
    width: int
    small_rgb: U8
    outlines: tuple[Outline, ...] = ()
    corner_px: tuple[float, float] | None = None
    mark_xyxy_px: BoxXyxy | None = None
    found: PhotoCheck | None = None
    is_of_mark: bool = False
    judged_with: str = ""
    measuring: Measuring = field(default_factory=Measuring)
    is_clip: bool = False
    found_on_clip: ClipCheck | None = None

    @property
    def scale(self) -> float:
        """Shown pixels per original pixel."""
        return float(self.small_rgb.shape[1] / self.width)

    def drawn(self) -> U8:
        """Give the picture with the outlines and the mark on it."""
        picture = draw_outlines(self.small_rgb, self.outlines, scale=self.scale)
        picture = draw_mark(
            picture, scale=self.scale, corner_px=self.corner_px, box_xyxy_px=self.mark_xyxy_px
        )
        measured = self.measuring
        if measured.scale is not None:
            return draw_scale(picture, measured.scale.outline_xy_px, scale=self.scale)
        picture = draw_rounds(picture, measured.rounds, scale=self.scale)
        return draw_ends(picture, measured.ends_px, scale=self.scale)

    def edges(self) -> Edges:
        """Give the mark as left, top, right and bottom in per cent of the photo."""
        if self.mark_xyxy_px is None:
            return (None, None, None, None)
        x0, y0, x1, y1 = self.mark_xyxy_px
        per_width, per_height = 100 / self.width, 100 / self.height
        return (
            round(x0 * per_width, 1),
            round(y0 * per_height, 1),
            round(x1 * per_width, 1),
            round(y1 * per_height, 1),
        )


def clicked(shown: Shown, x_px: float, y_px: float) -> Shown:
    """Take a click on the shown picture as a corner of the mark.

    Parameters
    ----------
    shown
        The photo on the page.
    x_px, y_px
        Column and row in pixels of the shown (reduced) picture.

    Returns
    -------
    Shown
        With one corner after the first click, with a mark after the second. A second click in the
        same row or column as the first starts anew from there.
    """
    x, y = x_px / shown.scale, y_px / shown.scale
    if shown.corner_px is None:
        return replace(shown, corner_px=(x, y), mark_xyxy_px=None)
    other_x, other_y = shown.corner_px
    box = (min(x, other_x), min(y, other_y), max(x, other_x), max(y, other_y))
    if box[2] - box[0] < 1 or box[3] - box[1] < 1:
        return replace(shown, corner_px=(x, y), mark_xyxy_px=None)
    return replace(shown, corner_px=None, mark_xyxy_px=box)


def typed(shown: Shown, edges: Edges) -> Shown:
    """Draw the mark that is being typed, as soon as its four edges make sense."""
    try:
        box = box_of_edges(edges, height=shown.height, width=shown.width)
    except MarkError:
        return replace(shown, corner_px=None, mark_xyxy_px=None)
    return replace(shown, corner_px=None, mark_xyxy_px=box)


def edges_of_texts(texts: Sequence[str | float | None]) -> Edges:
    """Read the four fields of the edges: None where empty, not a number where it cannot be read."""
    left, top, right, bottom = (number_of(text) for text in texts)
    return left, top, right, bottom


def texts_of_edges(shown: Shown) -> tuple[str, ...]:
    """Give what the four fields of the edges say."""
    return tuple(text_of(edge) for edge in shown.edges())


def unmarked(shown: Shown) -> Shown:
    """Take the mark away."""
    return replace(shown, corner_px=None, mark_xyxy_px=None)


def box_of_edges(edges: Edges, *, height: int, width: int) -> BoxXyxy:
    """Turn the four typed edges, per cent, into a box in pixels.

    Raises
    ------
    MarkError
        If one is missing, lies outside 0 to 100, or the edges are in the wrong order.
    """
    left, top, right, bottom = edges
    if left is None or top is None or right is None or bottom is None:
        raise MarkError(words.NO_MARK, advice=words.NO_MARK_ADVICE)
    in_order = 0 <= left < right <= 100 and 0 <= top < bottom <= 100
    if not in_order:
        message = words.BAD_MARK.format(
            left=_plain(left), right=_plain(right), top=_plain(top), bottom=_plain(bottom)
        )
        raise MarkError(message, advice=words.BAD_MARK_ADVICE)
    return (left * width / 100, top * height / 100, right * width / 100, bottom * height / 100)


def _plain(number: float) -> str:
    return f"{number:g}" if math.isfinite(number) else "no number"
