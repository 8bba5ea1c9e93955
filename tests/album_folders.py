"""Invented data folders for tests: a small database as the album keeps one, and its pictures."""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from pestvision.storage.holdings import quoted

if TYPE_CHECKING:
    from pathlib import Path

TABLES = """
CREATE TABLE photos (id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, suffix TEXT NOT NULL) STRICT;
CREATE TABLE labels (id INTEGER PRIMARY KEY, photo INTEGER REFERENCES photos, label TEXT, at TEXT);
CREATE TABLE actions (id INTEGER PRIMARY KEY, what TEXT, at TEXT);
CREATE TABLE "odd ""name" (a REAL, b BLOB, "select" INTEGER);
PRAGMA user_version = 3;
"""


def picture(seed: int) -> bytes:
    """Bytes that stand for a picture: storage never decodes one."""
    return f"picture {seed} of the tank Amber".encode() * (seed % 50 + 1)


def add_photo(folder: Path, seed: int, *, at: str) -> str:
    """Put a picture into a folder and the database, with a label; give its path."""
    data = picture(seed)
    sha256 = hashlib.sha256(data).hexdigest()
    name = f"images/{sha256[:2]}/{sha256}.jpg"
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(data)
    with closing(sqlite3.connect(folder / "pestvision.db", isolation_level=None)) as connection:
        cursor = connection.execute(
            "INSERT INTO photos (sha256, suffix) VALUES (?, '.jpg')", (sha256,)
        )
        connection.execute(
            "INSERT INTO labels (photo, label, at) VALUES (?, 'harmless', ?)",
            (cursor.lastrowid, at),
        )
        connection.execute("INSERT INTO actions (what, at) VALUES ('label', ?)", (at,))
    return name


def made_folder(folder: Path, n_photos: int = 5) -> Path:
    """A data folder with some pictures, and with things that belong in no backup."""
    folder.mkdir(parents=True)
    with closing(sqlite3.connect(folder / "pestvision.db", isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.executescript(TABLES)
        connection.execute('INSERT INTO "odd ""name" VALUES (1.5, x\'00ff\', NULL)')
    for seed in range(n_photos):
        add_photo(folder, seed, at=f"2026-11-25T20:00:{seed:02d}Z")
    for other in ("images/incoming/half.part", "backups/old.zip", "page/state.json"):
        (folder / other).parent.mkdir(parents=True, exist_ok=True)
        (folder / other).write_bytes(b"not part of a backup")
    return folder


def rows(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table, with the version of the tables."""
    with closing(sqlite3.connect(folder / "pestvision.db")) as connection:
        tables = [
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
        ]
        found = {
            table: sorted(
                connection.execute(f"SELECT * FROM {quoted(table)}"),  # noqa: S608  quoted
                key=repr,
            )
            for table in tables
        }
        found["version"] = connection.execute("PRAGMA user_version").fetchall()
    return found


def pictures(folder: Path) -> dict[str, bytes]:
    """Every picture under its path."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in (folder / "images").glob("??/*")
    }


def state(folder: Path) -> tuple[object, object]:
    """All that a backup has to bring back."""
    return rows(folder), pictures(folder)
