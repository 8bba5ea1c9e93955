"""What the commands of the log print: records in, lines of text out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pestvision.cli.text import printable
from pestvision.tanks.words import said, told_beside

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pestvision.tanks.log import Change
    from pestvision.tanks.records import Note, Tank
    from pestvision.tanks.tables import Taken


def tank_text(tank: Tank) -> str:
    """Give a tank in one line."""
    about = [
        None if tank.litres is None else f"{tank.litres:g} litres",
        tank.use,
        tank.lives,
    ]
    told = ", ".join(item for item in about if item)
    return printable(tank.name + (f" ({told})" if told else ""))


def note_text(note: Note) -> str:
    """Give a note in one line: its number, when, in which tank, and what."""
    text = f"{note.id:>6}  {note.at:%Y-%m-%d %H:%M}  {note.tank}: {said(note)}{told_beside(note)}"
    return printable(text)


def change_text(change: Change) -> str:
    """Give a change in one line: when, who, and which fields went from what to what."""
    state = " (taken back)" if change.is_undone else ""
    if change.before is None:
        what = f"{change.is_of} {change.row} written"
    elif change.after is None:
        what = f"{change.is_of} {change.row} deleted"
    else:
        before = change.before
        moved = ", ".join(
            f"{name} {before.get(name)} → {value}"
            for name, value in change.after.items()
            if before.get(name) != value
        )
        what = f"{change.is_of} {change.row}: {moved}"
    return printable(f"{change.at:%Y-%m-%d %H:%M}  {change.who}: {what}{state}")


def taken_lines(taken: Taken) -> Iterator[str]:
    """Say what came of a table, without the complaints."""
    known = f"; {taken.n_known} stood there already" if taken.n_known else ""
    left = f"; {len(taken.complaints)} could not be kept" if taken.complaints else ""
    n = len(taken.added)
    yield f"Added {n} note{'' if n == 1 else 's'}{known}{left}."
    if n:
        yield "To take that back: pestvision tank undo"
    yield from taken.remarks


def note_json(note: Note) -> dict[str, Any]:
    """Give a note as an object for other programs; what it does not say is null."""
    from pestvision.tanks.log import FIELDS

    told: dict[str, Any] = {"note": note.id}
    for name in FIELDS:
        value = getattr(note, name)
        told[name] = value.isoformat() if name == "at" else value
    return told
