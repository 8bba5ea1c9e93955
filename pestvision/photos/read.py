"""Read one photo file: the only decoder in this package."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pestvision.arrays import U8, as_rgb

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.photos.exif import TakenAt
    from pestvision.settings import PhotoSettings


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """One decoded photo, upright.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, RGB, turned upright by the file's EXIF orientation.
    name
        The file name, for showing to a person.
    path
        Where it was read, None for bytes from memory.
    format_name
        `JPEG`, `PNG`, `WebP`, `TIFF` or `HEIC`.
    taken
        When it was taken.
    notes
        Sentences on what was decided while reading, such as what a transparent part was put on.
    """

    rgb: U8
    name: str
    path: Path | None
    format_name: str
    taken: TakenAt
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        as_rgb(self.rgb)

    @property
    def height(self) -> int:
        """Rows, pixels."""
        return int(self.rgb.shape[0])

    @property
    def width(self) -> int:
        """Columns, pixels."""
        return int(self.rgb.shape[1])


def read_photo(path: Path, *, settings: PhotoSettings | None = None) -> Photo:
    """Decode one photo file."""
    raise RuntimeError(path, settings)
