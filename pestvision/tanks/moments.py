"""Times as a keeper types them, always with their distance from UTC once they are read."""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Final

from pestvision.errors import LogError

if TYPE_CHECKING:
    from datetime import tzinfo

EVENING: Final = time(21, 0)
"""Taken for a note that gives a day and no time, and for looks due: most of what leeches do is done in the dark."""
_CLOCK: Final = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d")


def moment_of(text: str, *, now: datetime, zone: tzinfo | None = None) -> datetime:
    """Read a time.

    Parameters
    ----------
    text
        `21:30` (the last time it was so late), `2026-03-14` (its evening), `2026-03-14 21:30`, or with a
        distance from UTC: `2026-03-14T21:30+01:00`.
    now
        The time now, with its distance from UTC.
    zone
        The zone of times that do not say theirs; None for this computer's.

    Raises
    ------
    LogError
        If it is none of these.
    """
    short = text.strip()
    here = now.astimezone(zone)
    clock = _CLOCK.fullmatch(short)
    if clock is not None:
        at = here.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
        return at if at <= here else _placed(at.replace(tzinfo=None) - timedelta(days=1), zone)
    try:
        read = datetime.fromisoformat(short)
        if _DAY.fullmatch(short):
            evening = _placed(datetime.combine(read.date(), EVENING), zone)
            is_today = read.date() == here.date()
            return min(evening, here.replace(microsecond=0)) if is_today else evening
        return read if read.tzinfo is not None else _placed(read, zone)
    except (ValueError, OverflowError, OSError) as error:
        message = f"'{short[:40]}' was given as a time."
        advice = "Write it like this: 21:30, or 2026-03-14, or '2026-03-14 21:30'."
        raise LogError(message, advice=advice) from error


def _placed(naive: datetime, zone: tzinfo | None) -> datetime:
    """Give a time of the wall clock its distance from UTC, as it was on that day."""
    return naive.astimezone() if zone is None else naive.replace(tzinfo=zone)
