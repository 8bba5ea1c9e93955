"""One place or two: drawn glass seen by a hand, by night, with animals in the way."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.arrays import as_u8
from pestvision.errors import ShapeError
from pestvision.photos.places import Look, describe_place, likeness
from pestvision.photos.read import read_reduced
from tests.photo_files import drawn_glass, held_by_hand

if TYPE_CHECKING:
    from pathlib import Path

SEEDS = range(12)


def glass(seed: int) -> np.ndarray:
    return drawn_glass(seed, height=450, width=600)


def test_one_place_held_by_hand_is_one_place() -> None:
    found = [
        likeness(
            describe_place(held_by_hand(glass(seed), 2 * seed)),
            describe_place(held_by_hand(glass(seed), 2 * seed + 1)),
        )
        for seed in SEEDS
    ]
    assert min(found) > 0


def test_different_places_are_different_places() -> None:
    looks = [describe_place(held_by_hand(glass(seed), seed)) for seed in SEEDS]
    found = [likeness(one, two) for one in looks for two in looks if one is not two]
    assert max(found) == 0


def test_likeness_is_near_one_for_the_same_photo_and_does_not_depend_on_exposure() -> None:
    look = describe_place(glass(1))
    assert likeness(look, look) == 1
    darker = (glass(1) * 0.4).astype(np.uint8)
    assert likeness(look, describe_place(darker)) > 0.9


def test_a_place_by_night_is_the_same_place() -> None:
    for seed in SEEDS:
        night = held_by_hand(glass(seed), seed, exposure=(-3.2, -2.8), noise=2.5)
        day = held_by_hand(glass(seed), 100 + seed)
        assert likeness(describe_place(day), describe_place(night)) > 0


def test_animals_and_glare_do_not_make_another_place() -> None:
    rng = np.random.default_rng(0)
    rgb = glass(3)
    crowded = rgb.copy()
    for _ in range(12):
        at = int(rng.integers(0, 600)), int(rng.integers(0, 450))
        colour = [int(value) for value in rng.integers(0, 255, 3)]
        cv2.ellipse(crowded, at, (40, 15), float(rng.uniform(0, 180)), 0, 360, colour, -1)
    assert likeness(describe_place(rgb), describe_place(crowded)) > 0.3


def test_two_tanks_of_one_make_on_one_shelf_are_two_places() -> None:
    """The same rim and the same label at the same place; plants, stones and gravel differ."""
    label = np.random.default_rng(0).integers(0, 255, (10, 14, 3)).astype(np.uint8)
    label = cv2.resize(label, (112, 80), interpolation=cv2.INTER_NEAREST)
    looks = []
    for seed in (1, 2, 3):
        rgb = glass(seed)
        rgb[:30] = 20
        rgb[-30:] = 20
        rgb[:, :20] = 200
        rgb[:, -20:] = 200
        rgb[60:140, 40:152] = label
        looks.append(describe_place(rgb))
    assert likeness(looks[0], looks[1]) == 0
    assert likeness(looks[0], looks[2]) == 0


def test_a_photo_held_upright_is_another_place() -> None:
    rgb = glass(1)
    assert likeness(describe_place(rgb), describe_place(as_u8(np.rot90(rgb).copy()))) == 0


@pytest.mark.parametrize("shape", [(1, 512), (512, 2), (300, 400)])
@pytest.mark.parametrize("value", [0, 255])
def test_bare_and_thin_photos_are_described_and_are_no_place(
    shape: tuple[int, int], value: int
) -> None:
    flat = describe_place(np.full((*shape, 3), value, np.uint8))
    assert len(flat.codes) == 0
    assert likeness(flat, describe_place(drawn_glass(1))) == 0


def test_the_order_of_two_photos_does_not_matter() -> None:
    looks = [describe_place(held_by_hand(glass(seed // 2), seed)) for seed in range(12)]
    for one in looks:
        for two in looks:
            assert (likeness(one, two) > 0) == (likeness(two, one) > 0)


@pytest.mark.slow
def test_real_places_are_told_apart_and_known_again(real_photos: Path) -> None:
    with (real_photos / "photos.csv").open(newline="") as file:
        by_source = {
            row["source"]: row["file"]
            for row in csv.DictReader(file)
            if int(row["height"]) * int(row["width"]) > 200_000
        }
    paths = [real_photos / "photos" / name for name in list(by_source.values())[:40]]
    assert len(paths) > 20
    scenes = [read_reduced(path, 800).rgb for path in paths]
    first = [describe_place(held_by_hand(rgb, 2 * n)) for n, rgb in enumerate(scenes)]
    second = [describe_place(held_by_hand(rgb, 2 * n + 1)) for n, rgb in enumerate(scenes)]
    known = [likeness(one, two) > 0 for one, two in zip(first, second, strict=True)]
    assert np.mean(known) >= 0.9
    mistaken = [likeness(one, two) > 0 for n, one in enumerate(first) for two in second[n + 1 :]]
    assert np.mean(mistaken) <= 0.005  # one source may show one tank under two names


def test_a_look_of_wrong_kinds_is_refused() -> None:
    look = describe_place(drawn_glass(1))
    with pytest.raises(ShapeError):
        Look(look.corners_xy_px, look.codes.astype(np.float32), look.detail, 300, 400)  # type: ignore[arg-type]
