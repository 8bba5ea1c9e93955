"""Three drawn tanks that the net has never seen: by infra-red, in green water, with an old phone.

What a camera and a tank do to a crop, on drawings of seeds of their own. Invented, each number by eye.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, as_rgb, as_u8
from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE
from pestvision.organisms.crops import cut_crop

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt


GROUND_PX = 1280
PART_PX = (200, 520)  # sides of the parts of the ground that crops show
CROP_PX = 320


def draw_tank(
    seed: int, seen: Callable[[U8, np.random.Generator], U8], *, n_each: int
) -> tuple[list[U8], npt.NDArray[np.int64]]:
    """Draw crops of every class in one tank, as its camera sees them; give them with their groups.

    Parameters
    ----------
    seed
        Of the tank: of its ground, and of what is in it.
    seen
        What water and camera do to a crop: one of `FOREIGN`.
    n_each
        Crops of each class of the net.
    """
    from training.scenes import draw_crop, draw_empty

    rng = np.random.default_rng(seed)
    ground = draw_empty(rng, GROUND_PX)
    crops, groups = [], []
    for fine, group in zip(FINE_NAMES, GROUP_INDEX_OF_FINE, strict=True):
        for _ in range(n_each):
            side = int(rng.integers(*PART_PX))
            top, left = rng.integers(0, GROUND_PX - side, 2)
            part = ground[top : top + side, left : left + side]
            drawn = draw_crop(rng, fine, ground=part, size_px=CROP_PX)
            rows, cols = np.nonzero(drawn.mask)
            box = (
                float(cols.min()),
                float(rows.min()),
                float(cols.max() + 1),
                float(rows.max() + 1),
            )
            crops.append(seen(cut_crop(drawn.rgb, box), rng))
            groups.append(group)
    return crops, np.array(groups, np.int64)


def by_infra_red(rgb: U8, rng: np.random.Generator) -> U8:
    """See it by a lamp of infra-red light: grey, flat, lit from one spot, noisy."""
    grey = as_rgb(rgb).astype(np.float32) @ np.array([0.7, 0.2, 0.1], np.float32)
    height, width = grey.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    middle = rng.uniform(0.2, 0.8, 2) * (height, width)
    far = np.hypot(y - middle[0], x - middle[1]) / max(height, width)
    light = 1.25 - 0.9 * far**1.5
    grey = (60 + 0.55 * grey) * light + rng.normal(0, 9, grey.shape)
    return _bytes(np.repeat(cv2.GaussianBlur(grey, (0, 0), 1.0)[..., None], 3, axis=2))


def in_green_water(rgb: U8, rng: np.random.Generator) -> U8:
    """See it through water green with algae: a veil of scattered light, and specks."""
    veil = np.array([70.0, 120.0, 60.0], np.float32) * np.float32(rng.uniform(0.8, 1.2))
    clear = np.array([0.35, 0.6, 0.3], np.float32)
    seen = cv2.GaussianBlur(as_rgb(rgb).astype(np.float32), (0, 0), 1.6) * clear + veil * 0.75
    specks = (rng.random(rgb.shape[:2]) > 0.9985).astype(np.float32)
    seen += cv2.GaussianBlur(specks, (0, 0), 1.5)[..., None] * 400
    return _bytes(seen + rng.normal(0, 3, seen.shape))


def with_an_old_phone(rgb: U8, rng: np.random.Generator) -> U8:
    """See it with few pixels, hard sharpening, a wrong white balance and hard compression."""
    height, width = as_rgb(rgb).shape[:2]
    small = cv2.resize(rgb, (width // 4, height // 4), interpolation=cv2.INTER_AREA)
    warm = np.array([1.25, 1.0, 0.7]) if rng.random() < 0.5 else np.array([0.8, 0.95, 1.3])
    noisy = small.astype(np.float32) * warm + rng.normal(0, 10, small.shape)
    noisy = cv2.addWeighted(noisy, 2.2, cv2.GaussianBlur(noisy, (0, 0), 1.2), -1.2, 0)
    _, packed = cv2.imencode(".jpg", _bytes(noisy)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 22])
    coarse = as_u8(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1]  # noqa: TID251 - our own bytes
    return as_u8(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR))


FOREIGN: dict[str, Callable[[U8, np.random.Generator], U8]] = {
    "infra-red": by_infra_red,
    "green water": in_green_water,
    "old phone": with_an_old_phone,
}


def _bytes(values: F32 | F64) -> U8:
    return np.asarray(np.clip(np.rint(values), 0, 255), dtype=np.uint8)
