"""A small night of photos on disk: a few panes of glass, animals that creep over them, sensor noise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from photo_files import drawn_glass, packed

if TYPE_CHECKING:
    from pathlib import Path


def pane_photo(
    glass: np.ndarray, number: int, rng: np.random.Generator, *, n_animals: int = 3
) -> np.ndarray:
    """Take a photo of a pane: dark animals that crept on by their length, and grain."""
    photo = glass.copy()
    height, width = photo.shape[:2]
    for animal in range(n_animals):
        x = (width * (2 * animal + 1) // (2 * n_animals) + 23 * number) % width
        y = (height // 5 + animal * height // 4 + 11 * number) % height
        cv2.ellipse(photo, (x, y), (14, 5), 31.0 * number, 0, 360, (35, 22, 15), -1, cv2.LINE_AA)
    return (photo + rng.normal(0, 2, photo.shape)).clip(0, 255).astype(np.uint8)


def draw_night(
    folder: Path, photos: dict[str, int], *, height: int = 360, width: int = 480
) -> list[Path]:
    """Write so many photos of each pane into a sub-folder of its own; give their paths."""
    paths = []
    for seed, (name, n_photos) in enumerate(photos.items()):
        rng = np.random.default_rng([seed, 5])
        glass = drawn_glass(seed, height, width)
        (folder / name).mkdir(parents=True, exist_ok=True)
        for number in range(n_photos):
            paths.append(folder / name / f"{number:04d}.jpg")
            paths[-1].write_bytes(packed(pane_photo(glass, number, rng), quality=92))
    return paths
