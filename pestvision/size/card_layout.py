"""What is printed on the marker card, and where: the drawing and the finding both go by it.

The card is 140 × 110 mm: a frame of square markers about a clear window of 100 × 52 mm, and a bar of
100 mm to be measured below. Positions are millimetres `(x, y)` from the card's top left corner, y downwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool

CARD_WIDTH_MM: Final = 140.0
CARD_HEIGHT_MM: Final = 110.0
WINDOW_XYXY_MM: Final = (20.0, 20.0, 120.0, 72.0)
"""Left clear: a leech of 30 mm and the dish it lies in fit beside or in it."""
BAR_MM: Final = 100.0
BAR_LEFT_TOP_MM: Final = (20.0, 94.0)
LARGE_MM: Final = 14.0
"""Read from afar: 40 pixels where the card takes a third of a photo of one megapixel."""
SMALL_MM: Final = 8.0
"""Between the large ones: in a close-up of 50 mm some of them are still whole."""
N_CELLS: Final = 7
"""Cells of a marker from edge to edge: 5 × 5 that carry its number, and a black border of one cell."""
DICTIONARY: Final = cv2.aruco.DICT_5X5_50
"""OpenCV's ArUco markers of 5 × 5 cells: any two differ in 8 cells or more, so that gravel seldom reads as
one; those of 6 × 6 would need a fifth more pixels."""


@dataclass(frozen=True, slots=True)
class CardMarker:
    """One marker: its number, its top left corner, and its side, in millimetres."""

    number: int
    left_mm: float
    top_mm: float
    side_mm: float

    def corners_mm(self) -> F64:
        """Give its corners, (4, 2): top left, top right, bottom right, bottom left, as OpenCV has them."""
        left, top, side = self.left_mm, self.top_mm, self.side_mm
        right, bottom = left + side, top + side
        return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])

    def white_cells(self) -> Bool:
        """Give which of its cells are white, (7, 7) bool, row first."""
        dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
        return np.asarray(cv2.aruco.generateImageMarker(dictionary, self.number, N_CELLS) > 127)


def _markers() -> tuple[CardMarker, ...]:
    edge, bottom = 4.0, 90.0
    far = CARD_WIDTH_MM - edge
    large = [
        (x, y) for y in (edge, bottom - LARGE_MM) for x in (edge, far - LARGE_MM)
    ]  # the corners of the frame
    small = [
        *((x, edge) for x in (36.0, 66.0, 96.0)),
        *((x, bottom - SMALL_MM) for x in (36.0, 66.0, 96.0)),
        *((x, 43.0) for x in (edge, far - SMALL_MM)),
    ]
    placed = [(x, y, LARGE_MM) for x, y in large] + [(x, y, SMALL_MM) for x, y in small]
    return tuple(CardMarker(number, *place) for number, place in enumerate(placed))


MARKERS: Final = _markers()
OUTLINE_MM: Final = (
    (0.0, 0.0),
    (CARD_WIDTH_MM, 0.0),
    (CARD_WIDTH_MM, CARD_HEIGHT_MM),
    (0.0, CARD_HEIGHT_MM),
)
"""The line to cut along."""
