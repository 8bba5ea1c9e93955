"""The exam for lengths: that its truth is the plane's, and that its table tells what came out."""

from __future__ import annotations

import numpy as np
import pytest

from pestvision.size.records import Length
from training import size_exam as exam

QUICK_SEED = 6_100_000  # neither tuned on nor published


def test_a_drawn_case_is_the_same_again_and_lies_on_its_picture() -> None:
    case, again = exam.drawn(QUICK_SEED), exam.drawn(QUICK_SEED)
    assert (case.rgb == again.rgb).all()
    assert case.true_mm == again.true_mm
    x0, y0, x1, y1 = case.box_xyxy_px
    assert 0 <= x0 < x1 <= case.rgb.shape[1]
    assert 0 <= y0 < y1 <= case.rgb.shape[0]
    assert case.length_px >= exam.LEAST_PX


def test_the_scale_takes_the_true_length_to_millimetres_but_for_its_own_error() -> None:
    case = exam.drawn(QUICK_SEED + 1)
    x0, y0, x1, y1 = case.box_xyxy_px
    rough = case.length_px * case.scale.mm_per_px(((x0 + x1) / 2, (y0 + y1) / 2))
    # A lean of 30 degrees makes a length along it 13 % shorter than across it.
    assert rough == pytest.approx(case.true_mm, rel=0.2)


def test_few_animals_are_measured_about_right() -> None:
    marks = [exam.marked(exam.drawn(QUICK_SEED + index)) for index in range(6)]
    told = [mark for mark in marks if mark.length is not None]
    assert len(told) >= 3
    assert np.median([mark.error for mark in told]) < 0.08
    assert sum(mark.is_held for mark in told) >= len(told) - 1
    assert all(mark.reason for mark in marks if mark.length is None)


def test_the_table_counts_errors_ranges_and_what_was_not_measured() -> None:
    held = exam.Mark("leech", 10.0, 60.0, Length(10.4, 9.5, 11.4))
    off = exam.Mark("leech", 10.0, 60.0, Length(13.0, 12.0, 14.0))
    none = exam.Mark("leech", 10.0, 60.0, None, "It is blurred.")
    row = exam.row_of("leech", [held, off, none, none])
    assert "| leech | 4 |" in row
    assert "| 50.0% |" in row  # held, and not measured
    assert row.count("50.0%") == 2


def test_what_boxes_share_is_over_what_they_cover() -> None:
    assert exam.shared((0, 0, 2, 2), (1, 0, 3, 2)) == pytest.approx(1 / 3)
    assert exam.shared((0, 0, 1, 1), (5, 5, 6, 6)) == 0
