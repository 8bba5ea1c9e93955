"""From photos to notes for a tank's log: a scanned night is the tool's word, a close-up the keeper's own find."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from pestvision.findings.size_summary import animals_of, hatchlings_at_once, sizes_of
from pestvision.organisms.classes import CANT_TELL
from pestvision.tanks.records import MAX_TEXT, Judge, Kind, Means, Note, Pest
from pestvision.tanks.size_rules import MAX_LENGTH_MM

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pestvision.findings.finding import NightResult, PhotoCheck
    from pestvision.findings.size_summary import Sizes

OF_THE_TOOL = "Read off photos by the program, not looked at by a person yet."
"""Said with every note that a scan makes: it counts as a look once the keeper has looked at it."""

CALLED_SO = "Seen by the keeper; the program calls it {pest} on the close-up {photo}."


TOO_LONG = " The scale makes one {mm:.0f} mm long, so no sizes are kept: look at the scale again."
"""Said where a length cannot be an animal's."""


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
    animals = [item for view in found.views for item in animals_of(view)]
    seen = [(item.judgement.label, item.length) for item in animals]
    sizes = {pest: sizes_of(seen, pest) for pest in Pest}
    n_young = max(map(hatchlings_at_once, found.views))
    return tuple(
        Note(
            tank,
            at.replace(microsecond=0),
            Kind.LOOKED,
            pest=pest,
            seen=most[pest],
            means=Means.PHOTO,
            judge=Judge.TOOL,
            remark=f"{said}.{_doubt(sizes[pest])}"[:MAX_TEXT],
            **_lengths(sizes[pest], n_seen=most[pest], n_young=n_young),
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
        sizes = sizes_of([(item.judgement.label, item.length) for item in found.findings], pest)
        n_young = 0 if sizes is None else sizes.n_hatchlings or 0
        notes.append(
            Note(
                tank,
                at.replace(microsecond=0),
                Kind.LOOKED,
                pest=pest,
                seen=max(n_seen, 1),
                means=Means.PHOTO,
                remark=f"{remark}{_doubt(sizes)}"[:MAX_TEXT],
                **_lengths(sizes, n_seen=n_seen, n_young=n_young),
            )
        )
    return tuple(notes)


def _lengths(sizes: Sizes | None, *, n_seen: int, n_young: int) -> dict[str, Any]:
    """Give the fields of a note that tell of sizes; none where no scale was known.

    Parameters
    ----------
    sizes
        Of the note's pest.
    n_seen
        What the note says was seen: the young are among those.
    n_young
        Leeches of hatchling size on one photo. That none was of it is not said: they may be too small to be
        seen at that scale.
    """
    if sizes is None or not n_seen or _is_too_long(sizes):
        return {}
    told: dict[str, Any] = {
        "smallest_mm": _tenths(sizes.smallest.mm),
        "largest_mm": _tenths(sizes.largest.mm),
    }
    if sizes.n_hatchlings is not None and n_young:
        told["hatchlings"] = min(n_young, n_seen)
    return told


def _is_too_long(sizes: Sizes) -> bool:
    return round(sizes.largest.mm, 1) > MAX_LENGTH_MM


def _doubt(sizes: Sizes | None) -> str:
    """Say that lengths are left out, where they cannot be an animal's; else nothing."""
    if sizes is None or not _is_too_long(sizes):
        return ""
    return TOO_LONG.format(mm=sizes.largest.mm)


def _tenths(mm: float) -> float:
    return max(round(mm, 1), 0.1)


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
