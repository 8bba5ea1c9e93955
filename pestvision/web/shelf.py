"""Photos that a visitor handed over, kept only until they are used.

The page's server receives an upload into a folder that it serves from. Here the file is moved at
once into a folder that is never served, and it is deleted when its owner brings another, leaves, or
the page stops.
"""

from __future__ import annotations

import shutil
import tempfile
import threading
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


class Shelf:
    """One folder for each owner, under a folder of our own.

    Parameters
    ----------
    folder
        Where to keep them; made where it is missing.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._places: dict[str, Path] = {}
        self._lock = threading.Lock()
        folder.mkdir(parents=True, exist_ok=True)

    def replace(self, owner: str, sent: Path) -> Path:
        """Keep one file instead of whatever the owner had, and give its new path."""
        self.drop(owner)
        return self.add(owner, [sent])[0]

    def add(self, owner: str, sent: Sequence[Path]) -> tuple[Path, ...]:
        """Keep more files for an owner, and give their new paths.

        Two files of one name are both kept: the later one gets a number before its suffix.
        """
        with self._lock:
            if owner not in self._places:
                self._places[owner] = Path(tempfile.mkdtemp(prefix="kept-", dir=self._folder))
            place = self._places[owner]
            return tuple(_move_in(path, place) for path in sent)

    def held(self, owner: str) -> Path | None:
        """Give the owner's folder, or None where nothing is kept."""
        with self._lock:
            return self._places.get(owner)

    def count(self, owner: str) -> int:
        """Count the owner's files."""
        place = self.held(owner)
        return 0 if place is None else sum(1 for _ in place.iterdir())

    def drop(self, owner: str) -> None:
        """Delete everything kept for an owner."""
        with self._lock:
            place = self._places.pop(owner, None)
        if place is not None:
            shutil.rmtree(place, ignore_errors=True)


def _move_in(sent: Path, place: Path) -> Path:
    target = place / sent.name
    number = 2
    while target.exists():
        target = place / f"{sent.stem} ({number}){sent.suffix}"
        number += 1
    shutil.move(sent, target)
    return target
