from __future__ import annotations

import cv2
import numpy as np
import pytest
from motion_scenes import Body, exposed, glass_pane, with_bodies

from pestvision.arrays import box_iou
from pestvision.motion.align import AlignedPair
from pestvision.motion.noise import ChangeMap, map_change
from pestvision.motion.regions import find_regions
from pestvision.motion.threads import MAX_THREADS, find_threads, thread_response

FAINT = 9.0  # grey levels; the noise below has a standard deviation of 4


def noisy_change(rng: np.random.Generator, extra: np.ndarray | None = None) -> ChangeMap:
    ground = np.full((300, 400, 3), 110.0)
    first = ground + rng.normal(0, 4, ground.shape)
    if extra is not None:
        first += extra[..., None]
    second = ground + rng.normal(0, 4, ground.shape)
    first, second = (np.clip(np.rint(p), 0, 255).astype(np.uint8) for p in (first, second))
    valid = np.ones(ground.shape[:2], bool)
    return map_change(AlignedPair(first, second, valid, np.eye(3, dtype=np.float32), 0.0))


def faint_worm() -> tuple[np.ndarray, tuple[float, float, float, float]]:
    drawn = np.zeros((300, 400), np.float32)
    points = np.array([[120 + 4 * i, 150 + 8 * np.sin(i / 3)] for i in range(20)])
    cv2.polylines(drawn, [np.rint(points).astype(np.int32)], False, FAINT, 2)
    return drawn, (120.0, 141.0, 198.0, 160.0)


def test_a_thread_too_faint_for_the_map_of_change_answers_along_its_length(rng):
    worm, place = faint_worm()
    change = noisy_change(rng, worm)
    regions = find_regions(change, 16.0)
    assert not any(box_iou(region.box, place) > 0.3 for region in regions)
    found = find_threads(thread_response(change), change, regions)
    assert any(box_iou(region.box, place) > 0.3 for region in found)


def test_noise_alone_gives_few_threads(rng):
    change = noisy_change(rng)
    assert len(find_threads(thread_response(change), change, [])) <= 3


def test_what_is_a_region_already_is_no_thread_too(rng):
    bar = np.zeros((300, 400), np.float32)
    cv2.ellipse(bar, ((200, 150), (60, 14), 20), 60.0, -1)
    place = (170.0, 137.0, 230.0, 163.0)
    change = noisy_change(rng, bar)
    regions = find_regions(change, 16.0)
    assert any(box_iou(region.box, place) > 0.3 for region in regions)
    response = thread_response(change)
    assert any(box_iou(region.box, place) > 0.3 for region in find_threads(response, change, []))
    found = find_threads(response, change, regions)
    assert not any(box_iou(region.box, place) > 0.3 for region in found)


@pytest.mark.parametrize(("length_px", "is_kept"), [(20, True), (60, False)])
def test_a_thread_far_longer_than_the_region_it_touches_is_looked_at_as_well(
    length_px, is_kept, rng
):
    worm, place = faint_worm()
    cv2.ellipse(worm, ((159, 150), (length_px, 8), 0), 60.0, -1)
    change = noisy_change(rng, worm)
    regions = find_regions(change, 16.0)
    touching = [region for region in regions if box_iou(region.box, place) > 0]
    assert touching
    found = find_threads(thread_response(change), change, regions)
    assert any(box_iou(region.box, place) > 0.3 for region in found) is is_kept


def test_no_more_threads_than_the_strongest_are_measured(rng):
    many = np.zeros((300, 400), np.float32)
    for row in range(8):
        for column in range(6):
            cv2.line(
                many, (20 + 62 * column, 20 + 36 * row), (60 + 62 * column, 20 + 36 * row), 30.0, 2
            )
    change = noisy_change(rng, many)
    assert len(find_threads(thread_response(change), change, [])) == MAX_THREADS


def test_where_a_photo_has_no_source_nothing_answers(rng):
    worm, _ = faint_worm()
    change = noisy_change(rng, worm)
    blind = ChangeMap(change.z, change.first, change.second, np.zeros_like(change.usable), 1)
    assert float(thread_response(blind).max()) == 0.0


def test_the_halo_of_a_short_thing_is_no_thread(rng):
    pane = glass_pane(rng)
    body = Body(320, 240, 16, 5, 35, (45, 30, 22))
    first, second = exposed(with_bodies(pane, [body]), 0, rng), exposed(pane, 0, rng)
    valid = np.ones(pane.shape[:2], bool)
    change = map_change(AlignedPair(first, second, valid, np.eye(3, dtype=np.float32), 0.0))
    regions = find_regions(change, 16.0)
    response = thread_response(change)
    halo = find_threads(response, change, [])  # without the region it would be one
    assert any(box_iou(thread.box, body.box()) > 0.1 for thread in halo)
    assert any(box_iou(region.box, body.box()) > 0.5 for region in regions)
    assert find_threads(response, change, regions) == []


def test_work_in_strips_answers_as_work_at_once(
    rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    change = noisy_change(rng, faint_worm()[0])
    in_strips = thread_response(change)
    monkeypatch.setattr("pestvision.motion.threads.BAND_ROWS", 10_000)
    np.testing.assert_allclose(in_strips, thread_response(change), atol=1e-5)
