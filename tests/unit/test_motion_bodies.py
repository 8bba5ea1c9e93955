"""What stands out in a frame is parted into bodies, in their places, the most conspicuous first."""

from __future__ import annotations

import numpy as np
import pytest

from pestvision.motion.bodies import GAP_PX, MOST_BODIES, bodies_in


def frame(*boxes: tuple[int, int, int, int], far: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    """Boxes (left, top, right, bottom) that stand out by so many noises, on 60 x 80 pixels."""
    out = np.zeros((60, 80), np.bool_)
    for left, top, right, bottom in boxes:
        out[top:bottom, left:right] = True
    return out, np.where(out, far, 0.5).astype(np.float32)


def test_nothing_that_stands_out_is_no_body() -> None:
    assert bodies_in(*frame()) == []


@pytest.mark.parametrize(
    "box", [(0, 0, 9, 6), (71, 54, 80, 60), (30, 20, 55, 26), (0, 0, 80, 60)], ids=str
)
def test_a_body_lies_where_it_stands_out(box: tuple[int, int, int, int]) -> None:
    (body,) = bodies_in(*frame(box))
    assert body.box == box
    assert body.area == (box[2] - box[0]) * (box[3] - box[1])
    assert body.strength == pytest.approx(10.0 * body.area)


def test_the_most_conspicuous_comes_first_and_specks_are_none() -> None:
    small, large, speck = (5, 5, 11, 9), (40, 30, 60, 40), (20, 50, 23, 53)
    assert [body.box for body in bodies_in(*frame(small, large, speck))] == [large, small]


@pytest.mark.parametrize(("gap", "n"), [(2 * GAP_PX - 1, 1), (2 * GAP_PX + 2, 2)])
def test_pieces_near_each_other_are_one_body(gap: int, n: int) -> None:
    assert len(bodies_in(*frame((10, 20, 20, 26), (20 + gap, 20, 30 + gap, 26)))) == n


def test_of_very_many_only_the_most_conspicuous_are_told() -> None:
    boxes = [(x, y, x + 4, y + 4) for x in range(0, 80, 12) for y in range(0, 60, 12)]
    assert len(boxes) > MOST_BODIES
    assert len(bodies_in(*frame(*boxes))) == MOST_BODIES
