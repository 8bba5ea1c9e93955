"""The album on a disk that is full or may not be written to: one sentence, and everything stays whole."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library
from pestvision.errors import OutputError
from pestvision.organisms.classes import GROUPS
from pestvision.storage import files as files_module
from pestvision.storage.database import DATABASE_NAME, Database
from pestvision.storage.migrations import MIGRATIONS
from tests.made_album import faults, faults_of, filled, photo

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LEECH = str(GROUPS[0])
DISK_BYTES = 6 << 20


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of six megabytes, in memory."""
    if not sys.platform.startswith("linux") or shutil.which("mount") is None:
        pytest.skip("a small disk is made with Linux's mount")
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "none", str(place)],
        capture_output=True,
        text=True,
        check=False,
    )
    if made.returncode:
        pytest.skip(f"this user may not mount a small disk: {made.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


def fill(disk: Path) -> Path:
    """Write until nothing fits any more; give the file to be removed."""
    path = disk / "films of the holidays"
    with path.open("wb", buffering=0) as file:
        for size in (1 << 16, 1 << 12, 1):
            try:
                while file.write(b"\x01" * size) == size:
                    pass
            except OSError as error:
                assert error.errno == errno.ENOSPC  # noqa: PT017 - any other is a failure
    return path


def assert_one_sentence(error: OutputError) -> None:
    assert "\n" not in error.sentence()
    assert "nothing was changed" in str(error)
    assert error.advice.endswith(".")


def test_an_import_is_refused_before_the_disk_becomes_full(disk: Path) -> None:
    with Library(disk) as library:
        with pytest.raises(OutputError, match="MB are needed") as caught:
            add_photos(library, [photo(1)])
        assert_one_sentence(caught.value)
        assert faults(library) == []
        assert library.counts().n_crops == 0


def test_an_import_into_a_disk_that_is_full_is_one_sentence_and_the_album_stays_whole(
    disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files_module, "SPARE_BYTES", -(1 << 40))  # as if the room went meanwhile
    with Library(disk) as library:
        kept = filled(library, 3)
        films = fill(disk)
        with pytest.raises(OutputError) as caught:
            add_photos(library, [photo(seed) for seed in range(10, 20)])
        assert_one_sentence(caught.value)
        assert [crop.id for crop in library.every()] == list(kept)
        films.unlink()
        assert len(filled(library, 10, first=10)) == 10
        assert faults(library) == []
    assert faults_of(disk) == []


def test_room_that_goes_in_the_middle_of_an_import_leaves_whole_photos(
    disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files_module, "SPARE_BYTES", -(1 << 40))
    with Library(disk) as library:
        fill(disk).write_bytes(b"\x01" * (DISK_BYTES - (600 << 10)))  # a bit is left
        stored = 0
        for start in range(0, 2000, 10):
            try:
                stored += len(filled(library, 10, first=start))
            except OutputError as error:
                assert_one_sentence(error)
                break
        else:
            pytest.fail("the disk was never full")
        assert library.counts().n_crops == stored
        (disk / "films of the holidays").unlink()
        library.clear_pictures()
        assert faults(library) == []


def test_labels_on_a_full_disk_are_kept_or_refused_each_in_one_sentence(disk: Path) -> None:
    with Library(disk) as library:
        with library.database.atomic():  # an album with a crop; its picture does not matter here
            library.begin("import", who="keeper", note="")
            library.database.run(
                "INSERT INTO photos (id, sha256, suffix, name, width, height) VALUES (1, ?, '.jpg', '', 9, 9)",
                ("0" * 64,),
            )
            library.database.run(
                "INSERT INTO crops (id, key, photo, x0, y0, x1, y1, looks, twins, added) "
                "VALUES (1, 'a', 1, 0, 0, 9, 9, 0, 1, 1)"
            )
        films = fill(disk)
        keys: list[str] = []
        for number in range(2000):
            try:
                keys += library.label([1], LEECH, who=f"person {number}")
            except OutputError as error:
                assert_one_sentence(error)
                break
        else:
            pytest.fail("the disk was never full")
        assert {item.key for item in library.history(1)} == set(keys)
        films.unlink()
        keys += library.label([1], LEECH)  # and once there is room it goes on
    with Library(disk) as library:
        assert {item.key for item in library.history(1)} == set(keys)
        assert library.database.complaints() == []


def test_an_album_is_brought_up_to_date_on_a_full_disk_wholly_or_not_at_all(disk: Path) -> None:
    with Database(disk, migrations=MIGRATIONS[:1]) as old, old.atomic():
        old.run_many(
            "INSERT INTO actions (kind, at, who, note) VALUES ('import', '2026', 'keeper', ?)",
            [("x" * 100,)] * 5000,
        )
    films = fill(disk)
    with pytest.raises(OutputError) as caught:
        Database(disk)
    assert "\n" not in caught.value.sentence()
    films.unlink()
    with Database(disk, migrations=MIGRATIONS[:1]) as old:
        assert old.schema_version == 1
    with Database(disk) as new:
        assert new.one("SELECT count(*) FROM actions") == (5000,)
        assert new.complaints() == []


def test_a_disk_that_may_not_be_written_to_is_told_in_one_sentence(disk: Path) -> None:
    Library(disk).close()
    before = (disk / DATABASE_NAME).read_bytes()
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    with pytest.raises(OutputError) as caught:
        Library(disk)
    assert_one_sentence(caught.value)
    assert "--data" in caught.value.advice
    with pytest.raises(OutputError) as caught:
        Library(disk / "new")
    assert "\n" not in caught.value.sentence()
    subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
    assert (disk / DATABASE_NAME).read_bytes() == before
    assert faults_of(disk) == []


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere"
)
@pytest.mark.parametrize("kind", ["album", "empty"])
def test_a_folder_that_may_not_be_written_to_is_told_in_one_sentence(
    tmp_path: Path, kind: str
) -> None:
    folder = tmp_path / "album"
    folder.mkdir()
    if kind == "album":
        Library(folder).close()
    folder.chmod(0o555)
    try:
        with pytest.raises(OutputError) as caught:
            Library(folder)
        assert "\n" not in caught.value.sentence()
    finally:
        folder.chmod(0o755)
    assert faults_of(folder) == []
