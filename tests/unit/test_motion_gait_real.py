"""Three real planarians that glide in a dish are told as gliding flatworms, at the speed that the eye reads."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from planarian_marks import FRAMES, FRAMES_PER_S, MIDDLES, marked_places, marked_speed

from pestvision.findings.clip import check_clip
from pestvision.findings.cues import LOOKS, MOVES
from pestvision.motion.trail import GLIDE
from pestvision.organisms.classes import Group
from pestvision.organisms.classify import Classifier

if TYPE_CHECKING:
    from pestvision.findings.clip_result import ClipAnimal, ClipCheck

PHOTOS = os.environ.get("PESTVISION_PHOTOS", "")
LEAST_SECONDS = 3.0
WHOLE_S = 70 / FRAMES_PER_S
SPEED_WITHIN = 0.15
NEAR_PX = 25.0  # half a body's length: what is nearer is that animal

pytestmark = [
    pytest.mark.skipif(not PHOTOS, reason="PESTVISION_PHOTOS is not set"),
    pytest.mark.slow,
]


@pytest.fixture(scope="module")
def checked() -> ClipCheck:
    folder = Path(PHOTOS) / "sequences" / "planarians_7.5fps"
    return check_clip(folder, Classifier.load(), seconds_apart=1 / FRAMES_PER_S)


def on(checked: ClipCheck, name: str) -> list[ClipAnimal]:
    """What was followed on one of the animals for three seconds or more."""
    marks = marked_places(name)
    mine = []
    for animal in checked.animals:
        trail = animal.trail
        seen = [k for k, frame in enumerate(FRAMES) if trail.seen[frame]]
        if trail.duration_s < LEAST_SECONDS or not seen:
            continue
        middles = trail.midlines_xy_px[[FRAMES[k] for k in seen]].mean(axis=1)
        if np.median(np.hypot(*(middles - marks[seen]).T)) < NEAR_PX:
            mine.append(animal)
    return mine


@pytest.mark.parametrize("name", list(MIDDLES))
def test_a_real_planarian_is_told_as_a_flatworm_that_glides(checked: ClipCheck, name: str) -> None:
    followed = on(checked, name)
    assert followed, "not followed for three seconds"
    for animal in followed:
        assert animal.gait.gait == GLIDE, animal.gait
        assert animal.judgement.label == Group.FLATWORM_LIKE
        assert [cue.name for cue in animal.judgement.cues][:2] == [LOOKS, MOVES]


def test_three_animals_are_told_each_followed_from_the_first_frame_to_the_last(
    checked: ClipCheck,
) -> None:
    assert [len(on(checked, name)) for name in MIDDLES] == [1, 1, 1]
    assert len(checked.animals) == 3
    for animal in checked.animals:
        assert animal.trail.duration_s == pytest.approx(WHOLE_S, abs=0.3)


@pytest.mark.parametrize("name", list(MIDDLES))
def test_a_real_planarian_is_as_fast_as_the_marks_say(checked: ClipCheck, name: str) -> None:
    for animal in on(checked, name):
        times = animal.trail.times_s[animal.trail.seen]
        marked = marked_speed(name, first_s=float(times[0]), last_s=float(times[-1]))
        assert animal.gait.speed_px_s == pytest.approx(marked, rel=SPEED_WITHIN)
