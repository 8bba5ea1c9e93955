"""Clips to fit the reader of gaits on: which count, and how they are kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from pestvision.motion.gait_features import FEATURES
from pestvision.motion.gait_weights import OUTCOMES
from pestvision.motion.trail import STILL
from training.gait_exam import draw_exam_clip
from training.gait_followed import FollowedCase, followed_case, read, shows_enough, write

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("drawn", "interval_s", "period_s", "enough"),
    [
        ("glide", 3.0, None, True),
        ("loop", 0.1, 5.0, True),
        ("loop", 0.1, 9.0, False),  # 10 s are not a step and a third
        ("wave", 0.1, 0.7, True),
        ("wave", 0.5, 0.7, False),  # half a second hides a wave
    ],
)
def test_what_is_sampled_too_slowly_or_too_short_is_left_out(
    drawn: str, interval_s: float, period_s: float | None, enough: bool
) -> None:
    assert shows_enough(drawn, interval_s, 10.0, period_s) == enough


def test_cases_are_kept_and_read_again(tmp_path: Path) -> None:
    values = tuple(float(k) for k in range(len(FEATURES)))
    path = tmp_path / "runs" / "cases.jsonl"
    write([FollowedCase("still", 7, STILL, values)], path)
    read_values, labels = read([path, path])
    assert read_values.tolist() == [list(values)] * 2
    assert labels.tolist() == [OUTCOMES.index(STILL)] * 2


def test_cases_of_other_features_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "cases.jsonl"
    path.write_text('{"features": ["a"], "values": [1], "outcome": "still"}\n', "utf-8")
    with pytest.raises(SystemExit, match="other features"):
        read([path])
    with pytest.raises(SystemExit, match="No cases"):
        read([])


@pytest.mark.slow
def test_a_drawn_clip_is_followed_and_measured() -> None:
    case = followed_case(("still", 7_206_001, True))
    assert case is not None
    assert (case.outcome, len(case.values)) == (STILL, len(FEATURES))
    assert np.isfinite(case.values).all()


def test_an_animal_that_is_drawn_leaving_the_picture_at_once_is_no_case() -> None:
    assert draw_exam_clip("wave", 7_203_013, is_wide=True).frames == ()
    assert followed_case(("wave", 7_203_013, True)) is None
