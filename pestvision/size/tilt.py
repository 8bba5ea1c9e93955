"""How far a plane leans away from the camera, from the homography that takes it to the photo."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F64

FOCAL_GUESS: Final = 0.75
"""Focal length over the photo's long side, as a first guess: a telephone's main lens sees as one of 26 to
28 mm does on a frame 36 mm wide."""
FOCAL_SPREAD: Final = 0.45
"""One standard deviation of its logarithm: from half of that (wide lenses) to twice and more (a second lens)."""
FOCALS: Final = np.exp(np.linspace(-1.2, 1.8, 31))
"""Tried, over the guess: steps of a tenth."""
PLACE_SD_PX: Final = 0.35
"""How well places are known on the photo. Own measurement of marker corners on drawn photos."""


def tilt_of(to_px: F64, *, places_mm: F64, size: tuple[int, int]) -> float:
    """Give the tilt of a plane, in degrees: 0 where the photo's plane is parallel to it.

    Parameters
    ----------
    to_px
        (3, 3): takes the plane's millimetres to pixels.
    places_mm
        (N, 2), 4 or more: the places in the plane that the homography was made of.
    size
        Height and width of the photo. The lens is taken to look at its middle, as it does on a photo that
        was not cut, with square pixels.

    Notes
    -----
    For each of some focal lengths the pose of the plane is solved (Collins & Bartoli 2014, Int J Comput Vis
    109:252-286, as OpenCV has it). The focal length is the one whose pose fits best, near a first guess:
    where the plane faces the camera nothing can be known of it, and the tilt does not need it.
    """
    height, width = size
    flat = np.column_stack([places_mm - places_mm.mean(axis=0), np.zeros(len(places_mm))])
    full = np.column_stack([places_mm, np.ones(len(places_mm))]) @ to_px.T
    seen = full[:, :2] / full[:, 2:] - np.array([width / 2, height / 2])
    best = (np.inf, 90.0)
    for share in FOCALS:
        focal = float(FOCAL_GUESS * max(size) * share)
        far = (np.log(share) / FOCAL_SPREAD) ** 2
        for misfit, tilt in _poses(flat, seen, focal):
            best = min(best, (misfit / PLACE_SD_PX**2 + far, tilt))
    return best[1]


def _poses(flat: F64, seen: F64, focal_px: float) -> list[tuple[float, float]]:
    """Give the squares left over, in pixels, and the tilt of the poses that the places may have."""
    lens = np.diag([focal_px, focal_px, 1.0])
    try:
        _, turns, shifts, _ = cv2.solvePnPGeneric(
            flat, np.ascontiguousarray(seen), lens, None, flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:  # places on one line
        return []
    found = []
    for turn, shift in zip(turns, shifts, strict=True):
        there, _ = cv2.projectPoints(flat, turn, shift, lens, None)
        misfit = float(((there.reshape(-1, 2) - seen) ** 2).sum())
        leaning = np.asarray(cv2.Rodrigues(turn)[0], np.float64)
        found.append((misfit, float(np.rad2deg(np.arccos(min(1.0, abs(leaning[2, 2])))))))
    return found
