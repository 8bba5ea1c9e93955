"""Restoring: all or nothing, nothing newer is lost, and a bad backup changes nothing."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from pathlib import Path

import pytest

from pestvision.errors import (
    FolderError,
    OutputError,
    PersonError,
    PestVisionError,
    StoreError,
)
from pestvision.storage.backup import back_up, restore
from tests.album_folders import add_photo, made_folder, pictures, rows, state

NEWER = "2026-12-01T08:00:00Z"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made_folder(tmp_path / "album")


@pytest.fixture
def kept(folder: Path, tmp_path: Path) -> Path:
    return back_up(folder, tmp_path / "kept.zip").path


def files(folder: Path) -> dict[str, bytes]:
    """Every file in a folder; the database by its rows, since SQLite may tidy it up."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith("pestvision.db")
    }


def refused(
    backup: Path, folder: Path, kind: type[PestVisionError], *, replace_newer: bool = False
) -> str:
    """The sentence with which restoring is refused; nothing in the folder was changed."""
    before = (rows(folder), files(folder)) if folder.is_dir() else None
    with pytest.raises(kind) as caught:
        restore(backup, folder, replace_newer=replace_newer)
    assert type(caught.value) is kind
    assert "\n" not in caught.value.sentence()
    assert caught.value.advice.endswith(".")
    after = (rows(folder), files(folder)) if folder.is_dir() else None
    assert after == before
    return caught.value.sentence()


def changed(backup: Path, target: Path, change: dict[str, bytes | None], **renamed: str) -> Path:
    """A copy of a backup with members replaced, added, or (None) left out."""
    with zipfile.ZipFile(backup) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            data = change.get(name, old.read(name))
            if data is not None:
                new.writestr(renamed.get(name, name), data)
        for name, data in change.items():
            if name not in old.namelist() and data is not None:
                new.writestr(name, data)
    return target


def with_sums(backup: Path, target: Path, change: dict[str, bytes | None]) -> Path:
    """A changed copy whose checksums were made to fit."""
    with zipfile.ZipFile(backup) as old:
        all_of_it = {name: old.read(name) for name in old.namelist()} | change
    sums = {
        name: hashlib.sha256(data).hexdigest()
        for name, data in all_of_it.items()
        if data is not None and name != "checksums.sha256"
    }
    text = "".join(f"{sums[name]}  {name}\n" for name in sorted(sums))
    return changed(backup, target, {**change, "checksums.sha256": text.encode()})


def test_into_an_empty_place_everything_comes_back(
    kept: Path, folder: Path, tmp_path: Path
) -> None:
    told = []
    result = restore(kept, tmp_path / "new/place", progress=lambda *step: told.append(step))
    assert state(tmp_path / "new/place") == state(folder)
    assert (result.n_photos, result.n_written, result.put_aside) == (5, 5, None)
    assert result.newest_change == "2026-11-25T20:00:04Z"
    assert told[-1] == (5, 5, "done")
    assert sorted(path.name for path in (tmp_path / "new/place").iterdir()) == [
        "images",
        "pestvision.db",
    ]


def test_a_backup_of_what_was_restored_holds_the_same(kept: Path, tmp_path: Path) -> None:
    restore(kept, tmp_path / "new")
    again = back_up(tmp_path / "new", tmp_path / "again.zip").path
    with zipfile.ZipFile(kept) as first, zipfile.ZipFile(again) as second:
        assert set(first.namelist()) == set(second.namelist())
    restore(again, tmp_path / "newer")
    assert state(tmp_path / "newer") == state(tmp_path / "new")


def test_over_the_same_folder_what_was_lost_comes_back(kept: Path, folder: Path) -> None:
    before, others = state(folder), files(folder)
    gone, damaged = list(pictures(folder))[:2]
    (folder / gone).unlink()
    (folder / damaged).write_bytes(b"scratched")
    with closing(sqlite3.connect(folder / "pestvision.db")) as connection:
        connection.execute("DELETE FROM labels WHERE id > 2")
        connection.commit()
    result = restore(kept, folder)
    assert state(folder) == before
    assert files(folder) == others
    assert (result.n_photos, result.n_written, result.put_aside) == (5, 2, None)


def test_something_newer_is_not_replaced_unless_that_is_allowed(kept: Path, folder: Path) -> None:
    before = state(folder)
    added = add_photo(folder, 40, at=NEWER)
    newer = state(folder)
    sentence = refused(kept, folder, PersonError)
    assert "1 in labels" in sentence
    assert NEWER in sentence
    assert "2026-11-25T20:00:04Z" in sentence
    result = restore(kept, folder, replace_newer=True)
    assert state(folder) == before
    assert not (folder / added).exists()
    assert result.put_aside is not None
    assert result.put_aside.parent == folder / "backups"
    assert result.put_aside.name.startswith("replaced-20")
    assert state(result.put_aside) == newer
    assert (folder / "backups/old.zip").read_bytes() == b"not part of a backup"


def test_what_was_put_aside_is_a_data_folder_of_its_own(
    kept: Path, folder: Path, tmp_path: Path
) -> None:
    add_photo(folder, 40, at=NEWER)
    newer = state(folder)
    aside = restore(kept, folder, replace_newer=True).put_aside
    assert aside is not None
    backup = back_up(aside, tmp_path / "newer.zip")
    assert backup.missing == ()
    restore(backup.path, folder)
    assert state(folder) == newer


def test_two_puttings_aside_within_one_second_keep_both(kept: Path, folder: Path) -> None:
    places = []
    for seed in (40, 41, 42):
        add_photo(folder, seed, at=NEWER)
        places.append(restore(kept, folder, replace_newer=True).put_aside)
    assert len(set(places)) == 3
    for place in places:
        assert place is not None
        assert len(rows(place)["photos"]) == 6


def test_a_row_that_differs_counts_as_newer_even_with_an_older_time(
    kept: Path, folder: Path
) -> None:
    with closing(sqlite3.connect(folder / "pestvision.db")) as connection:
        connection.execute("UPDATE labels SET label = 'leech-like', at = '2020' WHERE id = 3")
        connection.commit()
    assert "1 in labels" in refused(kept, folder, PersonError)


def test_tables_of_a_newer_version_count_as_newer(kept: Path, folder: Path) -> None:
    with closing(sqlite3.connect(folder / "pestvision.db")) as connection:
        connection.execute("PRAGMA user_version = 4")
        connection.execute("ALTER TABLE labels ADD COLUMN why TEXT")
        connection.execute("CREATE TABLE heads (id INTEGER)")
        connection.commit()
    assert "newer version" in refused(kept, folder, PersonError)
    result = restore(kept, folder, replace_newer=True)
    assert result.put_aside is not None
    assert rows(result.put_aside)["version"] == [(4,)]


def test_a_picture_that_no_database_knows_is_put_aside_and_not_lost(
    kept: Path, folder: Path
) -> None:
    before = state(folder)
    stray = f"images/ab/{'ab' * 32}.jpg"
    (folder / stray).parent.mkdir(exist_ok=True)
    (folder / stray).write_bytes(b"stray")
    result = restore(kept, folder)
    assert state(folder) == before
    assert result.put_aside is not None
    assert (result.put_aside / stray).read_bytes() == b"stray"


def test_pictures_that_were_missing_already_are_told_again(folder: Path, tmp_path: Path) -> None:
    gone = next(iter(pictures(folder)))
    (folder / gone).unlink()
    backup = back_up(folder, tmp_path / "kept.zip").path
    result = restore(backup, tmp_path / "new")
    assert result.missing == (gone,)
    assert state(tmp_path / "new") == state(folder)


def test_a_damaged_database_is_replaced_only_when_allowed_and_kept(
    kept: Path, folder: Path
) -> None:
    before = state(folder)
    broken = b"no database at all" * 500
    (folder / "pestvision.db").write_bytes(broken)
    (folder / "pestvision.db-wal").write_bytes(b"its log")
    with pytest.raises(StoreError, match="damaged"):
        restore(kept, folder)
    assert (folder / "pestvision.db").read_bytes() == broken
    result = restore(kept, folder, replace_newer=True)
    assert state(folder) == before
    assert result.put_aside is not None
    assert (result.put_aside / "pestvision.db").read_bytes() == broken
    assert (result.put_aside / "pestvision.db-wal").read_bytes() == b"its log"


@pytest.mark.parametrize("is_writing", [True, False])
def test_a_page_that_has_the_database_open_is_in_the_way(
    is_writing: bool, kept: Path, folder: Path
) -> None:
    with closing(sqlite3.connect(folder / "pestvision.db", isolation_level=None)) as page:
        page.execute("SELECT COUNT(*) FROM labels").fetchone()
        if is_writing:
            page.execute("BEGIN IMMEDIATE")
        sentence = refused(kept, folder, FolderError, replace_newer=True)
        assert "open" in sentence
        if is_writing:
            page.execute("COMMIT")
        page.execute("INSERT INTO actions (what, at) VALUES ('go on', '2027')")
    assert len(rows(folder)["actions"]) == 6
    restore(kept, folder, replace_newer=True)


def test_a_database_that_is_written_to_without_a_log_is_in_the_way(
    kept: Path, folder: Path
) -> None:
    with closing(sqlite3.connect(folder / "pestvision.db", isolation_level=None)) as other:
        other.execute("PRAGMA journal_mode = DELETE")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(FolderError, match="open"):
            restore(kept, folder)


def test_nobody_gets_at_the_old_database_while_it_is_replaced(kept: Path, folder: Path) -> None:
    seen = []

    def look(_done: int, _total: int, what: str) -> None:
        if what == "restoring pictures":
            with closing(sqlite3.connect(folder / "pestvision.db", timeout=0)) as page:
                with pytest.raises(sqlite3.OperationalError, match="locked"):
                    page.execute("INSERT INTO actions (what) VALUES ('late')")
                seen.append(what)

    restore(kept, folder, progress=look)
    assert len(seen) == 5


def test_two_restorings_at_once_do_not_mix(kept: Path, tmp_path: Path) -> None:
    seen = []

    def again(_done: int, _total: int, what: str) -> None:
        if what == "restoring pictures" and not seen:
            with pytest.raises(FolderError, match="right now") as caught:
                restore(kept, tmp_path / "new")
            seen.append(caught.value.advice)

    restore(kept, tmp_path / "new", progress=again)
    assert seen
    assert len(pictures(tmp_path / "new")) == 5


@pytest.mark.parametrize("share", [0.0, 0.2, 0.5, 0.9, 0.999])
def test_a_backup_that_is_cut_off_changes_nothing(
    share: float, kept: Path, folder: Path, tmp_path: Path
) -> None:
    cut = tmp_path / "cut.zip"
    cut.write_bytes(kept.read_bytes()[: int(kept.stat().st_size * share)])
    assert "damaged" in refused(cut, folder, PersonError, replace_newer=True)
    refused(cut, tmp_path / "new", PersonError)
    assert not (tmp_path / "new").exists()


def test_any_flipped_byte_is_found_or_harmless(kept: Path, tmp_path: Path) -> None:
    whole = kept.read_bytes()
    restore(kept, tmp_path / "right")
    right, n_refused = state(tmp_path / "right"), 0
    places = range(0, len(whole), max(len(whole) // 120, 1))
    for place in places:
        data = bytearray(whole)
        data[place] ^= 0x10
        flipped = tmp_path / "flipped.zip"
        flipped.write_bytes(data)
        shutil.rmtree(tmp_path / "new", ignore_errors=True)
        try:
            restore(flipped, tmp_path / "new")
        except PestVisionError:
            n_refused += 1
            assert not (tmp_path / "new").exists()
        else:
            assert state(tmp_path / "new") == right
    assert n_refused > len(places) * 0.5


def test_a_tampered_file_is_found_by_its_checksum(kept: Path, folder: Path, tmp_path: Path) -> None:
    name = next(iter(pictures(folder)))
    for member in (name, "pestvision.db"):
        bad = changed(kept, tmp_path / "bad.zip", {member: b"something else"})
        assert f"{member} is not what it was" in refused(bad, folder, PersonError)
    bad = with_sums(kept, tmp_path / "bad.zip", {name: b"something else"})
    assert "not the picture it is called after" in refused(bad, folder, PersonError)
    bad = with_sums(kept, tmp_path / "bad.zip", {"pestvision.db": b"something else"})
    assert "database in it is broken" in refused(bad, folder, PersonError)


@pytest.mark.parametrize(
    "name",
    [
        "../outside.txt",
        "/etc/outside.txt",
        "images/../../outside.txt",
        "images/ab/../../../outside.txt",
        "..\\outside.txt",
        "C:/outside.txt",
        "images/ab/",
        "images/ab/short.jpg",
        f"images/cd/{'ab' * 32}.jpg",
        f"images/ab/{'ab' * 32}.jpg/x",
        "backups/x.zip",
        "notes.txt",
    ],
)
def test_a_file_that_does_not_belong_in_a_backup_is_refused(
    name: str, kept: Path, folder: Path, tmp_path: Path
) -> None:
    bad = with_sums(kept, tmp_path / "bad.zip", {name: b"x"})
    assert "does not belong" in refused(bad, folder, PersonError, replace_newer=True)
    assert not any("outside" in path.name for path in tmp_path.rglob("*"))


def test_pictures_have_to_be_those_of_the_database(
    kept: Path, folder: Path, tmp_path: Path
) -> None:
    data = b"another picture"
    sha256 = hashlib.sha256(data).hexdigest()
    more = with_sums(kept, tmp_path / "more.zip", {f"images/{sha256[:2]}/{sha256}.jpg": data})
    assert "others than its database" in refused(more, folder, PersonError)
    fewer = with_sums(kept, tmp_path / "fewer.zip", {next(iter(pictures(folder))): None})
    assert "others than its database" in refused(fewer, folder, PersonError)


def test_checksums_have_to_be_of_all_files(kept: Path, folder: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(kept) as archive:
        lines = archive.read("checksums.sha256").decode().splitlines(keepends=True)
    for text in ("".join(lines[1:]), "".join([*lines, lines[0]]), "nonsense\n", "\x00"):
        bad = changed(kept, tmp_path / "bad.zip", {"checksums.sha256": text.encode()})
        assert "damaged" in refused(bad, folder, PersonError)
    bad = changed(kept, tmp_path / "bad.zip", {"checksums.sha256": b"\xff\xfe"})
    assert "damaged" in refused(bad, folder, PersonError)


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_file_that_is_there_twice_is_refused(kept: Path, folder: Path, tmp_path: Path) -> None:
    bad = shutil.copy(kept, tmp_path / "bad.zip")
    with zipfile.ZipFile(bad, "a") as archive:
        archive.writestr("pestvision.db", b"the other")
    assert "twice" in refused(Path(bad), folder, PersonError)


def test_what_a_backup_says_of_itself_has_to_make_sense(
    kept: Path, folder: Path, tmp_path: Path
) -> None:
    with zipfile.ZipFile(kept) as archive:
        about = json.loads(archive.read("backup.json"))
    for wrong in (
        {"format": 0},
        {"format": "1"},
        {"schema": "3"},
        {"schema": 9},
        {"missing": ["../x"]},
        {"missing": None},
        {"made": 5},
    ):
        text = json.dumps(about | wrong).encode()
        bad = with_sums(kept, tmp_path / "bad.zip", {"backup.json": text})
        assert "damaged" in refused(bad, folder, PersonError)
    for text in (b"[]", b"{}", b"null", b"[" * 100_000, b"\xff"):
        bad = with_sums(kept, tmp_path / "bad.zip", {"backup.json": text})
        assert "damaged" in refused(bad, folder, PersonError)


def test_a_backup_of_a_newer_version_is_told(kept: Path, folder: Path, tmp_path: Path) -> None:
    newer = with_sums(kept, tmp_path / "newer.zip", {"backup.json": b'{"format": 2}'})
    assert "newer version" in refused(newer, folder, StoreError)


def test_what_is_no_backup_is_told(folder: Path, tmp_path: Path) -> None:
    assert "is not there" in refused(tmp_path / "nowhere.zip", folder, PersonError)
    assert "is a folder" in refused(tmp_path, folder, PersonError)
    (tmp_path / "text.zip").write_text("no zip file at all")
    assert "no whole zip file" in refused(tmp_path / "text.zip", folder, PersonError)
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as archive:
        archive.writestr("letter.txt", "dear")
    assert "no backup of this program" in refused(tmp_path / "other.zip", folder, PersonError)


def test_a_file_in_the_place_of_the_folder_is_told(kept: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("a file")
    with pytest.raises(FolderError, match="is a file"):
        restore(kept, tmp_path / "file")
    with pytest.raises(OutputError, match="not a directory"):
        restore(kept, tmp_path / "file/below")
    assert (tmp_path / "file").read_text() == "a file"


def test_a_folder_that_may_not_be_written_to_is_told(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    if os.geteuid() == 0:  # who may write everywhere

        def forbidden(*_: object, **__: object) -> None:
            raise PermissionError(errno.EACCES, "Permission denied")

        monkeypatch.setattr("pathlib.Path.mkdir", forbidden)
    with pytest.raises(OutputError, match=r"permission denied|unable to open|readonly"):
        restore(kept, closed / "album")


def test_too_little_room_is_told_before_anything_is_changed(
    kept: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shutil.disk_usage", lambda _: shutil._ntuple_diskusage(10, 5, 5))
    assert "too little room" in refused(kept, folder, OutputError)


@pytest.mark.parametrize("place", ["copy_and_sum", "link_or_copy", "sync_file"])
def test_a_disk_that_fills_up_meanwhile_leaves_the_old_state(
    place: str, kept: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_photo(folder, 40, at=NEWER)
    (folder / next(iter(pictures(folder)))).unlink()

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(f"pestvision.storage.restore.{place}", full)
    assert "no space left" in refused(kept, folder, OutputError, replace_newer=True)


KILLED = """
import os, pathlib, sys
from pestvision.storage.backup import restore

left = int(sys.argv[3])

def counted(name):
    whole = getattr(owner(name), name)
    def call(*arguments, **options):
        global left
        left -= 1
        if left < 0:
            os._exit(9)
        return whole(*arguments, **options)
    setattr(owner(name), name, call)

def owner(name):
    return pathlib.Path if name in ("replace", "rename", "mkdir", "unlink") else os

for name in ("replace", "rename", "mkdir", "unlink", "link", "fsync"):
    counted(name)
restore(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]), replace_newer=True)
"""


def test_killed_at_any_step_the_old_or_the_new_state_is_there(
    kept: Path, folder: Path, tmp_path: Path
) -> None:
    """Killed before every step on the disk in turn; then restored again, which clears up."""
    new = state(folder)
    add_photo(folder, 40, at=NEWER)
    (folder / next(iter(pictures(folder)))).unlink()
    old_rows, old_pictures = state(folder)
    n_old = n_new = 0
    for step in range(400):
        place = tmp_path / f"place-{step}"
        shutil.copytree(folder, place)
        code = subprocess.run(
            [sys.executable, "-c", KILLED, str(kept), str(place), str(step)],
            check=False,
            timeout=60,
        ).returncode
        if rows(place) == old_rows:
            n_old += 1
            assert pictures(place).items() >= old_pictures.items()
        else:
            n_new += 1
            assert rows(place) == new[0]
            assert pictures(place).items() >= new[1].items()
        if code == 0:
            assert state(place) == new
            break
        assert code == 9
        restore(kept, place, replace_newer=True)
        assert state(place) == new
        assert [path.name for path in place.glob(".*")] == []
        asides = list((place / "backups").glob("replaced-*"))
        assert any(rows(aside) == old_rows for aside in asides)
        shutil.rmtree(place)
    else:
        pytest.fail("it was never let through to the end")
    assert n_old > 10
    assert n_new > 2
