"""The record of looks for a buyer: one page that says what was looked at and found, and is no certificate."""

from __future__ import annotations

from collections import Counter, defaultdict
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import pestvision
from pestvision.report.moments import day_words, moment_words, span_of_days
from pestvision.report.tank_report import MAX_ABOUT_LETTERS, MAX_SENTENCE_LETTERS, short
from pestvision.report.templating import template
from pestvision.tanks.quarantine import MEANS_WORDS
from pestvision.tanks.records import Means

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from pestvision.tanks.quarantine import InspectionRecord, RecordedLook

MAX_ROWS: Final = 22  # of single looks on one page; more are put together by the week
MAX_WEEKS: Final = 10  # likewise; older ones are counted in one row
MAX_HOLDS: Final = 2  # one is enough to sell nothing
NOT_TIMED: Final = "not timed"
NONE_SEEN: Final = "no leech seen"


def inspection_html(record: InspectionRecord, *, written: datetime) -> str:
    """Give a buyer's record as the text of one HTML file, which prints to one page.

    Parameters
    ----------
    record
        The looks at a tank, and what they found.
    written
        When it is written, by the keeper's clock.
    """
    is_by_week = len(record.looks) > MAX_ROWS
    rows = _weeks(record.looks) if is_by_week else [_row(look) for look in record.looks]
    return template("inspection_record.html.j2").render(
        record=record,
        lives=short(record.lives or "", MAX_ABOUT_LETTERS),
        span=span_of_days(record.first, record.last),
        last_sighting=(
            "none noted"
            if record.last_sighting is None
            else day_words(record.last_sighting, has_year=True)
        ),
        minutes=_minutes(record.looks) or "none by eye",
        rows=rows,
        is_by_week=is_by_week,
        holds=[short(hold.sentence, MAX_SENTENCE_LETTERS) for hold in record.holds[:MAX_HOLDS]],
        written=moment_words(written),
        version=pestvision.__version__,
    )


def _row(look: RecordedLook) -> tuple[str, str, str]:
    return (
        day_words(look.day, has_year=True),
        _joined(look.means, _minutes([look])),
        f"{look.found} seen" if look.found else NONE_SEEN,
    )


def _weeks(looks: Sequence[RecordedLook]) -> list[tuple[str, str, str]]:
    """Put looks together by the week, Monday to Sunday; the earliest ones in one row where there are too many."""
    by_week: dict[date, list[RecordedLook]] = defaultdict(list)
    for look in looks:
        by_week[look.day - timedelta(days=look.day.weekday())].append(look)
    weeks = sorted(by_week)
    rows = []
    if len(weeks) > MAX_WEEKS:
        early = [look for week in weeks[: -MAX_WEEKS + 1] for look in by_week[week]]
        rows.append(_together(early))
        weeks = weeks[-MAX_WEEKS + 1 :]
    return rows + [_together(by_week[week]) for week in weeks]


def _together(looks: Sequence[RecordedLook]) -> tuple[str, str, str]:
    first, last = min(look.day for look in looks), max(look.day for look in looks)
    days = day_words(first, has_year=True) if first == last else span_of_days(first, last)
    means = Counter(look.means for look in looks)
    how = ", ".join(f"{number}× {name}" for name, number in sorted(means.items()))
    finds = [look.found for look in looks if look.found]
    found = (
        f"seen at {len(finds)} of {len(looks)} looks, at most {max(finds)}" if finds else NONE_SEEN
    )
    return days, _joined(how, _minutes(looks)), found


def _joined(how: str, minutes: str) -> str:
    return f"{how}, {minutes}" if minutes else how


def _minutes(looks: Sequence[RecordedLook]) -> str:
    """Add up the minutes of looks by eye, and say where some were not timed; photos and traps take none."""
    by_eye = [look.minutes for look in looks if look.means == MEANS_WORDS[Means.EYE]]
    timed = [minutes for minutes in by_eye if minutes is not None]
    n_untimed = len(by_eye) - len(timed)
    if not by_eye:
        return ""
    if not timed:
        return NOT_TIMED
    words = f"{sum(timed):g} minutes"
    return f"{words}, {n_untimed} {NOT_TIMED}" if n_untimed else words
