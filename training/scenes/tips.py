"""The true length of a drawn body from tip to tip: its drawn middle, gone on straight to the edge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool

_STEP_PX = 0.05
_END_SHARE = 0.04  # of the line at its ends gives their direction


def tip_to_tip(line_xy_px: F64, mask: Bool) -> F64:
    """Give a body's line with the points put on where, going on straight, it leaves the mask.

    A drawn line ends at the middle of the rounded tip; a sucker reaches further out.

    Parameters
    ----------
    line_xy_px
        (N, 2), (0, 0) being the top-left corner of the mask.
    mask
        (H, W) bool, exact.
    """
    ends = [_beyond(line, mask) for line in (line_xy_px, line_xy_px[::-1])]
    return np.vstack([ends[0][None], line_xy_px, ends[1][None]])


def line_length(line_xy_px: F64) -> float:
    """Give the length of a line through (N, 2) points."""
    return float(np.hypot(*np.diff(line_xy_px, axis=0).T).sum())


def _beyond(line: F64, mask: Bool) -> F64:
    """Give where the line, gone on past its first point, leaves the mask."""
    inner = line[max(1, round(_END_SHARE * len(line)))]
    ahead = (line[0] - inner) / max(float(np.hypot(*(line[0] - inner))), 1e-9)
    steps = np.arange(0.0, float(max(mask.shape)), _STEP_PX)
    places = line[0] + steps[:, None] * ahead
    pixels = np.floor(places).astype(np.intp)
    on = np.all((pixels >= 0) & (pixels < mask.shape[::-1]), axis=1)
    covered = np.zeros(len(steps), np.bool_)
    covered[on] = mask[pixels[on, 1], pixels[on, 0]]
    if not covered[0]:  # the drawn end lies outside already: back to where the mask begins
        return np.asarray(line[0], np.float64)
    gone = ~covered
    return np.asarray(places[int(np.argmax(gone))] if gone.any() else places[-1], np.float64)
