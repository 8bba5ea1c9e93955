"""A folder of photos as views: one view is one place seen many times, in order of time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from pestvision.progress import Progress, silent

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.photos.exif import TakenAt
    from pestvision.settings import PhotoSettings


@dataclass(frozen=True, slots=True)
class Frame:
    """One usable photo of a series, not decoded yet.

    `height` and `width` are pixels of the upright photo. `name` is the path relative to the folder
    given, with forward slashes.
    """

    path: Path
    name: str
    taken: TakenAt
    height: int
    width: int


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file that could not be used, and why, in one sentence with advice."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class View:
    """Photos of one place, in order.

    `ordered_by` says what the order rests on; `notes` are sentences for the person (equal times,
    a missing time, one photo only).
    """

    name: str
    frames: tuple[Frame, ...]
    ordered_by: Literal["time taken", "file name"]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Series:
    """Everything a folder holds: its views and what was skipped."""

    folder: Path
    views: tuple[View, ...]
    skipped: tuple[Skipped, ...]


def read_series(
    folder: Path, *, settings: PhotoSettings | None = None, progress: Progress = silent
) -> Series:
    """Group a folder into views."""
    raise RuntimeError(folder, settings, progress)
