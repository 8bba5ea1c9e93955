"""Array types and boxes: what passes, what is refused, and in which words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pestvision.arrays import (
    as_f32,
    as_rgb,
    as_u8,
    box_iou,
    checked_box,
    clipped_box,
    describe,
)
from pestvision.errors import ShapeError

coordinate = st.floats(-1e4, 1e4, allow_nan=False)
side = st.floats(1e-3, 1e4, allow_nan=False)
boxes = st.builds(lambda x, y, w, h: (x, y, x + w, y + h), coordinate, coordinate, side, side)


def test_an_rgb_array_is_given_back_itself() -> None:
    rgb = np.zeros((2, 3, 3), np.uint8)
    assert as_rgb(rgb) is rgb


@pytest.mark.parametrize(
    "wrong",
    [
        np.zeros((2, 3), np.uint8),  # grey
        np.zeros((2, 3, 4), np.uint8),  # with an alpha channel
        np.zeros((2, 3, 3), np.float32),  # not bytes
        np.zeros((0, 3, 3), np.uint8),  # no rows
        np.zeros((2, 0, 3), np.uint8),  # no columns
        [[[0, 0, 0]]],  # a list
        None,
    ],
)
def test_what_is_no_rgb_array_is_refused_with_both_shapes(wrong: object) -> None:
    with pytest.raises(ShapeError) as caught:
        as_rgb(wrong, "photo")
    text = str(caught.value)
    assert "photo" in text
    assert caught.value.expected in text
    assert caught.value.actual == describe(wrong)
    assert caught.value.advice


def test_dtype_checks_pass_their_own_dtype_and_refuse_the_others() -> None:
    bytes_, floats = np.zeros(3, np.uint8), np.zeros(3, np.float32)
    assert as_u8(bytes_) is bytes_
    assert as_f32(floats) is floats
    for check, wrong in ((as_u8, floats), (as_f32, bytes_), (as_f32, np.zeros(3))):
        with pytest.raises(ShapeError):
            check(wrong)
    with pytest.raises(ShapeError, match="list"):
        as_u8([0])


def test_a_description_names_shape_and_dtype_or_the_type() -> None:
    assert describe(np.zeros((2, 3), np.uint8)) == "(2, 3) uint8"
    assert describe("text") == "str"


def test_a_good_box_comes_back_as_plain_floats() -> None:
    box = checked_box((np.float32(1), 2, 3, np.int64(4)))  # type: ignore[arg-type]
    assert box == (1.0, 2.0, 3.0, 4.0)
    assert all(type(value) is float for value in box)


@pytest.mark.parametrize(
    "wrong",
    [
        (1, 1, 1, 2),  # no width
        (1, 2, 2, 2),  # no height
        (2, 1, 1, 2),  # left and right changed over
        (math.nan, 0, 1, 1),
        (0, 0, math.inf, 1),
        (0, 0, 1),  # three numbers
        (0, 0, 1, 1, 1),  # five
    ],
)
def test_a_box_without_an_inside_is_refused(wrong: tuple[float, ...]) -> None:
    with pytest.raises(ShapeError, match="x0 < x1"):
        checked_box(wrong)  # type: ignore[arg-type]


@given(boxes, st.integers(1, 5000), st.integers(1, 5000))
def test_a_clipped_box_lies_on_the_frame_and_keeps_a_pixel(
    box: tuple[float, float, float, float], height: int, width: int
) -> None:
    x0, y0, x1, y1 = clipped_box(box, height, width)
    assert 0 <= x0 < x1 <= width
    assert 0 <= y0 < y1 <= height
    assert min(x1 - x0, y1 - y0) >= 1 - 1e-9  # also for a box that lies wholly outside


def test_a_box_on_the_frame_is_not_clipped() -> None:
    assert clipped_box((1.5, 2.0, 9.0, 8.0), 8, 9) == (1.5, 2.0, 9.0, 8.0)


@given(boxes, boxes)
def test_overlap_is_symmetric_and_between_none_and_all(
    one: tuple[float, float, float, float], other: tuple[float, float, float, float]
) -> None:
    assert 0.0 <= box_iou(one, other) <= 1.0 + 1e-9
    assert box_iou(one, other) == pytest.approx(box_iou(other, one))


def test_overlap_of_known_boxes() -> None:
    # Worked by hand: two 2 × 2 squares that share 1 × 2 have 2 / (4 + 4 - 2).
    assert box_iou((0, 0, 2, 2), (1, 0, 3, 2)) == pytest.approx(1 / 3)
    assert box_iou((0, 0, 2, 2), (0, 0, 2, 2)) == 1.0
    assert box_iou((0, 0, 2, 2), (2, 0, 4, 2)) == 0.0  # they touch
    assert box_iou((0, 0, 2, 2), (5, 5, 6, 6)) == 0.0
