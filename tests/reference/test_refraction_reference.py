"""Sizes through glass and water against worked numbers.

Source of every number here unless said otherwise: Snell's law at a flat pane with the standard indices 1.333
(water), 1.52 (glass) and 1.49 (acrylic), worked by hand apart from the program.
"""

from __future__ import annotations

import numpy as np
import pytest

from pestvision.errors import ScaleError
from pestvision.size.measure import measure
from pestvision.size.records import TWO_POINTS, BodyLine, Scale
from pestvision.size.refraction import (
    ACRYLIC_INDEX,
    RULE,
    Path,
    ScaleAt,
    off_axis_departure,
    read_over_true,
    read_over_true_in_air,
    through_glass,
)

# air, glass, water in mm; apparent and true distance; size read over true with the scale on the outer
# and on the inner side; what straight lines would give
WORKED = [
    ((200, 8, 0), 205.26, 208, 0.9744, 1.0, 0.9615),
    ((200, 8, 50), 242.77, 258, 0.8238, 0.8455, 0.7752),
    ((200, 8, 150), 317.79, 358, 0.6293, 0.6459, 0.5587),
    ((300, 10, 200), 456.62, 510, 0.6570, 0.6714, 0.5882),
]


def reading(mm_per_px: float = 0.1) -> Scale:
    return Scale(TWO_POINTS, np.diag([mm_per_px, mm_per_px, 1.0]), 0.02, np.zeros((2, 2)))


def ten_mm(scale: Scale) -> float:
    return scale.length_mm(np.array([[0.0, 0.0], [100.0, 0.0]]))


@pytest.mark.parametrize(("way", "apparent", "true", "outer", "inner", "straight"), WORKED)
def test_worked_distances_and_sizes(
    way: tuple[float, float, float],
    apparent: float,
    true: float,
    outer: float,
    inner: float,
    straight: float,
) -> None:
    path = Path(*way)
    assert path.apparent_mm == pytest.approx(apparent, abs=0.005)
    assert path.true_mm == true
    assert read_over_true(path, ScaleAt.OUTER_GLASS) == pytest.approx(outer, abs=5e-5)
    assert read_over_true(path, ScaleAt.INNER_GLASS) == pytest.approx(inner, abs=5e-5)
    assert read_over_true(path, ScaleAt.ANIMAL_DEPTH) == 1.0
    assert path.camera_mm / path.true_mm == pytest.approx(straight, abs=5e-5)


def test_a_leech_of_10_mm_far_behind_the_pane_reads_6_29_and_is_put_right() -> None:
    read = reading(0.0629)  # 100 px read as 6.29 mm
    assert ten_mm(read) == pytest.approx(6.29)
    right = through_glass(
        read, scale_at=ScaleAt.OUTER_GLASS, animal_depth_mm=150, glass_mm=8, camera_mm=200
    )
    assert ten_mm(right) == pytest.approx(10.0, abs=0.01)
    assert right.too_small_by == (1.0, 1.0)
    assert right.relative_sd > read.relative_sd


def test_what_lies_behind_its_scale_in_air_reads_smaller() -> None:
    # 10 mm behind at 200 mm: 200 / 210, read 4.8 % too small.
    assert read_over_true_in_air(200, 10) == pytest.approx(0.9524, abs=5e-5)


@pytest.mark.parametrize(
    ("angle_deg", "departure"), [(0, 1.0), (10, 0.9975), (20, 0.9896), (30, 0.9753)]
)
def test_off_the_axis_the_rule_departs_by_a_known_share(angle_deg: float, departure: float) -> None:
    assert off_axis_departure(angle_deg, Path(200, 8, 150)) == pytest.approx(departure, abs=5e-5)


def test_a_scale_at_the_animals_depth_stays_as_it_is() -> None:
    same = through_glass(reading(), scale_at=ScaleAt.ANIMAL_DEPTH, animal_depth_mm=150)
    assert ten_mm(same) == 10.0
    assert same.relative_sd == reading().relative_sd
    assert same.too_small_by == (1.0, 1.0)


@pytest.mark.parametrize("scale_at", [ScaleAt.OUTER_GLASS, ScaleAt.INNER_GLASS])
def test_without_distances_lengths_may_only_be_longer_and_the_rule_is_said(
    scale_at: ScaleAt,
) -> None:
    wide = through_glass(reading(), scale_at=scale_at)
    least, most = wide.too_small_by
    assert least == 1.0
    assert most > 1 / (1 - 1 / 3)  # "by a third or more"
    low, high = wide.range_mm(10.0)
    assert high / 10 > 1.5
    assert 10 / low < 1.06
    assert any(RULE in note for note in wide.notes)


@pytest.mark.parametrize("scale_at", [ScaleAt.OUTER_GLASS, ScaleAt.INNER_GLASS])
def test_the_one_sided_range_covers_every_way_in_the_stated_ranges(scale_at: ScaleAt) -> None:
    wide = through_glass(reading(), scale_at=scale_at)
    rng = np.random.default_rng(4)
    for _ in range(300):
        camera, glass, depth = rng.uniform([150, 4, 0], [400, 12, 150])
        read = 8.0 * read_over_true(Path(camera, glass, depth), scale_at)
        pixels = read / 0.1
        low, high = wide.range_mm(wide.length_mm(np.array([[0.0, 0.0], [pixels, 0.0]])))
        assert low <= 8.0 <= high


def test_a_known_depth_corrects_what_is_sure_and_leaves_the_rest_open() -> None:
    part = through_glass(reading(), scale_at=ScaleAt.INNER_GLASS, animal_depth_mm=150)
    none = through_glass(reading(), scale_at=ScaleAt.INNER_GLASS)
    assert ten_mm(part) > 12.0  # even with the camera farthest away
    assert part.too_small_by[1] < none.too_small_by[1]
    assert ten_mm(part) * part.too_small_by[1] == pytest.approx(
        10 * none.too_small_by[1], rel=0.001
    )


def test_an_acrylic_pane_counts_a_little_more() -> None:
    ways = {
        "outer": through_glass(
            reading(),
            scale_at=ScaleAt.OUTER_GLASS,
            animal_depth_mm=0,
            glass_mm=20,
            camera_mm=100,
            is_acrylic=True,
        )
    }
    assert ten_mm(ways["outer"]) == pytest.approx(10 * (100 + 20 / 1.49) / 100)
    assert Path(100, 20, 0, ACRYLIC_INDEX).apparent_mm == pytest.approx(113.42, abs=0.005)


@pytest.mark.parametrize(
    "given",
    [
        {"camera_mm": 0.0},
        {"camera_mm": -20.0},
        {"glass_mm": -1.0},
        {"animal_depth_mm": float("nan")},
        {"animal_depth_mm": 1e5},
    ],
)
def test_a_distance_that_cannot_be_is_told(given: dict[str, float]) -> None:
    with pytest.raises(ScaleError, match="mm, and it can be") as error:
        through_glass(reading(), scale_at=ScaleAt.OUTER_GLASS, **given)
    assert error.value.advice


def test_a_measured_length_is_widened_to_the_side_it_may_be_off_to() -> None:
    body = BodyLine(np.array([[0.0, 0.0], [100.0, 0.0]]), 100.0, 0.03)
    plain, behind = (
        measure(body, scale)
        for scale in (reading(), through_glass(reading(), scale_at=ScaleAt.INNER_GLASS))
    )
    assert behind.mm == pytest.approx(plain.mm)
    assert behind.low_mm == pytest.approx(plain.low_mm, rel=0.01)
    assert behind.high_mm > 1.5 * plain.high_mm
    assert RULE in " ".join(behind.notes)
