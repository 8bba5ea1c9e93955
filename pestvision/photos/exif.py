"""When a photo was taken: from its EXIF block, or from its file name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import datetime, timedelta


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
