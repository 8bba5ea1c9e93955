"""What the finder of movers is measured against: three usual ways to see what changed.

Each is given a pair that is aligned already, its second photo brought to the first's mean and spread in
every channel (without that, one stop of exposure would light up the whole photo), and only the pixels
that both photos have. Each ranks its blobs by the largest difference in them: on tuning pairs that found more
than the sum over them, their mean or their area.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import U8, Bool, BoxXyxy, as_u8

if TYPE_CHECKING:
    from pestvision.motion.align import AlignedPair

MOST_BLOBS = 40  # kept of a pair, by score: as many as the program keeps
LEAST_AREA_PX = 12  # of a blob: a mover of 16 px and a tenth as wide covers 25; less is grain
SMOOTH_PX = 1.0  # Gaussian sigma over the difference; common practice, no source
EDGE_PX = 4  # left out along the border of what both photos have


@dataclass(frozen=True, slots=True)
class ScoredBox:
    """A blob on the first photo's pixels, and how sure its finder is of it; more is surer."""

    box_xyxy_px: BoxXyxy
    score: float


Finder = Callable[["AlignedPair"], list[ScoredBox]]


def matched(pair: AlignedPair) -> U8:
    """Give the second photo with the first's mean and spread in every channel, (H, W, 3) uint8."""
    first, second = (photo[pair.valid].astype(np.float64) for photo in (pair.first, pair.warped))
    gain = first.std(axis=0) / np.maximum(second.std(axis=0), 1.0)
    shift = first.mean(axis=0) - gain * second.mean(axis=0)
    return as_u8(np.clip(np.rint(pair.warped * gain + shift), 0, 255).astype(np.uint8))


def difference(pair: AlignedPair) -> U8:
    """Give the absolute difference of the strongest channel, smoothed, (H, W) uint8."""
    apart = cv2.absdiff(pair.first, matched(pair)).max(axis=2)
    apart[~_inner(pair.valid)] = 0
    return as_u8(cv2.GaussianBlur(apart, (0, 0), SMOOTH_PX))


def otsu_blobs(pair: AlignedPair) -> list[ScoredBox]:
    """Find where the difference is above the threshold that parts it best.

    Source: Otsu 1979, IEEE Trans. Syst. Man Cybern. 9:62-66.
    """
    apart = difference(pair)
    inner = apart[_inner(pair.valid)].reshape(-1, 1)
    least, _ = cv2.threshold(inner, 0, 255, cv2.THRESH_OTSU)
    return _parts(apart > least, apart)


def mog2_blobs(pair: AlignedPair) -> list[ScoredBox]:
    """Find what the background model of the first photo does not explain in the second.

    OpenCV's values, no shadows. Source: Zivkovic 2004, ICPR 2:28-31.
    """
    model = cv2.createBackgroundSubtractorMOG2(detectShadows=False)
    model.apply(pair.first, None, 1.0)
    changed = np.asarray(model.apply(matched(pair), None, 0.0)) > 0
    return _parts(as_u8(changed.view(np.uint8)) > 0, difference(pair))


def simple_blobs(pair: AlignedPair) -> list[ScoredBox]:
    """Find bright blobs in the difference by OpenCV's `SimpleBlobDetector`.

    Any shape counts: animals are long and bent. Else its own thresholds.
    """
    how = cv2.SimpleBlobDetector.Params()
    how.filterByColor, how.blobColor = True, 255
    how.filterByArea, how.minArea, how.maxArea = True, float(LEAST_AREA_PX), 1e6
    how.filterByCircularity = how.filterByConvexity = how.filterByInertia = False
    how.minThreshold, how.maxThreshold, how.thresholdStep = 10.0, 250.0, 10.0
    how.minDistBetweenBlobs = 4.0
    apart = difference(pair)
    found = []
    for point in cv2.SimpleBlobDetector.create(how).detect(apart):
        (x, y), half = point.pt, max(1.0, point.size / 2)
        box = _within((x - half, y - half, x + half, y + half), apart.shape)
        rows, columns = slice(int(box[1]), int(box[3]) + 1), slice(int(box[0]), int(box[2]) + 1)
        found.append(ScoredBox(box, float(apart[rows, columns].max())))
    return _surest(found)


BASELINES: dict[str, Finder] = {
    "difference + Otsu": otsu_blobs,
    "MOG2": mog2_blobs,
    "SimpleBlobDetector": simple_blobs,
}


def _inner(valid: Bool) -> Bool:
    """Leave out the border of what both photos have: there the warp mixes in what is not there."""
    side = 2 * EDGE_PX + 1
    return as_u8(cv2.erode(valid.view(np.uint8), np.ones((side, side), np.uint8))) > 0


def _parts(changed: Bool, apart: U8) -> list[ScoredBox]:
    """Give the connected parts of a mask that hold some difference, the surest first."""
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(changed.view(np.uint8))
    peaks = np.zeros(n_labels, np.uint8)
    np.maximum.at(peaks, np.asarray(labels, np.intp).ravel(), apart.ravel())
    found = []
    for label in range(1, n_labels):
        x, y, width, height, area = (float(value) for value in stats[label])
        if area >= LEAST_AREA_PX and peaks[label] > 0:
            found.append(ScoredBox((x, y, x + width, y + height), float(peaks[label])))
    return _surest(found)


def _within(box: BoxXyxy, shape: tuple[int, ...]) -> BoxXyxy:
    """Cut a box at the photo's border."""
    height, width = float(shape[0]), float(shape[1])
    x0, y0 = min(max(box[0], 0.0), width - 1), min(max(box[1], 0.0), height - 1)
    return x0, y0, max(min(box[2], width), x0 + 1), max(min(box[3], height), y0 + 1)


def _surest(found: list[ScoredBox]) -> list[ScoredBox]:
    return sorted(found, key=lambda blob: -blob.score)[:MOST_BLOBS]
