"""What the commands of the log print: records in, lines of text out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pestvision.cli.text import printable
from pestvision.tanks.records import Judge, Kind, Means

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pestvision.tanks.log import Change
    from pestvision.tanks.records import Note, Tank
    from pestvision.tanks.tables import Taken

BY_MEANS = {Means.EYE: "by eye", Means.PHOTO: "by photo", Means.TRAP: "by bait trap"}


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
    more = [
        note.source and f"from {note.source}",
        note.batch and f"batch {note.batch}",
        "seen by the program on photos, not looked at by you yet"
        if note.judge is Judge.TOOL
        else None,
        note.remark if note.judge is Judge.KEEPER else None,
    ]
    tail = "".join(f"; {item}" for item in more if item)
    return printable(f"{note.id:>6}  {note.at:%Y-%m-%d %H:%M}  {note.tank}: {said(note)}{tail}")


def said(note: Note) -> str:
    """Say what a note says, without when and where."""
    what = f" {note.what}" if note.what else ""
    count = f" {note.count}" if note.count is not None else ""
    if note.kind is Kind.LOOKED:
        return _look(note)
    if note.kind is Kind.REMOVED:
        how = f" ({note.what})" if note.what else ""
        return f"took out {note.taken} {note.pest}{_brooding(note)}{how}"
    if note.kind is Kind.DIED:
        stage = "" if note.stage == "unknown" else f" {note.stage}"
        return f"died:{count}{stage}{what or ' snails'}"
    if note.kind is Kind.ADDED:
        return f"added{count} {note.cargo}{f' ({note.what})' if note.what else ''}"
    if note.kind is Kind.MOVED:
        which = f" ({note.what})" if note.what else ""
        return f"moved{count} {note.cargo}{which} to {note.other}"
    if note.kind is Kind.TREATED:
        return f"treated:{what}"
    return f"{note.kind}{count}{what}"


def _look(note: Note) -> str:
    how = BY_MEANS.get(note.means, "") if note.means else ""
    long = f", {note.minutes:g} minutes" if note.minutes is not None else ""
    if not note.seen:
        return f"looked {how}{long}: nothing {note.pest}"
    taken = f", took out {note.taken}" if note.taken else ""
    return f"looked {how}{long}: {note.seen} {note.pest}{taken}{_brooding(note)}"


def _brooding(note: Note) -> str:
    return ", with eggs or young under the body" if note.brooding else ""


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
