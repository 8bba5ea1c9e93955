"""Names for what is sent out of the log: the same for the same thing each time, and telling nothing of anybody."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final
from uuid import UUID, uuid5

if TYPE_CHECKING:
    from pestvision.tanks.log import TankLog

NAMESPACE: Final = UUID("5a0f3c53-7a4e-4a3c-9d0b-6a1f0e6b2c71")
"""Drawn once at random; keeps these names apart from all others made the same way."""


def log_key(log: TankLog) -> UUID:
    """Give the key of a log, under which its notes and tanks have names that no other log's have.

    It is made of the first line of the log's history, which nothing changes: editing, undoing, moving the
    data folder and restoring a backup leave it as it is. A log that notes are imported into has its own.
    """
    row = log.database.one("SELECT at, after FROM tank_changes ORDER BY id LIMIT 1")
    return uuid5(NAMESPACE, "log" if row is None else f"log {row[0]} {row[1]}")


def name_under(key: UUID, *parts: str | float | None) -> UUID:
    """Give the name of one thing of a log, from what tells it apart there: what it is, and its number."""
    return uuid5(key, json.dumps(parts))  # no two lists of parts give one text, whatever they hold
