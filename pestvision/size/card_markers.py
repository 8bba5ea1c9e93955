"""Read the card's markers on a photo, and place their corners to a part of a pixel.

They are looked for at several sizes of the photo, since a blurred one is read best when it is small. Their
corners are then placed on the photo itself, where the lines through a marker's sides meet: a line is halfway
between the levels of black and of paper along a whole side, which no blur shifts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from pestvision.arrays import as_u8
from pestvision.size.card_layout import DICTIONARY, MARKERS

if TYPE_CHECKING:
    from pestvision.arrays import F64, U8

READ_LONG_SIDES_PX: Final = (1000, 2000, 4200)
"""Sizes at which markers are looked for, smallest first."""
ENOUGH_MARKERS: Final = 8
"""With so many nothing is looked for at a larger size: the homography is held at all sides."""


@dataclass(frozen=True, slots=True, eq=False)
class SeenMarker:
    """A marker that was read: its number and its corners, (4, 2), in pixels of the photo."""

    number: int
    corners_px: F64

    @property
    def side_px(self) -> float:
        """The mean length of its sides."""
        around = self.corners_px - np.roll(self.corners_px, 1, axis=0)
        return float(np.hypot(around[:, 0], around[:, 1]).mean())


def read_markers(photo: U8) -> list[SeenMarker]:
    """Read the card's markers at several sizes, and place their corners on the photo itself."""
    grey = as_u8(cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY))
    long_side = max(grey.shape)
    found: dict[int, tuple[SeenMarker, float]] = {}
    for wanted in READ_LONG_SIDES_PX:
        shrink = min(1.0, wanted / long_side)
        for marker in _read_at(grey, shrink):
            if marker.number not in found:
                found[marker.number] = (marker, shrink)
        if shrink == 1.0 or len(found) >= ENOUGH_MARKERS:
            break
    return [_placed(grey, marker, shrink) for marker, shrink in found.values()]


def _detector() -> cv2.aruco.ArucoDetector:
    options = cv2.aruco.DetectorParameters()
    options.errorCorrectionRate = 0.34  # of 3 cells that may be wrong: one; gravel is not read then
    options.minMarkerPerimeterRate = 0.02
    options.adaptiveThreshWinSizeMax = 53  # a cell of a large marker must not fill the window
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE  # done on the photo itself
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), options)


def _read_at(grey: U8, shrink: float) -> list[SeenMarker]:
    small = grey
    if shrink < 1.0:
        size = (round(grey.shape[1] * shrink), round(grey.shape[0] * shrink))
        small = as_u8(cv2.resize(grey, size, interpolation=cv2.INTER_AREA))
    corners, found, _ = _detector().detectMarkers(small)
    numbers = np.array(
        [] if not len(corners) else found, np.int64
    ).ravel()  # None where there are none
    per_pixel = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
    # OpenCV has (0, 0) in the middle of the first pixel, positions here have it in its corner.
    read = [
        SeenMarker(int(number), (four.reshape(4, 2).astype(np.float64) + 0.5) * per_pixel)
        for number, four in zip(numbers, corners, strict=True)
    ]
    counts = np.bincount([marker.number for marker in read], minlength=len(MARKERS))
    # A number that is read twice is of two cards, or once of something else: neither can be believed.
    return [one for one in read if one.number < len(MARKERS) and counts[one.number] == 1]


def _placed(grey: U8, marker: SeenMarker, shrink: float) -> SeenMarker:
    """Place a marker's corners on the photo: where the lines through its four sides meet."""
    sides = [
        _edge_line(grey, marker.corners_px[index], marker.corners_px[(index + 1) % 4], shrink)
        for index in range(4)
    ]
    corners = marker.corners_px.copy()
    for index in range(4):
        before, after = sides[index - 1], sides[index]
        if before is None or after is None:
            continue
        meeting = np.cross(before, after)
        if abs(meeting[2]) < 1e-9:
            continue
        place = meeting[:2] / meeting[2]
        if float(np.hypot(*(place - corners[index]))) < 0.15 * marker.side_px + 2.0 / shrink:
            corners[index] = place
    return SeenMarker(marker.number, corners)


_ACROSS_STEPS: Final = 41
_ALONG_STEPS: Final = 24
_MIN_STEP: Final = (
    12.0  # grey levels between the square and the paper, else there is no edge to see
)


def _edge_line(grey: U8, start: F64, end: F64, shrink: float) -> F64 | None:
    """Fit the line between black and paper along one side; (a, b, c) with a x + b y + c = 0.

    At each of some places along the side, the grey levels across it are read, and the edge is where they
    pass halfway between the two sides' levels. None where too few places show an edge.
    """
    side = end - start
    length = float(np.hypot(*side))
    along = side / max(length, 1e-9)
    outward = np.array([along[1], -along[0]])  # corners go clockwise as y grows downwards
    reach = max(0.11 * length, 1.5 / shrink)  # three quarters of a cell, where the border is black
    share = np.linspace(0.1, 0.9, _ALONG_STEPS)
    across = np.linspace(-reach, reach, _ACROSS_STEPS)
    points = (
        start + share[:, None, None] * side + across[None, :, None] * outward
    )  # (along, across, 2)
    levels = cv2.remap(
        grey,
        (points[..., 0] - 0.5).astype(np.float32),
        (points[..., 1] - 0.5).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)
    places = _crossings(levels, across)
    good = np.isfinite(places)
    if int(good.sum()) < _ALONG_STEPS // 3:
        return None
    xy = start + share[good, None] * side + places[good, None] * outward
    return _linethrough(xy)


def _crossings(levels: F64, across: F64) -> F64:
    """Give where each row of levels passes from black to paper, nan where it does not."""
    edge = max(2, _ACROSS_STEPS // 8)
    dark, pale = levels[:, :edge].mean(axis=1), levels[:, -edge:].mean(axis=1)
    middle = (dark + pale) / 2
    above = levels > middle[:, None]
    index = np.argmax(above, axis=1)
    rows = np.arange(len(levels))
    before = np.maximum(index - 1, 0)
    low, high = levels[rows, before], levels[rows, index]
    part = np.where(high > low, (middle - low) / np.maximum(high - low, 1e-9), 0.5)
    places = across[before] + part * (across[index] - across[before])
    is_edge = (pale - dark > _MIN_STEP) & (index > 0)
    return np.where(is_edge, places, np.nan)


def _linethrough(xy: F64) -> F64:
    """Fit a line through places, (N, 2), leaving out those that lie far from the others."""
    kept = xy
    for _ in range(3):
        middle = kept.mean(axis=0)
        _, _, axes = np.linalg.svd(kept - middle, full_matrices=False)
        normal = axes[1]
        off = np.abs((xy - middle) @ normal)
        spread = 1.4826 * float(np.median(off)) + 0.05
        closer = xy[off < 2.5 * spread]
        if len(closer) < 4:
            break
        kept = closer
    return np.array([normal[0], normal[1], -float(normal @ middle)])
