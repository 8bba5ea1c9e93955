"""Albums for tests: drawn pictures, a clock that is played, and what must hold of every album."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library
from pestvision.collection.records import NewCrop, NewPhoto
from tests.photo_files import drawn_glass, packed

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import BoxXyxy
    from pestvision.collection.records import Added

HEIGHT, WIDTH = 60, 80


@dataclass(slots=True)
class Clock:
    """A clock that stands until it is put on."""

    at: datetime = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.at

    def later(self, **more: float) -> None:
        self.at += timedelta(**more)


def jpeg(seed: int) -> bytes:
    """A small drawn picture; another seed, another picture."""
    return packed(drawn_glass(seed, HEIGHT, WIDTH), "JPEG", quality=90)


def photo(
    seed: int,
    *boxes: BoxXyxy | None,
    crops: tuple[NewCrop, ...] = (),
    tank: str | None = None,
    source: str | None = None,
    taken: str | None = None,
) -> NewPhoto:
    """A drawn photo with crops at these boxes; the whole where none is given."""
    crops = crops or tuple(NewCrop(box) for box in boxes or (None,))
    name = f"photo-{seed}.jpg"
    return NewPhoto(jpeg(seed), name, crops, tank=tank, source=source, taken=taken)


def filled(library: Library, n: int, *, first: int = 0) -> tuple[int, ...]:
    """Add so many drawn photos; give the numbers of their crops."""
    added: Added = add_photos(library, [photo(seed) for seed in range(first, first + n)])
    assert added.skipped == ()
    return added.crops


def faults(library: Library) -> list[str]:
    """Say what is wrong with an album: nothing ever should be."""
    wrong = library.database.complaints()
    rows = {
        f"{sha256}{suffix}"
        for sha256, suffix in library.database.rows("SELECT sha256, suffix FROM photos")
    }
    stored = library.pictures.names()
    wrong += [f"{name} has no row" for name in stored - rows]
    wrong += [f"{name} has no file" for name in rows - stored]
    wrong += [
        f"{path.name} was left in {path.parent.name}"
        for path in (library.folder / "images" / "incoming").iterdir()
    ]
    return wrong


def faults_of(folder: Path) -> list[str]:
    """Open an album, and say what is wrong with it."""
    with Library(folder) as library:
        return faults(library)
