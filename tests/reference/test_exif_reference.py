"""Reading held against outside references: the EXIF standard, Pillow's own turning, OpenCV's pixels."""

from __future__ import annotations

import csv
from io import BytesIO
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from pestvision.photos.read import read_photo, read_photo_bytes
from pestvision.settings import PhotoSettings
from tests.photo_files import drawn_glass, exif_block, packed

if TYPE_CHECKING:
    from pathlib import Path

# EXIF 2.32 (CIPA DC-008-2019), 4.6.4 A, Orientation: where the stored 0th row and 0th column lie in
# the picture as seen.
SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def edge(rgb: np.ndarray, side: str) -> np.ndarray:
    """The colours along one side of a picture, a few pixels in."""
    return {"top": rgb[8], "bottom": rgb[-9], "left": rgb[:, 8], "right": rgb[:, -9]}[side]


@pytest.mark.parametrize("turn", range(1, 9))
def test_row_and_column_zero_lie_where_the_exif_standard_says(turn: int) -> None:
    stored = np.full((300, 400, 3), 128, np.uint8)
    stored[:16] = (255, 0, 0)  # the 0th row is red
    stored[:, :16] = (0, 0, 255)  # the 0th column is blue
    rgb = read_photo_bytes(packed(stored, "PNG", exif=exif_block(turn=turn)), "tank.png").rgb
    row_side, column_side = SIDES[turn]
    along_row, along_column = edge(rgb, row_side), edge(rgb, column_side)
    assert (np.median(along_row, axis=0) == (255, 0, 0)).all()
    assert (np.median(along_column, axis=0) == (0, 0, 255)).all()
    for side in {"top", "bottom", "left", "right"} - {row_side, column_side}:
        assert (np.median(edge(rgb, side), axis=0) == 128).all()


@pytest.mark.parametrize("format_name", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("turn", range(1, 9))
def test_turning_agrees_with_pillow(format_name: str, turn: int) -> None:
    data = packed(drawn_glass(3), format_name, exif=exif_block(turn=turn))
    expected = np.asarray(ImageOps.exif_transpose(Image.open(BytesIO(data))).convert("RGB"))
    assert np.array_equal(read_photo_bytes(data, "tank").rgb, expected)


@pytest.mark.parametrize("turn", range(1, 9))
def test_a_turned_heic_shows_the_scene_upright(turn: int) -> None:
    # A JPEG of the same stored pixels and the same tag, turned by Pillow, is the reference.
    stored, block = drawn_glass(3), exif_block(turn=turn)
    jpeg = Image.open(BytesIO(packed(stored, "JPEG", exif=block, quality=95)))
    expected = np.asarray(ImageOps.exif_transpose(jpeg))
    rgb = read_photo_bytes(packed(stored, "HEIF", exif=block, quality=95), "tank.heic").rgb
    assert rgb.shape == expected.shape
    assert np.abs(rgb.astype(int) - expected).mean() < 6


@pytest.mark.parametrize("turn", range(1, 9))
@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 0}])
def test_jpeg_pixels_agree_with_opencv(turn: int, options: dict[str, object]) -> None:
    data = packed(drawn_glass(4), quality=90, exif=exif_block(turn=turn), **options)
    expected = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB)
    assert np.array_equal(read_photo_bytes(data, "tank.jpg").rgb, expected)


def test_real_jpegs_agree_with_opencv(real_photos: Path) -> None:
    limits = PhotoSettings(min_megapixels=0.001)
    with (real_photos / "photos.csv").open(newline="") as file:
        names = [row["file"] for row in csv.DictReader(file)][::10]
    assert names
    for name in names:
        path = real_photos / "photos" / name
        expected = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR_RGB)
        photo = read_photo(path, settings=limits)
        if photo.format_name == "JPEG":
            # One count: the two libraries may carry different versions of the same decoder.
            assert np.abs(photo.rgb.astype(int) - expected).max() <= 1, name
