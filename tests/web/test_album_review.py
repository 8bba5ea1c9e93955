"""One picture of the album after the other: asked, answered, passed over, taken back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import gradio as gr
import numpy as np
import pytest
from hand_made import CLASSIFIER, HOSTILE_NAME
from PIL import Image
from played_teaching import Adapting, fill, photo_of, said

from pestvision.collection.intake import add_photos
from pestvision.collection.records import DONT_KNOW, NewCrop, NewPhoto
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import Group
from pestvision.web import album_words, review_cards
from pestvision.web.album import SharedAlbum
from pestvision.web.album_pictures import LARGE_PX
from pestvision.web.album_review import AT_ONCE, FEW, Review, ReviewDesk
from pestvision.web.handlers import ClassifierOnce

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def album(tmp_path: Path) -> Iterator[SharedAlbum]:
    shared = SharedAlbum(tmp_path / "album")
    yield shared
    shared.close()


@pytest.fixture
def desk(album: SharedAlbum) -> ReviewDesk:
    return ReviewDesk(album, ClassifierOnce(lambda: CLASSIFIER), Adapting().tools())


def silent(done: int, total: int, what: str) -> None:
    """Take progress."""


def shown_number(review: Review) -> int:
    assert review.shown is not None
    return review.shown.crop.id


def test_opening_lets_the_net_read_and_asks_about_the_first(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 20, labels=("snail",))
    told: list[str] = []
    review = desk.begin(Review(), lambda _done, _total, what: told.append(what))
    assert told[0] == album_words.GETTING_READY
    assert len(review.queue) == AT_ONCE
    assert album.library().unread("net-7") == []
    assert review.shown is not None
    assert review.shown.likely == Group.HARMLESS
    assert 1 not in [item.crop.id for item in review.queue]


def test_the_question_shows_the_picture_the_guess_the_reason_and_the_caution(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    photo = photo_of(
        1, folder=tmp_path, name=HOSTILE_NAME, tank="Moss", taken="2031-03-02T22:04:10"
    )
    add_photos(album.library(), [photo])
    review = desk.begin(Review(), silent)
    picture = review_cards.large_picture(review, album.pictures)
    assert "data:image/jpeg" in picture
    assert f'width="{LARGE_PX}"' in picture
    asked = review_cards.question(review)
    assert "The net says: harmless, " in asked
    assert review.shown is not None
    assert review.shown.words in asked.replace("&#x27;", "'")
    facts = review_cards.facts(review)
    assert "Moss · 2031-03-02 22:04:10" in facts
    assert CAUTION.split(".", maxsplit=1)[0] in facts.replace("&#x27;", "'")
    assert "<img src=x" not in picture + asked + facts


def test_an_answer_is_kept_and_the_next_picture_follows(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 9)
    review = desk.begin(Review(), silent)
    first, second = review.queue[0].crop.id, review.queue[1].crop.id
    review = desk.answer(review, "leech-like", who="Ida")
    assert review.said == "Saved: 1 leech-like so far."
    assert shown_number(review) == second
    (label,) = album.library().history(first)
    assert (label.label, label.who) == ("leech-like", "Ida")


def test_every_picture_is_asked_about_once_until_none_is_left(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 30)
    review = desk.begin(Review(), silent)
    asked = []
    for _ in range(30):
        asked.append(shown_number(review))
        review = desk.refill(desk.answer(review, "harmless"))
        assert review.shown is None or len(review.queue) >= min(FEW, 30 - len(asked))
    assert sorted(asked) == list(range(1, 31))
    assert review.shown is None
    assert album_words.ALL_LABELLED in review_cards.nothing_left(album.begun(), review)
    with pytest.raises(gr.Error, match="nothing to label"):
        desk.answer(review, "harmless")


def test_i_dont_know_is_an_answer_and_not_asked_again(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 1)
    review = desk.answer(desk.begin(Review(), silent), DONT_KNOW)
    assert review.shown is None
    assert desk.begin(Review(), silent).shown is None
    assert album.library().counts().n_dont_know == 1


def test_what_was_passed_over_comes_again_only_when_asked_anew(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 2)
    review = desk.begin(Review(), silent)
    first = shown_number(review)
    review = desk.skip(review)
    assert shown_number(review) != first
    review = desk.skip(review)
    assert review.shown is None
    assert album_words.PASSED_OVER_ALL in review_cards.nothing_left(album.begun(), review)
    assert shown_number(desk.begin(review, silent)) == first
    assert album.library().counts().n_unlabelled == 2


def test_the_last_answers_are_taken_back_one_after_the_other(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 5)
    review = desk.begin(Review(), silent)
    order = [item.crop.id for item in review.queue]
    review = desk.answer(review, "leech")
    review = desk.skip(review)
    review = desk.answer(review, "snail")
    for expected in (order[2], order[1], order[0]):
        review = desk.back(review)
        assert shown_number(review) == expected
        assert review.said == album_words.LAST_TAKEN_BACK
    assert album.library().counts().n_unlabelled == 5
    assert [item.crop.id for item in review.queue] == order
    with pytest.raises(gr.Error, match="nothing to take back"):
        desk.back(review)


def alike_photos(folder: Path) -> list[NewPhoto]:
    """Four photos of the same thing, told apart by one grey level; and one that is another's."""
    photos = []
    for number in range(4):
        photo = photo_of(7, folder=folder)
        rgb = np.asarray(Image.open(folder / "0007.png")).copy()
        rgb[0, 0] = number
        path = folder / f"twin {number}.png"
        Image.fromarray(rgb).save(path)
        photos.append(NewPhoto(path, path.name, (NewCrop(photo.crops[0].box_xyxy_px),)))
    return [*photos, photo_of(1, folder=folder)]


def test_those_that_look_alike_are_labelled_too_only_where_wanted(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    add_photos(album.library(), alike_photos(tmp_path))
    review = desk.begin(Review(), silent)
    while not review.alike:
        review = desk.skip(review)
    assert len(review.alike) == 3
    assert album_words.alike_switch(3) == "Label these 3 too"
    assert review_cards.alike(review, album.pictures).count("<img") == 3
    after = desk.answer(review, "snail", with_alike=True)
    assert "3 that look like it were labelled too" in after.said
    assert album.library().counts().groups[Group.HARMLESS] == 4
    desk.back(after)
    assert album.library().counts().groups[Group.HARMLESS] == 0
    desk.answer(review, "snail")
    assert album.library().counts().groups[Group.HARMLESS] == 1


def test_an_answer_about_a_disputed_picture_settles_it(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    disputed = photo_of(1, said("leech", 1, "Ida"), said("snail", 1, "Per"), folder=tmp_path)
    add_photos(album.library(), [disputed])
    review = desk.answer(desk.begin(Review(), silent), "flatworm-like", who="Mo")
    assert review.shown is None
    assert album.library().crop(1).label == "flatworm-like"


def test_a_picture_that_somebody_deleted_meanwhile_is_not_asked_about(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 3)
    review = desk.begin(Review(), silent)
    gone = review.queue[1].crop.id
    album.library().delete([gone])
    review = desk.answer(review, "snail")
    assert shown_number(review) != gone


def test_a_label_that_is_none_changes_nothing(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 1)
    review = desk.begin(Review(), silent)
    with pytest.raises(gr.Error, match="is no label"):
        desk.answer(review, "dragon")
    assert album.library().counts().n_unlabelled == 1


def test_without_an_album_there_is_nothing_to_label_and_none_is_made(
    desk: ReviewDesk, album: SharedAlbum
) -> None:
    review = desk.begin(Review(), silent)
    assert review.shown is None
    assert desk.refill(review) == review
    assert album_words.NOTHING_TO_LABEL in review_cards.nothing_left(album.begun(), review)
    assert not album.folder.exists()


def test_a_damaged_picture_is_asked_about_in_words(
    desk: ReviewDesk, album: SharedAlbum, tmp_path: Path
) -> None:
    fill(album.library(), tmp_path, 1)
    review = desk.begin(Review(), silent)
    assert review.shown is not None
    album.library().picture_path(review.shown.crop).unlink()
    fresh = SharedAlbum(album.folder)
    assert "pv-gone" in review_cards.large_picture(review, fresh.pictures)
    fresh.close()
