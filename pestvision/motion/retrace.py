"""Look again at what was followed, with somebody who knows outlines: from pieces to whole bodies.

What stands out from the ground shows where an animal is, and often not all of it: what hardly moves has
become part of the ground itself. From the frame in which most of it was seen, the outline is carried on,
frame by frame and both ways: each is looked for in the box of the one before. What stands out holds it to
the animal, and a wider look keeps it from wasting away where it comes out small.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, TypeAlias

import cv2
import numpy as np

from pestvision.arrays import as_u8
from pestvision.motion.bodies import LEAST_AREA_PX, Body, overlap, share_on, trimmed
from pestvision.motion.steady import moved
from pestvision.size.midline import largest_piece
from pestvision.size.outline import padded_box

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pestvision.arrays import F32, F64, U8, Bool, BoxXyxy
    from pestvision.motion.noises import Each

Sure: TypeAlias = "Callable[[U8, BoxXyxy], F32]"
"""Gives for a picture about one animal, and the box about it there, how sure each pixel is the animal."""

MOST_CHANGED = 2.5  # areas of two outlines in neighbouring frames, over each other
MOST_GROWN = 4.0  # area of an outline over what it was at the start
LEAST_KEPT = 0.2  # of an outline that covers the one before, over the smaller
MOST_MISSED = 3  # frames in a row; beyond it the animal is lost until it stands out again
LEAST_SIDE_PX = 5.0  # of a box that is looked in
LEAST_OF_IT = 0.5  # area of what stands out over the outline's, to be the animal itself
LOOKS_AT_FIRST = 3  # at the most: with more the outline of a faint animal runs out into the ground
SURE = 0.5
ON_IT = (
    0.5  # of what stands out: an outline that covers less of it is not the animal that moves there
)
SHRUNK = 0.95  # of its usual area: a smaller outline is looked at once more (0.85 tells the same) …
LOOSER = 0.12  # … in a box so much wider all round. Tuned on drawn clips and one real one
NEAR_START = 5  # frames about the first by which its outline is judged in the end; own choice
N_FEW = 12  # frames that give a first impression; own choice
USUAL_OF = 21  # outlines whose median area is the usual one: about two seconds of a clip


def retraced(
    seen: Mapping[int, Body],
    start: tuple[int, Body],
    frames: Sequence[U8],
    to_anchor: Sequence[F64],
    sure: Sure,
    *,
    is_close: bool = False,
    within: tuple[int, int] | None = None,
    each: Each = map,
) -> dict[int, Body]:
    """Outline an animal anew in each frame of a stretch.

    Parameters
    ----------
    seen
        What stood out of it, by the frame's number within the stretch; bodies lie on the anchor.
    start
        The frame to begin with, and its body there.
    frames, to_anchor
        (h, w, 3) uint8 each, and the (3, 3) matrices that lay them on the anchor.
    sure
        Asked once a frame, or twice.
    is_close
        Whether it is only looked for in the box of the outline before. An outline that came out small is
        otherwise looked for in a wider one too, where other things may be taken for it.
    within
        The first frame in which it is looked for, and the one after the last; None looks in all.
    each
        Goes both ways, forth and back: `map`, or that of some threads.

    Returns
    -------
    dict
        Its whole body by frame. Where no outline could be told, what stood out is kept.
    """
    found = dict(seen)
    first, begun = start
    # what stood out may be a part of it: each look shows more of the whole
    for _ in range(LOOKS_AT_FIRST):
        whole = _outline(frames[first], to_anchor[first], begun, sure)
        if whole is None or not _is_same(whole, begun, MOST_GROWN):
            break
        begun = whole
    found[first] = begun

    def one_way(numbers: Sequence[int]) -> dict[int, Body]:
        mine: dict[int, Body] = {}
        last, n_missed = begun, 0
        areas = deque([begun.area], maxlen=USUAL_OF)
        for number in numbers:
            stood_out = seen.get(number)
            is_lost = n_missed > MOST_MISSED
            if stood_out is not None and (is_lost or _jumped(last, stood_out)):
                last, n_missed = stood_out, 0  # begin where it stands out
            elif is_lost:
                continue
            usual = float(np.median(areas))
            now = _outline(frames[number], to_anchor[number], last, sure)
            is_small = now is None or now.area < SHRUNK * usual
            if is_small and not is_close:  # a look less close keeps it from wasting away
                loose = _outline(frames[number], to_anchor[number], last, sure, looser=LOOSER)
                now = _nearer(now, loose, usual)
            least = 0.0 if is_close else LEAST_OF_IT * min(last.area, begun.area)
            if stood_out is not None and stood_out.area >= least and not _is_on(now, stood_out):
                # it went on where it stands out, and the outline stayed behind on something else
                again = _outline(frames[number], to_anchor[number], stood_out, sure)
                now = again if _is_on(again, stood_out) else now
            fits = now is not None and _is_same(now, last, MOST_CHANGED)
            if now is None or not fits or now.area > MOST_GROWN * begun.area:
                n_missed += 1
                continue
            mine[number], last, n_missed = now, now, 0
            areas.append(now.area)
        return mine

    low, beyond = within or (0, len(frames))
    for part in each(one_way, (range(first + 1, beyond), range(first - 1, low - 1, -1))):
        found |= part
    near = [number for number in found if 0 < abs(number - first) <= NEAR_START]
    ratios = [found[number].area / begun.area for number in near]
    if ratios and not 1 / MOST_CHANGED <= float(np.median(ratios)) <= MOST_CHANGED:
        del found[first]  # what was begun with was something else, or more than the animal
    return found


def looked_at_few(
    seen: Mapping[int, Body],
    frames: Sequence[U8],
    to_anchor: Sequence[F64],
    sure: Sure,
) -> dict[int, Body]:
    """Outline what stood out in a few frames, each by itself: for a first impression.

    Parameters are those of `retraced`; the frames are taken evenly from those in which it stood out.
    """
    numbers = np.array(sorted(seen))
    chosen = numbers[np.unique(np.linspace(0, len(numbers) - 1, N_FEW).round().astype(int))]
    found = {}
    for number in (int(one) for one in chosen):
        body = _outline(frames[number], to_anchor[number], seen[number], sure)
        if body is not None:
            found[number] = body
    return found


def _nearer(one: Body | None, other: Body | None, area: float) -> Body | None:
    """Give the one of two outlines whose area is nearer to the usual one."""
    if one is None or other is None:
        return one or other
    return min(one, other, key=lambda body: abs(np.log(body.area / area)))


def _outline(
    frame: U8, to_anchor: F64, last: Body, sure: Sure, *, looser: float = 0.0
) -> Body | None:
    """Find the outline of an animal in the box of where it was; None where there is none.

    `looser`: by how much the box is widened all round, of its longer side.
    """
    height, width = frame.shape[:2]
    high, wide = last.mask.shape
    corners = np.array(
        [[0.0, 0.0], [float(wide), 0.0], [0.0, float(high)], [float(wide), float(high)]]
    )
    back = np.asarray(np.linalg.inv(to_anchor), np.float64)
    there = moved(back, corners + np.array([last.left, last.top]) - 0.5) + 0.5
    low, most = there.min(axis=0), there.max(axis=0)
    wider = looser * float((most - low).max())
    x0, y0 = np.clip(low - wider, 0, [width, height])
    x1, y1 = np.clip(most + wider, 0, [width, height])
    if (x1 - x0 < LEAST_SIDE_PX and y1 - y0 < LEAST_SIDE_PX) or min(x1 - x0, y1 - y0) < 1:
        return None
    box = (float(x0), float(y0), float(x1), float(y1))
    return outlined(frame, to_anchor, box, sure, strength=last.strength)


def outlined(
    frame: U8, to_anchor: F64, box_xyxy_px: BoxXyxy, sure: Sure, *, strength: float = 0.0
) -> Body | None:
    """Outline the animal in a box of a frame; None where none is told.

    Parameters
    ----------
    frame
        (h, w, 3) uint8.
    to_anchor
        (3, 3): lays the frame on the anchor, on which the body lies that is given back.
    box_xyxy_px
        Within the frame, in its pixels.
    sure
        Asked once.
    strength
        What the body is said to stand out by.
    """
    height, width = frame.shape[:2]
    x0, y0, x1, y1 = box_xyxy_px
    left, top, right, bottom = padded_box(box_xyxy_px, height=height, width=width)
    cut = as_u8(np.ascontiguousarray(frame[top:bottom, left:right]))
    soft = sure(cut, (x0 - left, y0 - top, x1 - left, y1 - top))
    piece = largest_piece(soft >= SURE)
    if piece is None or piece[0].sum() < LEAST_AREA_PX:
        return None
    mask, at_x, at_y = piece
    return _laid(mask > 0, (left + at_x, top + at_y), to_anchor, strength)


def _laid(mask: Bool, corner: tuple[int, int], to_anchor: F64, strength: float) -> Body | None:
    """Lay a mask of a frame on the anchor."""
    high, wide = mask.shape
    corners = np.array([[0.0, 0.0], [wide, 0.0], [0.0, high], [wide, high]]) + corner
    there = moved(to_anchor, corners - 0.5) + 0.5
    left, top = (int(value) for value in np.floor(there.min(axis=0)) - 1)
    right, bottom = (int(value) for value in np.ceil(there.max(axis=0)) + 1)
    here = np.array([[1.0, 0.0, corner[0]], [0.0, 1.0, corner[1]], [0.0, 0.0, 1.0]])
    there_is = np.array([[1.0, 0.0, -left], [0.0, 1.0, -top], [0.0, 0.0, 1.0]])
    matrix = there_is @ to_anchor @ here
    soft = cv2.warpPerspective(mask.astype(np.float32), matrix, (right - left, bottom - top))
    laid = np.asarray(soft >= SURE)
    return trimmed(left, top, laid, strength) if laid.sum() >= LEAST_AREA_PX else None


def _jumped(one: Body, other: Body) -> bool:
    """Tell whether what stands out is as much as the animal, and lies wholly beside where it was."""
    if other.area < LEAST_OF_IT * one.area:
        return False
    across = min(one.left + one.mask.shape[1], other.left + other.mask.shape[1]) - max(
        one.left, other.left
    )
    down = min(one.top + one.mask.shape[0], other.top + other.mask.shape[0]) - max(
        one.top, other.top
    )
    return bool(across <= 0 or down <= 0)


def _is_on(now: Body | None, stood_out: Body) -> bool:
    """Tell whether an outline is on what stands out: it holds the most of it."""
    if now is None:
        return False
    return share_on(now, stood_out) >= ON_IT


def _is_same(now: Body, last: Body, most: float) -> bool:
    """Tell whether an outline may be that of the animal before: there, and about as large."""
    is_as_large = bool(1 / most <= now.area / last.area <= most)
    return is_as_large and overlap(now, last) >= LEAST_KEPT
