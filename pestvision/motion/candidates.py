"""Everything in a pair that may be an animal that moved, before any of it is judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from pestvision.motion.regions import LEAST_LENGTH_SHARE, find_regions
from pestvision.motion.threads import find_threads, thread_response

if TYPE_CHECKING:
    from pestvision.arrays import F32, U8
    from pestvision.motion.noise import ChangeMap
    from pestvision.motion.regions import Region

SeenOn = Literal["first", "second", "both"]

SEEN_RATIO = 1.5  # how much better a region must stand out on one photo than on the other


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A region, the photo that shows the thing there, and how it differs from its ground.

    `contrast`: (3,) float32, the mean inside less the mean about it, per channel, where it is seen.
    """

    region: Region
    seen_on: SeenOn
    contrast: F32


def find_candidates(change: ChangeMap, *, min_length_px: float = 16.0) -> list[Candidate]:
    """Find all that changed and is of a possible size: patches of change, and long thin ones.

    Parameters
    ----------
    change
        The map of a pair.
    min_length_px
        Length of the smallest mover looked for, in pixels of the photo.
    """
    regions = find_regions(change, min_length_px)
    least = LEAST_LENGTH_SHARE * min_length_px / change.step
    threads = find_threads(thread_response(change), change, regions)
    regions += [thread for thread in threads if thread.length_px >= least]
    return [_placed(region, change) for region in regions]


def _placed(region: Region, change: ChangeMap) -> Candidate:
    """Tell which photo shows the thing."""
    first, second = change.first[region.window], change.second[region.window]
    one_sided = _one_sided(first, second, region)
    seen_on: SeenOn = "both"
    if abs(one_sided) > np.log(SEEN_RATIO):
        seen_on = "first" if one_sided > 0 else "second"
    return Candidate(region, seen_on, contrast_of(first if seen_on == "first" else second, region))


def contrast_of(photo: U8, region: Region) -> F32:
    """Give the mean inside minus the mean about it, (3,) float32."""
    if not region.ring.any():
        return np.zeros(3, np.float32)
    inside, about = (
        np.array(cv2.mean(photo, mask.view(np.uint8))[:3]) for mask in (region.mask, region.ring)
    )
    return np.asarray(inside - about, np.float32)


def _one_sided(first: U8, second: U8, region: Region) -> float:
    """Give the logarithm of how much better the region stands out on the first photo."""
    if not region.ring.any():
        return 0.0
    out = []
    inside, ring = (np.flatnonzero(mask) for mask in (region.mask, region.ring))
    for photo in (first, second):
        planes = photo.reshape(-1, 3).T
        about = planes[:, ring].astype(np.float32)
        away = np.abs(planes[:, inside] - np.median(about, axis=1, keepdims=True))
        out.append(float((away.mean(axis=1) / (about.std(axis=1) + 4.0)).max()))
    return float(np.log((out[0] + 1e-3) / (out[1] + 1e-3)))


def moved_px(first: U8, second: U8, region: Region) -> float:
    """Give the distance between the centres of what stands out on each photo, working pixels."""
    rows, columns = np.nonzero(region.mask)
    centres = []
    for photo in (first, second):
        ground = np.median(photo[region.ring], axis=0) if region.ring.any() else np.zeros(3)
        weight = np.abs(photo[region.mask] - ground).sum(axis=1) + 1e-3
        centres.append(np.average(np.stack([rows, columns]), axis=1, weights=weight))
    return float(np.linalg.norm(centres[0] - centres[1]))
