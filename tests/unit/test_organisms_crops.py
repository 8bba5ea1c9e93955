"""The square that the net looks at: where it is cut, and what its sharpness says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.errors import ShapeError
from pestvision.organisms.crops import crop_square, cut_crop, sharpness
from pestvision.organisms.net import INPUT_PX
from pestvision.organisms.weights import find_models, load_card

if TYPE_CHECKING:
    from pestvision.arrays import U8, BoxXyxy


def marked(box: tuple[int, int, int, int], *, height: int = 600, width: int = 800) -> U8:
    rgb = np.full((height, width, 3), (20, 40, 60), dtype=np.uint8)
    x0, y0, x1, y1 = box
    rgb[y0:y1, x0:x1] = (250, 200, 150)
    return rgb


def textured(rng: np.random.Generator, size_px: int = INPUT_PX) -> U8:
    coarse = rng.integers(60, 180, (size_px // 8, size_px // 8, 3), dtype=np.uint8)
    rgb: U8 = cv2.resize(coarse, (size_px, size_px), interpolation=cv2.INTER_CUBIC)
    return rgb


def test_the_square_is_the_long_side_grown_by_fifteen_percent_a_side() -> None:
    assert crop_square((100, 200, 300, 250)) == pytest.approx((70.0, 95.0, 330.0, 355.0))


def test_a_marker_lies_exactly_where_the_growth_puts_it() -> None:
    # box of 200 pixels: square of 260 from (270, 170), so that a marker starts at 30 / 260
    crop = cut_crop(marked((300, 200, 500, 400)), (300, 200, 500, 400), size_px=260)
    rows, cols = np.nonzero(crop[..., 0] > 135)
    assert (rows.min(), rows.max(), cols.min(), cols.max()) == (30, 229, 30, 229)
    assert (crop[:30] == (20, 40, 60)).all()


def test_a_long_box_gives_a_square_with_its_middle_in_the_middle() -> None:
    box = (200, 290, 600, 310)
    crop = cut_crop(marked(box), box)
    rows, cols = np.nonzero(crop[..., 0] > 135)
    assert crop.shape == (INPUT_PX, INPUT_PX, 3)
    assert crop.dtype == np.uint8
    assert abs((rows.min() + rows.max()) / 2 - 111.5) <= 1
    assert abs((cols.min() + cols.max()) / 2 - 111.5) <= 1
    assert (cols.max() - cols.min() + 1) / INPUT_PX == pytest.approx(1 / 1.3, abs=0.01)


@pytest.mark.parametrize(
    "box",
    [
        (0, 0, 800, 600),  # the whole frame: wider than high
        (-50, -80, 60, 40),  # over the top left corner
        (760, 560, 860, 700),  # over the bottom right corner
        (790, 0, 800, 600),  # a strip along one edge
    ],
)
def test_over_the_edge_the_edge_pixels_are_repeated(box: BoxXyxy) -> None:
    rows = np.arange(600)[:, None] * np.ones((1, 800), dtype=int)
    rgb = np.stack([rows * 255 // 599] * 3, axis=2).astype(np.uint8)  # dark above, light below
    crop = cut_crop(rgb, box)
    assert crop.shape == (INPUT_PX, INPUT_PX, 3)
    column = crop[:, 112, 0].astype(int)
    assert (np.diff(column) >= -1).all()  # never another picture, never black
    _, y0, _, y1 = crop_square(box)
    side = y1 - y0
    if y0 < 0:
        n_above = int(-y0 / side * INPUT_PX) - 1
        assert (column[:n_above] == column[0]).all()
    if y1 > 600:
        n_below = int((y1 - 600) / side * INPUT_PX) - 1
        assert n_below <= 0 or (column[-n_below:] == column[-1]).all()


def test_a_box_far_outside_shows_the_nearest_pixel() -> None:
    crop = cut_crop(marked((799, 599, 800, 600)), (2000, 2000, 2100, 2100))
    assert (crop == (250, 200, 150)).all()


def test_a_box_of_one_pixel_is_a_crop_of_that_pixel() -> None:
    crop = cut_crop(marked((400, 300, 401, 301)), (400, 300, 401, 301))
    assert crop.shape == (INPUT_PX, INPUT_PX, 3)
    assert (crop == (250, 200, 150)).all()


def test_a_photo_of_one_pixel_can_be_cut() -> None:
    crop = cut_crop(np.full((1, 1, 3), 77, dtype=np.uint8), (0, 0, 1, 1))
    assert (crop == 77).all()


def test_cutting_leaves_the_photo_as_it_was(rng: np.random.Generator) -> None:
    rgb = rng.integers(0, 256, (300, 400, 3), dtype=np.uint8)
    before = rgb.copy()
    crop = cut_crop(rgb, (-10, 20, 200, 290))
    crop[:] = 0
    np.testing.assert_array_equal(rgb, before)


@pytest.mark.parametrize(
    "box", [(10, 10, 10, 20), (20, 10, 10, 20), (0, 0, float("nan"), 5), (0, 0, float("inf"), 5)]
)
def test_an_empty_or_endless_box_is_refused(box: BoxXyxy) -> None:
    with pytest.raises(ShapeError, match="x0 < x1") as caught:
        cut_crop(marked((1, 1, 2, 2)), box)
    assert caught.value.advice


@pytest.mark.parametrize("shape", [(20, 20), (20, 20, 4), (0, 20, 3)])
def test_what_is_no_rgb_picture_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ShapeError, match="RGB") as caught:
        cut_crop(np.zeros(shape, dtype=np.uint8), (0, 0, 5, 5))
    assert caught.value.advice


def test_sharpness_does_not_change_with_contrast_or_brightness(rng: np.random.Generator) -> None:
    rgb = textured(rng)
    softer = (rgb.astype(np.float32) * 0.5 + 40).astype(np.uint8)
    assert sharpness(softer) == pytest.approx(sharpness(rgb), rel=0.05)


def test_blur_takes_sharpness_away(rng: np.random.Generator) -> None:
    rgb = textured(rng)
    values = [sharpness(cv2.GaussianBlur(rgb, (0, 0), sigma)) for sigma in (1, 2, 4, 8)]
    assert [sharpness(rgb), *values] == sorted([sharpness(rgb), *values], reverse=True)
    assert values[-1] < 0.3 * sharpness(rgb)


def test_a_smooth_ramp_is_under_the_bound_of_the_card_and_a_sharp_crop_is_over_it(
    rng: np.random.Generator,
) -> None:
    bound = load_card(find_models()).rules.min_sharpness
    assert sharpness(textured(rng)) > bound
    ramp = np.linspace(60, 180, INPUT_PX, dtype=np.float32).astype(np.uint8)
    assert 0 < sharpness(np.repeat(np.tile(ramp, (INPUT_PX, 1))[..., None], 3, axis=2)) < bound


def test_a_flat_crop_has_no_sharpness() -> None:
    assert sharpness(np.full((INPUT_PX, INPUT_PX, 3), 90, dtype=np.uint8)) == 0.0
