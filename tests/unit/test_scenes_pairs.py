"""Drawn pairs: the camera strays within its limits, and boxes lie where the animals are."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest

from pestvision.errors import ShapeError
from training.scenes import CALM, TRIPOD, HandHeld, Stir, draw_pair
from training.scenes.pairs import HAND_HELD, MOVER_LENGTH_PX, draw_matrix

if TYPE_CHECKING:
    from training.scenes.records import DrawnPair

SIZE = (360, 480)
STILL_CAMERA = HandHeld(0.0, 0.0, 0.0, 0.0, 0.0)
NOTHING = Stir(stills=0, plants=0, bubbles=0, glares=0)


def pair(seed: int, **how: Any) -> DrawnPair:
    how = {"movers": 2, "length_px": (30.0, 60.0)} | how
    return draw_pair(np.random.default_rng(seed), height_px=SIZE[0], width_px=SIZE[1], **how)


def test_the_same_seed_draws_the_same_pair() -> None:
    one, same = pair(1), pair(1)
    np.testing.assert_array_equal(one.first, same.first)
    np.testing.assert_array_equal(one.second, same.second)
    np.testing.assert_array_equal(one.matrix, same.matrix)


def test_the_default_limits_are_those_that_movers_must_be_found_under() -> None:
    assert (HAND_HELD.shift_of_width, HAND_HELD.turn_deg) == (0.04, 2.0)
    assert (HAND_HELD.scale, HAND_HELD.exposure_ev) == (0.03, 0.7)
    assert MOVER_LENGTH_PX == (16.0, 200.0)


def test_the_camera_strays_within_its_limits_and_uses_them() -> None:
    limits = HandHeld()
    middle = np.array([(SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2])
    shifts, turns, scales = [], [], []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        matrix = draw_matrix(rng, limits, height_px=SIZE[0], width_px=SIZE[1])
        there = matrix[:2, :2] @ middle + matrix[:2, 2]
        shifts.append(np.abs(there - middle).max() / SIZE[1])
        turns.append(abs(np.rad2deg(np.arctan2(matrix[1, 0], matrix[0, 0]))))
        scales.append(abs(np.hypot(matrix[0, 0], matrix[1, 0]) - 1))
    for values, limit in ((shifts, 0.04), (turns, 2.0), (scales, 0.03)):
        assert 0.9 * limit < max(values) <= limit + 1e-9


def test_without_camera_motion_photos_differ_inside_the_movers_boxes_and_little_outside() -> None:
    for seed in range(3):
        drawn = pair(seed, hand_held=STILL_CAMERA, stir=NOTHING, come_or_go=0.0, contrast=(40, 200))
        change = np.abs(drawn.first.astype(int) - drawn.second.astype(int)).mean(axis=2)
        change = cv2.GaussianBlur(change.astype(np.float32), (0, 0), 2.0)
        outside = np.ones(SIZE, bool)
        for mover in drawn.movers:
            for box in (mover.box_first_xyxy_px, mover.box_second_xyxy_px):
                assert box is not None
                x0, y0, x1, y1 = (int(edge) for edge in box)
                # Contact shadows reach a little beyond a box.
                pad = int(0.6 * mover.length_px)
                outside[max(y0 - pad, 0) : y1 + pad, max(x0 - pad, 0) : x1 + pad] = False
        for mover in drawn.movers:
            for box in (mover.box_first_xyxy_px, mover.box_second_xyxy_px):
                x0, y0, x1, y1 = (int(edge) for edge in box)
                assert change[y0:y1, x0:x1].max() > 1.5 * np.quantile(change[outside], 0.99)


def unlike(one: np.ndarray, other: np.ndarray) -> float:
    """One minus the correlation of two pictures away from their edges, fine noise smoothed away."""
    inner = (slice(60, -60), slice(60, -60))
    soft = [cv2.GaussianBlur(x[inner].astype(np.float32), (0, 0), 2).ravel() for x in (one, other)]
    return float(1 - np.corrcoef(soft[0], soft[1])[0, 1])


def test_the_matrix_takes_the_first_photo_onto_the_second() -> None:
    for seed in (2, 3, 4):
        drawn = pair(seed, movers=0, stir=CALM, hand_held=replace(HAND_HELD, exposure_ev=0.0))
        size = (SIZE[1], SIZE[0])
        back = cv2.warpPerspective(drawn.second, drawn.matrix, size, flags=cv2.WARP_INVERSE_MAP)
        assert unlike(back, drawn.first) < 0.25 * unlike(drawn.second, drawn.first)


def test_movers_move_as_their_kind_moves() -> None:
    moved_by: dict[str, list[float]] = {"leech": [], "flatworm": [], "snail": []}
    for seed in range(6):
        drawn = pair(
            seed,
            movers=("leech", "flatworm", "snail"),
            come_or_go=0.0,
            hand_held=STILL_CAMERA,
            stir=NOTHING,
            length_px=(20.0, 30.0),
        )
        for mover in drawn.movers:
            one, two = mover.first, mover.second
            assert one is not None
            assert two is not None
            stretch = two.pose.stretch / one.pose.stretch
            if mover.fine == "leech":
                assert abs(two.pose.stretch - one.pose.stretch) >= 0.08
            else:  # a flatworm keeps its length within 5 %, a snail altogether
                assert stretch == pytest.approx(1.0, abs=0.05)
            centre = [
                np.array([b[0] + b[2], b[1] + b[3]]) / 2 for b in (one.box_xyxy_px, two.box_xyxy_px)
            ]
            moved_by[mover.fine].append(float(np.hypot(*(centre[1] - centre[0]))) / mover.length_px)
    assert np.median(moved_by["leech"]) > 0.9
    assert np.median(moved_by["snail"]) < 1.6
    assert min(moved_by["snail"]) > 0.05


def test_some_movers_come_or_go_when_asked_and_none_otherwise() -> None:
    all_come = [pair(seed, come_or_go=1.0) for seed in range(2)]
    assert all((m.first is None) != (m.second is None) for drawn in all_come for m in drawn.movers)
    none_come = [pair(seed, come_or_go=0.0) for seed in range(2)]
    assert all(m.first and m.second for drawn in none_come for m in drawn.movers)


def test_boxes_bound_masks_and_masks_fill_boxes() -> None:
    for seed in range(3):
        for mover in pair(seed).movers:
            for truth in (mover.first, mover.second):
                if truth is not None:
                    assert truth.mask.any(axis=0)[[0, -1]].all()
                    assert truth.mask.any(axis=1)[[0, -1]].all()


def test_a_tripod_hardly_moves_the_picture() -> None:
    drawn = pair(8, hand_held=TRIPOD)
    middle = np.array([SIZE[1] / 2, SIZE[0] / 2, 1.0])
    assert np.abs(drawn.matrix @ middle - middle).max() < 1.0


def test_a_photograph_can_be_the_place_and_anything_else_is_refused() -> None:
    photo = np.full((300, 400, 3), (200, 40, 40), np.uint8)
    drawn = pair(9, movers=1, ground=photo, stir=NOTHING)
    red = drawn.first[..., 0].astype(int) - drawn.first[..., 1]
    # An infra-red camera sees no colour; this seed has another.
    assert np.median(red) > 40
    with pytest.raises(ShapeError, match="ground"):
        pair(9, ground=photo[..., 0])


def test_a_limit_below_nothing_is_refused() -> None:
    with pytest.raises(ShapeError, match="turn_deg"):
        HandHeld(turn_deg=-1.0)
    with pytest.raises(ShapeError, match="bubbles"):
        Stir(bubbles=-1)
