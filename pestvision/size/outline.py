"""The outline of one animal in its box, and the line along its middle.

What is animal and what is ground is told for each pixel of the box and a rim about it: by a map that a
learned net has made, or, without one, by colour alone: the ring about the box shows the ground.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import as_f32, as_rgb, as_u8, checked_box, describe
from pestvision.errors import ShapeError
from pestvision.size.midline import COMPACT, LOOP, largest_piece, midline_of
from pestvision.size.records import Outline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32, U8, Bool, BoxXyxy

RIM_SHARE = 0.25
"""Of the box's long side: how far about the box is looked, so that the ground shows, and the tips of an
animal that the box has cut off."""
_LEAST_RIM_PX = 4

_WORKED_PX = 160.0  # long side in which colours are looked at: more takes longer and tells no more
_MOST_ENLARGED = 4.0
_LEAST_PX = 8.0  # a box shorter than this shows nothing that could be outlined
_LEAST_SHARE = 0.04  # of the box that an outline covers at least: even a thin worm's curl has more
_LEAST_CONTRAST = 3.0  # Lab units by which an animal differs from the ground about it, at least

UNSURE = (
    "Where it ends and the ground begins cannot be told well enough to measure it: a sharper photo, nearer or "
    "before a plainer ground, would do."
)
AT_FRAME = "It touches the edge of the photo: it is at least as long as this."
LEAVES_BOX = "The outline runs on beyond the box, so it may hold something that is not the animal."


@dataclass(frozen=True, slots=True)
class NoOutline:
    """Why an animal's outline could not be found: one sentence with what would help.

    `rough`: what was found all the same where its ends are too unsure for a length: its shape can be seen.
    """

    reason: str
    rough: Outline | None = None


def padded_box(box_xyxy_px: BoxXyxy, *, height: int, width: int) -> tuple[int, int, int, int]:
    """Give the box with the rim that is looked at about it, whole numbers, cut to the photo."""
    x0, y0, x1, y1 = checked_box(box_xyxy_px)
    rim = max(RIM_SHARE * max(x1 - x0, y1 - y0), float(_LEAST_RIM_PX))
    left, top = max(0, int(np.floor(x0 - rim))), max(0, int(np.floor(y0 - rim)))
    right, bottom = min(width, int(np.ceil(x1 + rim))), min(height, int(np.ceil(y1 + rim)))
    return min(left, width - 1), min(top, height - 1), max(right, left + 1), max(bottom, top + 1)


def can_be_outlined(box_xyxy_px: BoxXyxy, *, height: int, width: int) -> NoOutline | None:
    """Give why a box is too small for an outline; None where it is not.

    Raises
    ------
    ShapeError
        If the box has no size or lies outside the photo.
    """
    x0, y0, x1, y1 = checked_box(box_xyxy_px)
    if x0 >= width or y0 >= height or x1 <= 0 or y1 <= 0:
        raise ShapeError("box_xyxy_px", expected="on the photo", actual=str(box_xyxy_px))
    if max(x1 - x0, y1 - y0) >= _LEAST_PX:
        return None
    return NoOutline(f"It is under {_LEAST_PX:.0f} pixels long, too few for an outline: go nearer.")


def outline_in(
    rgb: U8,
    box_xyxy_px: BoxXyxy,
    *,
    foreground: F32 | None = None,
    readings: Sequence[F32] = (),
) -> Outline | NoOutline:
    """Find the outline of the animal in a box.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8: the upright photo.
    box_xyxy_px
        A box about one animal.
    foreground
        (h, w) float32, 0 to 1: how sure each pixel of `padded_box` is animal, from a net; without it
        colours tell.
    readings
        Maps as `foreground`, of the same animal looked at in other ways, such as mirrored: as far as
        they differ in its length, that is unsure.

    Raises
    ------
    ShapeError
        If `rgb` is no picture, the box has no size or lies outside, or a map has not the size of the
        padded box.
    """
    photo = as_rgb(rgb)
    height, width = photo.shape[:2]
    small = can_be_outlined(box_xyxy_px, height=height, width=width)
    if small is not None:
        return small
    x0, y0, x1, y1 = box_xyxy_px
    window = padded_box(box_xyxy_px, height=height, width=width)
    left, top, right, bottom = window
    cut = photo[top:bottom, left:right]
    factor = min(_WORKED_PX / max(cut.shape[:2]), _MOST_ENLARGED)
    inner = (x0 - left, y0 - top, x1 - left, y1 - top)
    if foreground is None:
        soft = _by_colour(cut, inner, factor)
        if isinstance(soft, NoOutline):
            return soft
    else:
        soft = _worked(foreground, cut.shape[:2], factor)
    found = _outline_of(soft, window, inner, frame=(height, width))
    if isinstance(found, NoOutline) or foreground is None:
        return found
    others = [_worked(other, cut.shape[:2], factor) for other in readings]
    lengths = [_length_of(other, window, inner) for other in others]
    sd = relative_sd_of(found.length_px, lengths, blur=_blur(soft))
    whole = replace(
        found, length_px=found.length_px * _LOST, relative_sd=max(sd, found.relative_sd)
    )
    return NoOutline(UNSURE, rough=whole) if sd > _MOST_SD else whole


def _worked(foreground: F32, shape: tuple[int, ...], factor: float) -> F32:
    if foreground.shape != shape:
        raise ShapeError("foreground", expected=str(shape), actual=describe(foreground))
    return _resized(as_f32(foreground.astype(np.float32)), factor)


def _length_of(soft: F32, window: tuple[int, int, int, int], inner: BoxXyxy) -> float | None:
    """Give the length of the largest piece of a map, in pixels of the photo; None for none."""
    across = soft.shape[1] / (window[2] - window[0])
    down = soft.shape[0] / (window[3] - window[1])
    found = midline_of(_in_the_box(soft, inner, across, down))
    return None if found is None else found.length_px * 2.0 / (across + down)


def _blur(soft: F32) -> float:
    """Give how blurred a map is: what lies between animal and ground, over the area of the animal."""
    return float((soft * (1 - soft)).sum() / max(float((soft > 0.5).sum()), 1.0))


def _resized(picture: F32, factor: float) -> F32:
    size = tuple(max(1, round(side * factor)) for side in picture.shape[1::-1])
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
    return as_f32(cv2.resize(picture, (size[0], size[1]), interpolation=how))


def _outline_of(
    soft: F32,
    window: tuple[int, int, int, int],
    inner: BoxXyxy,
    *,
    frame: tuple[int, int],
) -> Outline | NoOutline:
    """Take the largest piece of a map as the animal; `inner` is the box in pixels of the window."""
    left, top, right, bottom = window
    wide, high = right - left, bottom - top
    across, down = soft.shape[1] / wide, soft.shape[0] / high
    piece = largest_piece(_in_the_box(soft, inner, across, down))
    box_area = (inner[2] - inner[0]) * (inner[3] - inner[1]) * across * down
    if piece is None or piece[0].sum() < _LEAST_SHARE * box_area:
        return NoOutline(
            "Nothing in the box stands out as one animal: a sharper photo before a plain ground would do."
        )
    body, at_x, at_y = piece
    whole = np.zeros(soft.shape, np.uint8)
    whole[at_y : at_y + body.shape[0], at_x : at_x + body.shape[1]] = body
    found = midline_of(whole.astype(np.bool_))
    assert found is not None  # noqa: S101 - the piece is not empty
    size = cv2.resize(whole.astype(np.float32), (wide, high), interpolation=_back(across))
    mask = np.asarray(size >= 0.5)
    if not mask.any():
        mask = np.asarray(size >= size.max())
    rows, columns = np.nonzero(mask.any(axis=1))[0], np.nonzero(mask.any(axis=0))[0]
    y0, y1, x0, x1 = int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1
    doubts = list(found.doubts)
    box = (float(left + x0), float(top + y0), float(left + x1), float(top + y1))
    if box[0] <= 0 or box[1] <= 0 or box[2] >= frame[1] or box[3] >= frame[0]:
        doubts.append(AT_FRAME)
    if _runs_on(whole, window, frame):
        doubts.append(LEAVES_BOX)
    scale = 2.0 / (across + down)
    length = found.length_px * scale
    return Outline(
        box_xyxy_px=box,
        mask=mask[y0:y1, x0:x1],
        midline_xy_px=found.points_xy_px / np.array([across, down]) + np.array([left, top]),
        widths_px=found.widths_px * scale,
        length_px=length,
        relative_sd=max((_SD_BY_DOUBT.get(doubt, 0.0) for doubt in doubts), default=_LEAST_SD),
        doubts=tuple(doubts),
    )


def _back(across: float) -> int:
    return cv2.INTER_AREA if across > 1 else cv2.INTER_LINEAR


def _in_the_box(soft: F32, inner: BoxXyxy, across: float, down: float) -> Bool:
    """Give the pieces of a map that lie mostly in the box."""
    solid = (soft > 0.5).astype(np.uint8)
    n, labels = cv2.connectedComponents(solid, connectivity=8)
    rows, columns = np.mgrid[: soft.shape[0], : soft.shape[1]]
    x, y = (columns + 0.5) / across, (rows + 0.5) / down
    here = (x >= inner[0]) & (x <= inner[2]) & (y >= inner[1]) & (y <= inner[3])
    total = np.bincount(labels.ravel(), minlength=n)
    within = np.bincount(labels[here], minlength=n)
    kept = (within >= 0.5 * total) & (np.arange(n) > 0)
    return np.asarray(kept[labels], np.bool_)


def _runs_on(whole: U8, window: tuple[int, int, int, int], frame: tuple[int, int]) -> bool:
    """Tell whether a piece reaches an edge of the window that is not one of the photo."""
    left, top, right, bottom = window
    sides = (
        (left > 0, whole[:, 0]),
        (top > 0, whole[0]),
        (right < frame[1], whole[:, -1]),
        (bottom < frame[0], whole[-1]),
    )
    return any(inside and bool(side.any()) for inside, side in sides)


def relative_sd_of(length_px: float, lengths_px: Sequence[float | None], *, blur: float) -> float:
    """Give one standard deviation of an outline's length, over it, as measured on drawn animals.

    Parameters
    ----------
    length_px
        Along the midline.
    lengths_px
        By other readings of the same animal; None where one shows no animal.
    blur
        What lies between animal and ground, over the area of the animal.
    """
    logs = [
        float(np.log((2 * length_px if other is None else other) / length_px))
        for other in lengths_px
    ]
    spread = float(np.ptp(logs)) if logs else 0.0
    odds = _SD_BY[0]
    odds += _SD_BY[1] * float(np.log(_LEAST_SPREAD + spread))
    odds += _SD_BY[2] * float(np.log(_LEAST_BLUR + blur))
    odds += _SD_BY[3] * float(np.log(length_px / 100.0))
    return float(np.clip(np.exp(odds), _LEAST_SD, 0.99))


_SD_BY = (-0.077, 0.459, 0.484, -0.161)
"""Logarithm of the standard deviation: at 0, by the logarithm of how far readings differ, of the blur, and of
the length over 100 pixels. Fitted to 748 drawn animals (`training/size_exam.py`, seeds from 31000 on), with
the heavy tail of their errors in mind, so that 1.96 of it hold 95 in 100."""
_LEAST_SPREAD, _LEAST_BLUR = 0.003, 0.01  # what is added to each before its logarithm is taken
_LEAST_SD = 0.02  # a midline is no truer, however sure the map
_MOST_SD = 0.09
"""Beyond it a length is not given: of those same animals a fifth, and among the others 95 in 100 lengths were
off by 11.6 % at most, among all by 16.7 %."""
_LOST = 1.016  # the outlines of those animals ended that much short of their tips, in the middle
_SD_BY_DOUBT = {COMPACT: 0.2, LOOP: 0.25, AT_FRAME: 0.25, LEAVES_BOX: 0.2}
"""At the least, where it is doubted. COMPACT as 13 drawn ones had it; the others are own guesses, wide ones."""


def _by_colour(cut: U8, inner: BoxXyxy, factor: float) -> F32 | NoOutline:
    """Tell animal from ground by colour: a cut between what the ring shows and what differs from it."""
    small = as_u8(
        np.clip(_resized(as_f32(cut.astype(np.float32)), factor) + 0.5, 0, 255).astype(np.uint8)
    )
    x0, y0, x1, y1 = (
        round(inner[0] * factor),
        round(inner[1] * factor),
        max(round(inner[2] * factor), round(inner[0] * factor) + 1),
        max(round(inner[3] * factor), round(inner[1] * factor) + 1),
    )
    ring = np.ones(small.shape[:2], np.bool_)
    ring[y0:y1, x0:x1] = False
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    away = _away_from_ground(lab, ring)
    inside = away[~ring]
    if ring.sum() < 16:
        ring = np.zeros_like(ring)
        ring[[0, -1]] = ring[:, [0, -1]] = True
    limit = max(_LEAST_CONTRAST, float(_otsu(inside)))
    labels = np.where(away > limit, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    labels[ring] = np.where(away[ring] > limit, cv2.GC_PR_BGD, cv2.GC_BGD)
    if (labels == cv2.GC_PR_FGD).sum() < 6:
        return NoOutline(
            "It hardly differs from the ground behind it: a photo in other light, or from the side, would do."
        )
    cv2.setRNGSeed(0)
    none = np.zeros((1, 65), np.float64)
    marks, _, _ = cv2.grabCut(
        cv2.cvtColor(small, cv2.COLOR_RGB2LAB),
        labels,
        (0, 0, 1, 1),  # of no account: the labels say where to begin
        none.copy(),
        none.copy(),
        _ROUNDS,
        cv2.GC_INIT_WITH_MASK,
    )
    solid = ((marks == cv2.GC_FGD) | (marks == cv2.GC_PR_FGD)).astype(np.float32)
    return as_f32(cv2.GaussianBlur(solid, (0, 0), 0.6))


_ROUNDS = 3  # of the cut, each with colours learned from the one before
_GROUND_COLOURS = 4


def _away_from_ground(lab: F32, ring: Bool) -> F32:
    """Give how far each pixel is from the nearest of the ground's colours, Lab units."""
    ground = lab[ring]
    if len(ground) < 16:
        ground = np.concatenate([lab[0], lab[-1], lab[:, 0], lab[:, -1]])
    cv2.setRNGSeed(0)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 12, 0.5)
    n = min(_GROUND_COLOURS, len(ground))
    none = np.zeros((len(ground), 1), np.int32)
    _, _, means = cv2.kmeans(ground, n, none, stop, 1, cv2.KMEANS_PP_CENTERS)
    gaps = np.stack([np.sqrt(((lab - mean) ** 2).sum(axis=2)) for mean in means])
    return as_f32(cv2.GaussianBlur(gaps.min(axis=0), (0, 0), 0.7))


def _otsu(values: F32) -> float:
    """Give the level that parts values best in two."""
    levels = np.clip(values * 2.0, 0, 255).astype(np.uint8).reshape(1, -1)
    level, _ = cv2.threshold(levels, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return float(level) / 2.0
