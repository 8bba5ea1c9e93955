"""Pictures on disk, named by what is in them: `images/aa/<sha256><suffix>`.

A picture is written to a folder of its own first, synced, and moved to its place only while the database
is being written; a list of what is on the move lies beside it. Whoever finds such a list whose writer is
gone, or was refused by the disk, removes what the database does not know. So no moment at which the process can be killed leaves a row
without its file, or a file without its row once the data folder is opened again.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import IO, TYPE_CHECKING

from pestvision.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

IMAGES_NAME = "images"
INCOMING_NAME = "incoming"
LIST_NAME = "list"
LOCK_SUFFIX = ".lock"
N_SYNCING = 8
"""Files synced at the same time: a sync waits for the disk, not for the processor."""
SPARE_BYTES = 32 << 20
"""Left free on the disk whatever is added: the database's log grows while it is written to."""


class PictureStore:
    """The pictures of a data folder.

    Parameters
    ----------
    folder
        The data folder; `images` in it is made where it is missing.

    Raises
    ------
    OutputError
        If it cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        self._images = folder / IMAGES_NAME
        self._incoming = self._images / INCOMING_NAME
        with _told(self._images):
            self._incoming.mkdir(parents=True, exist_ok=True)

    def path(self, sha256: str, suffix: str) -> Path:
        """Give the place of a picture."""
        return self._images / sha256[:2] / f"{sha256}{suffix}"

    def require_space(self, n_bytes: int) -> None:
        """Make sure before anything is changed that so many bytes fit.

        Raises
        ------
        OutputError
            If they do not.
        """
        with _told(self._images):
            free = shutil.disk_usage(self._images).free
        if free < n_bytes + SPARE_BYTES:
            message = (
                f"The disk that holds {self._images} has {free / 1e6:.0f} MB left, and "
                f"{(n_bytes + SPARE_BYTES) / 1e6:.0f} MB are needed; nothing was changed."
            )
            raise OutputError(
                message, advice="Free some space, or choose another folder with --data."
            )

    @contextmanager
    def arriving(self, pictures: Sequence[tuple[str, str, bytes]]) -> Iterator[Callable[[], None]]:
        """Write pictures aside; give a function that moves them to their places.

        Parameters
        ----------
        pictures
            `(sha256, suffix, bytes)` of each.

        Yields
        ------
        Callable
            To be called within the transaction that writes their rows, and the transaction ended
            within this `with`.

        Raises
        ------
        OutputError
            If they cannot be written; nothing has been changed then.
        """
        self.require_space(sum(len(data) for _, _, data in pictures))
        names = [f"{sha256}{suffix}" for sha256, suffix, _ in pictures]
        with self._errand(names) as aside:
            with _told(self._images), ThreadPoolExecutor(N_SYNCING) as pool:
                list(pool.map(_write_synced, [aside / name for name in names], _data_of(pictures)))

            def move() -> None:
                with _told(self._images):
                    places = {self._images / name[:2] for name in names}
                    for place in places:
                        place.mkdir(exist_ok=True)
                    for name in names:
                        (aside / name).replace(self._images / name[:2] / name)
                    _sync_folders([self._images, *places])

            yield move

    @contextmanager
    def leaving(
        self, pictures: Sequence[tuple[str, str]]
    ) -> Iterator[Callable[[Callable[[str], bool]], None]]:
        """Note down what is to be deleted; give a function that deletes it once its rows are gone.

        The function takes another, which says of a sha256 whether it may go, and is to be called within
        a transaction.

        Parameters
        ----------
        pictures
            `(sha256, suffix)` of each.
        """
        names = [f"{sha256}{suffix}" for sha256, suffix in pictures]
        with self._errand(names):

            def delete(may_go: Callable[[str], bool]) -> None:
                with _told(self._images):
                    for name in names:
                        if may_go(name.partition(".")[0]):
                            (self._images / name[:2] / name).unlink(missing_ok=True)

            yield delete

    def has_left_behind(self) -> bool:
        """Tell whether a writer is at work, or was killed or refused."""
        return any(self._incoming.iterdir())

    def clear_up(self, is_known: Callable[[str], bool]) -> int:
        """Remove what a process that was killed or refused has left; give how many pictures that were.

        Parameters
        ----------
        is_known
            Says whether the database knows a picture, by its sha256. To be called within a
            transaction, so that no other process is between moving a picture and writing its row.
        """
        n_removed = 0
        with _told(self._images):
            for path in sorted(self._incoming.glob(f"*{LOCK_SUFFIX}")):
                lock = locked(path)
                if lock is None:
                    continue  # its writer is at work
                aside = path.with_suffix("")
                with lock:
                    for name in _read_list(aside / LIST_NAME):
                        place = self._images / name[:2] / name
                        if not is_known(name.partition(".")[0]) and place.exists():
                            place.unlink()
                            n_removed += 1
                    _let_go(aside, path)
        return n_removed

    def names(self) -> set[str]:
        """Give the file names of all pictures in their places."""
        return {
            path.name
            for place in self._images.iterdir()
            if place.name != INCOMING_NAME
            for path in place.iterdir()
        }

    @contextmanager
    def _errand(self, names: Sequence[str]) -> Iterator[Path]:
        """Make a folder aside with a list of names, locked while this process is at it."""
        aside = self._incoming / secrets.token_hex(8)
        path = aside.with_suffix(LOCK_SUFFIX)
        with _told(self._images):
            lock = locked(path)
            while lock is None:  # cleared up by another process before it was locked
                lock = locked(path)
        with lock:
            try:
                with _told(self._images):
                    aside.mkdir()
                    _write_synced(aside / LIST_NAME, "\n".join(names).encode())
                    _sync_folders([aside, self._incoming])
            except BaseException:
                _let_go(aside, path)
                raise
            try:
                yield aside
            except BaseException:
                _leave_list(aside)  # some may be in their places, and their rows were taken back
                raise
            _let_go(aside, path)


def sha256_of(data: bytes) -> str:
    """Give the SHA-256 of some bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def _data_of(pictures: Sequence[tuple[str, str, bytes]]) -> list[bytes]:
    return [data for _, _, data in pictures]


def _read_list(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8").split()
    except FileNotFoundError:
        return []  # killed before anything was written


def _write_synced(path: Path, data: bytes) -> None:
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _sync_folders(folders: Sequence[Path]) -> None:
    """Make the names in folders last through a power cut; not every system can."""
    if sys.platform == "win32":
        return
    for folder in folders:
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def _let_go(aside: Path, lock: Path) -> None:
    """Remove a folder aside, and its lock last: a lock without a folder is a finished errand."""
    shutil.rmtree(aside, ignore_errors=True)
    with suppress(OSError):  # some systems do not remove what is open
        lock.unlink(missing_ok=True)


def _leave_list(aside: Path) -> None:
    """Remove pictures from a folder aside, and leave the list for `clear_up`."""
    for path in aside.iterdir():
        if path.name != LIST_NAME:
            with suppress(OSError):
                path.unlink()


def locked(path: Path) -> IO[bytes] | None:
    """Open and lock a file for as long as this process lives; None where another holds it.

    Raises
    ------
    OSError
        If it cannot be made.
    """
    file = path.open("ab")
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.path.samestat(os.fstat(file.fileno()), path.stat()):
            return file  # and not one that was removed between opening and locking
    except (BlockingIOError, PermissionError, FileNotFoundError):
        pass
    file.close()
    return None


@contextmanager
def _told(folder: Path) -> Iterator[None]:
    """Turn what the system raises into one of our sentences."""
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"The album's pictures cannot be written to {folder}: {error.strerror or error}; "
            "nothing was changed.",
            advice="Free some space, make the folder writable, or choose another one with --data.",
        ) from error
