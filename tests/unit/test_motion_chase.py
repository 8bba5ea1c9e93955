"""Following animals: drawn bursts in a shaking hand against their truth, and three real flatworms."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.motion.chase import Look, chase
from pestvision.motion.steady import Steadier, moved
from pestvision.motion.trails import in_one_order
from tests.made_clips import shaken
from training.scenes.bursts import draw_burst

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from pestvision.motion.chase import Chased
    from pestvision.motion.trail import Trail
    from training.scenes.records import DrawnBurst

PHOTOS = os.environ.get("PESTVISION_PHOTOS")


@dataclass(frozen=True)
class Followed:
    """A drawn burst, what came of following it, and the trail nearest to the truth."""

    burst: DrawnBurst
    chased: Chased
    trail: Trail
    ends_off_px: F64  # (n,): mean distance of the two ends from the truth, in one order throughout
    on_first: F64  # from a drawn place to one on the first frame


def follow(
    fine: str, seed: int, *, gait: str | None = None, n: int = 60, marked: bool = False
) -> Followed:
    rng = np.random.default_rng(seed)
    burst = draw_burst(rng, fine, n=n, interval_s=0.1, gait=gait)
    frames, matrices = shaken(rng, [frame.rgb for frame in burst.frames], interval_s=0.1)
    on_first = matrices[0][:, 2]  # the first is not turned
    looks = [Look(drawn.time_s, rgb) for drawn, rgb in zip(burst.frames, frames, strict=True)]
    x0, y0, x1, y1 = burst.frames[0].truth.box_xyxy_px
    right, down = (float(value) for value in on_first)
    box = (x0 + right, y0 + down, x1 + right, y1 + down)
    chased = chase(iter(looks), marks=(lambda _looks: [(0, box)]) if marked else None)
    heads = np.array([frame.head_xy_px for frame in burst.frames]) + on_first
    tails = np.array([frame.tail_xy_px for frame in burst.frames]) + on_first
    best: tuple[float, Trail, F64] | None = None
    for trail in chased.trails:
        ends = trail.midlines_xy_px[:, 0], trail.midlines_xy_px[:, -1]
        for one, other in (ends, ends[::-1]):
            off = 0.5 * (np.hypot(*(one - heads).T) + np.hypot(*(other - tails).T))
            if best is None or np.nanmedian(off) < best[0]:
                best = float(np.nanmedian(off)), trail, off
    assert best is not None, "nothing was followed"
    return Followed(burst, chased, best[1], best[2], on_first)


@pytest.mark.parametrize(
    ("fine", "gait", "seed"),
    [("leech", "loop", 0), ("flatworm", "scrunch", 1), ("thin-worm", None, 1)],
)
def test_both_ends_of_a_moving_animal_are_followed_in_a_shaking_hand(
    fine: str, gait: str | None, seed: int
) -> None:
    found = follow(fine, seed, gait=gait)
    lengths = np.array([frame.truth.length_px for frame in found.burst.frames])
    assert found.trail.seen.mean() > 0.9
    assert np.nanmedian(found.ends_off_px) < 6.0
    assert np.nanmedian(found.trail.lengths_px / lengths) == pytest.approx(1.0, abs=0.15)
    assert np.nanpercentile(found.ends_off_px, 90) < 0.4 * np.median(
        lengths
    )  # no end for the other
    assert not found.trail.at_edge[found.trail.seen].any()
    assert found.chased.n_lost == 0


def test_a_creeping_snail_and_a_gliding_flatworm_are_followed_for_as_long_as_they_are_there() -> (
    None
):
    for fine, seed in (("snail", 4), ("flatworm", 2)):
        found = follow(fine, seed)
        middles = found.trail.midlines_xy_px.mean(axis=1)
        truth = np.array([_middle(frame.truth.box_xyxy_px) for frame in found.burst.frames])
        truth += found.on_first
        assert found.trail.duration_s > 5.0, fine
        assert np.nanmedian(np.hypot(*(middles - truth).T)) < 15.0, fine


def _middle(box: tuple[float, float, float, float]) -> tuple[float, float]:
    return 0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3])


def test_what_stays_still_is_followed_only_where_it_was_marked() -> None:
    rng = np.random.default_rng(5)
    ground = cv2.GaussianBlur(rng.uniform(60, 200, (240, 320, 3)).astype(np.float32), (0, 0), 6)
    ground = np.clip(128 + 5 * (ground - ground.mean()), 0, 255)
    cv2.ellipse(ground, (150, 110), (34, 9), 25, 0, 360, (40.0, 30.0, 20.0), -1)
    frames = [np.clip(ground + rng.normal(0, 3, ground.shape), 0, 255).astype(np.uint8)] * 25
    frames, matrices = shaken(rng, frames, interval_s=0.1)
    right, down = (float(value) for value in matrices[0][:, 2])
    looks = [Look(index / 10, rgb) for index, rgb in enumerate(frames)]
    assert chase(iter(looks)).trails == ()
    box = (114.0 + right, 88.0 + down, 186.0 + right, 132.0 + down)
    (trail,) = chase(iter(looks), marks=lambda _looks: [(0, box)]).trails
    assert trail.duration_s > 2.0
    assert np.nanmedian(trail.lengths_px) == pytest.approx(68, rel=0.15)
    middle = np.nanmedian(trail.midlines_xy_px[:, 5], axis=0)
    assert np.hypot(*(middle - (150.5 + right, 110.5 + down))) < 4
    assert np.nanstd(trail.lengths_px) < 4


def test_a_clip_in_which_nothing_moves_gives_no_trail() -> None:
    rng = np.random.default_rng(6)
    ground = cv2.GaussianBlur(rng.uniform(0, 255, (240, 320, 3)).astype(np.float32), (0, 0), 4)
    ground = np.clip(128 + 4 * (ground - ground.mean()), 0, 255)
    frames = [
        np.clip(ground + rng.normal(0, 4, ground.shape), 0, 255).astype(np.uint8) for _ in range(30)
    ]
    frames, _ = shaken(rng, frames, interval_s=0.1)
    assert chase(Look(index / 10, rgb) for index, rgb in enumerate(frames)).trails == ()


def test_the_camera_is_held_by_the_ground_though_an_animal_fills_much_of_the_frame() -> None:
    rng = np.random.default_rng(7)
    ground = cv2.GaussianBlur(rng.uniform(0, 255, (240, 320)).astype(np.float32), (0, 0), 2)
    animal = cv2.GaussianBlur(rng.uniform(0, 255, (240, 320)).astype(np.float32), (0, 0), 1)
    steadier = Steadier()
    worst = 0.0
    for index in range(12):
        shift = np.array([[1, 0, 3.0 * index], [0, 1, -2.0 * index]])
        seen = cv2.warpAffine(ground, shift, (320, 240), borderMode=cv2.BORDER_REFLECT)
        left = 40 + 6 * index  # it goes its own way, with twice the contrast of the ground
        seen[70:190, left : left + 150] = 2 * (animal[70:190, 40:190] - 128) + 128
        rgb = np.repeat(np.clip(4 * (seen - 128) + 128, 0, 255).astype(np.uint8)[..., None], 3, 2)
        placed = steadier.place(rgb)
        truth = np.array([[160.0 - 3.0 * index, 120.0 + 2.0 * index]])
        worst = max(
            worst, float(np.hypot(*(moved(placed.matrix, np.array([[160.0, 120.0]])) - truth)[0]))
        )
        assert placed.is_held
    assert worst < 0.5


def test_a_frame_in_which_nothing_shows_is_told_as_not_held() -> None:
    steadier = Steadier()
    flat = np.full((120, 160, 3), 90, np.uint8)
    assert steadier.place(flat).is_held  # the first is the reference
    assert not steadier.place(flat).is_held


def test_ends_keep_their_order_however_the_lines_come() -> None:
    rng = np.random.default_rng(0)
    along = np.linspace(0, 40, 11)
    lines = []
    for index in range(40):
        angle = 0.1 * index
        line = np.column_stack([along * np.cos(angle) + index, along * np.sin(angle)])
        lines.append(line[::-1] if rng.random() < 0.5 else line)
    ordered = in_one_order(np.array(lines))
    steps = np.hypot(*np.diff(ordered[:, 0], axis=0).T)
    assert steps.max() < 8  # an exchange of ends would be a step of 40


def test_a_long_clip_is_followed_through_its_stretches_as_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from pestvision.motion import chase as module

    monkeypatch.setattr(module, "MOST_FRAMES", 40)
    found = follow("flatworm", 2, gait="glide", n=80)
    long = [trail for trail in found.chased.trails if trail.duration_s > 7.5]
    assert len(long) == 1
    assert len(found.chased.times_s) == 80


def _centre(trail: Trail, index: int) -> F64:
    boxes = trail.boxes_xyxy_px[trail.seen]
    return np.asarray(boxes[index].reshape(2, 2).mean(axis=0), np.float64)
