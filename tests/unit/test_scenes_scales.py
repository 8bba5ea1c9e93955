"""Drawn photos of a scale: the truth that is handed back is the truth on the photo."""

from __future__ import annotations

import numpy as np
import pytest

from pestvision.errors import ShapeError
from pestvision.size.card_layout import MARKERS
from pestvision.size.card_markers import read_markers
from pestvision.size.records import MARKER_CARD
from training.scenes.scales import LEAST_ANIMAL_PX, draw_scaled_photo


def drawn(seed: int, **options: object) -> object:
    rng = np.random.default_rng(seed)
    return draw_scaled_photo(rng, scale_kind=MARKER_CARD, size=(900, 1200), **options)  # type: ignore[arg-type]


def test_the_markers_lie_where_the_truth_has_them() -> None:
    for seed in range(3):
        photo = drawn(seed)
        seen = read_markers(photo.rgb)
        assert len(seen) >= 2
        for marker in seen:
            full = np.column_stack([marker.corners_px, np.ones(4)]) @ photo.to_mm.T
            off = full[:, :2] / full[:, 2:] - MARKERS[marker.number].corners_mm()
            # A smear makes all squares larger: their corners stray, their middles do not.
            assert np.abs(off).max() < 2.5 * photo.mm_per_px
            assert np.abs(off.mean(axis=0)).max() < 0.5 * photo.mm_per_px


def test_an_animal_has_its_true_length_in_the_plane() -> None:
    for seed in range(3):
        photo = drawn(seed, animal="leech")
        truth = photo.animal
        assert truth is not None
        assert truth.length_px >= 0.98 * LEAST_ANIMAL_PX
        x0, y0, x1, y1 = truth.box_xyxy_px
        assert truth.mask.any()
        assert 0 <= x0 < x1 <= 1200
        assert 0 <= y0 < y1 <= 900
        rows, columns = np.nonzero(truth.mask)
        full = np.column_stack([columns + x0 + 0.5, rows + y0 + 0.5, np.ones(len(rows))])
        places = full @ photo.to_mm.T
        places = places[:, :2] / places[:, 2:]
        widest = max(
            float(np.ptp(places @ [np.cos(a), np.sin(a)])) for a in np.linspace(0, np.pi, 60)
        )
        # From end to end in a straight line at the most, and less where it is bent or rolled up.
        assert 0.3 * photo.animal_mm < widest < 1.15 * photo.animal_mm


def test_a_card_printed_smaller_makes_true_millimetres_smaller() -> None:
    whole, small = (drawn(5, animal="leech", printed=printed) for printed in (1.0, 0.95))
    np.testing.assert_array_equal(whole.rgb, small.rgb)
    assert small.mm_per_px == pytest.approx(0.95 * whole.mm_per_px)
    assert small.animal_mm == pytest.approx(0.95 * whole.animal_mm)


def test_the_same_seed_gives_the_same_photo_and_what_there_is_not_is_told() -> None:
    np.testing.assert_array_equal(drawn(6, is_covered=True).rgb, drawn(6, is_covered=True).rgb)
    with pytest.raises(ShapeError, match="scale_kind"):
        draw_scaled_photo(np.random.default_rng(0), scale_kind="thumb")
