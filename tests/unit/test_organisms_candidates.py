"""Candidates: each thing that stands out has its box, with what is known from finding it."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from torchvision.ops import box_iou as reference_iou

from pestvision.errors import ShapeError
from pestvision.organisms.candidates import (
    SAME_IOU,
    Candidates,
    find_candidates,
    measure_salience,
    overlap,
    spread,
    steps_of_lightness,
)

if TYPE_CHECKING:
    from pestvision.arrays import F64, U8


def pane(*ellipses: tuple[int, int, int, int], blur_px: float = 0.0) -> U8:
    """Draw dark ellipses, given by their boxes, on a grey pane of 300 x 400."""
    noise = np.random.default_rng(0).normal(130, 3, (300, 400, 1))
    rgb = np.repeat(np.clip(noise, 0, 255).astype(np.uint8), 3, axis=2)
    for x0, y0, x1, y1 in ellipses:
        middle, axes = ((x0 + x1) // 2, (y0 + y1) // 2), ((x1 - x0) // 2, (y1 - y0) // 2)
        cv2.ellipse(rgb, middle, axes, 0, 0, 360, (40, 40, 40), -1, cv2.LINE_AA)
    if blur_px:
        rgb = np.asarray(cv2.GaussianBlur(rgb, (0, 0), blur_px), np.uint8)
    return rgb


def candidates_on(rgb: U8) -> Candidates:
    return find_candidates(measure_salience(rgb))


def nearest(candidates: Candidates, box: tuple[int, int, int, int]) -> tuple[int, float]:
    ious = overlap(np.array([box], np.float64), candidates.boxes_xyxy_px)[0]
    return int(ious.argmax()), float(ious.max())


def test_each_thing_has_a_box_that_many_maps_and_levels_agree_on() -> None:
    boxes = [(40, 40, 140, 80), (250, 60, 290, 140), (180, 200, 330, 260)]
    found = candidates_on(pane(*boxes))
    for box in boxes:
        index, iou = nearest(found, box)
        assert iou > 0.75
        assert found.n_same[index] >= 4
        assert found.n_maps[index] >= 2
        # an ellipse fills pi / 4 of its box
        x0, y0, x1, y1 = found.boxes_xyxy_px[index]
        assert found.area_px[index] / ((x1 - x0) * (y1 - y0)) == pytest.approx(np.pi / 4, abs=0.1)


def test_a_sharp_outline_has_a_larger_step_than_a_blurred_one() -> None:
    box = (100, 100, 220, 180)
    sharp, blurred = (candidates_on(pane(box, blur_px=width)) for width in (0.0, 6.0))
    edges = [found.edge[nearest(found, box)[0]] for found in (sharp, blurred)]
    assert edges[0] > 2 * edges[1] > 0


def test_the_step_of_a_ramp_is_its_slope() -> None:
    ramp = np.tile(np.arange(0, 200, 2, dtype=np.uint8), (60, 1))
    lightness = cv2.cvtColor(np.dstack([ramp] * 3), cv2.COLOR_RGB2LAB)[..., 0].astype(float)
    slope = np.diff(lightness, axis=1).mean()
    steps = steps_of_lightness(np.dstack([ramp] * 3))
    assert np.median(steps[10:-10, 10:-10]) == pytest.approx(slope, rel=0.1)


def test_candidates_come_by_score_and_lie_apart() -> None:
    found = candidates_on(pane((40, 40, 140, 80), (250, 60, 290, 140)))
    assert (np.diff(found.score) <= 0).all()
    ious = overlap(found.boxes_xyxy_px, found.boxes_xyxy_px)
    assert (ious[~np.eye(len(found), dtype=bool)] < SAME_IOU).all()
    np.testing.assert_allclose(np.diag(ious), 1.0)


def test_nothing_stands_out_of_a_flat_picture() -> None:
    assert len(candidates_on(np.full((300, 400, 3), 120, np.uint8))) == 0


def random_boxes(seed: int, n: int) -> F64:
    rng = np.random.default_rng(seed)
    corners, sides = rng.integers(0, 60, (n, 2)), rng.integers(1, 40, (n, 2))
    return np.hstack([corners, corners + sides]).astype(np.float64)


def test_overlaps_equal_those_of_the_reference_library_torchvision() -> None:
    import torch

    some, others = random_boxes(1, 40), random_boxes(2, 70)
    wanted = reference_iou(torch.from_numpy(some), torch.from_numpy(others)).numpy()
    np.testing.assert_allclose(overlap(some, others), wanted, rtol=0, atol=1e-12)


@pytest.mark.parametrize(("iou", "most"), [(0.3, 1000), (0.5, 40), (0.7, 3), (0.5, 0)])
def test_boxes_are_spread_as_one_by_one_comparison_keeps_them(iou: float, most: int) -> None:
    boxes = random_boxes(5, 300)
    wanted: list[int] = []
    for index in range(300):
        is_new = all(overlap(boxes[[index]], boxes[[other]])[0, 0] < iou for other in wanted)
        if len(wanted) < most and is_new:
            wanted.append(index)
    kept, overlaps = spread(boxes, iou=iou, most=most)
    assert kept == wanted
    assert overlaps.shape == (len(wanted), 300)
    np.testing.assert_array_equal(overlaps, overlap(boxes[kept], boxes))


def test_no_boxes_are_spread_to_none() -> None:
    kept, overlaps = spread(np.zeros((0, 4)), iou=0.5, most=3)
    assert kept == []
    assert overlaps.shape == (0, 0)


def test_candidates_of_unlike_lengths_are_refused() -> None:
    found = candidates_on(pane((40, 40, 140, 80)))
    with pytest.raises(ShapeError, match="candidates"):
        dataclasses.replace(found, edge=found.edge[:-1])


def test_maps_of_another_size_than_the_picture_are_refused() -> None:
    salience = measure_salience(pane())
    with pytest.raises(ShapeError, match="salience"):
        dataclasses.replace(salience, steps=salience.steps[1:])
