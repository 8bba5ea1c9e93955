"""Drawn nights: one place a view, animals with tracks, times in order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from pestvision.errors import ShapeError
from training.scenes import TRIPOD, HandHeld, draw_night

if TYPE_CHECKING:
    from training.scenes.records import NightPhoto

SIZE = (150, 200)


def night(seed: int, n: int = 4, hand_held: HandHeld = TRIPOD) -> tuple[NightPhoto, ...]:
    views = {"left": ("leech", "snail"), "right": ("flatworm",)}
    return draw_night(
        np.random.default_rng(seed),
        views,
        n,
        height_px=SIZE[0],
        width_px=SIZE[1],
        hand_held=hand_held,
    )


def test_every_round_goes_past_every_view_and_time_goes_on() -> None:
    photos = night(1)
    assert [photo.view for photo in photos] == ["left", "right"] * 4
    times = [photo.taken for photo in photos]
    assert times == sorted(times)
    assert len(set(times)) == len(times)


def test_the_first_photo_of_a_view_is_where_its_matrices_start() -> None:
    for photo in night(2)[:2]:
        np.testing.assert_allclose(photo.matrix, np.eye(3), atol=1e-9)


def test_any_two_photos_of_a_view_stray_by_no_more_than_the_limits() -> None:
    limits = HandHeld()
    photos = [photo for photo in night(3, n=6, hand_held=limits) if photo.view == "left"]
    middle = np.array([(SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2, 1.0])
    moved = 0.0
    for one in photos:
        for two in photos:
            between = two.matrix @ np.linalg.inv(one.matrix)
            turn = np.rad2deg(np.arctan2(between[1, 0], between[0, 0]))
            assert abs(turn) <= limits.turn_deg + 1e-9
            assert abs(np.hypot(between[0, 0], between[1, 0]) - 1) <= limits.scale * 1.02
            there = np.linalg.inv(one.matrix) @ middle
            shift = np.abs((two.matrix @ there - middle)[:2]).max()
            # About a middle that itself moved, a turn adds a little to the shift.
            assert shift <= 1.1 * limits.shift_of_width * SIZE[1]
            moved = max(moved, float(shift))
    assert moved > 1.0


def test_a_track_is_one_animal_all_night() -> None:
    photos = night(4, n=6)
    for view, tracks in (("left", {0: "leech", 1: "snail"}), ("right", {0: "flatworm"})):
        for photo in photos:
            if photo.view == view:
                for animal in photo.animals:
                    assert tracks[animal.track] == animal.truth.fine
    boxes = [a.truth.box_xyxy_px for photo in photos for a in photo.animals if a.track == 0]
    assert len(set(boxes)) > 2


def test_a_night_without_views_or_photos_is_refused() -> None:
    with pytest.raises(ShapeError, match="views"):
        draw_night(np.random.default_rng(0), {}, 3, height_px=100, width_px=100)
    with pytest.raises(ShapeError, match="views"):
        draw_night(np.random.default_rng(0), {"a": ()}, 0, height_px=100, width_px=100)
