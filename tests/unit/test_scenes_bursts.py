"""Drawn bursts keep the periods, lengths and fixed ends that the literature gives each gait."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from pestvision.errors import ShapeError
from training.scenes import draw_burst

if TYPE_CHECKING:
    from training.scenes.records import DrawnBurst

LENGTH_PX = 40.0


def burst(seed: int, fine: str, gait: str, *, n: int = 60, interval_s: float = 0.25) -> DrawnBurst:
    drawn = draw_burst(
        np.random.default_rng(seed),
        fine,
        n=n,
        interval_s=interval_s,
        gait=gait,
        height_px=200,
        width_px=240,
        length_px=LENGTH_PX,
    )
    assert drawn.gait == gait
    return drawn


def lengths(drawn: DrawnBurst) -> np.ndarray:
    return np.array([frame.truth.length_px for frame in drawn.frames])


def ends(drawn: DrawnBurst) -> tuple[np.ndarray, np.ndarray]:
    head = np.array([frame.head_xy_px for frame in drawn.frames])
    tail = np.array([frame.tail_xy_px for frame in drawn.frames])
    return head, tail


def whole_steps(series: np.ndarray) -> np.ndarray:
    """The part from the first to the last upward crossing of the mean."""
    level = series - series.mean()
    rising = np.flatnonzero((level[:-1] < 0) & (level[1:] >= 0))
    return series[rising[0] : rising[-1] + 1]


def period_s(series: np.ndarray, interval_s: float) -> float:
    """Mean time between upward crossings of the mean, each found by interpolation."""
    level = series - series.mean()
    rising = np.flatnonzero((level[:-1] < 0) & (level[1:] >= 0))
    at = rising + level[rising] / (level[rising] - level[rising + 1])
    return float(np.diff(at).mean() * interval_s)


@pytest.mark.parametrize("seed", range(3))
def test_a_leech_steps_every_four_to_six_seconds_and_stretches_two_to_three_fold(seed: int) -> None:
    # 0.16-0.24 Hz: Garcia-Perez et al. 2005, J Neurosci 25:2597-2608, table 1 (medicinal leech).
    drawn = burst(seed, "leech", "loop")
    series = lengths(drawn)
    assert 1 / 0.24 - 0.05 <= period_s(series, 0.25) <= 1 / 0.16 + 0.05
    # Longest over shortest about 2 to 3: from memory.
    assert 1.9 <= series.max() / series.min() <= 3.0
    # Extension and plateau are two thirds of a step: Yulita et al. 2024 (meeting abstract).
    assert np.mean(np.diff(whole_steps(series)) > -1e-6) == pytest.approx(2 / 3, abs=0.08)


@pytest.mark.parametrize(("fine", "gait"), [("leech", "loop"), ("flatworm", "scrunch")])
def test_while_a_stepping_body_lengthens_its_rear_holds_and_while_it_shortens_its_front(
    fine: str, gait: str
) -> None:
    interval_s = 0.25 if gait == "loop" else 0.06
    for seed in range(2):
        drawn = burst(seed, fine, gait, interval_s=interval_s)
        head, tail = ends(drawn)
        change = np.diff(lengths(drawn))
        head_moved = np.hypot(*np.diff(head, axis=0).T)
        tail_moved = np.hypot(*np.diff(tail, axis=0).T)
        # A frame pair that holds a turning point shows both; there are two or three a step.
        assert np.quantile(tail_moved[change > 0.5], 0.75) < 0.05
        assert np.quantile(head_moved[change < -0.5], 0.6) < 0.05
        assert np.median(head_moved[change > 0.5]) > 0.5
        assert np.median(tail_moved[change < -0.5]) > 0.5
        assert np.hypot(*(tail[-1] - tail[0])) > 0.3 * LENGTH_PX


def test_a_scrunching_flatworm_is_faster_and_lengthens_slower_than_it_shortens() -> None:
    # 0.70-0.75 Hz, lengthening at 0.6 Hz and shortening at 0.8 Hz: the published analysis code of
    # a laboratory's study of scrunching in D. japonica.
    for seed in range(2):
        series = lengths(burst(seed, "flatworm", "scrunch", n=100, interval_s=0.06))
        assert 1 / 0.75 - 0.03 <= period_s(series, 0.06) <= 1 / 0.70 + 0.03
        lengthening = np.mean(np.diff(whole_steps(series)) > 0)
        assert lengthening == pytest.approx(0.571, abs=0.04)


def test_a_gliding_flatworm_keeps_its_length_and_both_ends_go_along() -> None:
    for seed in range(3):
        drawn = burst(seed, "flatworm", "glide", n=12, interval_s=1.0)
        series = lengths(drawn)
        assert np.ptp(series) <= 0.1 * series.mean()
        head, tail = ends(drawn)
        steps = [np.hypot(*np.diff(end, axis=0).T) for end in (head, tail)]
        assert min(step.min() for step in steps) > 0.02 * LENGTH_PX
        assert steps[0].max() < 3 * steps[0].min()


def test_a_thin_worm_waves_with_no_end_held() -> None:
    drawn = burst(1, "thin-worm", "wave", n=20, interval_s=0.1)
    assert np.ptp(lengths(drawn)) < 0.01 * LENGTH_PX
    for end in ends(drawn):
        assert np.median(np.hypot(*np.diff(end, axis=0).T)) > 0.2


def test_a_snail_creeps_and_eggs_stay() -> None:
    snail = burst(1, "snail", "creep", n=5, interval_s=3.0)
    assert 0 < np.hypot(*np.subtract(snail.frames[-1].head_xy_px, snail.frames[0].head_xy_px)) < 60
    eggs = burst(1, "snail-eggs", "drift", n=3, interval_s=3.0)
    assert eggs.frames[0].truth.box_xyxy_px == eggs.frames[-1].truth.box_xyxy_px


def test_frames_carry_their_times_and_repeat_with_their_seed() -> None:
    one, same = (burst(2, "leech", "loop", n=4) for _ in range(2))
    assert [frame.time_s for frame in one.frames] == [0.0, 0.25, 0.5, 0.75]
    for a, b in zip(one.frames, same.frames, strict=True):
        np.testing.assert_array_equal(a.rgb, b.rgb)


def test_a_gait_that_a_class_does_not_have_is_refused() -> None:
    with pytest.raises(ShapeError, match="scrunch"):
        burst(0, "leech", "scrunch")
    with pytest.raises(ShapeError, match="interval_s"):
        burst(0, "leech", "loop", interval_s=0.0)
