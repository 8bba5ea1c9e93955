"""What a data folder's database holds, as far as care of the data needs to know."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pestvision.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DATABASE_NAME: Final = "pestvision.db"
IMAGES_NAME: Final = "images"
BACKUPS_NAME: Final = "backups"
SIDECARS: Final = ("-wal", "-shm", "-journal")
"""What SQLite writes beside a database, by the ending of the name."""

IMAGE_PATH: Final = re.compile(r"images/([0-9a-f]{2})/(\1[0-9a-f]{62})\.[a-z0-9]{1,5}")
"""Where a picture lies in the data folder; the second group is the sha256 of its bytes."""

_FIRST_BYTES: Final = b"SQLite format 3\x00"  # sqlite.org/fileformat2.html, 1.3
_PATIENCE_S: Final = 2.0  # a page writes for milliseconds
_CHANGING_TABLES: Final = ("actions", "labels", "tank_changes")  # their column `at` says when
_BUSY: Final = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
_OUT_OF_REACH: Final = frozenset(
    {
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_FULL,
    }
)
_PRIMARY_CODE: Final = 0xFF  # the rest of an error code tells the kind within


@dataclass(frozen=True, slots=True)
class Holdings:
    """What a database holds.

    Parameters
    ----------
    schema
        The version of its tables, `PRAGMA user_version`.
    photos
        Path in the data folder of every picture it refers to, sorted, each once.
    counts
        Rows by table.
    newest_change
        When anything was last done, as the database writes it; None where nothing says.
    """

    schema: int
    photos: tuple[str, ...]
    counts: dict[str, int]
    newest_change: str | None


@contextmanager
def connected(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a database that is there; each statement is a transaction of its own."""
    address = f"{path.resolve().as_uri()}?mode=rw"
    connection = sqlite3.connect(address, uri=True, timeout=_PATIENCE_S, isolation_level=None)
    with closing(connection):
        connection.execute("PRAGMA trusted_schema = OFF")
        yield connection


def is_database(path: Path) -> bool:
    """Tell whether a file begins as a database does.

    Asked before one is opened that may be broken: SQLite deletes the log beside a file that is none.
    """
    with path.open("rb") as file:
        return file.read(len(_FIRST_BYTES)) == _FIRST_BYTES


def is_busy(error: sqlite3.Error) -> bool:
    """Tell whether a database was refused because somebody else has it open."""
    return error.sqlite_errorcode & _PRIMARY_CODE in _BUSY


def is_out_of_reach(error: sqlite3.Error) -> bool:
    """Tell whether a database was refused by the disk, not for what is in it."""
    return error.sqlite_errorcode & _PRIMARY_CODE in _OUT_OF_REACH


def look_into(connection: sqlite3.Connection) -> Holdings:
    """Check a database wholly and tell what it holds.

    Raises
    ------
    StoreError
        If it is damaged, or refers to a picture in a way that no path can be made of.
    sqlite3.Error
        If it cannot be read.
    """
    (answer,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    if answer != "ok":
        raise damaged_database(str(answer).splitlines()[-1])
    (schema,) = connection.execute("PRAGMA user_version").fetchone()
    counts = {}
    for table in tables_of(connection):
        (counts[table],) = connection.execute(f"SELECT COUNT(*) FROM {quoted(table)}").fetchone()  # noqa: S608  quoted
    return Holdings(int(schema), _photos_of(connection), counts, _newest_change(connection))


def damaged_database(why: str) -> StoreError:
    """Give the error for a database that is broken."""
    message = f"The database {DATABASE_NAME} is damaged: {why}."
    return StoreError(message, advice="Restore the newest backup.")


def tables_of(connection: sqlite3.Connection, schema: str = "main") -> list[str]:
    """Give the names of the tables, without SQLite's own."""
    rows = connection.execute(
        f"SELECT name FROM {quoted(schema)}.sqlite_schema WHERE type = 'table' "  # noqa: S608  quoted
        "AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' ORDER BY name"
    )
    return [name for (name,) in rows]


def columns_of(connection: sqlite3.Connection, table: str, schema: str = "main") -> list[str]:
    """Give the names of a table's columns; none where there is no such table."""
    rows = connection.execute("SELECT name FROM pragma_table_info(?, ?)", (table, schema))
    return [name for (name,) in rows]


def quoted(name: str) -> str:
    """Give a name as SQL takes it."""
    return '"' + name.replace('"', '""') + '"'


def _photos_of(connection: sqlite3.Connection) -> tuple[str, ...]:
    if not columns_of(connection, "photos"):
        return ()
    paths = set()
    for sha256, suffix in connection.execute("SELECT DISTINCT sha256, suffix FROM photos"):
        path = f"{IMAGES_NAME}/{str(sha256)[:2]}/{sha256}{suffix}"
        if not IMAGE_PATH.fullmatch(path):
            raise damaged_database("it names a picture that no file can be called")
        paths.add(path)
    return tuple(sorted(paths))


def _newest_change(connection: sqlite3.Connection) -> str | None:
    told = [table for table in _CHANGING_TABLES if "at" in columns_of(connection, table)]
    if not told:
        return None
    every = " UNION ALL ".join(f"SELECT at FROM {table}" for table in told)  # noqa: S608  our names
    (newest,) = connection.execute(f"SELECT MAX(at) FROM ({every})").fetchone()  # noqa: S608
    return None if newest is None else str(newest)
