"""One backup: what is in its zip file, and the checks it has to pass before it is believed.

The database, every picture it refers to under its own path, `checksums.sha256` in the format of
sha256sum, and `backup.json`. The checksums find damage; they are no signature.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import struct
import zipfile
import zlib
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pestvision.errors import PersonError, PestVisionError, StoreError
from pestvision.storage.disk import reason
from pestvision.storage.holdings import DATABASE_NAME, IMAGE_PATH

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import IO

    from pestvision.progress import Progress

FORMAT: Final = 1
ABOUT_NAME: Final = "backup.json"
SUMS_NAME: Final = "checksums.sha256"
OWN_NAMES: Final = frozenset({DATABASE_NAME, ABOUT_NAME, SUMS_NAME})

CHUNK_BYTES: Final = 1 << 20
_MOST_TEXT_BYTES: Final = 256 << 20  # checksums of two million pictures; more is no text of ours
_SUM_LINE: Final = re.compile(r"([0-9a-f]{64})  (\S+)")
_ANOTHER: Final = "Give another backup, or copy this one again from where it was kept."


@dataclass(frozen=True, slots=True)
class About:
    """What a backup says of itself.

    Parameters
    ----------
    made
        When it was made, UTC, ISO 8601.
    schema
        The version of the database's tables.
    newest_change
        When anything was last done in it, None where nothing says.
    missing
        Pictures that were missing or damaged already when the backup was made.
    """

    made: str
    schema: int
    newest_change: str | None
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Contents:
    """What a backup holds: what it says of itself, and checksum and size of every file by name."""

    about: About
    sums: dict[str, str]
    n_bytes: dict[str, int]

    @property
    def photos(self) -> list[str]:
        """Paths of the pictures, sorted."""
        return sorted(set(self.sums) - OWN_NAMES)


def sums_text(sums: dict[str, str]) -> str:
    """Give the checksums as sha256sum writes and checks them."""
    return "".join(f"{sums[name]}  {name}\n" for name in sorted(sums))


def copy_and_sum(source: IO[bytes], target: IO[bytes] | None = None) -> str:
    """Read to the end, write what is read if wanted, and give its sha256."""
    digest = hashlib.sha256()
    while chunk := source.read(CHUNK_BYTES):
        digest.update(chunk)
        if target is not None:
            target.write(chunk)
    return digest.hexdigest()


@contextmanager
def opened_backup(path: Path) -> Iterator[tuple[zipfile.ZipFile, Contents]]:
    """Open a backup whose structure is in order; its checksums are still to be checked.

    Raises
    ------
    PersonError
        If there is no such file, it is no backup, or it is damaged.
    StoreError
        If a newer version made it.
    """
    if not path.is_file():
        wrong = "is a folder, not a backup" if path.is_dir() else "is not there"
        raise PersonError(f"{path.name} {wrong}.", advice="Give the path of a backup, a .zip file.")
    with contextlib.ExitStack() as stack:
        with damage_in_words(path.name), _refusal_in_words(path.name):
            archive = stack.enter_context(zipfile.ZipFile(path))
            contents = _contents_of(archive, path.name)
        yield archive, contents


def require_sums(
    archive: zipfile.ZipFile, contents: Contents, name: str, progress: Progress
) -> None:
    """Read every file in a backup and hold it against its checksum.

    Raises
    ------
    PersonError
        If one differs.
    """
    with damage_in_words(name), _refusal_in_words(name):
        for done, (member, told) in enumerate(contents.sums.items()):
            progress(done, len(contents.sums), "checking the backup")
            with archive.open(member) as source:
                if copy_and_sum(source) != told:
                    raise damaged_backup(name, f"{member} is not what it was")


def damaged_backup(name: str, why: str) -> PersonError:
    """Give the error for a backup that cannot be believed."""
    message = f"The backup {name} is damaged: {why}. Nothing was changed."
    return PersonError(message, advice=_ANOTHER)


@contextmanager
def damage_in_words(name: str) -> Iterator[None]:
    """Turn what reading a broken zip file raises into one sentence."""
    try:
        yield
    except PestVisionError:
        raise
    except (EOFError, RuntimeError, ValueError, struct.error, zlib.error) as error:
        raise damaged_backup(name, "its parts cannot be unpacked") from error
    except zipfile.BadZipFile as error:
        raise damaged_backup(name, "it is no whole zip file") from error


@contextmanager
def _refusal_in_words(name: str) -> Iterator[None]:
    """Turn what the system says of a file that it does not give into one sentence."""
    try:
        yield
    except OSError as error:
        message = f"The backup {name} cannot be read: {reason(error)}."
        raise PersonError(message, advice="Check the disk and the file's permission.") from error


def _contents_of(archive: zipfile.ZipFile, name: str) -> Contents:
    members = archive.infolist()
    names = [member.filename for member in members]
    if not set(names) >= {ABOUT_NAME, SUMS_NAME, DATABASE_NAME}:
        message = f"{name} is a zip file, but no backup of this program."
        raise PersonError(message, advice=_ANOTHER)
    about = _about_of(_text_of(archive, ABOUT_NAME, name), name)
    strange = [name for name in names if name not in OWN_NAMES and not IMAGE_PATH.fullmatch(name)]
    if strange:
        raise damaged_backup(name, f"it holds {strange[0][:80]!r}, which does not belong in one")
    if len(set(names)) != len(names):
        raise damaged_backup(name, "it holds a file twice")
    sums = _sums_of(_text_of(archive, SUMS_NAME, name), name)
    if set(sums) != set(names) - {SUMS_NAME}:
        raise damaged_backup(name, "its checksums are of other files than it holds")
    for member, told in sums.items():
        match = IMAGE_PATH.fullmatch(member)
        if match and match[2] != told:
            raise damaged_backup(name, f"{member} is not the picture it is called after")
    return Contents(about, sums, {member.filename: member.file_size for member in members})


def _text_of(archive: zipfile.ZipFile, member: str, name: str) -> str:
    if archive.getinfo(member).file_size > _MOST_TEXT_BYTES:
        raise damaged_backup(name, f"{member} is far too long")
    return archive.read(member).decode("utf-8")


def _sums_of(text: str, name: str) -> dict[str, str]:
    sums: dict[str, str] = {}
    for line in text.splitlines():
        match = _SUM_LINE.fullmatch(line)
        if match is None or match[2] in sums:
            raise damaged_backup(name, f"{SUMS_NAME} cannot be read")
        sums[match[2]] = match[1]
    return sums


def _about_of(text: str, name: str) -> About:
    try:
        told: dict[str, Any] = json.loads(text)
        version = told["format"]
        if isinstance(version, int) and version > FORMAT:
            message = f"The backup {name} was made by a newer version of pestvision."
            raise StoreError(message, advice="Install that version, then restore again.")
        made, schema, newest, missing = (
            told[key] for key in ("made", "schema", "newest_change", "missing")
        )
    except (KeyError, TypeError, ValueError, RecursionError) as error:
        raise damaged_backup(name, f"{ABOUT_NAME} cannot be read") from error
    is_right = (
        version == FORMAT
        and isinstance(made, str)
        and isinstance(schema, int)
        and isinstance(newest, str | None)
        and isinstance(missing, list)
        and all(isinstance(path, str) and IMAGE_PATH.fullmatch(path) for path in missing)
    )
    if not is_right:
        raise damaged_backup(name, f"{ABOUT_NAME} cannot be read")
    return About(made, schema, newest, tuple(missing))
