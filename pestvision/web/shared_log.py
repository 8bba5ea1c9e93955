"""The log of the tanks on the page: opened once for everyone, and read anew only after it has changed."""

from __future__ import annotations

import threading
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from pestvision.errors import LogError, PestVisionError
from pestvision.settings import TankSettings
from pestvision.storage.database import DATABASE_NAME
from pestvision.tanks.log import TankLog
from pestvision.tanks.standing import standings, tonight
from pestvision.web import tank_words

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date
    from pathlib import Path

    from pestvision.tanks.records import Note, Tank
    from pestvision.tanks.standing import Standing

FEW: Final = 50  # notes read one by one; of more, all are read anew, which is quicker then
Mark = tuple[int, int]
"""Tells whether a log has changed: its last change, and how many were taken back."""


@dataclass(frozen=True, slots=True)
class Held:
    """What the log says: its tanks and all notes, and the mark it was read at."""

    mark: Mark = (0, 0)
    tanks: tuple[Tank, ...] = ()
    notes: tuple[Note, ...] = ()

    def tank(self, number: int) -> Tank:
        """Give a tank by its number.

        Raises
        ------
        LogError
            If it is not there, or no longer.
        """
        for tank in self.tanks:
            if tank.id == number:
                return tank
        raise LogError(tank_words.TANK_GONE, advice=tank_words.TANK_GONE_ADVICE)

    def of(self, tank: Tank) -> tuple[Note, ...]:
        """Give the notes in which a tank has a part, in the order of time."""
        return tuple(note for note in self.notes if tank.name in {note.tank, note.other})


def _now() -> datetime:
    return datetime.now(UTC)


class SharedLog:
    """The one log of the page, opened at the first need and closed with the page.

    Parameters
    ----------
    folder
        The data folder. Nothing is written there before something is written down.
    settings
        What the arithmetic of the log takes for granted.
    now
        Gives the time; replaced in tests.
    """

    def __init__(
        self,
        folder: Path,
        *,
        settings: TankSettings | None = None,
        now: Callable[[], datetime] = _now,
    ) -> None:
        self.folder = folder
        self.settings = settings or TankSettings()
        self.now = now
        self._lock = threading.Lock()
        self._log: TankLog | None = None
        self._held = Held()
        self._reckoning = threading.Lock()
        self._standings: tuple[tuple[Mark, date], tuple[Standing, ...]] | None = None

    def here(self) -> datetime:
        """Give the time by this computer's clock, which is the keeper's."""
        return self.now().astimezone()

    def tonight(self) -> date:
        """Give the night it is: until noon the one that began yesterday."""
        return tonight(self.here())

    def log(self) -> TankLog:
        """Give the log, opened.

        Raises
        ------
        StoreError, OutputError
            If it is damaged, or its folder cannot be written to.
        """
        with self._lock:
            if self._log is None:
                self._log = TankLog(self.folder, now=self.now)
            return self._log

    def begun(self) -> TankLog | None:
        """Give the log where there is a data folder already; None where nobody has begun one."""
        if self._log is None and not (self.folder / DATABASE_NAME).exists():
            return None
        return self.log()

    def close(self) -> None:
        """Close it; the next who asks opens it again."""
        with self._lock:
            if self._log is not None:
                self._log.close()
            self._log = None
            self._held = Held()
            self._standings = None

    def held(self) -> Held:
        """Give what the log says; read only where it has changed since it was read last."""
        log = self.begun()
        if log is None:
            return Held()
        with self._lock:
            mark = log.mark()
            if mark != self._held.mark:
                self._held = _brought_up_to(log, mark, self._held)
            return self._held

    def standings(self) -> tuple[Standing, ...]:
        """Say of every tank how it stands, the most urgent first; reckoned only where something is new."""
        held, now = self.held(), self.here()
        key = (held.mark, tonight(now))
        with self._reckoning:
            kept = self._standings
            if kept is None or kept[0] != key:
                found = standings(held.tanks, held.notes, now=now, settings=self.settings)
                kept = self._standings = (key, found)
            return kept[1]

    def warm(self) -> None:
        """Reckon how the tanks stand before somebody asks: the first time of a night takes longest."""
        with suppress(PestVisionError):  # told to the first who asks
            self.standings()

    def standing(self, number: int) -> Standing:
        """Say how one tank stands.

        Raises
        ------
        LogError
            If it is not there, or no longer.
        """
        for one in self.standings():
            if one.tank.id == number:
                return one
        raise LogError(tank_words.TANK_GONE, advice=tank_words.TANK_GONE_ADVICE)

    def take_back(self, numbers: Sequence[int]) -> None:
        """Take notes back that were just written: undone where nothing came after, else deleted.

        Either way the log says what it said before, and its history tells of both.

        Raises
        ------
        LogError
            If one of them is gone already.
        """
        log = self.log()
        with log.database.atomic():
            last = log.last_step()
            is_last = bool(last) and {change.row for change in last} == set(numbers)
            if is_last and all(change.is_of == "note" and change.before is None for change in last):
                log.undo()
                return
            for number in numbers:
                log.remove(number)


def _brought_up_to(log: TankLog, mark: Mark, old: Held) -> Held:
    """Read what has changed in the log; all of it where that is not a few notes alone."""
    numbers = log.notes_since(old.mark) if old.tanks else None
    if numbers is None or len(numbers) > FEW:
        return Held(mark, tuple(log.tanks()), tuple(log.notes()))
    changed = set(numbers)
    notes = [note for note in old.notes if note.id not in changed]
    for number in changed:
        with suppress(LogError):  # it was deleted
            notes.append(log.note(number))
    notes.sort(key=lambda note: (note.at, note.id))
    return replace(old, mark=mark, notes=tuple(notes))
