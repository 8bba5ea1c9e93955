"""What of a followed clip is told as an animal, and what is only counted."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pestvision.findings.clip_told import Judged, worth_telling
from pestvision.motion.trail import GLIDE, STILL
from pestvision.organisms.classes import CANT_TELL
from pestvision.organisms.weights import Rules
from tests.made_answers import judged, plain_crop
from tests.made_trails import glider, reading

if TYPE_CHECKING:
    from pestvision.motion.trail import Trail

RULES = Rules(min_length_px=24.0)
NO_LEECH = (0.01, 0.3, 0.35, 0.34)
MAYBE_LEECH = (0.2, 0.3, 0.3, 0.2)


def sized(side_px: float) -> Trail:
    trail = glider()
    boxes = np.tile([10.0, 10.0, 10.0 + side_px, 15.0], (len(trail.times_s), 1))
    return replace(trail, boxes_xyxy_px=np.where(trail.seen[:, None], boxes, np.nan))


def one(
    label: str = "leech-like",
    gait: str | None = GLIDE,
    side_px: float = 80.0,
    p_groups: tuple[float, ...] | None = None,
) -> Judged:
    judgement = judged(label, 0.35 if label == CANT_TELL else 0.9)
    if p_groups is not None:
        judgement = replace(judgement, p_groups=p_groups, confidence=max(p_groups))
    return Judged(
        trail=sized(side_px),
        judgement=judgement,
        gait=reading(gait),
        length=None,
        mm_per_px=None,
        crop_rgb=plain_crop(),
        number=0,
    )


def test_what_is_no_animal_is_only_counted() -> None:
    notes: list[str] = []
    leech = one()
    assert worth_telling([leech, one("not-an-organism")], RULES, notes) == [leech]
    assert notes == ["1 more that moved was judged not to be an animal."]


def test_what_is_too_small_to_tell_is_only_counted_beside_what_can_be_told() -> None:
    notes: list[str] = []
    leech = one()
    specks = [one(CANT_TELL, None, 9.0), one(CANT_TELL, None, 12.0)]
    assert worth_telling([specks[0], leech, specks[1]], RULES, notes) == [leech]
    (note,) = notes
    assert note.startswith("2 more that moved were shorter than 24 pixels")


@pytest.mark.parametrize(
    "small",
    [one("flatworm-like", None, 9.0), one(CANT_TELL, GLIDE, 9.0), one(CANT_TELL, None, 60.0)],
)
def test_what_has_a_label_or_a_gait_or_is_larger_is_told(small: Judged) -> None:
    leech = one()
    assert worth_telling([leech, small], RULES, []) == [leech, small]


def test_what_keeps_still_and_cannot_be_told_is_counted_unless_it_may_be_a_leech() -> None:
    notes: list[str] = []
    leech = one()
    leaf = one(CANT_TELL, STILL, 120.0, NO_LEECH)
    doubtful = one(CANT_TELL, STILL, 120.0, MAYBE_LEECH)
    assert worth_telling([leech, leaf, doubtful], RULES, notes) == [leech, doubtful]
    (note,) = notes
    assert "kept still" in note


def test_where_nothing_better_was_followed_all_of_it_is_told() -> None:
    notes: list[str] = []
    specks = [one(CANT_TELL, None, 9.0), one(CANT_TELL, STILL, 80.0, NO_LEECH)]
    assert worth_telling(specks, RULES, notes) == specks
    assert notes == []


@pytest.mark.parametrize(("lengths", "is_told"), [(0.0, False), (0.15, False), (0.6, True)])
def test_what_keeps_its_place_is_counted_though_its_outline_hides_a_gait(
    lengths: float, is_told: bool
) -> None:
    leech = one()
    leaf = one(CANT_TELL, None, 120.0, NO_LEECH)
    trail = leaf.trail
    middle = np.nanmean(trail.midlines_xy_px, axis=(0, 1))
    length = float(np.nanmedian(trail.lengths_px))
    goes = np.linspace(0, lengths * length, len(trail.times_s))[:, None, None] * np.array([1.0, 0])
    lines = np.where(trail.seen[:, None, None], middle + goes, np.nan)
    lines = np.broadcast_to(lines, trail.midlines_xy_px.shape)
    leaf = replace(leaf, trail=replace(trail, midlines_xy_px=lines))
    assert worth_telling([leech, leaf], RULES, []) == ([leech, leaf] if is_told else [leech])
