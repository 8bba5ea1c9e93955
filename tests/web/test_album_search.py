"""Pictures of the album found again, relabelled, deleted and brought back; and photos added."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import gradio as gr
import numpy as np
import pytest
from hand_made import CLASSIFIER, HOSTILE_NAME, fake_check, picture
from PIL import Image

from pestvision.collection.intake import add_photos
from pestvision.collection.records import (
    DISPUTED,
    UNLABELLED,
    Label,
    NewCrop,
    NewPhoto,
    Wanted,
)
from pestvision.findings.finding import PhotoCheck
from pestvision.findings.words import CAUTION
from pestvision.settings import Settings
from pestvision.web import album_intake, album_words
from pestvision.web.album import AlbumDesk, SharedAlbum
from pestvision.web.album_cards import progress_card
from pestvision.web.album_intake import IntakeDesk
from pestvision.web.album_search import ON_A_PAGE, Search, SearchDesk
from pestvision.web.handlers import ClassifierOnce

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOW = "2021-03-02T21:00:00.000000Z"
NO_DATES = ("", "")


def photo_of(number: int, *labels: Label, **about: Any) -> NewPhoto:
    """A drawn photo that no other number has, with one crop."""
    noise = np.random.default_rng(number).integers(0, 255, (120, 160, 3), dtype=np.uint8)
    path = about.pop("folder") / f"{number:04d}.png"
    Image.fromarray(noise).save(path)
    name = about.pop("name", path.name)
    return NewPhoto(path, name, (NewCrop((20.0, 20.0, 90.0, 80.0), labels),), **about)


def said(label: str, number: int, who: str = "keeper") -> Label:
    return Label(f"key-{who}-{number}", label, who, "person", NOW)


@pytest.fixture
def album(tmp_path: Path) -> Iterator[SharedAlbum]:
    shared = SharedAlbum(tmp_path / "album")
    yield shared
    shared.close()


@pytest.fixture
def filled(album: SharedAlbum, tmp_path: Path) -> SharedAlbum:
    """Thirty crops: two snails in Moss, one leech in Amber, one disputed, the others unlabelled."""
    photos = [
        photo_of(1, said("snail", 1), folder=tmp_path, tank="Moss", taken="2031-03-01T22:00:00"),
        photo_of(2, said("harmless", 2), folder=tmp_path, tank="Moss", taken="2031-03-02T22:00:00"),
        photo_of(3, said("leech", 3), folder=tmp_path, tank="Amber", taken="2031-03-03T22:00:00"),
        photo_of(4, said("leech", 4, "Ida"), said("snail", 4, "Per"), folder=tmp_path),
        photo_of(5, folder=tmp_path, name=HOSTILE_NAME),
        *(photo_of(number, folder=tmp_path) for number in range(6, 31)),
    ]
    add_photos(album.library(), photos, note="thirty")
    return album


@pytest.fixture
def desk(filled: SharedAlbum) -> SearchDesk:
    return SearchDesk(filled)


def numbers_in(html: str) -> list[int]:
    return [int(found) for found in re.findall(r'data-do="open" data-number="(\d+)"', html)]


@pytest.mark.parametrize(
    ("label", "tank", "dates", "text", "expected"),
    [
        ("harmless", None, NO_DATES, "", [2, 1]),
        ("snail", None, NO_DATES, "", [1]),
        (None, "Amber", NO_DATES, "", [3]),
        (None, None, ("2031-03-02", ""), "", [3, 2]),
        (None, None, ("", "2031-03-02"), "", [2, 1]),
        (None, None, ("2031-03-02", "2031-03-02"), "", [2]),
        (None, None, NO_DATES, " 0030 ", [30]),
        (DISPUTED, "", NO_DATES, "", [4]),
    ],
)
def test_a_search_finds_what_was_asked_for(
    desk: SearchDesk, label: str, tank: str, dates: tuple[str, str], text: str, expected: list[int]
) -> None:
    search, html = desk.find(label, tank, dates, text)
    assert numbers_in(html) == expected
    assert html.count("data:image/jpeg") == len(expected)
    assert search.offset == 0


def test_pages_are_turned_and_stop_at_both_ends(desk: SearchDesk) -> None:
    search, html = desk.find(None, None, NO_DATES, "")
    assert len(numbers_in(html)) == ON_A_PAGE
    assert "1 to 24 of 30 pictures" in html
    assert 'data-place="turn-1" aria-disabled="true"' in html
    search, second = desk.turn(search, 1)
    assert "25 to 30 of 30 pictures" in second
    assert set(numbers_in(html)).isdisjoint(numbers_in(second))
    assert 'data-place="turn1" aria-disabled="true"' in second
    search, again = desk.turn(search, 1)
    assert numbers_in(again) == numbers_in(second)
    assert desk.turn(search, -9)[1] == html


def test_nothing_found_is_said(desk: SearchDesk, tmp_path: Path) -> None:
    assert album_words.FOUND_NONE in desk.find("leech", "Moss", NO_DATES, "")[1]
    empty = SearchDesk(SharedAlbum(tmp_path / "none"))
    assert album_words.FOUND_NONE in empty.find(None, None, NO_DATES, "")[1]
    assert empty.tanks() == []
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("text", ["yesterday", "2031-13-01", "<b>"])
def test_a_date_that_is_none_is_told(desk: SearchDesk, text: str) -> None:
    with pytest.raises(gr.Error, match="is no date") as told:
        desk.find(None, None, (text, ""), "")
    assert "<b>" not in str(told.value)


def test_an_open_picture_shows_what_was_said_and_the_caution_by_the_nets(
    desk: SearchDesk, filled: SharedAlbum
) -> None:
    filled.library()
    with filled.library().database.atomic():
        net = Label("n", "leech-like", "net", "net", NOW, model="net-7", confidence=0.63)
        filled.library().add_labels([(1, net)])
    search, html = desk.open(Search(), 1.0)
    assert search.opened == 1
    for part in ("0001.png · Moss · 2031-03-01 22:00:00", "snail (keeper)", "leech-like, 63 %"):
        assert part in html
    assert CAUTION.split(".", maxsplit=1)[0] in html.replace("&#x27;", "'")
    assert "<img src=x" not in desk.open(Search(), 5)[1]


@pytest.mark.parametrize("number", [None, 99, 0, -3])
def test_a_picture_that_is_not_there_is_told(desk: SearchDesk, number: float | None) -> None:
    with pytest.raises(gr.Error):
        desk.open(Search(), number)


def test_relabelling_settles_a_dispute_and_can_be_taken_back(
    desk: SearchDesk, filled: SharedAlbum
) -> None:
    search, html = desk.open(Search(), 4)
    assert album_words.SETTLE in html
    search, html = desk.relabel(search, "leech-like", who="Mo")
    assert album_words.SETTLE not in html
    assert filled.library().crop(4).label == "leech-like"
    with pytest.raises(gr.Error, match="no label that could be taken back"):
        desk.take_back(search, who="Somebody")
    search, html = desk.take_back(search, who="Mo")
    assert filled.library().crop(4).is_disputed
    assert "<s>" in html


def test_what_is_deleted_is_gone_from_the_search_and_comes_back_by_undo(
    desk: SearchDesk,
) -> None:
    search, _ = desk.find("leech", None, NO_DATES, "")
    search, _ = desk.open(search, 3)
    search, html = desk.delete(search, who="Ida")
    assert "Picture 3 is deleted" in html
    assert search.opened is None
    search, grid = desk.again(search)
    assert numbers_in(grid) == []
    with pytest.raises(gr.Error, match="no longer shown"):
        desk.relabel(search, "snail")
    listed = desk.actions()
    assert "Deleted: 1 picture, picture 3" in listed
    action = int(re.findall(r'data-do="undo" data-number="(\d+)"', listed)[0])
    listed = desk.undo(action)
    assert "1 picture brought back" in listed
    assert "undone" in listed
    assert numbers_in(desk.again(search)[1]) == [3]
    with pytest.raises(gr.Error, match="undone already"):
        desk.undo(action)


def test_an_import_is_undone_as_a_whole(desk: SearchDesk, filled: SharedAlbum) -> None:
    assert "Added: 30 pictures, thirty" in desk.actions()
    assert "30 pictures taken out of the album" in desk.undo(1)
    assert filled.library().counts().n_crops == 0


def test_the_last_page_that_became_empty_falls_back_to_the_one_before(
    desk: SearchDesk, filled: SharedAlbum
) -> None:
    search, _ = desk.turn(desk.find(None, None, NO_DATES, "")[0], 1)
    filled.library().delete(range(25, 31))
    assert filled.library().counts().n_crops == ON_A_PAGE
    search, html = desk.again(search)
    assert search.offset == 0
    assert len(numbers_in(html)) == ON_A_PAGE


def test_how_far_the_labelling_is_is_said_in_one_sentence(
    filled: SharedAlbum, tmp_path: Path
) -> None:
    library = filled.library()
    html = progress_card(library)
    assert "1 leech-like, 0 flatworm-like, 2 harmless, 0 not an organism; 26 without a" in html
    assert "1 on which people disagree" in html
    assert album_words.ENOUGH in progress_card(library, ())
    needs = progress_card(library, ("5 more flatworms", "2 more days"))
    assert "needs 5 more flatworms and 2 more days." in needs
    assert album_words.PROGRESS_NONE in progress_card(SharedAlbum(tmp_path / "no").begun())


@pytest.fixture
def intake(album: SharedAlbum, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> IntakeDesk:
    monkeypatch.setattr(album_intake, "check_photo", fake_check)
    once = ClassifierOnce(lambda: CLASSIFIER)
    desk = AlbumDesk(album, once, lambda _net: "net-7")
    return IntakeDesk(Settings(), desk, once, tmp_path / "kept")


def handed_over(tmp_path: Path, name: str, shade: int = 0) -> str:
    path = tmp_path / "sent" / name
    path.parent.mkdir(exist_ok=True)
    Image.fromarray(np.roll(picture(), shade, axis=1)).save(path, format="PNG")
    return str(path)


def test_photos_added_become_crops_without_a_label_and_the_copies_are_deleted(
    intake: IntakeDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    told: list[tuple[int, int]] = []
    sent = [handed_over(tmp_path, "a.png"), handed_over(tmp_path, "b.png", 60)]
    html = intake.add(
        "visitor", sent, lambda done, total, _: told.append((done, total)), who="Ida", tank="Moss"
    )
    assert "4 pictures from 2 photos came into the album." in html
    library = album.library()
    assert library.search(Wanted(label=UNLABELLED, tank="Moss")).n_found == 4
    assert [item.kind for item in library.history(1)] == ["net"]
    assert told == [(0, 2), (1, 2)]
    assert not [path for path in (tmp_path / "kept").rglob("*") if path.is_file()]
    again = intake.add("visitor", [handed_over(tmp_path, "a.png")], lambda *_: None)
    assert "Nothing new" in again
    assert "2 pictures had been there already" in again


def test_a_photo_that_cannot_be_used_is_named_and_the_others_are_kept(
    intake: IntakeDesk, album: SharedAlbum, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nothing_on_quiet(photo: Any, *rest: Any, **options: Any) -> PhotoCheck:
        found = fake_check(photo, *rest, **options)
        if "quiet" not in photo.name:
            return found
        return PhotoCheck(photo.name, photo.width, photo.height, None, found.verdict, ())

    monkeypatch.setattr(album_intake, "check_photo", nothing_on_quiet)
    letter = tmp_path / "letter <b>.jpg"
    letter.write_text("no photo")
    sent = [str(letter), handed_over(tmp_path, "quiet.png", 9), handed_over(tmp_path, "c.png")]
    html = intake.add("visitor", sent, lambda *_: None)
    assert "2 pictures from 1 photo came into the album." in html
    assert "they were not kept: quiet.png." in html
    assert "letter &lt;b&gt;.jpg: " in html
    assert album.library().counts().n_crops == 2


def test_no_photo_at_all_is_told(intake: IntakeDesk, album: SharedAlbum) -> None:
    with pytest.raises(gr.Error, match="No photo came along"):
        intake.add("visitor", [], lambda *_: None)
    assert album.begun() is None
