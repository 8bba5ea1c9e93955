"""A backup: whole or not there, made while the page works, and readable without this program."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import time
import zipfile
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from pestvision import __version__
from pestvision.errors import FolderError, OutputError, PestVisionError, StoreError
from pestvision.storage.backup import back_up
from tests.album_folders import add_photo, made_folder, pictures, rows

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made_folder(tmp_path / "album")


def assert_one_sentence_each(error: PestVisionError) -> None:
    assert "\n" not in error.sentence()
    assert str(error).endswith(".")
    assert error.advice.endswith(".")


def refused(folder: Path, target: Path, kind: type[PestVisionError]) -> str:
    """The sentence with which a backup is refused; nothing new lies beside the target."""
    before = sorted(target.parent.glob("*")) if target.parent.is_dir() else []
    with pytest.raises(kind) as caught:
        back_up(folder, target)
    assert type(caught.value) is kind
    assert_one_sentence_each(caught.value)
    assert (sorted(target.parent.glob("*")) if target.parent.is_dir() else []) == before
    return caught.value.sentence()


def test_a_backup_holds_the_database_the_pictures_and_what_tells_of_them(
    folder: Path, tmp_path: Path
) -> None:
    target = tmp_path / "kept.zip"
    told = []
    result = back_up(folder, target, progress=lambda *step: told.append(step))
    assert (result.path, result.n_photos, result.missing) == (target, 5, ())
    assert result.n_bytes == target.stat().st_size
    assert result.newest_change == "2026-11-25T20:00:04Z"
    assert [step[:2] for step in told] == [(done, 5) for done in range(5)]
    with zipfile.ZipFile(target) as archive:
        assert archive.testzip() is None
        names = set(archive.namelist())
        about = json.loads(archive.read("backup.json"))
        archive.extractall(tmp_path / "unpacked")
    assert names == {"pestvision.db", "backup.json", "checksums.sha256", *pictures(folder)}
    assert about["format"] == 1
    assert about["pestvision"] == __version__
    assert about["made"].endswith("+00:00")
    assert (about["schema"], about["n_photos"], about["missing"]) == (3, 5, [])
    assert about["counts"] == {"photos": 5, "labels": 5, "actions": 5, 'odd "name': 1}
    assert about["newest_change"] == "2026-11-25T20:00:04Z"
    assert rows(tmp_path / "unpacked") == rows(folder)
    assert pictures(tmp_path / "unpacked") == pictures(folder)
    assert list(tmp_path.glob(".*")) == []


def test_the_checksums_are_those_that_sha256sum_checks(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "kept.zip"
    back_up(folder, target)
    with zipfile.ZipFile(target) as archive:
        archive.extractall(tmp_path / "unpacked")
        text = archive.read("checksums.sha256").decode()
        for line in text.splitlines():
            told, name = line.split("  ")
            assert hashlib.sha256(archive.read(name)).hexdigest() == told
    assert len(text.splitlines()) == 7
    if shutil.which("sha256sum"):
        subprocess.run(
            ["sha256sum", "--check", "--strict", "--quiet", "checksums.sha256"],
            cwd=tmp_path / "unpacked",
            check=True,
        )


def test_a_page_that_is_writing_does_not_stop_a_backup(folder: Path, tmp_path: Path) -> None:
    before = rows(folder)
    with closing(sqlite3.connect(folder / "pestvision.db", isolation_level=None)) as page:
        page.execute("BEGIN IMMEDIATE")
        page.execute("INSERT INTO labels (label, at) VALUES ('leech-like', '2027')")
        back_up(folder, tmp_path / "kept.zip")
        page.execute("COMMIT")
    with zipfile.ZipFile(tmp_path / "kept.zip") as archive:
        archive.extractall(tmp_path / "unpacked")
    assert rows(tmp_path / "unpacked") == before
    assert len(rows(folder)["labels"]) == 6


def test_what_still_lies_in_the_write_ahead_log_is_in_the_backup(
    folder: Path, tmp_path: Path
) -> None:
    with closing(sqlite3.connect(folder / "pestvision.db", isolation_level=None)) as page:
        page.execute("INSERT INTO labels (label, at) VALUES ('leech-like', '2027')")
        assert (folder / "pestvision.db-wal").stat().st_size > 0
        result = back_up(folder, tmp_path / "kept.zip")
    assert result.newest_change == "2027"


def test_a_locked_database_is_told_and_not_waited_for_for_ever(
    folder: Path, tmp_path: Path
) -> None:
    with closing(sqlite3.connect(folder / "pestvision.db", isolation_level=None)) as other:
        other.execute("PRAGMA journal_mode = DELETE")
        other.execute("BEGIN EXCLUSIVE")
        assert "busy" in refused(folder, tmp_path / "kept.zip", StoreError)


def test_a_picture_that_is_gone_or_damaged_is_told_and_costs_no_other(
    folder: Path, tmp_path: Path
) -> None:
    gone, damaged = list(pictures(folder))[:2]
    (folder / gone).unlink()
    (folder / damaged).write_bytes(b"something else")
    result = back_up(folder, tmp_path / "kept.zip")
    assert result.missing == tuple(sorted((gone, damaged)))
    assert result.n_photos == 3
    with zipfile.ZipFile(tmp_path / "kept.zip") as archive:
        assert json.loads(archive.read("backup.json"))["missing"] == sorted((gone, damaged))
        assert {gone, damaged}.isdisjoint(archive.namelist())


def test_a_database_without_those_tables_is_backed_up(tmp_path: Path) -> None:
    folder = tmp_path / "bare"
    folder.mkdir()
    with closing(sqlite3.connect(folder / "pestvision.db")) as connection:
        connection.execute("CREATE TABLE labels (id INTEGER)")
        connection.commit()
    result = back_up(folder, tmp_path / "kept.zip")
    assert (result.n_photos, result.newest_change) == (0, None)


def test_only_pictures_that_the_database_knows_are_in_the_backup(
    folder: Path, tmp_path: Path
) -> None:
    stray = folder / "images/ab" / f"{'ab' * 32}.jpg"
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"stray")
    assert back_up(folder, tmp_path / "kept.zip").n_photos == 5


def test_nothing_is_ever_written_over(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "kept.zip"
    target.write_bytes(b"dear to somebody")
    assert "is there already" in refused(folder, target, OutputError)
    assert target.read_bytes() == b"dear to somebody"
    (tmp_path / "folder.zip").mkdir()
    refused(folder, tmp_path / "folder.zip", OutputError)
    (tmp_path / "link.zip").symlink_to(tmp_path / "nowhere")
    refused(folder, tmp_path / "link.zip", OutputError)


def test_a_file_that_appears_meanwhile_is_not_written_over(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "kept.zip"
    with pytest.raises(OutputError, match="is there already"):
        back_up(folder, target, progress=lambda *_: target.write_bytes(b"meanwhile"))
    assert target.read_bytes() == b"meanwhile"
    assert list(tmp_path.glob(".*")) == []


def test_a_name_or_folder_that_will_not_do_is_told(folder: Path, tmp_path: Path) -> None:
    assert ".zip" in refused(folder, tmp_path / "kept", OutputError)
    assert "no folder" in refused(folder, tmp_path / "nowhere/kept.zip", OutputError)
    assert "nothing to back up" in refused(tmp_path, tmp_path / "kept.zip", FolderError)


def test_a_folder_that_may_not_be_written_to_is_told(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if os.geteuid() == 0:  # who may write everywhere

        def forbidden(*_: object, **__: object) -> None:
            raise PermissionError(errno.EACCES, "Permission denied")

        monkeypatch.setattr("pathlib.Path.touch", forbidden)
    target = tmp_path / "closed/kept.zip"
    target.parent.mkdir(mode=0o500)
    assert "permission denied" in refused(folder, target, OutputError)


def test_too_little_room_is_told_before_anything_is_packed(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shutil.disk_usage", lambda _: shutil._ntuple_diskusage(10, 5, 5))
    assert "too little room" in refused(folder, tmp_path / "kept.zip", OutputError)


def test_a_disk_that_fills_up_meanwhile_is_told(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(zipfile.ZipFile, "writestr", full)
    assert "no space left" in refused(folder, tmp_path / "kept.zip", OutputError)


@pytest.mark.parametrize("how", ["text", "middle"])
def test_a_damaged_database_is_told(how: str, folder: Path, tmp_path: Path) -> None:
    path = folder / "pestvision.db"
    data = bytearray(path.read_bytes())
    if how == "text":
        data[:] = b"no database at all" * 500
    else:
        data[4096:8192] = bytes(4096)
    path.write_bytes(data)
    assert "damaged" in refused(folder, tmp_path / "kept.zip", StoreError)


def test_a_picture_that_leads_out_of_the_folder_is_told(folder: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(folder / "pestvision.db")) as connection:
        connection.execute("UPDATE photos SET suffix = '/../../x' WHERE id = 2")
        connection.commit()
    assert "damaged" in refused(folder, tmp_path / "kept.zip", StoreError)


def test_what_a_killed_backup_left_is_cleared_when_it_is_old(folder: Path, tmp_path: Path) -> None:
    old, new = tmp_path / ".kept.zip.0123abcd.part", tmp_path / ".kept.zip.4567abcd.db"
    for path in (old, new):
        path.write_bytes(b"left")
    os.utime(old, (time.time() - 7200,) * 2)
    back_up(folder, tmp_path / "kept.zip")
    assert (old.exists(), new.exists()) == (False, True)


def test_the_newest_change_is_the_newest_of_both_tables(folder: Path, tmp_path: Path) -> None:
    add_photo(folder, 77, at="2026-12-01T00:00:00Z")
    with closing(sqlite3.connect(folder / "pestvision.db")) as connection:
        connection.execute("INSERT INTO actions (at) VALUES ('2026-12-24T18:00:00Z')")
        connection.commit()
    assert back_up(folder, tmp_path / "kept.zip").newest_change == "2026-12-24T18:00:00Z"
