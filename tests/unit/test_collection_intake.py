"""Photos come into the album: stripped, once, with their boxes, and the bad ones told of."""

from __future__ import annotations

import re
import struct
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from pestvision.collection import intake
from pestvision.collection.intake import N_AHEAD, add_photos, crop_key
from pestvision.collection.library import Library, new_key
from pestvision.collection.looks import look_hash
from pestvision.collection.records import Label, NewCrop, NewPhoto, Reading
from pestvision.errors import LabelError, OutputError
from pestvision.organisms.classes import GROUPS
from pestvision.organisms.crops import cut_crop
from tests.made_album import HEIGHT, WIDTH, Clock, faults, faults_of, filled, jpeg, photo
from tests.photo_files import drawn_glass, exif_block, packed

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pestvision.arrays import BoxXyxy

LEECH = str(GROUPS[0])
MARKER = b"PLANTED-MARKER-OF-A-PLACE"
NAN = float("nan")


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "album", now=Clock()) as opened:
        yield opened
        assert faults(opened) == []


def label(value: str = LEECH, who: str = "keeper") -> Label:
    return Label(new_key(), value, who, "person", "2026-11-25T20:00:00.000000Z")


def with_place(format_name: str) -> bytes:
    """A photo that says in its EXIF where it was taken, with a text that is looked for afterwards."""
    exif = Image.Exif()
    exif[0x0110] = "Camera 3"
    place = exif.get_ifd(0x8825)
    place[1], place[2], place[3], place[4] = "N", (48.0, 8.0, 13.5), "E", (11.0, 34.0, 31.25)
    place[27] = MARKER
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = "2026:11:25 20:00:00"
    inner[0xA431] = MARKER.decode()  # serial number of the body
    inner[0x9286] = MARKER
    rgb = Image.fromarray(drawn_glass(3, 300, 400))
    options = {} if format_name == "TIFF" else {"quality": 90}
    data = packed(rgb, format_name, exif=exif.tobytes(), **options)
    assert MARKER in data
    return data


@pytest.mark.parametrize("format_name", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
def test_no_byte_of_the_album_says_where_a_photo_was_taken(
    library: Library, tmp_path: Path, format_name: str
) -> None:
    given = tmp_path / f"given.{format_name.lower()}"
    given.write_bytes(with_place(format_name))
    before = given.read_bytes()
    added = add_photos(library, [NewPhoto(given, given.name)])
    assert added.skipped == ()
    (number,) = added.crops
    crop = library.crop(number)
    assert crop.taken is not None
    assert crop.taken.startswith("2026-11-25T20:00:00")  # when, but not where
    library.label([number], LEECH)
    seconds = struct.pack("<II", 3125, 100), struct.pack(">II", 3125, 100)
    seconds += struct.pack("<II", 125, 4), struct.pack(">II", 125, 4)
    library.close()
    stored = [path for path in (tmp_path / "album").rglob("*") if path.is_file()]
    assert any(path.parent.parent.name == "images" for path in stored)
    for path in stored:
        data = path.read_bytes()
        assert MARKER not in data, path.name
        assert b"GPS" not in data, path.name
        assert not any(part in data for part in seconds), path.name
    assert given.read_bytes() == before  # the person's own file stays as it is


def test_a_photo_comes_in_with_what_is_known_of_it(library: Library) -> None:
    data = packed(drawn_glass(1), "JPEG", exif=exif_block(taken="2026:11:24 21:00:00", turn=6))
    given = NewPhoto(
        data, "Front.jpg", (NewCrop((10.04, 20.06, 110.0, 120.0)),), "Amber", "C 3", "mine", "2001"
    )
    (number,) = add_photos(library, [given], who="Amber’s keeper", note="a note").crops
    crop = library.crop(number)
    assert (crop.photo_name, crop.tank, crop.camera, crop.source) == (
        "Front.jpg",
        "Amber",
        "C 3",
        "mine",
    )
    assert crop.taken is not None
    assert crop.taken.startswith("2026-11-24T21:00:00")  # what the file says goes first
    assert crop.box_xyxy_px == (10.0, 20.1, 110.0, 120.0)
    assert library.photo_rgb(crop).shape == (400, 300, 3)  # upright
    assert (library.actions()[0].who, library.actions()[0].note) == ("Amber’s keeper", "a note")


def test_the_time_that_was_given_is_used_where_the_file_says_none(library: Library) -> None:
    (number,) = add_photos(library, [photo(1, taken="2026-11-25T20:00:00")]).crops
    assert library.crop(number).taken == "2026-11-25T20:00:00"


def test_without_a_box_the_whole_photo_is_the_crop(library: Library) -> None:
    (number,) = filled(library, 1)
    assert library.crop(number).box_xyxy_px == (0.0, 0.0, WIDTH, HEIGHT)


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ((-20.0, -20.0, 40.0, 40.0), (0.0, 0.0, 40.0, 40.0)),
        ((40.0, 30.0, 1e9, 1e9), (40.0, 30.0, 80.0, 60.0)),
        ((0.0, 0.0, 0.5, 0.5), (0.0, 0.0, 1.0, 1.0)),  # a pixel at the least
        ((79.9, 59.9, 90.0, 90.0), (79.0, 59.0, 80.0, 60.0)),
    ],
)
def test_a_box_that_reaches_over_the_edge_is_cut_to_the_photo(
    library: Library, given: BoxXyxy, kept: BoxXyxy
) -> None:
    (number,) = add_photos(library, [photo(1, given)]).crops
    assert library.crop(number).box_xyxy_px == kept
    assert library.picture(library.crop(number)).shape == (224, 224, 3)


@pytest.mark.parametrize(
    "box",
    [
        (80.0, 0.0, 90.0, 10.0),
        (0.0, 60.0, 10.0, 90.0),
        (-10.0, 0.0, 0.0, 10.0),
        (40.0, 30.0, 40.0, 50.0),
        (40.0, 30.0, 20.0, 50.0),
        (NAN, 0.0, 10.0, 10.0),
        (0.0, 0.0, float("inf"), 10.0),
    ],
)
def test_a_box_that_shows_nothing_of_the_photo_skips_it_with_a_sentence(
    library: Library, box: BoxXyxy
) -> None:
    added = add_photos(library, [photo(1), photo(2, (0.0, 0.0, 20.0, 20.0), box)])
    ((name, why),) = added.skipped
    assert name == "photo-2.jpg"
    assert "Give boxes within the photo" in why
    assert len(added.crops) == 1
    assert len(library.pictures.names()) == 1


def bad_photos(folder: Path) -> list[tuple[NewPhoto, str]]:
    """Files that cannot be used, with a word of the sentence that is said of each."""
    whole = jpeg(1)
    (folder / "a folder").mkdir()
    (folder / "empty.jpg").write_bytes(b"")
    return [
        (NewPhoto(folder / "nowhere.jpg", "nowhere.jpg"), "There is no nowhere.jpg"),
        (NewPhoto(folder / "a folder", "a folder"), "is a folder"),
        (NewPhoto(folder / "empty.jpg", "empty.jpg"), "empty"),
        (NewPhoto(b"", "nothing.jpg"), "nothing.jpg"),
        (NewPhoto(b"words and no photo", "words.jpg"), "words.jpg"),
        (NewPhoto(whole[: len(whole) // 3], "torn.jpg"), "torn.jpg"),
        (NewPhoto(packed(drawn_glass(1, HEIGHT, WIDTH)[:8, :8], "PNG"), "tiny.png"), "tiny.png"),
    ]


def test_bad_photos_are_skipped_each_with_a_sentence_and_the_good_ones_stay(
    library: Library, tmp_path: Path
) -> None:
    bad = bad_photos(tmp_path)
    given = [photo(1)]
    for item, _ in bad:
        given += [item, photo(len(given) + 10)]
    told: list[tuple[int, int, str]] = []
    added = add_photos(library, given, progress=lambda *step: told.append(step), total=len(given))
    assert [name for name, _ in added.skipped] == [item.name for item, _ in bad]
    for (_, why), (_, word) in zip(added.skipped, bad, strict=True):
        assert word in why
        assert "\n" not in why
        assert why.endswith(".")
    assert len(added.crops) == len(given) - len(bad) == library.counts().n_crops
    assert told[-1] == (len(given), len(given), "adding photos")


def test_nothing_but_bad_photos_leaves_nothing_to_undo(library: Library, tmp_path: Path) -> None:
    added = add_photos(library, [item for item, _ in bad_photos(tmp_path)])
    assert (added.action, added.crops, added.n_known) == (None, (), 0)
    assert library.actions() == []
    assert library.pictures.names() == set()
    assert add_photos(library, []).action is None


@pytest.mark.parametrize(
    ("name", "stored"),
    [
        ("caf\udce9.jpg", "caf?.jpg"),  # a name that is no UTF-8, as Linux gives it
        ("a\nb\x1b[31m.jpg", "a?b?[31m.jpg"),
        ("keeper/of/snails/front.jpg", "front.jpg"),
        ("水槽.jpg", "水槽.jpg"),
    ],
)
def test_a_file_name_is_stored_so_that_it_can_be_shown(
    library: Library, name: str, stored: str
) -> None:
    (number,) = add_photos(library, [NewPhoto(jpeg(1), name)]).crops
    assert library.crop(number).photo_name == stored
    ((told, why),) = add_photos(library, [NewPhoto(b"no photo", name)]).skipped
    assert told == stored
    assert stored in why


# --- the same again ---------------------------------------------------------------------------------


def test_the_same_photo_twice_is_one_photo_in_one_import_and_in_two(library: Library) -> None:
    added = add_photos(library, [photo(1), photo(1)])
    assert (len(added.crops), added.n_known) == (1, 1)
    again = add_photos(library, [photo(1), photo(2)])
    assert (len(again.crops), again.n_known) == (1, 1)
    assert len(library.pictures.names()) == 2
    assert add_photos(library, [photo(1)]).action is None


def test_a_photo_with_and_without_its_place_is_one_photo(library: Library) -> None:
    data = with_place("JPEG")
    bare = packed(drawn_glass(3, 300, 400), "JPEG", quality=90)
    assert len(add_photos(library, [NewPhoto(data, "one.jpg")]).crops) == 1
    assert add_photos(library, [NewPhoto(bare, "other.jpg")]).n_known == 1


def test_another_box_of_a_known_photo_is_another_crop(library: Library) -> None:
    one = (0.0, 0.0, 40.0, 40.0)
    add_photos(library, [photo(1, one)])
    added = add_photos(library, [photo(1, (0.04, 0.0, 40.0, 40.0), (0.1, 0.0, 40.0, 40.0))])
    assert (len(added.crops), added.n_known) == (1, 1)  # a tenth of a pixel tells two boxes apart
    assert len(library.pictures.names()) == 1
    crop = library.crop(1)
    assert crop.key == crop_key(crop.sha256, one)


def test_what_was_not_known_of_a_photo_is_filled_in_and_nothing_is_overwritten(
    library: Library,
) -> None:
    (number,) = add_photos(library, [photo(1, tank="Amber")]).crops
    add_photos(library, [photo(1, tank="Moss", source="a friend")])
    crop = library.crop(number)
    assert (crop.tank, crop.source) == ("Amber", "a friend")


def test_new_labels_reach_a_known_crop_and_old_ones_are_not_doubled(library: Library) -> None:
    first, second = label(), label(who="other")
    added = add_photos(library, [photo(1, crops=(NewCrop(labels=(first,)),))])
    assert added.n_labels == 1
    again = add_photos(library, [photo(1, crops=(NewCrop(labels=(first, second)),))])
    assert (again.crops, again.n_known, again.n_labels) == ((), 1, 1)
    assert {item.key for item in library.history(1)} == {first.key, second.key}
    assert library.crop(1).label == LEECH


def test_a_crop_that_was_deleted_comes_back_with_its_labels(library: Library) -> None:
    one, other = filled(library, 2)
    library.label([one], LEECH)
    deleted = library.delete([one])
    added = add_photos(library, [photo(0)])
    assert added.crops == (one,)
    assert library.crop(one).label == LEECH
    assert library.undo(deleted) == 0  # it is back already
    assert added.action is not None
    assert library.undo(added.action) == 1  # and that import can be undone
    assert [crop.id for crop in library.every()] == [other]


def test_a_photo_whose_file_was_lost_is_stored_again(library: Library) -> None:
    (number,) = filled(library, 1)
    path = library.picture_path(library.crop(number))
    path.unlink()
    assert add_photos(library, [photo(0)]).n_known == 1
    assert path.exists()


# --- what is written with it ----------------------------------------------------------------------------


def test_readings_that_come_with_a_crop_are_kept(library: Library) -> None:
    reading = Reading(
        "m",
        np.full(14, 1 / 14, np.float32),
        np.ones(64, np.float32),
        np.ones(8, np.float32),
        1.5,
        0.25,
    )
    add_photos(library, [photo(1, crops=(NewCrop(reading=reading),))])
    assert library.unread("m") == []
    assert library.database.one("SELECT model, novelty FROM readings") == ("m", 0.25)


def test_the_hash_that_is_stored_is_that_of_the_crop(library: Library) -> None:
    (number,) = add_photos(library, [photo(1, (10.0, 10.0, 60.0, 50.0))]).crops
    crop = library.crop(number)
    stored = library.database.one("SELECT looks FROM crops WHERE id = ?", (number,))
    assert stored == (look_hash(cut_crop(library.photo_rgb(crop), crop.box_xyxy_px)),)


def test_a_name_that_is_none_is_told_before_anything_is_read(library: Library) -> None:
    def photos() -> Iterator[NewPhoto]:
        pytest.fail("read")
        yield photo(1)

    with pytest.raises(LabelError, match="the person who adds photos"):
        add_photos(library, photos(), who="")


# --- in parts -------------------------------------------------------------------------------------------


def test_photos_are_read_a_few_before_their_turn_and_not_all_at_once(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake, "PART", 4)
    asked_for: list[int] = []
    ahead: list[int] = []

    def photos() -> Iterator[NewPhoto]:
        for number in range(24):
            asked_for.append(number)
            yield photo(number)

    def progress(done: int, total: int, what: str) -> None:
        del total, what
        ahead.append(len(asked_for) - done)

    added = add_photos(library, photos(), progress=progress)
    assert len(added.crops) == 24
    assert len(ahead) == 6  # written part by part
    assert max(ahead) <= N_AHEAD + 1


def test_finished_parts_stay_where_the_disk_becomes_full(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake, "PART", 4)
    own = library.pictures.require_space
    calls: list[int] = []

    def full(n_bytes: int) -> None:
        calls.append(n_bytes)
        if len(calls) == 3:
            raise OutputError("The disk is full.", advice="Free some space.")
        own(n_bytes)

    monkeypatch.setattr(library.pictures, "require_space", full)
    given = [photo(number) for number in range(12)]
    with pytest.raises(OutputError, match="The disk is full"):
        add_photos(library, given)
    assert library.counts().n_crops == 8
    assert len(library.pictures.names()) == 8
    added = add_photos(library, given)  # the same again goes on where it stopped
    assert (len(added.crops), added.n_known) == (4, 8)


def test_where_the_rows_are_refused_no_picture_stays(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    (kept,) = filled(library, 1)

    def refuse(*_: object) -> None:
        raise OutputError("The disk is full.", advice="Free some space.")

    monkeypatch.setattr(library, "add_labels", refuse)
    with pytest.raises(OutputError, match="The disk is full"):
        add_photos(library, [photo(number) for number in range(5)])
    assert faults(library) == []  # at once, and not at the next opening
    assert [crop.id for crop in library.every()] == [kept]


def test_where_the_import_is_broken_off_the_next_opening_clears_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def break_off(*_: object) -> None:
        raise KeyboardInterrupt

    with Library(tmp_path) as library:
        filled(library, 1)
        monkeypatch.setattr(library, "add_labels", break_off)
        with pytest.raises(KeyboardInterrupt):
            add_photos(library, [photo(number) for number in range(5)])
        assert len(library.pictures.names()) == 5
    assert faults_of(tmp_path) == []


def test_a_photo_deleted_for_good_by_another_while_it_is_added_is_stored_again(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process deletes what this one thought was stored, between the look and the writing."""
    (number,) = filled(library, 1)
    own = library.pictures.arriving
    crop = library.crop(number)

    def arriving(pictures: list[tuple[str, str, bytes]]) -> object:
        if not pictures:  # what is new to this import is none: it is stored, they say
            library.picture_path(crop).unlink(missing_ok=True)
            with library.database.atomic():
                library.database.run("DELETE FROM crops")
                library.database.run("DELETE FROM photos")
        return own(pictures)

    monkeypatch.setattr(library.pictures, "arriving", arriving)
    added = add_photos(library, [photo(0)])
    assert len(added.crops) == 1
    assert library.picture_path(library.crop(added.crops[0])).exists()


def test_no_name_of_a_stored_file_tells_anything_but_its_content(library: Library) -> None:
    filled(library, 3)
    assert all(re.fullmatch(r"[0-9a-f]{64}\.jpg", name) for name in library.pictures.names())
    for name in library.pictures.names():
        with Image.open(BytesIO((library.pictures.path(name[:64], ".jpg")).read_bytes())) as image:
            assert image.size == (WIDTH, HEIGHT)
            assert not image.getexif()
