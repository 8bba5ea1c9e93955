"""What somebody marked is outlined whatever else stands out, and is not lost where no outline of it is told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from pestvision.motion.chase import Look, chase
from pestvision.motion.gait import read_gait
from pestvision.motion.trail import STILL

if TYPE_CHECKING:
    from pestvision.arrays import F32, U8, BoxXyxy

N, RATE = 90, 10.0
MARKED: BoxXyxy = (120.0, 96.0, 180.0, 124.0)


def looks(rng: np.random.Generator, *, n_moving: int = 0) -> list[Look]:
    """A dark oval that rests on a ground with detail, and dark spots that go along beside it."""
    ground = cv2.GaussianBlur(rng.uniform(60, 200, (240, 320, 3)).astype(np.float32), (0, 0), 6)
    ground = np.clip(150 + 5 * (ground - ground.mean()), 90, 255)
    cv2.ellipse(ground, (150, 110), (28, 10), 0, 0, 360, (40.0, 30.0, 20.0), -1)
    made = []
    for index in range(N):
        rgb = ground.copy()
        for k in range(n_moving):
            at = (30 + 2 * index + 5 * k, 20 + 24 * k + (60 if k > 2 else 0))
            cv2.circle(rgb, at, 9, (20.0, 20.0, 20.0), -1)
        rgb += rng.normal(0, 2, rgb.shape)
        made.append(Look(index / RATE, np.clip(rgb, 0, 255).astype(np.uint8)))
    return made


def knows_nothing(cut: U8, _inner: BoxXyxy) -> F32:
    return np.zeros(cut.shape[:2], np.float32)


def knows_dark(cut: U8, _inner: BoxXyxy) -> F32:
    return np.asarray(cut.max(axis=2) < 70, np.float32)


def test_what_was_marked_and_of_which_nothing_is_told_keeps_still_in_its_place() -> None:
    held = looks(np.random.default_rng(1))
    (trail,) = chase(held, marks=lambda _: [(0, MARKED)], sure=knows_nothing).trails
    assert trail.seen.all()
    assert np.nanmedian(trail.lengths_px) == pytest.approx(57, rel=0.15)
    assert read_gait(trail).gait == STILL


def test_without_a_mark_nothing_is_followed_there() -> None:
    assert chase(looks(np.random.default_rng(1)), sure=knows_nothing).trails == ()


def test_what_was_marked_is_outlined_though_six_things_stand_out_more() -> None:
    held = looks(np.random.default_rng(2), n_moving=7)
    chased = chase(held, marks=lambda _: [(0, MARKED)], sure=knows_dark)
    (trail,) = (t for t, marked in zip(chased.trails, chased.marked, strict=True) if marked)
    assert trail.seen.mean() > 0.9
    assert np.nanmedian(trail.lengths_px) == pytest.approx(57, rel=0.1)
    assert len(chased.trails) > 4  # the others are followed too


def test_a_mark_that_reaches_beyond_the_frame_is_cut_to_it() -> None:
    held = looks(np.random.default_rng(3))
    beyond: BoxXyxy = (120.0, 96.0, 400.0, 300.0)
    (trail,) = chase(held, marks=lambda _: [(0, beyond)], sure=knows_dark).trails
    assert trail.seen.mean() > 0.9
    assert np.nanmedian(trail.lengths_px) == pytest.approx(57, rel=0.1)
