"""The schema, step by step: a step is never changed once it was released, only followed by another.

Times are ISO 8601 text in UTC. Boxes are pixels of the upright photo. `removed` names the action that took
a row away: nothing is deleted before that action is old.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Migration:
    """One step: its name, and SQL statements that are run in one transaction."""

    name: str
    statements: tuple[str, ...]


_ACTIONS = """
CREATE TABLE actions (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('import', 'delete')),
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    note TEXT NOT NULL,
    undone_at TEXT
) STRICT
"""

_PHOTOS = """
CREATE TABLE photos (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
    suffix TEXT NOT NULL,
    name TEXT NOT NULL,
    width INTEGER NOT NULL CHECK (width > 0),
    height INTEGER NOT NULL CHECK (height > 0),
    taken TEXT,
    tank TEXT,
    camera TEXT,
    source TEXT
) STRICT
"""

_CROPS = """
CREATE TABLE crops (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    photo INTEGER NOT NULL REFERENCES photos (id),
    x0 REAL NOT NULL, y0 REAL NOT NULL, x1 REAL NOT NULL, y1 REAL NOT NULL,
    looks INTEGER NOT NULL,
    twins INTEGER NOT NULL,
    label TEXT,
    n_labels INTEGER NOT NULL DEFAULT 0,
    is_disputed INTEGER NOT NULL DEFAULT 0 CHECK (is_disputed IN (0, 1)),
    added INTEGER NOT NULL REFERENCES actions (id),
    removed INTEGER REFERENCES actions (id),
    CHECK (x0 < x1 AND y0 < y1)
) STRICT
"""

_LABELS = """
CREATE TABLE labels (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    crop INTEGER NOT NULL REFERENCES crops (id) ON DELETE CASCADE,
    label TEXT NOT NULL,
    who TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('person', 'net')),
    model TEXT,
    confidence REAL CHECK (confidence BETWEEN 0 AND 1),
    at TEXT NOT NULL,
    settles INTEGER NOT NULL DEFAULT 0 CHECK (settles IN (0, 1)),
    withdrawn_at TEXT,
    CHECK (kind = 'person' OR model IS NOT NULL)
) STRICT
"""

_READINGS = """
CREATE TABLE readings (
    crop INTEGER PRIMARY KEY REFERENCES crops (id) ON DELETE CASCADE,
    model TEXT NOT NULL,
    p_fine BLOB NOT NULL,
    place BLOB NOT NULL,
    sharpness REAL NOT NULL,
    novelty REAL NOT NULL
) STRICT
"""

_SIGNATURES = """
CREATE TABLE signatures (
    crop INTEGER PRIMARY KEY REFERENCES crops (id) ON DELETE CASCADE,
    model TEXT NOT NULL,
    signature BLOB NOT NULL
) STRICT
"""

_HEADS = """
CREATE TABLE heads (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    model TEXT NOT NULL,
    parameters BLOB NOT NULL,
    about TEXT NOT NULL,
    is_better INTEGER NOT NULL CHECK (is_better IN (0, 1))
) STRICT
"""

_TRUSTED = """
CREATE TABLE trusted (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    head INTEGER REFERENCES heads (id)
) STRICT
"""

_TANKS = """
CREATE TABLE tanks (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL COLLATE NOCASE UNIQUE,
    litres REAL CHECK (litres > 0),
    lives TEXT,
    use TEXT
) STRICT
"""

# What may be filled with which kind is held by pestvision.tanks.records; here only what must never be.
_TANK_NOTES = """
CREATE TABLE tank_notes (
    id INTEGER PRIMARY KEY,
    tank INTEGER NOT NULL REFERENCES tanks (id),
    at TEXT NOT NULL,
    offset_min INTEGER NOT NULL CHECK (offset_min BETWEEN -1440 AND 1440),
    kind TEXT NOT NULL,
    pest TEXT,
    seen INTEGER CHECK (seen >= 0),
    taken INTEGER CHECK (taken >= 0),
    means TEXT,
    minutes REAL CHECK (minutes > 0),
    brooding INTEGER NOT NULL DEFAULT 0 CHECK (brooding IN (0, 1)),
    count INTEGER CHECK (count > 0),
    stage TEXT,
    cargo TEXT,
    what TEXT,
    source TEXT,
    other INTEGER REFERENCES tanks (id) CHECK (other <> tank),
    batch TEXT,
    judge TEXT NOT NULL,
    remark TEXT
) STRICT
"""

# Every change with the row before and after it, as JSON; undoing puts back what was before.
_TANK_CHANGES = """
CREATE TABLE tank_changes (
    id INTEGER PRIMARY KEY,
    step INTEGER NOT NULL,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    is_of TEXT NOT NULL CHECK (is_of IN ('tank', 'note')),
    row INTEGER NOT NULL,
    before TEXT,
    after TEXT,
    undone_at TEXT,
    CHECK (before IS NOT NULL OR after IS NOT NULL)
) STRICT
"""

MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        "the library: photos, crops and their labels",
        (
            _ACTIONS,
            _PHOTOS,
            _CROPS,
            _LABELS,
            "CREATE INDEX crops_by_photo ON crops (photo)",
            "CREATE INDEX crops_by_label ON crops (label, is_disputed) WHERE removed IS NULL",
            "CREATE INDEX crops_by_twins ON crops (twins)",
            "CREATE INDEX crops_by_removal ON crops (removed) WHERE removed IS NOT NULL",
            "CREATE INDEX crops_by_addition ON crops (added)",
            "CREATE INDEX labels_by_crop ON labels (crop)",
            "CREATE INDEX photos_by_tank ON photos (tank)",
            "CREATE INDEX photos_by_taken ON photos (taken)",
        ),
    ),
    Migration(
        "what the net reads in each crop, and personal heads",
        (
            _READINGS,
            _SIGNATURES,
            _HEADS,
            _TRUSTED,
        ),
    ),
    Migration(
        "the log of the tanks",
        (
            _TANKS,
            _TANK_NOTES,
            _TANK_CHANGES,
            "CREATE INDEX tank_notes_by_tank ON tank_notes (tank, at)",
            "CREATE INDEX tank_notes_by_time ON tank_notes (at)",
            "CREATE INDEX tank_changes_by_row ON tank_changes (is_of, row)",
            "CREATE INDEX tank_changes_by_step ON tank_changes (step)",
        ),
    ),
    Migration(
        "sizes in the log of the tanks",
        (
            "ALTER TABLE tank_notes ADD COLUMN smallest_mm REAL CHECK (smallest_mm > 0)",
            "ALTER TABLE tank_notes ADD COLUMN largest_mm REAL CHECK (largest_mm > 0)",
            "ALTER TABLE tank_notes ADD COLUMN hatchlings INTEGER CHECK (hatchlings >= 0)",
        ),
    ),
)
