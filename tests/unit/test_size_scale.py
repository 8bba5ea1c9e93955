"""Scales from two points, duckweed, and the one entry that finds one by itself."""

from __future__ import annotations

import numpy as np
import pytest

from pestvision.errors import ScaleError
from pestvision.size.card import card_picture
from pestvision.size.records import (
    CARD_OUTLINE,
    COIN,
    DUCKWEED,
    MARKER_CARD,
    RULER,
    TWO_POINTS,
    NoScale,
    Scale,
)
from pestvision.size.scale import UNASKED, UNKNOWN_TILT_SD, duckweed, find_scale, two_points

CARD = np.repeat(np.pad(card_picture(5.0), 40, constant_values=120)[..., None], 3, axis=2)
EMPTY = np.full((300, 400, 3), 90, np.uint8)


def test_two_points_give_the_millimetres_between_them() -> None:
    scale = two_points((100.0, 200.0), (400.0, 600.0), 50.0)
    assert scale.kind == TWO_POINTS
    assert scale.length_mm(np.array([[0.0, 0.0], [0.0, 100.0]])) == pytest.approx(10.0)
    assert scale.tilt_deg is None
    assert not scale.is_rough


def test_points_nearer_together_are_less_sure() -> None:
    near, far = (two_points((0.0, 0.0), (x, 0.0), 20.0).relative_sd for x in (40.0, 2000.0))
    # 1.5 px a click, two clicks: their hypotenuse over the distance.
    assert np.sqrt(near**2 - far**2) == pytest.approx(1.5 * np.sqrt(2) / 40, rel=0.01)
    assert far >= UNKNOWN_TILT_SD


def test_an_unknown_tilt_is_covered_by_the_range() -> None:
    """The plane leans by 0 to 30 degrees to any side; points and animal lie in any direction in it."""
    rng = np.random.default_rng(7)
    n = 200_000
    lean = np.cos(np.deg2rad(rng.uniform(0, 30, n)))
    seen = [np.hypot(np.cos(a) * lean, np.sin(a)) for a in rng.uniform(0, 2 * np.pi, (2, n))]
    off = np.abs(np.log(seen[0] / seen[1]))
    assert np.quantile(off, 0.95) == pytest.approx(1.96 * UNKNOWN_TILT_SD, rel=0.1)


@pytest.mark.parametrize(
    ("second", "distance", "named"),
    [
        ((10.0, 10.0), 10.0, "pixels apart"),
        ((25.0, 15.0), 10.0, "pixels apart"),
        ((500.0, 10.0), 0.0, "0 mm"),
        ((500.0, 10.0), -5.0, "-5 mm"),
        ((500.0, 10.0), 1e6, "mm"),
        ((500.0, 10.0), float("nan"), "nan"),
        ((float("nan"), 10.0), 10.0, "no place"),
        ((float("inf"), 10.0), 10.0, "no place"),
    ],
)
def test_points_and_distances_that_cannot_be_are_told_in_one_sentence(
    second: tuple[float, float], distance: float, named: str
) -> None:
    with pytest.raises(ScaleError, match=named) as error:
        two_points((10.0, 10.0), second, distance)
    assert str(error.value).count(". ") == 0
    assert error.value.advice


def test_duckweed_tells_an_order_of_magnitude_and_says_so() -> None:
    scale = duckweed((10.0, 10.0), (10.0, 40.0))
    assert scale.kind == DUCKWEED
    assert scale.is_rough
    # The leaf itself reads as 1 to 8 mm: Lemna minor, Flora of North America.
    leaf = scale.length_mm(np.array([[10.0, 10.0], [10.0, 40.0]]))
    assert scale.range_mm(leaf) == pytest.approx((1.0, 8.0))
    assert any("no measurement" in note for note in scale.notes)
    for end in ((10.0, 12.0), (float("nan"), 0.0)):
        with pytest.raises(ScaleError, match="duckweed"):
            duckweed((10.0, 10.0), end)


@pytest.mark.parametrize("want", [None, MARKER_CARD])
def test_the_card_is_found_by_itself(want: str | None) -> None:
    found = find_scale(CARD, want=want, bar_mm=98.0)
    assert isinstance(found, Scale)
    assert found.kind == MARKER_CARD
    assert found.mm_per_px((300.0, 300.0)) == pytest.approx(0.98 / 5, rel=1e-3)


@pytest.mark.parametrize("want", [RULER, CARD_OUTLINE])
def test_what_a_person_names_is_looked_for_and_nothing_else(want: str) -> None:
    found = find_scale(EMPTY, want=want)
    assert isinstance(found, NoScale)
    assert "marker card" not in found.reason
    assert UNASKED == (MARKER_CARD,)


def test_what_is_not_there_is_a_value_with_a_reason() -> None:
    found = find_scale(EMPTY)
    assert isinstance(found, NoScale)
    assert "marker card" in found.reason


@pytest.mark.parametrize(
    ("want", "named"), [(COIN, "which coin"), (TWO_POINTS, "marked"), (DUCKWEED, "marked")]
)
def test_what_needs_a_person_is_never_assumed(want: str, named: str) -> None:
    found = find_scale(CARD, want=want)
    assert isinstance(found, NoScale)
    assert named in found.reason


def test_a_scale_there_is_not_is_told() -> None:
    with pytest.raises(ScaleError, match="thumb"):
        find_scale(CARD, want="thumb")
