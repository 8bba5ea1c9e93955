"""A folder that has its name only once everything in it is written and on the disk."""

from __future__ import annotations

import os
import secrets
import shutil
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Final

from pestvision.errors import OutputError
from pestvision.storage.disk import reason, sync_file, sync_folder
from pestvision.storage.files import LOCK_SUFFIX, N_SYNCING, locked

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_UNFINISHED: Final = ".unfinished-"
_GIVE_ANOTHER: Final = "Give the path of a new folder, or of an empty one."


@contextmanager
def whole_folder(target: Path) -> Iterator[Path]:
    """Give an empty folder beside `target`, which becomes `target` when the work in it is done.

    If the work fails, or the process is killed, nothing stands under the final name; what a killed one
    has left is removed by the next that writes to the same `target`.

    Parameters
    ----------
    target
        A path where nothing is yet, or an empty folder.

    Raises
    ------
    OutputError
        If something is there already, or it cannot be written.
    """
    try:
        target = target.resolve()
        _require_free(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        _clear_up(target)
        part = target.parent / f".{target.name}{_UNFINISHED}{secrets.token_hex(4)}"
        lock = locked(_lock_of(part))
    except (OSError, RuntimeError) as error:  # pathlib raises the latter for a ring of links
        raise _cannot(target, error) from error
    try:
        part.mkdir()
        yield part
        _sync_all(part)
        if target.is_dir():
            target.rmdir()  # refuses what is no longer empty
        part.rename(target)
        sync_folder(target.parent)
    except OSError as error:
        raise _cannot(target, error) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
        if lock is not None:
            lock.close()
        with suppress(OSError):
            _lock_of(part).unlink(missing_ok=True)


def _lock_of(part: Path) -> Path:
    return part.with_name(part.name + LOCK_SUFFIX)


def _require_free(target: Path) -> None:
    if not target.name:
        message = f"{target} is the top of a disk, and a folder was expected."
        raise OutputError(message, advice=_GIVE_ANOTHER)
    if not os.path.lexists(target):
        return
    if not target.is_dir():
        message = f"{target} is a file, and a folder was expected; nothing was written."
        raise OutputError(message, advice=_GIVE_ANOTHER)
    if any(target.iterdir()):
        message = f"The folder {target} is not empty, and nothing in it is written over."
        raise OutputError(message, advice=_GIVE_ANOTHER)


def _clear_up(target: Path) -> None:
    """Remove what processes that were killed have left; one that is at work holds its lock."""
    beginning = f".{target.name}{_UNFINISHED}"
    for path in list(target.parent.iterdir()):
        if not (path.name.startswith(beginning) and path.name.endswith(LOCK_SUFFIX)):
            continue
        lock = locked(path)
        if lock is None:
            continue
        with lock:
            shutil.rmtree(path.with_name(path.name.removesuffix(LOCK_SUFFIX)), ignore_errors=True)
            path.unlink(missing_ok=True)


def _sync_all(folder: Path) -> None:
    paths = list(folder.rglob("*"))
    with ThreadPoolExecutor(N_SYNCING) as pool:
        list(pool.map(sync_file, [path for path in paths if path.is_file()]))
    for path in paths:
        if path.is_dir():
            sync_folder(path)
    sync_folder(folder)


def _cannot(target: Path, error: Exception) -> OutputError:
    why = reason(error) if isinstance(error, OSError) else str(error)
    message = f"The folder {target} cannot be written: {why}."
    return OutputError(
        message, advice="Free some space, make the folder writable, or choose another place."
    )
