from dataclasses import replace

import numpy as np
import pytest

from pestvision.errors import ShapeError
from pestvision.motion.trail import GAITS, N_MIDLINE, STEPS, GaitReading, Trail
from pestvision.size.records import RULER, Length, NoScale, Scale


def plain(mm_per_px: float) -> Scale:
    return Scale(RULER, np.diag([mm_per_px, mm_per_px, 1.0]), 0.01, np.zeros((2, 2)))


def test_a_line_is_measured_along_its_bends() -> None:
    line = np.array([[10.0, 10.0], [13.0, 14.0], [13.0, 24.0]])
    assert plain(0.5).length_mm(line) == pytest.approx(0.5 * (5 + 10))


def test_a_leaning_plane_is_measured_in_the_plane() -> None:
    # A plane leaning by 60 degrees about the picture's x axis, seen from far: y is halved.
    leaning = Scale(RULER, np.diag([0.1, 0.2, 1.0]), 0.0, np.zeros((2, 2)))
    assert leaning.length_mm(np.array([[0.0, 0.0], [0.0, 50.0]])) == pytest.approx(10.0)
    assert leaning.mm_per_px((3.0, 3.0)) == pytest.approx(np.sqrt(0.1 * 0.2))


def test_an_enlarged_scale_is_less_sure() -> None:
    larger = plain(0.5).enlarged(1.2, relative_sd=0.1, note="behind the glass")
    assert larger.mm_per_px((0.0, 0.0)) == pytest.approx(0.6)
    assert larger.relative_sd == pytest.approx(np.hypot(0.01, 0.1))
    assert larger.notes == ("behind the glass",)


@pytest.mark.parametrize("bad", [(5.0, 6.0, 7.0), (0.0, 0.0, 1.0), (5.0, 4.0, float("inf"))])
def test_a_length_lies_in_its_range(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ShapeError):
        Length(*bad)


def test_a_trail_keeps_its_times_in_order() -> None:
    lengths, lines = np.ones(2), np.zeros((2, N_MIDLINE, 2))
    with pytest.raises(ShapeError, match="ascending"):
        Trail(
            np.array([1.0, 0.5]), lines, lengths, lengths, np.zeros((2, 4)), 0.1, np.zeros(2, bool)
        )


def test_a_gait_always_gives_its_reason() -> None:
    alike = tuple(1 / len(GAITS) for _ in GAITS)
    with pytest.raises(ShapeError, match="one sentence"):
        GaitReading(STEPS, alike, ())


def test_a_range_is_stretched_to_the_side_that_lengths_may_be_off_to() -> None:
    even = plain(0.5)
    low, high = even.range_mm(10.0, relative_sd=0.02)
    assert np.log(high / 10) == pytest.approx(1.96 * np.hypot(0.01, 0.02))
    assert low * high == pytest.approx(100.0)
    behind = replace(even, too_small_by=(1.0, 1.5))
    assert behind.range_mm(10.0) == pytest.approx(
        (even.range_mm(10.0)[0], 1.5 * even.range_mm(10.0)[1])
    )
    assert behind.enlarged(2.0).too_small_by == (1.0, 1.5)
    for bad in ((1.1, 1.5), (0.0, 1.0), (1.0, 0.9), (1.0, float("inf"))):
        with pytest.raises(ShapeError, match="too_small_by"):
            replace(even, too_small_by=bad)


def test_no_scale_is_falsy_and_never_without_a_reason() -> None:
    assert not NoScale("No card was found.")
    with pytest.raises(ShapeError):
        NoScale(" ")
