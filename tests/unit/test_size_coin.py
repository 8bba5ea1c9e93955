"""Coins: their sizes, what a wrong one would do, and round things found on drawn tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pestvision.errors import ScaleError, ShapeError
from pestvision.size.coin import (
    COINS,
    NOT_ROUND,
    OUT_OF_THE_TANK,
    RoundThing,
    coin_scale,
    find_coins,
    look_alikes,
)
from pestvision.size.records import NoScale, Scale
from pestvision.web import size_words
from training.coin_exam import examine_coins
from training.scenes.handy import DrawnTable

DEVELOPMENT_SEED = 61_000


def a_ring(*, long: float = 100.0, ratio: float = 1.0, angle: float = 0.0) -> RoundThing:
    return RoundThing(
        (400.0, 300.0),
        (long, ratio * long),
        angle,
        support=1.0,
        contrast=1.0,
        axis_sd_px=0.1,
        frame_px=(900, 1200),
    )


def disc(
    *, middle: tuple[float, float], radius: float, size: tuple[int, int] = (360, 480)
) -> np.ndarray:
    y, x = np.mgrid[0 : size[0], 0 : size[1]] + 0.5
    inside = np.clip(radius - np.hypot(x - middle[0], y - middle[1]) + 0.5, 0, 1)[..., None]
    noise = np.random.default_rng(1).normal(0, 2, (*size, 3))
    return np.clip(70 + 110 * inside + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("kind", "diameter"),
    # Euro: Council Regulation (EC) 975/98, now (EU) 729/2014; US: the US Mint's specifications
    [
        ("euro-1-cent", 16.25),
        ("euro-1", 23.25),
        ("euro-2", 25.75),
        ("us-dime", 17.91),
        ("us-quarter", 24.26),
    ],
)
def test_coins_have_their_published_diameters(kind: str, diameter: float) -> None:
    assert COINS[kind].diameter_mm == diameter


@pytest.mark.parametrize("kind", sorted(NOT_ROUND))
def test_a_coin_that_is_not_round_is_refused_with_its_sides(kind: str) -> None:
    assert kind not in COINS
    with pytest.raises(ScaleError, match=r"not round: it has (7|12) sides") as refused:
        coin_scale(a_ring(), kind)
    assert "round coin" in refused.value.advice


def test_an_unknown_coin_is_refused_and_the_known_ones_are_named() -> None:
    with pytest.raises(ScaleError, match="No coin called 'doubloon'") as refused:
        coin_scale(a_ring(), "doubloon")
    assert "euro-1" in refused.value.advice


def test_the_long_axis_is_the_diameter_and_the_slant_is_undone() -> None:
    # cos 25° = .9063: an ellipse of that ratio is a circle leaning by 25°
    scale = coin_scale(a_ring(ratio=0.9063, angle=0.6), "euro-1")
    assert isinstance(scale, Scale)
    assert scale.tilt_deg == pytest.approx(25.0, abs=0.05)
    edge = scale.places_mm(a_ring(ratio=0.9063, angle=0.6).outline_xy_px())
    radii = np.hypot(*(edge - edge.mean(axis=0)).T)
    assert radii == pytest.approx(radii[0], rel=1e-6)
    # 2.33 mm of thickness, 1200 px × 23.25 mm / 200 px = 139.5 mm away: 1.7 % is added
    assert radii[0] == pytest.approx(23.25 / 2 * (1 + 2.33 / 139.5), rel=1e-6)


def test_thickness_over_distance_makes_eight_in_a_thousand_at_twenty_centimetres() -> None:
    # own arithmetic: 1.67 mm / 200 mm = .8 % (5 euro cent; 1200 px × 21.25 / 127.5 px = 200 mm)
    scale = coin_scale(a_ring(long=63.75), "euro-5-cent")
    assert isinstance(scale, Scale)
    mm_per_px = scale.mm_per_px((400.0, 300.0))
    assert mm_per_px / (21.25 / 127.5) - 1 == pytest.approx(0.00835, abs=1e-4)
    assert scale.relative_sd >= 0.004
    assert any("0.8% is added" in note for note in scale.notes)


@pytest.mark.parametrize(("ratio", "is_refused"), [(0.88, False), (0.85, True)])  # cos 30° = .866
def test_a_coin_leaning_beyond_thirty_degrees_gives_no_scale_but_a_reason(
    ratio: float, is_refused: bool
) -> None:
    scale = coin_scale(a_ring(ratio=ratio), "euro-1")
    assert isinstance(scale, NoScale) == is_refused
    if isinstance(scale, NoScale):
        assert "32°" in scale.reason
        assert "square above" in scale.reason


def test_a_ring_of_which_little_is_seen_gives_no_scale() -> None:
    scale = coin_scale(replace(a_ring(), support=0.5), "euro-1")
    assert isinstance(scale, NoScale)
    assert "Too little" in scale.reason


def test_what_a_mistaken_kind_would_do_is_said_with_its_sign() -> None:
    # 19.75 mm taken for 21.25 mm: true lengths are longer, 1 − 19.75/21.25 = 7.1 % too small
    said = look_alikes("euro-10-cent")
    assert "If it is a 5 euro cent instead, lengths are 7.1 % too small." in said
    assert any("2 euro cent instead, lengths are 5.3 % too large" in one for one in said)
    assert not any("US" in one for one in said)


def test_a_plain_disc_is_found_to_a_fraction_of_a_pixel() -> None:
    (ring, *_) = find_coins(disc(middle=(201.3, 170.6), radius=61.4))
    assert ring.centre_xy_px == pytest.approx((201.3, 170.6), abs=0.15)
    assert ring.semi_axes_px == pytest.approx((61.4, 61.4), rel=0.006)
    assert ring.support > 0.95


def test_a_disc_that_the_frame_cuts_is_not_offered() -> None:
    assert find_coins(disc(middle=(40.0, 170.0), radius=60.0)) == ()


def test_a_square_and_an_even_ground_are_no_round_things() -> None:
    rgb = np.full((360, 480, 3), 90, np.uint8)
    assert find_coins(rgb) == ()
    rgb[100:220, 150:270] = 190
    assert find_coins(rgb) == ()


def test_the_same_photo_gives_the_same_offers() -> None:
    rgb = disc(middle=(240.0, 180.0), radius=70.0)
    assert find_coins(rgb) == find_coins(rgb)


def test_a_ring_must_have_its_long_axis_first() -> None:
    with pytest.raises(ShapeError):
        a_ring(ratio=1.2)


def test_coins_on_drawn_tables_are_among_the_first_three_offered() -> None:
    # a small part of `python -m training.coin_exam`, on other seeds
    tally = examine_coins(5, seed=DEVELOPMENT_SEED, size=(750, 1000))
    assert tally.found >= 4
    assert np.median(tally.errors) < 0.02


def test_a_drawn_table_must_have_a_scale() -> None:
    with pytest.raises(ShapeError):
        DrawnTable(np.zeros((4, 4, 3), np.uint8), np.eye(2), np.zeros((1, 2)), (0.0, 0.0), 0.0)


def test_wherever_a_coin_is_offered_or_taken_it_is_said_that_copper_kills_snails() -> None:
    scale = coin_scale(a_ring(), "euro-1-cent")
    assert isinstance(scale, Scale)
    assert OUT_OF_THE_TANK in scale.notes
    assert "copper kills snails" in OUT_OF_THE_TANK
    assert OUT_OF_THE_TANK in size_words.COIN_HINT
