"""Small things that changed between two aligned photos."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from pestvision.arrays import F32, U8, Bool, BoxXyxy, as_f32, checked_box
from pestvision.errors import ShapeError
from pestvision.motion.noise import CLIPPED, ChangeMap, map_change

if TYPE_CHECKING:
    from pestvision.motion.align import AlignedPair

Z_SEED = 6.0  # sigmas: a blob holds at least one such pixel
Z_GROW = 3.0  # sigmas: and reaches as far as these
MAX_BLOBS = 40  # kept, by strength
MAX_LOOKED_AT = 150  # candidates measured, by strength: a ruined pair must not take minutes
LEAST_LENGTH_SHARE = (
    0.6  # of min_length_px: what is left of an animal that half covers its old place
)
MAX_FRAME_SHARE = 0.25  # of the frame's area: more is not a small animal
CLOSE_PX = 5  # at the working size: joins the two sides of one animal
GLARE_SHARE = 0.3  # of a blob's pixels clipped: a lamp's mirror image
SEEN_RATIO = 1.5  # how much better a blob must stand out on one photo than on the other


@dataclass(frozen=True, slots=True)
class Blob:
    """One changed region on the first photo's grid.

    `box_xyxy_px` on the first photo's pixels. `seen_on` says which photo shows the animal there:
    `first` (it left from here), `second` (it arrived here) or `both` (cannot be told, or it moved by
    less than its own length). `z_peak` is the strongest change in noise sigmas; `area_px` the number
    of changed pixels; `length_px` and `width_px` the sides of the smallest rectangle around them, at
    any turn; `contrast_rgb` the mean difference animal minus ground, per channel; `moved_px`, for
    `both`, the distance between what stands out on one photo and on the other.
    """

    box_xyxy_px: BoxXyxy
    seen_on: Literal["first", "second", "both"]
    z_peak: float
    area_px: int
    length_px: float
    contrast_rgb: tuple[float, float, float]
    width_px: float = 1.0
    moved_px: float = 0.0

    def __post_init__(self) -> None:
        checked_box(self.box_xyxy_px)
        if self.seen_on not in {"first", "second", "both"}:
            raise ShapeError("seen_on", expected="first, second or both", actual=self.seen_on)
        if self.area_px < 1 or self.length_px <= 0:
            raise ShapeError(
                "blob", expected="a positive area and length", actual=str(self.area_px)
            )


@dataclass(frozen=True, slots=True, eq=False)
class _Region:
    """A candidate at the working size, and the window of the photos it lies in.

    `mask`: (h, w) bool, the changed pixels in the window; `ring`: the unchanged pixels about them.
    """

    window: tuple[slice, slice]
    mask: Bool
    ring: Bool
    z_peak: float
    strength: float
    length_px: float
    width_px: float


def find_blobs(pair: AlignedPair, *, min_length_px: float = 16.0) -> tuple[Blob, ...]:
    """Isolate what changed between two aligned photos.

    Parameters
    ----------
    pair
        From `align_pair`.
    min_length_px
        Length of the smallest mover looked for, in pixels of the photo.

    Returns
    -------
    At most `MAX_BLOBS`, the strongest first; empty where nothing moved.
    """
    change = map_change(pair, min_length_px=min_length_px)
    kept = []
    for region in _regions(change, min_length_px):
        blob = _blob(region, change)
        if blob is not None:
            kept.append((region.strength, blob))
    kept.sort(key=lambda item: -item[0])
    return tuple(blob for _, blob in kept[:MAX_BLOBS])


def _regions(change: ChangeMap, min_length_px: float) -> list[_Region]:
    """Threshold with hysteresis, join, and measure what is of a possible size."""
    side = np.ones((CLOSE_PX, CLOSE_PX), np.uint8)
    grown = cv2.morphologyEx((change.z > Z_GROW).view(np.uint8), cv2.MORPH_CLOSE, side)
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(grown, connectivity=8)
    seeds = np.nonzero(change.z > Z_SEED)
    strength = np.bincount(labels[seeds], weights=change.z[seeds], minlength=n_labels)
    strength[0] = 0.0
    strength[stats[:, cv2.CC_STAT_AREA] > MAX_FRAME_SHARE * change.z.size] = 0.0
    order = np.argsort(-strength)[:MAX_LOOKED_AT]
    found = [_region(change, labels, stats, int(label)) for label in order if strength[label] > 0]
    least = LEAST_LENGTH_SHARE * min_length_px / change.step
    return [region for region in found if region.length_px >= least]


def _region(
    change: ChangeMap, labels: cv2.typing.MatLike, stats: cv2.typing.MatLike, label: int
) -> _Region:
    x, y, width, height = (int(value) for value in stats[label, :4])
    pad = max(6, max(width, height) // 3)
    rows = slice(max(0, y - pad), min(labels.shape[0], y + height + pad))
    columns = slice(max(0, x - pad), min(labels.shape[1], x + width + pad))
    window = (rows, columns)
    mask = labels[window] == label
    near = cv2.dilate(mask.view(np.uint8), np.ones((5, 5), np.uint8)).view(np.bool_)
    ring = ~near & (labels[window] == 0) & change.usable[window]
    contours, _ = cv2.findContours(mask.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    _, sides, _ = cv2.minAreaRect(np.vstack(contours))
    z_inside = change.z[window][mask]
    return _Region(
        window=window,
        mask=mask,
        ring=ring,
        z_peak=float(z_inside.max()),
        strength=float(z_inside.sum()),
        length_px=float(max(sides)) + 1.0,
        width_px=float(min(sides)) + 1.0,
    )


def _blob(region: _Region, change: ChangeMap) -> Blob | None:
    """Tell where the animal is, and drop what is a mirror image of a lamp."""
    first, second = change.first[region.window], change.second[region.window]
    contrast = (_contrast(first, region), _contrast(second, region))
    seen_on = _seen_on(first, second, region)
    photo, difference = (first, contrast[0]) if seen_on == "first" else (second, contrast[1])
    if _is_glare(photo, region):
        return None
    step = change.step
    rows, columns = np.nonzero(region.mask)
    top, left = region.window[0].start, region.window[1].start
    box = (
        float((left + columns.min()) * step),
        float((top + rows.min()) * step),
        float((left + columns.max() + 1) * step),
        float((top + rows.max() + 1) * step),
    )
    red, green, blue = (float(value) for value in difference)
    return Blob(
        box_xyxy_px=box,
        seen_on=seen_on,
        z_peak=region.z_peak,
        area_px=int(region.mask.sum()) * step * step,
        length_px=region.length_px * step,
        contrast_rgb=(red, green, blue),
        width_px=region.width_px * step,
        moved_px=_moved_px(first, second, region) * step,
    )


def _moved_px(first: U8, second: U8, region: _Region) -> float:
    """Give the distance between the centres of what stands out on each photo, working pixels."""
    rows, columns = np.nonzero(region.mask)
    centres = []
    for photo in (first, second):
        ground = np.median(photo[region.ring], axis=0) if region.ring.any() else np.zeros(3)
        weight = np.abs(photo[region.mask] - ground).sum(axis=1) + 1e-3
        centres.append(np.average(np.stack([rows, columns]), axis=1, weights=weight))
    return float(np.linalg.norm(centres[0] - centres[1]))


def _contrast(photo: U8, region: _Region) -> F32:
    """Give the mean inside minus the mean about it, (3,) float32."""
    if not region.ring.any():
        return np.zeros(3, np.float32)
    inside, about = photo[region.mask].mean(axis=0), photo[region.ring].mean(axis=0)
    return as_f32((inside - about).astype(np.float32))


def _seen_on(first: U8, second: U8, region: _Region) -> Literal["first", "second", "both"]:
    """Tell on which photo the region stands out from its ground."""
    if not region.ring.any():
        return "both"
    out = []
    for photo in (first, second):
        about = photo[region.ring].astype(np.float32)
        away = np.abs(photo[region.mask].astype(np.float32) - np.median(about, axis=0))
        out.append(float((away.mean(axis=0) / (about.std(axis=0) + 4.0)).max()))
    if out[0] > SEEN_RATIO * out[1]:
        return "first"
    if out[1] > SEEN_RATIO * out[0]:
        return "second"
    return "both"


def _is_glare(photo: U8, region: _Region) -> bool:
    clipped = photo[region.mask].min(axis=1) >= CLIPPED - 15
    return float(clipped.mean()) > GLARE_SHARE
