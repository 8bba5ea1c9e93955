"""Whatever is asked for, what is drawn keeps its promises."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pestvision.organisms.classes import FINE_NAMES
from training.scenes import HandHeld, draw_close_up, draw_crop
from training.scenes.pairs import draw_matrix

SEEDS = st.integers(0, 2**32 - 1)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, fine=st.sampled_from(FINE_NAMES), size_px=st.integers(32, 160))
def test_any_crop_has_a_picture_and_a_mask_about_its_middle(
    seed: int, fine: str, size_px: int
) -> None:
    crop = draw_crop(np.random.default_rng(seed), fine, size_px=size_px)
    assert crop.rgb.shape == (size_px, size_px, 3)
    assert crop.rgb.dtype == np.uint8
    rows, columns = np.nonzero(crop.mask)
    assert len(rows) > 0
    assert abs((rows.min() + rows.max()) / 2 - size_px / 2) < 0.15 * size_px + 2
    assert abs((columns.min() + columns.max()) / 2 - size_px / 2) < 0.15 * size_px + 2
    assert np.isfinite(crop.length_px)
    assert crop.length_px > 0


@settings(max_examples=60, deadline=None)
@given(
    seed=SEEDS,
    shift=st.floats(0, 0.1),
    turn=st.floats(0, 10),
    scale=st.floats(0, 0.1),
    height_px=st.integers(50, 4000),
    width_px=st.integers(50, 4000),
)
def test_any_drawn_camera_motion_stays_within_its_limits_and_can_be_undone(
    seed: int, shift: float, turn: float, scale: float, height_px: int, width_px: int
) -> None:
    limits = HandHeld(shift_of_width=shift, turn_deg=turn, scale=scale)
    rng = np.random.default_rng(seed)
    matrix = draw_matrix(rng, limits, height_px=height_px, width_px=width_px)
    middle = np.array([(width_px - 1) / 2, (height_px - 1) / 2, 1.0])
    assert np.abs((matrix @ middle - middle)[:2]).max() <= shift * width_px + 1e-6
    assert abs(np.rad2deg(np.arctan2(matrix[1, 0], matrix[0, 0]))) <= turn + 1e-6
    assert abs(np.hypot(matrix[0, 0], matrix[1, 0]) - 1) <= scale + 1e-9
    np.testing.assert_allclose(np.linalg.inv(matrix) @ matrix @ middle, middle, atol=1e-6)


@settings(max_examples=15, deadline=None)
@given(seed=SEEDS, fines=st.lists(st.sampled_from(FINE_NAMES), min_size=0, max_size=4))
def test_any_close_up_lists_boxes_inside_it_that_bound_their_masks(
    seed: int, fines: list[str]
) -> None:
    photo = draw_close_up(np.random.default_rng(seed), tuple(fines), height_px=160, width_px=210)
    assert len(photo.objects) == len(fines)
    for item in photo.objects:
        x0, y0, x1, y1 = item.box_xyxy_px
        assert 0 <= x0 < x1 <= 210
        assert 0 <= y0 < y1 <= 160
        assert item.mask.any(axis=0)[[0, -1]].all()
        assert item.mask.any(axis=1)[[0, -1]].all()
