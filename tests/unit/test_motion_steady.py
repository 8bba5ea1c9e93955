"""The camera's motion is taken from the ground, and not from an animal that is all that shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.motion.chase import Look, chase
from pestvision.motion.steady import Steadier

if TYPE_CHECKING:
    from pestvision.arrays import F32, U8, Bool, BoxXyxy


def frames(
    *,
    detail: float,
    place: tuple[float, float],
    half: tuple[int, int] = (20, 9),
    shake_px: float = 6.0,
    swims_px: float = 0.0,
    seed: int = 4,
) -> tuple[list[U8], list[tuple[float, float]]]:
    """A speckled oval on a ground of so much detail, seen by a camera that goes about a circle.

    `half`: its half axes. `swims_px`: how far it goes to the right from frame to frame.
    """
    rng = np.random.default_rng(seed)
    ground = cv2.GaussianBlur(rng.normal(0, 1, (280, 360)).astype(np.float32), (0, 0), 4)
    ground = 120 + detail * ground / ground.std()
    oval = np.zeros(ground.shape, np.uint8)
    cv2.ellipse(oval, (round(place[0]), round(place[1])), half, 20, 0, 360, 1, -1)
    speckles = 60 + 40 * cv2.GaussianBlur(
        rng.normal(0, 3, ground.shape).astype(np.float32), (0, 0), 2
    )
    made, shifts = [], []
    for index in range(12):
        gone = round(swims_px * index)
        there = np.roll(oval, gone, axis=1) > 0
        picture = np.where(there, np.roll(speckles, gone, axis=1), ground)
        shift = (shake_px * np.sin(index), shake_px * np.cos(index))
        matrix = np.array([[1.0, 0.0, shift[0] - 20], [0.0, 1.0, shift[1] - 20]])
        seen = cv2.warpAffine(picture.astype(np.float32), matrix, (320, 240))
        seen = seen[..., None] + rng.normal(0, 2, (240, 320, 3))
        made.append(np.clip(seen, 0, 255).astype(np.uint8))
        shifts.append(shift)
    return made, shifts


def held(made: list[U8]) -> Bool:
    steadier = Steadier()
    return np.array([steadier.place(rgb).is_held for rgb in made])


def test_an_animal_that_is_all_that_shows_does_not_hold_the_camera() -> None:
    made, _ = frames(detail=0.0, place=(180, 140))
    assert held(made)[1:].mean() < 0.3  # by chance a few specks of grain agree at times


@pytest.mark.parametrize(
    ("detail", "on_a_stand"), [(6.0, False), (25.0, False), (25.0, True)], ids=str
)
def test_a_ground_with_detail_holds_it_and_shows_a_stand_that_moved(
    detail: float, on_a_stand: bool
) -> None:
    made, shifts = frames(detail=detail, place=(180, 140))
    assert held(made).all()
    steadier = Steadier(on_a_stand=on_a_stand)
    for rgb, shift in zip(made, shifts, strict=True):
        x, y = steadier.place(rgb).matrix[:2, 2]
        assert (-x, -y) == pytest.approx((shift[0] - shifts[0][0], shift[1] - shifts[0][1]), abs=1)


def knows_dark(cut: U8, _inner: BoxXyxy) -> F32:
    grey = cv2.GaussianBlur(cut.mean(axis=2).astype(np.float32), (0, 0), 3)
    return np.asarray(grey < 0.75 * np.median(grey), np.float32)


@pytest.mark.parametrize(("detail", "is_known"), [(0.0, False), (25.0, True)])
def test_a_trail_says_whether_the_camera_was_known(detail: float, is_known: bool) -> None:
    made, _ = frames(detail=detail, place=(180, 140))
    looks = [Look(index / 10, rgb) for index, rgb in enumerate(made)]
    box = (130.0, 100.0, 190.0, 140.0)
    trails = chase(looks, marks=lambda _: [(0, box)], sure=knows_dark).trails
    assert trails
    assert [trail.is_steadied for trail in trails] == [is_known] * len(trails)


@pytest.mark.parametrize("half", [(20, 9), (50, 32)])
def test_on_a_stand_an_animal_that_is_all_that_shows_is_no_motion_of_the_camera(
    half: tuple[int, int],
) -> None:
    made, _ = frames(detail=0.0, place=(130, 140), half=half, shake_px=0.0, swims_px=3.0)
    steadier = Steadier(on_a_stand=True)
    placed = [steadier.place(rgb) for rgb in made]
    assert all(one.is_held for one in placed)
    away = [np.abs(one.matrix - np.eye(3)).max() for one in placed]
    assert max(away) < 0.5


def test_a_trail_from_a_stand_is_of_known_places() -> None:
    made, _ = frames(detail=0.0, place=(130, 140), shake_px=0.0, swims_px=3.0)
    looks = [Look(index / 10, rgb) for index, rgb in enumerate(made)]
    box = (85.0, 105.0, 135.0, 135.0)
    (trail,) = chase(looks, marks=lambda _: [(0, box)], sure=knows_dark, on_a_stand=True).trails
    assert trail.is_steadied
    middles = trail.midlines_xy_px[trail.seen].mean(axis=1)
    assert middles[-1, 0] - middles[0, 0] == pytest.approx(3.0 * 11, abs=4)
    assert abs(middles[-1, 1] - middles[0, 1]) < 3
