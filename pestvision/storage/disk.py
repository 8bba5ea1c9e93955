"""Files that are wholly there or not at all, and room for them."""

from __future__ import annotations

import contextlib
import os
import shutil
from typing import TYPE_CHECKING, Final

from pestvision.errors import OutputError

if TYPE_CHECKING:
    from pathlib import Path

_SPARE_BYTES: Final = 16 << 20  # a full disk hurts other programs too


def require_space(folder: Path, n_bytes: int) -> None:
    """Refuse where a disk has less room than is needed.

    Raises
    ------
    OutputError
        If it has.
    """
    free = shutil.disk_usage(folder).free
    needed = n_bytes + _SPARE_BYTES
    if free < needed:
        message = (
            f"There is too little room on the disk of {folder}: {needed / 1e6:.0f} MB are needed, "
            f"and {free / 1e6:.0f} MB are free."
        )
        raise OutputError(message, advice="Free some space, or choose another disk.")


def sync_file(path: Path) -> None:
    """Wait until a file's bytes are on the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Wait until a folder's names are on the disk, where the system can do that."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def give_new_name(part: Path, target: Path) -> None:
    """Rename a finished file, and never over another.

    Raises
    ------
    FileExistsError
        If somebody made a file of that name meanwhile.
    """
    try:
        os.link(part, target)
    except FileExistsError:
        raise
    except OSError:  # a disk without links
        if os.path.lexists(target):
            raise FileExistsError(target) from None
        part.rename(target)
    else:
        part.unlink()
    sync_folder(target.parent)


def link_or_copy(source: Path, target: Path) -> None:
    """Give a file a second place: at no cost where the disk knows links, else as a copy."""
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


def reason(error: OSError) -> str:
    """Say why the system refused, in its own words."""
    return (error.strerror or str(error) or type(error).__name__).lower()
