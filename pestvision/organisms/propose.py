"""Propose boxes that may hold an organism, on a photo of any size.

Two cues together. What stands out from its ground, at several widths and levels, gives many boxes with
good outlines (`candidates`); the net, run twice over the reduced photo without its last pooling, tells
where something is alive. What both say of a box, and how it lies among the others, is measured
(`box_features`) and weighed by trees fitted on real photographs (`proposal_weights`).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, BoxXyxy, as_rgb, as_u8
from pestvision.organisms.box_features import measure_boxes
from pestvision.organisms.candidates import (
    find_candidates,
    measure_salience,
    spread,
)
from pestvision.organisms.proposal_weights import load_proposal_weights, score_boxes

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.organisms.proposal_weights import ProposalWeights

STAND_OUT_PX = 400
"""Long side of the picture on which boxes are sought. 800 finds 2 % more of the real boxes at ten times
the cost."""
MAP_PX = (256, 576)
"""Long sides of the pictures the net is run over: the first for animals that fill the frame."""
NEAR_IOU = 0.5
"""Boxes that overlap this much are one proposal. 0.4 does the same within 1 %, 0.6 and 0.7 meet 3 and
7 % fewer of the real animals; weakening boxes that a chosen one holds or lies in meets fewer as well
(training/README.md)."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A box that may hold an organism, in pixels of the photo, and how strongly it was proposed.

    `strength` sorts the boxes of one photo, 0 to 1; it is no calibrated probability. None was worked
    out for the whole frame: its strength is 0.
    """

    box_xyxy_px: BoxXyxy
    strength: float


def propose(
    rgb: U8,
    organism_map: Callable[[U8], F32],
    *,
    max_proposals: int = 12,
    weights: ProposalWeights | None = None,
) -> tuple[Proposal, ...]:
    """Propose boxes on a photo, the strongest first.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, RGB.
    organism_map
        Gives, for a (h, w, 3) uint8 picture whose sides are multiples of 32, the (h/32, w/32) float32
        probability that something alive is there (`Classifier.organism_map`).
    max_proposals
        Number of boxes at most; the whole frame is always the last of them.
    weights
        How boxes are ranked; None takes the shipped weights.

    Raises
    ------
    WeightsError
        If the shipped weights are missing or damaged.
    """
    height, width = as_rgb(rgb).shape[:2]
    weights = load_proposal_weights() if weights is None else weights
    boxes, values = measured_boxes(rgb, organism_map)
    strengths = 1.0 / (1.0 + np.exp(-score_boxes(values, weights)))
    order = np.argsort(-strengths, kind="stable")
    kept, _ = spread(boxes[order], iou=NEAR_IOU, most=max_proposals - 1)
    found = [
        Proposal((float(x0), float(y0), float(x1), float(y1)), float(strength))
        for (x0, y0, x1, y1), strength in zip(
            boxes[order[kept]], strengths[order[kept]], strict=True
        )
    ]
    return (*found, Proposal((0.0, 0.0, float(width), float(height)), 0.0))


def measured_boxes(rgb: U8, organism_map: Callable[[U8], F32]) -> tuple[F64, F64]:
    """Seek boxes on a photo and measure what speaks for an animal in each.

    Returns
    -------
    boxes
        (n, 4) in pixels of the photo, the most outstanding first.
    values
        (n, K), as `box_features.measure_boxes` gives them.
    """
    # the boxes are sought while the net looks: together they keep two cores busy, in turns only one
    with ThreadPoolExecutor(len(MAP_PX), "pestvision-map") as looking:
        waiting = [
            looking.submit(organism_map, reduced(rgb, side_px, multiple=32))
            for side_px in reversed(MAP_PX)  # the one that takes longest first
        ]
        small = reduced(rgb, STAND_OUT_PX)
        salience = measure_salience(small)
        candidates = find_candidates(salience)
        lives = [look.result() for look in reversed(waiting)]
    values = measure_boxes(candidates, salience, lives=lives)
    scale_rc = np.divide(rgb.shape[:2], small.shape[:2])
    return candidates.boxes_xyxy_px * np.tile(scale_rc[::-1], 2), values


def reduced(rgb: U8, side_px: int, *, multiple: int = 1) -> U8:
    """Resize so that the long side is `side_px`, both sides a multiple of `multiple`."""
    height, width = rgb.shape[:2]
    scale = side_px / max(height, width)
    new_height, new_width = (
        max(multiple, round(size * scale / multiple) * multiple) for size in (height, width)
    )
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return as_u8(cv2.resize(rgb, (new_width, new_height), interpolation=how))
