"""Small things that changed between two aligned photos."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, Bool, BoxXyxy, as_f32, as_u8, checked_box
from pestvision.errors import ShapeError
from pestvision.motion.noise import ChangeMap, map_change, unexplained_by

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.motion.align import AlignedPair

# Sigmas. A blob grows from its strongest pixel as far as Z_GROW; it needs one pixel above Z_SURE, or
# one above Z_SEED and a sum above Z_SUM: thin and faint animals are weak everywhere but many pixels
# long. On drawn pairs half the noise's largest values lie under 3.3 (its 99.5 % quantile).
Z_GROW = 3.0
Z_SEED = 4.5
Z_SURE = 6.0
Z_SUM = 80.0
Z_BOTH = (
    8.0  # what stands out on neither photo is more often a patch whose colour was matched badly
)
LEAST_CONTRAST = 6.0  # grey levels against its ground in the strongest channel

MAX_BLOBS = 40  # kept, by strength
MAX_LOOKED_AT = 150  # candidates measured, by strength: a ruined pair must not take minutes
MAX_FRAME_SHARE = 0.25  # of the frame's area: more is not a small animal
CLOSE_PX = 5  # at the working size: joins the two sides of one animal

LEAST_LENGTH_SHARE = 0.8
"""Of `min_length_px`: a bent animal's rectangle is shorter than the animal."""

# A frond that sways. Of the change, fronds kept under 0.35 once both photos were bent onto each other
# by the flow between them, nine movers in ten over 0.6 (drawn pairs).
SWAY_SHARE = 0.4
SWAY_FRAME_SHARE = 0.015  # of the frame's long side: what bends further is not rooted
SWAY_PAD_PX = 24  # at the working size, around a blob: where its flow is looked for

# A lamp's mirror image adds light to what is there and takes none away; a body has a shaded side.
LIGHTER_LEVELS = (
    3.0  # grey levels by which a pixel must be lighter in one channel, and darker in none
)
LIGHTER_SHARE = 0.7  # of a blob's pixels
GLARE_WHITE = (
    0.85  # of the photo's lightest thousandth, in every channel, by a blob's lighter third
)
GLARE_WHITE_BOTH = 0.8  # the same where its two places overlap: the lighter third takes in the rim
GLARE_LEAST_PX = 28.0  # at the working size; smaller ones cannot be told from pale young
GLARE_FILL = 0.3  # of the smallest rectangle: thin worms fill less
GLARE_EDGE = 0.24  # of the change, a pixel at the rim: a mirror image has a soft edge
GLARE_EDGE_BOTH = 0.1  # the same where its two places overlap, and half the rim lies inside
GLARE_MOST_SHARE = 0.22  # of the frame's long side
GLARE_SHADE = 0.028  # of the change: how much darker a seventh of its surroundings may be
CAMERA_MOVED_SHARE = 0.003  # of the long side: below it, mirror images stay where they are

BUBBLE_MOST_PX = 26.0  # at the working size; larger round things are looked at as animals
BUBBLE_ROUND = 0.65  # width over length
SPARK_MOST_PX = 20.0  # the bright rim or spark of a bubble, at the working size
SPARK_ROUND = 0.43
RESTLESS_PX = 12  # at the working size, about something that sways
BUBBLE_FILL = 0.6  # of the smallest rectangle; a disk fills 0.79

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
    box: BoxXyxy


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
    camera_moved = _camera_moved(pair)
    regions = _regions(change, min_length_px)
    swaying = [region for region in regions if _sways(region, change)]
    calm = [region for region in regions if not _is_among(region, swaying)]
    kept = []
    for region in calm:
        blob = _blob(region, change, camera_moved=camera_moved)
        if blob is not None:
            kept.append((region.strength, blob))
    kept.sort(key=lambda item: -item[0])
    return tuple(blob for _, blob in kept[:MAX_BLOBS])


def _is_among(region: _Region, swaying: Sequence[_Region]) -> bool:
    """Tell whether a region sways, or is a weaker change beside one that does."""
    for other in swaying:
        if other is region:
            return True
        if other.z_peak > region.z_peak and _gap(region.box, other.box) <= RESTLESS_PX:
            return True
    return False


def _gap(one: BoxXyxy, other: BoxXyxy) -> float:
    """Give the larger of the horizontal and vertical gaps between two boxes; under 0 if they overlap."""
    across = max(one[0], other[0]) - min(one[2], other[2])
    down = max(one[1], other[1]) - min(one[3], other[3])
    return max(across, down)


def _regions(change: ChangeMap, min_length_px: float) -> list[_Region]:
    """Threshold with hysteresis, join, and measure what is of a possible size."""
    side = np.ones((CLOSE_PX, CLOSE_PX), np.uint8)
    grown = cv2.morphologyEx((change.z > Z_GROW).view(np.uint8), cv2.MORPH_CLOSE, side)
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(grown, connectivity=8)
    strength = _strength(change.z, labels, n_labels)
    strength[stats[:, cv2.CC_STAT_AREA] > MAX_FRAME_SHARE * change.z.size] = 0.0
    order = np.argsort(-strength)[:MAX_LOOKED_AT]
    found = [_region(change, labels, stats, int(label)) for label in order if strength[label] > 0]
    least = LEAST_LENGTH_SHARE * min_length_px / change.step
    return [region for region in found if region.length_px >= least]


def _strength(z: F32, labels: cv2.typing.MatLike, n_labels: int) -> F64:
    """Sum what is above Z_GROW in each label; 0 where that is no more than noise: (n_labels,)."""
    places = np.nonzero(z > Z_GROW)
    values, owners = z[places], labels[places]
    total = np.bincount(owners, weights=values, minlength=n_labels).astype(np.float64)
    seeded = np.zeros(n_labels, bool)
    seeded[owners[values > Z_SEED]] = True
    sure = np.zeros(n_labels, bool)
    sure[owners[values > Z_SURE]] = True
    total[~(sure | (seeded & (total >= Z_SUM)))] = 0.0
    total[0] = 0.0
    return total


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
        box=(float(x), float(y), float(x + width), float(y + height)),
    )


def _blob(region: _Region, change: ChangeMap, *, camera_moved: bool) -> Blob | None:
    """Tell where the animal is; drop bubbles, mirror images of lamps, and bad matches."""
    first, second = change.first[region.window], change.second[region.window]
    contrast = (_contrast(first, region), _contrast(second, region))
    seen_on = _seen_on(first, second, region)
    least = Z_BOTH if seen_on == "both" else Z_SEED
    difference = contrast[0] if seen_on == "first" else contrast[1]
    if region.z_peak < least or float(np.abs(difference).max()) < LEAST_CONTRAST:
        return None
    light = _light(region, change, seen_on)
    if _is_bubble(region, light) or (camera_moved and _is_glare(region, light, change, seen_on)):
        return None
    step = change.step
    x0, y0, x1, y1 = (edge * step for edge in region.box)
    red, green, blue = (float(value) for value in difference)
    return Blob(
        box_xyxy_px=(x0, y0, x1, y1),
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


def _sways(region: _Region, change: ChangeMap) -> bool:
    """Tell whether a small, smooth bend of the picture explains the change.

    A frond in the current, or a thing nearer or further than the glass when the camera moved, is on
    both photos, a little bent: each photo laid over the other by the optical flow between them leaves
    nothing over. An animal that left is nowhere near, and the flow finds nothing to lay over it.

    Notes
    -----
    Flow: Kroeger, Timofte, Dai & Van Gool 2016, ECCV, 471-488 (dense inverse search).
    """
    height, width = change.z.shape
    rows, columns = np.nonzero(region.mask)
    rows, columns = rows + region.window[0].start, columns + region.window[1].start
    pad = max(SWAY_PAD_PX, int(max(np.ptp(rows), np.ptp(columns)) + 1) // 2)
    top, left = max(0, rows.min() - pad), max(0, columns.min() - pad)
    window = (slice(top, rows.max() + 1 + pad), slice(left, columns.max() + 1 + pad))
    photos = (
        np.ascontiguousarray(change.first[window]),
        np.ascontiguousarray(change.second[window]),
    )
    mask = np.zeros(photos[0].shape[:2], np.uint8)
    mask[rows - top, columns - left] = 1
    inside = cv2.dilate(mask, np.ones((3, 3), np.uint8)).view(np.bool_)
    before, after, far = [], [], 0.0
    for photo, other in (photos, photos[::-1]):
        bent, flow = _bent_onto(photo, other)
        before.append(float(unexplained_by(photo, other)[inside].sum()))
        after.append(float(unexplained_by(photo, bent)[inside].sum()))
        far = max(far, float(np.quantile(np.linalg.norm(flow[inside], axis=1), 0.9)))
    is_near = far <= max(3.0, SWAY_FRAME_SHARE * max(height, width))
    return is_near and max(after) <= SWAY_SHARE * max(*before, 1.0)


def _bent_onto(photo: U8, other: U8) -> tuple[U8, F32]:
    """Bend the other photo onto this one by optical flow; give it and the flow, (h, w, 2), x y."""
    greys = [cv2.cvtColor(item, cv2.COLOR_RGB2GRAY) for item in (photo, other)]
    height, width = greys[0].shape
    flow = np.zeros((height, width, 2), np.float32)
    try:
        search = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
        flow = as_f32(search.calc(greys[0], greys[1], flow))
    except cv2.error:  # a window too small for its pyramid, at the frame's edge
        return other, flow
    places = np.dstack(np.meshgrid(np.arange(width), np.arange(height))).astype(np.float32) + flow
    bent = cv2.remap(
        other, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return as_u8(bent), flow


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


@dataclass(frozen=True, slots=True)
class _Light:
    """How a blob differs in light on the photo it is seen on.

    `shade`: how much darker than the other photo a seventh of its surroundings is, over its change.
    `lighter`: share of its pixels lighter in every channel than the other photo, or, for a blob seen
    on both, than the other photo or the other way round. `white`: its lighter third over the photo's
    lightest thousandth, least channel. `edge`: slope at its rim over its change, a pixel.
    """

    lighter: float
    white: float
    edge: float
    shade: float


def _light(region: _Region, change: ChangeMap, seen_on: str) -> _Light:
    """Measure a blob's light."""
    first, second = (photo[region.window] for photo in (change.first, change.second))
    here, there = (first, second) if seen_on == "first" else (second, first)
    gain = np.subtract(here, there, dtype=np.float32)[region.mask]
    least, most = gain.min(axis=1), gain.max(axis=1)
    lighter = ((most > LIGHTER_LEVELS) & (least > -1.5)).mean()
    if seen_on == "both":
        lighter += ((least < -LIGHTER_LEVELS) & (most < 1.5)).mean()
    whites = [_whiteness(first, region, change.first), _whiteness(second, region, change.second)]
    white = min(whites) if seen_on == "both" else whites[0 if seen_on == "first" else 1]
    grey = here.mean(axis=2, dtype=np.float32)
    slope = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)) / 8
    rim = region.mask & ~cv2.erode(region.mask.view(np.uint8), np.ones((3, 3))).view(np.bool_)
    strength = max(1.0, float(np.quantile(np.abs(gain.mean(axis=1)), 0.9)))
    shade = _shade(here, there, region) / strength
    return _Light(float(lighter), white, float(slope[rim].mean()) / strength, shade)


def _shade(here: U8, there: U8, region: _Region) -> float:
    """Give how much darker a seventh of a blob's surroundings is than on the other photo, levels.

    Where the other photo is as light as the blob, its own mirror image lies there: left out.
    """
    mask = region.mask.view(np.uint8)
    wide, near = (cv2.dilate(mask, np.ones((side, side), np.uint8)) for side in (13, 3))
    around = wide > near
    light_here, light_there = here.mean(axis=2), there.mean(axis=2)
    if not around.any():
        return 0.0
    halfway = (light_here[region.mask].mean() + np.median(light_there[around])) / 2
    lit = (light_there >= halfway).astype(np.uint8)
    around &= cv2.dilate(lit, np.ones((5, 5), np.uint8)) == 0
    if not around.any():
        return 0.0
    return -float(np.quantile((light_here - light_there)[around], 0.15)) - LIGHTER_LEVELS


def _whiteness(part: U8, region: _Region, photo: U8) -> float:
    inside = part[region.mask]
    lightest = inside[np.argsort(inside.sum(axis=1, dtype=np.int32))[-max(3, len(inside) // 3) :]]
    white = np.quantile(photo[::4, ::4].reshape(-1, 3), 0.999, axis=0)
    return float((lightest.mean(axis=0) / np.maximum(white, 1.0)).min())


def _is_glare(region: _Region, light: _Light, change: ChangeMap, seen_on: str) -> bool:
    """Tell whether a blob is a lamp's mirror image that moved with the camera."""
    fill = float(region.mask.sum()) / (region.length_px * region.width_px)
    is_both = seen_on == "both"
    edge = GLARE_EDGE_BOTH if is_both else GLARE_EDGE
    white = GLARE_WHITE_BOTH if is_both else GLARE_WHITE
    return bool(
        GLARE_LEAST_PX <= region.length_px <= GLARE_MOST_SHARE * max(change.z.shape)
        and fill >= GLARE_FILL
        and light.lighter >= LIGHTER_SHARE
        and light.white >= white
        and light.edge <= edge
        and light.shade <= GLARE_SHADE
    )


def _is_bubble(region: _Region, light: _Light) -> bool:
    """Tell whether a blob is small, round, and lighter than its ground all over."""
    fill = float(region.mask.sum()) / (region.length_px * region.width_px)
    roundness = region.width_px / region.length_px
    is_disk = region.length_px <= BUBBLE_MOST_PX and roundness >= BUBBLE_ROUND
    is_spark = region.length_px <= SPARK_MOST_PX and roundness >= SPARK_ROUND
    return bool((is_disk or is_spark) and fill >= BUBBLE_FILL and light.lighter >= LIGHTER_SHARE)


def _camera_moved(pair: AlignedPair) -> bool:
    height, width = pair.first.shape[:2]
    corners = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]], np.float64)
    ahead = corners @ pair.matrix.T
    away = np.linalg.norm(ahead[:, :2] / ahead[:, 2:] - corners[:, :2], axis=1)
    return bool(away.max() > CAMERA_MOVED_SHARE * max(height, width))
