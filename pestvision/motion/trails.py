"""From an animal's sightings to its trail: midlines on the first frame, ends in one order, lengths."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.motion.bodies import bridged
from pestvision.motion.steady import moved
from pestvision.motion.trail import N_MIDLINE, Trail
from pestvision.size.midline import midline_of

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool
    from pestvision.motion.bodies import Body
    from pestvision.motion.linking import Followed, Sighting
    from pestvision.motion.noises import Each
    from pestvision.size.midline import Midline

EDGE_PX = 5.0  # a body this near to the edge of a frame may go on beyond it
LEAST_JITTER_PX = 0.05
BRIDGE_PX = 4  # pieces of one body are bridged over so much


def trail_of(
    one: Followed, times_s: F64, *, scale: float, size: tuple[int, ...], each: Each = map
) -> Trail | None:
    """Make the trail of an animal; None where no sighting gives a line.

    Parameters
    ----------
    one
        Its sightings.
    times_s
        (n,) seconds of all frames of the clip that were looked at.
    scale, size
        Reduced pixels over the frame's, and (height, width) of a reduced frame.
    each
        Goes through the sightings: `map`, or that of some threads.
    """
    n = len(times_s)
    lines = np.full((n, N_MIDLINE, 2), np.nan)
    lengths, widths = np.full(n, np.nan), np.full(n, np.nan)
    boxes = np.full((n, 4), np.nan)
    at_edge = np.zeros(n, np.bool_)

    def line_of(sighting: Sighting) -> Midline | None:
        return midline_of(whole(sighting.body), n_points=N_MIDLINE)

    for sighting, found in zip(one.sightings, each(line_of, one.sightings), strict=True):
        at = sighting.frame
        if found is None:
            continue
        corner = np.array([sighting.body.left, sighting.body.top])
        points = found.points_xy_px + corner
        lines[at] = (moved(sighting.to_first, points - 0.5) + 0.5) / scale
        grow = float(np.sqrt(abs(np.linalg.det(sighting.to_first[:2, :2])))) / scale
        lengths[at], widths[at] = found.length_px * grow, float(found.widths_px.max()) * grow
        boxes[at], at_edge[at] = _box(sighting, size)
    boxes /= scale
    seen = np.isfinite(lengths)
    if not seen.any():
        return None
    lines[seen] = in_one_order(lines[seen])
    return Trail(
        times_s=times_s,
        midlines_xy_px=lines,
        lengths_px=lengths,
        widths_px=widths,
        boxes_xyxy_px=boxes,
        jitter_px=_jitter(lines[seen], times_s[seen]),
        at_edge=at_edge,
    )


def whole(body: Body) -> Bool:
    """Give a body's mask in one piece where its pieces lie near each other: (h, w) bool, same corner."""
    small = body.mask.astype(np.uint8)
    if cv2.connectedComponents(small, connectivity=8)[0] <= 2:
        return body.mask
    return bridged(body.mask, BRIDGE_PX)


def in_one_order(lines: F64) -> F64:
    """Turn (n, K, 2) lines so that the first point is the same end throughout.

    The order is the one in which the points move least over the whole trail: lines are turned or not,
    each against the one before.
    """
    kept = np.array(lines)
    cost = np.zeros(2)
    back: list[tuple[int, int]] = []
    for before, now in pairwise(lines - lines.mean(axis=1, keepdims=True)):
        same = float(np.square(now - before).sum())
        turned = float(np.square(now[::-1] - before).sum())
        ways = np.array([[cost[0] + same, cost[1] + turned], [cost[0] + turned, cost[1] + same]])
        back.append((int(ways[0].argmin()), int(ways[1].argmin())))
        cost = ways.min(axis=1)
    state = int(cost.argmin())
    for index in range(len(lines) - 1, -1, -1):
        if state:
            kept[index] = lines[index][::-1]
        if index:
            state = back[index - 1][state]
    return kept


def _box(sighting: Sighting, size: tuple[int, ...]) -> tuple[F64, bool]:
    """Give the body's box on its own frame, reduced pixels, and whether it touches the frame's edge."""
    places = moved(sighting.to_frame, sighting.body.places() - 0.5) + 0.5
    low, high = places.min(axis=0) - 0.5, places.max(axis=0) + 0.5
    limit = np.array([size[1], size[0]], np.float64)
    touches = bool((low < EDGE_PX).any() or (high > limit - EDGE_PX).any())
    low, high = np.clip(low, 0, limit - 1), np.clip(high, 1, limit)
    return np.concatenate([low, high]), touches


def _jitter(lines: F64, times_s: F64) -> float:
    """Give one standard deviation of a point's place that is not the animal's movement.

    From second differences, in which an even movement cancels; of the points of the body the calmest
    counts. For independent errors they have a variance of six times that of a place.
    """
    if len(lines) < 5:
        return LEAST_JITTER_PX
    gaps = np.diff(times_s)
    even = (gaps[1:] < 1.5 * np.median(gaps)) & (gaps[:-1] < 1.5 * np.median(gaps))
    bends = (lines[2:] - 2 * lines[1:-1] + lines[:-2])[even]
    if len(bends) < 3:
        return LEAST_JITTER_PX
    spread = 1.4826 * np.median(np.abs(bends), axis=0) / np.sqrt(6.0)  # (K, 2)
    return max(LEAST_JITTER_PX, float(np.hypot(*spread.T).min() / np.sqrt(2.0)))
