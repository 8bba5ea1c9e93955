"""The log itself: tanks and their notes, every change kept, the last one undone exactly.

A note, once `add` comes back, is on the disk. Nothing is overwritten: each change stands in the history with
the row as it was before and after.
"""

from __future__ import annotations

import difflib
import json
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING, Any, Final, Self

from pestvision.errors import LogError
from pestvision.storage.database import Database
from pestvision.tanks.records import (
    MAX_LITRES,
    MAX_TEXT,
    Cargo,
    Judge,
    Kind,
    Means,
    Note,
    Pest,
    Stage,
    Tank,
    check_note,
    require_tank_name,
)
from pestvision.tanks.size_rules import SIZES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from enum import StrEnum
    from pathlib import Path

KEEPER: Final = "keeper"
EARLIEST: Final = datetime(1990, 1, 1, tzinfo=UTC)
"""Before this a time is a slip of the hand: a camera without a battery writes 1980."""

_COLUMNS: Final = (
    "tank", "at", "offset_min", "kind", "pest", "seen", "taken", "means", "minutes", "brooding", "count",
    "stage", "cargo", "what", "source", "other", "batch", "judge", "remark", "smallest_mm", "largest_mm",
    "hatchlings",
)  # fmt: skip
_MEASURED: Final = ("minutes", *SIZES)
_TANK_COLUMNS: Final = ("name", "litres", "lives", "use")
_STAMP: Final = "%Y-%m-%dT%H:%M:%SZ"  # in the order of time also when sorted as text


@dataclass(frozen=True, slots=True)
class Change:
    """One row changed: what was done, by whom, and the row before and after.

    Parameters
    ----------
    step
        What was done together has one number, and is undone together.
    at, who
        When and by whom.
    is_of
        "tank" or "note".
    row
        The number of the tank or note.
    before, after
        The row's columns, None where there was or is none.
    is_undone
        True where it was taken back since.
    """

    step: int
    at: datetime
    who: str
    is_of: str
    row: int
    before: dict[str, Any] | None
    after: dict[str, Any] | None
    is_undone: bool


def _now() -> datetime:
    return datetime.now(UTC)


class TankLog:
    """The log of a data folder.

    Parameters
    ----------
    folder
        The data folder; made where it is missing.
    now
        Gives the time; replaced in tests.

    Raises
    ------
    StoreError, OutputError
        As `Database` does.
    """

    def __init__(self, folder: Path, *, now: Callable[[], datetime] = _now) -> None:
        self.folder = folder
        self.now = now
        self.database = Database(folder)

    def close(self) -> None:
        """Close the database."""
        self.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- tanks --------------------------------------------------------------------------------

    def tanks(self) -> list[Tank]:
        """Give every tank, by name."""
        rows = self.database.rows("SELECT id, name, litres, lives, use FROM tanks ORDER BY name")
        return [Tank(*row) for row in rows]

    def tank(self, name: str) -> Tank:
        """Give a tank by its name, whatever the case of its letters.

        Raises
        ------
        LogError
            If there is none; names the nearest one.
        """
        known = self.tanks()
        wanted = " ".join(name.split()).casefold()
        for tank in known:
            if tank.name.casefold() == wanted:
                return tank
        raise _unknown_tank(name, [tank.name for tank in known])

    def add_tank(
        self,
        name: str,
        *,
        litres: float | None = None,
        lives: str | None = None,
        use: str | None = None,
        who: str = KEEPER,
    ) -> Tank:
        """Add a tank.

        Raises
        ------
        LogError
            If the name is empty or taken, or the volume is no volume.
        """
        tank = _checked(Tank(0, require_tank_name(name), litres, lives, use))
        with self.database.atomic():
            self._require_free_name(tank)
            number = self._next_number("tank")
            self._write("tank", number, None, _tank_row(tank), step=self._next_step(), who=who)
        return replace(tank, id=number)

    def change_tank(self, which: str, /, *, who: str = KEEPER, **changed: Any) -> Tank:
        """Change a tank's `name`, `litres`, `lives` or `use`; its notes go with it.

        Raises
        ------
        LogError
            If there is no such tank, the new name is taken, or a value cannot be used.
        """
        with self.database.atomic():
            old = self.tank(which)
            if "name" in changed:
                changed["name"] = require_tank_name(changed["name"])
            new = _checked(replace(old, **changed))
            self._require_free_name(new)
            step = self._next_step()
            self._write("tank", old.id, _tank_row(old), _tank_row(new), step=step, who=who)
        return new

    # --- notes --------------------------------------------------------------------------------

    def notes(self, tank: str | None = None, *, since: datetime | None = None) -> list[Note]:
        """Give notes in the order of time: all, or those in which a tank has a part.

        Raises
        ------
        LogError
            If there is no such tank.
        """
        where = "1"
        parameters: list[Any] = []
        if tank is not None:
            number = self.tank(tank).id
            where, parameters = "(tank = ? OR other = ?)", [number, number]
        if since is not None:
            where += " AND at >= ?"
            parameters.append(_stamp(since))
        columns = ", ".join(_COLUMNS)
        sql = f"SELECT id, {columns} FROM tank_notes WHERE {where} ORDER BY at, id"  # noqa: S608  our names
        names = {each.id: each.name for each in self.tanks()}
        return [_note(row, names) for row in self.database.rows(sql, parameters)]

    def note(self, number: int) -> Note:
        """Give one note.

        Raises
        ------
        LogError
            If there is none of that number.
        """
        columns = ", ".join(_COLUMNS)
        sql = f"SELECT id, {columns} FROM tank_notes WHERE id = ?"  # noqa: S608  our names
        row = self.database.one(sql, (number,)) if 0 < number < 2**63 else None
        if row is None:
            message = f"The log has no note {number}."
            raise LogError(message, advice="See the numbers with: pestvision tank status NAME")
        return _note(row, {each.id: each.name for each in self.tanks()})

    def add(self, *notes: Note, who: str = KEEPER) -> list[Note]:
        """Write notes, all of them or none; give them as written, with their numbers.

        Raises
        ------
        LogError
            With one sentence on the first that cannot be kept; then none is.
        """
        with self.database.atomic():
            outcomes = self.add_each(notes, who=who)
            for outcome in outcomes:
                if isinstance(outcome, LogError):
                    raise outcome
        return [outcome for outcome in outcomes if isinstance(outcome, Note)]

    def add_each(self, notes: Sequence[Note], *, who: str = KEEPER) -> list[Note | LogError]:
        """Write the notes that can be kept, as one step; give each as written, or what is wrong with it."""
        outcomes: list[Note | LogError] = []
        with self.database.atomic():
            step = self._next_step()
            number = self._next_number("note")
            names = {tank.name.casefold(): tank for tank in self.tanks()}
            for note in notes:
                try:
                    ready = self._ready(note, names)
                    self._refuse_twins(ready, names)
                except LogError as error:
                    outcomes.append(error)
                    continue
                self._write("note", number, None, _note_row(ready, names), step=step, who=who)
                outcomes.append(replace(ready, id=number))
                number += 1
        return outcomes

    def change(self, number: int, *, who: str = KEEPER, **changed: Any) -> Note:
        """Change fields of a note; what it said before stays in its history.

        Raises
        ------
        LogError
            If there is no such note, or it would no longer make sense; then nothing is changed.
        """
        with self.database.atomic():
            old = self.note(number)
            names = {tank.name.casefold(): tank for tank in self.tanks()}
            new = self._ready(replace(old, **changed), names)
            if new != old:
                self._refuse_twins(new, names)
                before, after = _note_row(old, names), _note_row(new, names)
                self._write("note", number, before, after, step=self._next_step(), who=who)
        return new

    def remove(self, number: int, *, who: str = KEEPER) -> Note:
        """Take a note out of the log; its history stays, and `undo` brings it back.

        Raises
        ------
        LogError
            If there is no such note.
        """
        with self.database.atomic():
            old = self.note(number)
            names = {tank.name.casefold(): tank for tank in self.tanks()}
            step = self._next_step()
            self._write("note", number, _note_row(old, names), None, step=step, who=who)
        return old

    # --- history ------------------------------------------------------------------------------

    def history(self, number: int) -> list[Change]:
        """Give every change of a note, the oldest first."""
        return self._changes("WHERE is_of = 'note' AND row = ? ORDER BY id", (number,))

    def changes(self, *, limit: int = 20) -> list[Change]:
        """Give the last changes of the whole log, the newest first."""
        return self._changes("ORDER BY id DESC LIMIT ?", (limit,))

    def last_step(self) -> list[Change]:
        """Give what `undo` would take back, the last change first; nothing where there is nothing."""
        return self._changes(
            "WHERE step = (SELECT max(step) FROM tank_changes WHERE undone_at IS NULL) "
            "ORDER BY id DESC",
            (),
        )

    def mark(self) -> tuple[int, int]:
        """Give two numbers of which one is another as soon as anything in the log has changed."""
        row = self.database.one("SELECT coalesce(max(id), 0), count(undone_at) FROM tank_changes")
        return (int(row[0]), int(row[1])) if row else (0, 0)

    def notes_since(self, mark: tuple[int, int]) -> list[int] | None:
        """Give the numbers of the notes that were changed since a mark.

        None where a tank was changed or something was taken back: then all is to be read anew.
        """
        last, n_undone = mark
        row = self.database.one("SELECT count(undone_at) FROM tank_changes")
        if row is None or row[0] != n_undone:
            return None
        rows = self.database.rows(
            "SELECT DISTINCT is_of, row FROM tank_changes WHERE id > ?", (last,)
        )
        if any(is_of != "note" for is_of, _ in rows):
            return None
        return [number for _, number in rows]

    def undo(self) -> list[Change]:
        """Take the last step back, so that the log is as it was before; the step stays in the history.

        Gives what was taken back.

        Raises
        ------
        LogError
            If there is nothing to take back.
        """
        with self.database.atomic():
            row = self.database.one("SELECT max(step) FROM tank_changes WHERE undone_at IS NULL")
            if row is None or row[0] is None:
                message = "There is nothing in the log to take back."
                raise LogError(message, advice="See what is there with: pestvision tank status")
            undone = self._changes("WHERE step = ? ORDER BY id DESC", (row[0],))
            for change in undone:
                self._put(change.is_of, change.row, change.before)
            self.database.run(
                "UPDATE tank_changes SET undone_at = ? WHERE step = ?", (_stamp(self.now()), row[0])
            )
        return undone

    def _changes(self, which: str, parameters: Sequence[Any]) -> list[Change]:
        rows = self.database.rows(
            "SELECT step, at, who, is_of, row, before, after, undone_at "  # noqa: S608  our words
            f"FROM tank_changes {which}",
            parameters,
        )
        return [
            Change(
                step, datetime.fromisoformat(at), who, is_of, number,
                None if before is None else json.loads(before),
                None if after is None else json.loads(after),
                undone_at is not None,
            )
            for step, at, who, is_of, number, before, after, undone_at in rows
        ]  # fmt: skip

    # --- writing ------------------------------------------------------------------------------

    def _ready(self, note: Note, names: dict[str, Tank]) -> Note:
        """Give a note with its tanks' names as they are written in the log, made sure of."""
        note = replace(note, at=_whole_second(note))
        check_note(note, now=self.now())
        if note.at < EARLIEST:
            message = f"The note '{note.kind}' for {note.tank} is of {note.at:%Y-%m-%d}."
            raise LogError(message, advice="Give the day it was done; the log begins in 1990.")
        own = _known(note.tank, names)
        other = None if note.other is None else _known(note.other, names).name
        return replace(note, tank=own.name, other=other)

    def _refuse_twins(self, note: Note, names: dict[str, Tank]) -> None:
        """Refuse what stands there already, and a second move at the same second.

        Which of two moves came first decides which tanks are exposed.
        """
        row = _note_row(note, names)
        same = " AND ".join(f"{column} IS ?" for column in _COLUMNS if column != "offset_min")
        values = [row[column] for column in _COLUMNS if column != "offset_min"]
        sql = f"SELECT id FROM tank_notes WHERE {same} AND id <> ?"  # noqa: S608  our names
        twin = self.database.one(sql, (*values, note.id))
        if twin is not None:
            message = f"The note '{note.kind}' for {note.tank} of {note.at:%Y-%m-%d %H:%M} stands in the log already, as note {twin[0]}."
            raise TwinError(
                message, advice="Nothing was added; give another time if it was done twice."
            )
        if note.kind is not Kind.MOVED:
            return
        both = (row["tank"], row["other"])
        clash = self.database.one(
            "SELECT id FROM tank_notes WHERE kind = 'moved' AND at = ? AND id <> ? "
            "AND (tank IN (?, ?) OR other IN (?, ?))",
            (row["at"], note.id, *both, *both),
        )
        if clash is not None:
            message = (
                f"The move from {note.tank} to {note.other} has the same second, {note.at:%Y-%m-%d %H:%M:%S}, "
                f"as note {clash[0]}, so that nobody can tell which came first."
            )
            raise LogError(message, advice="Give the later one a later time, a second is enough.")

    def _require_free_name(self, tank: Tank) -> None:
        for other in self.tanks():
            if other.name.casefold() == tank.name.casefold() and other.id != tank.id:
                message = f"There is a tank {other.name} already."
                raise LogError(message, advice="Choose another name, or use that tank.")

    def _write(
        self,
        is_of: str,
        number: int,
        before: dict[str, Any] | None,
        after: dict[str, Any] | None,
        *,
        step: int,
        who: str,
    ) -> None:
        self._put(is_of, number, after)
        texts = [None if row is None else json.dumps(row) for row in (before, after)]
        self.database.run(
            "INSERT INTO tank_changes (step, at, who, is_of, row, before, after) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (step, _stamp(self.now()), who, is_of, number, *texts),
        )

    def _put(self, is_of: str, number: int, row: dict[str, Any] | None) -> None:
        """Make a row of the log be as given, or not be there."""
        table = "tanks" if is_of == "tank" else "tank_notes"
        if row is None:
            self.database.run(f"DELETE FROM {table} WHERE id = ?", (number,))  # noqa: S608  our names
            return
        columns = _TANK_COLUMNS if is_of == "tank" else _COLUMNS
        names, marks = ", ".join(columns), ", ".join("?" * len(columns))
        renewed = ", ".join(f"{column} = excluded.{column}" for column in columns)
        self.database.run(
            f"INSERT INTO {table} (id, {names}) VALUES (?, {marks}) "  # noqa: S608  our names
            f"ON CONFLICT (id) DO UPDATE SET {renewed}",
            # a change written by an older version says nothing of the columns that came since
            (number, *(row.get(column) for column in columns)),
        )

    def _next_step(self) -> int:
        row = self.database.one("SELECT coalesce(max(step), 0) + 1 FROM tank_changes")
        return int(row[0]) if row else 1

    def _next_number(self, is_of: str) -> int:
        """Give a number that no row ever had: a history belongs to one row alone."""
        sql = "SELECT coalesce(max(row), 0) + 1 FROM tank_changes WHERE is_of = ?"
        row = self.database.one(sql, (is_of,))
        return int(row[0]) if row else 1


class TwinError(LogError):
    """The same note stands in the log already."""


def _whole_second(note: Note) -> datetime:
    """Give a note's time to the second. One whose date leaves the calendar when turned to UTC is refused."""
    at = note.at.replace(microsecond=0)
    if at.tzinfo is not None:
        try:
            at.astimezone(UTC)
        except OverflowError as error:
            message = f"The note '{note.kind}' for {note.tank} is of the year {at.year}."
            raise LogError(message, advice="Give the day it was done.") from error
    return at


def _known(name: str, names: dict[str, Tank]) -> Tank:
    tank = names.get(" ".join(name.split()).casefold())
    if tank is None:
        raise _unknown_tank(name, [each.name for each in names.values()])
    return tank


def _unknown_tank(name: str, known: Iterable[str]) -> LogError:
    every = list(known)
    short = name.strip()[:60]
    message = f"There is no tank '{short}' in the log."
    near = difflib.get_close_matches(short, every, n=1, cutoff=0.5)
    if near:
        return LogError(message, advice=f"Did you mean {near[0]}?")
    have = f"There are: {', '.join(sorted(every))}. " if every else ""
    return LogError(message, advice=f"{have}Add one with: pestvision tank add NAME")


def _checked(tank: Tank) -> Tank:
    if tank.litres is not None and not 0 < tank.litres <= MAX_LITRES:
        message = f"{tank.litres:g} litres were given for {tank.name}."
        raise LogError(message, advice=f"Give more than 0 and at most {MAX_LITRES:.0f}.")
    for says, text in (("what lives in", tank.lives), ("the use of", tank.use)):
        if text is not None and (not text.strip() or len(text) > MAX_TEXT):
            message = f"The text for {says} {tank.name} is empty or too long."
            raise LogError(message, advice=f"Give 1 to {MAX_TEXT} characters.")
    return tank


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime(_STAMP)


def _tank_row(tank: Tank) -> dict[str, Any]:
    return {column: getattr(tank, column) for column in _TANK_COLUMNS}


def _note_row(note: Note, names: dict[str, Tank]) -> dict[str, Any]:
    offset = note.at.utcoffset() or timedelta(0)
    row: dict[str, Any] = {}
    for column in _COLUMNS:
        if column == "offset_min":
            row[column] = round(offset.total_seconds() / 60)
        elif column == "at":
            row[column] = _stamp(note.at)
        elif column in {"tank", "other"}:
            name = getattr(note, column)
            row[column] = None if name is None else names[name.casefold()].id
        elif column == "brooding":
            row[column] = int(note.brooding)
        elif column in _MEASURED:
            measured = getattr(note, column)
            row[column] = None if measured is None else float(measured)
        else:
            value = getattr(note, column)
            row[column] = str(value) if isinstance(value, str) else value
    return row


_ENUMS: Final[dict[str, type[StrEnum]]] = {
    "kind": Kind,
    "pest": Pest,
    "means": Means,
    "stage": Stage,
    "cargo": Cargo,
    "judge": Judge,
}


def _note(row: Sequence[Any], names: dict[int, str]) -> Note:
    values = dict(zip(("id", *_COLUMNS), row, strict=True))
    zone = timezone(timedelta(minutes=values.pop("offset_min")))
    values["at"] = datetime.fromisoformat(values["at"]).astimezone(zone)
    values["tank"] = names[values["tank"]]
    values["other"] = None if values["other"] is None else names[values["other"]]
    values["brooding"] = bool(values["brooding"])
    for column, kind in _ENUMS.items():
        if values[column] is not None:
            with suppress(ValueError):  # a word of a newer version is kept as it is
                values[column] = kind(values[column])
    return Note(**values)


FIELDS: Final = tuple(field.name for field in fields(Note) if field.name != "id")
"""The fields of a note, in the order in which tables show them."""
