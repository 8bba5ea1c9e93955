"""An invented shelf of tanks for the tests of the log, with a clock that is set by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any

from pestvision.tanks.log import TankLog
from pestvision.tanks.records import Kind, Means, Note, Pest

if TYPE_CHECKING:
    from pathlib import Path

HERE = timezone(timedelta(hours=1))
START = datetime(2026, 3, 1, 21, 0, tzinfo=HERE)
SHELF = ("Amber", "Moss", "Slate", "Fern", "Dusk", "Pearl", "Rill", "Thistle")


class Hand:
    """A clock that stands still until it is set."""

    def __init__(self, at: datetime = START) -> None:
        self.at = at

    def __call__(self) -> datetime:
        return self.at.astimezone(UTC)

    def later(self, **much: float) -> datetime:
        self.at += timedelta(**much)
        return self.at


def shelf(folder: Path, clock: Hand, *names: str) -> TankLog:
    """Open a log with tanks in it."""
    log = TankLog(folder, now=clock)
    for name in names or SHELF[:3]:
        log.add_tank(name, litres=19.0)
    return log


def look(tank: str, at: datetime, seen: int = 0, **more: Any) -> Note:
    """A look by eye of 15 minutes."""
    usual = Note(tank, at, Kind.LOOKED, pest=Pest.LEECH, seen=seen, means=Means.EYE, minutes=15.0)
    return replace(usual, **more)


def everything(log: TankLog) -> list[list[tuple[Any, ...]]]:
    """What the log says now, to the last column."""
    return [
        log.database.rows("SELECT * FROM tanks ORDER BY id"),
        log.database.rows("SELECT * FROM tank_notes ORDER BY id"),
    ]
