"""Photo files for tests: drawn glass, saved in every format and spoilt in every way."""

from __future__ import annotations

from io import BytesIO

import cv2
import numpy as np
from PIL import Image

FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")


def drawn_glass(seed: int, height: int = 300, width: int = 400) -> np.ndarray:
    """A tank seen through its glass: water, gravel, stems, stones; (H, W, 3) uint8 RGB."""
    rng = np.random.default_rng(seed)
    base = rng.uniform(60, 180, 3)
    rgb = np.tile(base.astype(np.float32), (height, width, 1))
    rgb *= np.linspace(1.2, 0.8, height, dtype=np.float32)[:, None, None]
    for _ in range(40):
        at = int(rng.integers(0, width)), int(rng.integers(0, height))
        axes = int(rng.integers(4, width // 8)), int(rng.integers(3, height // 12))
        colour = [float(value) for value in rng.uniform(20, 235, 3)]
        cv2.ellipse(rgb, at, axes, float(rng.uniform(0, 180)), 0, 360, colour, -1, cv2.LINE_AA)
    for _ in range(6):
        x = int(rng.integers(0, width))
        colour = [float(value) for value in rng.uniform(20, 120, 3)]
        top = (x + int(rng.integers(-20, 20)), int(height * rng.uniform(0.1, 0.6)))
        cv2.line(rgb, (x, height), top, colour, int(rng.integers(2, 6)), cv2.LINE_AA)
    gravel = cv2.GaussianBlur(
        rng.normal(0, 60, (height // 4, width, 3)).astype(np.float32), (0, 0), 1.5
    )
    rgb[height - height // 4 :] += gravel * 2
    return rgb.clip(0, 255).astype(np.uint8)


def held_by_hand(
    rgb: np.ndarray, seed: int, *, exposure: tuple[float, float] = (-0.7, 0.7), noise: float = 2.0
) -> np.ndarray:
    """The middle of a scene as a hand takes it: shift to 4 %, turn to 2°, scale to 3 %, exposure."""
    rng = np.random.default_rng(seed)
    height, width = rgb.shape[:2]
    centre = (width / 2, height / 2)
    matrix = cv2.getRotationMatrix2D(centre, rng.uniform(-2, 2), 1 + rng.uniform(-0.03, 0.03))
    matrix[:, 2] += rng.uniform(-0.04, 0.04, 2) * (width, height)
    moved = cv2.warpAffine(rgb, matrix, (width, height), borderMode=cv2.BORDER_REFLECT_101)
    taken = moved * 2.0 ** rng.uniform(*exposure) + rng.normal(0, noise, rgb.shape)
    rows, columns = round(height * 0.07), round(width * 0.07)
    return taken.clip(0, 255).astype(np.uint8)[rows:-rows, columns:-columns]


def packed(rgb: np.ndarray | Image.Image, format_name: str = "JPEG", **options: object) -> bytes:
    """A picture as the bytes of a file."""
    image = rgb if isinstance(rgb, Image.Image) else Image.fromarray(rgb)
    if format_name == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    buffer = BytesIO()
    image.save(buffer, format_name, **options)
    return buffer.getvalue()


def exif_block(
    *, taken: str | None = None, subsec: str | None = None, offset: str | None = None, turn: int = 1
) -> bytes:
    """An EXIF block with the time taken and the orientation."""
    exif = Image.Exif()
    exif[0x0112] = turn
    inner = exif.get_ifd(0x8769)
    for tag, value in ((0x9003, taken), (0x9291, subsec), (0x9011, offset)):
        if value is not None:
            inner[tag] = value
    return exif.tobytes()
