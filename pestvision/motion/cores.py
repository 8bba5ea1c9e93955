"""What of a slow animal covers the ground in every frame: told by its colours.

An animal that does not come away from where it is shows by its ends only: the middle of it is always
there, and so is taken for ground. Its colours are known from the ends, those of the ground from around.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import as_f32
from pestvision.motion.noises import grey_of, grown

if TYPE_CHECKING:
    from pestvision.arrays import F32, Bool

N_ANIMAL, N_GROUND = 3, 6  # colours that each is made of at the most
SURER = 0.75  # distance to the animal's colours over that to the ground's, below which it is animal
RING_PX = (4, 14)  # how far about its path the ground is looked at
MOST_SAMPLES = 600
MOST_PLACES = 12  # the largest
MOST_SIDE_PX = 160  # of the surroundings searched for the rest of an animal
LEAST_SAMPLES = 12
REMNANT_PX = 6  # half the width of what may be left of an animal in its path
REMNANT_NOISES = 2.5  # by which that differs from what is about it
MOST_AREA = 4.0  # of a core, over the area that its ends were seen to pass


def cores_of(middle: F32, lit: F32, there: Bool, gone: Bool) -> tuple[Bool, Bool]:
    """Mark what the median shows as animal, (H, W) bool, and in which frames it is that: (n, H, W) bool.

    Parameters
    ----------
    middle
        (H, W, 3) float32: the median of the frames.
    lit
        (n, H, W, 3) float32: the frames.
    there, gone
        (n, H, W) bool: what is there in each frame, and what shows that it was there in the median.
    """
    ever = np.asarray(there.any(axis=0) | gone.any(axis=0))
    out, in_frames = np.zeros(ever.shape, np.bool_), np.zeros(there.shape, np.bool_)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(
        grown(ever, 3).astype(np.uint8), connectivity=8
    )
    order = 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:MOST_PLACES]
    for label in order:
        left, top, width, height = (int(value) for value in stats[label, :4])
        margin = int(np.clip(max(width, height), 12, MOST_SIDE_PX))
        cut = (
            slice(max(0, top - margin), top + height + margin),
            slice(max(0, left - margin), left + width + margin),
        )
        place = labels[cut] == label
        mine = np.asarray(there[:, *cut] & place), np.asarray(gone[:, *cut] & place)
        others = (labels[cut] > 0) & ~place
        core, animal_like = _core(middle[cut], lit[:, *cut], mine, place, others)
        out[cut] |= core
        in_frames[:, *cut] |= animal_like
    return out, in_frames


def _core(
    middle: F32, lit: F32, mine: tuple[Bool, Bool], place: Bool, others: Bool
) -> tuple[Bool, Bool]:
    there, gone = mine
    nothing = np.zeros(place.shape, np.bool_), np.zeros(there.shape, np.bool_)
    on_animal = [lit[k][there[k]] for k in range(len(lit)) if there[k].any()]
    on_animal.append(middle[gone.any(axis=0)])
    ring = grown(place, RING_PX[1]) & ~grown(place, RING_PX[0]) & ~others
    animal, ground = np.concatenate(on_animal), middle[ring]
    if len(animal) < LEAST_SAMPLES or len(ground) < LEAST_SAMPLES:
        return nothing
    of_animal, of_ground = _colours(animal, N_ANIMAL), _colours(ground, N_GROUND)
    smooth = as_f32(cv2.GaussianBlur(middle, (0, 0), 0.8))
    nearer = _away(smooth, of_animal) < SURER * _away(smooth, of_ground)
    nearer &= ~others
    small = cv2.morphologyEx(nearer.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    n, labels = cv2.connectedComponents(small, connectivity=8)
    ends = np.asarray(there.any(axis=0) | gone.any(axis=0))
    touching = np.zeros(n, np.bool_)
    touching[np.unique(np.asarray(labels)[grown(ends, 2)])] = True
    touching[0] = False
    core = filled(np.asarray(touching[labels]) | (gone.any(axis=0) & nearer))
    if not core.any() or core.sum() > MOST_AREA * place.sum():
        return nothing
    values = as_f32(np.ascontiguousarray(lit[:, core]))  # (n, N, 3)
    is_animal = _away(values, of_animal) < _away(values, of_ground)
    animal_like = nothing[1]
    animal_like[:, core] = is_animal
    return core, animal_like


def remnants_of(rgb: F32, lit: F32, there: Bool, per_noise: F32) -> Bool:
    """Mark what is left of animals in a ground that was cleared: (H, W) bool.

    Within the path of an animal that is darker than the ground, what is darker than all about it is left
    over from it; likewise where it is lighter. `rgb`, `lit`, `there` as in `cores_of`, `rgb` being cleared.
    """
    grey = grey_of(rgb)
    side = 2 * REMNANT_PX + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    dark = cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, kernel) * per_noise
    light = cv2.morphologyEx(grey, cv2.MORPH_TOPHAT, kernel) * per_noise
    n_lighter, n_darker = np.zeros(grey.shape, np.int32), np.zeros(grey.shape, np.int32)
    for frame, mask in zip(lit, there, strict=True):
        lighter = grey_of(as_f32(np.ascontiguousarray(frame))) > grey
        n_lighter += mask & lighter
        n_darker += mask & ~lighter
    ever = np.asarray(there.any(axis=0), np.uint8)
    path = cv2.morphologyEx(ever, cv2.MORPH_CLOSE, np.ones((side, side), np.uint8))
    _, labels = cv2.connectedComponents(path, connectivity=8)
    more = np.bincount(labels.ravel(), (n_lighter - n_darker).ravel())[labels]
    left = np.where(more > 0, light, dark) > REMNANT_NOISES
    return np.asarray(left & (path > 0))


def filled(mask: Bool) -> Bool:
    """Fill the holes of a mask."""
    outlines, _ = cv2.findContours(
        mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    whole = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(whole, outlines, -1, 1, cv2.FILLED)
    return np.asarray(whole > 0)


def _colours(samples: F32, n: int) -> F32:
    """Give the colours that samples are made of: (k, 3) float32."""
    few = np.ascontiguousarray(samples[:: max(1, len(samples) // MOST_SAMPLES)], np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 12, 0.5)
    cv2.setRNGSeed(0)
    none = np.zeros((len(few), 1), np.int32)
    _, _, centres = cv2.kmeans(few, min(n, len(few)), none, criteria, 1, cv2.KMEANS_PP_CENTERS)
    return as_f32(centres)


def _away(rgb: F32, colours: F32) -> F32:
    """Give how far each place is from the nearest of some colours: (h, w) float32."""
    nearest = np.full(rgb.shape[:2], np.inf, np.float32)
    for colour in colours:
        change = cv2.transform(rgb, np.column_stack([np.eye(3), -colour]).astype(np.float32))
        away = cv2.transform(cv2.multiply(change, change), np.ones((1, 3), np.float32))
        cv2.min(nearest, away, dst=nearest)
    return as_f32(cv2.sqrt(nearest) + np.float32(2.0))
