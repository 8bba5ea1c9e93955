"""Gaits are read from drawn trails, and told only where the frames allow it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pestvision.motion.gait import (
    LEECH_HZ,
    SCRUNCH_HZ,
    SLOWEST_INTERVAL_S,
    WAVE_HZ,
    holds_nowhere,
    read_gait,
    read_gait_of_pair,
)
from pestvision.motion.gait_features import measure
from pestvision.motion.gait_words import HELD_FAST, NOT_STEADIED
from pestvision.motion.trail import (
    CREEP,
    GAITS,
    GLIDE,
    HOP,
    LOOPS,
    STEPS,
    STILL,
    THRASH,
    Trail,
)
from training.scenes.gaits import SOURCED
from training.scenes.trails import DrawnTrail, Flaws, draw_trail

CLEAN = Flaws(
    (0.05, 0.1),
    (0.05, 0.1),
    (0.001, 0.002),
    (0.001, 0.002),
    (0.0, 0.0),
    (1.0, 1.0),
    (0.0, 0.0),
    (0.0, 0.0),
)


def drawn(
    name: str, *, seed: int = 0, seconds: float = 14.0, interval_s: float = 0.1
) -> DrawnTrail:
    times = [i * interval_s for i in range(round(seconds / interval_s))]
    return draw_trail(np.random.default_rng(seed), name, times, habits=SOURCED, flaws=CLEAN)


@pytest.mark.parametrize(
    ("name", "gait"),
    [
        ("loop", STEPS),
        ("scrunch", LOOPS),
        ("glide", GLIDE),
        ("wave", THRASH),
        ("creep", CREEP),
        ("hop", HOP),
        ("still", STILL),
    ],
)
def test_each_gait_is_read_from_a_clean_trail(name: str, gait: str) -> None:
    for seed in (1, 2):
        reading = read_gait(drawn(name, seed=seed).trail)
        assert reading.gait == gait, reading.reasons
        assert reading.p_gaits[GAITS.index(gait)] >= 0.8
        assert sum(reading.p_gaits) == pytest.approx(1.0)


def test_a_leechs_steps_are_counted_and_timed() -> None:
    # 0.16-0.24 Hz: Garcia-Perez et al. 2005, J Neurosci 25:2597-2608, table 1. One step: the rear sucker
    # holds while it lengthens, the front one while it shortens (Stern-Tomlinson et al. 1986, J Comp
    # Physiol A 158:593-603).
    made = drawn("loop", seed=3, seconds=40)
    reading = read_gait(made.trail)
    assert made.period_s is not None
    assert 1 / 0.24 <= made.period_s <= 1 / 0.16
    assert reading.period_s == pytest.approx(made.period_s, rel=0.03)
    assert reading.n_cycles in {round(40 / made.period_s) + k for k in (-1, 0, 1)}
    assert reading.n_steps == reading.n_cycles
    assert f"{reading.n_steps} of {reading.n_cycles} steps with one end held" in reading.reasons[0]


def test_a_scrunchs_period_is_that_of_the_published_code_and_it_lengthens_slower() -> None:
    # 0.70-0.75 Hz in D. japonica; lengthening at 0.6 Hz, shortening at 0.8 Hz: the public analysis code of
    # a laboratory's study of scrunching.
    made = drawn("scrunch", seed=4, interval_s=0.05)
    reading = read_gait(made.trail)
    assert reading.period_s is not None
    assert 1 / 0.75 - 0.03 <= reading.period_s <= 1 / 0.70 + 0.03
    measured = measure(made.trail)
    assert measured is not None
    assert measured.lengthening_share == pytest.approx(0.571, abs=0.05)


def test_the_limits_of_sampling_are_half_the_periods_of_the_literature() -> None:
    # Below 2.08 s for 0.24 Hz, 0.67 s for 0.75 Hz, 0.29 s for 1.7 Hz: half a period each.
    assert LEECH_HZ == (0.16, 0.24)
    assert SCRUNCH_HZ == (0.70, 0.75)
    assert WAVE_HZ[1] == 1.7
    assert SLOWEST_INTERVAL_S[STEPS] == pytest.approx(2.08, abs=0.005)
    assert SLOWEST_INTERVAL_S[LOOPS] == pytest.approx(0.67, abs=0.005)
    assert SLOWEST_INTERVAL_S[THRASH] == pytest.approx(0.29, abs=0.005)


@pytest.mark.parametrize(("name", "interval_s"), [("loop", 3.0), ("scrunch", 1.0), ("wave", 0.9)])
def test_what_is_sampled_too_slowly_is_not_told(name: str, interval_s: float) -> None:
    for seed in range(4):
        reading = read_gait(
            drawn(name, seed=seed, seconds=24 * interval_s, interval_s=interval_s).trail
        )
        assert reading.gait is None, reading.reasons
        assert reading.reasons


def test_two_seconds_tell_thrashing_but_not_rest() -> None:
    assert read_gait(drawn("wave", seed=2, seconds=3.2).trail).gait == THRASH
    reading = read_gait(drawn("still", seconds=2.0).trail)
    assert reading.gait is None
    assert "leech at rest" in reading.reasons[0]


def test_after_an_irritant_neither_steps_nor_loops_are_told_apart() -> None:
    for name in ("loop", "scrunch"):
        reading = read_gait(drawn(name, seed=1).trail, after_irritant=True)
        assert reading.gait is None
        assert "irritant" in reading.reasons[0]
        assert reading.p_gaits[GAITS.index(STEPS)] == reading.p_gaits[GAITS.index(LOOPS)]
    assert read_gait(drawn("glide", seed=1).trail, after_irritant=True).gait == GLIDE


def test_a_hydra_that_sways_on_its_foot_is_no_leech_that_steps() -> None:
    for seed in range(3):
        reading = read_gait(drawn("sway", seed=seed, seconds=20).trail)
        assert reading.gait is None
        assert reading.p_gaits[GAITS.index(STEPS)] < 0.5


def test_too_few_frames_and_an_animal_at_the_edge_are_answered() -> None:
    few = read_gait(drawn("loop", seconds=0.4).trail)
    assert few.gait is None
    assert "4 frames" in few.reasons[0]
    trail = drawn("loop").trail
    edge = read_gait(replace(trail, at_edge=np.ones(len(trail.times_s), bool)))
    assert edge.gait is None
    assert "edge" in edge.reasons[0]


def test_more_shake_than_motion_tells_no_rest() -> None:
    trail = replace(drawn("still").trail, jitter_px=15.0)
    reading = read_gait(trail)
    assert reading.gait is None
    assert "shake" in reading.reasons[0]


def test_which_end_comes_first_and_the_picture_turned_do_not_matter() -> None:
    trail = drawn("loop", seed=5).trail
    turned = turned_about(trail)
    one, other = read_gait(trail), read_gait(turned)
    assert one.gait == other.gait == STEPS
    assert np.allclose(one.p_gaits, other.p_gaits, atol=1e-6)


def turned_about(trail: Trail) -> Trail:
    """The same trail from the other end, the picture turned by a quarter."""
    lines = trail.midlines_xy_px[:, ::-1, ::-1] * np.array([-1.0, 1.0])
    return replace(trail, midlines_xy_px=lines)


def test_a_scale_tells_the_speed_in_millimetres() -> None:
    reading = read_gait(drawn("glide", seed=1).trail, mm_per_px=0.2)
    assert "mm a second" in reading.reasons[0]
    assert reading.speed_px_s is not None
    assert f"({reading.speed_px_s * 0.2:.1f} mm a second)" in reading.reasons[0]


def test_a_pair_of_photos_never_tells_a_gait() -> None:
    # A pair 10 s apart: moved or not, how far, change of length; never how.
    moved = read_gait_of_pair((0.0, 10.0), ((5.0, 5.0), (35.0, 45.0)), lengths_px=(40.0, 80.0))
    assert moved.gait is None
    assert moved.speed_px_s == pytest.approx(5.0)
    assert moved.length_ratio == pytest.approx(2.0)
    assert "50 pixels" in moved.reasons[0]
    assert len(set(moved.p_gaits)) == 1
    stayed = read_gait_of_pair((0.0, 10.0), ((5.0, 5.0), (5.5, 5.0)))
    assert "same place" in stayed.reasons[0]


@pytest.mark.parametrize(("width", "is_told"), [(0.8, True), (0.15, False)])
def test_a_round_body_is_not_said_to_hold_on_with_one_end(width: float, is_told: bool) -> None:
    trail = drawn("sway").trail
    swaying = replace(trail, widths_px=width * trail.lengths_px)
    read = read_gait(swaying)
    assert (read.reasons[0] != HELD_FAST) is is_told


def test_a_slender_body_is_never_said_to_creep() -> None:
    made = drawn("creep").trail
    told = read_gait(made)
    assert told.gait == CREEP
    slender = read_gait(replace(made, widths_px=made.lengths_px * 0.15))
    assert slender.p_gaits[GAITS.index(CREEP)] < 0.001
    glides, creeps = GAITS.index(GLIDE), GAITS.index(CREEP)
    assert slender.p_gaits[glides] >= told.p_gaits[creeps]


def test_what_holds_on_keeps_an_end_in_its_place() -> None:
    made = drawn("sway").trail
    assert not holds_nowhere(made)
    assert HELD_FAST in read_gait(made).reasons
    length = float(np.nanmedian(made.lengths_px))
    gone = np.linspace(0, 2 * length, len(made.times_s))[:, None, None] * np.array([1.0, 0.0])
    wandered = replace(made, midlines_xy_px=made.midlines_xy_px + gone)
    assert holds_nowhere(wandered)
    assert HELD_FAST not in read_gait(wandered).reasons


@pytest.mark.parametrize("name", ["glide", "creep", "still", "sway"])
def test_where_nothing_holds_the_camera_no_place_tells_a_gait(name: str) -> None:
    told = read_gait(replace(drawn(name).trail, is_steadied=False))
    assert told.gait is None
    assert told.reasons[0] == NOT_STEADIED


@pytest.mark.parametrize(("name", "gait"), [("loop", STEPS), ("wave", THRASH)])
def test_a_shape_tells_its_gait_whatever_the_camera_does(name: str, gait: str) -> None:
    assert read_gait(replace(drawn(name).trail, is_steadied=False)).gait == gait
