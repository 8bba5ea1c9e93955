"""The album beside an answer: what a tap keeps, what it says, and how it is taken back."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import gradio as gr
import pytest
from hand_made import CLASSIFIER, HOSTILE_NAME, crop, judged, made_night, picture
from PIL import Image

from pestvision.collection.records import DONT_KNOW, Wanted
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import Group
from pestvision.storage.place import data_folder
from pestvision.web import album_words, words
from pestvision.web.album import (
    AlbumDesk,
    Lesson,
    SharedAlbum,
    Teachable,
    lesson_of,
    lesson_of_night,
    person_of,
    tank_of,
)
from pestvision.web.album_cards import lesson_card
from pestvision.web.handlers import ClassifierOnce, Desk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

EDGES = (10.0, 20.0, 50.0, 60.0)


@pytest.fixture
def album(tmp_path: Path) -> Iterator[SharedAlbum]:
    shared = SharedAlbum(tmp_path / "album")
    yield shared
    shared.close()


@pytest.fixture
def teacher(album: SharedAlbum) -> AlbumDesk:
    return AlbumDesk(album, ClassifierOnce(lambda: CLASSIFIER), lambda _net: "net-7")


@pytest.fixture
def lesson(desk: Desk, photo_file: Path) -> Lesson:
    shown, _ = desk.check(desk.take_photo("visitor", str(photo_file)))
    return lesson_of(shown)


def test_every_finding_of_an_answer_can_be_taught(lesson: Lesson) -> None:
    assert [item.number for item in lesson.items] == [1, 2]
    html = lesson_card(lesson)
    assert html.count('data-do="label"') == 10
    assert html.count("<select") == 2
    assert CAUTION.split(".", maxsplit=1)[0] in html.replace("&#x27;", "'")
    assert "The net says: leech-like, 87 %" in html
    assert album_words.TAKE_BACK not in html


def test_before_an_answer_there_is_nothing_to_teach(desk: Desk, photo_file: Path) -> None:
    assert lesson_of(None).items == ()
    assert lesson_of(desk.take_photo("visitor", str(photo_file))).items == ()
    assert lesson_card(Lesson()) == ""


def test_a_tap_keeps_the_photo_the_label_and_what_the_net_said(
    teacher: AlbumDesk, lesson: Lesson
) -> None:
    after = teacher.teach(lesson, 1, "flatworm-like", who="Ida", tank=" Moss ")
    assert after.said[1] == "Saved: 1 flatworm-like so far."
    library = teacher.album.library()
    (kept,) = library.search(Wanted()).crops
    assert (kept.label, kept.tank, kept.photo_name) == (
        "flatworm-like",
        "Moss",
        "evening glass.jpg",
    )
    assert kept.box_xyxy_px == pytest.approx(lesson.items[0].box_xyxy_px, abs=0.1)
    net, person = sorted(library.history(kept.id), key=lambda item: item.kind)
    assert (net.label, net.kind, net.model) == ("leech-like", "net", "net-7")
    assert net.confidence == pytest.approx(0.87)
    assert (person.label, person.who, person.kind) == ("flatworm-like", "Ida", "person")
    html = lesson_card(after)
    assert html.count('aria-pressed="true"') == 1
    assert 'data-label="flatworm-like" data-place="flatworm-like-1" aria-pressed="true"' in html
    assert album_words.TAKE_BACK in html


def test_a_second_tap_changes_ones_mind_and_the_net_is_noted_once(
    teacher: AlbumDesk, lesson: Lesson
) -> None:
    lesson = teacher.teach(lesson, 1, "flatworm-like")
    lesson = teacher.teach(lesson, 1, "leech")
    assert lesson.said[1] == "Saved: 1 leech-like so far."
    library = teacher.album.library()
    (kept,) = library.search(Wanted()).crops
    assert kept.label == "leech"
    assert [item.kind for item in library.history(kept.id)].count("net") == 1
    html = lesson_card(lesson)
    assert 'data-label="leech-like" data-place="leech-like-1" aria-pressed="true"' in html
    assert '<option value="leech" selected>' in html


def test_what_is_counted_so_far_counts_what_others_added(
    teacher: AlbumDesk, lesson: Lesson
) -> None:
    lesson = teacher.teach(lesson, 1, "snail")
    lesson = teacher.teach(lesson, 2, Group.HARMLESS)
    assert lesson.said[2] == "Saved: 2 harmless so far."
    lesson = teacher.teach(lesson, 2, DONT_KNOW)
    assert lesson.said[2] == "Saved: 1 “I don’t know” so far."


def test_taking_back_leaves_the_picture_without_the_label(
    teacher: AlbumDesk, lesson: Lesson
) -> None:
    lesson = teacher.unteach(teacher.teach(lesson, 2, "harmless"), 2)
    assert lesson.given == {}
    assert lesson.said[2] == album_words.TAKEN_BACK
    counts = teacher.album.library().counts()
    assert (counts.n_crops, counts.n_unlabelled) == (1, 1)
    with pytest.raises(gr.Error, match="no longer shown"):
        teacher.unteach(lesson, 2)


def test_a_photo_on_which_nothing_stood_out_is_taught_as_a_whole(
    desk: Desk, teacher: AlbumDesk, photo_file: Path
) -> None:
    shown, _ = desk.check(desk.take_photo("visitor", str(photo_file)))
    assert shown.found is not None
    bare = dataclasses.replace(shown, found=dataclasses.replace(shown.found, findings=()))
    lesson = lesson_of(bare)
    assert [item.box_xyxy_px for item in lesson.items] == [None]
    assert album_words.WHOLE in lesson_card(lesson)
    teacher.teach(lesson, 1, "not-an-organism")
    (kept,) = teacher.album.library().search(Wanted()).crops
    assert kept.box_xyxy_px == (0.0, 0.0, 900.0, 600.0)


def test_a_marked_place_without_a_finding_is_taught_at_its_place(
    desk: Desk, photo_file: Path
) -> None:
    shown, _ = desk.judge_mark(desk.take_photo("visitor", str(photo_file)), EDGES)
    assert shown.found is not None
    marked = dataclasses.replace(
        shown,
        mark_xyxy_px=(90.0, 120.0, 450.0, 360.0),
        found=dataclasses.replace(shown.found, findings=()),
    )
    (item,) = lesson_of(marked).items
    assert item.box_xyxy_px == (90.0, 120.0, 450.0, 360.0)
    assert item.crop_rgb.shape == (224, 224, 3)


@pytest.mark.parametrize(
    ("number", "label", "who", "tank", "said"),
    [
        (9, "harmless", "", "", "no longer shown"),
        (1, "dragon", "", "", "is no label"),
        (1, "harmless", "x" * 99, "", "the person who labels"),
        (1, "harmless", "", "Mo\x00ss", "the tank"),
    ],
)
def test_what_cannot_be_kept_is_told_and_nothing_is(
    teacher: AlbumDesk, lesson: Lesson, number: int, label: str, who: str, tank: str, said: str
) -> None:
    with pytest.raises(gr.Error, match=said):
        teacher.teach(lesson, number, label, who=who, tank=tank)
    assert teacher.album.library().counts().n_crops == 0


def test_a_photo_that_is_gone_is_told(teacher: AlbumDesk, lesson: Lesson, desk: Desk) -> None:
    desk.leave("visitor")
    with pytest.raises(gr.Error, match=words.PHOTO_GONE[:30]):
        teacher.teach(lesson, 1, "harmless")


def test_a_photo_too_damaged_to_keep_is_told(teacher: AlbumDesk, tmp_path: Path) -> None:
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"no photo")
    item = Teachable(1, broken, broken.name, None, judged("harmless"), crop())
    with pytest.raises(gr.Error, match=r"broken\.jpg was not kept"):
        teacher.teach(Lesson((item,)), 1, "harmless")


def test_a_hostile_name_stays_text(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    Image.fromarray(crop()).save(path)
    item = Teachable(1, path, HOSTILE_NAME, None, judged("harmless"), crop())
    assert "<img src=x" not in lesson_card(Lesson((item,)))


def test_an_album_is_begun_only_when_something_is_kept(album: SharedAlbum) -> None:
    assert album.begun() is None
    assert not album.folder.exists()
    first = album.library()
    assert album.library() is first
    assert album.begun() is first
    album.close()
    again = album.begun()
    assert again is not None
    assert again is not first


def test_the_data_folder_can_be_named_from_outside(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PESTVISION_DATA", str(tmp_path / "mine"))
    assert data_folder() == tmp_path / "mine"
    monkeypatch.delenv("PESTVISION_DATA")
    assert data_folder().name == "pestvision"


def test_empty_fields_mean_no_tank_and_a_keeper() -> None:
    assert tank_of("  ") is None
    assert tank_of(None) is None
    assert person_of("") == "keeper"
    assert person_of(" Ida  May ") == "Ida May"


def test_the_animals_of_a_night_are_taught_from_the_photo_on_which_they_are_largest(
    teacher: AlbumDesk, tmp_path: Path
) -> None:
    folder = tmp_path / "shelf"
    (folder / "left").mkdir(parents=True)
    for number in range(1, 4):
        Image.fromarray(picture()).save(folder / "left" / f"000{number}.jpg")
    lesson = lesson_of_night(made_night(), folder)
    assert [item.judgement.label for item in lesson.items] == ["leech-like", "harmless"]
    assert lesson.items[0].where == "View left, number 1, on left/0002.jpg"
    html = lesson_card(lesson)
    assert "View left, number 2, on left/0002.jpg" in html
    assert CAUTION.split(".", maxsplit=1)[0] in html.replace("&#x27;", "'")
    teacher.teach(lesson, 2, "snail", tank="Slate")
    library = teacher.album.library()
    (kept,) = library.search(Wanted(tank="Slate")).crops
    assert kept.box_xyxy_px == (580.0, 320.0, 720.0, 470.0)
    assert library.actions()[0].note == "a night on the page"
    (folder / "left" / "0002.jpg").unlink()
    with pytest.raises(gr.Error, match=r"0002\.jpg is no longer in its folder"):
        teacher.teach(lesson, 1, "leech")
