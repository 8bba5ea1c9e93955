"""Rulers, graph paper and cards: on drawn tables, on bare patterns, and on photographs read by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.errors import ScaleError
from pestvision.photos.read import read_photo
from pestvision.size.card_outline import PRIVACY_WARNING, find_card
from pestvision.size.records import NoScale, Scale
from pestvision.size.ruler import find_ruler
from training.coin_exam import length_error
from training.scenes.handy import through
from training.scenes.handy_flat import INCH, METRIC, draw_card_table, draw_ruler_table

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import U8

SMALL = (750, 1000)


def comb(*, period: float, long_every: tuple[int, ...] = (), turn_deg: float = 0.0) -> U8:
    """A pale strip with dark ticks, those of the folds named longer, on a grey ground."""
    picture = np.full((400, 600), 120.0, np.float32)
    picture[150:260] = 215
    x = np.arange(600) + 0.5
    for number in range(int(560 / period)):
        dark = np.clip(1.2 - np.abs(x - 20 - number * period), 0, 1)
        reach = 40 + 22 * sum(number % every == 0 for every in long_every)
        picture[150 : 150 + reach] -= 150 * dark
    matrix = cv2.getRotationMatrix2D((300, 200), turn_deg, 1.0)
    picture = cv2.warpAffine(picture, matrix, (600, 400), borderMode=cv2.BORDER_REPLICATE)
    picture = picture + np.random.default_rng(2).normal(0, 3, picture.shape)
    return np.clip(np.repeat(picture[..., None], 3, axis=2), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 90.0])
@pytest.mark.parametrize("period", [6.37, 11.2])
def test_a_millimetre_ruler_gives_its_scale_whichever_way_it_lies(
    period: float, turn_deg: float
) -> None:
    scale = find_ruler(comb(period=period, long_every=(5, 10), turn_deg=turn_deg))
    assert isinstance(scale, Scale)
    assert 1 / scale.mm_per_px((300.0, 200.0)) == pytest.approx(period, rel=0.004)
    assert any("taken for 1 mm" in note for note in scale.notes)


@pytest.mark.parametrize(
    "long_every",
    [(), (2,), (2, 4, 8, 16)],  # all ticks alike; every second longer; an inch ruler
    ids=["all alike", "every second", "inch"],
)
def test_ticks_of_an_unknown_unit_give_no_scale_until_a_person_names_them(
    long_every: tuple[int, ...],
) -> None:
    rgb = comb(period=9.0, long_every=long_every)
    scale = find_ruler(rgb)
    assert isinstance(scale, NoScale)
    assert "Say what one tick is" in scale.reason
    named = find_ruler(rgb, tick_mm=5.0)
    assert isinstance(named, Scale)
    assert 5 / named.mm_per_px((300.0, 170.0)) == pytest.approx(9.0, rel=0.004)


def test_a_place_away_from_the_ticks_finds_none() -> None:
    rgb = np.vstack([comb(period=9.0, long_every=(5, 10)), np.full((600, 600, 3), 120, np.uint8)])
    assert isinstance(find_ruler(rgb, near=(300.0, 170.0)), Scale)
    assert isinstance(find_ruler(rgb, near=(300.0, 900.0)), NoScale)


def test_texture_and_an_even_ground_are_no_ruler() -> None:
    noise = np.random.default_rng(4).integers(0, 255, (500, 700, 3)).astype(np.uint8)
    soft = np.asarray(cv2.GaussianBlur(noise, (0, 0), 2.0), np.uint8)
    for rgb in (noise, soft, np.full((300, 400, 3), 100, np.uint8)):
        scale = find_ruler(rgb)
        assert isinstance(scale, NoScale)
        assert "No row of even ticks" in scale.reason


@pytest.mark.parametrize("tick_mm", [0.0, -1.0, 1000.0, float("nan")])
def test_an_impossible_tick_is_refused(tick_mm: float) -> None:
    with pytest.raises(ScaleError, match="space between two ticks"):
        find_ruler(comb(period=9.0), tick_mm=tick_mm)


def test_a_place_outside_the_photo_is_refused() -> None:
    with pytest.raises(ScaleError, match="outside the photo"):
        find_ruler(comb(period=9.0), near=(700.0, 10.0))


def test_rulers_on_drawn_tables_give_no_wrong_scale() -> None:
    # a small part of `python -m training.coin_exam --only rulers`, on other seeds
    found = 0
    for seed in range(5):
        table = draw_ruler_table(np.random.default_rng(83_000 + seed), METRIC, size=SMALL)
        scale = find_ruler(table.rgb)
        if isinstance(scale, Scale):
            found += 1
            middle = through(table.to_mm, scale.outline_xy_px.mean(axis=0)[None])[0]
            assert abs(length_error(scale, table, middle, 20.0)) < 0.06
    assert found >= 3


def test_inch_rulers_are_not_taken_for_millimetres() -> None:
    for seed in range(3):
        table = draw_ruler_table(np.random.default_rng(84_000 + seed), INCH, size=SMALL)
        assert isinstance(find_ruler(table.rgb), NoScale)


def test_cards_on_drawn_tables_are_measured_by_their_edges() -> None:
    found = 0
    for seed in range(8):
        table = draw_card_table(np.random.default_rng(85_000 + seed), size=SMALL)
        scale = find_card(table.rgb)
        if isinstance(scale, Scale):
            found += 1
            assert scale.notes[0] == PRIVACY_WARNING
            middle = through(table.to_mm, scale.outline_xy_px.mean(axis=0)[None])[0]
            assert abs(length_error(scale, table, middle, 40.0)) < 0.03
    assert found >= 5


def test_a_cut_piece_of_paper_of_a_cards_size_is_no_card() -> None:
    for seed in range(3):
        rng = np.random.default_rng(86_000 + seed)
        table = draw_card_table(rng, size=SMALL, corner_mm=0.2, most_tilt_deg=15.0)
        assert isinstance(find_card(table.rgb), NoScale)
        # a person who clicks its corners is believed
        clicked = table.outline_xy_px + rng.normal(0, 2, (4, 2))
        assert isinstance(find_card(table.rgb, corners_xy_px=clicked), Scale)


@pytest.mark.parametrize(
    "corners", [np.zeros((3, 2)), np.array([[0, 0], [10, 0], [20, 0], [30, 0.0]])]
)
def test_corners_that_are_no_corners_are_refused(corners: np.ndarray) -> None:
    with pytest.raises(ScaleError, match="corners"):
        find_card(np.zeros((200, 200, 3), np.uint8), corners_xy_px=corners)


# Read by hand off the photographs, enlarged 4 to 8 times: file, two marks (x, y in pixels), the distance
# between them in millimetres. Each distance was read twice, at other ends of the same marks or on another
# line. Pixels a millimetre that follow: 5.16 to 5.18 for the three rulers (marks 20 and 4 cm; first at the
# ticks' feet, then at their tips); 8.26 and 8.27 along, 8.12 and 8.14 down the first sheet of graph paper;
# 8.45 and 8.47 along, 8.31 down the second (bold centimetre lines).
READ_BY_HAND = [
    ("b32854fb8c", ((39.0, 62.5), (865.3, 57.7)), 160),
    ("b32854fb8c", ((38.0, 30.0), (866.1, 24.0)), 160),
    ("e4f4b48d45", ((37.8, 61.5), (865.2, 56.8)), 160),
    ("e4f4b48d45", ((37.2, 29.6), (865.7, 23.9)), 160),
    ("f2f98ef32f", ((39.2, 62.6), (866.0, 57.3)), 160),
    ("f2f98ef32f", ((38.4, 30.4), (866.4, 24.2)), 160),
    ("8b7808866a", ((1613.4, 504.6), (1861.6, 507.6)), 30),
    ("8b7808866a", ((1613.6, 586.2), (1861.4, 589.2)), 30),
    ("8b7808866a", ((1613.4, 504.6), (1603.8, 1072.8)), 70),
    ("8b7808866a", ((1697.0, 505.0), (1686.5, 1075.0)), 70),
    ("baf15cab99", ((1708.5, 659.5), (1961.9, 652.9)), 30),
    ("baf15cab99", ((1712.2, 740.0), (1966.2, 735.7)), 30),
    ("baf15cab99", ((1700.3, 494.0), (1719.4, 1075.1)), 70),
]


@pytest.mark.parametrize("name", sorted({name for name, _, _ in READ_BY_HAND}))
def test_the_scale_of_a_photographed_ruler_is_that_read_by_hand(
    real_photos: Path, name: str
) -> None:
    scale = find_ruler(read_photo(real_photos / "photos" / f"{name}.jpg").rgb)
    assert isinstance(scale, Scale)
    for read, marks, mm in READ_BY_HAND:
        if read == name:
            assert scale.length_mm(np.array(marks)) == pytest.approx(mm, rel=0.03)


# Grids of 1 cm on the mat beside these trays (39.9, 48.7 and 39.4 pixels a cell, counted by hand: its unit
# shows on the strip of millimetre paper in the second), and a strip of 9 mm on a scale card: too few or too
# far apart to be found.
@pytest.mark.parametrize("name", ["5f98725122", "33b387f451", "9f7695c851", "6b2bf95a61"])
def test_where_no_ruler_can_be_found_by_itself_it_is_said(real_photos: Path, name: str) -> None:
    assert isinstance(find_ruler(read_photo(real_photos / "photos" / f"{name}.jpg").rgb), NoScale)


# No scale in them: mosquito larvae in a dish, a glass bowl, a tray with leaves.
@pytest.mark.parametrize("name", ["9dc9f27eea", "38f57da960", "8a6ec744ce"])
def test_photos_without_a_ruler_give_no_scale(real_photos: Path, name: str) -> None:
    assert isinstance(find_ruler(read_photo(real_photos / "photos" / f"{name}.jpg").rgb), NoScale)
