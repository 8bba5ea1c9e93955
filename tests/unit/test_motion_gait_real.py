"""Three real planarians that glide in a dish are read as gliding, at the speed that the eye reads."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from planarian_marks import FRAMES, FRAMES_PER_S, MIDDLES, marked_places, marked_speed

from pestvision.motion.chase import Chased, Look, chase
from pestvision.motion.gait import read_gait
from pestvision.motion.trail import GAITS, GLIDE, STEPS, Trail
from pestvision.photos.read import read_photo

PHOTOS = os.environ.get("PESTVISION_PHOTOS", "")
LEAST_SECONDS = 3.0
NEAR_PX = 25.0  # half a body's length: what is nearer is that animal

pytestmark = [
    pytest.mark.skipif(not PHOTOS, reason="PESTVISION_PHOTOS is not set"),
    pytest.mark.slow,
]


@pytest.fixture(scope="module")
def chased() -> Chased:
    folder = Path(PHOTOS) / "sequences" / "planarians_7.5fps"
    files = sorted(folder.glob("*.jpg"))
    looks = (Look(i / FRAMES_PER_S, read_photo(file).rgb) for i, file in enumerate(files))
    return chase(looks)


def trails_of(chased: Chased, animal: str) -> list[Trail]:
    """Trails of one animal, of three seconds or more."""
    marks = marked_places(animal)
    mine = []
    for trail in chased.trails:
        seen = [k for k, frame in enumerate(FRAMES) if trail.seen[frame]]
        if trail.duration_s < LEAST_SECONDS or not seen:
            continue
        middles = trail.midlines_xy_px[[FRAMES[k] for k in seen]].mean(axis=1)
        if np.median(np.hypot(*(middles - marks[seen]).T)) < NEAR_PX:
            mine.append(trail)
    return mine


@pytest.mark.parametrize("animal", list(MIDDLES))
def test_a_real_planarian_is_read_as_gliding_at_the_marked_speed(
    chased: Chased, animal: str
) -> None:
    trails = trails_of(chased, animal)
    assert trails, "not followed for three seconds"
    for trail in trails:
        reading = read_gait(trail)
        assert reading.gait == GLIDE, (reading.gait, reading.reasons)
        times = trail.times_s[trail.seen]
        marked = marked_speed(animal, first_s=float(times[0]), last_s=float(times[-1]))
        assert reading.speed_px_s == pytest.approx(marked, rel=0.15)


@pytest.mark.parametrize("animal", list(MIDDLES))
def test_no_real_planarian_is_taken_for_a_leech(chased: Chased, animal: str) -> None:
    for trail in trails_of(chased, animal):
        reading = read_gait(trail)
        assert reading.gait != STEPS
        assert reading.p_gaits[GAITS.index(STEPS)] < 0.5
