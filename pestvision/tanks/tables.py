"""The log as tables: notes to CSV and back, row by row, so that a damaged row costs only itself."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pestvision.errors import LogError
from pestvision.storage.cells import plain_cell, safe_cell
from pestvision.tanks.log import FIELDS, TwinError
from pestvision.tanks.moments import moment_of
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest, Stage
from pestvision.tanks.size_rules import SIZES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime, tzinfo
    from enum import StrEnum
    from pathlib import Path

    from pestvision.tanks.log import TankLog
    from pestvision.tanks.records import Tank

NOTE_COLUMNS: Final = FIELDS
TANK_COLUMNS: Final = ("name", "litres", "lives", "use")
MAX_BYTES: Final = 64 * 2**20  # a thousand years of notes
_NEEDED: Final = ("tank", "at", "kind")
_WORDS: Final[dict[str, type[StrEnum]]] = {
    "kind": Kind,
    "pest": Pest,
    "means": Means,
    "stage": Stage,
    "cargo": Cargo,
    "judge": Judge,
}
_WHOLE: Final = ("seen", "taken", "count", "hatchlings")
_YES_NO: Final = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
_DELIMITERS: Final = (
    ",",
    ";",
    "\t",
)  # a spreadsheet writes the second where the comma is in numbers


@dataclass(frozen=True, slots=True)
class Row:
    """A row that could be read: the line it begins on, and its note."""

    line: int
    note: Note


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of a table of notes.

    Parameters
    ----------
    added
        The notes that are new in the log.
    n_known
        Rows that stand in the log already.
    complaints
        One sentence for each row that could not be kept.
    remarks
        What else is worth knowing: times of another zone.
    """

    added: tuple[Note, ...]
    n_known: int
    complaints: tuple[str, ...]
    remarks: tuple[str, ...]


def notes_csv(notes: Iterable[Note]) -> str:
    """Give notes as CSV (RFC 4180), times in ISO 8601 with their distance from UTC."""
    return _csv(
        NOTE_COLUMNS, ([_cell(getattr(note, name)) for name in NOTE_COLUMNS] for note in notes)
    )


def tanks_csv(tanks: Iterable[Tank]) -> str:
    """Give tanks as CSV (RFC 4180)."""
    return _csv(
        TANK_COLUMNS, ([_cell(getattr(tank, name)) for name in TANK_COLUMNS] for tank in tanks)
    )


def read_table(path: Path) -> str:
    """Read a table's file.

    Raises
    ------
    LogError
        If it cannot be read, is empty, too large, or no text.
    """
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= MAX_BYTES else b""
    except OSError as error:
        message = f"The table {path.name} cannot be read: {error.strerror or error}."
        raise LogError(message, advice="Give the path of a readable CSV file.") from error
    if size > MAX_BYTES:
        message = (
            f"{path.name} has {size / 2**20:.0f} MB, and a log has at most {MAX_BYTES / 2**20:.0f}."
        )
        raise LogError(message, advice="Give the table that was exported.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        message = f"{path.name} is no text in UTF-8."
        raise LogError(
            message, advice="Save the table as 'CSV UTF-8' and give that file."
        ) from error
    if not text.strip() or "\x00" in text:
        what = "is empty" if not text.strip() else "is no table of text"
        message = f"{path.name} {what}."
        raise LogError(message, advice="Give a CSV file such as pestvision tank export writes.")
    return text


def read_notes(
    text: str, *, now: datetime, zone: tzinfo | None = None
) -> tuple[list[Row], list[str]]:
    """Read notes from CSV; give the rows that could be read, and a sentence for each that could not.

    Columns may stand in any order and be left out where a note may leave them empty; comma, semicolon and
    tab are taken for what divides them.

    Raises
    ------
    LogError
        If the first line does not name the columns.
    """
    head = text.lstrip("\ufeff").split("\n", 1)[0]
    delimiter = max(_DELIMITERS, key=head.count)
    reader = csv.reader(io.StringIO(text.lstrip("\ufeff"), newline=""), delimiter=delimiter)
    rows: list[Row] = []
    complaints: list[str] = []
    columns: list[str] | None = None
    begins = 1
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            complaints.append(
                f"Line {begins}: the row is damaged ({error}). Correct it and import again."
            )
            begins = reader.line_num + 1
            continue
        if cells is None:
            break
        if columns is None:
            columns = _known_columns(cells)
        elif any(cell.strip() for cell in cells):
            try:
                rows.append(Row(begins, _read_note(cells, columns, now=now, zone=zone)))
            except LogError as error:
                complaints.append(f"Line {begins}: {error.sentence()}")
        begins = reader.line_num + 1
    return rows, complaints


def take_notes(log: TankLog, text: str, *, who: str, zone: tzinfo | None = None) -> Taken:
    """Write the notes of a CSV table into the log, as one step that can be undone.

    Raises
    ------
    LogError
        If the first line does not name the columns.
    """
    now = log.now()
    rows, complaints = read_notes(text, now=now, zone=zone)
    outcomes = log.add_each([row.note for row in rows], who=who)
    added, n_known = [], 0
    for row, outcome in zip(rows, outcomes, strict=True):
        if isinstance(outcome, Note):
            added.append(outcome)
        elif isinstance(outcome, TwinError):
            n_known += 1
        else:
            complaints.append(f"Line {row.line}: {outcome.sentence()}")
    return Taken(tuple(added), n_known, tuple(complaints), _remarks(added, now, zone))


def _remarks(added: Sequence[Note], now: datetime, zone: tzinfo | None) -> tuple[str, ...]:
    foreign = [note for note in added if _is_foreign(note.at, zone)]
    if not foreign:
        return ()
    offsets = sorted({f"{note.at:%z}" for note in foreign})
    return (
        (
            f"{len(foreign)} of the notes are written in another time zone ({', '.join(offsets)} from UTC; here "
            f"it is {now.astimezone(zone):%z}); they keep their own time, and are in order with the rest."
        ),
    )


def _is_foreign(at: datetime, zone: tzinfo | None) -> bool:
    here = at.astimezone(zone)
    return here.utcoffset() != at.utcoffset()


def _known_columns(cells: list[str]) -> list[str]:
    columns = [cell.strip().casefold() for cell in cells]
    missing = [name for name in _NEEDED if name not in columns]
    unknown = [name for name in columns if name not in NOTE_COLUMNS]
    if missing or unknown:
        wrong = (
            f"lacks the column '{missing[0]}'"
            if missing
            else f"has an unknown column '{unknown[0][:40]}'"
        )
        message = f"The first line of the table {wrong}."
        raise LogError(message, advice=f"Known are: {', '.join(NOTE_COLUMNS)}.")
    if len(set(columns)) < len(columns):
        message = "The first line of the table names a column twice."
        raise LogError(message, advice="Leave one of the two out.")
    return columns


def _read_note(cells: list[str], columns: list[str], *, now: datetime, zone: tzinfo | None) -> Note:
    if len(cells) != len(columns):
        message = f"The row has {len(cells)} cells, and {len(columns)} were expected."
        raise LogError(message, advice="Correct it and import again; the other rows were kept.")
    values: dict[str, Any] = {}
    for name, cell in zip(columns, cells, strict=True):
        text = plain_cell(cell.strip())
        if text:
            values[name] = _value(name, text, now=now, zone=zone)
    for name in _NEEDED:
        if name not in values:
            message = f"The row has nothing under '{name}'."
            raise LogError(message, advice="Fill it in and import again; the other rows were kept.")
    return Note(**values)


def _value(name: str, text: str, *, now: datetime, zone: tzinfo | None) -> Any:
    if name == "at":
        return moment_of(text, now=now, zone=zone)
    if name in _WORDS:
        return word_of(name, text)
    if name in _WHOLE:
        return whole_of(name, text)
    if name == "minutes":
        return minutes_of(text)
    if name in SIZES:
        return millimetres_of(name, text)
    if name == "brooding":
        if text.casefold() not in _YES_NO:
            message = f"'{text[:40]}' stands under 'brooding'."
            raise LogError(message, advice="Write yes or no.")
        return _YES_NO[text.casefold()]
    return text


def word_of(name: str, text: str) -> StrEnum:
    """Read one of the words a field may hold.

    Raises
    ------
    LogError
        If it is none of them; names them.
    """
    kind = _WORDS[name]
    try:
        return kind(text.strip().casefold())
    except ValueError as error:
        message = f"'{text[:40]}' was given for '{name}'."
        raise LogError(message, advice=f"Known are: {', '.join(kind)}.") from error


def whole_of(name: str, text: str) -> int:
    """Read a whole number; what numbers a field may hold is the note's own rule.

    Raises
    ------
    LogError
        If it is none: "a few", "12 pcs", "3.5".
    """
    try:
        if len(text) > 12:
            raise ValueError
        return int(text)
    except ValueError as error:
        message = f"'{text[:40]}' was given for '{name}', and a whole number was expected."
        raise LogError(message, advice="Give the number alone, without a unit.") from error


def minutes_of(text: str) -> float:
    """Read minutes.

    Raises
    ------
    LogError
        If it is no number: a unit such as "1 h" is not known.
    """
    return _number(text, "minutes", advice="Give minutes alone, without a unit: an hour is 60.")


def millimetres_of(name: str, text: str) -> float:
    """Read a length in millimetres.

    Raises
    ------
    LogError
        If it is no number: a unit such as "2 cm" is not known.
    """
    return _number(text, name, advice="Give millimetres alone, without a unit: a centimetre is 10.")


def _number(text: str, name: str, *, advice: str) -> float:
    try:
        number = float(text.replace(",", "."))
    except ValueError as error:
        message = f"'{text[:40]}' was given for '{name}', and a number was expected."
        raise LogError(message, advice=advice) from error
    if not math.isfinite(number):
        message = f"'{text[:40]}' was given for '{name}', and a number was expected."
        raise LogError(message, advice=advice)
    return number


def _cell(value: Any) -> str | int | float | None:
    if isinstance(value, bool):
        return "yes" if value else None
    if hasattr(value, "isoformat"):
        return str(value.isoformat())
    if isinstance(value, str):
        return safe_cell(str(value))
    return value  # type: ignore[no-any-return]


def _csv(columns: Sequence[str], rows: Iterable[Sequence[str | int | float | None]]) -> str:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return stream.getvalue()
