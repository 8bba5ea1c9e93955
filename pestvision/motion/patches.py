"""What the mover net is shown of a changed region: small pictures of it on both photos."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, U8, as_u8
from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64
    from pestvision.motion.noise import ChangeMap
    from pestvision.motion.regions import Region

PATCH_PX = 32
FIELDS = (1.7, 5.0)
"""Sides of the two squares that are shown, over the region's longer side: the thing, and what is about it.
Chosen before the first training; no others were tried."""
LEAST_SIDE_PX = 16.0  # at the working size: a smaller square would be all interpolation
Z_STEP = 12.0  # levels for each sigma: 21 sigmas are the most that a patch tells apart
CHANNELS = 9  # first's red, green, blue; second's; change, mask, usable
N_NUMBERS = 7
MOST_HALVINGS = 5
LEAST_CHANGE = 0.1  # sigmas: a long thin change may lie where the map of change shows none


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """N regions as the net is shown them.

    `pictures`: (N, 2, 9, 32, 32) uint8, for each of the two fields the first photo, the second, the
    change, the region's own pixels, and where both photos have a source. `numbers`: (N, 7) float32,
    logarithms of length, strongest change, sum of the change and number of regions, how much weaker than
    the strongest it is, width over length, and the filled share of the smallest rectangle.
    """

    pictures: U8
    numbers: F32

    def __post_init__(self) -> None:
        n = len(self.pictures)
        wanted = ((n, len(FIELDS), CHANNELS, PATCH_PX, PATCH_PX), (n, N_NUMBERS))
        if (self.pictures.shape, self.numbers.shape) != wanted:
            actual = f"{self.pictures.shape}, {self.numbers.shape}"
            raise ShapeError("patches", expected=str(wanted), actual=actual)


def cut_patches(regions: Sequence[Region], change: ChangeMap) -> Patches:
    """Cut the patches of a pair's regions.

    Parameters
    ----------
    regions
        All candidates of the pair: how many there are, and how strong the others are, is shown too.
    change
        The map they were found in.
    """
    pictures = np.zeros((len(regions), len(FIELDS), CHANNELS, PATCH_PX, PATCH_PX), np.uint8)
    halvings = _halvings(change) if regions else []
    for rank, region in enumerate(regions):
        for field, lengths in enumerate(FIELDS):
            pictures[rank, field] = _picture(region, halvings, lengths)
    strongest = max((region.strength for region in regions), default=1.0)
    numbers = [_numbers(region, len(regions), strongest) for region in regions]
    return Patches(pictures, np.array(numbers, np.float32).reshape(-1, N_NUMBERS))


def _numbers(region: Region, company: int, strongest: float) -> list[float]:
    return [
        float(np.log(region.length_px)),
        float(np.log(max(region.z_peak, LEAST_CHANGE))),
        float(np.log(max(region.strength, LEAST_CHANGE))),
        float(np.log(company)),
        float(np.log(max(strongest, LEAST_CHANGE) / max(region.strength, LEAST_CHANGE))),
        region.width_px / region.length_px,
        float(region.mask.sum()) / (region.length_px * region.width_px),
    ]


def _halvings(change: ChangeMap) -> list[tuple[U8, U8, U8]]:
    """Give the photos, and change with usable, each half as large as the one before."""
    told = cv2.convertScaleAbs(change.z, alpha=Z_STEP)
    usable = change.usable.view(np.uint8) * np.uint8(255)
    levels = [(change.first, change.second, as_u8(cv2.merge([told, usable])))]
    while len(levels) <= MOST_HALVINGS and min(levels[-1][2].shape[:2]) >= 2 * PATCH_PX:
        size = (levels[-1][2].shape[1] // 2, levels[-1][2].shape[0] // 2)
        one, other, both = (
            as_u8(cv2.resize(item, size, interpolation=cv2.INTER_AREA)) for item in levels[-1]
        )
        levels.append((one, other, both))
    return levels


def _picture(region: Region, halvings: Sequence[tuple[U8, U8, U8]], lengths: float) -> U8:
    """Cut one field about a region: (9, 32, 32) uint8."""
    x0, y0, x1, y1 = region.box
    side = max(LEAST_SIDE_PX, lengths * max(x1 - x0, y1 - y0))
    level = int(np.clip(np.log2(side / PATCH_PX), 0, len(halvings) - 1))
    photos = halvings[level]
    scale = side / PATCH_PX  # pixels at the working size for each of the patch
    whole = _from_patch((x0 + x1) / 2, (y0 + y1) / 2, scale)
    matrix = _seen_at(whole, 2.0**level)
    picture = np.empty((CHANNELS, PATCH_PX, PATCH_PX), np.uint8)
    for start, photo in ((0, photos[0]), (3, photos[1])):
        picture[start : start + 3] = _cut(photo, matrix, cv2.BORDER_REPLICATE).transpose(2, 0, 1)
    told = _cut(photos[2], matrix, cv2.BORDER_CONSTANT)
    picture[6], picture[8] = told[..., 0], told[..., 1]
    rows, columns = region.window
    whole[:, 2] -= (columns.start, rows.start)
    own = region.mask.view(np.uint8) * np.uint8(255)
    picture[7] = _cut(as_u8(own), whole, cv2.BORDER_CONSTANT)
    return picture


def _from_patch(x: float, y: float, scale: float) -> F64:
    """Give the matrix, (2, 3), from a patch's pixel to one at the working size, about a middle (x, y)."""
    corner = (x - scale * PATCH_PX / 2, y - scale * PATCH_PX / 2)
    # A pixel's middle lies half a pixel inside its edge, in the patch and in the picture.
    return np.array(
        [
            [scale, 0.0, corner[0] + scale / 2 - 0.5],
            [0.0, scale, corner[1] + scale / 2 - 0.5],
        ]
    )


def _seen_at(matrix: F64, halved: float) -> F64:
    """Give the same matrix into a picture that was reduced by `halved`."""
    reduced = matrix / halved
    reduced[:, 2] += 0.5 / halved - 0.5
    return reduced


def _cut(photo: U8, matrix: F64, border: int) -> U8:
    return as_u8(
        cv2.warpAffine(
            photo,
            matrix,
            (PATCH_PX, PATCH_PX),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=border,
        )
    )
