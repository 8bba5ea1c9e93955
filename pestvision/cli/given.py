"""What was typed, made sure of before the work starts."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING

import typer

from pestvision.cli.answers import UsageError, complain
from pestvision.errors import FolderError, OutputError
from pestvision.settings import MAX_NUMBER

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import BoxXyxy
    from pestvision.settings import Settings

MAX_RANGE = 10_000  # crops named at once; more is a slip of the hand
PORTS = (1024, 65535)
"""The least and the greatest port open to ordinary programs: below are the system ports of RFC 6335."""


def parsed_box(text: str, *, n_photos: int) -> BoxXyxy:
    """Read a box typed as left, top, right, bottom in pixels.

    Raises
    ------
    UsageError
        If it is not four such numbers, or if there is not exactly one photo to mark it on.
    """
    if n_photos != 1:
        raise UsageError(
            f"--box marks a part of a single photo, and {n_photos} were given.",
            advice="Give one photo with --box, or leave --box out.",
        )
    try:
        x0, y0, x1, y1 = (float(part) for part in text.split(","))
    except ValueError:
        x0 = y0 = x1 = y1 = float("nan")
    if not (0 <= x0 < x1 < float("inf") and 0 <= y0 < y1 < float("inf")):
        raise UsageError(
            f"--box was given as '{text}', and four numbers with commas were expected: left, top, "
            "right, bottom, right beyond left and bottom below top.",
            advice="Write it like this: --box 120,340,560,700",
        )
    return (x0, y0, x1, y1)


def parsed_port(text: str) -> int:
    """Read a port number, of those that a program may use without special rights.

    Raises
    ------
    UsageError
        If it is none.
    """
    if not text.isascii() or not text.isdecimal() or not PORTS[0] <= int(text[:9]) <= PORTS[1]:
        raise UsageError(
            f"--port was given as '{text}', and a number from {PORTS[0]} to {PORTS[1]} was expected.",
            advice="Leave it out to have a free one chosen.",
        )
    return int(text)


def parsed_number(text: str, what: str, *, most: int = 10**9) -> int:
    """Read a whole number from 1 on.

    Raises
    ------
    UsageError
        If it is none.
    """
    if not text.isascii() or not text.isdecimal() or not 1 <= int(text[:12]) <= most:
        raise UsageError(
            f"{what} was given as '{text}', and a whole number from 1 to {most} was expected.",
            advice="Write the number alone, without signs or points.",
        )
    return int(text)


def parsed_positive(text: str, what: str) -> float:
    """Read a number over 0.

    Raises
    ------
    UsageError
        If it is none.
    """
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 < value <= MAX_NUMBER:
        raise UsageError(
            f"{what} was given as '{text}', and a number over 0 was expected.",
            advice=f"Write it like this: {what} 0.5",
        )
    return value


def parsed_numbers(texts: list[str]) -> list[int]:
    """Read numbers of crops; `12-20` stands for all from 12 to 20.

    Raises
    ------
    UsageError
        If one is none.
    """
    numbers: list[int] = []
    for text in texts:
        low, dash, high = text.partition("-")
        first = parsed_number(low, "NUMBER")
        last = parsed_number(high, "NUMBER") if dash else first
        if not first <= last < first + MAX_RANGE:
            raise UsageError(
                f"'{text}' is no range of crops: the second number must be the larger one, and at most "
                f"{MAX_RANGE} crops are taken at once.",
                advice="Write it like this: 12-20",
            )
        numbers += range(first, last + 1)
    return list(dict.fromkeys(numbers))


def with_costs(settings: Settings, text: str | None) -> Settings:
    """Lay what was typed for a missed leech's costs over the settings; None leaves them as they are.

    Raises
    ------
    UsageError
        If it is no positive number.
    """
    if text is None:
        return settings
    try:
        costs = float(text)
    except ValueError:
        costs = float("nan")
    if not 0 < costs <= MAX_NUMBER:
        raise UsageError(
            f"--missed-leech-costs was given as '{text}', and a number over 0 was expected: how many "
            "looks at nothing a missed leech is worth.",
            advice="Leave it out to have 9 taken, or write it like this: --missed-leech-costs 20",
        )
    return replace(settings, check=replace(settings.check, missed_leech_costs=costs))


def is_folder(path: Path) -> bool:
    """Tell whether a path is a folder; one that cannot be looked at is none."""
    try:
        return path.is_dir()
    except OSError:  # a name too long, or a folder on the way that is closed to the person
        return False


def require_folder(folder: Path) -> None:
    """Make sure that a folder is there.

    Raises
    ------
    FolderError
        If it is missing, or a file.
    """
    if is_folder(folder):
        return
    try:
        is_file = folder.is_file()
    except OSError:
        is_file = False
    if is_file:
        raise FolderError(
            f"{folder} is a file, and a folder was expected.",
            advice=f"Give the folder it lies in, or run: pestvision check {folder}",
        )
    raise FolderError(
        f"There is no folder {folder}, or it is not open to you.",
        advice="Look at how its name is written, and give its path.",
    )


def require_writable(folder: Path) -> None:
    """Make sure before the work starts that results can go into a folder, made or yet to be made.

    Raises
    ------
    OutputError
        If they cannot.
    """
    nearest = folder.absolute()
    while not os.path.lexists(nearest) and nearest != nearest.parent:
        nearest = nearest.parent
    if not is_folder(nearest) or not os.access(nearest, os.W_OK | os.X_OK):
        raise OutputError(
            f"Results cannot be written to {folder}: {nearest} is "
            f"{'not open to you for writing' if is_folder(nearest) else 'not a folder'}.",
            advice="Give another folder that you may write to.",
        )


def asked_password() -> str:
    """Warn of what `--lan` means, and have a password typed twice, unseen."""
    complain(
        "With --lan every device on your network can reach the page: use it only at home, never on a "
        "network that you share with strangers. What is typed and uploaded travels unencrypted there."
    )
    password: str = typer.prompt(
        "Choose a password for the page", hide_input=True, confirmation_prompt=True, err=True
    )
    return password
