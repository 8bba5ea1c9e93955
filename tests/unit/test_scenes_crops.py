"""Drawn crops and close-ups: the truth about them is exact, and no class can be told by its ground."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from pestvision.errors import ShapeError
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE
from training.scenes import crops, draw_close_up, draw_crop, draw_empty
from training.scenes.crops import CROP_FILL, EMPTY_THINGS, fitted
from training.scenes.light import Light, blend, mask_in
from training.scenes.organisms import KINDS, new_animal

NO_SHADOW = Light(azimuth_rad=-2.0, elevation_rad=0.9, ambient=0.6, shine=0.5, shadow=0.0, lift=0.0)


def box_of(mask: np.ndarray) -> tuple[int, int, int, int]:
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def test_every_class_has_a_drawer() -> None:
    assert tuple(KINDS) == FINE_NAMES
    for kinds in KINDS.values():
        assert sum(kind.share for kind in kinds) == pytest.approx(1.0)


@pytest.mark.parametrize("fine", FINE_NAMES)
def test_the_same_seed_draws_the_same_crop_and_another_seed_another(fine: str) -> None:
    one = draw_crop(np.random.default_rng(4), fine)
    same = draw_crop(np.random.default_rng(4), fine)
    other = draw_crop(np.random.default_rng(5), fine)
    np.testing.assert_array_equal(one.rgb, same.rgb)
    np.testing.assert_array_equal(one.mask, same.mask)
    assert one.pose == same.pose
    assert (one.rgb != other.rgb).mean() > 0.5


@pytest.mark.parametrize("fine", FINE_NAMES)
def test_the_box_fills_the_crop_as_promised_and_lies_about_its_middle(fine: str) -> None:
    size = 224
    for seed in range(4):
        crop = draw_crop(np.random.default_rng([seed, 1]), fine, size_px=size)
        x0, y0, x1, y1 = box_of(crop.mask)
        long_side = max(x1 - x0, y1 - y0)
        # Soft edges and hairs thinner than a pixel move a box by a few pixels.
        assert CROP_FILL[0] * size - 6 <= long_side <= CROP_FILL[1] * size + 6
        assert abs((x0 + x1) / 2 - size / 2) < 0.12 * size
        assert abs((y0 + y1) / 2 - size / 2) < 0.12 * size
        assert crop.length_px > 0.4 * long_side
        assert crop.fine == fine


@pytest.mark.parametrize("fine", FINE_NAMES)
def test_the_mask_is_where_the_picture_differs_from_its_ground(fine: str) -> None:
    ground = np.full((200, 200, 3), (0.30, 0.05, 0.55), np.float32)
    for seed in range(3):
        rng = np.random.default_rng([seed, 2])
        animal = new_animal(rng, fine)
        pose = animal.kind.pose(rng)
        placed = fitted(animal.paint(pose, 140.0), pose.heading_deg, 140.0, (100.0, 100.0))
        picture = ground.copy()
        blend(picture, placed, NO_SHADOW)
        # Glare has no edge: what counts there is where it is bright.
        least = 0.2 if fine == "glare" else 0.004
        changed = np.abs(picture - ground).max(axis=2) > least
        mask = mask_in((200, 200), placed)
        assert changed[mask].mean() > (0.9 if fine == "glare" else 0.97)
        near = cv2.dilate(mask.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
        # Outside there are only hairs.
        assert (changed & ~near).sum() / mask.sum() < 0.25


@pytest.mark.parametrize("fine", FINE_NAMES)
def test_every_class_can_be_drawn_on_a_photograph(fine: str) -> None:
    photo = np.zeros((300, 400, 3), np.uint8)
    photo[..., 2] = 200
    blue = 0
    for seed in range(3):
        crop = draw_crop(np.random.default_rng([seed, 3]), fine, ground=photo, size_px=128)
        assert crop.rgb.shape == (128, 128, 3)
        corner = crop.rgb[:8, :8].reshape(-1, 3).astype(int)
        # An infra-red camera sees no blue; every other one does.
        blue += int((corner[:, 2] >= corner[:, 0]).mean() > 0.9)
    assert blue >= 2


def test_ground_light_and_camera_do_not_depend_on_the_class(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(crops, "_LEAST_VISIBLE", -1.0)  # what can hardly be seen is taken again

    def corners(seed: int, fine: str) -> np.ndarray:
        rgb = draw_crop(np.random.default_rng([seed, 4]), fine, size_px=160).rgb
        patches = [rgb[:10, :10], rgb[:10, -10:], rgb[-10:, :10], rgb[-10:, -10:]]
        return np.concatenate([patch.reshape(-1, 3).mean(axis=0) for patch in patches])

    table = np.array([[corners(seed, fine) for fine in FINE_NAMES] for seed in range(6)])
    between_classes = np.abs(table - np.median(table, axis=1, keepdims=True)).mean()
    between_seeds = np.abs(table - np.median(table, axis=0, keepdims=True)).mean()
    # What is left between classes: exposure is metered on the whole picture, shadows and long
    # feelers reach into a corner.
    assert between_classes < 0.25 * between_seeds


def test_only_what_can_hardly_be_seen_is_taken_again_and_can_then_be_seen(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    measure = crops._visible
    seen: list[float] = []

    def spy(*given: Any) -> float:
        seen.append(measure(*given))
        return seen[-1]

    monkeypatch.setattr(crops, "_visible", spy)
    first, last = [], []
    for seed in range(8):
        for fine in FINE_NAMES:
            seen.clear()
            draw_crop(np.random.default_rng([seed, 5]), fine, size_px=96)
            assert len(seen) == 1 or seen[0] < crops._LEAST_VISIBLE
            first.append(seen[0])
            last.append(seen[-1])
    faint = np.array(first) < crops._LEAST_VISIBLE
    assert 0.02 <= faint.mean() <= 0.3
    still = np.array(last)[faint] < crops._LEAST_VISIBLE
    assert still.mean() <= 0.4  # water and camera do not help all: a pale egg on a pale stone


def test_a_size_or_class_that_does_not_exist_is_named_in_the_error() -> None:
    with pytest.raises(ShapeError, match="16"):
        draw_crop(np.random.default_rng(0), "leech", size_px=16)
    with pytest.raises(ShapeError, match="dragon"):
        draw_crop(np.random.default_rng(0), "dragon")


@pytest.mark.parametrize("fines", [("leech",), ("snail", "flatworm", "bubble")])
def test_a_close_up_holds_what_was_asked_for_with_boxes_that_bound_their_masks(
    fines: tuple[str, ...],
) -> None:
    for seed in range(3):
        photo = draw_close_up(np.random.default_rng(seed), fines, height_px=300, width_px=400)
        assert photo.rgb.shape == (300, 400, 3)
        assert tuple(item.fine for item in photo.objects) == fines
        for item in photo.objects:
            x0, y0, x1, y1 = item.box_xyxy_px
            assert 0 <= x0 < x1 <= 400
            assert 0 <= y0 < y1 <= 300
            assert box_of(item.mask) == (0, 0, x1 - x0, y1 - y0)
            assert 0.03 * 300 <= max(x1 - x0, y1 - y0) <= 0.82 * 300


def test_an_empty_crop_repeats_with_its_seed_and_is_not_blank() -> None:
    spread = []
    for seed in range(12):
        one, same = (draw_empty(np.random.default_rng([seed, 9]), 96) for _ in range(2))
        np.testing.assert_array_equal(one, same)
        assert one.shape == (96, 96, 3)
        assert one.dtype == np.uint8
        spread.append(float(one.std()))
    assert np.median(spread) > 8
    assert max(spread) > 30


def test_no_animal_is_drawn_into_an_empty_crop(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def recorded(rng: np.random.Generator, fine: str, **how: object) -> object:
        asked.append(fine)
        return new_animal(rng, fine, **how)

    monkeypatch.setattr(crops, "new_animal", recorded)
    for seed in range(60):
        draw_empty(np.random.default_rng([seed, 10]), 64)
    assert set(asked) == set(EMPTY_THINGS)
    assert {GROUP_OF_FINE[fine] for fine in EMPTY_THINGS} == {"not-an-organism"}


def test_an_empty_crop_can_be_cut_from_a_photograph_and_nonsense_is_refused() -> None:
    photo = np.full((90, 120, 3), (10, 160, 30), np.uint8)
    crop = draw_empty(np.random.default_rng(3), 64, ground=photo)
    assert np.median(crop[..., 1].astype(int) - crop[..., 0]) > 20
    with pytest.raises(ShapeError, match="16"):
        draw_empty(np.random.default_rng(0), 16)
