"""Make a backup of the data folder: one zip file, while the page may go on working."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import sqlite3
import time
import zipfile
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from pestvision import __version__
from pestvision.errors import FolderError, OutputError, StoreError
from pestvision.progress import silent
from pestvision.storage.backup_file import (
    ABOUT_NAME,
    CHUNK_BYTES,
    FORMAT,
    SUMS_NAME,
    sums_text,
)
from pestvision.storage.disk import give_new_name, reason, require_space
from pestvision.storage.holdings import (
    DATABASE_NAME,
    IMAGE_PATH,
    Holdings,
    connected,
    damaged_database,
    is_busy,
    is_out_of_reach,
    look_into,
)
from pestvision.storage.restore import RestoreResult, restore

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.progress import Progress

__all__ = ["BackupResult", "RestoreResult", "back_up", "restore"]

_SUFFIX: Final = ".zip"
_LEFTOVER_AFTER_S: Final = 3600.0  # no backup waits that long between two writes
_PRIVATE: Final = 0o600 << 16  # a file of its owner, where a zip file keeps that
_OTHER_NAME: Final = "Give a new name, such as tanks-2026-11-25.zip, in a folder that is there."


@dataclass(frozen=True, slots=True)
class BackupResult:
    """A backup that was made.

    Parameters
    ----------
    path
        The file.
    n_photos
        Pictures in it.
    n_bytes
        Its size.
    newest_change
        When anything was last done in it, as the database writes it; None where nothing says.
    missing
        Paths of pictures that the database refers to and that are gone or damaged: the backup is
        made without them.
    """

    path: Path
    n_photos: int
    n_bytes: int
    newest_change: str | None
    missing: tuple[str, ...]


def back_up(data_folder: Path, target: Path, *, progress: Progress = silent) -> BackupResult:
    """Write the database and every picture it refers to into one new zip file.

    Parameters
    ----------
    data_folder
        The folder with `pestvision.db` and `images`. It is only read; a page may be running on it.
    target
        The file to make, `….zip`. It is there when it is whole, and not before.
    progress
        Told of every picture.

    Raises
    ------
    FolderError
        If the data folder holds no database.
    OutputError
        If the target is there already or cannot be written, or the disk has too little room.
    StoreError
        If the database is damaged or cannot be read.
    """
    database = data_folder / DATABASE_NAME
    if not database.is_file():
        message = f"There is nothing to back up in {data_folder}: it holds no {DATABASE_NAME}."
        raise FolderError(message, advice="Give the data folder of the album.")
    _require_new(target)
    _clear_leftovers(target)
    part = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    copy = part.with_suffix(".db")
    try:
        holdings = _copy_database(database, copy)
        n_bytes = sum(_size(data_folder / path) for path in holdings.photos)
        require_space(target.parent, n_bytes + copy.stat().st_size)
        missing = _write_zip(part, copy, data_folder, holdings, progress)
        give_new_name(part, target)
    except FileExistsError as error:
        raise _in_the_way(target) from error
    except OSError as error:
        message = f"The backup {target} cannot be written: {reason(error)}."
        advice = "Free some space, or choose another folder that you may write to."
        raise OutputError(message, advice=advice) from error
    finally:
        for leftover in (part, copy):
            with contextlib.suppress(OSError):
                leftover.unlink(missing_ok=True)
    n_photos = len(holdings.photos) - len(missing)
    return BackupResult(target, n_photos, target.stat().st_size, holdings.newest_change, missing)


def _require_new(target: Path) -> None:
    if os.path.lexists(target):
        raise _in_the_way(target)
    if target.suffix.lower() != _SUFFIX:
        message = f"A backup is a {_SUFFIX} file, and {target.name or target} is no such name."
        raise OutputError(message, advice=_OTHER_NAME)
    if not target.parent.is_dir():
        message = f"There is no folder {target.parent} to write the backup to."
        raise OutputError(message, advice=_OTHER_NAME)


def _clear_leftovers(target: Path) -> None:
    """Remove what a backup of this name left that was killed."""
    with contextlib.suppress(OSError):
        for path in target.parent.iterdir():
            is_ours = path.name.startswith(f".{target.name}.") and path.suffix in {".part", ".db"}
            if is_ours and time.time() - path.stat().st_mtime > _LEFTOVER_AFTER_S:
                path.unlink()


def _in_the_way(target: Path) -> OutputError:
    message = f"{target} is there already, and a backup is never written over anything."
    return OutputError(message, advice=_OTHER_NAME)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _copy_database(database: Path, copy: Path) -> Holdings:
    """Copy a database that may be in use, and check the copy."""
    require_space(
        copy.parent, 2 * _size(database) + _size(database.with_name(f"{database.name}-wal"))
    )
    copy.touch(mode=0o600, exist_ok=False)
    try:
        with connected(database) as source, closing(sqlite3.connect(copy)) as target:
            # Wait here while it is locked: copying would wait for ever. It may be written to meanwhile.
            source.execute("BEGIN")
            source.execute("SELECT COUNT(*) FROM sqlite_schema").fetchone()
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")  # else it would need files beside it
        with connected(copy) as connection:
            return look_into(connection)
    except sqlite3.Error as error:
        if is_busy(error):
            message = f"The database {DATABASE_NAME} is busy: another program is writing to it."
            raise StoreError(message, advice="Wait a moment and try again.") from error
        if is_out_of_reach(error):
            raise OSError(None, str(error)) from error
        raise damaged_database(str(error)) from error


def _write_zip(
    part: Path, copy: Path, data_folder: Path, holdings: Holdings, progress: Progress
) -> tuple[str, ...]:
    """Write the backup under its temporary name; give the pictures that are missing."""
    sums: dict[str, str] = {}
    missing: list[str] = []
    now = datetime.now(UTC)
    with part.open("xb") as file:
        with zipfile.ZipFile(file, "w") as archive:
            sums[DATABASE_NAME] = _add_database(archive, copy, now)
            for done, path in enumerate(holdings.photos):
                progress(done, len(holdings.photos), "packing pictures")
                data = _picture(data_folder, path)
                if data is None:
                    missing.append(path)
                    continue
                archive.writestr(_member(path, now, zipfile.ZIP_STORED), data)
                sums[path] = path.split("/")[2].partition(".")[0]
            about = _about(holdings, missing, now)
            sums[ABOUT_NAME] = hashlib.sha256(about).hexdigest()
            archive.writestr(_member(ABOUT_NAME, now), about)
            archive.writestr(_member(SUMS_NAME, now), sums_text(sums).encode())
        file.flush()
        os.fsync(file.fileno())
    return tuple(missing)


def _member(name: str, now: datetime, method: int = zipfile.ZIP_DEFLATED) -> zipfile.ZipInfo:
    member = zipfile.ZipInfo(name, now.timetuple()[:6])
    member.compress_type = method
    member.external_attr = _PRIVATE
    return member


def _add_database(archive: zipfile.ZipFile, copy: Path, now: datetime) -> str:
    member = _member(DATABASE_NAME, now)
    member.file_size = copy.stat().st_size  # tells whether 4 GB are passed
    digest = hashlib.sha256()
    with copy.open("rb") as source, archive.open(member, "w") as packed:
        while chunk := source.read(CHUNK_BYTES):
            digest.update(chunk)
            packed.write(chunk)
    return digest.hexdigest()


def _picture(data_folder: Path, path: str) -> bytes | None:
    """Read a picture; None where it is gone, or is not the one it is called after."""
    try:
        data = (data_folder / path).read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        message = f"The picture {path} in the data folder cannot be read: {reason(error)}."
        advice = "Check the disk and the permissions of the data folder."
        raise StoreError(message, advice=advice) from error
    match = IMAGE_PATH.fullmatch(path)
    return data if match and hashlib.sha256(data).hexdigest() == match[2] else None


def _about(holdings: Holdings, missing: list[str], now: datetime) -> bytes:
    told = {
        "format": FORMAT,
        "pestvision": __version__,
        "made": now.isoformat(timespec="seconds"),
        "schema": holdings.schema,
        "counts": holdings.counts,
        "n_photos": len(holdings.photos) - len(missing),
        "newest_change": holdings.newest_change,
        "missing": missing,
    }
    return (json.dumps(told, indent=2, ensure_ascii=False) + "\n").encode()
