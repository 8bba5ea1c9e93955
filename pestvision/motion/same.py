"""Which of the things that were followed are one animal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.bodies import share_on

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pestvision.arrays import F64
    from pestvision.motion.bodies import Body
    from pestvision.motion.trail import Trail

SAME_PLACE = (
    0.7  # of the smaller box, in the median frame: two trails are on one animal; own choice
)
RIM = 0.1  # about the longer trail's box: what stands out beside a body is its own; own choice
LEAST_SHARED = 0.5  # of the shorter trail's frames; own choice


def is_same_animal(shorter: Trail, longer: Trail) -> bool:
    """Tell whether a trail is mostly on another: pieces that were outlined anew end as one body."""
    both = shorter.seen & longer.seen
    if int(both.sum()) < LEAST_SHARED * int(shorter.seen.sum()):
        return False
    one, other = shorter.boxes_xyxy_px[both], _widened(longer.boxes_xyxy_px[both])
    across = np.minimum(one[:, 2:], other[:, 2:]) - np.maximum(one[:, :2], other[:, :2])
    shared = np.prod(np.clip(across, 0, None), axis=1)
    smaller = np.minimum(
        np.prod(one[:, 2:] - one[:, :2], axis=1), np.prod(other[:, 2:] - other[:, :2], axis=1)
    )
    return bool(np.median(shared / np.maximum(smaller, 1e-9)) > SAME_PLACE)


def _widened(boxes: F64) -> F64:
    """Give (n, 4) boxes with what lies at their rim: `RIM` of their longer side all round."""
    rim = RIM * np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1])
    return np.asarray(boxes + rim[:, None] * np.array([-1.0, -1.0, 1.0, 1.0]), np.float64)


def is_piece_of(seen: Mapping[int, Body], whole: Mapping[int, Body]) -> bool:
    """Tell whether what stood out mostly lies within an animal outlined already: it is a piece of it."""
    both = [number for number in seen if number in whole]
    if len(both) < LEAST_SHARED * len(seen):
        return False
    shares = [share_on(whole[number], seen[number]) for number in both]
    return float(np.median(shares)) > SAME_PLACE
