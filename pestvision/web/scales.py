"""A scale for the photo on the page: two points, a coin, a card. Knows no component."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from html import escape
from typing import TYPE_CHECKING

from pestvision.errors import ScaleError
from pestvision.findings.sizes import SCALE_NAMES
from pestvision.size.card_outline import find_card
from pestvision.size.coin import coin_scale, find_coins
from pestvision.size.records import (
    CARD_OUTLINE,
    COIN,
    DUCKWEED,
    MARKER_CARD,
    RULER,
    TWO_POINTS,
    NoScale,
)
from pestvision.size.refraction import ScaleAt, through_glass
from pestvision.size.ruler import find_ruler
from pestvision.size.scale import duckweed, find_scale, two_points
from pestvision.web import size_words, words
from pestvision.web.handlers import required, spoken
from pestvision.web.numbers import number_of, text_of
from pestvision.web.parts import listed
from pestvision.web.shown import Measuring

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pestvision.arrays import U8
    from pestvision.size.records import Scale
    from pestvision.web.shown import Place, Shown

WAYS = (TWO_POINTS, MARKER_CARD, COIN, RULER, CARD_OUTLINE, DUCKWEED)
"""What a scale can be taken from on the page, in the order in which it is offered."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the person says of the thing of known size: everything as it was typed or chosen.

    Parameters
    ----------
    way
        One of `WAYS`.
    ends
        Both ends of a length: across and down of each, per cent of the photo.
    distance, bar, tick
        Between the ends, what the bar of the printed card measures, between two marks of a ruler, mm.
    coin, number
        The kind of coin, and which of the round things it is, from 1.
    at
        Where it was, one of `ScaleAt`.
    camera, pane, depth
        From the lens to the glass, the glass's thickness, from the glass to the animal, mm.
    """

    way: str | None = TWO_POINTS
    ends: tuple[str | float | None, ...] = ("", "", "", "")
    distance: str = ""
    bar: str = ""
    tick: str = ""
    coin: str | None = None
    number: str | None = None
    at: str | None = ScaleAt.ANIMAL_DEPTH
    camera: str = ""
    pane: str = ""
    depth: str = ""


class ScaleDesk:
    """What the buttons under “How long is it?” do.

    Parameters
    ----------
    full
        Gives the photo, or the first frame of a clip, at its full size.
    """

    def __init__(self, full: Callable[[Shown], U8]) -> None:
        self._full = full

    def take(self, shown: Shown | None, told: Told) -> tuple[Shown, str]:
        """Take a scale from what is told and marked; give what to draw, and what came of it as HTML."""
        with spoken():
            shown = required(shown)
            scale = self._scale(shown, told)
            if isinstance(scale, NoScale):
                shown = replace(shown, measuring=replace(shown.measuring, scale=None))
                return shown, _not_taken(scale)
            scale = _behind_glass(scale, told)
            measuring = replace(shown.measuring, scale=scale)
            return replace(shown, measuring=measuring), taken(scale, shown)

    def find_rounds(self, shown: Shown | None) -> tuple[Shown, str]:
        """Find the round things that may be a coin; give what to draw, and how many there are."""
        with spoken():
            shown = required(shown)
            rounds = find_coins(self._full(shown))
            shown = replace(shown, measuring=Measuring(rounds=rounds))
            return shown, size_words.rounds_found(len(rounds))

    def _scale(self, shown: Shown, told: Told) -> Scale | NoScale:
        if told.way in {TWO_POINTS, DUCKWEED}:
            first, second = ends_of(shown, told.ends)
            if told.way == DUCKWEED:
                return duckweed(first, second)
            distance = _typed(told.distance, size_words.DISTANCE)
            if distance is None:
                message = size_words.DISTANCE_MISSING
                raise ScaleError(message, advice=size_words.DISTANCE_MISSING_ADVICE)
            return two_points(first, second, distance)
        if told.way == COIN:
            return _of_coin(shown, told)
        if told.way == RULER:
            tick = _typed(told.tick, size_words.TICK)
            return find_ruler(self._full(shown), tick_mm=tick)
        if told.way == CARD_OUTLINE:
            return find_card(self._full(shown))
        if told.way == MARKER_CARD:
            bar = _typed(told.bar, size_words.BAR)
            return find_scale(self._full(shown), bar_mm=bar, want=MARKER_CARD)
        raise ScaleError(size_words.WAY_UNKNOWN, advice=size_words.WAY_UNKNOWN_ADVICE)


def _of_coin(shown: Shown, told: Told) -> Scale | NoScale:
    rounds = shown.measuring.rounds
    numbers = [str(number) for number in range(1, len(rounds) + 1)]
    if told.number not in numbers:
        message = size_words.ROUND_MISSING
        raise ScaleError(message, advice=size_words.ROUND_MISSING_ADVICE)
    if not told.coin:
        raise ScaleError(size_words.COIN_MISSING, advice=size_words.COIN_MISSING_ADVICE)
    return coin_scale(rounds[numbers.index(told.number)], told.coin)


def _behind_glass(scale: Scale, told: Told) -> Scale:
    """Correct a scale for where it was, or widen its range."""
    at = ScaleAt(told.at or ScaleAt.ANIMAL_DEPTH)
    if at is ScaleAt.ANIMAL_DEPTH:
        return scale
    return through_glass(
        scale,
        scale_at=at,
        camera_mm=_typed(told.camera, size_words.CAMERA_MM),
        glass_mm=_typed(told.pane, size_words.PANE_MM),
        animal_depth_mm=_typed(told.depth, size_words.DEPTH_MM),
    )


def _typed(text: str, field: str) -> float | None:
    """Read a number of millimetres; None where the field is empty."""
    number = number_of(text)
    if number is not None and not math.isfinite(number):
        message = size_words.NOT_A_NUMBER.format(text=str(text).strip()[:40], field=field)
        raise ScaleError(message, advice=size_words.NOT_A_NUMBER_ADVICE)
    return number


def clicked_end(shown: Shown, x_px: float, y_px: float) -> Shown:
    """Take a click on the shown picture as an end of a known length; a third one starts anew.

    Parameters
    ----------
    shown
        The photo on the page.
    x_px, y_px
        Column and row in pixels of the shown (reduced) picture.
    """
    place = (x_px / shown.scale, y_px / shown.scale)
    known = shown.measuring.ends_px if len(shown.measuring.ends_px) == 1 else ()
    return replace(shown, measuring=Measuring(ends_px=(*known, place)))


def typed_ends(shown: Shown, texts: Sequence[str | float | None]) -> Shown:
    """Draw the ends that are being typed, as soon as both fields of one make sense."""
    numbers = [number_of(text) for text in texts]
    ends = tuple(
        (across * shown.width / 100, down * shown.height / 100)
        for across, down in (numbers[:2], numbers[2:])
        if across is not None and down is not None and 0 <= across <= 100 and 0 <= down <= 100
    )
    return replace(shown, measuring=Measuring(ends_px=ends))


def ends_of(shown: Shown, texts: Sequence[str | float | None]) -> tuple[Place, Place]:
    """Turn the four typed fields, per cent, into two places in pixels.

    Raises
    ------
    ScaleError
        If one is missing or lies outside the photo.
    """
    numbers = [number_of(text) for text in texts]
    told = [number for number in numbers if number is not None]
    if len(told) < 4:
        raise ScaleError(size_words.ENDS_MISSING, advice=size_words.ENDS_MISSING_ADVICE)
    if not all(0 <= number <= 100 for number in told):
        where = ", ".join(f"{n:g}" if math.isfinite(n) else "no number" for n in told)
        message = size_words.ENDS_OUTSIDE.format(told=where)
        raise ScaleError(message, advice=size_words.ENDS_OUTSIDE_ADVICE)
    x0, y0, x1, y1 = told
    across, down = shown.width / 100, shown.height / 100
    return (x0 * across, y0 * down), (x1 * across, y1 * down)


def texts_of_ends(shown: Shown) -> tuple[str, str, str, str]:
    """Give what the four fields of the ends say, per cent of the photo."""
    texts = ["", "", "", ""]
    for rank, (x, y) in enumerate(shown.measuring.ends_px):
        texts[2 * rank] = text_of(round(100 * x / shown.width, 2))
        texts[2 * rank + 1] = text_of(round(100 * y / shown.height, 2))
    return texts[0], texts[1], texts[2], texts[3]


def ends_words(shown: Shown, way: str | None) -> str:
    """Say how many ends are marked, and what comes next."""
    n_set = len(shown.measuring.ends_px)
    if n_set == 2:
        return size_words.LEAF_ENDS_SET if way == DUCKWEED else size_words.ENDS_SET
    return size_words.END_A_SET if n_set else size_words.ENDS_GONE


def dropped(shown: Shown) -> Shown:
    """Take the scale away, and what was marked for it."""
    return replace(shown, measuring=Measuring())


def nothing_taken() -> str:
    """Give the card that stands where the scale will be told of."""
    return f'<div class="pv-card pv-waiting"><p>{escape(size_words.NO_SCALE_YET)}</p></div>'


def taken(scale: Scale, shown: Shown) -> str:
    """Tell of a scale that was taken: from what, how large, how unsure, and what is taken for granted."""
    button = size_words.CHECK_CLIP_BUTTON if shown.is_clip else words.CHECK_BUTTON
    middle = (shown.width / 2, shown.height / 2)
    sentences = [size_words.unsure_by(scale), *scale.notes]
    if not scale.is_rough:
        sentences.insert(0, size_words.pixels_of_a_mm(scale.mm_per_px(middle)))
    return (
        '<div class="pv-card pv-scale" tabindex="-1"><p><strong>'
        f"{escape(size_words.SCALE_TAKEN.format(what=SCALE_NAMES[scale.kind]))}</strong> "
        f"{escape(size_words.SCALE_PRESS.format(button=button))}</p>{listed(sentences)}</div>"
    )


def _not_taken(why: NoScale) -> str:
    return (
        f'<div class="pv-card pv-scale" tabindex="-1"><p><strong>{escape(size_words.NO_SCALE_TAKEN)}'
        f"</strong> {escape(why.reason)}</p></div>"
    )
