"""The outline of a card of ID-1 size (bank, travel, library and loyalty cards) as a scale.

Four edges are fitted, not the corners, which are rounded; where the edges' lines meet are the corners
of a rectangle of 85.60 × 53.98 mm. Its size comes from ISO/IEC 7810, by a secondary source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ScaleError
from pestvision.size.combs import grey_of
from pestvision.size.records import CARD_OUTLINE, MAX_TILT_DEG, NoScale, Scale

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, U8

LONG_MM: Final = 85.60
SHORT_MM: Final = 53.98
CORNER_RADIUS_MM: Final = 3.18
"""Between 2.88 and 3.48 mm."""

PRIVACY_WARNING: Final = (
    "Never photograph a bank card or an identity card with its number or name showing: lay it face down "
    "with nothing readable on it, or use a blank or an old loyalty card."
)
"""Shown wherever a card is used as a scale."""

REDUCED_PX: Final = 900
"""Long side of the photo on which four-sided outlines are looked for."""

LEAST_AREA: Final = 0.015
"""Of a card over the photo: smaller, its edges say too little."""

EDGE_SPAN: Final = (0.12, 0.88)
"""Part of each side that is fitted: the rounded corners take 7 % of a side at either end."""

N_EDGE: Final = 80
"""Places along a side."""

LEAST_EDGE: Final = 0.6
"""Share of a side along which an edge must be found, on each of the four."""

LEAST_CORNER_MM: Final = 1.7
"""A corner rounded by less is a cut piece of paper's, and no card's (theirs have 2.9 mm and more)."""

FIT_SD: Final = 0.006
"""Least error of a card's size on a photo, over its size: its edge, and a face .76 mm above the table.

Measured on drawn tables (`python -m training.coin_exam`).
"""


@dataclass(frozen=True, slots=True, eq=False)
class _Sides:
    """Where the lines of four edges meet, (4, 2) in order around, and how well edges were seen."""

    corners: F64
    support: float
    residual_px: float


def find_card(rgb: U8, *, corners_xy_px: F64 | None = None) -> Scale | NoScale:
    """Find a card of ID-1 size and give the scale by its outline.

    Whoever shows the result shows `PRIVACY_WARNING` (it is the first of the notes).

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    corners_xy_px
        (4, 2): about where a person clicked its corners, in order around it; None to look for it.

    Returns
    -------
    Scale
        With perspective, of the plane of the card.
    NoScale
        If no card is seen, or it is tilted beyond 30°.

    Raises
    ------
    ScaleError
        If the clicked corners are not four, or not corners of one shape.
    """
    as_rgb(rgb)
    grey = cv2.GaussianBlur(grey_of(rgb), (0, 0), 1.0)
    guesses = _guesses(rgb) if corners_xy_px is None else [_in_order(_checked(corners_xy_px))]
    reasons: list[str] = []
    best: tuple[float, Scale] | None = None
    for guess in guesses:
        sides = _fitted(np.asarray(grey, np.float32), guess)
        if sides is None:
            continue
        scale = _scale(rgb, sides, is_named=corners_xy_px is not None)
        if isinstance(scale, NoScale):
            reasons.append(scale.reason)
        elif best is None or sides.support > best[0]:
            best = (sides.support, scale)
    if best is not None:
        return best[1]
    if reasons:
        return NoScale(reasons[0])
    return NoScale(
        "No card was found. Lay a card of bank-card size face down, wholly in the photo, on a ground that "
        "all four edges stand out from, or click its four corners."
    )


def _checked(corners: F64) -> F64:
    if np.shape(corners) != (4, 2) or not np.isfinite(corners).all():
        raise ScaleError(
            "The corners of the card were not given as four places.",
            advice="Click its four corners, one after the other.",
        )
    area = cv2.contourArea(cv2.convexHull(np.asarray(corners, np.float32)))
    if area < 400:
        raise ScaleError(
            "The four corners lie on a line or on one another.",
            advice="Click the four corners of the card, one after the other.",
        )
    return np.asarray(corners, np.float64)


def _in_order(corners: F64) -> F64:
    """Sort corners around their middle."""
    middle = corners.mean(axis=0)
    return corners[np.argsort(np.arctan2(*(corners - middle).T[::-1]))]


def _guesses(rgb: U8) -> list[F64]:
    """Give four-sided outlines, (4, 2) in pixels of the photo, the largest first, twelve at most."""
    high, wide = rgb.shape[:2]
    scale = min(1.0, REDUCED_PX / max(high, wide))
    size = (max(1, round(wide * scale)), max(1, round(high * scale)))
    small = cv2.GaussianBlur(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), (0, 0), 1.5)
    found: list[tuple[float, F64]] = []
    for mask in _masks(np.asarray(small, np.uint8)):
        outlines, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            area = cv2.contourArea(outline)
            if area < LEAST_AREA * size[0] * size[1]:
                continue
            corners = _four(outline)
            if corners is not None and all(_other(corners / scale, old) for _, old in found):
                found.append((area, corners / scale))
    found.sort(key=lambda pair: -pair[0])
    return [corners for _, corners in found[:12]]


def _masks(small: U8) -> list[U8]:
    """Give pictures in which a card may be one piece: by brightness and colour, and by its edges."""
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB)
    masks = []
    for channel in cv2.split(lab):
        level, mask = cv2.threshold(channel, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
        del level
        masks += [mask, 255 - mask]
    for low in (12, 25, 50):
        edges = np.zeros(small.shape[:2], np.uint8)
        for channel in cv2.split(small):
            np.maximum(edges, cv2.Canny(channel, low, 2 * low), out=edges)
        thick = cv2.dilate(edges, np.ones((3, 3), np.uint8))
        masks += [thick, 255 - thick]
    return [np.asarray(mask, np.uint8) for mask in masks]


def _four(outline: cv2.typing.MatLike) -> F64 | None:
    """Give the four corners of an outline that is about four-sided, rounded corners put back."""
    hull = cv2.convexHull(outline)
    length = cv2.arcLength(hull, True)
    for share in (0.02, 0.03, 0.045, 0.06):
        corners = cv2.approxPolyDP(hull, share * length, True)[:, 0].astype(np.float64)
        if len(corners) == 4:
            break
    else:
        return None
    inside = cv2.contourArea(corners.astype(np.float32)) / max(cv2.contourArea(hull), 1.0)
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    if not 0.85 < inside < 1.1 or sides.max() > 3.2 * sides.min():
        return None
    return _in_order(corners)


def _other(one: F64, two: F64) -> bool:
    reach = float(np.hypot(*(two[2] - two[0])))
    return bool(np.hypot(*(one - two).T).max() > 0.03 * reach)


def _fitted(grey: F32, corners: F64) -> _Sides | None:
    """Fit a line to the edge along each side and give where they meet, None where edges are missing."""
    now = corners
    for window in (0.05, 0.02, 0.012):
        lines, shares, residuals = [], [], []
        for index in range(4):
            start, stop = now[index], now[(index + 1) % 4]
            points = _edge_points(grey, start, stop, window)
            if points is None:
                return None
            line, kept, residual = _line(points)
            lines.append(line)
            shares.append(kept * len(points) / N_EDGE)
            residuals.append(residual)
        meets = [_meet(lines[index - 1], lines[index]) for index in range(4)]
        if any(meet is None for meet in meets):
            return None
        now = np.array(meets)
    if min(shares) < LEAST_EDGE:
        return None
    return _Sides(now, float(np.mean(shares)), float(np.mean(residuals)))


def _edge_points(grey: F32, start: F64, stop: F64, window: float) -> F64 | None:
    """Give the steepest place across a side at each of many places along it, where there is one."""
    along = stop - start
    length = float(np.hypot(*along))
    if length < 24:
        return None
    across = np.array([-along[1], along[0]]) / length
    reach = max(3.0, window * length)
    offsets = np.arange(-reach, reach + 0.25, 0.5)
    spots = start + np.linspace(*EDGE_SPAN, N_EDGE)[:, None] * along
    at = (spots[:, None] + offsets[None, :, None] * across - 0.5).astype(np.float32)
    values = cv2.remap(
        grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    steep = np.gradient(values.astype(np.float64), axis=1)
    # All along a side the card is on the same side of its edge, so that its slope adds up.
    sign = np.sign(np.take_along_axis(steep, np.abs(steep).argmax(axis=1)[:, None], 1).sum())
    weighed = np.maximum(steep * (sign or 1.0), 0) * (1 - 0.4 * np.abs(offsets) / reach)
    peak = weighed.argmax(axis=1)
    best = np.take_along_axis(weighed, peak[:, None], 1)[:, 0]
    firm = best > max(0.35 * float(np.median(best)), 0.5)
    if firm.sum() < 0.4 * N_EDGE:
        return None
    inner = np.clip(peak, 1, len(offsets) - 2)
    each = np.arange(N_EDGE)
    left, here, right = (weighed[each, inner + shift] for shift in (-1, 0, 1))
    bend = np.minimum(left - 2 * here + right, -1e-6)
    exact = offsets[inner] + 0.5 * np.clip(0.5 * (left - right) / bend, -1, 1)
    return np.asarray((spots + exact[:, None] * across)[firm])


def _line(points: F64) -> tuple[F64, float, float]:
    """Fit a line (a, b, c), a x + b y = c, that strays do not pull; the share near it, its scatter."""
    vx, vy, x0, y0 = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
    for _ in range(3):
        normal = np.array([-vy, vx], np.float64)
        off = (points - (x0, y0)) @ normal
        near = points[np.abs(off) < max(1.5, 2.5 * 1.4826 * float(np.median(np.abs(off))))]
        vx, vy, x0, y0 = cv2.fitLine(near.astype(np.float32), cv2.DIST_L2, 0, 0.01, 0.01).ravel()
    normal = np.array([-vy, vx], np.float64)
    off = (points - (x0, y0)) @ normal
    kept = np.abs(off) < 2.0
    scatter = float(np.sqrt(np.mean(off[kept] ** 2))) if kept.any() else 9.0
    return np.array([*normal, normal @ (x0, y0)]), float(kept.mean()), scatter


def _meet(one: F64, other: F64) -> F64 | None:
    matrix = np.array([one[:2], other[:2]])
    if abs(np.linalg.det(matrix)) < 0.2:
        return None
    return np.asarray(np.linalg.solve(matrix, np.array([one[2], other[2]])))


def _scale(rgb: U8, sides: _Sides, *, is_named: bool) -> Scale | NoScale:
    """Turn four fitted sides into a scale, or say why they are none."""
    high, wide = rgb.shape[:2]
    corners = sides.corners
    lengths = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    if lengths[0] + lengths[2] < lengths[1] + lengths[3]:
        corners = np.roll(corners, -1, axis=0)
    if (corners < 0).any() or (corners > (wide, high)).any():
        return NoScale("The frame cuts the card. Take the photo with the whole card in it.")
    face = np.array([[0, 0], [LONG_MM, 0], [LONG_MM, SHORT_MM], [0, SHORT_MM]])
    to_mm = np.asarray(
        cv2.getPerspectiveTransform(corners.astype(np.float32), face.astype(np.float32)), np.float64
    )
    tilt = _tilt_deg(to_mm, corners.mean(axis=0))
    if tilt > MAX_TILT_DEG:
        return NoScale(
            f"The four-sided thing found is no card of bank-card size seen from above, or it is tilted by "
            f"{tilt:.0f}°; beyond {MAX_TILT_DEG:.0f}° lengths are not to be trusted. Hold the camera square "
            "above the card."
        )
    if not is_named and _corner_mm(rgb, to_mm) < LEAST_CORNER_MM:
        return NoScale(
            "The four-sided thing found has sharp corners, and a card's are rounded by 3 mm: it is no card "
            "of bank-card size. If it is one all the same, click its four corners."
        )
    fit = sides.residual_px / float(lengths.min()) * 0.5
    return Scale(
        kind=CARD_OUTLINE,
        to_mm=to_mm,
        relative_sd=float(np.hypot(FIT_SD, fit)),
        outline_xy_px=corners,
        tilt_deg=tilt,
        notes=(
            PRIVACY_WARNING,
            "The four-sided thing is taken for a card of 85.60 × 53.98 mm (ISO/IEC 7810 ID-1); confirm it.",
            "The card must lie flat on the same surface as the animal.",
        ),
    )


def _tilt_deg(to_mm: F64, at: F64) -> float:
    """Give how far a plane leans away at a place: by how unequally a small circle is shortened there."""
    steps = np.array([[0, 0], [1.0, 0], [0, 1.0]]) + at
    full = np.column_stack([steps, np.ones(3)]) @ to_mm.T
    places = full[:, :2] / full[:, 2:]
    stretch = np.linalg.svd((places[1:] - places[0]).T, compute_uv=False)
    return float(np.rad2deg(np.arccos(min(1.0, stretch[1] / stretch[0]))))


def _corner_mm(rgb: U8, to_mm: F64) -> float:
    """Give about how far the corners are rounded: the middle one of the four, in millimetres.

    Along the line from a corner inwards a rounded edge is crossed (√2 − 1) of its radius from the corner.
    """
    per_mm, margin = 8, 5.0
    move = np.array([[per_mm, 0, margin * per_mm], [0, per_mm, margin * per_mm], [0, 0, 1.0]])
    size = (round((LONG_MM + 2 * margin) * per_mm), round((SHORT_MM + 2 * margin) * per_mm))
    flat = cv2.GaussianBlur(
        grey_of(np.asarray(cv2.warpPerspective(rgb, move @ to_mm, size))), (0, 0), 2.0
    )
    inward = np.arange(-1.2, 3.4, 0.1)
    radii = []
    for x, y, sign_x, sign_y in ((0, 0, 1, 1), (1, 0, -1, 1), (1, 1, -1, -1), (0, 1, 1, -1)):
        profiles = []
        for shift in (-0.5, -0.25, 0.0, 0.25, 0.5):
            step_x = inward / np.sqrt(2) + shift / np.sqrt(2)
            step_y = inward / np.sqrt(2) - shift / np.sqrt(2)
            at_x = ((x * LONG_MM + sign_x * step_x + margin) * per_mm).astype(np.float32)
            at_y = ((y * SHORT_MM + sign_y * step_y + margin) * per_mm).astype(np.float32)
            profiles.append(cv2.remap(flat, at_x[None], at_y[None], cv2.INTER_LINEAR)[0])
        steep = np.abs(np.gradient(np.mean(profiles, axis=0)))
        radii.append(float(inward[int(steep.argmax())]) / (np.sqrt(2) - 1))
    return float(np.median(radii))
