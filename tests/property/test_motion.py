"""What must hold for alignment and movers whatever the scene."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from motion_scenes import (
    PICTURES,
    Body,
    camera_matrix,
    exposed,
    glass_pane,
    sample_picture,
    seen_through,
    with_bodies,
    worst_error_px,
)

from pestvision.arrays import box_iou
from pestvision.motion.align import AlignedPair, AlignmentFailed, align_pair
from pestvision.motion.blobs import FALSE_A_PAIR, find_blobs
from pestvision.motion.tracks import pair_movers
from training.evaluate_motion import SEEN_SEED, tally_pairs

if TYPE_CHECKING:
    from pathlib import Path

FEW = settings(
    max_examples=12,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
SEEDS = st.integers(0, 10_000)
DARK = (45, 30, 22)


@FEW
@given(
    name=st.sampled_from(PICTURES),
    shift=st.tuples(st.floats(-0.04, 0.04), st.floats(-0.04, 0.04)),
    turn_deg=st.floats(-2, 2),
    scale=st.floats(0.97, 1.03),
    stops=st.floats(-0.7, 0.3),
)
def test_warp_then_align_gives_the_warp_back(name, shift, turn_deg, scale, stops):
    first = sample_picture(name)
    height, width = first.shape[:2]
    truth = camera_matrix(
        (height, width),
        shift_xy_px=(shift[0] * width, shift[1] * height),
        turn_deg=turn_deg,
        scale=scale,
    )
    second = exposed(seen_through(first, truth), stops, np.random.default_rng(0))
    pair = align_pair(first, second)
    assert isinstance(pair, AlignedPair)
    assert worst_error_px(truth, pair.matrix, (height, width)) <= 0.3


@FEW
@given(seed=SEEDS, stops=st.floats(-0.7, 0.4), tint=st.floats(0.95, 1.05))
def test_no_mover_gives_no_blob_at_any_brightness(seed, stops, tint):
    rng = np.random.default_rng(seed)
    pane = with_bodies(glass_pane(rng), [Body(300, 200, 50, 14, 20, DARK)])
    matrix = camera_matrix(pane.shape[:2], shift_xy_px=(9.0, -6.0), turn_deg=0.8)
    tinted = np.clip(pane * np.array([tint, 1.0, 1 / tint]), 0, 255).astype(np.uint8)
    second = exposed(seen_through(tinted, matrix), stops, rng)
    pair = align_pair(exposed(pane, 0.0, rng), second)
    assert isinstance(pair, AlignedPair)
    assert find_blobs(pair) == ()


@FEW
@given(seed=SEEDS, quarter_turns=st.integers(1, 3))
def test_quarter_turns_do_not_change_what_is_found(seed, quarter_turns):
    rng = np.random.default_rng(seed)
    pane = glass_pane(rng)
    first = exposed(with_bodies(pane, [Body(200, 150, 50, 14, 20, DARK)]), 0.0, rng)
    second = exposed(with_bodies(pane, [Body(420, 300, 50, 14, 70, DARK)]), 0.0, rng)
    found = find_blobs(align(first, second))
    turned = find_blobs(
        align(*(np.ascontiguousarray(np.rot90(p, quarter_turns)) for p in (first, second)))
    )
    assert len(found) == len(turned) == 2
    for blob in found:
        box = rotated_box(blob.box_xyxy_px, pane.shape[:2], quarter_turns)
        twins = [other for other in turned if other.seen_on == blob.seen_on]
        assert max(box_iou(box, other.box_xyxy_px) for other in twins) > 0.7


@FEW
@given(seed=SEEDS)
def test_photos_swapped_give_the_same_movers_the_other_way_round(seed):
    rng = np.random.default_rng(seed)
    pane = glass_pane(rng)
    first = exposed(with_bodies(pane, [Body(200, 150, 50, 14, 20, DARK)]), 0.0, rng)
    second = exposed(with_bodies(pane, [Body(420, 300, 50, 14, 70, DARK)]), 0.0, rng)
    for pair, sides in (
        (align(first, second), ((200, 150), (420, 300))),
        (align(second, first), ((420, 300), (200, 150))),
    ):
        (mover,) = pair_movers(find_blobs(pair), pair.matrix)
        for box, (x, y) in zip(
            (mover.box_first_xyxy_px, mover.box_second_xyxy_px), sides, strict=True
        ):
            assert box is not None
            assert box[0] < x < box[2]
            assert box[1] < y < box[3]
        assert mover.displacement_px == pytest.approx(np.hypot(220, 150), rel=0.05)


def align(first: np.ndarray, second: np.ndarray) -> AlignedPair:
    pair = align_pair(first, second)
    assert isinstance(pair, AlignedPair)
    return pair


def rotated_box(box, size, quarter_turns):
    height, width = size
    for _ in range(quarter_turns):  # numpy turns anticlockwise: (x, y) goes to (y, width - x)
        box = (box[1], width - box[2], box[3], width - box[0])
        height, width = width, height
    return box


def frames(folder: Path) -> list[np.ndarray]:
    return [
        cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB) for path in sorted(folder.iterdir())
    ]


@pytest.mark.parametrize("name", ["a", "b", "c", "d", "e"])
def test_neighbours_of_real_series_align_or_say_why(real_photos, name):
    photos = frames(real_photos / "sequences" / name)
    n_aligned = 0
    for first, second in itertools.pairwise(photos):
        outcome = align_pair(first, second)
        if isinstance(outcome, AlignmentFailed):
            assert outcome.advice.endswith(".")
            continue
        n_aligned += 1
        pair_movers(find_blobs(outcome), outcome.matrix)
    assert n_aligned >= len(photos) // 2


def test_movers_lie_at_the_real_planarians(real_photos):
    """Read off the clip by hand: where each animal glides between frames 10 and 40.

    The upper one is the faintest: it is found at half a false blob a pair, and not at a tenth.
    """
    photos = frames(real_photos / "sequences" / "planarians_7.5fps")
    places = {
        "left": (500, 600, 640, 730),
        "right": (680, 620, 830, 730),
        "upper": (700, 360, 800, 430),
    }
    seen: dict[float, set[str]] = {FALSE_A_PAIR: set(), 0.5: set()}
    for start in (10, 20, 30, 40):
        pair = align(photos[start], photos[start + 10])
        for level, names in seen.items():
            boxes = [blob.box_xyxy_px for blob in find_blobs(pair, false_a_pair=level)]
            names |= {n for n, at in places.items() if any(box_iou(at, box) > 0 for box in boxes)}
    assert seen[0.5] == set(places)
    assert seen[FALSE_A_PAIR] >= {"left", "right"}


@pytest.mark.slow
def test_movers_of_drawn_hand_held_pairs_are_found_and_little_else():
    """A guard against getting worse, over 24 pairs, and not the aim.

    Asked for half a false blob a pair, as the guard was set for. The exam of movers found 0.87 (n 303) at 0.12
    asked for 0.1. So few spread by 0.08 and 0.14. All can be aligned, the dimmest and grainiest of them by
    all that they show.
    """
    tally = tally_pairs(SEEN_SEED, 24, false_a_pair=0.5)
    hits, n = tally.found()
    assert tally.n_aligned == tally.n_pairs
    assert hits / n >= 0.72
    assert tally.false_blobs / tally.n_pairs <= 0.8
    assert float(np.median(tally.errors_px)) <= 0.3
