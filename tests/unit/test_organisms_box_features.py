"""What is measured of a box: sums checked by hand, order and number of boxes, nothing that is not finite."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.organisms.box_features import FEATURES, measure_boxes
from pestvision.organisms.candidates import (
    N_SALIENCE,
    Candidates,
    Salience,
    find_candidates,
    measure_salience,
    steps_of_lightness,
)

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, U8

HEIGHT, WIDTH = 300, 400
BOXES = [(100, 100, 180, 140), (110, 110, 130, 130), (0, 200, 60, 300), (300, 40, 310, 60)]


def candidates_at(boxes: list[tuple[int, int, int, int]]) -> Candidates:
    n = len(boxes)
    edges = np.array(boxes, np.float64).reshape(-1, 4)
    areas = (edges[:, 2] - edges[:, 0]) * (edges[:, 3] - edges[:, 1])
    score = np.arange(n, 0, -1, dtype=np.float64)
    one = np.ones(n)
    return Candidates(edges, score, areas / 2, one * 0.5, one, one * 40, one * 0.3, one * 6, one)


def measured(
    candidates: Candidates, *, life: F32 | None = None, small: U8 | None = None
) -> dict[str, F64]:
    if small is None:
        small = np.full((HEIGHT, WIDTH, 3), 120, np.uint8)
    life = np.zeros((9, 12), np.float32) if life is None else life
    tops = tuple(float(index) for index in range(1, N_SALIENCE + 1))
    maps = tuple(np.full(small.shape[:2], top, np.float32) for top in tops)
    salience = Salience(small, maps, tops, steps_of_lightness(small))
    values = measure_boxes(candidates, salience, lives=[life * 0, life])
    assert values.shape == (len(candidates), len(FEATURES))
    assert np.isfinite(values).all()
    return dict(zip(FEATURES, values.T, strict=True))


def test_the_shape_of_each_box_is_told() -> None:
    found = measured(candidates_at(BOXES))
    np.testing.assert_allclose(np.exp(found["long_side"]) * WIDTH, [80, 20, 100, 20])
    np.testing.assert_allclose(np.exp(found["aspect"]), [2, 1, 100 / 60, 2])
    np.testing.assert_allclose(found["fill"], 0.5)
    assert found["sides_touched"].tolist() == [0, 0, 2, 0]
    assert found["off_middle"].argmax() == 2
    np.testing.assert_allclose(found["rank"], [0, 0.25, 0.5, 0.75])
    np.testing.assert_allclose(found["score_share"], [1, 0.75, 0.5, 0.25])


def test_boxes_within_others_know_each_other() -> None:
    found = measured(candidates_at(BOXES))
    assert found["n_within"].tolist() == [1, 0, 0, 0]
    assert found["n_around"].tolist() == [0, 1, 0, 0]
    # the two boxes with a long side of 20 are alike; 80 and 100 are within e**0.3
    np.testing.assert_allclose(np.exp(found["n_alike"]), 2)


def test_the_life_inside_a_box_and_around_it_are_told_apart() -> None:
    life = np.zeros((HEIGHT, WIDTH), np.float32)
    life[100:140, 100:180] = 0.8
    life[110:130, 110:130] = 1.0
    found = measured(candidates_at(BOXES), life=life)
    inside = (0.8 * (80 * 40 - 400) + 400) / (80 * 40)
    np.testing.assert_allclose(found["life_inside_fine"], [inside, 1, 0, 0], atol=1e-6)
    # the ring about the large box is empty; the small one's, 5 px wide, lies in the large one
    np.testing.assert_allclose(found["life_ring_fine"], [0, 0.8, 0, 0], atol=1e-6)
    np.testing.assert_allclose(found["life_within"], [1 - inside, 0, 0, 0], atol=1e-6)
    np.testing.assert_allclose(found["life_around"], [0, inside - 1, 0, 0], atol=1e-6)
    assert found["life_rank"][[1, 0]].tolist() == [0, 0.25]
    np.testing.assert_allclose(found["life_inside_coarse"], 0)
    np.testing.assert_allclose(found["life_mean"], life.mean(), rtol=1e-5)


def test_the_colour_and_texture_of_a_box_are_set_against_its_ring() -> None:
    small = np.full((HEIGHT, WIDTH, 3), 120, np.uint8)
    small[100:140, 100:180] = (200, 60, 60)
    small[200:300:2, 0:60] = 220
    found = measured(candidates_at(BOXES), small=small)
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(float)
    change = lab[120, 140] - lab[0, 0]
    names = ("lightness_change", "red_change", "yellow_change")
    np.testing.assert_allclose([found[name][0] for name in names], change, atol=1e-3)
    np.testing.assert_allclose([found[name][3] for name in names], 0, atol=1e-3)
    stripes = lab[200:300, 0:60, 0].std()
    np.testing.assert_allclose(found["lightness_spread"][[2, 3]], [stripes, 0], atol=0.05)


def test_the_maps_are_measured_over_their_top() -> None:
    found = measured(candidates_at(BOXES))
    for index in range(N_SALIENCE):
        np.testing.assert_allclose(found[f"inside_{index}"], 1, rtol=1e-5)
        np.testing.assert_allclose(found[f"ring_{index}"], 1, rtol=1e-5)


def test_a_box_without_a_ring_has_its_own_mean_there() -> None:
    life = np.full((3, 4), 0.7, np.float32)
    found = measured(candidates_at([(0, 0, WIDTH, HEIGHT)]), life=life)
    np.testing.assert_allclose(found["life_ring_fine"], 0.7, rtol=1e-5)
    assert found["sides_touched"].tolist() == [4]


def test_no_box_gives_no_rows() -> None:
    assert measured(candidates_at([]))["long_side"].shape == (0,)


def test_the_order_of_boxes_changes_nothing_but_the_order() -> None:
    life = np.random.default_rng(2).random((9, 12)).astype(np.float32)
    given, turned = (
        measured(candidates_at(BOXES), life=life),
        measured(candidates_at(BOXES[::-1]), life=life),
    )
    by_score = {"score", "score_share", "rank"}  # belong to the place in the list
    for name in set(FEATURES) - by_score:
        np.testing.assert_allclose(given[name], turned[name][::-1], atol=1e-9)


@pytest.mark.parametrize("size", [(1, 400), (400, 1), (4, 400), (300, 400)])
def test_every_measure_of_noise_is_finite_at_any_size(size: tuple[int, int]) -> None:
    small = np.random.default_rng(0).integers(0, 256, (*size, 3), dtype=np.uint8)
    salience = measure_salience(small)
    lives = [np.ones((1, 1), np.float32), np.ones((1, 13), np.float32)]
    candidates = find_candidates(salience)
    values = measure_boxes(candidates, salience, lives=lives)
    assert values.shape == (len(candidates), len(FEATURES))
    assert np.isfinite(values).all()
