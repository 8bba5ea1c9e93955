"""From photos to notes for a tank's log: a scanned night is the tool's word, a close-up the keeper's own find."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from pestvision.organisms.classes import CANT_TELL
from pestvision.tanks.records import MAX_TEXT, Judge, Kind, Means, Note, Pest

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pestvision.findings.finding import NightResult, PhotoCheck

OF_THE_TOOL = "Read off photos by the program, not looked at by a person yet."
"""Said with every note that a scan makes: it counts as a look once the keeper has looked at it."""

CALLED_SO = "Seen by the keeper; the program calls it {pest} on the close-up {photo}."


def notes_of_scan(found: NightResult, tank: str, *, now: datetime) -> tuple[Note, ...]:
    """Make notes of a scanned night: one on leeches, also when none was seen, and one on flatworms seen.

    The number is the largest seen on one photo: several views may show the same animals.

    Parameters
    ----------
    found
        The scan.
    tank
        The tank that was photographed.
    now
        The time now. The notes are of the last photo's time, or of now where the photos do not tell or
        their clock runs ahead.

    Raises
    ------
    ValueError
        If no photo could be used: a night without photos says nothing of a tank.
    """
    if found.n_photos == 0:
        message = "a scan without photos"
        raise ValueError(message)
    at = min(_last(taken for view in found.views for taken in view.taken) or now, now)
    most = {pest: max(view.seen_at_once_max.get(pest, 0) for view in found.views) for pest in Pest}
    n_untold = max(view.seen_at_once_max.get(CANT_TELL, 0) for view in found.views)
    said = f"{OF_THE_TOOL} {found.n_photos} photos of {found.folder}"
    if n_untold:
        said += f"; on one of them {n_untold} things that it cannot tell"
    return tuple(
        Note(
            tank,
            at.replace(microsecond=0),
            Kind.LOOKED,
            pest=pest,
            seen=most[pest],
            means=Means.PHOTO,
            judge=Judge.TOOL,
            remark=f"{said}."[:MAX_TEXT],
        )
        for pest in Pest
        if pest is Pest.LEECH or most[pest]
    )


def notes_of_close_up(found: PhotoCheck, tank: str, *, now: datetime) -> tuple[Note, ...]:
    """Make notes of a close-up of which the keeper says in which tank they saw it: one for each pest on it.

    The find is the keeper's, and what it is called is the program's; the remark says so.

    Parameters
    ----------
    found
        The photo as it was checked.
    tank
        The tank it was seen in.
    now
        The time now; the notes' own where the photo tells none, or its clock runs ahead.

    Returns
    -------
    tuple of Note
        Empty where neither the photo nor anything on it is leech-like or flatworm-like.
    """
    at = min(_last([found.taken]) or now, now)
    notes = []
    for pest in Pest:
        n_seen = sum(item.judgement.label == pest for item in found.findings)
        if not n_seen and found.verdict.label != pest:
            continue
        remark = CALLED_SO.format(pest=pest, photo=found.photo)
        notes.append(
            Note(
                tank,
                at.replace(microsecond=0),
                Kind.LOOKED,
                pest=pest,
                seen=max(n_seen, 1),
                means=Means.PHOTO,
                remark=remark[:MAX_TEXT],
            )
        )
    return tuple(notes)


def _last(taken: Iterable[str | None]) -> datetime | None:
    """Give the latest of the photos' times; one without its distance from UTC is of this computer's clock."""
    times = []
    for text in taken:
        if text is None:
            continue
        try:
            read = datetime.fromisoformat(text)
            times.append(read if read.tzinfo is not None else read.astimezone())
        except (ValueError, OverflowError, OSError):
            continue
    return max(times, default=None)
