"""How small an animal may be: crops reduced until it is a few pixels long, then cut as the tool cuts them.

The smallest length at which leeches are still told apart becomes the `use.min_length_px` of the card, from
which the tool takes the length it prints and below which it tells nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.organisms.calibrate import calibration_error
from pestvision.organisms.crops import GROW, cut_crop
from training.figures import auc, balanced_accuracy, source_weights

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pestvision.arrays import F64, U8
    from training.data import Example

SIZES_PX = (8, 12, 16, 24, 32, 48, 64)
"""Lengths at which crops are judged, in pixels of the photo."""
WANTED = 0.9
"""Area under the ROC that leech-like must reach at a length, and at every longer one, for the tool to tell
anything there. The area and not the share found: at 8 px the share found rises again, because almost
everything looks a little like a leech."""
USUAL_MIN_LENGTH_PX = 16.0
"""Where no length reaches it: a leech's 70 rings and two suckers are gone below, and the outline alone is
left (our own reckoning, no source)."""
LEECH = 0


def seen_small(crop: U8, length_px: int) -> U8:
    """Show a crop as it would be cut from a photo in which the animal is `length_px` long.

    Parameters
    ----------
    crop
        (S, S, 3) uint8 RGB, cut round an animal by `cut_crop`.
    length_px
        Long side of the animal's box in the photo of a far camera.

    Notes
    -----
    Reduced by area averaging, as a lens and a sensor average, and enlarged by the tool's own cutting. A
    photo of a far animal also has a sensor's noise and a JPEG's blocks at that size; those are missing.
    """
    side = max(1, round(length_px * (1 + 2 * GROW)))
    whole = (0.0, 0.0, float(crop.shape[1]), float(crop.shape[0]))
    far = cut_crop(crop, whole, size_px=side, grow=0.0)
    return cut_crop(far, (0.0, 0.0, float(side), float(side)), grow=0.0, size_px=crop.shape[0])


def size_curve(
    examples: Sequence[Example],
    ask: Callable[[Sequence[U8], Sequence[int]], F64],
    *,
    look_again: float,
    sizes_px: Sequence[int] = SIZES_PX,
) -> list[dict[str, Any]]:
    """Measure at each length what is told of the examples that are at least so long.

    Parameters
    ----------
    examples
        Boxed crops; those shorter than a length are left out there, as they cannot be enlarged to it.
    ask
        Gives the (n, 4) probabilities of groups of n crops, which belong to the examples of the given
        indices.
    look_again
        Probability of leech-like from which it is never ruled out.
    """
    rows = []
    for length_px in sizes_px:
        chosen = [i for i, item in enumerate(examples) if item.length_px >= length_px]
        groups = np.array([examples[i].group for i in chosen])
        if LEECH not in groups or len(set(groups.tolist())) < 2:
            continue
        p = ask([seen_small(examples[i].crop, length_px) for i in chosen], chosen)
        weights = source_weights([examples[i].source for i in chosen], groups)
        rows.append({"length_px": length_px} | size_row(p, groups, weights, look_again=look_again))
    return rows


def size_row(p: F64, groups: F64, weights: F64, *, look_again: float) -> dict[str, Any]:
    """Give what one length reaches, from (n, 4) probabilities; shares have sources weigh the same."""
    is_leech = groups == LEECH
    share = weights[is_leech] / weights[is_leech].sum()
    return {
        "n": len(groups),
        "n_leech": int(is_leech.sum()),
        "balanced_accuracy": round(balanced_accuracy(p, groups, weights), 4),
        "leech_called": round(float(share[p[is_leech].argmax(1) == LEECH].sum()), 4),
        "leech_found": round(float(share[p[is_leech, LEECH] >= look_again].sum()), 4),
        "leech_auc": round(auc(p[:, LEECH], is_leech, weights), 4),
        "calibration_error": round(
            calibration_error(p.max(1), p.argmax(1) == groups, weights=weights), 4
        ),
    }


def least_length_px(curves: Mapping[str, Sequence[Mapping[str, Any]]]) -> tuple[float, bool]:
    """Give the least length the tool tells anything at, and whether a measurement says so.

    It is the shortest at which, and at every longer one measured, the area under the ROC of leech-like
    is `WANTED` or more on every curve. Where there is none, `USUAL_MIN_LENGTH_PX`.
    """
    reached = []
    for length_px in sorted({row["length_px"] for rows in curves.values() for row in rows})[::-1]:
        areas = [
            row["leech_auc"]
            for rows in curves.values()
            for row in rows
            if row["length_px"] == length_px
        ]
        if min(areas) < WANTED:
            break
        reached.append(float(length_px))
    return (reached[-1], True) if reached else (USUAL_MIN_LENGTH_PX, False)
