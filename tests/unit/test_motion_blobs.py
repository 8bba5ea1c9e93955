from __future__ import annotations

import cv2
import numpy as np
import pytest
from motion_scenes import Body, camera_matrix, exposed, glass_pane, seen_through, with_bodies

from pestvision.arrays import box_iou
from pestvision.errors import ShapeError
from pestvision.motion.align import AlignedPair, align_pair
from pestvision.motion.blobs import MAX_BLOBS, SAME_PX, Blob, find_blobs, is_surest_about

DARK = (45, 30, 22)


def still_pair(first: np.ndarray, second: np.ndarray) -> AlignedPair:
    valid = np.ones(first.shape[:2], bool)
    return AlignedPair(first, second, valid, np.eye(3, dtype=np.float32), 0.0)


def seen(pane: np.ndarray, bodies: list[Body], rng: np.random.Generator) -> np.ndarray:
    return exposed(with_bodies(pane, bodies), 0.0, rng)


def test_an_animal_that_moved_is_one_blob_where_it_left_and_one_where_it_arrived(rng):
    pane = glass_pane(rng)
    before, after = Body(200, 150, 40, 12, 20, DARK), Body(420, 300, 40, 12, 70, DARK)
    blobs = find_blobs(still_pair(seen(pane, [before], rng), seen(pane, [after], rng)))
    assert {blob.seen_on for blob in blobs} == {"first", "second"}
    assert len(blobs) == 2
    for blob in blobs:
        body = before if blob.seen_on == "first" else after
        assert box_iou(blob.box_xyxy_px, body.box()) > 0.4
        assert blob.length_px == pytest.approx(body.length, rel=0.35)
        assert max(blob.contrast_rgb) < -30
        assert blob.z_peak > 6


def test_the_strongest_blob_comes_first(rng):
    pane = glass_pane(rng)
    bodies = [Body(150, 120, 60, 20, 0, DARK), Body(450, 330, 24, 8, 0, (90, 80, 75))]
    blobs = find_blobs(still_pair(seen(pane, bodies, rng), seen(pane, [], rng)))
    assert len(blobs) == 2
    assert box_iou(blobs[0].box_xyxy_px, bodies[0].box()) > 0.4


@pytest.mark.parametrize("length_px", [16, 24, 48, 120])
def test_movers_from_16_pixels_up_are_found(length_px, rng):
    pane = glass_pane(rng)
    body = Body(320, 240, length_px, max(5, length_px / 4), 35, DARK)
    blobs = find_blobs(still_pair(seen(pane, [body], rng), seen(pane, [], rng)))
    assert any(box_iou(blob.box_xyxy_px, body.box()) > 0.3 for blob in blobs)


def test_smaller_things_than_asked_for_are_left_out(rng):
    pane = glass_pane(rng)
    body = Body(320, 240, 24, 7, 35, DARK)
    pair = still_pair(seen(pane, [body], rng), seen(pane, [], rng))
    assert find_blobs(pair, min_length_px=16.0)
    assert not find_blobs(pair, min_length_px=64.0)


def test_nothing_is_found_where_nothing_moved(rng):
    pane = glass_pane(rng)
    still = [Body(200, 150, 40, 12, 20, DARK)]
    assert find_blobs(still_pair(seen(pane, still, rng), seen(pane, still, rng))) == ()


def test_a_change_of_half_the_frame_is_no_animal(rng):
    pane = glass_pane(rng)
    lit = pane.copy()
    lit[:, 240:] = np.clip(lit[:, 240:].astype(int) + 60, 0, 255)
    blobs = find_blobs(still_pair(exposed(pane, 0, rng), exposed(lit, 0, rng)))
    assert all(blob.area_px < 0.25 * pane.shape[0] * pane.shape[1] for blob in blobs)


def test_a_frond_that_sways_is_left_out_and_a_leech_as_large_as_its_tip_is_not(rng):
    pane = glass_pane(rng, (600, 800))
    frond = [Body(300, 420, 300, 34, turn, (40, 110, 40)) for turn in (90.0, 91.5)]
    still, bent = ([item] for item in frond)
    assert find_blobs(still_pair(seen(pane, still, rng), seen(pane, bent, rng))) == ()
    leech = Body(600, 200, 60, 16, 10, DARK)
    blobs = find_blobs(still_pair(seen(pane, [*still, leech], rng), seen(pane, bent, rng)))
    assert [blob.seen_on for blob in blobs] == ["first"]


def mirror_image(pane: np.ndarray, x: float, y: float) -> np.ndarray:
    glow = np.zeros(pane.shape[:2], np.float32)
    cv2.ellipse(glow, ((x, y), (70, 40), 15), 1.0, -1)
    glow = cv2.GaussianBlur(glow, (0, 0), 3)[..., None]
    return np.clip(pane * (1 - glow) + 255 * glow, 0, 255).astype(np.uint8)


def test_a_lamps_mirror_image_that_moved_with_the_camera_is_left_out(rng):
    pane = glass_pane(rng)
    matrix = camera_matrix(pane.shape[:2], shift_xy_px=(9.0, 5.0), turn_deg=0.5)
    first = exposed(mirror_image(pane, 200, 150), 0, rng)
    second = exposed(mirror_image(seen_through(pane, matrix), 300, 260), 0, rng)
    pair = align_pair(first, second)
    assert isinstance(pair, AlignedPair)
    assert find_blobs(pair) == ()


def test_before_a_camera_on_a_stand_a_white_animal_is_not_taken_for_a_mirror_image(rng):
    pane = glass_pane(rng)
    pale = Body(240, 200, 70, 18, 25, (225, 222, 210))
    blobs = find_blobs(still_pair(seen(pane, [pale], rng), seen(pane, [], rng)))
    assert [blob.seen_on for blob in blobs] == ["first"]


def test_a_bubble_is_left_out(rng):
    pane = glass_pane(rng)
    first = exposed(with_bodies(pane, [Body(200, 300, 15, 15, 0, (235, 240, 240))]), 0, rng)
    assert find_blobs(still_pair(first, exposed(pane, 0, rng))) == ()


def test_no_more_than_the_strongest_are_kept(rng):
    pane = glass_pane(rng, (900, 1200))
    bodies = [
        Body(60 + 110 * column, 60 + 110 * row, 40, 12, 30, DARK)
        for row in range(8)
        for column in range(10)
    ]
    blobs = find_blobs(still_pair(seen(pane, bodies, rng), seen(pane, [], rng)))
    assert len(blobs) == MAX_BLOBS


def test_a_blob_without_an_area_is_refused():
    with pytest.raises(ShapeError, match="area"):
        Blob((0, 0, 4, 4), "first", 7.0, 0, 4.0, (0, 0, 0))
    with pytest.raises(ShapeError, match="seen_on"):
        Blob((0, 0, 4, 4), "third", 7.0, 9, 4.0, (0, 0, 0))


def beside(gap: float) -> list[tuple[float, float, float, float]]:
    return [(0.0, 0.0, 20.0, 10.0), (20.0 + gap, 0.0, 40.0 + gap, 10.0)]


@pytest.mark.parametrize("sides", [("first", "first"), ("both", "second"), ("both", "both")])
def test_a_less_sure_part_of_the_same_thing_is_left_out_and_a_thing_apart_is_not(sides):
    assert is_surest_about(beside(SAME_PX), sides, [0.5, 0.9]) == [False, True]
    assert is_surest_about(beside(SAME_PX), sides, [0.9, 0.5]) == [True, False]
    assert is_surest_about(beside(SAME_PX + 1), sides, [0.9, 0.5]) == [True, True]


def test_where_an_animal_left_and_where_it_arrived_are_both_kept_however_near():
    assert is_surest_about(beside(-15), ["first", "second"], [0.9, 0.5]) == [True, True]
    assert is_surest_about(beside(-15), ["second", "first"], [0.9, 0.5]) == [True, True]


def test_what_is_left_out_leaves_nothing_out():
    chain = [(0.0, 0.0, 20.0, 10.0), (24.0, 0.0, 44.0, 10.0), (48.0, 0.0, 68.0, 10.0)]
    assert is_surest_about(chain, ["first"] * 3, [0.9, 0.6, 0.3]) == [True, False, True]
