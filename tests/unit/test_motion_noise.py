from __future__ import annotations

import cv2
import numpy as np
import pytest
from motion_scenes import Body, exposed, glass_pane, with_bodies

from pestvision.errors import ShapeError
from pestvision.motion.align import AlignedPair
from pestvision.motion.noise import (
    ChangeMap,
    _unexplained,
    estimate_noise,
    map_change,
    match_colour,
    work_step,
)


def still_pair(first: np.ndarray, second: np.ndarray) -> AlignedPair:
    valid = np.ones(first.shape[:2], bool)
    return AlignedPair(first, second, valid, np.eye(3, dtype=np.float32), 0.0)


@pytest.mark.parametrize("stops", [-0.7, 0.0, 0.7])
def test_exposure_colour_and_light_fall_off_are_matched(stops, rng):
    first = glass_pane(rng)
    rows = np.linspace(1.0, 0.85, first.shape[0], dtype=np.float32)[:, None, None]
    tinted = first * rows * np.array([1.05, 1.0, 0.93], np.float32) * 2 ** (stops / 2.2)
    second = np.clip(np.rint(tinted), 0, 255).astype(np.uint8)
    usable = np.ones(first.shape[:2], bool)
    one, other = match_colour(first, second, usable)
    apart = np.abs(one.astype(int) - other)
    assert float(np.median(apart)) <= 1
    assert float(np.quantile(apart, 0.99)) <= 6


def test_the_noise_found_is_the_noise_put_in(rng):
    flat = np.full((400, 500, 3), 120.0)
    first, second = (
        np.clip(np.rint(flat + rng.normal(0, 8, flat.shape)), 0, 255).astype(np.uint8)
        for _ in range(2)
    )
    sigma, slope = estimate_noise(first, second, np.ones((400, 500), bool))
    # A 3 × 3 binomial smoothing leaves 3/8 of white noise; a difference has twice the variance.
    assert sigma[120] == pytest.approx(8 * 0.375 * np.sqrt(2), rel=0.1)
    assert slope < 0.5


def test_noise_grows_with_the_light_where_it_does(rng):
    level = np.where(np.arange(600) < 300, 60.0, 190.0)[None, :, None] * np.ones((400, 1, 3))
    spread = np.where(level < 100, 3.0, 10.0)
    first, second = (
        np.clip(np.rint(level + rng.normal(0, 1, level.shape) * spread), 0, 255).astype(np.uint8)
        for _ in range(2)
    )
    sigma, _ = estimate_noise(first, second, np.ones((400, 600), bool))
    assert sigma[190] > 2.0 * sigma[60]


def test_an_edge_misplaced_by_part_of_a_pixel_is_explained_by_its_neighbours(rng):
    first = glass_pane(rng)
    shift = np.float32([[1, 0, 0.6], [0, 1, -0.4]])
    second = cv2.warpAffine(first, shift, first.shape[1::-1], borderMode=cv2.BORDER_REFLECT)
    assert float(np.quantile(map_change(still_pair(first, second)).z, 0.999)) < 4.0


def test_what_left_is_unexplained_and_what_stayed_is_not(rng):
    pane = glass_pane(rng)
    seen = with_bodies(pane, [Body(300, 200, 40, 12, 30, (40, 25, 20))])
    left_over = _unexplained(seen, pane)[0]
    assert left_over[195:205, 295:305].min() > 30
    assert float(np.quantile(left_over[:150], 0.99)) <= 2


def test_the_change_is_measured_in_sigmas(rng):
    pane = glass_pane(rng)
    quiet = map_change(still_pair(exposed(pane, 0, rng), exposed(pane, 0, rng)))
    assert quiet.z.shape == pane.shape[:2]
    assert quiet.z.dtype == np.float32
    assert float(np.quantile(quiet.z, 0.9)) < 2.0
    assert not quiet.z[~quiet.usable].any()


@pytest.mark.parametrize(
    ("size", "least", "step"),
    [
        pytest.param((900, 1200), 16, 1, id="small photos stay as they are"),
        pytest.param((3000, 4000), 16, 2, id="12 megapixels are halved"),
        pytest.param((8700, 11600), 16, 2, id="a 16-pixel animal keeps 8 pixels"),
        pytest.param((8700, 11600), 64, 6, id="larger ones allow more"),
        pytest.param((900, 1200), 4, 1, id="never below one"),
    ],
)
def test_photos_are_reduced_no_further_than_the_smallest_animal_allows(size, least, step):
    assert work_step(size, least) == step


def test_a_pair_with_no_usable_pixel_changes_nowhere():
    photo = np.full((40, 60, 3), 90, np.uint8)
    pair = AlignedPair(photo, photo, np.zeros((40, 60), bool), np.eye(3, dtype=np.float32), 0.0)
    assert not map_change(pair).z.any()


def test_a_change_map_whose_parts_differ_in_size_is_refused():
    photo = np.zeros((4, 5, 3), np.uint8)
    with pytest.raises(ShapeError):
        ChangeMap(np.zeros((4, 4), np.float32), photo, photo, np.ones((4, 4), bool), 1)


@pytest.mark.parametrize("stops", [-1.0, 0.8])
def test_on_a_bare_pane_what_stayed_is_not_matched_away_by_what_came(stops, rng):
    """All tiles are alike, and the only dark pixels of the second photo belong to a snail that came."""
    pane = np.full((480, 640, 3), (112, 116, 122), np.float32)
    fish = pane.copy()
    for x in (120, 260, 420, 540):
        cv2.ellipse(fish, ((x, 120.0), (44.0, 9.0), x), (62, 60, 64), -1, cv2.LINE_AA)
    snail = fish.copy()
    cv2.ellipse(snail, ((330.0, 340.0), (120.0, 90.0), 20), (48, 42, 30), -1, cv2.LINE_AA)
    grain = (rng.normal(0, 3, pane.shape) for _ in range(2))
    first, second = (
        np.clip(photo * gain + noise, 0, 255).astype(np.uint8)
        for photo, gain, noise in zip((fish, snail), (1.0, 2.0**stops), grain, strict=True)
    )
    first, matched = match_colour(first, second, np.ones(pane.shape[:2], bool))
    on_fish = np.zeros(pane.shape[:2], np.uint8)
    for x in (120, 260, 420, 540):
        cv2.ellipse(on_fish, ((x, 120.0), (36.0, 5.0), x), 1, -1)
    inside = on_fish > 0
    apart = first[inside].astype(int).mean(axis=0) - matched[inside].astype(int).mean(axis=0)
    assert np.abs(apart).max() < 6


def test_the_map_in_strips_is_the_map_at_once(
    rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    pane = glass_pane(rng)
    pair = still_pair(exposed(pane, 0, rng), exposed(pane, 0, rng))
    in_strips = map_change(pair).z
    monkeypatch.setattr("pestvision.motion.noise.BAND_ROWS", 10_000)
    np.testing.assert_allclose(in_strips, map_change(pair).z, atol=1e-5)
