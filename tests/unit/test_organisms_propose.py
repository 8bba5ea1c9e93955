"""Boxes that may hold an organism: the animal is among them, and nothing is made up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.arrays import F32, U8, BoxXyxy, box_iou
from pestvision.errors import ShapeError
from pestvision.organisms.box_features import FEATURES
from pestvision.organisms.candidates import salience_maps
from pestvision.organisms.proposal_weights import ProposalWeights
from pestvision.organisms.propose import NEAR_IOU, measured_boxes, propose, reduced

if TYPE_CHECKING:
    from collections.abc import Callable


def no_life(rgb: U8) -> F32:
    return np.zeros((rgb.shape[0] // 32, rgb.shape[1] // 32), dtype=np.float32)


def life_where_dark(rgb: U8) -> F32:
    dark = (rgb.mean(2) < 70).astype(np.float32)
    cells = dark.reshape(rgb.shape[0] // 32, 32, rgb.shape[1] // 32, 32)
    return np.asarray(cells.mean((1, 3)) > 0.1, dtype=np.float32)


def pane(
    boxes: list[tuple[int, int, int, int]], *, height: int = 600, width: int = 800, level: int = 30
) -> U8:
    noise = np.random.default_rng(0).normal(130, 4, (height, width, 1))
    rgb = np.repeat(np.clip(noise, 0, 255).astype(np.uint8), 3, axis=2)
    for x0, y0, x1, y1 in boxes:
        middle, axes = ((x0 + x1) // 2, (y0 + y1) // 2), ((x1 - x0) // 2, (y1 - y0) // 2)
        cv2.ellipse(rgb, middle, axes, 0, 0, 360, (level, level, level), -1, cv2.LINE_AA)
    return rgb


def best_iou(box: BoxXyxy, rgb: U8, n: int = 12) -> float:
    found = propose(rgb, life_where_dark, max_proposals=n)
    return max(box_iou(box, item.box_xyxy_px) for item in found)


@pytest.mark.parametrize(
    ("box", "least_iou"),
    [
        ((380, 290, 420, 306), 0.25),  # 5 % of the long side: the outline is loose at this size
        ((300, 200, 460, 260), 0.5),  # 20 %
        ((200, 150, 600, 400), 0.5),  # 50 %
        ((80, 60, 720, 540), 0.5),  # 80 %
        ((0, 0, 120, 80), 0.5),  # in the corner
    ],
)
def test_an_animal_of_any_size_is_met_by_a_box(
    box: tuple[int, int, int, int], least_iou: float
) -> None:
    assert best_iou(box, pane([box])) >= least_iou


def test_each_of_three_animals_is_met_by_a_box() -> None:
    boxes = [(80, 80, 200, 130), (500, 100, 580, 220), (300, 420, 480, 480)]
    rgb = pane(boxes)
    for box in boxes:
        assert best_iou(box, rgb) >= 0.5


def test_boxes_come_back_in_pixels_of_a_large_photo() -> None:
    box = (1500, 1100, 2100, 1400)
    assert best_iou(box, pane([box], height=2250, width=3000)) >= 0.5


def test_a_flat_picture_gives_nothing_but_the_whole_frame() -> None:
    rgb = np.full((480, 640, 3), 120, dtype=np.uint8)
    found = propose(rgb, no_life)
    assert [item.box_xyxy_px for item in found] == [(0.0, 0.0, 640.0, 480.0)]


@pytest.mark.parametrize("n", [1, 2, 5, 12])
def test_no_more_boxes_than_asked_for_and_the_whole_frame_last(n: int) -> None:
    rgb = pane([(50 + 90 * i, 60 + 60 * i, 120 + 90 * i, 100 + 60 * i) for i in range(8)])
    found = propose(rgb, life_where_dark, max_proposals=n)
    assert 1 <= len(found) <= n
    assert found[-1].box_xyxy_px == (0.0, 0.0, 800.0, 600.0)
    strengths = [item.strength for item in found[:-1]]
    assert strengths == sorted(strengths, reverse=True)


def test_what_lives_comes_before_what_only_stands_out() -> None:
    rgb = pane([(100, 100, 220, 160)])
    cv2.ellipse(rgb, (600, 400), (60, 30), 0, 0, 360, (255, 255, 255), -1, cv2.LINE_AA)
    first = propose(rgb, life_where_dark)[0].box_xyxy_px
    assert box_iou(first, (100, 100, 220, 160)) > 0
    assert box_iou(first, (540, 370, 660, 430)) == 0


def test_no_two_proposals_are_one_box() -> None:
    rgb = pane([(80, 80, 300, 160), (400, 300, 700, 500)])
    boxes = [item.box_xyxy_px for item in propose(rgb, life_where_dark)][:-1]
    for index, one in enumerate(boxes):
        assert all(box_iou(one, other) < NEAR_IOU for other in boxes[:index])


def test_every_box_lies_inside_the_photo() -> None:
    rgb = pane([(0, 0, 90, 60), (700, 520, 799, 599)], height=601, width=803)
    boxes, values = measured_boxes(rgb, no_life)
    assert len(boxes) == len(values) > 0
    for x0, y0, x1, y1 in boxes:
        assert 0 <= x0 < x1 <= 803 + 1e-6
        assert 0 <= y0 < y1 <= 601 + 1e-6


def test_the_same_photo_gives_the_same_boxes_and_stays_as_it_was() -> None:
    rgb = pane([(200, 150, 400, 250)])
    before = rgb.copy()
    assert propose(rgb, life_where_dark) == propose(rgb, life_where_dark)
    np.testing.assert_array_equal(rgb, before)


@pytest.mark.parametrize("size", [(1, 1), (3, 2), (40, 4000), (4000, 40)])
def test_odd_sizes_still_give_the_whole_frame(size: tuple[int, int]) -> None:
    rgb = np.random.default_rng(0).integers(0, 256, (*size, 3), dtype=np.uint8)
    found = propose(rgb, no_life)
    assert found[-1].box_xyxy_px == (0.0, 0.0, float(size[1]), float(size[0]))


def test_reduced_keeps_the_shape_and_the_multiple() -> None:
    rgb = np.zeros((300, 400, 3), dtype=np.uint8)
    assert reduced(rgb, 200).shape == (150, 200, 3)
    assert reduced(rgb, 256, multiple=32).shape == (192, 256, 3)
    assert reduced(np.zeros((2, 900, 3), dtype=np.uint8), 256, multiple=32).shape == (32, 256, 3)


def test_every_map_is_highest_on_what_differs() -> None:
    small = pane([(150, 120, 190, 150)], height=300, width=400)
    for salience in salience_maps(small):
        assert salience.shape == (300, 400)
        assert salience.dtype == np.float32
        assert salience[125:145, 160:180].max() > 2 * np.percentile(salience, 90)


def life_at(rows: slice, cols: slice) -> Callable[[U8], F32]:
    """Give a map of life at some places of a pane of 600 x 800, whatever the picture's size."""

    def life(rgb: U8) -> F32:
        large = np.zeros((600, 800), dtype=np.float32)
        large[rows, cols] = 1.0
        height, width = rgb.shape[0] // 32, rgb.shape[1] // 32
        small: F32 = cv2.resize(large, (width, height), interpolation=cv2.INTER_AREA)
        return small

    return life


def ranking_by(name: str) -> ProposalWeights:
    """Rank by one feature alone: 64 steps between 0 and 1."""
    steps = np.linspace(0, 1, 66)[1:-1, None]
    question = np.full((64, 1), FEATURES.index(name), np.intp)
    return ProposalWeights(0.0, question, steps, np.tile((0.0, 0.1), (64, 1)))


@pytest.mark.parametrize("box", [(100, 100, 220, 160), (500, 400, 700, 500)])  # small and wide
def test_the_ranking_is_told_of_the_life_inside_each_box(box: tuple[int, int, int, int]) -> None:
    x0, y0, x1, y1 = box
    rgb = pane([(100, 100, 220, 160), (500, 400, 700, 500)])
    life = life_at(slice(y0, y1), slice(x0, x1))
    for name in ("life_inside_coarse", "life_inside_fine"):
        first = propose(rgb, life, weights=ranking_by(name))[0]
        # the middle of the animal is the liveliest place, and its own box
        assert box_iou(first.box_xyxy_px, box) > 0.4
        assert first.strength > 0.5


def test_other_weights_rank_otherwise() -> None:
    rgb = pane([(100, 100, 220, 160), (500, 400, 700, 500)], level=90)
    cv2.ellipse(rgb, (620, 120), (60, 30), 0, 0, 360, (255, 255, 255), -1, cv2.LINE_AA)
    life = life_at(slice(400, 500), slice(500, 700))
    by_life = propose(rgb, life, weights=ranking_by("life_inside_fine"))
    by_salience = propose(rgb, life, weights=ranking_by("score_share"))
    assert box_iou(by_life[0].box_xyxy_px, (500, 400, 700, 500)) > 0.4
    assert box_iou(by_salience[0].box_xyxy_px, (500, 400, 700, 500)) == 0
    assert {item.box_xyxy_px for item in by_life} >= {by_salience[0].box_xyxy_px}


def test_a_failure_of_the_net_reaches_the_caller() -> None:
    def broken(_rgb: U8) -> F32:
        message = "no memory left"
        raise MemoryError(message)

    with pytest.raises(MemoryError, match="no memory left"):
        propose(pane([(100, 100, 220, 160)]), broken)


def test_what_is_no_rgb_picture_is_refused() -> None:
    with pytest.raises(ShapeError, match="RGB") as caught:
        propose(np.zeros((20, 20), dtype=np.uint8), no_life)
    assert caught.value.advice
