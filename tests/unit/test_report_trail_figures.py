"""The length over time of an animal that was followed: what is drawn, and what it says without being seen."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from made_trails import glider, inchworm, reading

from pestvision.motion.trail import GLIDE, STEPS
from pestvision.report.trail_figures import (
    MAX_DOTS,
    MAX_POINTS,
    PLOT_LEFT,
    CurveFigure,
    Held,
    curve_figure,
    held_ends,
    length_curve,
)

HELD = (Held(0.0, 1.2, 0), Held(1.2, 2.4, 1))


def drawn(trail_unseen: tuple[int, ...] = (), mm_per_px: float | None = 0.1) -> CurveFigure:
    figure = curve_figure(inchworm(unseen=trail_unseen), reading(), mm_per_px=mm_per_px, held=HELD)
    assert figure is not None
    return figure


def test_the_curve_says_in_words_what_it_shows() -> None:
    svg = length_curve(inchworm(), reading(), mm_per_px=0.1)
    root = ET.fromstring(svg)  # noqa: S314 - our own
    said = " ".join(root.itertext())
    assert "Length of number 1 over time, in mm" in said
    assert "Between 6.2 and 11.0 mm long over 9.9 seconds, seen on 100 of 100 frames." in said
    assert "3 of these" in said
    assert "one end is held" in said
    assert "the other end is held" in said
    labelled = re.search(r'aria-labelledby="([^"]+)"', svg)
    assert labelled is not None
    for anchor in labelled.group(1).split():
        assert f'id="{anchor}"' in svg


def test_without_a_scale_the_axis_is_in_pixels() -> None:
    figure = drawn(mm_per_px=None)
    assert "in pixels" in figure.title
    assert "mm" not in figure.says
    assert not any("mm" in words for _y, words in figure.grid)


def test_every_frame_is_a_dot_and_the_line_has_a_gap_where_it_was_not_seen() -> None:
    whole, broken = drawn(), drawn((40, 41, 42))
    assert (len(whole.dots), len(whole.lines)) == (100, 1)
    assert (len(broken.dots), len(broken.lines)) == (97, 2)
    assert "seen on 97 of 100 frames" in broken.says


def test_the_axis_begins_at_nothing_so_that_a_steady_length_looks_steady() -> None:
    figure = curve_figure(glider(), reading(GLIDE))
    assert figure is not None
    assert figure.grid[0][1] == "0"
    heights = {round(y) for _x, y, _whole in figure.dots}
    assert max(heights) - min(heights) <= 1
    assert all(0 <= y <= figure.floor for _x, y, _whole in figure.dots)


def test_the_ends_that_were_held_stand_in_a_row_under_the_curve() -> None:
    figure = drawn()
    assert [end for _x, _width, end in figure.strips] == [0, 1]
    assert figure.strips[0][0] == pytest.approx(PLOT_LEFT)
    first_x, first_width, _end = figure.strips[0]
    assert figure.strips[1][0] == pytest.approx(first_x + first_width)
    bare = curve_figure(inchworm(), reading())
    assert bare is not None
    assert not bare.strips
    assert not any(end is not None for _y, end, _words in bare.key)


def test_lengths_at_the_edge_of_the_frame_are_open_dots_and_counted_out() -> None:
    trail = inchworm()
    edge = np.zeros(100, bool)
    edge[10:14] = True
    figure = curve_figure(replace(trail, at_edge=edge), reading(), mm_per_px=0.1)
    assert figure is not None
    assert sum(not is_whole for _x, _y, is_whole in figure.dots) == 4
    assert any("open dots" in words for _y, _end, words in figure.key)
    assert "6.2 and 10.6 mm" not in figure.says  # the other tops are whole
    assert "6.2 and 11.0 mm" in figure.says


def test_a_long_clip_is_a_line_of_as_many_points_as_can_be_told_apart() -> None:
    figure = curve_figure(inchworm(6000), reading())
    assert figure is not None
    assert len(figure.dots) == 0 < MAX_DOTS
    points = figure.lines[0].split()
    assert len(points) <= MAX_POINTS
    heights = [float(point.split(",")[1]) for point in points]
    every = curve_figure(inchworm(100), reading())
    assert every is not None
    assert min(heights) == pytest.approx(min(y for _x, y, _w in every.dots), abs=2)


def test_an_animal_that_was_seen_once_has_one_dot_and_a_sentence() -> None:
    figure = curve_figure(inchworm(3, unseen=(0, 2)), reading(None))
    assert figure is not None
    assert len(figure.dots) == 1
    assert "seen on 1 of 3 frames" in figure.says


def test_one_that_was_never_measured_has_no_curve() -> None:
    assert length_curve(inchworm(3, unseen=(0, 1, 2)), reading(None)) == ""


@pytest.mark.parametrize("gait", [STEPS, GLIDE, None])
@pytest.mark.parametrize("most_mm", [0.004, 0.9, 7.0, 100.0, 4000.0])
def test_the_marks_of_the_axis_hold_every_length(gait: str | None, most_mm: float) -> None:
    figure = curve_figure(glider(), reading(gait), mm_per_px=most_mm / 60)
    assert figure is not None
    assert 3 <= len(figure.grid) <= 6
    assert all(y >= 0 for _x, y, _whole in figure.dots)


def test_the_ends_that_a_stepping_animal_holds_are_told_by_turns() -> None:
    ends = [item.end for item in held_ends(inchworm(), reading())]
    assert len(ends) >= 6
    assert all(one != other for one, other in itertools.pairwise(ends))


def test_no_end_is_told_of_an_animal_that_does_not_step() -> None:
    assert held_ends(glider(), reading(GLIDE)) == ()
    assert held_ends(inchworm(), reading(None)) == ()
