"""Clips as a whole: what is followed, judged, measured and told of a painted animal."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from made_scores import GROUND, PaintReader, paint_of

from pestvision.findings import clip, sizes
from pestvision.findings.clip import check_clip
from pestvision.findings.cues import TRACK
from pestvision.findings.sharp_frames import SharpFrames
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import Group
from pestvision.photos.video import ClipFrame
from pestvision.size.outline import outline_in
from pestvision.size.records import TWO_POINTS, Scale
from tests.made_clips import write_clip

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pestvision.arrays import U8
    from pestvision.findings.clip_result import ClipCheck

CLIP_KEYS = [
    *("clip", "width", "height", "frames", "seconds"),
    *("verdict", "animals", "notes", "caution"),
]
ANIMAL_KEYS = {
    *("track", "box_xyxy_px", "label", "confidence", "probabilities", "fine", "gait"),
    *("speed_mm_s", "speed_px_s", "length_mm", "length_mm_low", "length_mm_high"),
    *("cues", "reasons", "why", "first_seen_s", "followed_s", "length_px"),
}
PER_PX = 0.1


def scene(index: int, group: Group | None) -> U8:
    """A ground with a little pattern, and a bar of one group's paint that goes 3 pixels a frame."""
    rng = np.random.default_rng(3)
    ground = cv2.GaussianBlur(rng.normal(0, 60, (240, 360)).astype(np.float32), (0, 0), 3)
    grey = np.clip(GROUND + ground, GROUND - 15, GROUND + 15)
    rgb = np.repeat(grey[..., None], 3, axis=2)
    if group is not None:
        left = 60 + 3 * index
        rgb[100:124, left : left + 80] = paint_of(group)
    return np.asarray(np.clip(rgb, 0, 255), np.uint8)


@pytest.fixture(autouse=True, scope="module")
def _no_net_for_outlines() -> Iterator[None]:
    """The net that knows outlines knows animals, and no painted bars."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clip, "sure_of", None)
        yield


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> ClipCheck:
    path = tmp_path_factory.mktemp("clip") / "glass.mp4"
    write_clip(path, [scene(index, Group.LEECH_LIKE) for index in range(40)])
    scale = Scale(TWO_POINTS, np.diag([PER_PX, PER_PX, 1.0]), 0.02, np.zeros((0, 2)))
    return check_clip(path, PaintReader(), scale=scale)  # type: ignore[arg-type]


def test_what_moves_is_followed_judged_and_measured(checked: ClipCheck) -> None:
    (animal,) = checked.animals
    assert animal.judgement.label == "leech-like"
    assert checked.verdict == animal.judgement
    assert animal.trail.duration_s > 3.5
    assert animal.length is not None
    assert animal.length.low_mm < 8.0 < animal.length.high_mm
    assert animal.speed_mm_s == pytest.approx(3.0, rel=0.2)  # 30 pixels a second
    x0, y0, x1, y1 = animal.first_box_xyxy_px
    assert (x0, y0, x1, y1) == pytest.approx((60, 100, 140, 124), abs=4)
    assert checked.picture_rgb.shape == (240, 360, 3)


def test_the_json_keeps_its_contract(checked: ClipCheck) -> None:
    told = json.loads(json.dumps(checked.as_json(), allow_nan=False))
    assert list(told) == CLIP_KEYS
    assert told["clip"] == "glass.mp4"
    assert told["frames"] == 40
    assert told["seconds"] == pytest.approx(3.9)
    assert told["caution"] == CAUTION
    (animal,) = told["animals"]
    assert set(animal) >= ANIMAL_KEYS
    assert animal["length_mm_low"] <= animal["length_mm"] <= animal["length_mm_high"]
    assert sum(animal["gait"]["probabilities"].values()) == pytest.approx(1.0, abs=0.001)
    assert animal["gait"]["reasons"]


def test_a_body_that_is_seen_long_enough_is_a_cue_and_one_seen_briefly_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sizes, "find_outline", outline_in)  # by colour, which a plain bar needs
    pictures = [scene(index, Group.LEECH_LIKE) for index in range(40)]
    long = check_clip(write_clip(tmp_path / "a.mp4", pictures, rate=5), PaintReader())  # type: ignore[arg-type]
    (cue,) = [cue for cue in long.animals[0].judgement.cues if cue.name == TRACK]
    assert "1.0 times as long on one frame as on another, 3 times as long as wide" in cue.words
    short = check_clip(write_clip(tmp_path / "b.mp4", pictures, rate=20), PaintReader())  # type: ignore[arg-type]
    assert all(cue.name != TRACK for cue in short.animals[0].judgement.cues)


def test_without_a_scale_no_millimetre_is_told(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", [scene(i, Group.FLATWORM_LIKE) for i in range(25)])
    found = check_clip(path, PaintReader())  # type: ignore[arg-type]
    (animal,) = found.animals
    assert animal.judgement.label == "flatworm-like"
    assert animal.length is None
    assert animal.speed_mm_s is None
    assert "No scale" in animal.length_note


def test_a_thing_that_moves_is_no_animal(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", [scene(i, Group.NOT_AN_ORGANISM) for i in range(25)])
    found = check_clip(path, PaintReader())  # type: ignore[arg-type]
    assert found.animals == ()
    assert any("judged not to be an animal" in note for note in found.notes)


def test_a_clip_without_movement_is_judged_by_its_clearest_frame(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", [scene(0, None)] * 15)
    found = check_clip(path, PaintReader())  # type: ignore[arg-type]
    assert found.animals == ()
    assert found.verdict.label == "not-an-organism"
    assert any("checked like a photo" in note for note in found.notes)


def test_only_the_animal_in_the_box_is_told(tmp_path: Path) -> None:
    def two(index: int) -> U8:
        rgb = scene(index, Group.LEECH_LIKE)
        rgb[180:200, 250 - 3 * index : 320 - 3 * index] = paint_of(Group.HARMLESS)
        return rgb

    path = write_clip(tmp_path / "a.mp4", [two(index) for index in range(25)])
    both = check_clip(path, PaintReader())  # type: ignore[arg-type]
    assert [item.judgement.label for item in both.animals] == ["leech-like", "harmless"]
    one = check_clip(path, PaintReader(), box=(245, 175, 325, 205))  # type: ignore[arg-type]
    assert [item.judgement.label for item in one.animals] == ["harmless"]
    none = check_clip(path, PaintReader(), box=(10, 10, 40, 40))  # type: ignore[arg-type]
    assert none.verdict.label == "not-an-organism"
    assert {item.judgement.label for item in none.animals} <= {"not-an-organism"}


def test_after_an_irritant_neither_steps_nor_loops_are_told(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", [scene(i, Group.LEECH_LIKE) for i in range(25)])
    found = check_clip(path, PaintReader(), after_irritant=True)  # type: ignore[arg-type]
    assert found.animals[0].gait.gait not in {"inchworm-steps", "looping-under-irritation"}


@pytest.mark.parametrize("on_a_stand", [False, True])
def test_a_bar_on_a_bare_ground_is_followed_from_a_stand_if_somebody_says_so(
    tmp_path: Path, on_a_stand: bool
) -> None:
    def bare(index: int) -> U8:
        rgb = np.full((240, 360, 3), GROUND, np.uint8)
        rgb[100:124, 60 + 3 * index : 140 + 3 * index] = paint_of(Group.LEECH_LIKE)
        return rgb

    path = write_clip(tmp_path / "a.mp4", [bare(index) for index in range(25)])
    found = check_clip(path, PaintReader(), on_a_stand=on_a_stand)  # type: ignore[arg-type]
    is_unknown = any("moved there is not known" in note for note in found.notes)
    assert is_unknown is not on_a_stand
    assert (clip.TAKEN_TO_STAND in found.notes) is on_a_stand
    if on_a_stand:
        (animal,) = found.animals
        assert animal.trail.is_steadied
        assert animal.gait.speed_px_s == pytest.approx(30, rel=0.1)


def test_of_many_sharp_frames_a_few_are_kept_spread_over_the_clip() -> None:
    kept = SharpFrames(most=6)
    for index in range(400):
        rgb = np.random.default_rng(index).integers(0, 1 + index % 7 * 30, (24, 32, 3), np.uint8)
        kept.offer(index, ClipFrame(index, index / 10, rgb, 1.0, rgb.copy))
        assert len(kept.frames) <= 6
    times = [frame.time_s for _, _, frame in kept.frames]
    assert len(times) >= 3
    assert max(times) - min(times) > 20
