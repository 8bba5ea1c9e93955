"""A file that has its name only once all of it is on the disk."""

from __future__ import annotations

import contextlib
import os
import secrets
from typing import TYPE_CHECKING, Final

from pestvision.errors import OutputError
from pestvision.storage.disk import give_new_name, reason, sync_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MAX_NUMBERED: Final = 1000  # files of one name in one place; more is a mistake in a script


def write_whole_file(path: Path, text: str, *, replace: bool = False) -> Path:
    """Write a text as UTF-8, line breaks as they are; give where it was written.

    Parameters
    ----------
    path
        Where to. Where something lies there already, `-2`, `-3` and so on is added to its name.
    text
        What to write. Signs that UTF-8 cannot write become question marks: a name can hold anything.
    replace
        Write over a file that lies there instead.

    Raises
    ------
    OutputError
        If it cannot be written. No half-written file stays, and one that was to be replaced is still there.
    """
    return write_whole_bytes(path, text.encode("utf-8", "replace"), replace=replace)


def write_whole_bytes(path: Path, data: bytes, *, replace: bool = False) -> Path:
    """Write bytes as `write_whole_file` writes a text; give where they were written.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    part = path.with_name(f".{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if not replace:
            return _named(part, path)
        part.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        message = f"The file {path} cannot be written: {reason(error)}."
        advice = "Free some space, or choose another place that you may write to."
        raise OutputError(message, advice=advice) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return path


def _named(part: Path, path: Path) -> Path:
    for target in _numbered(path):
        with contextlib.suppress(FileExistsError):
            give_new_name(part, target)
            return target
    message = f"There are {MAX_NUMBERED - 1} files named like {path.name} already."
    raise OutputError(message, advice="Choose another name, or move old ones away.")


def _numbered(path: Path) -> Iterator[Path]:
    yield path
    for rank in range(2, MAX_NUMBERED):
        yield path.with_name(f"{path.stem}-{rank}{path.suffix}")
