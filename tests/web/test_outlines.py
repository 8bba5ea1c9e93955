"""Outlines are where the boxes are, and say the label in words that can be read."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import ImageColor

from pestvision.organisms.classes import LABELS
from pestvision.web.outlines import (
    COLOURS,
    SHOWN_LONG_SIDE_PX,
    Outline,
    draw_mark,
    draw_outlines,
    reduced,
)

GREY = np.full((400, 600, 3), 128, np.uint8)


def changed(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    return np.any(before != after, axis=2)


def relative_luminance(colour: str) -> float:
    """Source: WCAG 2.2, definition of relative luminance."""
    linear = [
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        for value in (channel / 255 for channel in ImageColor.getrgb(colour)[:3])
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_outline_follows_the_box_and_leaves_the_inside_alone() -> None:
    drawn = draw_outlines(GREY, [Outline(1, (200, 160, 400, 320), "leech-like")], scale=1.0)
    where = changed(GREY, drawn)
    assert where[160, 250]
    assert where[250, 200]
    assert where[319, 250]
    assert where[250, 399]
    assert not where[180:300, 220:380].any()
    assert not where[340:, :].any()


def test_boxes_are_in_pixels_of_the_original_photo() -> None:
    drawn = draw_outlines(GREY, [Outline(1, (800, 640, 1600, 1280), "harmless")], scale=0.25)
    where = changed(GREY, drawn)
    assert where[250, 200]
    assert where[250, 399]
    assert not where[180:300, 220:380].any()


@pytest.mark.parametrize("label", LABELS)
def test_every_label_has_words_and_a_colour_of_its_own(label: str) -> None:
    assert Outline(3, (0, 0, 10, 10), label).caption().startswith("3 ")
    assert len({COLOURS[other] for other in LABELS}) == len(LABELS)
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text; black writing has luminance 0.
    assert (relative_luminance(COLOURS[label]) + 0.05) / 0.05 >= 4.5


def test_the_words_change_with_the_label_even_where_colour_is_not_seen() -> None:
    one = draw_outlines(GREY, [Outline(1, (50, 90, 150, 190), "leech-like")], scale=1.0)
    other = draw_outlines(GREY, [Outline(1, (50, 90, 150, 190), "harmless")], scale=1.0)
    dark_one = (one.max(axis=2) < 60).sum()
    dark_other = (other.max(axis=2) < 60).sum()
    assert dark_one != dark_other


@pytest.mark.parametrize(
    "box",
    [
        (0, 0, 600, 400),  # the whole photo
        (599, 399, 600, 400),  # the last pixel
        (-20, -20, 5, 5),  # partly outside
        (590, 0, 700, 12),  # no room above, and none to the right
        (100, 100, 100.4, 100.4),  # smaller than a pixel
    ],
)
def test_a_box_at_the_edge_is_drawn_inside_the_photo(
    box: tuple[float, float, float, float],
) -> None:
    drawn = draw_outlines(GREY, [Outline(20, box, "cant-tell")], scale=1.0)
    assert drawn.shape == GREY.shape
    assert changed(GREY, drawn).any()


def test_nothing_to_draw_leaves_the_photo_as_it_is() -> None:
    assert not changed(GREY, draw_outlines(GREY, [], scale=1.0)).any()
    assert not changed(GREY, draw_mark(GREY, scale=1.0)).any()


def test_one_corner_is_a_cross_and_two_are_a_box() -> None:
    cross = changed(GREY, draw_mark(GREY, scale=1.0, corner_px=(300, 200)))
    assert cross[200, 300]
    assert not cross[100:150].any()
    box = changed(GREY, draw_mark(GREY, scale=1.0, box_xyxy_px=(100, 100, 500, 300)))
    assert box[100, 300]
    assert not box[150:250, 150:450].any()


def test_a_large_photo_is_reduced_and_a_small_one_never_enlarged() -> None:
    large = np.zeros((3000, 4000, 3), np.uint8)
    assert reduced(large).shape == (SHOWN_LONG_SIDE_PX * 3 // 4, SHOWN_LONG_SIDE_PX, 3)
    assert reduced(GREY) is GREY
    assert reduced(np.zeros((20000, 33, 3), np.uint8)).shape == (1600, 3, 3)


def test_the_line_along_which_an_animal_was_measured_is_drawn_in_its_box() -> None:
    line = np.array([[440.0, 480.0], [760.0, 480.0]])
    outline = Outline(1, (400.0, 320.0, 800.0, 640.0), "leech-like", line)
    where = changed(GREY, draw_outlines(GREY, [outline], scale=0.5))
    assert where[239:241, 225:375].all()
    assert not where[180:230, 220:380].any()
