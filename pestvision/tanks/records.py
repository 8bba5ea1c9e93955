"""What the log is made of: tanks, dated notes, and nights as the arithmetic sees them.

A note is one thing done or seen at one time in one tank. Which of its fields may be filled depends on its
kind; `check_note` holds that, for every way a note can come in.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from pestvision.errors import LogError, ShapeError
from pestvision.tanks.size_rules import wrong_sizes

if TYPE_CHECKING:
    from datetime import date, datetime

MAX_COUNT: Final = 100_000  # snails or leeches in one note; more is a slip of the hand
MAX_MINUTES: Final = 24 * 60.0
MAX_LITRES: Final = 100_000.0
MAX_NAME: Final = 60  # characters of a tank's or a batch's name
MAX_TEXT: Final = 500  # characters of a remark


class Kind(StrEnum):
    """What a note tells of."""

    LOOKED = "looked"
    REMOVED = "removed"
    DIED = "died"
    ADDED = "added"
    MOVED = "moved"
    TREATED = "treated"
    CLEANED = "cleaned"
    EMPTIED = "emptied"
    RESTOCKED = "restocked"
    SOLD = "sold"


class Means(StrEnum):
    """How a tank was looked at."""

    EYE = "eye"  # by torch at night, or by day
    PHOTO = "photo"
    TRAP = "trap"  # a bait trap, left in and taken out


class Pest(StrEnum):
    """What was looked for; named as it looks, not as a species."""

    LEECH = "leech-like"
    FLATWORM = "flatworm-like"


class Stage(StrEnum):
    """How grown the snails were that died: hatchlings and juveniles go first."""

    HATCHLING = "hatchling"
    JUVENILE = "juvenile"
    ADULT = "adult"
    UNKNOWN = "unknown"


class Cargo(StrEnum):
    """What was put into a tank, or carried to another one."""

    ANIMALS = "animals"
    PLANTS = "plants"
    STONES = "stones"
    WATER = "water"
    FOOD = "food"
    WILD = "wild finds"
    TOOLS = "tools"


class Judge(StrEnum):
    """Who says what was seen."""

    KEEPER = "keeper"
    TOOL = "tool"  # the net's reading of photos that nobody has looked at since


@dataclass(frozen=True, slots=True)
class Tank:
    """A tank.

    Parameters
    ----------
    id
        Its number in the log.
    name
        Its name, unique whatever the case of its letters.
    litres
        Volume in litres, None where it is not known.
    lives
        What lives in it, in the keeper's words.
    use
        What it is for, in the trade's words: breeding, grow-out, display, quarantine.
    """

    id: int
    name: str
    litres: float | None = None
    lives: str | None = None
    use: str | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """One thing done or seen, at one time, in one tank.

    Parameters
    ----------
    tank
        The tank's name; of a move, the tank it left.
    at
        When, with its offset from UTC.
    kind
        What the note tells of.
    pest
        What was looked for or taken out; of other notes None.
    seen
        Of a look: how many were seen, 0 for a clean one.
    taken
        Of a look or a removal: how many were taken out; they are among those seen.
    means, minutes
        Of a look: how, and how long in minutes (None where nobody timed it).
    brooding
        Of a look or a removal: one of them carried eggs or young under its body.
    smallest_mm, largest_mm
        Of a look or a removal: how long the smallest and the largest were, in millimetres; None where
        nobody measured.
    hatchlings
        Of a look or a removal: how many of them were young ones of hatchling size, None where nobody
        looked for that.
    count
        Of deaths, additions, moves and sales: how many; None where they were not counted. Of a look at a
        quarantine batch: how many of its animals were looked at, None for all.
    stage
        Of deaths: how grown the snails were.
    cargo
        Of additions and moves: what kind of thing.
    what
        Of additions, moves, sales, removals and treatments: which, in the keeper's words.
    source
        Of additions: where they are from.
    other
        Of a move: the tank it went to.
    batch
        The quarantine batch it belongs to.
    judge
        Who says what was seen.
    remark
        Anything else.
    id
        The note's number in the log, 0 before it is written.
    """

    tank: str
    at: datetime
    kind: Kind
    pest: Pest | None = None
    seen: int | None = None
    taken: int | None = None
    means: Means | None = None
    minutes: float | None = None
    brooding: bool = False
    smallest_mm: float | None = None
    largest_mm: float | None = None
    hatchlings: int | None = None
    count: int | None = None
    stage: Stage | None = None
    cargo: Cargo | None = None
    what: str | None = None
    source: str | None = None
    other: str | None = None
    batch: str | None = None
    judge: Judge = Judge.KEEPER
    remark: str | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class Night:
    """All looks and removals of one tank in one night, as the arithmetic sees them.

    A night goes from noon to noon in the keeper's own time, and is named by the day it began on.

    Parameters
    ----------
    day
        The day on whose evening it began.
    seen
        Most seen at one look of the night, at least what was taken.
    taken
        Taken out in the whole night.
    effort
        Search effort; 1 is one usual look. Over 0.
    is_timed
        False where no minutes were written and a usual look was taken for granted.
    is_look
        False where something was taken out without a look: a find, but no look that could be clean.
    brooding
        One of those seen or taken carried eggs or young.
    means
        How it was looked at, the chief one first; empty where there was no look.
    """

    day: date
    seen: int
    taken: int
    effort: float = 1.0
    is_timed: bool = True
    is_look: bool = True
    brooding: bool = False
    means: tuple[Means, ...] = (Means.EYE,)

    def __post_init__(self) -> None:
        if not 0 <= self.taken <= self.seen or not self.effort > 0:
            raise ShapeError(
                "Night",
                expected="0 <= taken <= seen, effort > 0",
                actual=f"taken {self.taken}, seen {self.seen}, effort {self.effort}",
            )


_OF_SIZE: Final = ("smallest_mm", "largest_mm", "hatchlings")
_FIELDS_OF: Final[dict[Kind, frozenset[str]]] = {
    Kind.LOOKED: frozenset(
        {"pest", "seen", "taken", "means", "minutes", "brooding", "judge", "count", *_OF_SIZE}
    ),
    Kind.REMOVED: frozenset({"pest", "taken", "brooding", "what", *_OF_SIZE}),
    Kind.DIED: frozenset({"count", "stage", "what"}),
    Kind.ADDED: frozenset({"count", "cargo", "what", "source"}),
    Kind.MOVED: frozenset({"count", "cargo", "what", "other"}),
    Kind.TREATED: frozenset({"what"}),
    Kind.CLEANED: frozenset({"what"}),
    Kind.EMPTIED: frozenset(),
    Kind.RESTOCKED: frozenset({"count", "what"}),
    Kind.SOLD: frozenset({"count", "what"}),
}
"""Which fields a note of each kind may fill, beside tank, time, batch and remark."""

_NEEDED: Final[dict[Kind, tuple[str, ...]]] = {
    Kind.LOOKED: ("pest", "seen", "means"),
    Kind.REMOVED: ("pest", "taken"),
    Kind.DIED: ("count", "stage"),
    Kind.ADDED: ("cargo",),
    Kind.MOVED: ("cargo", "other"),
    Kind.TREATED: ("what",),
    Kind.CLEANED: (),
    Kind.EMPTIED: (),
    Kind.RESTOCKED: (),
    Kind.SOLD: (),
}

SAYS: Final[dict[str, str]] = {
    "pest": "what was looked for",
    "seen": "how many were seen",
    "taken": "how many were taken out",
    "means": "how it was looked",
    "minutes": "how many minutes were spent",
    "brooding": "whether one carried eggs or young",
    "smallest_mm": "how long the smallest was",
    "largest_mm": "how long the largest was",
    "hatchlings": "how many were of hatchling size",
    "count": "how many there were",
    "stage": "how grown the snails were",
    "cargo": "what kind of thing it was",
    "what": "what it was",
    "source": "where it is from",
    "other": "which tank it went to",
    "batch": "which batch it belongs to",
    "judge": "who says what was seen",
    "remark": "a remark",
}
"""The fields of a note in words, for messages."""


def fields_of(kind: Kind) -> frozenset[str]:
    """Give the fields that a note of a kind may fill, beside tank, time, batch and remark."""
    return _FIELDS_OF[kind]


def check_note(note: Note, *, now: datetime) -> None:
    """Make sure that a note makes sense by itself.

    Raises
    ------
    LogError
        With one sentence on the first thing that is wrong: a time without its offset or in the future, a
        negative or huge count, more taken than seen, a length that no animal has, a field that does not go
        with the kind or is missing.
    """
    if note.at.tzinfo is None:
        _refuse(
            note,
            "its time does not say how far it is from UTC",
            "Write it like 2026-03-14T21:30+01:00.",
        )
    if note.at > now:
        _refuse(
            note,
            f"its time {note.at:%Y-%m-%d %H:%M} is in the future",
            "Give the time it was done.",
        )
    for name in ("seen", "taken", "count", "hatchlings"):
        _check_count(note, name)
    if note.minutes is not None and not 0 < note.minutes <= MAX_MINUTES:
        _refuse(
            note,
            f"{note.minutes:g} minutes were given",
            "Give more than 0 and at most a day's 1440.",
        )
    for name in ("what", "source", "remark", "batch", "other"):
        _check_text(note, name)
    allowed = _FIELDS_OF[note.kind]
    for name, says in SAYS.items():
        value = getattr(note, name)
        is_usual = value is None or value is False or value is Judge.KEEPER
        if not is_usual and name not in allowed and name not in {"batch", "remark"}:
            _refuse(
                note, f"it says {says}, which does not go with '{note.kind}'", "Leave that out."
            )
    for name in _NEEDED[note.kind]:
        if getattr(note, name) is None:
            _refuse(note, f"it does not say {SAYS[name]}", "Add that.")
    if note.kind is Kind.LOOKED and (note.taken or 0) > (note.seen or 0):
        _refuse(
            note,
            f"{note.taken} were taken out and {note.seen} seen",
            "Those taken out are among those seen: give the larger number as seen.",
        )
    if (wrong := wrong_sizes(note)) is not None:
        _refuse(note, *wrong)
    if note.kind is Kind.LOOKED and note.count is not None and note.batch is None:
        _refuse(
            note,
            f"it says {note.count} animals were looked at and names no batch",
            "Name the batch they belong to, or leave the count out.",
        )
    if (
        note.kind is Kind.MOVED
        and note.other is not None
        and note.other.casefold() == note.tank.casefold()
    ):
        _refuse(note, "it moves something to the tank it is in", "Name the other tank.")


def require_tank_name(name: str) -> str:
    """Give a tank's name without blanks around it.

    Raises
    ------
    LogError
        If it is empty, too long, or holds a line break.
    """
    short = " ".join(name.split())
    if not short or len(short) > MAX_NAME or not short.isprintable():
        message = f"'{short[:MAX_NAME]}' was given as a tank's name."
        raise LogError(message, advice=f"Give 1 to {MAX_NAME} letters, digits and blanks.")
    return short


def _check_count(note: Note, name: str) -> None:
    value = getattr(note, name)
    least = 1 if name == "count" or (name == "taken" and note.kind is Kind.REMOVED) else 0
    if value is not None and not least <= value <= MAX_COUNT:
        _refuse(
            note,
            f"{value} was given for {SAYS[name]}",
            f"Give a whole number from {least} to {MAX_COUNT}.",
        )


def _check_text(note: Note, name: str) -> None:
    value = getattr(note, name)
    longest = MAX_NAME if name in {"batch", "other"} else MAX_TEXT
    if value is not None and (not value.strip() or len(value) > longest):
        _refuse(
            note,
            f"the text for {SAYS[name]} is empty or too long",
            f"Give 1 to {longest} characters.",
        )


def _refuse(note: Note, wrong: str, advice: str) -> None:
    message = f"The note '{note.kind}' for {note.tank} cannot be kept: {wrong}."
    raise LogError(message, advice=advice)
