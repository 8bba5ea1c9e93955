"""What an exported album holds, what it does not, and that it is there wholly or not at all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from pestvision.collection import export_album as export_module
from pestvision.collection.exchange import LAYOUTS, export_album
from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library
from pestvision.collection.records import NewPhoto, Wanted
from pestvision.errors import LabelError, OutputError, PersonError, StoreError
from pestvision.findings.words import CAUTION
from tests.made_albums import glass, made_album, new_photo
from tests.photo_files import drawn_glass, packed

HEADINGS = [  # Gebru et al. 2021, doi 10.1145/3458723, section 3
    "Motivation",
    "Composition",
    "Collection",
    "Preprocessing and labelling",
    "Uses",
    "Distribution",
    "Maintenance",
]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_layout_has_tables_photos_and_a_datasheet(tmp_path: Path, layout: str) -> None:
    with made_album(tmp_path / "data") as library:
        told: list[tuple[int, int]] = []
        done = export_album(
            library,
            tmp_path / "out",
            layout=layout,
            progress=lambda n, total, _what: told.append((n, total)),
        )
    assert (done.n_photos, done.n_crops, done.n_labels) == (4, 8, 16)
    assert told[-1] == (4, 4)
    names = {path.name for path in (tmp_path / "out").iterdir()}
    own = {"image-folder": {"by_label"}, "coco": {"coco.json"}, "table": set()}[layout]
    tables = {"photos.csv", "crops.csv", "labels.csv", "datapackage.json"}
    assert names == {"photos", "DATASHEET.md", "SHA256SUMS"} | tables | own
    assert {path.name for path in tmp_path.iterdir()} == {"data", "out"}


def test_the_datasheet_says_what_is_known_and_what_is_not(tmp_path: Path) -> None:
    with made_album(tmp_path / "data") as library:
        export_album(library, tmp_path / "out", layout="table", who="One")
    text = (tmp_path / "out" / "DATASHEET.md").read_text(encoding="utf-8")
    assert [line[3:] for line in text.splitlines() if line.startswith("## ")] == HEADINGS
    for said in (
        CAUTION,
        "4 photos with 8 crops",
        "| leech-like | all | 1 |",
        "| disputed | | 1 |",
        "| not labelled | | 3 |",
        "Amber (2), Moss (1), Slate (1)",
        "Cam 0 (2), Cam 1 (2)",
        "One (5), Two (3)",
        "net-a (8)",
        "One and Two: 2 crops labelled by both, the same group for 50%",
        "not recorded",
        "no diagnosis",
    ):
        assert said in text


def test_names_cannot_break_the_datasheet(tmp_path: Path) -> None:
    with Library(tmp_path / "data") as library:
        add_photos(library, [new_photo(1, tank="# <b>Moss</b>\n| x |")])
        export_album(library, tmp_path / "out", layout="table")
    text = (tmp_path / "out" / "DATASHEET.md").read_text(encoding="utf-8")
    assert r"\# \<b\>Moss\</b\> \| x \| (1)" in text


def test_no_position_and_no_serial_number_is_handed_on(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (47.0, 11.0, 12.34)
    exif.get_ifd(0x8769)[0xA431] = "SERIAL-4711"
    exif.get_ifd(0x8769)[0x9003] = "2026:02:03 04:05:06"
    exif[0x0110] = "Cam 9"
    data = packed(drawn_glass(1, 90, 140), "JPEG", exif=exif.tobytes())
    assert b"SERIAL-4711" in data
    with Library(tmp_path / "data") as library:
        add_photos(library, [NewPhoto(data, "a.jpg")])
        for layout in LAYOUTS:
            export_album(library, tmp_path / layout, layout=layout)
            for path in (tmp_path / layout).rglob("*"):
                if path.is_file():
                    assert b"SERIAL-4711" not in path.read_bytes()
            (photo,) = (tmp_path / layout / "photos").iterdir()
            assert not Image.open(BytesIO(photo.read_bytes())).getexif()
    assert b"2026-02-03T04:05:06" in (tmp_path / "table" / "photos.csv").read_bytes()


def test_files_have_readable_names_that_every_system_takes(tmp_path: Path) -> None:
    names = ["Glas Ä 1.jpg", "../../etc/passwd", "Жук.png", "x" * 300 + ".jpg", "con.jpg"]
    photos = [NewPhoto(glass(seed), name) for seed, name in enumerate(names)]
    with Library(tmp_path / "data") as library:
        add_photos(library, photos)
        export_album(library, tmp_path / "out", layout="table")
    found = sorted(path.name[9:] for path in (tmp_path / "out" / "photos").iterdir())
    assert found == sorted(
        ["Glas-A-1.jpg", "passwd.jpg", "photo.jpg", "x" * 40 + ".jpg", "con.jpg"]
    )


def test_a_part_of_the_album_can_be_handed_on(tmp_path: Path) -> None:
    with made_album(tmp_path / "data") as library:
        done = export_album(library, tmp_path / "out", layout="table", wanted=Wanted(tank="Amber"))
        assert (done.n_photos, done.n_crops) == (2, 4)
        with pytest.raises(LabelError, match="as asked for"):
            export_album(library, tmp_path / "no", layout="table", wanted=Wanted(tank="Nowhere"))
    assert not (tmp_path / "no").exists()


def test_what_was_taken_away_is_not_handed_on(tmp_path: Path) -> None:
    with made_album(tmp_path / "data") as library:
        library.delete([crop.id for crop in library.every()][:3])
        assert export_album(library, tmp_path / "out", layout="table").n_crops == 5


def test_an_empty_album_and_an_unknown_layout_are_refused(tmp_path: Path) -> None:
    with Library(tmp_path / "data") as library:
        with pytest.raises(LabelError, match="empty"):
            export_album(library, tmp_path / "out", layout="table")
        with pytest.raises(PersonError, match="no layout"):
            export_album(library, tmp_path / "out", layout="zip")


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    (tmp_path / "empty").mkdir()
    with made_album(tmp_path / "data") as library:
        for name, why in (("full", "not empty"), ("file", "is a file"), ("data/x", "album's own")):
            with pytest.raises(OutputError, match=why):
                export_album(library, tmp_path / name, layout="table")
        export_album(library, tmp_path / "empty", layout="table")
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["mine.txt"]
    assert (tmp_path / "empty" / "photos.csv").is_file()


def test_a_full_disk_is_told_before_anything_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(export_module, "_FIXED_BYTES", 1 << 60)
    with made_album(tmp_path / "data") as library, pytest.raises(OutputError, match="room"):
        export_album(library, tmp_path / "out", layout="table")
    assert {path.name for path in tmp_path.iterdir()} == {"data"}


def test_a_disk_that_fills_up_meanwhile_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Path, _data: bytes) -> int:
        raise OSError(28, "No space left on device", str(self))

    with made_album(tmp_path / "data") as library:
        monkeypatch.setattr(Path, "write_bytes", full)
        with pytest.raises(OutputError, match="no space left"):
            export_album(library, tmp_path / "out", layout="image-folder")
    assert {path.name for path in tmp_path.iterdir()} == {"data"}


@pytest.mark.parametrize("how", ["gone", "damaged"])
def test_a_damaged_picture_stops_the_export_and_is_named(tmp_path: Path, how: str) -> None:
    with made_album(tmp_path / "data") as library:
        path = library.picture_path(library.crop(1))
        if how == "gone":
            path.unlink()
        else:
            path.write_bytes(path.read_bytes()[:-9])
        with pytest.raises(StoreError, match=r"glass 0\.jpg is damaged or gone"):
            export_album(library, tmp_path / "out", layout="table")
    assert not (tmp_path / "out").exists()


KILLED = """
import sys
from pathlib import Path
import time
from pestvision.collection.exchange import export_album
from pestvision.collection.library import Library

def hang(done, total, what):
    print("at", done, flush=True)
    time.sleep(60)

export_album(Library(Path(sys.argv[1])), Path(sys.argv[2]), layout="table", progress=hang)
"""


def test_a_killed_export_leaves_nothing_that_stays(tmp_path: Path) -> None:
    with made_album(tmp_path / "data") as library:
        child = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(tmp_path / "data"), str(tmp_path / "out")],
            stdout=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])},
        )
        assert child.stdout is not None
        assert child.stdout.readline() == b"at 0\n"
        left = {path.name for path in tmp_path.iterdir()} - {"data"}
        assert left
        assert not (tmp_path / "out").exists()
        export_album(library, tmp_path / "other", layout="table")  # another name: let be
        export_album(library, tmp_path / "out", layout="table")  # it is still at work: let be
        assert left <= {path.name for path in tmp_path.iterdir()}
        (tmp_path / "out").rename(tmp_path / "first")
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        time.sleep(0.1)
        export_album(library, tmp_path / "out", layout="table")
    assert {path.name for path in tmp_path.iterdir()} == {"data", "other", "first", "out"}


def test_crops_by_label_are_those_that_the_net_sees(tmp_path: Path) -> None:
    with made_album(tmp_path / "data") as library:
        export_album(library, tmp_path / "out", layout="image-folder")
        for path in (tmp_path / "out" / "by_label").rglob("*.png"):
            assert Image.open(BytesIO(path.read_bytes())).size == (224, 224)
            (crop,) = (crop for crop in library.every() if crop.key == path.stem)
            assert crop.label == path.parent.name
