"""Times in the words of a report: the same everywhere, whatever the computer's language."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from pestvision.tanks.contact_graph import MONTHS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date


def day_words(moment: date, *, has_year: bool = False) -> str:
    """Give the day as `3 Mar`, or `3 Mar 2026`."""
    year = f" {moment.year}" if has_year else ""
    return f"{moment.day} {MONTHS[moment.month - 1]}{year}"


def span_of_days(first: date, last: date) -> str:
    """Give `3 to 9 Mar 2026` or `3 Mar to 14 May 2026`, with both years where they differ."""
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {day_words(last, has_year=True)}"
    has_year = first.year != last.year
    return f"{day_words(first, has_year=has_year)} to {day_words(last, has_year=True)}"


def clock_words(moment: datetime, *, has_seconds: bool = False) -> str:
    """Give the time of day as `22:30`, or `22:30:05`."""
    return f"{moment:%H:%M:%S}" if has_seconds else f"{moment:%H:%M}"


def moment_words(moment: datetime, *, has_year: bool = True, has_seconds: bool = False) -> str:
    """Give day and time as `3 Mar 2026, 22:30`."""
    day = day_words(moment, has_year=has_year)
    return f"{day}, {clock_words(moment, has_seconds=has_seconds)}"


def span_words(taken: Sequence[str | None], *, has_year: bool = True) -> str:
    """Give the time from the first to the last of some ISO 8601 times, empty where none is known."""
    known = [datetime.fromisoformat(text) for text in taken if text is not None]
    if not known:
        return ""
    first, last = known[0], known[-1]
    start, end = (moment_words(moment, has_year=has_year) for moment in (first, last))
    if start == end:
        return start
    return f"{start} to {clock_words(last) if first.date() == last.date() else end}"
