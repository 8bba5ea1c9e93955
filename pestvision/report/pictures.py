"""Pictures that a page carries inside itself."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING

from PIL import Image

from pestvision.arrays import as_rgb

if TYPE_CHECKING:
    from pestvision.arrays import U8

JPEG_QUALITY = 80  # below 75 rings appear around thin pale bodies on Pillow's scale


def jpeg_uri(rgb: U8, *, max_side_px: int | None = None, quality: int = JPEG_QUALITY) -> str:
    """Give a (H, W, 3) uint8 picture as a JPEG data URI.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, RGB.
    max_side_px
        The long side it is reduced to where it is longer, or None to leave it as it is.
    quality
        JPEG quality, on Pillow's scale.
    """
    picture = Image.fromarray(as_rgb(rgb))
    if max_side_px is not None:
        picture.thumbnail((max_side_px, max_side_px), Image.Resampling.LANCZOS)
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
