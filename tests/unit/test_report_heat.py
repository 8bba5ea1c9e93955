"""The heat over a crop: yellow where much is said, a line around half of it, and read without colour."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pestvision.errors import ShapeError
from pestvision.report.pictures import FLAT_HEAT, HEAT_COLOURS, HEAT_STRENGTH, heat_picture

GREY = np.full((224, 224, 3), 120, np.uint8)


def spot(row: int, col: int, strength: float = 3.0) -> np.ndarray:
    heat = np.zeros((14, 14), np.float32)
    heat[row, col] = strength
    return heat


def test_the_hot_place_is_yellow_and_the_rest_is_grey() -> None:
    drawn = heat_picture(GREY, spot(3, 10)).astype(int)
    hot, cold = drawn[3 * 16 + 8, 10 * 16 + 8], drawn[200, 20]
    assert hot[0] > hot[2] + 80  # red and green, little blue
    assert hot[1] > hot[2] + 80
    assert cold.tolist() == [96, 96, 96]
    assert hot.sum() > cold.sum()  # it is brighter too, for whoever sees no colour


def test_a_colour_of_the_animal_cannot_be_taken_for_heat() -> None:
    yellow = np.full((224, 224, 3), (254, 232, 56), np.uint8)
    drawn = heat_picture(yellow, spot(3, 10)).astype(int)
    assert np.ptp(drawn[200, 20]) == 0


def test_the_line_holds_half_of_the_heat() -> None:
    heat = np.zeros((14, 14), np.float32)
    heat[2:5, 2:5], heat[9:12, 9:12] = 4.0, 1.0
    drawn = heat_picture(GREY, heat)
    line = (drawn > 200).all(2)
    assert line[16:96, 16:96].any()  # around the hotter place, which holds four fifths
    assert not line[128:, 128:].any()


def test_a_place_is_where_it_was_measured_whatever_the_size_of_the_crop() -> None:
    heat = np.zeros((14, 14), np.float32)
    heat[10:13, 1:4] = 3.0
    for side in (64, 128, 224, 448):
        drawn = heat_picture(np.full((side, side, 3), 90, np.uint8), heat).astype(int)
        rows, cols = np.nonzero(drawn[..., 0] - drawn[..., 2] > 60)
        assert abs(rows.mean() / side - 11.5 / 14) < 0.05
        assert abs(cols.mean() / side - 2.5 / 14) < 0.05


@pytest.mark.parametrize("strength", [0.0, FLAT_HEAT * 0.9])
def test_without_heat_the_grey_crop_alone_is_shown(strength: float) -> None:
    assert (heat_picture(GREY, spot(3, 3, strength)) == 96).all()


def test_the_animal_stays_to_be_seen_under_the_hottest_place() -> None:
    rgb = GREY.copy()
    rgb[::2] = 200
    drawn = heat_picture(rgb, np.ones((14, 14), np.float32)).astype(int)
    step = abs(drawn[101, 112] - drawn[100, 112]).max()
    assert step >= (1 - HEAT_STRENGTH) * 0.8 * 80 - 2


def test_the_legends_colours_are_those_of_the_picture() -> None:
    ramp = np.linspace(0, 255, len(HEAT_COLOURS)).round().astype(np.uint8)[None]
    scale = cv2.applyColorMap(ramp, cv2.COLORMAP_CIVIDIS)[0, :, ::-1]
    for named, found in zip(HEAT_COLOURS, scale, strict=True):
        rgb = [int(named[at : at + 2], 16) for at in (1, 3, 5)]
        np.testing.assert_allclose(rgb, found, atol=6)


def test_brightness_alone_orders_the_colours() -> None:
    light = [
        float(np.dot([int(c[at : at + 2], 16) for at in (1, 3, 5)], (0.2126, 0.7152, 0.0722)))
        for c in HEAT_COLOURS
    ]
    assert light == sorted(light)


@pytest.mark.parametrize(
    "heat",
    [np.full((14, 14), np.nan), np.full((14, 14), -1.0), np.zeros(14)],
    ids=["nan", "negative", "a line"],
)
def test_what_is_no_heat_is_refused(heat: np.ndarray) -> None:
    with pytest.raises(ShapeError, match="heat"):
        heat_picture(GREY, heat.astype(np.float32))
