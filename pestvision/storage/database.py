"""One SQLite file: opened, brought to this version's schema, and spoken to.

What is written is on the disk when the call comes back: write-ahead log, synced at every commit, foreign
keys on. Each thread has a connection of its own, so that a reader never waits for a writer.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Self
from weakref import WeakSet

from pestvision.errors import OutputError, StoreError
from pestvision.storage.migrations import MIGRATIONS, Migration

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

DATABASE_NAME = "pestvision.db"
BACKUPS_NAME = "backups"
WAIT_S = 30.0
"""How long a writer waits for another one: the longest write here takes under a second."""
LOOK_AGAIN_S = 0.02  # while two processes make the same new file

FREE_SPACE = "Free some space, or choose another folder with --data."


class _Own:
    """A thread's connection, closed when the thread is gone: SQLite's own object outlives it a while."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection

    def __del__(self) -> None:
        self.connection.close()


class Database:
    """The database of a data folder.

    Parameters
    ----------
    folder
        The data folder; made where it is missing. The file in it is `pestvision.db`.
    migrations
        The steps from an empty file to this version's schema; others only in tests.

    Raises
    ------
    StoreError
        If the file is damaged, or was written by a newer version.
    OutputError
        If the folder cannot be written to, the disk is full, or another program keeps it locked.
    """

    def __init__(self, folder: Path, *, migrations: Sequence[Migration] = MIGRATIONS) -> None:
        self.folder = folder
        self.path = folder / DATABASE_NAME
        self._local = threading.local()
        self._all: WeakSet[_Own] = WeakSet()
        self._guard = threading.Lock()
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            message = f"The data folder {folder} cannot be made: {error.strerror or error}."
            raise OutputError(message, advice="Choose another folder with --data.") from error
        with self._told():
            self._migrate(migrations)

    def rows(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Ask, and give every row."""
        with self._told():
            return self._connection().execute(sql, parameters).fetchall()

    def one(self, sql: str, parameters: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        """Ask, and give the first row, None where there is none."""
        with self._told():
            row: tuple[Any, ...] | None = self._connection().execute(sql, parameters).fetchone()
            return row

    def run(self, sql: str, parameters: Sequence[Any] = ()) -> int:
        """Change something within `atomic`; give the last row's number.

        Raises
        ------
        RuntimeError
            Outside `atomic`: a programmer's error.
        """
        connection = self._writing()
        with self._told():
            return int(connection.execute(sql, parameters).lastrowid or 0)

    def run_many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """Change many rows within `atomic`."""
        connection = self._writing()
        with self._told():
            connection.executemany(sql, rows)

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Do all of what is inside, or nothing; on return it is on the disk.

        Nests: an inner one is part of the outer one. Only one writer is inside at a time, in this
        process or another.
        """
        with self._told():
            connection = self._connection()
        if connection.in_transaction:
            yield
            return
        with self._told():
            connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            with self._told():
                connection.execute("COMMIT")
        except BaseException:
            _roll_back(connection)
            raise

    @property
    def schema_version(self) -> int:
        """The number of the last migration that was run."""
        row = self.one("PRAGMA user_version")
        return int(row[0]) if row else 0

    def complaints(self) -> list[str]:
        """Check the whole file; give what is wrong with it, nothing where it is sound."""
        wrong = [str(row[0]) for row in self.rows("PRAGMA integrity_check") if row[0] != "ok"]
        wrong += [
            f"a row of {row[0]} points nowhere" for row in self.rows("PRAGMA foreign_key_check")
        ]
        return wrong

    def close(self) -> None:
        """Close every connection."""
        with self._guard:
            for own in self._all:
                own.connection.close()
            self._all.clear()
        self._local = threading.local()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _connection(self) -> sqlite3.Connection:
        own: _Own | None = getattr(self._local, "own", None)
        if own is None:
            own = _Own(
                sqlite3.connect(
                    self.path, timeout=WAIT_S, isolation_level=None, check_same_thread=False
                )
            )
            _use_log(own.connection)
            own.connection.execute(
                "PRAGMA synchronous = FULL"
            )  # a power cut takes nothing acknowledged
            own.connection.execute("PRAGMA foreign_keys = ON")
            with self._guard:
                self._all.add(own)
            self._local.own = own
        return own.connection

    def _writing(self) -> sqlite3.Connection:
        with self._told():
            connection = self._connection()
        if not connection.in_transaction:
            message = "a change outside atomic()"
            raise RuntimeError(message)
        return connection

    def _migrate(self, migrations: Sequence[Migration]) -> None:
        """Run the migrations that are missing, each in one transaction with its own number.

        An old file is copied before the first of them; a new one has nothing to keep.
        """
        newest = len(migrations)
        first = self._known_version(newest)
        if first == newest:
            return
        for number, migration in enumerate(migrations, start=1):
            with self.atomic():  # the number is looked up inside: another process may be quicker
                at = self._known_version(newest)
                if at >= number:
                    continue
                if 0 < at == first:
                    self._keep_copy(at)
                for statement in migration.statements:
                    self.run(statement)
                self.run(f"PRAGMA user_version = {number:d}")

    def _known_version(self, newest: int) -> int:
        version = self.schema_version
        if version > newest:
            message = (
                f"The database {self.path} was written by a newer version of pestvision "
                f"(schema {version}; this version knows {newest})."
            )
            raise StoreError(message, advice="Install the newest pestvision; nothing was changed.")
        return version

    def _keep_copy(self, version: int) -> None:
        """Copy the file as it is before a migration. Other writers wait outside meanwhile."""
        now = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        target = self.folder / BACKUPS_NAME / f"schema-{version}-{now}.db"
        unfinished = target.with_suffix(".unfinished")
        try:
            target.parent.mkdir(exist_ok=True)
            for other in target.parent.glob("schema-*.unfinished*"):
                other.unlink()  # of a process that was killed: only one is here at a time
            with (
                closing(sqlite3.connect(self.path)) as reader,
                closing(sqlite3.connect(unfinished)) as copy,
            ):
                reader.backup(copy)  # reads what was last committed, not what this transaction does
            unfinished.rename(target)
        except OSError as error:
            message = (
                f"The database cannot be copied to {target.parent} before it is brought up to date: "
                f"{error.strerror or error}; nothing was changed."
            )
            raise OutputError(message, advice=FREE_SPACE) from error

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what SQLite raises into one of our sentences."""
        try:
            yield
        except sqlite3.Error as error:
            raise _in_words(error, self.path) from error


def _use_log(connection: sqlite3.Connection) -> None:
    """Choose the write-ahead log. SQLite does not wait by itself where another process is at that too."""
    until = time.monotonic() + WAIT_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(LOOK_AGAIN_S)
        else:
            return


def _roll_back(connection: sqlite3.Connection) -> None:
    if connection.in_transaction:
        connection.execute("ROLLBACK")


def _in_words(error: sqlite3.Error, path: Path) -> StoreError | OutputError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return OutputError(
            f"The disk that holds {path} is full; nothing was changed.", advice=FREE_SPACE
        )
    if code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
        return OutputError(
            f"Another program has kept {path} locked for {WAIT_S:.0f} seconds; nothing was changed.",
            advice="Close the other program, or wait until it is done, and try again.",
        )
    if code in {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM}:
        return OutputError(
            f"The database {path} cannot be opened for writing; nothing was changed.",
            advice="Make the folder writable, or choose another one with --data.",
        )
    if code == sqlite3.SQLITE_IOERR:
        return OutputError(
            f"The disk that holds {path} could not be read or written ({error}).",
            advice="Check the disk and the space on it, then try again.",
        )
    if code in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT}:
        return StoreError(
            f"The database {path} is damaged ({error}).",
            advice="Put it aside, and bring back a backup with pestvision restore.",
        )
    return StoreError(
        f"The database {path} could not be used ({error}).",
        advice="Please report this; a backup can be brought back with pestvision restore.",
    )
