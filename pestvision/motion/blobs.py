"""Small things that moved between two aligned photos."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from pestvision.arrays import BoxXyxy, checked_box
from pestvision.errors import ShapeError
from pestvision.motion.candidates import find_candidates, moved_px
from pestvision.motion.mover_net import load_mover_net
from pestvision.motion.noise import ChangeMap, map_change
from pestvision.motion.patches import cut_patches
from pestvision.motion.regions import box_gap
from pestvision.motion.restless import LEAST_FACTOR, PairPlaces

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import Bool
    from pestvision.motion.align import AlignedPair
    from pestvision.motion.candidates import Candidate, SeenOn

MAX_BLOBS = 40  # kept, the surest first

FALSE_A_PAIR = 0.1
"""False blobs that are expected in a pair of a tank in which nothing moved: one in ten pairs."""

# At the working size. A less sure region as near to a surer one is a part of the same thing: leaving it
# out found 0.871 of movers at 0.42 false blobs a pair in place of 0.865 (628 tuning pairs, with evidence
# weighed by a regression); 3, 10 and 16 gave 0.871 to 0.873.
SAME_PX = 6

CAMERA_MOVED_SHARE = 0.003  # of the long side: below it, mirror images stay where they are


@dataclass(frozen=True, slots=True)
class Blob:
    """One changed region on the first photo's grid.

    `box_xyxy_px` on the first photo's pixels. `seen_on` says which photo shows the animal there:
    `first` (it left from here), `second` (it arrived here) or `both` (cannot be told, or it moved by
    less than its own length). `z_peak` is the strongest change in noise sigmas; `area_px` the number
    of changed pixels; `length_px` and `width_px` the sides of the smallest rectangle around them, at
    any turn; `contrast_rgb` the mean difference animal minus ground, per channel; `moved_px`, for
    `both`, the distance between what stands out on one photo and on the other; `p_value` the chance that
    a pair in which nothing moved shows anything of which the program is as sure.
    """

    box_xyxy_px: BoxXyxy
    seen_on: Literal["first", "second", "both"]
    z_peak: float
    area_px: int
    length_px: float
    contrast_rgb: tuple[float, float, float]
    width_px: float = 1.0
    moved_px: float = 0.0
    p_value: float = 0.0

    def __post_init__(self) -> None:
        checked_box(self.box_xyxy_px)
        if self.seen_on not in {"first", "second", "both"}:
            raise ShapeError("seen_on", expected="first, second or both", actual=self.seen_on)
        if self.area_px < 1 or self.length_px <= 0:
            raise ShapeError(
                "blob", expected="a positive area and length", actual=str(self.area_px)
            )


def find_blobs(
    pair: AlignedPair, *, min_length_px: float = 16.0, false_a_pair: float = FALSE_A_PAIR
) -> tuple[Blob, ...]:
    """Isolate what moved between two aligned photos.

    Parameters
    ----------
    pair
        From `align_pair`.
    min_length_px
        Length of the smallest mover looked for, in pixels of the photo.
    false_a_pair
        How many false blobs may be expected where nothing moved, above 0.

    Returns
    -------
    At most `MAX_BLOBS`, the surest first; empty where nothing moved.
    """
    seen = judge_pair(pair, min_length_px=min_length_px, false_a_pair=false_a_pair)
    return found_blobs(seen, false_a_pair=false_a_pair)


@dataclass(frozen=True, slots=True, eq=False)
class PairChange:
    """What is kept of a pair until the other pairs of its stretch have been seen.

    Parameters
    ----------
    blobs
        All that may be found yet, the surest first; no two that may be the same thing.
    expected_false
        For each: how many as sure as it this pair alone, by itself, would show where nothing moved.
    places
        Where something changed, likely an animal or not.
    """

    blobs: tuple[Blob, ...]
    expected_false: tuple[float, ...]
    places: PairPlaces

    def __post_init__(self) -> None:
        if len(self.blobs) != len(self.expected_false):
            expected, actual = f"{len(self.blobs)} numbers", str(len(self.expected_false))
            raise ShapeError("expected_false", expected=expected, actual=actual)


def judge_pair(
    pair: AlignedPair, *, min_length_px: float = 16.0, false_a_pair: float = FALSE_A_PAIR
) -> PairChange:
    """Isolate all that may yet be found between two photos, whatever other photos show of its place.

    Parameters
    ----------
    pair
        From `align_pair`.
    min_length_px, false_a_pair
        As for `find_blobs`.

    Returns
    -------
    With at most `MAX_BLOBS`: those that are found where every place is as restful as it can be. The rule
    finds no less when an expectation falls, so that no other can be found.
    """
    change = map_change(pair, min_length_px=min_length_px)
    every = judge_change(change, min_length_px=min_length_px, on_stand=not has_camera_moved(pair))
    judged = [item for item in every if item.is_alone]
    at_best = is_found([LEAST_FACTOR * item.expected_false for item in judged], false_a_pair)
    kept = [item for item, may_be_found in zip(judged, at_best, strict=True) if may_be_found]
    kept.sort(key=lambda item: -item.score)
    kept = kept[:MAX_BLOBS]
    return PairChange(
        blobs=tuple(_blob(item, change) for item in kept),
        expected_false=tuple(item.expected_false for item in kept),
        places=PairPlaces(
            boxes=tuple(_box_px(item, change) for item in every),
            matrix=np.asarray(pair.matrix, np.float64),
            size=pair.first.shape[:2],
        ),
    )


def found_blobs(
    seen: PairChange, *, false_a_pair: float = FALSE_A_PAIR, factors: Sequence[float] | None = None
) -> tuple[Blob, ...]:
    """Give what of a pair is found.

    Parameters
    ----------
    seen
        From `judge_pair`.
    false_a_pair
        As given there.
    factors
        By which each expectation grows for what other photos show of its place, from
        `restless.place_factors`; none where there are no others.
    """
    weights = [1.0] * len(seen.blobs) if factors is None else factors
    expected = [false * weight for false, weight in zip(seen.expected_false, weights, strict=True)]
    kept = is_found(expected, false_a_pair)
    return tuple(
        dataclasses.replace(blob, p_value=float(-np.expm1(-false)))
        for blob, false, is_kept in zip(seen.blobs, expected, kept, strict=True)
        if is_kept
    )


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A candidate, and the log-odds of its being a mover.

    `expected_false`: how many candidates of which the program is as sure a pair shows where nothing
    moved. `is_alone`: whether no surer candidate beside it may be the same thing.
    """

    candidate: Candidate
    score: float
    expected_false: float
    is_alone: bool


def judge_change(
    change: ChangeMap, *, min_length_px: float = 16.0, on_stand: bool = False
) -> list[Judged]:
    """Give every candidate of a pair with how sure it is, before any is left out."""
    found = find_candidates(change, min_length_px=min_length_px)
    net = load_mover_net()
    scores = net.scores(cut_patches([item.region for item in found], change))
    expected = net.expected_false(scores, on_stand=on_stand).tolist()
    as_list = [float(score) for score in scores]
    alone = is_surest_about(
        [item.region.box for item in found], [item.seen_on for item in found], as_list
    )
    return [
        Judged(item, score, false, is_alone)
        for item, score, false, is_alone in zip(found, as_list, expected, alone, strict=True)
    ]


def has_camera_moved(pair: AlignedPair) -> bool:
    """Tell whether the camera strayed so far that mirror images of lamps moved with it."""
    height, width = pair.first.shape[:2]
    corners = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]], np.float64)
    ahead = corners @ pair.matrix.T
    away = np.linalg.norm(ahead[:, :2] / ahead[:, 2:] - corners[:, :2], axis=1)
    return bool(away.max() > CAMERA_MOVED_SHARE * max(height, width))


def is_found(expected_false: Sequence[float], false_a_pair: float) -> Bool:
    """Tell which of a pair's candidates are found: those that expect no more false ones than asked for.

    Parameters
    ----------
    expected_false
        Of each candidate: how many as sure as it a pair shows where nothing moved. It is the number of
        tests times the p-value; the number of tests is what still tanks had on average and not the pair's
        own, for a grainy pair has many candidates, of all of which the program is very unsure.
    false_a_pair
        How many false ones may be expected in a pair, above 0.

    Returns
    -------
    (N,) bool.

    Notes
    -----
    All that is found here is found by the rule of Benjamini & Hochberg 1995 (J. R. Stat. Soc. B
    57:289-300) with q = `false_a_pair` as well (a test compares). That rule alone goes on to larger
    p-values the more is found: it holds the share of false among what is found and not their number.
    Asked for 0.1 and 0.5 a pair it let through 0.50 and 2.60 in 40 drawn pairs with movers, and this bound
    0.08 and 0.68, with 0.85 and 0.92 of 72 movers found in place of 0.86 and 0.93.
    """
    if false_a_pair <= 0:
        raise ShapeError("false_a_pair", expected="above 0", actual=str(false_a_pair))
    return np.asarray(np.asarray(expected_false, np.float64) <= false_a_pair)


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


def _box_px(item: Judged, change: ChangeMap) -> BoxXyxy:
    x0, y0, x1, y1 = (edge * change.step for edge in item.candidate.region.box)
    return x0, y0, x1, y1


def _blob(item: Judged, change: ChangeMap) -> Blob:
    """Put a candidate in pixels of the photo."""
    region, step = item.candidate.region, change.step
    first, second = change.first[region.window], change.second[region.window]
    red, green, blue = (float(value) for value in item.candidate.contrast)
    return Blob(
        box_xyxy_px=_box_px(item, change),
        seen_on=item.candidate.seen_on,
        z_peak=region.z_peak,
        area_px=int(region.mask.sum()) * step * step,
        length_px=region.length_px * step,
        contrast_rgb=(red, green, blue),
        width_px=region.width_px * step,
        moved_px=moved_px(first, second, region) * step,
    )
