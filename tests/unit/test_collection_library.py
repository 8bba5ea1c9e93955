"""The album: what was labelled, taken away, brought back, and found again."""

from __future__ import annotations

import re
import threading
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pestvision.collection.intake import add_photos
from pestvision.collection.library import LARGEST, UNDO_DAYS, Library, new_key
from pestvision.collection.records import (
    DISPUTED,
    DONT_KNOW,
    KEEPER,
    UNLABELLED,
    Label,
    NewCrop,
    NewPhoto,
    Reading,
    Wanted,
)
from pestvision.errors import LabelError, StoreError
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE, GROUPS, Group
from tests.made_album import HEIGHT, WIDTH, Clock, faults, faults_of, filled, photo
from tests.photo_files import drawn_glass, packed

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LEECH, FLATWORM, HARMLESS = (str(item) for item in GROUPS[:3])
FINE_HARMLESS = [name for name in FINE_NAMES if GROUP_OF_FINE[name] == Group(HARMLESS)]


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def library(tmp_path: Path, clock: Clock) -> Iterator[Library]:
    with Library(tmp_path / "album", now=clock) as opened:
        yield opened
        assert faults(opened) == []


def numbers(library: Library, wanted: Wanted = Wanted()) -> set[int]:  # noqa: B008 - frozen
    return {crop.id for crop in library.search(wanted, limit=1000).crops}


def state(library: Library) -> list[object]:
    """What a person sees of the album."""
    crops = list(library.every())
    return [crops, library.histories([crop.id for crop in crops]), library.counts()]


# --- labelling ------------------------------------------------------------------------------------


def test_a_label_is_there_for_every_later_reader(library: Library) -> None:
    one, other = filled(library, 2)
    (key,) = library.label([one], LEECH, who="Amber’s keeper")
    assert library.crop(one).label == LEECH
    assert library.crop(one).group == Group.LEECH_LIKE
    assert library.crop(other).label is None
    with Library(library.folder) as again:
        (label,) = again.history(one)
        assert (label.key, label.label, label.who, label.kind) == (
            key,
            LEECH,
            "Amber’s keeper",
            "person",
        )
        assert again.history(other) == []


def test_many_crops_are_labelled_at_once_or_none_is(library: Library) -> None:
    crops = filled(library, 3)
    assert len(set(library.label(crops, HARMLESS))) == 3
    assert library.counts().groups[Group(HARMLESS)] == 3
    before = state(library)
    with pytest.raises(LabelError, match="no crop 99") as caught:
        library.label([*crops, 99], LEECH)
    assert "album find" in caught.value.advice
    with pytest.raises(LabelError, match="is no label"):
        library.label(crops, "leeches")
    with pytest.raises(LabelError, match="the person who labels"):
        library.label(crops, LEECH, who="\n")
    assert state(library) == before


@pytest.mark.parametrize("number", [0, -1, 2**62, LARGEST, LARGEST + 1, 10**30, -(10**30)])
def test_a_number_that_is_no_crops_is_told_whatever_it_is(library: Library, number: int) -> None:
    filled(library, 1)
    for ask in (library.crop, lambda n: library.label([n], LEECH), lambda n: library.delete([n])):
        with pytest.raises(LabelError, match=rf"no crop {number}\."):
            ask(number)
    with pytest.raises(LabelError, match="There is no action"):
        library.undo(number + 1000)
    assert library.counts().n_unlabelled == 1


def test_more_crops_than_a_statement_takes_are_labelled_and_found(library: Library) -> None:
    (number,) = filled(library, 1)
    keys = library.label([number] * 1200, LEECH)
    assert library.take_back(keys[1:]) == 1199
    assert library.crop(number).label == LEECH
    assert len(library.crops([number] * 1200)) == 1200


def test_people_who_disagree_leave_a_dispute_until_it_is_settled(library: Library) -> None:
    (number,) = filled(library, 1)
    library.label([number], LEECH, who="one")
    library.label([number], HARMLESS, who="other")
    crop = library.crop(number)
    assert (crop.label, crop.is_disputed) == (None, True)
    assert library.counts().n_disputed == 1
    (settled,) = library.label([number], HARMLESS, who="third", settles=True)
    crop = library.crop(number)
    assert (crop.label, crop.is_disputed) == (HARMLESS, False)
    library.take_back([settled])
    assert library.crop(number).is_disputed


def test_taking_back_restores_exactly_what_held_before(library: Library) -> None:
    (number,) = filled(library, 1)
    seen = []
    keys = []
    for who, label in [("one", LEECH), ("one", HARMLESS), ("other", LEECH), ("one", DONT_KNOW)]:
        seen.append((library.crop(number), library.last_label_of(number, "one")))
        keys += library.label([number], label, who=who)
    for key in reversed(keys):
        assert library.take_back([key]) == 1
        assert (library.crop(number), library.last_label_of(number, "one")) == seen.pop()
    assert len(library.history(number)) == 4  # nothing said is forgotten
    assert library.take_back(keys) == 0
    assert library.take_back(["no such key"]) == 0
    assert library.counts().n_unlabelled == 1


def test_every_label_taken_back_is_counted_also_of_one_crop(library: Library) -> None:
    (number,) = filled(library, 1)
    keys = library.label([number], LEECH) + library.label([number], HARMLESS)
    assert library.take_back(keys) == 2


@pytest.mark.parametrize("hours", [0, -1, -24 * 365 * 20])
def test_what_is_said_last_counts_where_the_clock_stands_or_was_set_back(
    library: Library, clock: Clock, hours: int
) -> None:
    (number,) = filled(library, 1)
    for label in (LEECH, HARMLESS, FLATWORM, LEECH, HARMLESS):
        library.label([number], label)
        clock.later(hours=hours)
        assert library.crop(number).label == label
        assert library.history(number)[-1].label == label
    moments = [item.at for item in library.history(number)]
    assert moments == sorted(set(moments))


@pytest.mark.parametrize("at", ["9999-12-31T23:59:59.999999Z", "tomorrow"])
def test_a_label_from_elsewhere_with_an_odd_time_keeps_nobody_from_labelling(
    library: Library, at: str
) -> None:
    (number,) = filled(library, 1)
    with library.database.atomic():
        library.add_labels([(number, Label(new_key(), LEECH, "other", "person", at))])
    library.label([number], LEECH)
    assert library.crop(number).label == LEECH


def test_a_label_that_is_known_is_not_added_again(library: Library) -> None:
    (number,) = filled(library, 1)
    label = Label("key-of-another-album", LEECH, "other", "person", "2026-11-25T20:00:00Z")
    with library.database.atomic():
        assert library.add_labels([(number, label)]) == 1
        assert library.add_labels([(number, label)]) == 0
    assert library.history(number) == [label]


def test_a_net_says_what_it_sees_and_labels_nothing(library: Library) -> None:
    (number,) = filled(library, 1)
    label = Label(new_key(), LEECH, "net", "net", "2026-11-25T20:00:00Z", "model", 0.9)
    with library.database.atomic():
        library.add_labels([(number, label)])
    assert library.crop(number).label is None
    assert library.history(number)[0].confidence == pytest.approx(0.9)
    assert library.last_label_of(number, "net") is None
    assert library.groups_by_person() == {}


def test_what_each_person_said_last_is_given_by_group(library: Library) -> None:
    one, other = filled(library, 2)
    library.label([one], LEECH, who="a")
    library.label([one], FINE_HARMLESS[0], who="a")
    library.label([one, other], LEECH, who="b")
    library.label([other], DONT_KNOW, who="b")
    harmless, leech = GROUPS.index(Group(HARMLESS)), GROUPS.index(Group.LEECH_LIKE)
    assert library.groups_by_person() == {"a": {one: harmless}, "b": {one: leech}}
    library.delete([one])
    assert library.groups_by_person() == {"b": {}}


# --- counting and finding --------------------------------------------------------------------------


def test_counts_add_up_to_all_crops(library: Library) -> None:
    crops = filled(library, 8)
    library.label(crops[:2], LEECH)
    library.label(crops[2:3], FINE_HARMLESS[0])
    library.label(crops[3:4], DONT_KNOW)
    library.label(crops[4:5], LEECH, who="one")
    library.label(crops[4:5], HARMLESS, who="other")
    library.delete(crops[7:])
    counts = library.counts()
    assert counts.groups == {**dict.fromkeys(GROUPS, 0), Group.LEECH_LIKE: 2, Group(HARMLESS): 1}
    assert (counts.n_dont_know, counts.n_disputed, counts.n_unlabelled) == (1, 1, 2)
    assert counts.n_crops == 7 == len(list(library.every()))


def test_an_empty_album_answers_everything(library: Library) -> None:
    assert library.counts().n_crops == 0
    assert library.search(Wanted()).crops == ()
    assert library.search(Wanted(label=LEECH, tank="Amber", since="2026", text="x")).n_found == 0
    assert library.tanks() == []
    assert library.actions() == []
    assert library.label([], LEECH) == []
    assert library.crops([]) == []


@pytest.fixture
def searched(library: Library) -> Library:
    """Four photos of two tanks; crops 1 to 4."""
    whole = (NewCrop(),)
    for number, (name, tank, source, taken) in enumerate(
        [
            ("Front.JPG", "Amber", None, "2026-11-24T23:59:59"),
            ("back.jpg", "Amber", "friend’s photos", "2026-11-25T08:00:00"),
            ("100%_moss.jpg", "Moss", None, "2026-11-25"),
            ("no date.jpg", None, None, None),
        ]
    ):
        item = NewPhoto(
            packed(drawn_glass(number, HEIGHT, WIDTH)), name, whole, tank, None, source, taken
        )
        add_photos(library, [item])
    library.label([1], LEECH)
    library.label([2], FINE_HARMLESS[0])
    library.label([3], HARMLESS, who="one")
    library.label([3], LEECH, who="other")
    return library


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (Wanted(), {1, 2, 3, 4}),
        (Wanted(label=LEECH), {1}),
        (Wanted(label=HARMLESS), {2}),  # a group finds its classes
        (Wanted(label=FINE_HARMLESS[0]), {2}),
        (Wanted(label=FINE_HARMLESS[1]), set()),
        (Wanted(label=DONT_KNOW), set()),
        (Wanted(label=UNLABELLED), {4}),
        (Wanted(label=DISPUTED), {3}),
        (Wanted(tank="Amber"), {1, 2}),
        (Wanted(tank="amber"), set()),
        (Wanted(since="2026-11-25"), {2, 3}),
        (Wanted(until="2026-11-24"), {1}),
        (Wanted(until="2026-11-25"), {1, 2, 3}),  # all of the day
        (Wanted(since="2026-11-25", until="2026-11-25"), {2, 3}),
        (Wanted(until="2026"), {1, 2, 3}),
        (Wanted(text="front"), {1}),
        (Wanted(text="FRIEND"), {2}),
        (Wanted(text="%"), {3}),  # no pattern
        (Wanted(text="_"), {3}),
        (Wanted(text="'; DROP TABLE crops; --"), set()),
        (Wanted(tank="Amber", label=LEECH, since="2026-11-24", text="f"), {1}),
        (Wanted(tank="Amber", label=DISPUTED), set()),
        (Wanted(label="", tank="", since="", until="", text=""), {1, 2, 3, 4}),
    ],
)
def test_a_search_finds_by_every_field_and_all_together(
    searched: Library, wanted: Wanted, found: set[int]
) -> None:
    page = searched.search(wanted)
    assert {crop.id for crop in page.crops} == found
    assert page.n_found == len(found)


def test_a_search_gives_the_newest_photos_first_and_page_by_page(searched: Library) -> None:
    whole = [crop.id for crop in searched.search(Wanted()).crops]
    assert whole == [2, 3, 1, 4]  # the one without a date at the end
    pages = [searched.search(Wanted(), limit=3, offset=start) for start in (0, 3, 6)]
    assert [crop.id for page in pages for crop in page.crops] == whole
    assert {page.n_found for page in pages} == {4}


def test_a_search_for_what_is_no_label_is_told(library: Library) -> None:
    with pytest.raises(LabelError, match="is no label"):
        library.search(Wanted(label="leeches"))


def test_crops_come_in_the_order_asked_for(searched: Library) -> None:
    assert [crop.id for crop in searched.crops([3, 1, 2, 1])] == [3, 1, 2, 1]
    assert [crop.id for crop in searched.every()] == [1, 2, 3, 4]


def test_tanks_are_told_and_can_be_named_later(searched: Library) -> None:
    assert searched.tanks() == ["Amber", "Moss"]
    searched.set_tank([3, 4], " Slate ")
    assert searched.tanks() == ["Amber", "Slate"]
    assert numbers(searched, Wanted(tank="Slate")) == {3, 4}
    with pytest.raises(LabelError, match="given for the tank"):
        searched.set_tank([1], "")
    with pytest.raises(LabelError, match="no crop 99"):
        searched.set_tank([1, 99], "Moss")
    assert searched.crop(1).tank == "Amber"


def test_crops_that_look_alike_are_shown_together(library: Library) -> None:
    rgb = drawn_glass(1, 240, 320)
    darker = (rgb * 0.9).astype(np.uint8)
    photos = [
        NewPhoto(packed(rgb, "JPEG", quality=95), "one.jpg"),
        NewPhoto(packed(rgb, "JPEG", quality=60), "again.jpg"),
        NewPhoto(packed(drawn_glass(2, 240, 320)), "other.jpg"),
        NewPhoto(packed(darker, "PNG"), "darker.png"),
    ]
    one, again, other, darkened = library.crops(add_photos(library, photos).crops)
    assert {crop.id for crop in library.alike(one)} == {again.id, darkened.id}
    assert {crop.id for crop in library.alike(again)} == {one.id, darkened.id}
    assert library.alike(other) == []
    assert len(library.alike(one, limit=1)) == 1
    library.delete([again.id])
    assert {crop.id for crop in library.alike(one)} == {darkened.id}
    (later,) = library.crops(
        add_photos(library, [NewPhoto(packed(rgb, "JPEG", quality=80), "later.jpg")]).crops
    )
    assert {crop.id for crop in library.alike(later)} == {one.id, darkened.id}  # added later, too


# --- taking away, and bringing back -----------------------------------------------------------------


def test_what_was_deleted_is_nowhere_and_comes_back_as_it_was(library: Library) -> None:
    crops = filled(library, 3)
    library.label(crops[:2], LEECH)
    before = state(library)
    action = library.delete(crops[:2], who="Amber’s keeper", note="blurred")
    assert numbers(library) == {crops[2]}
    assert library.counts().n_crops == 1
    with pytest.raises(LabelError, match=f"no crop {crops[0]}"):
        library.crop(crops[0])
    with pytest.raises(LabelError):
        library.label([crops[0]], LEECH)
    (listed, imported) = library.actions()
    assert (listed.id, listed.kind, listed.who, listed.note, listed.n_crops) == (
        action,
        "delete",
        "Amber’s keeper",
        "blurred",
        2,
    )
    assert (imported.kind, imported.n_crops, imported.undone_at) == ("import", 3, None)
    assert library.undo(action) == 2
    assert state(library) == before
    assert library.actions()[0].undone_at is not None


def test_nothing_is_deleted_where_one_is_not_there(library: Library) -> None:
    crops = filled(library, 2)
    before = state(library)
    with pytest.raises(LabelError, match="no crop 99"):
        library.delete([*crops, 99])
    assert state(library) == before
    assert len(library.actions()) == 1


def test_an_import_is_undone_and_the_undoing_too(library: Library) -> None:
    kept = filled(library, 1)
    added = add_photos(library, [photo(seed) for seed in (5, 6, 7)], who="Moss’s keeper")
    library.label(added.crops[:1], LEECH)
    library.delete(added.crops[2:])
    before = state(library)
    assert added.action is not None
    assert library.undo(added.action, who="somebody else") == 2
    assert numbers(library) == set(kept)
    undoing = library.actions()[0]
    assert (undoing.kind, undoing.who, undoing.n_crops) == ("delete", "somebody else", 2)
    assert library.undo(undoing.id) == 2
    assert state(library) == before  # what was deleted before the import was undone stays deleted


def test_nothing_is_undone_twice(library: Library) -> None:
    (number,) = filled(library, 1)
    action = library.delete([number])
    library.undo(action)
    with pytest.raises(LabelError, match=r"undone already, on 2026-11-25") as caught:
        library.undo(action)
    assert "album undo" in caught.value.advice
    with pytest.raises(LabelError, match="There is no action 99"):
        library.undo(99)
    assert numbers(library) == {number}


def test_thirty_days_can_be_undone_and_no_more(library: Library, clock: Clock) -> None:
    one, other = filled(library, 2)
    action = library.delete([one])
    clock.later(days=UNDO_DAYS)
    assert [item.id for item in library.actions()] == [action, 1]
    with Library(library.folder, now=clock):
        pass  # opening it deletes nothing yet
    clock.later(seconds=1)
    with pytest.raises(LabelError, match="only 30 days can be undone") as caught:
        library.undo(action)
    assert "backup" in caught.value.advice
    assert library.actions() == []
    clock.at -= timedelta(seconds=1)
    assert library.undo(action) == 1
    assert numbers(library) == {one, other}


def test_after_thirty_days_it_is_gone_for_good_with_its_file(tmp_path: Path, clock: Clock) -> None:
    with Library(tmp_path, now=clock) as library:
        one, other, third = filled(library, 3)
        library.label([one, other], LEECH)
        gone, path, kept = library.crop(one), library.picture_path(library.crop(one)), third
        reading = Reading(
            "m",
            np.full(14, 1 / 14, np.float32),
            np.zeros(64, np.float32),
            np.zeros(8, np.float32),
            1.0,
            0.5,
        )
        library.note_readings([(one, reading)])
        library.delete([one])
        clock.later(days=20)
        library.delete([other])
    clock.later(days=UNDO_DAYS - 20, seconds=1)
    with Library(tmp_path, now=clock) as library:
        assert not path.exists()
        for sql in (
            "SELECT * FROM crops WHERE id = ?",
            "SELECT * FROM labels WHERE crop = ?",
            "SELECT * FROM readings WHERE crop = ?",
            "SELECT * FROM signatures WHERE crop = ?",
        ):
            assert library.database.rows(sql, (gone.id,)) == []
        assert library.database.rows("SELECT id FROM photos WHERE id = ?", (gone.photo,)) == []
        assert library.undo(library.actions()[0].id) == 1  # the one of ten days ago
        assert numbers(library) == {other, kept}
        assert faults(library) == []
    assert faults_of(tmp_path) == []


def test_a_photo_stays_as_long_as_one_of_its_crops_does(tmp_path: Path, clock: Clock) -> None:
    with Library(tmp_path, now=clock) as library:
        boxes = ((0.0, 0.0, 40.0, 40.0), (40.0, 0.0, 80.0, 40.0), (0.0, 20.0, 80.0, 60.0))
        one, other, third = add_photos(library, [photo(1, *boxes)]).crops
        path = library.picture_path(library.crop(one))
        library.delete([one])
        clock.later(days=UNDO_DAYS - 1)
        library.delete([other])
    clock.later(days=2)
    with Library(tmp_path, now=clock) as library:
        assert [row[0] for row in library.database.rows("SELECT id FROM crops ORDER BY id")] == [
            other,
            third,
        ]
        assert path.exists()
        library.delete([third])
    clock.later(days=UNDO_DAYS + 1)
    with Library(tmp_path, now=clock) as library:
        assert not path.exists()
        assert library.pictures.names() == set()
        assert faults(library) == []


# --- pictures ---------------------------------------------------------------------------------------


def test_a_crops_picture_is_cut_from_its_photo(library: Library) -> None:
    (number,) = add_photos(library, [photo(1, (10.0, 10.0, 50.0, 50.0))]).crops
    crop = library.crop(number)
    assert library.picture(crop).shape == (224, 224, 3)
    assert library.photo_rgb(crop).shape == (HEIGHT, WIDTH, 3)
    assert library.photo_rgb(crop) is library.photo_rgb(crop)  # decoded once


@pytest.mark.parametrize("harm", ["gone", "torn"])
def test_a_picture_that_is_gone_or_torn_is_told_with_the_way_back(
    library: Library, harm: str
) -> None:
    (number,) = filled(library, 1)
    crop = library.crop(number)
    path = library.picture_path(crop)
    whole = path.read_bytes()
    if harm == "gone":
        path.unlink()
    else:
        path.write_bytes(whole[:200])
    with pytest.raises(StoreError, match=re.escape(crop.photo_name)) as caught:
        library.picture(crop)
    assert "pestvision restore" in caught.value.advice
    path.write_bytes(whole)
    assert library.picture(crop).shape == (224, 224, 3)


def test_many_threads_label_and_look_at_once(library: Library) -> None:
    crops = filled(library, 6)
    errors: list[BaseException] = []

    def work(who: str) -> None:
        try:
            for number in crops:
                library.label([number], LEECH, who=who)
                library.picture(library.crop(number))
                library.search(Wanted(label=LEECH))
        except BaseException as error:  # noqa: BLE001 - shown below
            errors.append(error)

    threads = [threading.Thread(target=work, args=(f"person {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert [len(library.history(number)) for number in crops] == [4] * 6
    assert library.last_label_of(crops[0], KEEPER) is None


# --- readings ---------------------------------------------------------------------------------------


def test_what_a_net_has_not_read_is_told_the_labelled_ones_first(library: Library) -> None:
    crops = filled(library, 4)
    library.label([crops[2]], LEECH)
    assert next(crop.id for crop in library.unread("m")) == crops[2]
    assert [crop.id for crop in library.unread("m", labelled_only=True)] == [crops[2]]
    p_fine = np.linspace(0, 1, 14, dtype=np.float32)
    reading = Reading("m", p_fine, np.zeros(64, np.float32), np.zeros(8, np.float32), 2.0, 0.5)
    library.note_readings([(crops[2], reading), (crops[0], reading)])
    assert {crop.id for crop in library.unread("m")} == {crops[1], crops[3]}
    assert len(library.unread("another net")) == 4
    assert len(library.unread("another net", limit=3)) == 3
    (row,) = library.database.rows(
        "SELECT p_fine, sharpness FROM readings WHERE crop = ?", (crops[0],)
    )
    np.testing.assert_array_equal(np.frombuffer(row[0], "<f4"), p_fine)
    assert row[1] == pytest.approx(2.0)
