"""The overview of a large photo: it shows the same picture, and crops are cut where they are fine."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pestvision.findings.check import OVERVIEW_PX, _halved, _sight
from pestvision.organisms.crops import cut_crop
from pestvision.organisms.propose import reduced


def grained(
    height: int, width: int, *, grain: float = 7.0
) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    rng = np.random.default_rng(0)
    coarse = rng.integers(40, 200, (9, 12, 3), dtype=np.uint8)
    smooth = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    noise = rng.normal(0, grain, smooth.shape)  # as a phone's sensor has it
    return np.clip(smooth + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("size", [(1800, 2400), (1801, 2403), (2403, 1801)])
def test_halving_first_shows_the_same_picture(size: tuple[int, int]) -> None:
    for grain, most in ((0.0, 0.6), (7.0, 2.5)):  # grain falls on either side of a pixel's edge
        rgb = grained(*size, grain=grain)
        at_once = reduced(rgb, OVERVIEW_PX).astype(np.int16)
        found = _sight(rgb).overview.astype(np.int16)
        assert found.shape == at_once.shape
        assert np.abs(found - at_once).mean() < most
        assert np.abs((found - at_once).mean()) < 0.2  # a half is rounded up: 0.125 for four pixels


def test_a_photo_is_halved_until_under_twice_the_overview() -> None:
    assert _halved(np.zeros((9, 4 * OVERVIEW_PX, 3), np.uint8)).shape == (2, OVERVIEW_PX, 3)
    assert _halved(np.zeros((1, 4 * OVERVIEW_PX, 3), np.uint8)).shape[0] == 1
    untouched = np.zeros((40, 2 * OVERVIEW_PX - 1, 3), np.uint8)
    assert _halved(untouched) is untouched


def test_a_small_photo_is_its_own_overview() -> None:
    rgb = grained(60, OVERVIEW_PX)
    sight = _sight(rgb)
    assert sight.overview is rgb
    assert sight.scale == 1.0


def test_a_small_box_is_cut_from_the_photo_and_a_large_one_shows_the_same() -> None:
    rgb = grained(1800, 2400)
    sight = _sight(rgb)
    small = (700.0, 500.0, 900.0, 650.0)
    np.testing.assert_array_equal(sight.crop(small), cut_crop(rgb, small))
    large = (300.0, 200.0, 2000.0, 1500.0)
    away = np.abs(sight.crop(large).astype(np.int16) - cut_crop(rgb, large))
    assert away.mean() < 1.5
