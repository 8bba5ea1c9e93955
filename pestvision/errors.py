"""Every error this package raises on purpose.

A message says what was given and what is wrong with it; `advice` says what would do. Outcomes are
not errors: a pair that cannot be aligned, a photo with nothing in it and a crop that cannot be told
are values with a reason.
"""

from __future__ import annotations

from typing import ClassVar


class PestVisionError(Exception):
    """Anything this package raises on purpose.

    Parameters
    ----------
    message
        One sentence: what was given and what is wrong with it.
    advice
        One sentence: what the person can do next. Never empty.
    """

    exit_status: ClassVar[int] = 1

    def __init__(self, message: str, *, advice: str) -> None:
        super().__init__(message)
        self.advice = advice

    def sentence(self) -> str:
        """Give the message and the advice as one line of text."""
        return f"{self} {self.advice}"


class PersonError(PestVisionError):
    """What the person gave cannot be used."""

    exit_status: ClassVar[int] = 3


class PhotoError(PersonError):
    """A file cannot be used as a photo."""


class UnreadablePhotoError(PhotoError):
    """The file is missing, empty, damaged, a folder, or may not be read."""


class UnsupportedFormatError(PhotoError):
    """The file is not one of the photo formats that are read."""


class PhotoTooLargeError(PhotoError):
    """The photo has more pixels, or the file more bytes, than are accepted."""


class PhotoTooSmallError(PhotoError):
    """The photo has too few pixels to show a small animal."""


class ClipError(PersonError):
    """A file cannot be used as a clip, or frames cannot be used as a burst."""


class ScaleError(PersonError):
    """A scale cannot be made of what the person gave."""


class FolderError(PersonError):
    """A folder cannot be used: missing, not a folder, no permission, or without photos."""


class ConfigError(PersonError):
    """A settings file or a value in it cannot be used."""


class OutputError(PersonError):
    """A result cannot be written: no permission, a full disk, or something is in the way."""


class DataError(PestVisionError):
    """What the program itself keeps is damaged or missing."""

    exit_status: ClassVar[int] = 4


class StoreError(DataError):
    """The data folder is damaged, or was written by a newer version."""


class WeightsError(DataError):
    """The trained weights are missing, damaged, or do not belong to this version."""


class LabelError(PersonError):
    """A label, or what it was given for, cannot be used."""


class LogError(PersonError):
    """A note, a tank or a row of the log cannot be used."""


class ShapeError(PestVisionError, ValueError):
    """An array of the wrong shape or dtype was passed: a programmer's error.

    Parameters
    ----------
    name
        The argument's name.
    expected, actual
        Shape and dtype in words.
    """

    def __init__(self, name: str, *, expected: str, actual: str) -> None:
        super().__init__(
            f"{name} has the wrong shape or dtype.\n  expected: {expected}\n  actual:   {actual}",
            advice="This is a mistake in the program that made the call; please report it.",
        )
        self.expected = expected
        self.actual = actual
