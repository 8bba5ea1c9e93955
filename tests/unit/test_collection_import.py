"""Taking albums in: merging two keepers', open forms of others, and what is listed for a person."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from pestvision.collection.exchange import Imported, export_album, import_album
from pestvision.collection.import_names import label_of
from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library
from pestvision.collection.looks import ALIKE_BITS
from pestvision.collection.records import LABEL_VALUES, NewCrop, NewPhoto
from tests.made_albums import BOXES, glass, made_album, new_photo, tables

if TYPE_CHECKING:
    from pathlib import Path


def handed_over(giver: Library, taker: Library, folder: Path) -> Imported:
    """What one keeper's album says to another's."""
    export_album(giver, folder, layout="table")
    return import_album(taker, folder, who="Two")


def test_an_import_is_one_action_and_can_be_undone(tmp_path: Path) -> None:
    with made_album(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        done = handed_over(giver, taker, tmp_path / "out")
        assert (done.kind, len(done.crops), done.n_known, done.n_labels) == ("album", 8, 0, 16)
        assert (done.skipped, done.unmatched, done.overlaps) == ((), {}, ())
        assert done.action is not None
        assert taker.undo(done.action) == 8
        assert taker.counts().n_crops == 0


def test_what_two_keepers_say_of_one_crop_is_listed_and_not_decided(tmp_path: Path) -> None:
    with Library(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        for library in (giver, taker):
            add_photos(library, [new_photo(1), new_photo(2)])
        giver.label([1, 2, 3], "leech", who="One")
        taker.label([1], "snail", who="Two")
        taker.label([2], "leech-like", who="Two")
        done = handed_over(giver, taker, tmp_path / "out")
        assert (done.crops, done.n_known, done.n_labels) == ((), 4, 3)
        (conflict,) = done.conflicts
        assert (conflict.crop, conflict.photo_name) == (1, "glass 1.jpg")
        assert conflict.said == (("One", "leech"), ("Two", "snail"))
        assert [crop.label for crop in taker.every()] == [None, "leech", "leech", None]
        assert import_album(taker, tmp_path / "out").conflicts == ()  # known since the first time


def test_a_label_taken_back_in_one_album_is_taken_back_in_the_other(tmp_path: Path) -> None:
    with made_album(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        handed_over(giver, taker, tmp_path / "first")
        giver.take_back([item.key for item in giver.history(1) if item.kind == "person"])
        assert taker.crop(1).label == "leech"
        done = handed_over(giver, taker, tmp_path / "second")
        assert (done.n_labels, done.n_withdrawn) == (0, 2)
        assert tables(taker) == tables(giver)


def test_a_label_taken_back_here_does_not_come_back(tmp_path: Path) -> None:
    with made_album(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        handed_over(giver, taker, tmp_path / "out")
        taker.take_back([item.key for item in taker.history(1)])
        import_album(taker, tmp_path / "out")
        assert taker.crop(1).label is None


def test_the_time_a_camera_told_is_not_lost_to_a_file_name(tmp_path: Path) -> None:
    taken = {"taken": "2026:01:02 03:04:05", "offset": "+01:00"}
    photo = NewPhoto(glass(1, **taken), "IMG_20991231_235959.jpg")
    with Library(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        add_photos(giver, [photo])
        handed_over(giver, taker, tmp_path / "out")
        assert taker.crop(1).taken == giver.crop(1).taken == "2026-01-02T03:04:05+01:00"


def test_crops_that_looked_alike_still_do_when_what_joined_them_is_gone(tmp_path: Path) -> None:
    with Library(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        add_photos(giver, [new_photo(1), new_photo(2), new_photo(3)])
        with giver.database.atomic():  # as if crop 1 had looked like 3 and 5, which differ
            giver.database.run("UPDATE crops SET twins = 1 WHERE id IN (1, 3, 5)")
        giver.delete([1])
        handed_over(giver, taker, tmp_path / "out")
        assert tables(taker) == tables(giver)
        third = next(crop for crop in taker.every() if crop.key == giver.crop(3).key)
        assert [crop.key for crop in taker.alike(third)] == [giver.crop(5).key]
    assert ALIKE_BITS < 64  # else every two crops would look alike


def test_crops_join_those_here_that_they_look_like(tmp_path: Path) -> None:
    with Library(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        crops = (NewCrop(BOXES[0]), NewCrop(BOXES[1]))
        add_photos(giver, [new_photo(1, crops=crops)])
        near = (NewCrop((10.2, 10.0, 60.5, 50.1)),)
        add_photos(taker, [new_photo(1, crops=near)])
        done = handed_over(giver, taker, tmp_path / "out")
        assert [taker.crop(number).twins for number in done.crops] == [1, 3]


def test_boxes_that_lie_on_each_other_with_other_labels_are_listed(tmp_path: Path) -> None:
    with Library(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        add_photos(giver, [new_photo(1)])
        giver.label([1], "leech")
        giver.label([2], "snail")
        shifted = tuple(NewCrop((x0 + 2, y0 + 1, x1 + 2, y1 + 1)) for x0, y0, x1, y1 in BOXES)
        add_photos(taker, [new_photo(1, crops=shifted)])
        taker.label([1], "flatworm")
        taker.label([2], "harmless")  # of which a snail is one
        (overlap,) = handed_over(giver, taker, tmp_path / "out").overlaps
        assert (overlap.crops, overlap.labels) == ((1, 3), ("flatworm", "leech"))
        assert import_album(taker, tmp_path / "out").overlaps == ()  # known since the first time
        # (50.5 - 2) x (40 - 1) shared, twice 50.5 x 40 less that in all
        assert overlap.iou == pytest.approx(1891.5 / (2 * 2020 - 1891.5), abs=1e-3)


# --- forms of others -----------------------------------------------------------------------------


def their_coco(folder: Path, **changes: Any) -> Path:
    """A COCO file as another program writes it, with two photos."""
    (folder / "images").mkdir(parents=True)
    for seed in (1, 2):
        (folder / "images" / f"{seed}.jpg").write_bytes(glass(seed))
    data: dict[str, Any] = {
        "images": [
            {"id": seed, "file_name": f"{seed}.jpg", "width": 140, "height": 90} for seed in (1, 2)
        ],
        "annotations": [
            {"id": 1, "image_id": 1, "category_id": 7, "bbox": [10, 10, 30, 20]},
            {"id": 2, "image_id": 1, "category_id": 8, "bbox": [60, 10, 30.04, 20]},
            {"id": 3, "image_id": 2, "category_id": 9, "bbox": [0, 0, 140, 90]},
        ],
        "categories": [
            {"id": 7, "name": "Planaria"},
            {"id": 8, "name": "snail_eggs"},
            {"id": 9, "name": "gizmo"},
        ],
    }
    path = folder / "boxes.json"
    path.write_text(json.dumps(data | changes), encoding="utf-8")
    return path


@pytest.mark.parametrize("whole_folder", [True, False])
def test_a_coco_file_of_others_is_matched_by_name(tmp_path: Path, whole_folder: bool) -> None:
    path = their_coco(tmp_path / "theirs")
    source = path.parent if whole_folder else path
    with Library(tmp_path / "data") as library:
        done = import_album(library, source, who="Two")
        assert (done.kind, len(done.crops), done.n_labels) == ("coco", 3, 2)
        assert done.unmatched == {"gizmo": 1}
        found = [(crop.label, crop.box_xyxy_px, crop.photo_name) for crop in library.every()]
        assert found == [
            ("flatworm", (10.0, 10.0, 40.0, 30.0), "1.jpg"),
            ("snail-eggs", (60.0, 10.0, 90.0, 30.0), "1.jpg"),
            (None, (0.0, 0.0, 140.0, 90.0), "2.jpg"),
        ]
        assert {item.who for item in library.history(1)} == {"Two"}
        before = tables(library)
        again = import_album(library, source, who="Two")
        assert (again.crops, again.n_known, again.n_labels) == ((), 3, 0)
        assert tables(library) == before


def test_folders_named_as_labels_are_taken_in(tmp_path: Path) -> None:
    for rank, name in enumerate(("Leeches", "planaria", "tank rubbish")):
        (tmp_path / "theirs" / "train" / name).mkdir(parents=True)
        (tmp_path / "theirs" / "train" / name / "a.jpg").write_bytes(glass(rank))
    (tmp_path / "theirs" / "train" / "planaria" / "notes.txt").write_text("mine", encoding="utf-8")
    with Library(tmp_path / "data") as library:
        done = import_album(library, tmp_path / "theirs")
        assert (done.kind, len(done.crops), done.skipped) == ("image-folder", 3, ())
        assert done.unmatched == {"tank rubbish": 1}
        assert [crop.label for crop in library.every()] == ["leech", "flatworm", None]


def test_copies_of_a_photo_are_one_and_under_two_names_they_have_none(tmp_path: Path) -> None:
    for rank, name in ((1, "leech/a"), (1, "leech/b"), (2, "leech/c"), (2, "snail/c")):
        path = tmp_path / "theirs" / f"{name}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(glass(rank))
    with Library(tmp_path / "data") as library:
        done = import_album(library, tmp_path / "theirs")
        assert [crop.label for crop in library.every()] == ["leech", None]
    why = "One box on it is called leech, snail; it was added unlabelled."
    assert done.skipped == (("c.jpg", why), ("c.jpg", why))


def test_a_table_of_boxes_is_taken_in(tmp_path: Path) -> None:
    for seed in (1, 2):
        (tmp_path / f"{seed}.jpg").write_bytes(glass(seed))
    text = (
        "photo,x0,y0,x1,y1,label,tank\n"
        "1.jpg,10,10,40,30,leech,Moss\n"
        "1.jpg,60,10,90,30,,\n"
        "2.jpg,,,,,bubbles,Slate\n"
    )
    (tmp_path / "boxes.csv").write_text(text, encoding="utf-8-sig")
    with Library(tmp_path / "data") as library:
        done = import_album(library, tmp_path / "boxes.csv")
        assert (done.kind, done.skipped) == ("boxes", ())
        found = [(crop.label, crop.box_xyxy_px[2:], crop.tank) for crop in library.every()]
    assert found == [
        ("leech", (40.0, 30.0), "Moss"),
        (None, (90.0, 30.0), "Moss"),
        ("bubble", (140.0, 90.0), "Slate"),
    ]


def test_our_crops_by_label_can_be_taken_in_alone(tmp_path: Path) -> None:
    with made_album(tmp_path / "a") as giver, Library(tmp_path / "b") as taker:
        export_album(giver, tmp_path / "out", layout="image-folder")
        done = import_album(taker, tmp_path / "out" / "by_label")
        assert (done.kind, len(done.crops)) == ("image-folder", 3)
        assert sorted(str(crop.label) for crop in taker.every()) == ["harmless", "leech", "snail"]


def test_one_box_with_two_names_is_added_unlabelled_and_told(tmp_path: Path) -> None:
    one = {"image_id": 1, "bbox": [10, 10, 30, 20]}
    twice = [one | {"id": 1, "category_id": 7}, one | {"id": 2, "category_id": 8}]
    path = their_coco(tmp_path / "theirs", annotations=twice)
    with Library(tmp_path / "data") as library:
        done = import_album(library, path)
        assert [crop.label for crop in library.every()] == [None]
    assert done.skipped == (
        ("1.jpg", "One box on it is called flatworm, snail-eggs; it was added unlabelled."),
    )


@pytest.mark.parametrize("label", LABEL_VALUES)
def test_our_own_names_stand_for_themselves(label: str) -> None:
    assert label_of(label) == label
    assert label_of(label.upper().replace("-", "_")) == label


@pytest.mark.parametrize(
    ("name", "label"),
    [
        ("Planaria", "flatworm"),
        ("water flea", "small-crustacean"),
        (" Leeches ", "leech"),
        ("I don’t know", "dont-know"),
        ("worm", None),  # a leech, a flatworm or a thin worm
        ("eggs", None),
        ("", None),
    ],
)
def test_plain_other_names_are_matched_and_doubtful_ones_are_not(
    name: str, label: str | None
) -> None:
    assert label_of(name) == label
