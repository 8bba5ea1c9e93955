"""Looks that are due, as a calendar file (iCalendar, RFC 5545) for a telephone or a computer.

Times are those of the wall clock, without a zone ("floating", section 3.3.5): a look by torch belongs to the
evening, and stays at nine when the clocks change or the keeper's telephone goes on a journey.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, time, timedelta
from typing import TYPE_CHECKING, Final

import pestvision
from pestvision.errors import LogError, ShapeError
from pestvision.settings import TankSettings
from pestvision.tanks.keys import name_under

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, datetime
    from uuid import UUID

FOLD_AT: Final = 75  # octets of a line without its line break (RFC 5545, section 3.1)
LAST_MOMENT: Final = time(23, 59, 59)
_LOCAL: Final = "%Y%m%dT%H%M%S"


@dataclass(frozen=True, slots=True)
class Due:
    """A look that is due.

    Parameters
    ----------
    tank
        The tank's name.
    at
        When, by the keeper's clock, with its distance from UTC.
    why
        The reason, in a sentence.
    every_days
        How often it comes again; None where it is due once. Part of a day is left off: rather early than late.
    until
        The last day on which it comes again; None where no end is known.
    about
        What tells several of one tank apart: the watch, a batch.
    """

    tank: str
    at: datetime
    why: str
    every_days: float | None = None
    until: date | None = None
    about: str = "look"

    def __post_init__(self) -> None:
        if self.at.tzinfo is None or (self.every_days is not None and not self.every_days > 0):
            raise ShapeError(
                "Due",
                expected="a time with its distance from UTC, every_days over 0",
                actual=f"at {self.at.isoformat()}, every_days {self.every_days}",
            )


def looks_calendar(
    dues: Iterable[Due],
    *,
    key: UUID,
    written: datetime,
    settings: TankSettings | None = None,
) -> str:
    """Give the looks due as the text of one calendar file, to be written as UTF-8 as it is.

    A look keeps its name from one file to the next, so that a calendar that reads a newer file moves the look
    and does not show it twice.

    Parameters
    ----------
    dues
        What is due, in any order.
    key
        The key of the log, see `log_key`.
    written
        The time now, with its distance from UTC.
    settings
        Says how long a look takes.

    Raises
    ------
    LogError
        If nothing is due: a calendar without an entry is none.
    """
    minutes = (settings or TankSettings()).usual_minutes
    ordered = sorted(dues, key=lambda due: (due.at, due.tank, due.about))
    if not ordered:
        message = "No look is due in any tank, so that there is nothing to put into a calendar."
        raise LogError(message, advice="Note a look or a find first; then the next look is due.")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:{_producer()}"]
    met: Counter[tuple[str, str]] = Counter()
    for due in ordered:
        which = (due.tank.casefold(), due.about)
        uid = name_under(key, "due", *which, met[which])
        met[which] += 1
        lines += _event(due, uid, written=written, minutes=minutes)
    lines.append("END:VCALENDAR")
    return "".join(f"{folded(line)}\r\n" for line in lines)


def _producer() -> str:
    return f"-//pestvision//looks due {pestvision.__version__}//EN"


def _event(due: Due, uid: UUID, *, written: datetime, minutes: float) -> list[str]:
    summary = escaped(f"Look at tank {due.tank}")
    return [
        "BEGIN:VEVENT",
        f"UID:{uid}",
        f"DTSTAMP:{written.astimezone(UTC):{_LOCAL}}Z",
        f"DTSTART:{due.at:{_LOCAL}}",
        f"DURATION:PT{max(1, round(minutes))}M",
        f"SUMMARY:{summary}",
        f"DESCRIPTION:{escaped(due.why)}",
        "CLASS:PRIVATE",
        "TRANSP:TRANSPARENT",  # a look makes nobody busy
        *_repeats(due),
        "BEGIN:VALARM",
        "ACTION:DISPLAY",
        f"DESCRIPTION:{summary}",
        "TRIGGER:PT0S",
        "END:VALARM",
        "END:VEVENT",
    ]


def _repeats(due: Due) -> list[str]:
    """Give the rule of a look that comes again; its end is of the wall clock too (section 3.3.10)."""
    if due.every_days is None:
        return []
    days = max(1, int(due.every_days))
    rule = f"RRULE:FREQ=DAILY;INTERVAL={days}"
    if due.until is None:
        return [rule]
    if due.until < (due.at + timedelta(days=days)).date():
        return []
    return [f"{rule};UNTIL={due.until:%Y%m%d}T{LAST_MOMENT:%H%M%S}"]


def escaped(text: str) -> str:
    r"""Give a text as a TEXT value: `\`, `;`, `,` and line breaks escaped (section 3.3.11).

    Signs that a calendar may not hold, and that show nothing, are left out.
    """
    unified = text.replace("\r\n", "\n").replace("\r", "\n")
    for sign in ("\\", ";", ","):
        unified = unified.replace(sign, f"\\{sign}")
    kept = "".join(sign for sign in unified if sign in "\n\t" or _may_stand(sign))
    return kept.replace("\n", "\\n")


def _may_stand(sign: str) -> bool:
    number = ord(sign)
    is_control = number < 0x20 or 0x7F <= number <= 0x9F
    is_half = 0xD800 <= number <= 0xDFFF  # half of a pair, which UTF-8 cannot write
    return not is_control and not is_half and sign not in "\u2028\u2029\ufeff"


def folded(line: str) -> str:
    """Break a line so that no part has more than 75 octets; a sign of several octets stays whole."""
    parts: list[str] = []
    part, length = "", 0
    for sign in line:
        octets = len(sign.encode())
        if length + octets > FOLD_AT:
            parts.append(part)
            part, length = " ", 1  # a blank says that the line goes on, and counts
        part += sign
        length += octets
    return "\r\n".join([*parts, part])
