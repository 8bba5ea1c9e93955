"""Small things that changed between two aligned photos."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from pestvision.arrays import BoxXyxy, checked_box
from pestvision.errors import ShapeError
from pestvision.motion.evidence import gather_evidence, has_camera_moved, moved_px
from pestvision.motion.mover_weights import load_weights, p_mover
from pestvision.motion.noise import ChangeMap, map_change
from pestvision.motion.regions import box_gap, find_regions
from pestvision.motion.surroundings import look_around
from pestvision.motion.threads import find_threads, thread_response

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.motion.align import AlignedPair
    from pestvision.motion.evidence import SeenOn, Weighed

MAX_BLOBS = 40  # kept, by strength

# Before a camera on a stand. The weights were fitted on hand-held pairs and do not carry over: of three
# real planarians that glide before a nearly still camera they kept two, and these rules all.
Z_SURE = 6.0  # sigmas, of the strongest pixel
Z_SEED = (
    4.5  # the same, with a sum above Z_SUM: faint animals are weak everywhere and many pixels long
)
Z_SUM = 80.0
Z_BOTH = (
    8.0  # what stands out on neither photo is more often a patch whose colour was matched badly
)
# At the working size. A less sure region as near to a surer one is a part of the same thing: leaving it
# out found 0.871 of movers at 0.42 false blobs a pair in place of 0.865 (628 tuning pairs, out of fold);
# 3, 10 and 16 gave 0.871 to 0.873, and letting what arrived leave out what left 0.876.
SAME_PX = 6

LEAST_CONTRAST = 6.0  # grey levels against its ground in the strongest channel


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
    weighed = weigh_change(change, pair, min_length_px=min_length_px)
    if has_camera_moved(pair):
        kept = _kept_hand_held(weighed)
    else:
        kept = [item for item in weighed if _is_kept_on_stand(item)]
    kept.sort(key=lambda item: -item.region.strength)
    return tuple(_blob(item, change) for item in kept[:MAX_BLOBS])


def weigh_change(
    change: ChangeMap, pair: AlignedPair, *, min_length_px: float = 16.0
) -> list[Weighed]:
    """Give every candidate of a pair with its evidence, before any is left out."""
    regions = find_regions(change, min_length_px)
    if not has_camera_moved(pair):
        return gather_evidence(regions, change, None)
    response = thread_response(change)
    regions += find_threads(response, change, regions)
    return gather_evidence(regions, change, look_around(change, response))


def _kept_hand_held(weighed: Sequence[Weighed]) -> list[Weighed]:
    """Keep what all its evidence, weighed, speaks for, and of things that lie together the surest."""
    table = load_weights()
    scores = [p_mover(item.evidence) for item in weighed]
    alone = is_surest_about(
        [item.region.box for item in weighed], [item.seen_on for item in weighed], scores
    )
    found = zip(weighed, scores, alone, strict=True)
    return [item for item, score, is_alone in found if is_alone and score >= table.p_least]


def is_surest_about(
    boxes: Sequence[BoxXyxy], seen_on: Sequence[SeenOn], scores: Sequence[float]
) -> list[bool]:
    """Tell which candidates lie beside no surer one that may be the same thing.

    Parameters
    ----------
    boxes
        At the working size.
    seen_on
        The photo each is seen on: what left and what arrived are two places, however near.
    scores
        How sure each is.

    Returns
    -------
    One truth value each. What is left out itself leaves nothing out.
    """
    is_alone = [False] * len(boxes)
    for index in sorted(range(len(boxes)), key=lambda place: -scores[place]):
        is_alone[index] = not any(
            is_alone[other]
            and {seen_on[index], seen_on[other]} != {"first", "second"}
            and box_gap(boxes[index], boxes[other]) <= SAME_PX
            for other in range(len(boxes))
        )
    return is_alone


def _is_kept_on_stand(item: Weighed) -> bool:
    """Tell whether a candidate is kept where the camera stood still and mirror images with it."""
    region, evidence = item.region, item.evidence
    if evidence.sways or evidence.beside_sway or evidence.is_bubble:
        return False
    is_plain = region.z_peak >= Z_SURE or (region.z_peak >= Z_SEED and region.strength >= Z_SUM)
    if item.seen_on == "both" and region.z_peak < Z_BOTH:
        return False
    return is_plain and float(abs(item.contrast).max()) >= LEAST_CONTRAST


def _blob(item: Weighed, change: ChangeMap) -> Blob:
    """Put a candidate in pixels of the photo."""
    region, step = item.region, change.step
    first, second = change.first[region.window], change.second[region.window]
    x0, y0, x1, y1 = (edge * step for edge in region.box)
    red, green, blue = (float(value) for value in item.contrast)
    return Blob(
        box_xyxy_px=(x0, y0, x1, y1),
        seen_on=item.seen_on,
        z_peak=region.z_peak,
        area_px=int(region.mask.sum()) * step * step,
        length_px=region.length_px * step,
        contrast_rgb=(red, green, blue),
        width_px=region.width_px * step,
        moved_px=moved_px(first, second, region) * step,
    )
