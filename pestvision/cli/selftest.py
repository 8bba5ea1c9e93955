"""Does this installation work: the weights, the net, the way from a file to an answer."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from pestvision import __version__
from pestvision.errors import DataError, WeightsError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pestvision.arrays import U8

PACKAGES = (
    "numpy",
    "scipy",
    "opencv-python-headless",
    "pillow",
    "pillow-heif",
    "torch",
    "torchvision",
    "timm",
    "scikit-learn",
    "safetensors",
    "gradio",
)
INSTALL_AGAIN = "Install pestvision again; your own photos and labels are not touched by that."
SUM_TOLERANCE = 1e-4  # probabilities are float32: 14 of them are off by far less
FRAME_PX = (
    480,
    640,
)  # height and width of the drawn photo: 0.3 megapixels, above the least accepted
CROP_PX = 224


def versions() -> list[tuple[str, str]]:
    """Give names and versions of this program and of what it rests on.

    Raises
    ------
    DataError
        If a package is missing.
    """
    found = [("pestvision", __version__), ("Python", platform.python_version())]
    for package in PACKAGES:
        try:
            found.append((package, importlib.metadata.version(package)))
        except importlib.metadata.PackageNotFoundError as error:
            message = f"The package {package} is not installed."
            raise DataError(message, advice=INSTALL_AGAIN) from error
    return found


def weights_line() -> str:
    """Give the checksum of the weights, or say that they are missing."""
    from pestvision.organisms.weights import WEIGHTS_NAME, find_models

    try:
        digest = hashlib.sha256((find_models() / WEIGHTS_NAME).read_bytes()).hexdigest()
    except WeightsError as error:
        return error.sentence()
    return f"weights sha256 {digest}"


def run_selftest() -> Iterator[str]:
    """Try one thing after the other, and give what works in words.

    Raises
    ------
    WeightsError
        If the weights are missing, damaged, or of another version.
    DataError
        If the net's answers are not those of a working net.
    """
    import numpy as np

    from pestvision.findings.check import check_photo
    from pestvision.organisms.classify import Classifier
    from pestvision.photos.read import read_photo

    classifier = Classifier.load()
    yield f"the weights are whole: sha256 {classifier.card.sha256}"

    crop = drawn_animal(CROP_PX, CROP_PX)
    one, again = classifier.classify([crop])[0], classifier.classify([crop])[0]
    both = (one.p_groups, one.p_fine)
    if not all(np.isfinite(p).all() and abs(float(p.sum()) - 1) < SUM_TOLERANCE for p in both):
        raise DataError(
            "The net's answer for a drawn animal is no probability.", advice=INSTALL_AGAIN
        )
    if not np.allclose(one.p_fine, again.p_fine, atol=SUM_TOLERANCE):
        raise DataError("The net answers the same picture in two ways.", advice=INSTALL_AGAIN)
    yield "the net answers a drawn animal with probabilities, the same each time"

    with tempfile.TemporaryDirectory() as folder:
        answer = check_photo(read_photo(_drawn_file(Path(folder))), classifier)
    yield f"a drawn photo was read and checked, with the answer: {answer.verdict.label}"


def drawn_animal(height: int, width: int) -> U8:
    """Draw a dark oval on pale green, (height, width, 3) uint8 RGB: enough to see the net answer."""
    import numpy as np

    rows, columns = np.mgrid[0:height, 0:width]
    radius = ((rows - height / 2) / (height / 9)) ** 2 + ((columns - width / 2) / (width / 5)) ** 2
    rgb = np.empty((height, width, 3), dtype=np.uint8)
    rgb[:] = (150, 175, 150)
    rgb[..., 2] += (40 * rows // height).astype(np.uint8)
    rgb[radius < 1] = (70, 50, 40)
    return rgb


def _drawn_file(folder: Path) -> Path:
    from PIL import Image

    path = folder / "drawn.png"
    Image.fromarray(drawn_animal(*FRAME_PX)).save(path)
    return path
