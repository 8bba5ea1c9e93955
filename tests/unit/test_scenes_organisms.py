"""Drawn animals have the sizes and proportions that the literature gives."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.errors import ShapeError
from training.scenes.light import inside
from training.scenes.organisms import KINDS, new_animal
from training.scenes.records import Pose

if TYPE_CHECKING:
    from training.scenes.body import Kind

STRAIGHT = Pose("resting")


def width_over_length(fine: str, seed: int, *, kind: str | None = None) -> float:
    """Width over length of a straight body at rest, measured on its mask."""
    body = new_animal(np.random.default_rng(seed), fine, kind=kind).paint(STRAIGHT, 240.0)
    points = cv2.findNonZero(inside(body.cover).astype(np.uint8))
    _, (a, b), _ = cv2.minAreaRect(points)
    return float(min(a, b) / max(a, b))


def kind_named(fine: str, name: str) -> Kind:
    return next(kind for kind in KINDS[fine] if kind.name == name)


def test_snail_leeches_are_as_broad_as_those_described() -> None:
    # Glossiphonia complanata 30 x 10 mm (British leech key), Helobdella stagnalis 10 x 2-4 mm,
    # Alboglossiphonia heteroclita 10 x 3-4 mm (Zootaxa 5115(1), 2022, 47-62): 0.2 to 0.4.
    ratios = [width_over_length("leech", seed, kind="snail leech") for seed in range(20)]
    assert min(ratios) > 0.16  # the sucker discs add to the length
    assert max(ratios) < 0.42
    assert max(ratios) - min(ratios) > 0.08


def test_flatworms_are_four_to_six_times_as_long_as_broad_or_near_it() -> None:
    # "4-6 times as long as broad": Essex Field Club, The British fresh-water planarians.
    # Girardia tigrina 4-6 x 2 mm (J Species Res 12:341, 2023) is broader, G. dorotocephala
    # 30 x 3.5 mm (American Biology Teacher, table 1) narrower: 0.117 to 0.5.
    ratios = np.array([width_over_length("flatworm", seed) for seed in range(24)])
    assert ratios.min() > 0.1
    assert ratios.max() < 0.5
    assert 1 / 7 < np.median(ratios) < 1 / 3.5


def test_thin_worms_are_thinner_than_any_leech_or_flatworm() -> None:
    worms = [width_over_length("thin-worm", seed) for seed in range(12)]
    others = [width_over_length(fine, seed) for fine in ("leech", "flatworm") for seed in range(12)]
    assert max(worms) < 0.07 < min(others)


def test_one_duckweed_frond_is_longer_than_wide_as_in_the_flora() -> None:
    # 1.3-2 times as long as wide: Flora of North America, Lemna minor. Groups of fronds are rounder.
    ratios = [width_over_length("plant-or-debris", seed, kind="duckweed") for seed in range(40)]
    assert any(1 / 2.05 <= ratio <= 1 / 1.25 for ratio in ratios)


@pytest.mark.parametrize(
    ("fine", "kind", "lengths_mm"),
    [
        # Hatchlings about 1 mm, adults to 30 mm: Zootaxa 5115(1), 2022, p. 52; British leech key.
        ("leech", "snail leech", (1.0, 30.0)),
        # 12-36 mm: Essex Field Club; Girardia 4-6 mm: J Species Res 12:341, 2023.
        ("flatworm", "planarian", (4.0, 36.0)),
        # Nais 2.2-12 mm, Lumbriculus 40-90 mm: Timm, freshwater oligochaete guide.
        ("thin-worm", "thin worm", (2.2, 90.0)),
        # Daphnia 0.2-5 mm, Cyclopidae 1-4 mm: secondary sources.
        ("small-crustacean", "copepod", (1.0, 4.0)),
        # Hydra viridissima column to 2.53 mm (Massaro and Rocha), H. vulgaris to 30 mm.
        ("hydra", "hydra", (2.53, 30.0)),
    ],
)
def test_the_lengths_of_a_kind_hold_those_of_the_literature(
    fine: str, kind: str, lengths_mm: tuple[float, float]
) -> None:
    low, high = kind_named(fine, kind).length_mm
    assert low <= lengths_mm[0]
    assert lengths_mm[1] <= high <= 2 * lengths_mm[1]


def test_a_leech_stretches_two_to_three_fold_and_gets_thinner_as_it_does() -> None:
    animal = new_animal(np.random.default_rng(3), "leech", kind="snail leech")
    long = animal.paint(Pose("stretched", stretch=1.6), 200.0)
    short = animal.paint(Pose("contracted", stretch=0.6), 200.0)

    def sides(cover: np.ndarray) -> tuple[float, float]:
        _, size, _ = cv2.minAreaRect(cv2.findNonZero(inside(cover).astype(np.uint8)))
        return max(size), min(size)

    assert 1.9 < sides(long.cover)[0] / sides(short.cover)[0] < 3.1
    assert sides(long.cover)[1] < 0.6 * sides(short.cover)[1]


def test_an_animal_keeps_its_colour_from_pose_to_pose_and_animals_differ() -> None:
    def colour(seed: int, pose: Pose) -> np.ndarray:
        body = new_animal(np.random.default_rng(seed), "leech", kind="snail leech").paint(pose, 160)
        mask = inside(body.cover)
        return np.asarray((body.rgb[mask] / body.alpha[mask][:, None]).mean(axis=0))

    poses = (Pose("stretched", stretch=1.4), Pose("resting", stretch=0.9))
    table = np.array([[colour(seed, pose) for pose in poses] for seed in range(10)])
    within = np.abs(table[:, 0] - table[:, 1]).mean()
    between = np.abs(table[:, 0] - table[:, 0].mean(axis=0)).mean()
    assert within < 0.4 * between


def test_a_kind_that_does_not_exist_is_named_in_the_error() -> None:
    with pytest.raises(ShapeError, match="dragon"):
        new_animal(np.random.default_rng(0), "leech", kind="dragon")
