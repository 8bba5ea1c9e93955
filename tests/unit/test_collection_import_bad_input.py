"""Whatever is given for an album: one clear sentence, and the album stays as it was."""

from __future__ import annotations

import hashlib
import json
import zipfile
from typing import TYPE_CHECKING, Any

import pytest

from pestvision.collection.exchange import export_album, import_album
from pestvision.collection.library import Library
from pestvision.errors import PersonError
from tests.made_albums import glass, made_album, tables
from tests.unit.test_collection_import import their_coco

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    """An album that must stay as it is."""
    with made_album(tmp_path / "data") as made:
        before = tables(made)
        yield made
        assert tables(made) == before


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Another keeper's album of six photos, two of them new."""
    folder = tmp_path_factory.mktemp("exported")
    with made_album(folder / "data", 6) as made:
        export_album(made, folder / "out", layout="coco")
    return folder / "out"


@pytest.fixture
def copy(tmp_path: Path, exported: Path) -> Path:
    """A copy of it, to be spoilt."""
    for path in exported.rglob("*"):
        target = tmp_path / "out" / path.relative_to(exported)
        if path.is_file():
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
    return tmp_path / "out"


def sentence_of(library: Library, source: Path) -> str:
    with pytest.raises(PersonError) as caught:
        import_album(library, source)
    sentence = caught.value.sentence()
    assert "\n" not in sentence
    assert sentence.endswith(".")
    return sentence


def sign_anew(folder: Path) -> None:
    """Make the checksums right again, as somebody who wants to deceive would."""
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}\n"
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "SHA256SUMS"
    ]
    (folder / "SHA256SUMS").write_text("".join(lines), encoding="utf-8")


def test_what_is_no_album_is_named(library: Library, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "album.zip", "w") as archive:
        archive.writestr("photos.csv", "")
    (tmp_path / "photo.jpg").write_bytes(glass(1))
    (tmp_path / "empty").mkdir()
    (tmp_path / "plain").mkdir()
    (tmp_path / "plain" / "a.jpg").write_bytes(glass(1))
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    for name, said in (
        ("nowhere", "no such file"),
        ("album.zip", "Unpack it"),
        ("photo.jpg", "holds a JPEG photo, not an album"),
        ("empty", "is empty"),
        ("plain", "no album of labelled photos"),
        ("notes.txt", "holds text"),
        ("nul\0", "cannot be read"),
        ("x" * 300, "cannot be read"),
    ):
        assert said in sentence_of(library, tmp_path / name)


@pytest.mark.parametrize("name", ["photos.csv", "labels.csv", "datapackage.json", "DATASHEET.md"])
@pytest.mark.parametrize("how", ["missing", "damaged"])
def test_a_damaged_album_changes_nothing_and_the_file_is_named(
    library: Library, copy: Path, name: str, how: str
) -> None:
    if how == "missing":
        (copy / name).unlink()
    else:
        with (copy / name).open("ab") as file:
            file.write(b" ")
    assert f"{name} is " in sentence_of(library, copy)


def test_a_damaged_photo_changes_nothing(library: Library, copy: Path) -> None:
    path = min((copy / "photos").iterdir())
    path.write_bytes(path.read_bytes()[:-1])
    for source in (copy, copy / "coco.json"):
        assert f"photos/{path.name} is not what it was" in sentence_of(library, source)
    path.unlink()
    for source in (copy, copy / "coco.json"):
        assert f"photos/{path.name} is missing" in sentence_of(library, source)


def change_table(name: str, old: bytes, new: bytes) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        data = (folder / name).read_bytes()
        assert old in data
        (folder / name).write_bytes(data.replace(old, new, 1))

    return change


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (change_table("photos.csv", b"photos/", b"../../x/"), "x/3fe8bae8-glass-0.jpg is another"),
        (change_table("photos.csv", b"photos/", b"photo/"), "another picture"),
        (change_table("photos.csv", b"sha256,file", b"file,sha256"), "begin with the columns"),
        (change_table("photos.csv", b"Amber", b"\xff\xfe"), "not written in UTF-8"),
        (change_table("photos.csv", b",140,", b",wide,"), "width: a number was expected"),
        (change_table("photos.csv", b",140,", b",0,"), "width: 1 or more was expected"),
        (change_table("crops.csv", b"10.0,10.0,60.5", b"nan,10.0,60.5"), "x0: a number"),
        (change_table("crops.csv", b"10.0,10.0,60.5", b"70.0,10.0,60.5"), "is empty"),
        (change_table("crops.csv", b"10.0,10.0,60.5", b"10.0,60.5"), "values"),
        (change_table("labels.csv", b",leech,", b",kraken,"), "label: one of"),
        (change_table("labels.csv", b",person,", b",ghost,"), "kind: one of"),
        (change_table("labels.csv", b",person,", b",net,"), "a net without a name"),
        (change_table("labels.csv", b"0.75", b"1.75"), "confidence: 1 or less"),
        (change_table("labels.csv", b"2026-11-20T", b"yesterday"), "at: the form"),
        (change_table("labels.csv", b"net01", b"net00"), "repeats the key"),
        (change_table("datapackage.json", b"album-1", b"album-2"), "no album that this version"),
        (change_table("datapackage.json", b"{", b"["), "no JSON"),
    ],
)
def test_an_album_that_was_changed_on_purpose_is_refused(
    library: Library, copy: Path, spoil: Callable[[Path], None], said: str
) -> None:
    spoil(copy)
    sign_anew(copy)
    assert said in sentence_of(library, copy)


def test_checksums_that_are_none_are_refused(library: Library, copy: Path) -> None:
    (copy / "SHA256SUMS").write_text("nonsense\n", encoding="utf-8")
    assert "no checksum" in sentence_of(library, copy)
    (copy / "SHA256SUMS").write_text("", encoding="utf-8")
    assert "no checksum" in sentence_of(library, copy)
    (copy / "SHA256SUMS").write_text(f"{'0' * 64}  coco.json\n", encoding="utf-8")
    assert "does not list" in sentence_of(library, copy)
    sign_anew(copy)
    with (copy / "SHA256SUMS").open("a", encoding="utf-8") as file:
        file.write(f"{'0' * 64}  ../../secret\n")
    assert "leads out of the folder" in sentence_of(library, copy)


def test_links_that_leave_the_folder_are_not_followed(
    library: Library, copy: Path, tmp_path: Path
) -> None:
    path = min((copy / "photos").iterdir())
    path.rename(tmp_path / "secret.jpg")
    path.symlink_to(tmp_path / "secret.jpg")
    assert "leads out of the folder" in sentence_of(library, copy)
    (tmp_path / "theirs" / "leech").mkdir(parents=True)
    (tmp_path / "theirs" / "leech" / "a.jpg").symlink_to(tmp_path / "secret.jpg")
    (tmp_path / "theirs" / "snail").symlink_to(tmp_path / "data")
    assert "leads out of the folder" in sentence_of(library, tmp_path / "theirs")


def spoilt_coco(change: Callable[[dict[str, Any]], object], folder: Path) -> Path:
    data = json.loads((folder / "coco.json").read_text(encoding="utf-8"))
    change(data)
    (folder / "coco.json").write_text(json.dumps(data), encoding="utf-8")
    return folder / "coco.json"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda data: data["images"][0].update(file_name="../../etc/passwd"), "leads out"),
        (lambda data: data["images"][0].update(file_name=None), "file in it"),
        (lambda data: data["annotations"][0].update(bbox=[1, 2]), "a box in it is none"),
        (lambda data: data["annotations"][0].update(bbox=[1, 2, float("nan"), 4]), "x1 in it"),
        (lambda data: data["annotations"][0].update(image_id=99), "photo in it"),
        (lambda data: data["annotations"][0]["album"].update(labels=[1]), "labels of a crop"),
        (lambda data: data["annotations"][0]["album"].update(key=[1]), "no single value"),
        (lambda data: data["annotations"].append(data["annotations"][0]), "stands twice"),
    ],
)
def test_a_coco_file_of_ours_that_was_spoilt_is_refused(
    library: Library, copy: Path, change: Callable[[dict[str, Any]], object], said: str
) -> None:
    assert said in sentence_of(library, spoilt_coco(change, copy))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "no JSON file"),
        ("[" * 100_000, "no JSON file"),
        ("[1, 2]", "not COCO"),
        ('{"images": [], "annotations": {}, "categories": []}', "not COCO"),
        ('{"images": [], "annotations": [], "categories": []}', "no labelled photo"),
        ('{"images": [1], "annotations": [null], "categories": ["x"]}', "no labelled photo"),
        ('{"images": [{"id": [1]}], "annotations": [{}], "categories": [{}]}', "does not name"),
    ],
)
def test_json_that_is_no_coco_is_refused(
    library: Library, tmp_path: Path, text: str, said: str
) -> None:
    (tmp_path / "x.json").write_text(text, encoding="utf-8")
    assert said in sentence_of(library, tmp_path / "x.json")


BAD_BOX = "Box 1 on it is empty, lies outside, or is no number; it was left out."


@pytest.mark.parametrize(
    "box",
    [
        [10, 10, 0, 20],
        [10, 10, -5, 20],
        [140, 10, 30, 20],
        [-50, 10, 30, 20],
        [float("nan"), 10, 30, 20],
        [float("inf"), 10, 30, 20],
        [10, 10, 10**400, 20],
        [10, 10, 30],
        "10 10 30 20",
        None,
        [True, 10, 30, 20],
    ],
)
def test_a_bad_box_is_left_out_and_told_and_the_others_are_taken(tmp_path: Path, box: Any) -> None:
    notes = [
        {"id": 1, "image_id": 1, "category_id": 7, "bbox": box},
        {"id": 2, "image_id": 1, "category_id": 8, "bbox": [60, 10, 30, 20]},
    ]
    path = their_coco(tmp_path / "theirs", annotations=notes)
    with Library(tmp_path / "data") as library:
        done = import_album(library, path)
        assert [crop.label for crop in library.every()] == ["snail-eggs"]
    assert done.skipped == (("1.jpg", BAD_BOX),)


@pytest.mark.parametrize(
    ("image", "said"),
    [
        ({"file_name": "../../../etc/passwd"}, "leads out of the folder"),
        ({"file_name": "/etc/passwd"}, "leads out of the folder"),
        ({"file_name": "C:\\Windows\\win.ini"}, "leads out of the folder"),
        ({"file_name": "..\\..\\x.jpg"}, "leads out of the folder"),
        ({"file_name": "a\0b.jpg"}, "leads out of the folder"),
        ({"file_name": ""}, "leads out of the folder"),
        ({"file_name": "gone.jpg"}, "There is no gone.jpg"),
        ({"file_name": "x" * 400}, "cannot be read"),
        ({"file_name": "images"}, "is a folder"),
        ({"file_name": "boxes.json"}, "photo"),
        ({"file_name": "1.jpg", "width": 70, "height": 45}, "140 × 90"),
    ],
)
def test_a_photo_that_cannot_be_used_is_told_and_the_others_are_taken(
    tmp_path: Path, image: dict[str, Any], said: str
) -> None:
    images = [
        {"id": 1, **image},
        {"id": 2, "file_name": "2.jpg", "width": 140, "height": 90},
    ]
    path = their_coco(tmp_path / "theirs", images=images)
    with Library(tmp_path / "data") as library:
        done = import_album(library, path)
        assert [crop.photo_name for crop in library.every()] == ["2.jpg"]
    ((_, why),) = done.skipped
    assert said in why


def test_a_category_that_is_not_listed_is_told(tmp_path: Path) -> None:
    notes = [{"id": 1, "image_id": 1, "bbox": [60, 10, 30, 20]}]
    notes += [notes[0] | {"category_id": 99, "bbox": [10, 10, 30, 20]}]
    path = their_coco(tmp_path / "theirs", annotations=notes)
    with Library(tmp_path / "data") as library:
        done = import_album(library, path)
        assert [crop.label for crop in library.every()] == [None, None]
    assert done.unmatched == {"category 99": 1}


def test_two_coco_files_in_a_folder_are_not_guessed_at(library: Library, tmp_path: Path) -> None:
    path = their_coco(tmp_path / "theirs")
    (path.parent / "more.json").write_bytes(path.read_bytes())
    assert "boxes.json, more.json" in sentence_of(library, path.parent)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no column photo"),
        (b"photo,x0,y0,x1,label\n", "no column y1"),
        (b"photo;x0;y0;x1;y1;label\n", "parted by commas"),
        (
            "photo,x0,y0,x1,y1,label\nÄ.jpg,1,2,3,4,leech\n".encode("latin-1"),
            "not written in UTF-8",
        ),
        (b'photo,x0,y0,x1,y1,label\n"1.jpg', "no table"),
        (b"photo,x0,y0,x1,y1,label\n", "no labelled photo"),
        (b"photo,x0,y0,x1,y1,label\n1.jpg,a,2,3,4,leech\n", "edges are no numbers"),
        (b"photo,x0,y0,x1,y1,label\n1.jpg,1,2,,4,leech\n", "edges are no numbers"),
        (b"photo,x0,y0,x1,y1,label\n1.jpg,nan,2,3,4,leech\n", "Box 1 on it is empty"),
        (b"photo,x0,y0,x1,y1,label\n,1,2,3,4,leech\n", "no photo is named"),
        (b"photo,x0,y0,x1,y1,label\n1.jpg\n../1.jpg,,,,,leech\n", None),
        (b"photo,x0,y0,x1,y1,label\n../data/pestvision.db,,,,,leech\n", "leads out"),
    ],
)
def test_a_table_that_cannot_be_used_is_told(tmp_path: Path, data: bytes, said: str | None) -> None:
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "1.jpg").write_bytes(glass(1))
    (tmp_path / "theirs" / "boxes.csv").write_bytes(data)
    with Library(tmp_path / "data") as library:
        if said is None:  # the whole photo, and a line that leads out
            done = import_album(library, tmp_path / "theirs" / "boxes.csv")
            assert (len(done.crops), len(done.skipped)) == (1, 1)
            return
        assert said in sentence_of(library, tmp_path / "theirs" / "boxes.csv")
        assert library.counts().n_crops == 0
