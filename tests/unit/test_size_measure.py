"""A length in millimetres with its range, in words, and the ages that it allows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pestvision.size.measure import life_stages, measure, size_of
from pestvision.size.outline import NoOutline
from pestvision.size.records import TWO_POINTS, BodyLine, Length, Scale

LINE = BodyLine(
    np.column_stack([np.linspace(10, 110, 11), np.full(11, 20.0)]), 100.0, 0.04, ("A doubt.",)
)
SCALE = Scale(TWO_POINTS, np.diag([0.1, 0.1, 1.0]), 0.03, np.zeros((2, 2)), notes=("A note.",))


def test_a_length_goes_through_the_scale_and_its_range_through_both_doubts():
    found = measure(LINE, SCALE)
    assert found.mm == pytest.approx(10.0)
    # 1.96 standard deviations of a normal distribution hold 95 in 100; .05 is the hypotenuse of .03, .04.
    assert np.log(found.high_mm / found.mm) == pytest.approx(1.96 * 0.05, rel=0.02)
    assert np.log(found.mm / found.low_mm) >= 1.96 * 0.05 * 0.98
    assert found.notes == ("A doubt.", "A note.")


def test_the_length_taken_before_points_were_chosen_counts():
    longer = replace(LINE, length_px=105.0)
    assert measure(longer, SCALE).mm == pytest.approx(10.5)


def test_a_leaning_plane_is_measured_in_its_own_millimetres():
    tilted = np.diag([0.1, 0.1, 1.0]) @ np.array([[1, 0, 0], [0, 1, 0], [0.002, 0, 1.0]])
    there = measure(LINE, replace(SCALE, to_mm=tilted)).mm
    ends = [10 * 0.1 / 1.02, 110 * 0.1 / 1.22]
    assert there == pytest.approx(ends[1] - ends[0], rel=0.02)


def test_no_outline_is_told_with_its_reason():
    size = size_of(NoOutline("It is blurred."), SCALE, group="leech-like")
    assert size.length is None
    assert size.words == ("Its length is not known. It is blurred.",)


def test_a_rough_scale_gives_words_and_never_a_number():
    size = size_of(LINE, replace(SCALE, is_rough=True), group="leech-like")
    assert size.length is None
    assert "Of the order of 10 mm" in size.words[0]


@pytest.mark.parametrize(
    ("range_mm", "group", "told"),
    [
        ((0.8, 1.0, 1.2), "leech-like", "hatchling"),
        ((3.0, 4.0, 5.0), "leech-like", "juvenile"),
        ((12.0, 14.0, 16.0), "leech-like", "adult"),
        ((8.0, 11.0, 14.0), "leech-like", "juvenile or adult"),
        ((35.0, 40.0, 45.0), "leech-like", "larger kind"),
        ((5.0, 6.0, 7.0), "flatworm-like", "adult"),
    ],
)
def test_ages_are_those_whose_sizes_the_range_reaches(range_mm, group, told):
    low, mm, high = range_mm
    (words,) = life_stages(Length(mm, low, high), group)
    assert told in words


def test_a_group_without_sizes_in_the_sources_has_no_ages():
    assert life_stages(Length(5.0, 4.0, 6.0), "harmless") == ()
