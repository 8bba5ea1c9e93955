"""A clip on the page: how one is told from a photo, what is answered, and what is kept of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import gradio as gr
import numpy as np
import pytest
from made_answers import judged
from made_trails import CUES, animal, clip_check, glider, reading
from test_cards import Seen, unfolded

from pestvision.findings.clip import IN_PIECES
from pestvision.findings.sizes import SCALE_NAMES
from pestvision.findings.words import CAUTION, CAUTION_BRIEF, CUES_HEADING, LOOK_FOR
from pestvision.motion.trail import GLIDE
from pestvision.organisms.classes import GROUP_NAMES, LABELS
from pestvision.size.records import Scale
from pestvision.web import clips, handlers, size_words, words
from pestvision.web.clip_cards import clip_answer

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.findings.clip_result import ClipCheck
    from pestvision.web.handlers import Desk


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """What a check of a clip was asked; it answers with a made one."""
    calls: list[dict[str, Any]] = []

    def check(path: Path, _classifier: object, **options: Any) -> ClipCheck:
        calls.append(options)
        return clip_check(path.name)

    monkeypatch.setattr(handlers, "check_clip", check)
    return calls


def test_a_clip_is_told_from_a_photo_by_what_it_holds(
    clip_file: Path, photo_file: Path, tmp_path: Path
) -> None:
    assert clips.is_clip(clip_file)
    assert not clips.is_clip(photo_file)
    misnamed = tmp_path / "photo.mp4"
    misnamed.write_bytes(photo_file.read_bytes())
    assert not clips.is_clip(misnamed)
    renamed = tmp_path / "clip.jpg"
    renamed.write_bytes(clip_file.read_bytes())
    assert clips.is_clip(renamed)
    damaged = tmp_path / "damaged.mov"
    damaged.write_bytes(b"\0" * 5000)
    assert clips.is_clip(damaged)
    assert not clips.is_clip(tmp_path / "gone.mp4")


def test_a_clip_is_taken_in_and_its_first_frame_is_shown(desk: Desk, clip_file: Path) -> None:
    shown = desk.take_photo("tab", str(clip_file))
    assert shown.is_clip
    assert (shown.width, shown.height) == (320, 240)
    assert shown.drawn().shape == (240, 320, 3)
    assert not clip_file.exists()
    assert shown.path.exists()


def test_a_clip_that_cannot_be_read_gets_one_sentence_and_is_not_kept(
    desk: Desk, tmp_path: Path
) -> None:
    bad = tmp_path / "torn.mp4"
    bad.write_bytes(b"\0\0\0\x20ftypisom" + b"\0" * 3000)
    with pytest.raises(gr.Error, match="torn"):
        desk.take_photo("tab", str(bad))
    assert not list((tmp_path / "kept").rglob("torn*"))


def test_a_clip_is_checked_with_what_the_person_said_of_it(
    desk: Desk, clip_file: Path, asked: list[dict[str, Any]]
) -> None:
    shown = desk.take_photo("tab", str(clip_file))
    after, html = desk.check(shown, after_irritant=True, on_a_stand=True)
    assert asked[0]["after_irritant"] is True
    assert asked[0]["on_a_stand"] is True
    assert asked[0]["box"] is None
    assert asked[0]["scale"] is None
    assert after.found is None  # nothing of a clip goes into the album
    assert after.found_on_clip is not None
    assert [outline.number for outline in after.outlines] == [1, 2]
    assert words.VERDICTS["leech-like"] in html


def test_a_place_marked_on_the_first_frame_is_handed_on_in_its_pixels(
    desk: Desk, clip_file: Path, asked: list[dict[str, Any]]
) -> None:
    shown = desk.take_photo("tab", str(clip_file))
    after, _html = desk.judge_mark(shown, (10, 20, 50, 60))
    assert asked[0]["box"] == pytest.approx((32, 48, 160, 144))
    assert asked[0]["after_irritant"] is False
    assert asked[0]["on_a_stand"] is False
    assert after.is_of_mark


def test_a_scale_taken_on_the_first_frame_is_handed_on_and_told_of(
    desk: Desk, clip_file: Path, asked: list[dict[str, Any]]
) -> None:
    shown = desk.take_photo("tab", str(clip_file))
    scale = Scale("two-points", np.diag([0.1, 0.1, 1.0]), 0.03, np.zeros((2, 2)), notes=("Flat.",))
    shown = replace(shown, measuring=replace(shown.measuring, scale=scale))
    _after, html = desk.check(shown)
    assert asked[0]["scale"] is scale
    assert SCALE_NAMES["two-points"] in html
    assert "Flat." in html


def test_the_answer_shows_each_clue_the_movement_and_the_length_of_every_animal() -> None:
    seen = Seen(clip_answer(clip_check()))
    for cue in CUES:
        assert cue.sentence() in seen.text
    assert f"{size_words.HOW_IT_MOVED}: inchworm steps" in seen.text
    assert f"{size_words.HOW_IT_MOVED}: gliding" in seen.text
    assert "About 10 mm long, 9.2 to 12 mm" in seen.text
    assert "farther from the glass than the scale" in seen.text
    assert "2.1 mm a second" in seen.text
    assert "Length of number 1 over time, in mm" in seen.text
    assert "Length of number 2 over time, in pixels" in seen.text
    described = [str(one["alt"]) for one in seen.pictures()]
    assert f"{size_words.TRACKS}: 1  leech-like; 2  flatworm-like" in described
    assert f"{size_words.TRACKS_CLOSE}: 2  flatworm-like" in described
    assert len(described) == 5  # two crops, the ways of both, and each way close up


def test_every_anchor_in_an_answer_is_there_once() -> None:
    ids = [attrs["id"] for _tag, attrs in Seen(clip_answer(clip_check())).tags if "id" in attrs]
    assert len(ids) == len(set(ids)) == 4


@pytest.mark.parametrize("label", LABELS)
def test_the_caution_stands_by_every_label_of_a_clip(label: str) -> None:
    one = animal(1, judged(label, 0.6))
    text = Seen(clip_answer(clip_check(verdict=one.judgement, animals=(one,)))).text
    assert text.count(CAUTION) == 1
    assert size_words.CLIP_VERDICTS[label] in text
    assert "from this photo" not in text
    assert CUES_HEADING not in text


def test_every_label_of_a_clip_in_sight_has_its_caution_in_sight() -> None:
    three = (*clip_check().animals, animal(3, judged("harmless", 0.8)))
    seen = unfolded(clip_answer(clip_check(animals=three)))
    assert seen.count(CAUTION) == 1
    first, second, third = seen.split(CAUTION_BRIEF)
    assert size_words.CLIP_VERDICTS["leech-like"] in first
    assert "flatworm-like" in first.split(size_words.FURTHER)[1]
    assert "harmless" in second
    assert not [name for name in GROUP_NAMES.values() if name in third]


def test_what_is_most_worrying_is_told_at_once_and_the_rest_is_folded() -> None:
    seen = unfolded(clip_answer(clip_check()))
    assert "Confidence 94 %" in seen
    for cue in CUES:
        assert cue.sentence() in seen
    for sentence in LOOK_FOR["leech-like"]:
        assert sentence in seen
    assert f"{size_words.HOW_IT_MOVED}: inchworm steps" in seen
    assert f"{size_words.SIZE}: 10 mm (9.2–12)" in seen
    assert f"{size_words.FURTHER}: 1" in seen
    for folded in (
        "About 10 mm long",
        "Length of number",
        "It glides at a steady length",
        "second 0.0",
    ):
        assert folded not in seen


def test_that_one_animal_may_be_told_in_pieces_is_said_once_where_the_pieces_stand() -> None:
    pieces = clip_check(notes=(IN_PIECES, "The clip is turned upright."))
    html = clip_answer(pieces)
    assert Seen(html).text.count(IN_PIECES) == 1
    assert IN_PIECES in unfolded(html).split(size_words.FURTHER)[1]
    assert "turned upright" not in unfolded(html)


def test_a_small_animal_is_shown_close_up_with_the_answer() -> None:
    small = animal(1, judged("harmless", 0.9), trail=glider(20))
    alone = Seen(clip_answer(clip_check(verdict=small.judgement, animals=(small,))))
    assert str(alone.pictures()[1]["alt"]).startswith(size_words.TRACKS_CLOSE)
    assert size_words.TRACKS_CLOSE_SAY in alone.text
    assert len(alone.pictures()) == 2  # no second picture of its way, which would be the same


def test_what_cannot_be_told_is_said_with_its_reason() -> None:
    why = "The frames lie 3 seconds apart, and a step takes 4: take a clip of video."
    untold = animal(
        1,
        judged("cant-tell", 0.5),
        trail=glider(),
        gait=reading(None, reasons=(why,)),
        length=None,
        mm_per_px=None,
    )
    text = Seen(clip_answer(clip_check(verdict=untold.judgement, animals=(untold,)))).text
    assert size_words.GAIT_UNKNOWN in text
    assert why in text
    assert size_words.NO_SCALE_CLIP in text
    assert size_words.GAIT_LIKELY not in text  # nothing is known of any


def test_without_a_scale_the_speed_is_in_lengths() -> None:
    bare = animal(1, gait=reading(GLIDE, speed_px_s=30.0), trail=glider(), mm_per_px=None)
    assert "0.5 of its own lengths a second" in Seen(clip_answer(clip_check(animals=(bare,)))).text


def test_a_clip_on_which_nothing_was_followed_says_so() -> None:
    text = Seen(clip_answer(clip_check(animals=()))).text
    assert size_words.WHOLE_CLIP in text
    assert size_words.TRACKS not in text


def test_no_name_of_a_clip_can_be_code() -> None:
    evil = "<script>alert(1)</script>.mp4"
    noted = clip_check(evil, notes=(evil,))
    assert not [tag for tag, _attrs in Seen(clip_answer(noted)).tags if tag == "script"]
    assert evil in Seen(clip_answer(noted)).text


def test_what_a_clip_shows_can_go_into_a_tanks_log() -> None:
    photo = clips.as_photo(clip_check())
    assert [item.judgement.label for item in photo.findings] == ["leech-like", "flatworm-like"]
    assert photo.taken is None
    assert photo.photo == "glass.mp4"
