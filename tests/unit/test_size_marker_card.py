"""The marker card found on photos whose millimetres are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pestvision.errors import ScaleError, ShapeError
from pestvision.size.card import card_picture
from pestvision.size.card_layout import CARD_HEIGHT_MM, CARD_WIDTH_MM, MARKERS
from pestvision.size.marker_card import BAR_SD, UNMEASURED_SD, find_marker_card
from pestvision.size.records import MARKER_CARD, NoScale, Scale
from pestvision.size.tilt import tilt_of

PX_PER_MM = 5


def scanned(*, hidden: tuple[int, ...] = (), px_per_mm: int = PX_PER_MM) -> np.ndarray:
    """The card seen straight from above, on grey, its corner at (60, 40); hidden markers are painted over."""
    card = card_picture(float(px_per_mm))
    for marker in MARKERS:
        if marker.number in hidden:
            x0, y0, side = (
                round(px_per_mm * v) for v in (marker.left_mm, marker.top_mm, marker.side_mm)
            )
            card[y0 : y0 + side, x0 : x0 + side] = 128
    page = np.full((card.shape[0] + 90, card.shape[1] + 130), 110, np.uint8)
    page[40 : 40 + card.shape[0], 60 : 60 + card.shape[1]] = card
    return np.repeat(page[..., None], 3, axis=2)


def seen_leaning(tilt_deg: float, *, focal_px: float = 1000.0) -> tuple[np.ndarray, np.ndarray]:
    """The card leaning about the photo's y axis; the photo, and the matrix from mm to its pixels."""
    turn = np.deg2rad(tilt_deg)
    columns = np.array([[np.cos(turn), 0.0], [0.0, 1.0], [np.sin(turn), 0.0]])
    lens = np.array([[focal_px, 0.0, 600.0], [0.0, focal_px, 450.0], [0.0, 0.0, 1.0]])
    middle = np.array([[1, 0, -CARD_WIDTH_MM / 2], [0, 1, -CARD_HEIGHT_MM / 2], [0, 0, 1]])
    to_px = lens @ np.column_stack([columns, [0.0, 0.0, focal_px / PX_PER_MM]]) @ middle
    fine = 8
    half, back = (np.array([[1, 0, s], [0, 1, s], [0, 0, 1.0]]) for s in (0.5, -0.5))
    matrix = back @ to_px @ np.diag([1 / fine, 1 / fine, 1]) @ half
    photo = cv2.warpPerspective(card_picture(float(fine)), matrix, (1200, 900), borderValue=110)
    return np.repeat(photo[..., None], 3, axis=2), to_px


def test_a_flat_card_gives_its_millimetres_exactly() -> None:
    scale = find_marker_card(scanned(), bar_mm=100.0)
    assert isinstance(scale, Scale)
    assert scale.kind == MARKER_CARD
    assert scale.mm_per_px((400.0, 300.0)) == pytest.approx(1 / PX_PER_MM, rel=2e-4)
    # Positions count from the corner of the first pixel, so the card's corner is at (60, 40) exactly.
    np.testing.assert_allclose(scale.outline_xy_px[0], [60.0, 40.0], atol=0.1)
    np.testing.assert_allclose(scale.places_mm(np.array([[60.0, 40.0]])), [[0.0, 0.0]], atol=0.02)
    assert scale.tilt_deg == pytest.approx(0.0, abs=1.5)
    assert len(scale.notes) == 1


def test_what_the_bar_measures_corrects_the_printers_shrinking() -> None:
    as_is, shrunk = (find_marker_card(scanned(), bar_mm=bar) for bar in (100.0, 95.5))
    assert isinstance(as_is, Scale)
    assert isinstance(shrunk, Scale)
    at = (400.0, 300.0)
    assert shrunk.mm_per_px(at) / as_is.mm_per_px(at) == pytest.approx(0.955)
    assert as_is.relative_sd < 2 * BAR_SD


def test_a_bar_nobody_measured_widens_the_range_and_says_so() -> None:
    scale = find_marker_card(scanned())
    assert isinstance(scale, Scale)
    assert UNMEASURED_SD <= scale.relative_sd < 1.2 * UNMEASURED_SD
    assert any("was not measured" in note for note in scale.notes)


@pytest.mark.parametrize("bar_mm", [0.0, -100.0, 10.0, 1000.0, float("nan"), float("inf")])
def test_a_bar_that_cannot_be_is_told(bar_mm: float) -> None:
    with pytest.raises(ScaleError, match="bar") as error:
        find_marker_card(scanned(), bar_mm=bar_mm)
    assert "ruler" in error.value.advice


@pytest.mark.parametrize("n_left", [1, 2, 3])
def test_a_card_that_is_mostly_covered_is_found_and_less_sure(n_left: int) -> None:
    whole = find_marker_card(scanned(), bar_mm=100.0)
    scale = find_marker_card(scanned(hidden=tuple(range(n_left, 12))), bar_mm=100.0)
    assert isinstance(scale, Scale)
    assert isinstance(whole, Scale)
    assert scale.mm_per_px((130.0, 110.0)) == pytest.approx(1 / PX_PER_MM, rel=0.01)
    assert scale.relative_sd > whole.relative_sd
    assert any("could be read" in note for note in scale.notes) == (n_left < 3)


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 20.0, 29.0])
def test_a_leaning_card_measures_in_its_own_plane(tilt_deg: float) -> None:
    photo, to_px = seen_leaning(tilt_deg)
    scale = find_marker_card(photo, bar_mm=100.0)
    assert isinstance(scale, Scale)
    assert scale.tilt_deg == pytest.approx(tilt_deg, abs=1.0)
    line_mm = np.array([[30.0, 30.0, 1.0], [70.0, 46.0, 1.0], [110.0, 62.0, 1.0]])
    line_px = line_mm @ to_px.T
    assert scale.length_mm(line_px[:, :2] / line_px[:, 2:]) == pytest.approx(
        2 * np.hypot(40.0, 16.0), rel=0.002
    )


def test_a_card_that_leans_too_much_is_refused_with_the_reason() -> None:
    found = find_marker_card(seen_leaning(38.0)[0], bar_mm=100.0)
    assert isinstance(found, NoScale)
    assert not found
    assert "38 degrees" in found.reason
    assert "straight above" in found.reason


def test_no_card_is_a_value_with_what_would_do() -> None:
    grain = np.random.default_rng(3).integers(0, 256, (600, 800, 3), np.uint8)
    for photo in (grain, np.zeros((40, 30, 3), np.uint8), np.full((600, 800, 3), 255, np.uint8)):
        found = find_marker_card(photo)
        assert isinstance(found, NoScale)
        assert "No marker card" in found.reason
    with pytest.raises(ShapeError):
        find_marker_card(np.zeros((40, 30), np.uint8))


def test_squares_that_do_not_lie_as_on_the_card_are_not_believed() -> None:
    photo = scanned(hidden=tuple(range(2, 12)))
    # The second marker is cut out and laid somewhere else, half as large again.
    x0, y0, side = 60 + round(122 * PX_PER_MM), 40 + round(4 * PX_PER_MM), 14 * PX_PER_MM
    patch = photo[y0 - 10 : y0 + side + 10, x0 - 10 : x0 + side + 10].copy()
    photo[y0 - 10 : y0 + side + 10, x0 - 10 : x0 + side + 10] = 255
    size = round(1.5 * patch.shape[0])
    photo[300 : 300 + size, 250 : 250 + size] = cv2.resize(patch, (size, size))
    found = find_marker_card(photo)
    assert isinstance(found, NoScale)
    assert "do not lie as on the card" in found.reason


# Foreshortening cos θ (closed form): 10° .9848, 15° .9659, 20° .9397, 30° .8660.
@pytest.mark.parametrize(
    ("tilt_deg", "shorter"), [(10.0, 0.9848), (15.0, 0.9659), (20.0, 0.9397), (30.0, 0.8660)]
)
def test_the_tilt_of_a_plane_seen_from_afar_is_that_of_its_foreshortening(
    tilt_deg: float, shorter: float
) -> None:
    to_px = np.array([[5.0 * shorter, 0.0, 250.0], [0.0, 5.0, 170.0], [0.0, 0.0, 1.0]])
    places = np.array([[0.0, 0.0], [140.0, 0.0], [140.0, 110.0], [0.0, 110.0]])
    assert tilt_of(to_px, places_mm=places, size=(900, 1200)) == pytest.approx(tilt_deg, abs=1.5)
