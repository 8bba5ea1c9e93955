"""How far a frame stands out from the ground, in units of the noise about each place."""

from __future__ import annotations

import cv2
import numpy as np

from pestvision.arrays import F32, Bool, as_f32

LOCAL_PX = 24  # surroundings by which wide changes and the local noise are told
CALM_NOISES = 3.0  # a change is taken for this at the most where the surroundings are told
USUAL_LEVEL = 1.5  # mean size of a change of nothing, in noises: three channels together
SEEN_AT = 5.0  # in noise: a place that stands out by itself
JOINED_AT = 3.0  # in noise: a place that belongs to one beside it that stands out


def in_noises(change: F32, per_noise: F32) -> F32:
    """Give a change in noises, what is wide in it and the noise of the surroundings taken out."""
    noises = as_f32(change * per_noise[..., None])
    side = 2 * LOCAL_PX + 1
    calm = as_f32(cv2.blur(np.clip(noises, -CALM_NOISES, CALM_NOISES), (side, side)))
    size = as_f32(cv2.GaussianBlur(size_of(as_f32(noises - calm)), (0, 0), 0.8))
    level = cv2.blur(np.minimum(size, np.float32(CALM_NOISES)), (side, side))
    return as_f32(size / np.maximum(level / np.float32(USUAL_LEVEL), np.float32(1.0)))


def standing_out(noises: F32, where: Bool) -> Bool:
    """Mark what stands out, and what belongs to it: (H, W) bool."""
    weak = ((noises > JOINED_AT) & where).astype(np.uint8)
    n, labels = cv2.connectedComponents(weak, connectivity=8)
    strong = np.zeros(n, np.bool_)
    strong[np.unique(labels[(noises > SEEN_AT) & where])] = True
    strong[0] = False
    return np.asarray(strong[labels])


def size_of(change: F32) -> F32:
    """Give the size of a change in colour: (H, W) float32, grey levels."""
    squares = cv2.transform(change * change, np.ones((1, 3), np.float32))
    return as_f32(cv2.sqrt(squares))


def grey_of(rgb: F32) -> F32:
    """Give the mean of the three channels: (H, W) float32."""
    return as_f32(cv2.transform(rgb, np.full((1, 3), 1 / 3, np.float32)))


def grown(mask: Bool, by_px: int) -> Bool:
    side = 2 * by_px + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel) > 0)
