"""The database: all or nothing, one sentence for every refusal, and old files brought up to date."""

from __future__ import annotations

import gc
import os
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pestvision.errors import OutputError, PestVisionError, StoreError
from pestvision.storage import database as database_module
from pestvision.storage.database import BACKUPS_NAME, DATABASE_NAME, Database
from pestvision.storage.migrations import MIGRATIONS, Migration

if TYPE_CHECKING:
    from collections.abc import Iterator

REPO = Path(__file__).resolve().parents[2]
ADD = "INSERT INTO actions (kind, at, who, note) VALUES ('import', '2026-11-25', ?, '')"
BROKEN = Migration("breaks off", ("CREATE TABLE half (id INTEGER) STRICT", "SELECT * FROM nowhere"))


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    with Database(tmp_path / "album") as opened:
        yield opened


def who(database: Database) -> list[str]:
    return [row[0] for row in database.rows("SELECT who FROM actions ORDER BY id")]


def refused(folder: Path, kind: type[PestVisionError]) -> str:
    """The sentence with which a folder is refused."""
    with pytest.raises(kind) as caught:
        Database(folder)
    assert type(caught.value) is kind
    sentence = caught.value.sentence()
    assert "\n" not in sentence
    assert str(folder) in sentence
    assert caught.value.advice.endswith(".")
    return sentence


def old_folder(folder: Path) -> Path:
    """A data folder as the first schema left it, with rows in it."""
    with Database(folder, migrations=MIGRATIONS[:1]) as old, old.atomic():
        old.run_many(ADD, [(f"person {number}",) for number in range(50)])
    return folder


def apart(code: str, *arguments: object) -> subprocess.Popen[str]:
    """Run code in another process, with the folder and more as arguments."""
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=REPO,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_what_is_inside_atomic_is_wholly_there(database: Database) -> None:
    with database.atomic():
        first = database.run(ADD, ("Amber",))
        database.run_many(ADD, [("Moss",), ("Slate",)])
    assert database.one("SELECT who FROM actions WHERE id = ?", (first,)) == ("Amber",)
    assert who(database) == ["Amber", "Moss", "Slate"]


def test_what_breaks_off_inside_atomic_is_not_there_at_all(database: Database) -> None:
    def break_off() -> None:
        with database.atomic():
            database.run(ADD, ("Amber",))
            assert who(database) == ["Amber"]
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        break_off()
    assert who(database) == []
    with database.atomic():  # and the next one is not kept out
        database.run(ADD, ("Moss",))
    assert who(database) == ["Moss"]


def test_atomic_within_atomic_is_part_of_the_outer_one(database: Database) -> None:
    def break_off() -> None:
        with database.atomic():
            with database.atomic():
                database.run(ADD, ("inner",))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        break_off()
    assert who(database) == []
    with database.atomic():
        with database.atomic():
            database.run(ADD, ("inner",))
        database.run(ADD, ("outer",))
    assert who(database) == ["inner", "outer"]


def test_a_change_outside_atomic_is_a_programmers_error(database: Database) -> None:
    with pytest.raises(RuntimeError, match="outside atomic"):
        database.run(ADD, ("Amber",))
    with pytest.raises(RuntimeError, match="outside atomic"):
        database.run_many(ADD, [("Amber",)])
    assert who(database) == []


def test_a_row_that_points_nowhere_is_refused_in_every_thread(database: Database) -> None:
    failed: list[BaseException] = []

    def point_nowhere() -> None:
        try:
            with database.atomic():
                database.run("INSERT INTO trusted (at, who, head) VALUES ('', '', 99)")
        except StoreError as error:
            failed.append(error)

    for _ in range(2):
        thread = threading.Thread(target=point_nowhere)
        thread.start()
        thread.join()
    point_nowhere()
    assert len(failed) == 3
    assert database.complaints() == []


def test_a_reader_does_not_wait_for_a_writer(database: Database) -> None:
    seen: list[list[str]] = []
    with database.atomic():
        database.run(ADD, ("Amber",))
        thread = threading.Thread(target=lambda: seen.append(who(database)))
        thread.start()
        thread.join(10)
    assert seen == [[]]
    assert who(database) == ["Amber"]


def test_threads_that_are_gone_leave_no_open_file(database: Database) -> None:
    files = Path("/proc/self/fd")
    if not files.is_dir():
        pytest.skip("open files are counted in Linux's /proc")
    gc.disable()  # a thread's connection does not wait for the collector
    try:
        before = len(list(files.iterdir()))
        for _ in range(30):
            thread = threading.Thread(target=database.one, args=("SELECT 1",))
            thread.start()
            thread.join()
        after = len(list(files.iterdir()))
    finally:
        gc.enable()
    assert after <= before + 3


def test_a_new_folder_has_this_versions_schema_and_nothing_to_keep(database: Database) -> None:
    assert database.schema_version == len(MIGRATIONS)
    assert not (database.folder / BACKUPS_NAME).exists()
    assert database.complaints() == []


def test_a_file_of_a_newer_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    more = (*MIGRATIONS, Migration("later", ("CREATE TABLE later (id INTEGER) STRICT",)))
    Database(tmp_path, migrations=more).close()
    before = (tmp_path / DATABASE_NAME).read_bytes()
    sentence = refused(tmp_path, StoreError)
    assert f"(schema {len(more)}; this version knows {len(MIGRATIONS)})" in sentence
    assert "Install the newest pestvision" in sentence
    assert (tmp_path / DATABASE_NAME).read_bytes() == before


def test_a_damaged_file_is_named_and_a_backup_advised(tmp_path: Path) -> None:
    (tmp_path / DATABASE_NAME).write_bytes(b"no database, but long enough to look like one " * 99)
    assert "is damaged" in refused(tmp_path, StoreError)
    assert "pestvision restore" in refused(tmp_path, StoreError)


def test_a_torn_file_is_told_of_when_it_is_read(tmp_path: Path) -> None:
    with Database(tmp_path) as database, database.atomic():
        database.run_many(ADD, [("Amber" * 10,)] * 2000)
    path = tmp_path / DATABASE_NAME
    data = bytearray(path.read_bytes())
    half = len(data) // 2  # behind the pages of the schema
    data[half:] = os.urandom(len(data) - half)
    path.write_bytes(data)
    with Database(tmp_path) as database, pytest.raises(StoreError, match="damaged"):
        database.rows("SELECT * FROM actions")


@pytest.mark.parametrize("depth", ["the folder", "above the folder"])
def test_a_file_where_the_folder_should_be_is_told_in_one_sentence(
    tmp_path: Path, depth: str
) -> None:
    (tmp_path / "file").write_bytes(b"")
    folder = tmp_path / "file" if depth == "the folder" else tmp_path / "file" / "album"
    assert "cannot be made" in refused(folder, OutputError)
    assert "--data" in refused(folder, OutputError)


def test_a_folder_where_the_file_should_be_is_told_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / DATABASE_NAME).mkdir()
    assert "cannot be opened for writing" in refused(tmp_path, OutputError)


@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [
        (sqlite3.SQLITE_FULL, OutputError, "is full; nothing was changed"),
        (sqlite3.SQLITE_IOERR_FSYNC, OutputError, "could not be read or written"),
        (sqlite3.SQLITE_READONLY_DIRECTORY, OutputError, "cannot be opened for writing"),
        (sqlite3.SQLITE_CORRUPT, StoreError, "is damaged"),
        (sqlite3.SQLITE_MISUSE, StoreError, "could not be used"),
    ],
)
def test_what_the_system_refuses_becomes_one_sentence(
    database: Database, code: int, kind: type[PestVisionError], words: str
) -> None:
    error = sqlite3.OperationalError("as the system says it")
    error.sqlite_errorcode = code
    told = database_module._in_words(error, database.path)
    assert type(told) is kind
    assert words in str(told)
    assert told.advice.endswith(".")


def test_another_program_that_keeps_it_locked_is_named_after_the_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Database(tmp_path).close()
    holder = apart(
        "import sqlite3, sys\n"
        "c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "c.execute('BEGIN IMMEDIATE'); print('held', flush=True); input()\n"
        "c.execute('ROLLBACK'); print('let go', flush=True)",
        tmp_path / DATABASE_NAME,
    )
    with holder, Database(tmp_path) as other:
        assert holder.stdin is not None
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        monkeypatch.setattr(database_module, "WAIT_S", 0.1)
        with (
            Database(tmp_path) as database,
            pytest.raises(OutputError, match=r"has kept .* locked") as caught,
            database.atomic(),
        ):
            pytest.fail("the other one holds it")
        assert "Close the other program" in caught.value.advice
        assert who(other) == []  # reading goes on meanwhile
        monkeypatch.undo()
        holder.stdin.write("\n")
        holder.stdin.flush()
        assert holder.stdout.readline() == "let go\n"
        with other.atomic():
            other.run(ADD, ("Amber",))
        assert who(other) == ["Amber"]


def test_an_old_file_is_brought_up_to_date_and_a_copy_of_it_kept(tmp_path: Path) -> None:
    folder = old_folder(tmp_path)
    with Database(folder) as database:
        assert database.schema_version == len(MIGRATIONS)
        assert who(database) == [f"person {number}" for number in range(50)]
        assert database.rows("SELECT * FROM readings") == []
        assert database.complaints() == []
    (copy,) = (folder / BACKUPS_NAME).iterdir()
    assert copy.name.startswith("schema-1-")
    with closing(sqlite3.connect(copy)) as kept:
        assert kept.execute("PRAGMA user_version").fetchone() == (1,)
        assert kept.execute("SELECT count(*) FROM actions").fetchone() == (50,)
        assert kept.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    Database(folder).close()
    assert list((folder / BACKUPS_NAME).glob("*.db")) == [copy]  # once, not at every opening


def test_a_migration_that_breaks_off_changes_nothing(tmp_path: Path) -> None:
    folder = old_folder(tmp_path)
    with pytest.raises(StoreError):
        Database(folder, migrations=(*MIGRATIONS, BROKEN))
    gc.collect()
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as seen:
        names = {row[0] for row in seen.execute("SELECT name FROM sqlite_schema")}
        assert "half" not in names
        assert seen.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    with Database(folder) as database:
        assert len(who(database)) == 50


def test_where_no_copy_can_be_kept_nothing_is_changed(tmp_path: Path) -> None:
    folder = old_folder(tmp_path)
    (folder / BACKUPS_NAME).write_bytes(b"in the way")
    sentence = refused(folder, OutputError)
    assert "cannot be copied" in sentence
    with Database(folder, migrations=MIGRATIONS[:1]) as old:
        assert old.schema_version == 1
        assert len(who(old)) == 50


def test_a_copy_that_a_killed_process_left_half_done_is_removed(tmp_path: Path) -> None:
    folder = old_folder(tmp_path)
    (folder / BACKUPS_NAME).mkdir()
    for name in ("schema-1-x.unfinished", "schema-1-x.unfinished-journal", "kept by the person"):
        (folder / BACKUPS_NAME / name).write_bytes(b"half")
    Database(folder).close()
    left = sorted(path.name for path in (folder / BACKUPS_NAME).iterdir())
    assert left[0] == "kept by the person"
    assert [name.endswith(".db") for name in left] == [False, True]


OPEN_AT_ONCE = (
    "import sys; from pathlib import Path\n"
    "from pestvision.storage.database import Database\n"
    "print('ready', flush=True); input()\n"
    "with Database(Path(sys.argv[1])) as d: print(d.schema_version, flush=True)"
)


def at_once(folders: list[Path], n: int = 3) -> list[list[str]]:
    """Let several processes open each folder at the same moment; give what each said."""
    said = []
    for folder in folders:
        processes = [apart(OPEN_AT_ONCE, folder) for _ in range(n)]
        for process in processes:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
        for process in processes:
            assert process.stdin is not None
            process.stdin.write("\n")
            process.stdin.flush()
        said.append([process.communicate(timeout=60)[0].strip() for process in processes])
    return said


def test_processes_that_make_the_same_folder_at_once_all_open_it(tmp_path: Path) -> None:
    folders = [tmp_path / f"album {number}" for number in range(4)]
    newest = str(len(MIGRATIONS))
    assert at_once(folders) == [[newest] * 3] * 4


def test_processes_that_bring_it_up_to_date_at_once_do_so_once(tmp_path: Path) -> None:
    folder = old_folder(tmp_path)
    newest = str(len(MIGRATIONS))
    assert at_once([folder]) == [[newest] * 3]
    assert len(list((folder / BACKUPS_NAME).iterdir())) == 1
    with Database(folder) as database:
        assert len(who(database)) == 50
        assert database.complaints() == []
