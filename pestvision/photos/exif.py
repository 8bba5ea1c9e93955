"""When a photo was taken: from its EXIF block, or from its file name.

Tags and their text forms are those of EXIF 2.32 (CIPA DC-008): a time is `YYYY:MM:DD HH:MM:SS`, its
fraction a text of digits in a tag of its own, its distance from UTC `±HH:MM` in a third. Blanks and
zeros stand for "unknown".
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal, TypeAlias

Tags: TypeAlias = Mapping[int, object]
"""EXIF tags by number, as the reader gave them: any value may be of a wrong kind."""

ORIENTATION: Final = 0x0112
MODEL: Final = 0x0110
EXIF_DIRECTORY: Final = 0x8769
MAIN_DIRECTORY_TAGS: Final = (MODEL, ORIENTATION, 0x0132)
"""What is looked up outside the EXIF directory: camera, orientation, and the time of change."""

# (time, fraction of a second, distance from UTC): when it was taken, when it was stored as numbers
# (the same moment for a camera), when the file was changed.
_TIME_TAGS: Final = (
    (0x9003, 0x9291, 0x9011),
    (0x9004, 0x9292, 0x9012),
    (0x0132, 0x9290, 0x9010),
)
_LONGEST_CAMERA: Final = 60  # characters; a longer name is no name
_LARGEST_OFFSET: Final = timedelta(hours=14)  # the easternmost time zone

_FIRST_YEAR: Final = 1900  # years outside are a broken clock or a number that is no year
_LAST_YEAR: Final = 2999

_EXIF_TIME: Final = re.compile(
    r"(\d{4})[:/-](\d{1,2})[:/-](\d{1,2})[ T]+(\d{1,2}):(\d{1,2}):(\d{1,2})", re.ASCII
)
_OFFSET: Final = re.compile(r"([+-])(\d{2}):?(\d{2})", re.ASCII)

# Eight digits of a date, six of a time, one kind of separator within each. A fraction is believed
# only where it follows the seconds at once or after a point: `_001` at the end is as often the
# number of a photo within a burst.
_NAME_TIME: Final = re.compile(
    r"(?<!\d)((?:19|20)\d{2})([-_.:]?)(\d{2})\2(\d{2})(?:[-_ T.]{0,3}| at )"
    r"(\d{2})([-_.:]?)(\d{2})\6(\d{2})(?:[.,]?(\d{3}))?(?!\d)",
    re.ASCII,
)


@dataclass(frozen=True, slots=True)
class TakenAt:
    """The moment a photo was taken, as far as its file says.

    Parameters
    ----------
    local
        The camera's own clock, without a zone, to the microsecond; None when nothing says.
    offset
        The clock's distance from UTC, None when the file does not say.
    has_subseconds
        Whether the file gave a fraction of a second. Without it two photos of a burst may share one
        second, and a time between photos is uncertain by up to one second.
    source
        Where the time was read: `exif`, `file-name`, or `none`.
    """

    local: datetime | None
    offset: timedelta | None
    has_subseconds: bool
    source: Literal["exif", "file-name", "none"]

    def __post_init__(self) -> None:
        if (self.local is None) != (self.source == "none"):
            raise ValueError(f"a time and its source go together: {self.local}, {self.source}")
        if self.local is not None and self.local.tzinfo is not None:
            raise ValueError("the camera's clock is kept without a zone; the offset is apart")
        if self.local is None and (self.offset is not None or self.has_subseconds):
            raise ValueError("no time, yet an offset or a fraction of a second")

    def iso(self) -> str | None:
        """Give the time as ISO 8601 text, with the offset where it is known."""
        if self.local is None:
            return None
        text = self.local.isoformat(timespec="milliseconds" if self.has_subseconds else "seconds")
        if self.offset is None:
            return text
        minutes = round(self.offset.total_seconds() / 60)
        sign = "-" if minutes < 0 else "+"
        return f"{text}{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


NO_TIME = TakenAt(local=None, offset=None, has_subseconds=False, source="none")


def tell_taken(tags: Tags, name: str) -> TakenAt:
    """Tell when a photo was taken: by its EXIF tags, else by its file name.

    Parameters
    ----------
    tags
        The main and the EXIF directory's tags together, by number.
    name
        The file's name.
    """
    from_tags = taken_from_tags(tags)
    return from_tags if from_tags.local is not None else taken_from_name(name)


def taken_from_tags(tags: Tags) -> TakenAt:
    """Read the time from EXIF tags; impossible, blank and zero dates give `NO_TIME`.

    The time taken is preferred, then the time stored as numbers, then the time of change.
    """
    for time_tag, fraction_tag, offset_tag in _TIME_TAGS:
        match = _EXIF_TIME.match(_text(tags.get(time_tag)))
        local = _moment(match.groups()) if match else None
        if local is None:
            continue
        digits = _text(tags.get(fraction_tag))
        is_fraction = digits.isascii() and digits.isdigit()
        if is_fraction:
            local = local.replace(microsecond=int(digits[:6].ljust(6, "0")))
        return TakenAt(local, _offset(_text(tags.get(offset_tag))), is_fraction, "exif")
    return NO_TIME


def taken_from_name(name: str) -> TakenAt:
    """Read the time from a file name such as `20230130_121536.jpg`; `NO_TIME` where none is in it.

    Notes
    -----
    The forms in which phones and programs write a time into a name are common practice, no source.
    A name never says the distance from UTC; some phones write UTC and some their own clock.
    """
    for match in _NAME_TIME.finditer(name):
        year, _, month, day, hour, _, minute, second, fraction = match.groups()
        local = _moment((year, month, day, hour, minute, second))
        if local is not None:
            local = local.replace(microsecond=int(fraction or 0) * 1000)
            return TakenAt(local, None, fraction is not None, "file-name")
    return NO_TIME


def tell_orientation(tags: Tags) -> int:
    """Give the EXIF orientation, 1 to 8; 1 (upright) where it is missing or impossible."""
    value = tags.get(ORIENTATION)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def tell_camera(tags: Tags) -> str | None:
    """Give the camera's model: printable, trimmed, at most 60 characters; None where nothing says."""
    shown = "".join(letter for letter in _text(tags.get(MODEL)) if letter.isprintable())
    return shown.strip()[:_LONGEST_CAMERA].strip() or None


def _moment(parts: Sequence[str]) -> datetime | None:
    year, month, day, hour, minute, second = (int(part) for part in parts)
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        return None
    try:
        return datetime(year, month, day, hour, minute, second)  # noqa: DTZ001  the zone is apart
    except ValueError:
        return None


def _offset(text: str) -> timedelta | None:
    match = _OFFSET.fullmatch(text)
    if match is None:
        return None
    sign, hours, minutes = match.groups()
    offset = timedelta(hours=int(hours), minutes=int(minutes))
    if int(minutes) > 59 or offset > _LARGEST_OFFSET:
        return None
    return -offset if sign == "-" else offset


def _text(value: object) -> str:
    """Give a tag's text without padding; an empty text for a value of another kind."""
    if isinstance(value, bytes):
        value = value.decode("ascii", errors="replace")
    return value.split("\x00", 1)[0].strip() if isinstance(value, str) else ""
