"""The time line of one tank as a picture: what was seen and done, row by row, up to two years back."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from pestvision.report.log_marks import LETTER, LINE, WIDTH, anchor_of, date_ticks, mark_path
from pestvision.report.moments import span_of_days
from pestvision.report.templating import template
from pestvision.tanks.nights import night_of
from pestvision.tanks.records import Judge, Kind, Note, Pest

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

LONGEST: Final = timedelta(days=731)
SHORTEST: Final = timedelta(days=6)  # a week: fewer days look as if much had happened
STEPS_DAYS: Final = (1, 2, 3, 7, 14, 28)  # that one mark may stand for
LEFT: Final = 262.0  # room for the words of a row
EDGE: Final = 14.0
ROW: Final = 36.0
MAX_MARKS: Final = 27  # in a row; more than that touch
LEAST_SHARE: Final = 0.45  # of the largest mark of a row: smaller ones are overlooked
MOST_RADIUS: Final = 12.0


@dataclass(frozen=True, slots=True)
class RowKind:
    """One kind of row: its name, its mark, and how its notes are added up.

    `adds` is `sum` for animals, `most` for the most at one look, `times` for how often.
    """

    name: str
    says: str
    shape: str
    is_filled: bool
    adds: str


ROWS: Final = (
    RowKind("seen", "seen, most {}", "circle", True, "most"),
    RowKind("clean", "clean looks {}", "circle", False, "times"),
    RowKind("taken", "taken out {}", "down", True, "sum"),
    RowKind("tool", "read by tool {}", "diamond", False, "times"),
    RowKind("died", "died {}", "cross", False, "sum"),
    RowKind("in", "put in {}×", "up", True, "times"),
    RowKind("away", "moved, sold {}×", "right", True, "times"),
    RowKind("treated", "treated {}×", "square", True, "times"),
    RowKind("cleaned", "cleaned {}×", "square", False, "times"),
    RowKind("emptied", "emptied {}×", "diamond", True, "times"),
)
"""From top to bottom. A row's words are its legend: they stand beside its mark."""


@dataclass(frozen=True, slots=True)
class LineRow:
    """A row as it is drawn: its words, the key beside them, and its marks as path data."""

    name: str
    words: str
    is_filled: bool
    y: float
    key: str
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LogLine:
    """A time line as it is drawn; `step_days` is how many days one mark may stand for."""

    title: str
    says: str
    rows: tuple[LineRow, ...]
    ticks: tuple[tuple[float, str, str], ...]
    step_days: int
    height: float
    note: str


def log_line(
    notes: Iterable[Note], tank: str, *, until: date, pest: Pest = Pest.LEECH
) -> LogLine | None:
    """Lay out the time line of a tank, or give None where nothing was noted in the last two years.

    Parameters
    ----------
    notes
        Notes of any tanks, in any order.
    tank
        The tank's name.
    until
        The last day shown, today as a rule.
    pest
        Which animal the looks are for.
    """
    events = [
        (name, day, count)
        for note in notes
        for name, count in _events(note, tank, pest)
        if until - LONGEST <= (day := night_of(note)) <= until
    ]
    if not events:
        return None
    first = min(*(day for _name, day, _count in events), until - SHORTEST)
    span = (until - first).days + 1
    step = next((days for days in STEPS_DAYS if span / days <= MAX_MARKS), STEPS_DAYS[-1])
    kinds = [kind for kind in ROWS if any(name == kind.name for name, _day, _count in events)]
    reach = (WIDTH - LEFT - EDGE) / (-(-span // step))
    rows = tuple(
        _row(kind, events, first=first, step=step, y=ROW * (rank + 0.5), reach=reach)
        for rank, kind in enumerate(kinds)
    )
    day_width = reach / step
    return LogLine(
        title=f"Time line of tank {tank}, {span_of_days(first, until)}",
        says=f"{'; '.join(row.words for row in rows)}.",
        rows=rows,
        ticks=tuple(
            (x, anchor_of(x, LETTER * len(words)), words)
            for day, words in date_ticks(first, until)
            if (x := LEFT + day_width * ((day - first).days + 0.5)) <= WIDTH - EDGE
        ),
        step_days=step,
        height=ROW * len(rows) + LINE + 12,
        note=_note(step),
    )


def log_line_svg(line: LogLine, *, anchor: str = "log-line") -> str:
    """Draw a time line as a piece of HTML with the picture in it.

    Parameters
    ----------
    line
        From `log_line`.
    anchor
        Begins the ids in it; another one for each picture of a page.
    """
    return template("log_line.svg.j2").render(
        line=line, anchor=anchor, width=WIDTH, left=LEFT, row_height=ROW
    )


def _events(note: Note, tank: str, pest: Pest) -> list[tuple[str, int]]:
    """Give the rows in which a note has a mark, each with its count; the name of a row comes first."""
    if note.tank != tank:
        return [("in", 1)] if note.other == tank else []
    if note.kind in {Kind.LOOKED, Kind.REMOVED}:
        return _looks(note) if note.pest is pest else []
    if note.kind is Kind.DIED:
        return [("died", note.count or 1)]
    if note.kind in _ROW_OF:
        return [(_ROW_OF[note.kind], 1)]
    return []


def _looks(note: Note) -> list[tuple[str, int]]:
    if note.judge is Judge.TOOL:
        return [("tool", 1)]
    found = [("taken", note.taken)] if note.taken else []
    if note.kind is Kind.LOOKED:
        found.append(("seen", note.seen) if note.seen else ("clean", 1))
    return found


_ROW_OF: Final[dict[str, str]] = {
    Kind.ADDED: "in",
    Kind.RESTOCKED: "in",
    Kind.MOVED: "away",
    Kind.SOLD: "away",
    Kind.TREATED: "treated",
    Kind.CLEANED: "cleaned",
    Kind.EMPTIED: "emptied",
}


def _row(
    kind: RowKind,
    events: Sequence[tuple[str, date, int]],
    *,
    first: date,
    step: int,
    y: float,
    reach: float,
) -> LineRow:
    """Lay out one row: notes of `step` days share a mark, the larger the more there were."""
    add = max if kind.adds == "most" else sum
    counts: dict[int, list[int]] = defaultdict(list)
    for name, day, count in events:
        if name == kind.name:
            counts[(day - first).days // step].append(count)
    added = {rank: add(found) for rank, found in counts.items()}
    highest = max(added.values())
    most = min(MOST_RADIUS, reach * 0.5)
    marks = tuple(
        mark_path(
            kind.shape,
            LEFT + reach * (rank + 0.5),
            y,
            most * max(LEAST_SHARE, (count / highest) ** 0.5),
        )
        for rank, count in sorted(added.items())
    )
    key = mark_path(kind.shape, LEFT - 26, y, 9.0)
    words = kind.says.format(add(added.values()))
    return LineRow(kind.name, words, kind.is_filled, y, key, marks)


def _note(step: int) -> str:
    several = "" if step == 1 else f" Each mark stands for up to {step} days."
    return f"The larger a mark, the more.{several}"
