"""Put a backup back into the data folder, so that at every moment the old or the new state is there.

Pictures are called after their content and never change, so the new ones are laid among the old
ones first. Then one renaming puts the new database in the place of the old one. Whatever the backup
does not hold is put aside into `backups/replaced-…`, never deleted.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pestvision.errors import FolderError, OutputError, PersonError, StoreError
from pestvision.progress import silent
from pestvision.storage.backup_file import (
    Contents,
    copy_and_sum,
    damage_in_words,
    damaged_backup,
    opened_backup,
    require_sums,
)
from pestvision.storage.disk import link_or_copy, reason, require_space, sync_file, sync_folder
from pestvision.storage.holdings import (
    BACKUPS_NAME,
    DATABASE_NAME,
    IMAGE_PATH,
    IMAGES_NAME,
    SIDECARS,
    Holdings,
    columns_of,
    connected,
    damaged_database,
    is_busy,
    is_database,
    is_out_of_reach,
    look_into,
    quoted,
    tables_of,
)

if TYPE_CHECKING:
    import zipfile
    from collections.abc import Iterator

    from pestvision.progress import Progress

WORK_NAME: Final = ".restoring"
"""Folder in the data folder for what is not finished; the next restoring clears it."""

_LOCK_NAME: Final = ".restoring.lock"
_MOST_ASIDE: Final = 1000  # put aside within one second; more is a mistake in a script
_PUT_ASIDE: Final = (
    "Make a backup of it first, or add --replace-newer: "
    f"it is then put aside in the folder {BACKUPS_NAME}."
)


@dataclass(frozen=True, slots=True)
class RestoreResult:
    """A backup that was put back.

    Parameters
    ----------
    data_folder
        Where.
    n_photos, n_written
        Pictures in the backup, and how many of them were not there yet.
    newest_change
        When anything was last done in it, as the database writes it; None where nothing says.
    missing
        Paths of pictures that the backup was made without, because they were gone already.
    put_aside
        The folder with what was there and is not in the backup, None where there was nothing.
    """

    data_folder: Path
    n_photos: int
    n_written: int
    newest_change: str | None
    missing: tuple[str, ...]
    put_aside: Path | None


def restore(
    backup: Path, data_folder: Path, *, replace_newer: bool = False, progress: Progress = silent
) -> RestoreResult:
    """Put a backup back.

    Parameters
    ----------
    backup
        A file that `back_up` made. It is checked wholly before anything is changed.
    data_folder
        Where to; made where it is missing. No page may be running on it.
    replace_newer
        Go on where the folder holds anything that is not in the backup: the old database and its
        pictures are put aside first.
    progress
        Told of every file.

    Raises
    ------
    PersonError
        If the backup is missing or damaged, or the folder holds what the backup does not.
    StoreError
        If a newer version made the backup, or the database in the folder is damaged and may not be
        replaced.
    FolderError
        If the data folder is no folder, or another program has its database open.
    OutputError
        If the disk has too little room, or the folder may not be written to.
    """
    with opened_backup(backup) as (archive, contents):
        require_sums(archive, contents, backup.name, progress)
        try:
            with _claimed(data_folder) as work:
                _require_room(data_folder, contents)
                holdings = _unpack_database(archive, contents, work / DATABASE_NAME, backup.name)
                return _put_back(
                    archive, _Task(data_folder, contents, holdings), replace_newer, progress
                )
        except OSError as error:
            message = f"The backup cannot be restored to {data_folder}: {reason(error)}."
            advice = "Check the disk and the permissions of the folder, then restore again."
            raise OutputError(message, advice=advice) from error


@dataclass(frozen=True, slots=True)
class _Task:
    """What is put back where; `holdings` is what the backup's database holds."""

    folder: Path
    contents: Contents
    holdings: Holdings

    @property
    def work(self) -> Path:
        return self.folder / WORK_NAME

    @property
    def database(self) -> Path:
        return self.folder / DATABASE_NAME


def _put_back(
    archive: zipfile.ZipFile, task: _Task, replace_newer: bool, progress: Progress
) -> RestoreResult:
    aside = None
    with _held_old_database(task, replace_newer) as old:
        if old.is_to_be_kept:
            aside = _put_aside(task, old.connection)
        n_written = _write_photos(archive, task, progress)
        for ending in SIDECARS:  # of a broken or a vanished database: they would spoil the new one
            task.database.with_name(DATABASE_NAME + ending).unlink(missing_ok=True)
        if os.name == "nt" and old.connection is not None:
            old.connection.close()  # Windows renames over no open file
        (task.work / DATABASE_NAME).replace(task.database)
        sync_folder(task.folder)
    aside = _put_strays_aside(task, aside)
    n_photos = len(task.contents.photos)
    progress(n_photos, n_photos, "done")
    about = task.contents.about
    return RestoreResult(
        task.folder, n_photos, n_written, task.holdings.newest_change, about.missing, aside
    )


@contextmanager
def _claimed(data_folder: Path) -> Iterator[Path]:
    """Keep other restorings out, and give an empty folder to work in."""
    if os.path.lexists(data_folder) and not data_folder.is_dir():
        message = f"{data_folder} is a file, and the data folder was expected."
        raise FolderError(message, advice="Give the path of a folder.")
    is_new = not data_folder.is_dir()
    data_folder.mkdir(parents=True, exist_ok=True)
    work = data_folder / WORK_NAME
    try:
        with _locked(data_folder):
            shutil.rmtree(work, ignore_errors=True)
            work.mkdir()
            try:
                yield work
            finally:
                shutil.rmtree(work, ignore_errors=True)
    finally:
        if is_new:
            with contextlib.suppress(OSError):
                data_folder.rmdir()  # where nothing came of it


@contextmanager
def _locked(data_folder: Path) -> Iterator[None]:
    """Hold a lock that the system gives back even when this process is killed."""
    path = data_folder / _LOCK_NAME
    with contextlib.ExitStack() as stack:
        try:
            lock = sqlite3.connect(path, timeout=0, isolation_level=None)
            stack.callback(lock.close)
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            if is_busy(error):
                message = f"Another backup is being restored to {data_folder} right now."
                raise FolderError(message, advice="Wait until that is done.") from error
            raise OSError(None, str(error)) from error
        try:
            yield
        finally:
            with contextlib.suppress(OSError):
                path.unlink()


def _require_room(folder: Path, contents: Contents) -> None:
    database = folder / DATABASE_NAME
    needed = 2 * contents.n_bytes[DATABASE_NAME]
    needed += database.stat().st_size if database.is_file() else 0
    needed += sum(
        contents.n_bytes[path] for path in contents.photos if not (folder / path).is_file()
    )
    require_space(folder, needed)


def _unpack_database(
    archive: zipfile.ZipFile, contents: Contents, path: Path, name: str
) -> Holdings:
    """Unpack the backup's database beside the old one, and hold it against the rest."""
    _unpack(archive, contents, DATABASE_NAME, path)
    try:
        with connected(path) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")
            holdings = look_into(connection)
    except (sqlite3.Error, StoreError) as error:
        if isinstance(error, sqlite3.Error) and is_out_of_reach(error):
            raise OSError(None, str(error)) from error
        raise damaged_backup(name, "the database in it is broken") from error
    sync_file(path)
    about = contents.about
    if set(holdings.photos) != set(contents.photos) | set(about.missing):
        raise damaged_backup(name, "its pictures are others than its database refers to")
    if holdings.schema != about.schema:
        raise damaged_backup(name, "it says another version of its tables than it holds")
    return holdings


def _unpack(archive: zipfile.ZipFile, contents: Contents, member: str, path: Path) -> None:
    with (
        damage_in_words(member),
        archive.open(member) as source,
        path.open("xb") as target,
    ):
        if copy_and_sum(source, target) != contents.sums[member]:
            raise damaged_backup(Path(archive.filename or "").name, f"{member} changed meanwhile")
        target.flush()
        os.fsync(target.fileno())


@dataclass(frozen=True, slots=True)
class _Old:
    """The database that is to be replaced: its connection, None where it is broken or not there."""

    connection: sqlite3.Connection | None
    is_to_be_kept: bool


@contextmanager
def _held_old_database(task: _Task, replace_newer: bool) -> Iterator[_Old]:
    """Make sure that nobody uses the old database, and that it may be replaced.

    It is held, if it is in order, until the new one has its place.
    """
    if not task.database.is_file():
        yield _Old(None, is_to_be_kept=False)
        return
    with contextlib.ExitStack() as stack:
        try:
            if not is_database(task.database):
                raise damaged_database("it is no database")
            connection = stack.enter_context(connected(task.database))
            look_into(connection)
            is_to_be_kept = _hold(connection, task, replace_newer)
        except (sqlite3.Error, StoreError) as error:
            if isinstance(error, sqlite3.Error) and is_busy(error):
                message = f"Another program has the database in {task.folder} open."
                raise FolderError(message, advice="Close the page, then restore again.") from error
            if isinstance(error, sqlite3.Error) and is_out_of_reach(error):
                raise OSError(None, str(error)) from error
            if not replace_newer:
                message = (
                    f"The database in {task.folder} is damaged, so it cannot be told whether it "
                    "holds anything that the backup does not."
                )
                raise StoreError(message, advice=_PUT_ASIDE) from error
            stack.close()
            yield _Old(None, is_to_be_kept=True)
        else:
            yield _Old(connection, is_to_be_kept)


def _hold(connection: sqlite3.Connection, task: _Task, replace_newer: bool) -> bool:
    """Lock a database for good; tell whether it holds what the backup does not.

    Leaving the write-ahead log needs every other connection gone, idle ones too: a page that went on
    with the old file would write into nothing.
    """
    connection.execute("ATTACH ? AS backup", (str(task.work / DATABASE_NAME),))
    _require_replaceable(connection, task, replace_newer)
    connection.execute("PRAGMA main.journal_mode = DELETE")
    connection.execute("PRAGMA main.locking_mode = EXCLUSIVE")
    connection.execute("BEGIN EXCLUSIVE")
    try:
        return _require_replaceable(connection, task, replace_newer)
    finally:
        connection.execute("COMMIT")
        connection.execute("DETACH backup")


def _require_replaceable(connection: sqlite3.Connection, task: _Task, replace_newer: bool) -> bool:
    """Tell whether a database holds what the backup does not; refuse that unless it is allowed."""
    old = look_into(connection)
    more = _rows_not_in_backup(connection)
    if old.schema > task.holdings.schema:
        what = "it was written by a newer version than the backup"
    elif more:
        rows = ", ".join(f"{n_rows} in {table}" for table, n_rows in more.items())
        what = f"rows that are not in the backup ({rows})"
        if old.newest_change is not None:
            newest = task.holdings.newest_change
            what += f"; its newest change is of {old.newest_change}"
            what += f", the backup's of {newest}" if newest is not None else ""
        what = f"it holds {what}"
    else:
        return False
    if not replace_newer:
        message = f"The database in {task.folder} would lose something: {what}."
        raise PersonError(message, advice=_PUT_ASIDE)
    return True


def _rows_not_in_backup(connection: sqlite3.Connection) -> dict[str, int]:
    """Count the rows of each table that the attached backup does not have just so."""
    more = {}
    for table in tables_of(connection):
        theirs = columns_of(connection, table, "backup")
        shared = [name for name in columns_of(connection, table) if name in theirs]
        columns = ", ".join(quoted(name) for name in shared)
        rows = f"SELECT {columns} FROM main.{quoted(table)}"  # noqa: S608  quoted
        other = f"SELECT {columns} FROM backup.{quoted(table)}"  # noqa: S608  quoted
        every = f"SELECT COUNT(*) FROM main.{quoted(table)}"  # noqa: S608  quoted
        query = f"SELECT COUNT(*) FROM ({rows} EXCEPT {other})" if shared else every  # noqa: S608
        (n_rows,) = connection.execute(query).fetchone()
        if n_rows:
            more[table] = n_rows
    return more


def _put_aside(task: _Task, connection: sqlite3.Connection | None) -> Path:
    """Keep the old database and its pictures in a folder of their own, whole before it is named."""
    keep = task.work / "replaced"
    keep.mkdir()
    if connection is not None:
        with closing(sqlite3.connect(keep / DATABASE_NAME)) as copy:
            connection.backup(copy)
    else:
        for ending in ("", *SIDECARS):
            source = task.database.with_name(DATABASE_NAME + ending)
            if source.is_file():
                shutil.copyfile(source, keep / source.name)
    for path in keep.iterdir():
        sync_file(path)
    for name in _photos_in(task.folder):
        link_or_copy(task.folder / name, keep / name)
    aside = _new_aside(task.folder)
    keep.rename(aside)
    sync_folder(aside.parent)
    return aside


def _new_aside(folder: Path) -> Path:
    (folder / BACKUPS_NAME).mkdir(exist_ok=True)
    name = f"replaced-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    numbered = (f"{name}-{rank}" for rank in range(2, _MOST_ASIDE))
    for candidate in (name, *numbered):
        path = folder / BACKUPS_NAME / candidate
        if not os.path.lexists(path):
            return path
    raise FileExistsError(None, f"{name} is there too often already")


def _photos_in(folder: Path) -> list[str]:
    """Give the paths of the pictures that lie in a data folder, sorted."""
    found = (path.relative_to(folder).as_posix() for path in (folder / IMAGES_NAME).glob("??/*"))
    return sorted(name for name in found if IMAGE_PATH.fullmatch(name))


def _write_photos(archive: zipfile.ZipFile, task: _Task, progress: Progress) -> int:
    """Lay the backup's pictures among those that are there; give how many were written."""
    n_written = 0
    folders = set()
    names = task.contents.photos
    for done, name in enumerate(names):
        progress(done, len(names), "restoring pictures")
        target = task.folder / name
        if _is_whole(target, task.contents.sums[name]):
            continue
        part = task.work / "picture"
        part.unlink(missing_ok=True)
        _unpack(archive, task.contents, name, part)
        target.parent.mkdir(parents=True, exist_ok=True)
        part.replace(target)
        folders.add(target.parent)
        n_written += 1
    for folder in folders:
        sync_folder(folder)
    return n_written


def _is_whole(path: Path, told: str) -> bool:
    try:
        with path.open("rb") as source:
            return copy_and_sum(source) == told
    except FileNotFoundError:
        return False


def _put_strays_aside(task: _Task, aside: Path | None) -> Path | None:
    """Take the pictures away that the new database does not know; give the folder they are in."""
    known = set(task.holdings.photos)
    for name in _photos_in(task.folder):
        if name in known:
            continue
        aside = aside or _new_aside(task.folder)
        kept = aside / name
        if kept.is_file():
            (task.folder / name).unlink()
        else:
            kept.parent.mkdir(parents=True, exist_ok=True)
            (task.folder / name).rename(kept)
    return aside
