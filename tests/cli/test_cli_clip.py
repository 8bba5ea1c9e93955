"""`clip`: the answer in words, as JSON Lines, its options, and the ways in which it can go wrong."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from made_trails import clip_check
from PIL import Image
from pretended import flat

from pestvision.cli.clip_text import MOVED
from pestvision.errors import ClipError
from pestvision.findings.words import CAUTION, LOOK_FOR
from pestvision.motion.trail import GAITS
from tests.made_clips import write_clip

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pretended import Stages
    from typer.testing import Result

    TypeIn = Callable[..., Result]


pytestmark = pytest.mark.usefixtures("clips")


@pytest.fixture
def clips(stages: Stages, tmp_path: Path) -> Stages:
    """Two clips in the folder, and a stand-in for their check."""
    frames = [np.full((64, 96, 3), 40 + 10 * index, np.uint8) for index in range(4)]
    for name in ("glass.mp4", "stone.mov"):
        write_clip(tmp_path / name, frames)
    stages.put(
        "pestvision.findings.clip", "check_clip", lambda source, **_all: clip_check(source.name)
    )
    return stages


def test_a_clip_is_answered_with_verdict_gait_length_and_what_to_look_for(type_in: TypeIn) -> None:
    result = type_in("clip", "glass.mp4")
    assert result.exit_code == 0
    assert result.stderr == ""
    text = flat(result.stdout)
    assert "glass.mp4 (900 × 600 pixels, 300 frames, 10.0 s)" in text
    assert "Verdict: leech-like, 94 % sure" in text
    assert "steps like an inchworm, 3 of 4 steps" in text
    assert "About 10 mm long, 9.2 to 12 mm" in text
    assert "The clip is turned upright." in text
    for sentence in LOOK_FOR["leech-like"]:
        assert sentence in text
    assert text.endswith(CAUTION)
    assert text.count(CAUTION) == 1


def test_json_is_one_line_a_clip_and_carries_the_caution(type_in: TypeIn) -> None:
    result = type_in("clip", "glass.mp4", "stone.mov", "--json")
    told = [json.loads(line) for line in result.stdout.splitlines()]
    assert [one["clip"] for one in told] == ["glass.mp4", "stone.mov"]
    assert all(one["caution"] == CAUTION for one in told)
    assert [animal["track"] for animal in told[0]["animals"]] == [1, 2]


def test_what_was_typed_reaches_the_check(clips: Stages, type_in: TypeIn) -> None:
    result = type_in(
        *(
            "clip",
            "glass.mp4",
            "--box",
            "1,2,30,40",
            "--after-irritant",
            "--on-a-stand",
            "--two-points",
            "5,5,55,5,10",
        )
    )
    assert result.exit_code == 0, result.stderr
    (asked,) = clips.asked("check_clip")
    assert asked["box"] == (1.0, 2.0, 30.0, 40.0)
    assert asked["after_irritant"] is True
    assert asked["on_a_stand"] is True
    assert asked["scale"].mm_per_px((10.0, 10.0)) == pytest.approx(0.2)


def test_photos_and_folders_are_bursts_and_clips_stay_alone(
    clips: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    (tmp_path / "burst").mkdir()
    for index in range(3):
        for place in (tmp_path, tmp_path / "burst"):
            noise = np.random.default_rng(index).integers(0, 255, (300, 400, 3), np.uint8)
            Image.fromarray(noise).save(place / f"{index}.jpg")
    result = type_in(
        "clip", "0.jpg", "glass.mp4", "1.jpg", "2.jpg", "burst", "--seconds-apart", "0.5"
    )
    assert result.exit_code == 0, result.stderr
    sources = [asked["source"] for asked in clips.asked("check_clip")]
    assert [source.is_burst for source in sources] == [False, True, True]
    assert sources[2].times_s == (0.0, 0.5, 1.0)
    assert len(sources[1].paths) == 3


def test_what_cannot_be_used_is_named_and_the_others_go_on(type_in: TypeIn, tmp_path: Path) -> None:
    (tmp_path / "empty.mp4").touch()
    result = type_in("clip", "empty.mp4", "glass.mp4", "gone.mp4")
    assert result.exit_code == 0
    assert "0 bytes" in result.stderr
    assert "There is no gone.mp4" in result.stderr
    assert type_in("clip", "empty.mp4").exit_code == 3


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--box", "1,2,3"], "four numbers"),
        (["--seconds-apart", "soon"], "a number over 0"),
        (["--seconds-apart", "-1"], "a number over 0"),
        (["--two-points", "1,2"], "five numbers"),
    ],
)
def test_an_option_without_a_meaning_is_told(
    clips: Stages, type_in: TypeIn, words: list[str], says: str
) -> None:
    result = type_in("clip", "glass.mp4", *words)
    assert result.exit_code == 2
    assert says in flat(result.stderr)
    assert clips.asked("check_clip") == []


def test_a_box_off_the_frame_is_told(type_in: TypeIn) -> None:
    result = type_in("clip", "glass.mp4", "--box", "500,2,600,40")
    assert result.exit_code == 3
    assert "outside glass.mp4" in result.stderr


def test_tracks_and_lengths_are_saved_under_free_names(type_in: TypeIn, tmp_path: Path) -> None:
    for _ in range(2):
        result = type_in("clip", "glass.mp4", "--out", "seen")
        assert result.exit_code == 0, result.stderr
    names = sorted(path.name for path in (tmp_path / "seen").iterdir())
    assert len(names) == 4
    with Image.open(tmp_path / "seen" / "glass-tracks.png") as picture:
        assert picture.size == (900, 600)
    html = (tmp_path / "seen" / "glass-lengths.html").read_text(encoding="utf-8")
    assert html.count("<svg") == 2
    assert CAUTION.split(".")[0].replace("'", "&#x27;") in html


def test_a_clip_that_breaks_while_it_is_read_is_told(clips: Stages, type_in: TypeIn) -> None:
    def broken(**_all: object) -> None:
        raise ClipError("glass.mp4 is damaged.", advice="Copy it again.")

    clips.put("pestvision.findings.clip", "check_clip", broken)
    result = type_in("clip", "glass.mp4")
    assert result.exit_code == 3
    assert "Copy it again." in result.stderr


def test_every_gait_has_words() -> None:
    assert set(MOVED) == set(GAITS)
