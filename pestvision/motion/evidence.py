"""What speaks for and against a changed region being an animal that moved.

Four things change between two photos of a tank and are no animal: a mirror image of a lamp lies
elsewhere once the camera moved, a frond sways, a bubble rises, and a steep edge is misplaced by part of
a pixel. Each leaves its own mark, and no mark alone is sure: they are measured here, as numbers, and
weighed together by `mover_weights`.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, as_f32, as_u8
from pestvision.motion.noise import local_spread, mean_channel, unexplained_by
from pestvision.motion.regions import box_gap
from pestvision.motion.surroundings import Standing, measure_standing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.motion.align import AlignedPair
    from pestvision.motion.noise import ChangeMap
    from pestvision.motion.regions import Region
    from pestvision.motion.surroundings import Surroundings

SeenOn = Literal["first", "second", "both"]

SEEN_RATIO = 1.5  # how much better a region must stand out on one photo than on the other

# A frond that sways. Of the change, fronds kept under 0.35 once both photos were bent onto each other
# by the flow between them, nine movers in ten over 0.6 (drawn pairs).
SWAY_SHARE = 0.4
SWAY_FRAME_SHARE = 0.015  # of the frame's long side: what bends further is not rooted
SWAY_PAD_PX = 24  # at the working size, around a region: where its flow is looked for
RESTLESS_PX = 12  # at the working size, about something that sways

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
BUBBLE_FILL = 0.6  # of the smallest rectangle; a disk fills 0.79

PARTNER_LENGTHS = 12.0  # of a region: as far off its other place is looked for; as in `tracks`
PARTNER_COLOUR = 45.0  # grey levels of contrast at which colour alone makes two regions unlike
MOST_RATIO = 3.0  # of logarithms of ratios: beyond, more of it says no more


@dataclass(frozen=True, slots=True)
class Evidence:
    """Numbers about one region, each about 0 to 10. Lengths are at the working size.

    `peak`, `total`: logarithms of the strongest change and of its sum, in sigmas. `length`: logarithm.
    `roundness`: width over length. `fill`: of the smallest rectangle. `contrast`: logarithm of the
    strongest channel's difference from the ground. `one_sided`: logarithm of how much better it stands
    out on one photo than on the other. `colour`: how unlike the channels' contrasts are, 0 to 1.

    `sway`: share of the change that is left once one photo is bent onto the other. `far`: how far it had
    to be bent. `sways`: whether both say that it is rooted. `beside_sway`: whether a stronger change
    next to it sways.

    `steep`: the local spread that both photos have there, over the change. `company`: logarithm of the
    number of regions of the pair. `rank`: logarithm of the strongest region's sum over this one's.

    `darker`: share of pixels darker in every channel than the other photo. `lighter`, `white`, `soft`,
    `unshaded`, `is_glare`: what a mirror image shows, 0 where the camera stood still. `is_bubble`: small,
    round and lighter all over. `partner`: how like the best other place of the pair is in size, colour
    and nearness, 0 to 1. `light_partner`: the same, for what is lighter in both places.

    `thread`: logarithm of the strongest answer along a line. `clear`: logarithm of the mean change over
    that of the pixels about it, times the root of the number of pixels. `one_sign`: share of the change
    that has one sign. `unrest`: logarithm of the mean change about it. `crowd`: share of what is near
    that changed too. `texture`: fine detail inside over the change. `clipped`, `gap`: share of what
    touches it that is clipped, or has no source in a photo. `twin`: correlation with its like of the
    opposite sign elsewhere; `risen`: the same, if that lies straight above. These ten are 0 where the
    camera stood still.
    """

    peak: float
    total: float
    length: float
    roundness: float
    fill: float
    contrast: float
    one_sided: float
    colour: float
    sway: float
    far: float
    sways: float
    beside_sway: float
    steep: float
    company: float
    rank: float
    darker: float
    lighter: float
    white: float
    soft: float
    unshaded: float
    is_glare: float
    is_bubble: float
    partner: float
    light_partner: float
    thread: float
    clear: float
    one_sign: float
    unrest: float
    crowd: float
    texture: float
    clipped: float
    gap: float
    twin: float
    risen: float


EVIDENCE = tuple(item.name for item in dataclasses.fields(Evidence))


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """A region, on which photo it stands out, its contrast there, (3,) float32, and its evidence."""

    region: Region
    seen_on: SeenOn
    contrast: F32
    evidence: Evidence


def gather_evidence(
    regions: Sequence[Region], change: ChangeMap, about: Surroundings | None
) -> list[Weighed]:
    """Measure every region of a pair, alone and among the others.

    Parameters
    ----------
    regions
        From `find_regions`.
    change
        The map they were found in.
    about
        What lies about them; None before a camera on a stand. There mirror images of lamps stay, and
        something white that comes and goes is an animal.
    """
    whites = (_lightest(change.first), _lightest(change.second))
    looks = [_look(region, change, whites, about) for region in regions]
    return [
        Weighed(
            look.region,
            look.seen_on,
            look.contrast,
            _evidence(look, looks, change, camera_moved=about is not None),
        )
        for look in looks
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """A region by itself."""

    region: Region
    seen_on: SeenOn
    contrast: F32
    one_sided: float
    light: _Light
    bend: _Bend
    standing: Standing


def _look(
    region: Region, change: ChangeMap, whites: tuple[F64, F64], about: Surroundings | None
) -> _Look:
    first, second = change.first[region.window], change.second[region.window]
    one_sided = _one_sided(first, second, region)
    seen_on: SeenOn = "both"
    if abs(one_sided) > np.log(SEEN_RATIO):
        seen_on = "first" if one_sided > 0 else "second"
    contrast = contrast_of(first if seen_on == "first" else second, region)
    light = _light(region, change, seen_on, whites)
    bend = _bend(region, change)
    standing = Standing()
    if about is not None:
        standing = measure_standing(region, change, about, is_on_second=seen_on == "second")
    return _Look(region, seen_on, contrast, one_sided, light, bend, standing)


def _evidence(
    look: _Look, looks: Sequence[_Look], change: ChangeMap, *, camera_moved: bool
) -> Evidence:
    region, light, bend = look.region, look.light, look.bend
    strongest = float(np.abs(look.contrast).max())
    lighter = light.lighter if camera_moved else 0.0
    return Evidence(
        peak=float(np.log(region.z_peak)),
        total=float(np.log(region.strength)),
        length=float(np.log(region.length_px)),
        roundness=region.width_px / region.length_px,
        fill=_fill(region),
        contrast=float(np.log1p(strongest)),
        one_sided=min(abs(look.one_sided), MOST_RATIO),
        colour=float(np.ptp(look.contrast)) / (strongest + LIGHTER_LEVELS) / 2,
        sway=min(bend.left, 1.5),
        far=float(np.log1p(bend.far_px)),
        sways=float(bend.is_rooted),
        beside_sway=float(any(_is_beside(region, other) for other in looks)),
        steep=min(_steep(region, change), MOST_RATIO),
        company=float(np.log(len(looks))),
        rank=float(np.log(max(other.region.strength for other in looks) / region.strength)),
        darker=light.darker,
        lighter=lighter,
        white=lighter * float(np.clip((light.white - 0.6) / 0.4, 0, 1)),
        soft=lighter * float(np.clip(1 - light.edge / 0.4, 0, 1)),
        unshaded=lighter * float(np.clip(1 - light.shade / 0.1, 0, 1)),
        is_glare=float(camera_moved and _is_glare(region, light, change, look.seen_on)),
        is_bubble=float(_is_bubble(region, light)),
        partner=max((_likeness(look, other) for other in looks), default=0.0),
        light_partner=max(
            (_likeness(look, other) * min(lighter, other.light.lighter) for other in looks),
            default=0.0,
        ),
        **dataclasses.asdict(look.standing),
    )


def _fill(region: Region) -> float:
    """Give the share of the smallest rectangle that changed."""
    return float(region.mask.sum()) / (region.length_px * region.width_px)


def _is_beside(region: Region, other: _Look) -> bool:
    """Tell whether another, stronger region is near and sways."""
    return (
        other.bend.is_rooted
        and other.region.z_peak > region.z_peak
        and box_gap(region.box, other.region.box) <= RESTLESS_PX
    )


def _likeness(one: _Look, other: _Look) -> float:
    """Give how like two regions of opposite photos are in size, contrast and place, 0 to 1."""
    if one.seen_on == "both" or {one.seen_on, other.seen_on} != {"first", "second"}:
        return 0.0
    areas = [float(look.region.mask.sum()) for look in (one, other)]
    size = abs(float(np.log(areas[0] / areas[1])))
    colour = float(np.abs(one.contrast - other.contrast).mean()) / PARTNER_COLOUR
    boxes = (one.region.box, other.region.box)
    across, down = (
        (boxes[0][i] + boxes[0][i + 2] - boxes[1][i] - boxes[1][i + 2]) / 2 for i in (0, 1)
    )
    length = max(one.region.length_px, other.region.length_px)
    away = float(np.hypot(across, down)) / (length * PARTNER_LENGTHS)
    return float(np.exp(-(0.5 * size + colour + away)))


def _steep(region: Region, change: ChangeMap) -> float:
    """Give the spread about each pixel that both photos have, over the change between them.

    What a misplacement of part of a pixel changes is a share of the spread, and the edge is on both.
    """
    parts = [np.ascontiguousarray(photo[region.window]) for photo in (change.first, change.second)]
    spread = cv2.min(*(local_spread(part) for part in parts))[region.mask]
    apart = cv2.absdiff(*parts).max(axis=2)[region.mask]
    return float(spread.mean(dtype=np.float64) / max(1.0, float(apart.mean(dtype=np.float64))))


def moved_px(first: U8, second: U8, region: Region) -> float:
    """Give the distance between the centres of what stands out on each photo, working pixels."""
    rows, columns = np.nonzero(region.mask)
    centres = []
    for photo in (first, second):
        ground = np.median(photo[region.ring], axis=0) if region.ring.any() else np.zeros(3)
        weight = np.abs(photo[region.mask] - ground).sum(axis=1) + 1e-3
        centres.append(np.average(np.stack([rows, columns]), axis=1, weights=weight))
    return float(np.linalg.norm(centres[0] - centres[1]))


@dataclass(frozen=True, slots=True)
class _Bend:
    """How much of a change is left once the photos are bent onto each other, and how far they were."""

    left: float
    far_px: float
    is_rooted: bool


def _bend(region: Region, change: ChangeMap) -> _Bend:
    """Measure how much of the change a small, smooth bend of the picture explains.

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
    left = max(after) / max(*before, 1.0)
    return _Bend(left, far, is_near and left <= SWAY_SHARE)


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


def contrast_of(photo: U8, region: Region) -> F32:
    """Give the mean inside minus the mean about it, (3,) float32."""
    if not region.ring.any():
        return np.zeros(3, np.float32)
    inside, about = photo[region.mask].mean(axis=0), photo[region.ring].mean(axis=0)
    return as_f32((inside - about).astype(np.float32))


def _one_sided(first: U8, second: U8, region: Region) -> float:
    """Give the logarithm of how much better the region stands out on the first photo."""
    if not region.ring.any():
        return 0.0
    out = []
    for photo in (first, second):
        about = photo[region.ring].astype(np.float32)
        away = np.abs(photo[region.mask].astype(np.float32) - np.median(about, axis=0))
        out.append(float((away.mean(axis=0) / (about.std(axis=0) + 4.0)).max()))
    return float(np.log((out[0] + 1e-3) / (out[1] + 1e-3)))


@dataclass(frozen=True, slots=True)
class _Light:
    """How a blob differs in light on the photo it is seen on.

    `shade`: how much darker than the other photo a seventh of its surroundings is, over its change.
    `lighter`: share of its pixels lighter in every channel than the other photo, or, for a blob seen
    on both, than the other photo or the other way round. `darker`: share darker in every channel. `white`: its lighter third over the photo's
    lightest thousandth, least channel. `edge`: slope at its rim over its change, a pixel.
    """

    lighter: float
    darker: float
    white: float
    edge: float
    shade: float


def _light(region: Region, change: ChangeMap, seen_on: str, whites: tuple[F64, F64]) -> _Light:
    """Measure a blob's light; `whites` from `_lightest`, of both photos."""
    first, second = (photo[region.window] for photo in (change.first, change.second))
    here, there = (first, second) if seen_on == "first" else (second, first)
    gain = np.subtract(here, there, dtype=np.float32)[region.mask]
    least, most = gain.min(axis=1), gain.max(axis=1)
    lighter = ((most > LIGHTER_LEVELS) & (least > -1.5)).mean()
    if seen_on == "both":
        lighter += ((least < -LIGHTER_LEVELS) & (most < 1.5)).mean()
    pale = [
        _whiteness(part, region, white) for part, white in zip((first, second), whites, strict=True)
    ]
    darker = ((least < -LIGHTER_LEVELS) & (most < 1.5)).mean()
    white = min(pale) if seen_on == "both" else pale[0 if seen_on == "first" else 1]
    grey = mean_channel(here)
    slope = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)) / 8
    rim = region.mask & ~cv2.erode(region.mask.view(np.uint8), np.ones((3, 3))).view(np.bool_)
    strength = max(1.0, float(np.quantile(np.abs(gain.mean(axis=1)), 0.9)))
    shade = _shade(here, there, region) / strength
    return _Light(float(lighter), float(darker), white, float(slope[rim].mean()) / strength, shade)


def _shade(here: U8, there: U8, region: Region) -> float:
    """Give how much darker a seventh of a blob's surroundings is than on the other photo, levels.

    Where the other photo is as light as the blob, its own mirror image lies there: left out.
    """
    mask = region.mask.view(np.uint8)
    wide, near = (cv2.dilate(mask, np.ones((side, side), np.uint8)) for side in (13, 3))
    around = wide > near
    light_here, light_there = mean_channel(here), mean_channel(there)
    if not around.any():
        return 0.0
    halfway = (light_here[region.mask].mean() + np.median(light_there[around])) / 2
    lit = (light_there >= halfway).astype(np.uint8)
    around &= cv2.dilate(lit, np.ones((5, 5), np.uint8)) == 0
    if not around.any():
        return 0.0
    return -float(np.quantile((light_here - light_there)[around], 0.15)) - LIGHTER_LEVELS


def _lightest(photo: U8) -> F64:
    """Give the level that a photo's lightest thousandth exceeds, (3,), once a pair."""
    sparse = np.ascontiguousarray(photo[::4, ::4])
    place = 0.999 * (sparse.shape[0] * sparse.shape[1] - 1)
    ranks = np.array([np.floor(place), np.ceil(place)])
    white = np.zeros(3)
    for channel in range(3):  # by counting: sorting took 20 ms on a 12-megapixel pair
        counts = cv2.calcHist([sparse], [channel], None, [256], [0, 256])
        up_to = np.cumsum(counts.ravel().astype(np.int64))
        below, above = np.searchsorted(up_to, ranks, side="right")
        white[channel] = below + (above - below) * (place - ranks[0])
    return white


def _whiteness(part: U8, region: Region, white: F64) -> float:
    inside = part[region.mask]
    lightest = inside[np.argsort(inside.sum(axis=1, dtype=np.int32))[-max(3, len(inside) // 3) :]]
    return float((lightest.mean(axis=0) / np.maximum(white, 1.0)).min())


def _is_glare(region: Region, light: _Light, change: ChangeMap, seen_on: str) -> bool:
    """Tell whether a blob is a lamp's mirror image that moved with the camera."""
    fill = _fill(region)
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


def _is_bubble(region: Region, light: _Light) -> bool:
    """Tell whether a blob is small, round, and lighter than its ground all over."""
    fill = _fill(region)
    roundness = region.width_px / region.length_px
    is_disk = region.length_px <= BUBBLE_MOST_PX and roundness >= BUBBLE_ROUND
    is_spark = region.length_px <= SPARK_MOST_PX and roundness >= SPARK_ROUND
    return bool((is_disk or is_spark) and fill >= BUBBLE_FILL and light.lighter >= LIGHTER_SHARE)


def has_camera_moved(pair: AlignedPair) -> bool:
    """Tell whether the camera strayed so far that mirror images of lamps moved with it."""
    height, width = pair.first.shape[:2]
    corners = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]], np.float64)
    ahead = corners @ pair.matrix.T
    away = np.linalg.norm(ahead[:, :2] / ahead[:, 2:] - corners[:, :2], axis=1)
    return bool(away.max() > CAMERA_MOVED_SHARE * max(height, width))
