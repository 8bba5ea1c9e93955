"""A small sitting of the exam of gaits, on seeds that neither the fit nor the large exam uses."""

from __future__ import annotations

import numpy as np
import pytest

from pestvision.motion.gait_weights import OUTCOMES
from pestvision.motion.trail import GLIDE, STEPS, STILL
from training import gait_exam, gait_fit
from training.scenes.bursts import Shake, draw_burst, frame_times, shaken

SEED = 7_700_000


def test_the_gaits_of_the_bar_are_told_on_drawn_trails() -> None:
    drawn = ("loop", "glide", "wave", "creep", "still")
    answers = gait_exam.run(gait_exam.answer_trail, drawn, 8, first_seed=SEED)
    marks = gait_exam.marks_of(answers)
    assert marks.of_answered >= 0.95
    assert marks.of_all >= 0.75  # two in forty may be one gait's quarter


def test_what_is_sampled_too_slowly_is_not_told_on_drawn_trails() -> None:
    answers = gait_exam.run(gait_exam.answer_slow, gait_exam.REPEATING, 10, first_seed=SEED)
    assert np.mean([item.told is None for item in answers]) >= 0.95


def test_marks_count_each_gait_alike_and_abstentions_apart() -> None:
    answers = [
        gait_exam.Answer("loop", STEPS, STEPS, ("x",), 0),
        gait_exam.Answer("loop", STEPS, None, ("x",), 1),
        gait_exam.Answer("glide", GLIDE, STILL, ("x",), 2),
    ]
    marks = gait_exam.marks_of(answers, (STEPS, GLIDE))
    assert marks.of_answered == pytest.approx(0.5)  # steps 1 of 1, glide 0 of 1
    assert marks.of_all == pytest.approx(0.25)  # steps 1 of 2, glide 0 of 1
    assert marks.abstained == pytest.approx(0.25)
    assert "can't tell" in gait_exam.table(answers)


def test_the_fit_learns_what_can_be_told() -> None:
    values, labels = gait_fit.draw_all(6)
    made = gait_fit.fit(values, labels)
    told = made.probabilities(values).argmax(axis=1)
    assert np.mean(told == labels) > 0.9
    assert made.weights.shape[0] == len(OUTCOMES)


def test_a_shaken_burst_tells_where_each_frame_lies() -> None:
    rng = np.random.default_rng(5)
    made = draw_burst(
        rng, "snail", n=6, interval_s=0.1, gait="still", height_px=120, width_px=160, shake=Shake()
    )
    first = made.frames[0]
    np.testing.assert_allclose(first.matrix, np.eye(3), atol=1e-9)
    for frame in made.frames[1:]:
        # The animal is still: its head lies where the camera's matrix takes it.
        carried = frame.matrix @ np.array([*first.head_xy_px, 1.0])
        np.testing.assert_allclose(carried[:2], frame.head_xy_px, atol=1e-6)
        assert not np.allclose(frame.matrix, np.eye(3))
    # A still scene under a shaken camera: the ground moves by the matrix too.
    shift = np.hypot(*(made.frames[-1].matrix[:2, 2]))
    assert shift > 0.1


def test_a_clip_from_a_stand_is_the_same_animal_under_a_camera_that_keeps_still() -> None:
    hand, stand = (
        gait_exam.draw_exam_clip("glide", SEED, is_wide=False, on_a_stand=on_a_stand)
        for on_a_stand in (False, True)
    )
    assert [frame.time_s for frame in hand.frames] == [frame.time_s for frame in stand.frames]
    assert not np.allclose(hand.frames[-1].matrix, np.eye(3))
    for frame in stand.frames:
        np.testing.assert_allclose(frame.matrix, np.eye(3), atol=1e-12)


def test_uneven_times_ascend_and_shakes_begin_at_nothing() -> None:
    rng = np.random.default_rng(1)
    times = frame_times(rng, 50, 0.1, unevenness=0.4)
    assert times[0] == 0.0
    assert np.all(np.diff(times) > 0)
    matrices = shaken(rng, times, (100, 100), Shake())
    np.testing.assert_allclose(matrices[0], np.eye(3), atol=1e-12)
