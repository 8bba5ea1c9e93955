"""Observations as a table that biologists read: Darwin Core terms, one row for each look or removal.

A clean look is a row too, `notDetected`: it says where nothing was seen although somebody looked. The terms
are those of the Darwin Core quick reference with the term versions of 2026-05-26. What could tell who and
where the keeper is, is left out unless it is asked for.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Final

from pestvision.errors import LogError
from pestvision.storage.cells import safe_cell
from pestvision.tanks.keys import name_under
from pestvision.tanks.records import Judge, Kind, Means, Note, Pest

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from uuid import UUID

    from pestvision.storage.cells import Cell
    from pestvision.tanks.records import Tank

COLUMNS: Final = (
    "occurrenceID", "eventID", "locationID", "basisOfRecord", "eventDate",
    "scientificName", "taxonRank", "kingdom", "identificationQualifier", "identificationRemarks",
    "identificationVerificationStatus",
    "occurrenceStatus", "individualCount", "reproductiveCondition", "degreeOfEstablishment", "habitat",
    "samplingProtocol", "samplingEffort", "sampleSizeValue", "sampleSizeUnit",
    "country", "locality", "informationWithheld", "occurrenceRemarks",
)  # fmt: skip
"""The terms of the table, in its order."""

DETECTED: Final = "detected"
NOT_DETECTED: Final = "notDetected"
TAXON_OF: Final[dict[str, tuple[str, str]]] = {
    Pest.LEECH: ("Hirudinea", "subclass"),
    Pest.FLATWORM: ("Platyhelminthes", "phylum"),  # a rhabdocoel looks like a small planarian
}
"""The finest taxon that a look through the glass supports, and its rank."""
QUALIFIER: Final = "cf."
UNVERIFIED: Final = "unverified"
CAPTIVE: Final = "captive"
"""So that nobody takes a pest of an aquarium for a wild animal of the place."""
HABITAT: Final = "freshwater aquarium"
PROTOCOL_OF: Final[dict[str, str]] = {
    Means.EYE: "search by eye through the glass, by torch or by daylight",
    Means.PHOTO: "photos of the glass",
    Means.TRAP: "bait trap, left in and taken out",
}
PROTOCOL_OF_REMOVAL: Final = "taken out by hand, without a timed search"
WITHHELD: Final = "name of the keeper; name of the tank; exact place"
TAKEN_OUT: Final = (
    "taken out of the tank; may be among those counted at another time of the same night"
)
READ_BY_TOOL: Final = "read from photos by a program; nobody has looked at it since"


def observations_csv(
    notes: Iterable[Note],
    tanks: Iterable[Tank],
    *,
    key: UUID,
    country: str | None = None,
    locality: str | None = None,
    has_remarks: bool = False,
) -> str:
    """Give the looks and removals among notes as CSV (RFC 4180) with Darwin Core terms.

    Parameters
    ----------
    notes
        Notes of the log; those that are neither look nor removal are passed over.
    tanks
        The tanks of the log: their volume is the size of what was searched.
    key
        The key of the log, see `log_key`.
    country, locality
        A coarse place, only where the keeper wants it told.
    has_remarks
        Give the keeper's own remarks too; they may name people and places.

    Raises
    ------
    LogError
        If a note is not written in the log yet, so that it has no number to be known by, or its tank is
        not among those given.
    """
    by_name = {tank.name: tank for tank in tanks}
    place = {"country": country, "locality": locality}
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    for note in notes:
        if note.kind in {Kind.LOOKED, Kind.REMOVED} and note.pest in TAXON_OF:
            row = observation(note, by_name, key=key, has_remarks=has_remarks)
            writer.writerow({name: safe_cell(value) for name, value in (row | place).items()})
    return stream.getvalue()


def observation(
    note: Note, tanks: Mapping[str, Tank], *, key: UUID, has_remarks: bool = False
) -> dict[str, Cell]:
    """Give one look or removal as Darwin Core terms, without its place.

    Raises
    ------
    LogError
        As `observations_csv` does.
    """
    tank = tanks.get(note.tank)
    if tank is None or note.id < 1:
        wrong = f"its tank {note.tank} is not given" if tank is None else "it has no number yet"
        message = f"The note '{note.kind}' for {note.tank} cannot be told to others: {wrong}."
        raise LogError(message, advice="Give notes and tanks as the log gives them.")
    count = note.seen if note.kind is Kind.LOOKED else note.taken
    scientific, rank = TAXON_OF[str(note.pest)]
    at_utc = note.at.timestamp()
    return {
        "occurrenceID": name_under(key, "note", note.id).urn,
        "eventID": name_under(key, "event", tank.id, at_utc, note.kind, note.means).urn,
        "locationID": name_under(key, "tank", tank.id).urn,
        "basisOfRecord": ("MachineObservation" if note.judge is Judge.TOOL else "HumanObservation"),
        "eventDate": note.at.isoformat(),
        "scientificName": scientific,
        "taxonRank": rank,
        "kingdom": "Animalia",
        "identificationQualifier": QUALIFIER,
        "identificationRemarks": _identified(note),
        "identificationVerificationStatus": UNVERIFIED,
        "occurrenceStatus": DETECTED if count else NOT_DETECTED,
        "individualCount": count,
        "reproductiveCondition": "brooding" if note.brooding else None,
        "degreeOfEstablishment": CAPTIVE,
        "habitat": HABITAT,
        **_sampling(note, tank),
        "informationWithheld": WITHHELD,
        "occurrenceRemarks": _remarks(note, has_remarks=has_remarks),
    }


def _identified(note: Note) -> str:
    """Say what the taxon rests on."""
    by = "by a program from photos" if note.judge is Judge.TOOL else "by eye"
    if note.kind is Kind.LOOKED and not note.seen:
        return f"nothing {note.pest} seen {by}"
    return f"{note.pest} {by}; not determined by a specialist"


def _sampling(note: Note, tank: Tank) -> dict[str, Cell]:
    """Say how it was looked; a photo shows one pane, so that the tank's volume is not its sample."""
    if note.means is None:
        return {"samplingProtocol": PROTOCOL_OF_REMOVAL}
    is_sized = tank.litres is not None and note.means is not Means.PHOTO
    return {
        "samplingProtocol": PROTOCOL_OF.get(note.means, str(note.means)),
        "samplingEffort": None if note.minutes is None else f"{note.minutes:g} minutes",
        "sampleSizeValue": f"{tank.litres:g}" if is_sized else None,
        "sampleSizeUnit": "litre" if is_sized else None,
    }


def _remarks(note: Note, *, has_remarks: bool) -> str | None:
    said = [TAKEN_OUT] if note.kind is Kind.REMOVED else []
    if note.judge is Judge.TOOL:
        said.append(READ_BY_TOOL)
    if has_remarks:
        said += [text for text in (note.what, note.remark) if text]
    return "; ".join(said) or None
