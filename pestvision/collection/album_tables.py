"""The three tables of an album that is handed on: their columns, and their way to a file and back.

The columns stand here once. The schema beside the files is made of them, and what is read is held
against them.
"""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from pestvision.collection.records import LABEL_VALUES
from pestvision.errors import PersonError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Kind: TypeAlias = Literal["string", "integer", "number", "boolean"]
Value: TypeAlias = str | int | float | bool | None

SHA256: Final = "[0-9a-f]{64}"
STAMP: Final = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z"
"""A moment as `pestvision.collection.records.stamp` gives it."""
_KEY: Final = "[0-9A-Za-z_-]{1,64}"
_NUMBERS: Final[dict[str, type[int | float]]] = {"integer": int, "number": float}
_TRUTH: Final = {"true": True, "false": False}
_NOT_CHANGED: Final = "Nothing was changed. Have it exported again."


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name, what it is about, and what its values must be.

    `pattern` is what the whole of a text must match; `values` those it may take; `least` and `most` the
    bounds of a number. A value that is not known is an empty cell; `is_needed` forbids that.
    """

    name: str
    kind: Kind
    about: str
    is_needed: bool = True
    is_unique: bool = False
    pattern: str | None = None
    values: tuple[str, ...] = ()
    least: float | None = None
    most: float | None = None

    def as_field(self) -> dict[str, Any]:
        """Give it as a field of a Table Schema."""
        limits: dict[str, Any] = {}
        if self.is_needed:
            limits["required"] = True
        if self.is_unique:
            limits["unique"] = True
        if self.pattern is not None:
            limits["pattern"] = self.pattern
        if self.values:
            limits["enum"] = list(self.values)
        if self.least is not None:
            limits["minimum"] = self.least
        if self.most is not None:
            limits["maximum"] = self.most
        field: dict[str, Any] = {"name": self.name, "type": self.kind, "description": self.about}
        return field | ({"constraints": limits} if limits else {})

    def read(self, text: str) -> Value:
        """Read a cell.

        Raises
        ------
        ValueError
            If it is not what the column holds; says what it should be.
        """
        if not text:
            if self.is_needed:
                raise ValueError("a value is missing")
            return None
        if self.kind == "boolean":
            if text not in _TRUTH:
                raise ValueError("true or false was expected")
            return _TRUTH[text]
        if self.kind == "string":
            self._check_text(text)
            return text
        try:
            number = _NUMBERS[self.kind](text)
        except ValueError:
            raise ValueError("a number was expected") from None
        self._check_number(number)
        return number

    def _check_text(self, text: str) -> None:
        if any(
            "\ud800" <= sign <= "\udfff" for sign in text
        ):  # halves of a letter, as JSON may hold
            raise ValueError("it is no text")
        if self.pattern is not None and not re.fullmatch(self.pattern, text):
            raise ValueError("the form is wrong")
        if self.values and text not in self.values:
            raise ValueError(f"one of {', '.join(self.values)} was expected")

    def _check_number(self, number: float) -> None:
        if not math.isfinite(number):
            raise ValueError("a number was expected")
        if self.least is not None and number < self.least:
            raise ValueError(f"{self.least:g} or more was expected")
        if self.most is not None and number > self.most:
            raise ValueError(f"{self.most:g} or less was expected")


@dataclass(frozen=True, slots=True)
class Table:
    """A table: its name, its columns, the one that names a row, and what another points at."""

    name: str
    about: str
    columns: tuple[Column, ...]
    key: str
    points_at: tuple[str, str, str] | None = None
    """`(column, table, column there)`."""

    @property
    def file(self) -> str:
        """The name of its file."""
        return f"{self.name}.csv"

    def as_schema(self) -> dict[str, Any]:
        """Give it as a Table Schema."""
        schema: dict[str, Any] = {
            "fields": [column.as_field() for column in self.columns],
            "missingValues": [""],
            "primaryKey": [self.key],
        }
        if self.points_at is not None:
            own, table, other = self.points_at
            reference = {"resource": table, "fields": [other]}
            schema["foreignKeys"] = [{"fields": [own], "reference": reference}]
        return schema


PHOTOS = Table(
    "photos",
    "The photos, upright, without anything in their files but the picture.",
    (
        Column("sha256", "string", "SHA-256 of the stored file.", is_unique=True, pattern=SHA256),
        Column("file", "string", "The stored file, within this folder.", is_unique=True),
        Column("name", "string", "File name as the photo came.", is_needed=False),
        Column("width", "integer", "Pixels of the upright photo.", least=1),
        Column("height", "integer", "Pixels of the upright photo.", least=1),
        Column("taken", "string", "When, ISO 8601, by the camera's clock.", is_needed=False),
        Column("tank", "string", "The tank it shows.", is_needed=False),
        Column("camera", "string", "The camera's model.", is_needed=False),
        Column("source", "string", "Where the photo came from.", is_needed=False),
    ),
    "sha256",
)
CROPS = Table(
    "crops",
    "Boxes on the photos, each a thing that was labelled or may be.",
    (
        Column("key", "string", "Name in every album.", is_unique=True, pattern=_KEY),
        Column("photo", "string", "SHA-256 of its photo.", pattern=SHA256),
        Column("x0", "number", "Left edge, pixels of the upright photo."),
        Column("y0", "number", "Top edge."),
        Column("x1", "number", "Right edge, exclusive."),
        Column("y1", "number", "Bottom edge, exclusive."),
        Column(
            "label",
            "string",
            "What all persons agree on; empty where nobody labelled it or they disagree.",
            is_needed=False,
            values=LABEL_VALUES,
        ),
        Column("is_disputed", "boolean", "Whether persons disagree on its group."),
        Column("alike", "string", "Key that crops which look alike share.", pattern=_KEY),
    ),
    "key",
    ("photo", "photos", "sha256"),
)
LABELS = Table(
    "labels",
    "Every label that a crop was ever given, by a person or a net, also those taken back.",
    (
        Column("key", "string", "Name in every album.", is_unique=True, pattern=_KEY),
        Column("crop", "string", "Key of the crop.", pattern=_KEY),
        Column("label", "string", "A group, a class, or “I don't know”.", values=LABEL_VALUES),
        Column("who", "string", "The person, or the net."),
        Column("kind", "string", "A person's label or a net's.", values=("person", "net")),
        Column("at", "string", "When, UTC.", pattern=STAMP),
        Column("model", "string", "Of a net's label: which net.", is_needed=False),
        Column(
            "confidence",
            "number",
            "Of a net's label: its calibrated probability.",
            is_needed=False,
            least=0,
            most=1,
        ),
        Column("settles", "boolean", "Whether it was given to settle a dispute."),
        Column("withdrawn_at", "string", "When it was taken back.", False, pattern=STAMP),
    ),
    "key",
    ("crop", "crops", "key"),
)
TABLES: tuple[Table, ...] = (PHOTOS, CROPS, LABELS)


def written(table: Table, rows: Iterable[Sequence[Value]]) -> bytes:
    """Give a table as the bytes of a CSV file (RFC 4180, UTF-8, lines end with CR LF)."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow([column.name for column in table.columns])
    writer.writerows([as_cell(value) for value in row] for row in rows)
    return stream.getvalue().encode()


def as_cell(value: Value) -> str:
    """Give a value as the text of a cell; what is not known is empty."""
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def read_cells(data: bytes, file: str) -> list[tuple[int, list[str]]]:
    """Read a CSV file: the number of the line where each row ends, and its cells.

    Raises
    ------
    PersonError
        If it is not UTF-8 or no CSV.
    """
    try:
        text = data.decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        return [(reader.line_num, row) for row in reader if row]
    except UnicodeDecodeError as error:
        message = f"{file} is not written in UTF-8."
        raise PersonError(message, advice="Save it as “CSV UTF-8” and give that.") from error
    except csv.Error as error:
        message = f"{file} is no table of comma-separated values: {error}."
        raise PersonError(message, advice="Save it as “CSV UTF-8” and give that.") from error


def read_table(table: Table, data: bytes) -> list[dict[str, Any]]:
    """Read a table back; every value is of its column's kind.

    Raises
    ------
    PersonError
        If the file is not what `written` gives: says where and what.
    """
    lines = read_cells(data, table.file)
    names = [column.name for column in table.columns]
    if not lines or lines[0][1] != names:
        message = f"{table.file} does not begin with the columns {', '.join(names)}."
        raise PersonError(message, advice=_NOT_CHANGED)
    rows = []
    seen = set()
    for number, cells in lines[1:]:
        row = _row(table, number, cells)
        if row[table.key] in seen:
            message = f"Line {number} of {table.file} repeats the {table.key} of another."
            raise PersonError(message, advice=_NOT_CHANGED)
        seen.add(row[table.key])
        rows.append(row)
    return rows


def _row(table: Table, number: int, cells: list[str]) -> dict[str, Any]:
    if len(cells) != len(table.columns):
        message = (
            f"Line {number} of {table.file} has {len(cells)} values, "
            f"and {len(table.columns)} were expected."
        )
        raise PersonError(message, advice=_NOT_CHANGED)
    row = {}
    for column, text in zip(table.columns, cells, strict=True):
        try:
            row[column.name] = column.read(text)
        except ValueError as error:
            message = f"Line {number} of {table.file}, {column.name}: {error}."
            raise PersonError(message, advice=_NOT_CHANGED) from error
    return row
