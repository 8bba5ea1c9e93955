"""How far a plane leans away from the camera, from the homography that takes it to the photo."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F64

FOCAL_GUESS: Final = 0.75
"""Focal length over the photo's long side, as a first guess: a telephone's main lens sees as one of 26 to
28 mm does on a frame 36 mm wide."""
FOCAL_SPREAD: Final = 0.45
"""One standard deviation of its logarithm: from half of that (wide lenses) to twice and more (a second lens)."""
SQUARE_SD: Final = 0.01
"""How well two equal sides at right angles can be read from a homography. Own reading of drawn photos."""


def tilt_of(to_px: F64, *, at_mm: tuple[float, float], size: tuple[int, int]) -> float:
    """Give the tilt of a plane, in degrees: 0 where the camera looks straight down on it.

    Parameters
    ----------
    to_px
        (3, 3): takes the plane's millimetres to pixels.
    at_mm
        The place in the plane that matters most. It should be where the homography is best known.
    size
        Height and width of the photo. The lens is taken to look at its middle, as it does on a photo that
        was not cut, with square pixels. The focal length is the one that fits best, near a first guess.

    Notes
    -----
    Two columns of K⁻¹H are the images of the plane's axes: equally long and at right angles if the focal
    length in K is right (Zhang 2000, IEEE TPAMI 22:1330-1334). Where the plane faces the camera they say
    nothing of the focal length, and the tilt does not need it.
    """
    height, width = size
    long_side = float(max(size))
    centred = np.array([[1.0, 0.0, -width / 2], [0.0, 1.0, -height / 2], [0.0, 0.0, 1.0]]) @ to_px
    moved = centred @ np.array([[1.0, 0.0, at_mm[0]], [0.0, 1.0, at_mm[1]], [0.0, 0.0, 1.0]])
    focal = FOCAL_GUESS * long_side * np.exp(np.linspace(-1.6, 1.8, 341))
    over_focal = moved[:2, :2, None] / focal  # (x and y, axis, focal)
    x_axis, y_axis = (
        np.stack([over_focal[0, axis], over_focal[1, axis], np.full_like(focal, moved[2, axis])])
        for axis in (0, 1)
    )
    x_long, y_long = (np.sqrt((axis**2).sum(axis=0)) for axis in (x_axis, y_axis))
    unequal = 2 * (x_long - y_long) / (x_long + y_long)
    oblique = (x_axis * y_axis).sum(axis=0) / (x_long * y_long)
    far = np.log(focal / (FOCAL_GUESS * long_side)) / FOCAL_SPREAD
    best = int(np.argmin((unequal**2 + oblique**2) / SQUARE_SD**2 + far**2))
    normal = np.cross(x_axis[:, best], y_axis[:, best])
    return float(np.rad2deg(np.arccos(min(1.0, abs(normal[2]) / np.linalg.norm(normal)))))
