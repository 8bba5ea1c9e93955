"""Notes in words, the same in the terminal, on the page and on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pestvision.tanks.records import Judge, Kind, Means

if TYPE_CHECKING:
    from pestvision.tanks.records import Note

BY_MEANS: Final = {Means.EYE: "by eye", Means.PHOTO: "by photo", Means.TRAP: "by bait trap"}
BY_TOOL: Final = "seen by the program on photos, not looked at by you yet"


def said(note: Note) -> str:
    """Say what a note says, without when and where."""
    what = f" {note.what}" if note.what else ""
    count = f" {note.count}" if note.count is not None else ""
    if note.kind is Kind.LOOKED:
        return _look(note)
    if note.kind is Kind.REMOVED:
        how = f" ({note.what})" if note.what else ""
        return f"took out {note.taken} {note.pest}{_sizes(note)}{_brooding(note)}{how}"
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


def told_beside(note: Note) -> str:
    """Say what else a note says: where from, which batch, who judged, the remark. Empty, or from "; " on."""
    more = [
        note.source and f"from {note.source}",
        note.batch and f"batch {note.batch}",
        BY_TOOL if note.judge is Judge.TOOL else None,
        note.remark if note.judge is Judge.KEEPER else None,
    ]
    return "".join(f"; {item}" for item in more if item)


def _look(note: Note) -> str:
    how = BY_MEANS.get(note.means, "") if note.means else ""
    long = f", {note.minutes:g} minutes" if note.minutes is not None else ""
    if not note.seen:
        return f"looked {how}{long}: nothing {note.pest}"
    taken = f", took out {note.taken}" if note.taken else ""
    return f"looked {how}{long}: {note.seen} {note.pest}{taken}{_sizes(note)}{_brooding(note)}"


def _brooding(note: Note) -> str:
    return ", with eggs or young under the body" if note.brooding else ""


def _sizes(note: Note) -> str:
    """Say how long they were and how many of them young; empty where nobody measured."""
    told = []
    if note.smallest_mm is not None and note.largest_mm is not None:
        is_one = note.smallest_mm == note.largest_mm
        span = "" if is_one else f"{note.smallest_mm:g} to "
        told.append(f"{span}{note.largest_mm:g} mm long")
    elif note.largest_mm is not None:
        told.append(f"the largest {note.largest_mm:g} mm long")
    elif note.smallest_mm is not None:
        told.append(f"the smallest {note.smallest_mm:g} mm long")
    if note.hatchlings is not None:
        told.append(f"{note.hatchlings or 'none'} of hatchling size")
    return "".join(f", {item}" for item in told)
