"""Find a scale on a photo by what can be found by itself, or take one from what a person marks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ScaleError
from pestvision.size.card_outline import find_card
from pestvision.size.marker_card import find_marker_card
from pestvision.size.records import (
    CARD_OUTLINE,
    COIN,
    DUCKWEED,
    MARKER_CARD,
    RULER,
    SCALE_KINDS,
    SIGMAS_OF_95,
    TWO_POINTS,
    NoScale,
    Scale,
)
from pestvision.size.ruler import find_ruler

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.arrays import F64, U8

CLICK_SD_PX: Final = 1.5
"""How well a place is clicked on a photo shown as large as the screen. Own reading; no source."""
LEAST_APART_PX: Final = 20.0
"""Nearer together, the clicks alone would make a length unsure by a tenth."""
DISTANCE_RANGE_MM: Final = (0.5, 2000.0)
"""Between two points on a photo of small animals; beyond it, it was given in another unit."""
DISTANCE_SD: Final = 0.01
"""How well the distance itself is known: half a millimetre on 50. Own reading of what a ruler allows."""
UNKNOWN_TILT_SD: Final = 0.04
"""What an unknown tilt does to a length that lies in another direction than the two points, over tilts
of 0 to 30 degrees and any directions: half of what it exceeds 5 times in 100, recomputed in the tests."""
FROND_MM: Final = (1.0, 8.0)
"""Length of a duckweed leaf (Lemna minor): Flora of North America. Others have (1.5-)2.5 to 6 (Gleason &
Cronquist 1991, Manual of Vascular Plants, 2nd ed.)."""

UNASKED: Final = (MARKER_CARD,)
"""Looked for where nobody names a kind, the surest first. Its squares carry numbers, so that nothing else is
taken for it; stripes that look like a ruler and boxes that look like a card need a person who names them."""


def two_points(
    first_xy_px: tuple[float, float], second_xy_px: tuple[float, float], distance_mm: float
) -> Scale:
    """Take a scale from two points that a person marks and the distance between them.

    Parameters
    ----------
    first_xy_px, second_xy_px
        Pixels `(x, y)` of the upright photo.
    distance_mm
        Between the two, in the plane of the animal.

    Raises
    ------
    ScaleError
        If the points lie too near together, or the distance cannot be.
    """
    ends = np.array([first_xy_px, second_xy_px], np.float64)
    if not np.isfinite(ends).all():
        raise ScaleError(
            "One of the two points has no place on the photo.",
            advice="Mark both ends of something whose length you know.",
        )
    apart = float(np.hypot(*(ends[1] - ends[0])))
    if apart < LEAST_APART_PX:
        raise ScaleError(
            f"The two points are {apart:.0f} pixels apart, and {LEAST_APART_PX:.0f} or more are needed.",
            advice="Mark two points farther apart, with the distance between those.",
        )
    low, high = DISTANCE_RANGE_MM
    if not low <= distance_mm <= high:
        raise ScaleError(
            f"The distance between the two points was given as {distance_mm:g} mm, and it can be {low:g} "
            f"to {high:g}.",
            advice="Give the distance between the two points in millimetres.",
        )
    clicks = np.sqrt(2.0) * CLICK_SD_PX / apart
    return Scale(
        kind=TWO_POINTS,
        to_mm=_plain(distance_mm / apart),
        relative_sd=float(np.sqrt(clicks**2 + UNKNOWN_TILT_SD**2 + DISTANCE_SD**2)),
        outline_xy_px=ends,
        notes=(
            "The two points are taken to lie in the plane of the animal.",
            "The camera is taken to look straight down on it, give or take 30 degrees.",
        ),
    )


def duckweed(first_xy_px: tuple[float, float], second_xy_px: tuple[float, float]) -> Scale:
    """Take an order of magnitude from the two ends of a duckweed leaf that a person marks.

    Its range is that of the leaves, an eightfold one: never a number to trust.

    Raises
    ------
    ScaleError
        If the points have no place, or lie less than 4 pixels apart.
    """
    ends = np.array([first_xy_px, second_xy_px], np.float64)
    apart = float(np.hypot(*(ends[1] - ends[0])))
    if not apart >= 4.0:  # nan too
        raise ScaleError(
            "The two ends of the duckweed leaf lie on one spot, or have no place on the photo.",
            advice="Mark both ends of one leaf, along its longer side.",
        )
    shortest, longest = FROND_MM
    return Scale(
        kind=DUCKWEED,
        to_mm=_plain(float(np.sqrt(shortest * longest)) / apart),
        relative_sd=float(np.log(longest / shortest) / 2 / SIGMAS_OF_95),
        outline_xy_px=ends,
        notes=(
            f"A duckweed leaf is {shortest:.0f} to {longest:.0f} mm long.",
            "So this tells an order of magnitude only: rather 1, 10 or 100 mm. It is no measurement.",
        ),
        is_rough=True,
    )


def find_scale(rgb: U8, *, bar_mm: float | None = None, want: str | None = None) -> Scale | NoScale:
    """Find a scale on a photo by itself, the surest kind first.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, upright.
    bar_mm
        What the bar of the printed marker card measures; None if nobody measured it.
    want
        One of `SCALE_KINDS`, to look for nothing else; None for what is looked for unasked (`UNASKED`).
        A coin is never among them: which coin it is must be said (`coin`).

    Raises
    ------
    ScaleError
        If there is no such kind, or `bar_mm` cannot be.
    """
    photo = as_rgb(rgb)
    if want is not None and want not in SCALE_KINDS:
        raise ScaleError(
            f"There is no scale called '{want}'.",
            advice=f"Choose one of {', '.join(SCALE_KINDS)}.",
        )
    if want in _BY_A_PERSON:
        return NoScale(_BY_A_PERSON[want])
    finders: dict[str, Callable[[U8], Scale | NoScale]] = {
        MARKER_CARD: lambda picture: find_marker_card(picture, bar_mm=bar_mm),
        RULER: find_ruler,
        CARD_OUTLINE: find_card,
    }
    reasons = []
    for kind in UNASKED if want is None else (want,):
        found = finders[kind](photo)
        if isinstance(found, Scale):
            return found
        reasons.append(found.reason)
    return NoScale(" ".join(reasons))


_BY_A_PERSON: Final = {
    COIN: "A coin is a scale only when you say which coin it is: mark it, and choose its kind.",
    TWO_POINTS: "Two points must be marked by you, with the distance between them.",
    DUCKWEED: "A duckweed leaf must be marked by you, from end to end.",
}


def _plain(mm_per_px: float) -> F64:
    return np.diag([mm_per_px, mm_per_px, 1.0])
