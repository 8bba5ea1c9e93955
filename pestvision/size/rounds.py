"""Round things on a photo: ellipses that edges run along, found by votes, samples and a close fit.

1. On a reduced photo every edge pixel votes for the middles that lie square to it, one map a radius
   (`ring_votes`).
2. About each middle voted for, ellipses through five edge pixels are drawn at random and scored by how
   much of their circumference an edge runs along (`ring_draw`).
3. The best are fitted closely, to edges of any kind and to steps from the thing's own colours to the
   ground's (`ring_fit`).
4. They are put in order by how like a coin they are (`ring_likeness`).

Places have (0, 0) at the top-left corner of the top-left pixel, as in `Scale`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.arrays import as_rgb
from pestvision.size.ring_draw import drawn_ellipses
from pestvision.size.ring_fit import close_fits, refined
from pestvision.size.ring_votes import vote_for_middles

if TYPE_CHECKING:
    from pestvision.arrays import F64, U8
    from pestvision.size.round_thing import RoundThing

DRAWN_TWICE: Final = 0.03
"""Over the radius: ellipses from two spots that differ by less lead to the same close fit."""

OUTER_SHARE: Final = 0.75
"""Support that a ring must have for those well within it to be its rim, letters or inner metal."""

SAME_RING: Final = 0.03
"""Rings whose axes differ by less are one."""

RINGS_OF_A_THING: Final = 2
"""Rings that are offered of one thing at most."""

SAME_THING_OFF: Final = 0.3
SAME_THING_SIZE: Final = 0.6
"""Rings whose middles lie nearer, over the larger one's size, and whose sizes are as near, are of one thing."""

SECOND_PENALTY: Final = 0.5
"""How much less likely, in log-odds, the second ring of a thing is taken for the coin's."""

FAR_LESS_LIKELY: Final = 4.0
"""What is less likely than the first by more is not offered.

Both were chosen on the drawn tables on which the weights were fitted.
"""

LEAST_LIKENESS: Final = -2.0
"""Nor is what is less likely than that, in log-odds against an average ring.

None of 191 coins of those tables had less. Without it 17 things were offered on 12 real photos that show no
coin, with it 3 on 14.
"""

UPON_FACE: Final = 0.82
"""A ring smaller than this share of another about the same middle lies upon its face."""


def find_rounds(rgb: U8, *, most: int = 6) -> tuple[RoundThing, ...]:
    """Find round things wholly within a photo, the likeliest coin first.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    most
        How many are given at most.

    Raises
    ------
    ShapeError
        If `rgb` is no RGB picture.
    """
    return tuple(refined(rgb, thing) for thing in in_order(all_rounds(rgb))[:most])


def all_rounds(rgb: U8) -> list[RoundThing]:
    """Fit a ring wherever one may be: many are the same, or lie upon one another."""
    as_rgb(rgb)
    rng = np.random.default_rng(0)  # the same photo gives the same answer
    fitted: list[F64] = []
    found: list[RoundThing] = []
    for spot in vote_for_middles(rgb):
        for ellipse in drawn_ellipses(rgb, spot, rng):
            if not fitted or not _is_drawn_twice(ellipse, np.array(fitted)):
                fitted.append(ellipse)
                found += close_fits(rgb, ellipse)
    return found


def _is_drawn_twice(one: F64, others: F64) -> bool:
    """Whether an ellipse (x, y, long, short, angle) is so near another that it leads to the same fit."""
    off = np.abs(one[:4] - others[:, :4]).max(axis=1) / others[:, 2]
    turn = np.abs((one[4] - others[:, 4] + np.pi / 2) % np.pi - np.pi / 2)
    flat = 1 - others[:, 3] / others[:, 2]
    return bool((np.maximum(off, turn * flat) < DRAWN_TWICE).any())


def in_order(found: list[RoundThing]) -> list[RoundThing]:
    """Put the likeliest coin first, each ring once and no ring upon a coin's face.

    Two rings of one thing that differ by a little (a coin's edge and its shadow's) are both offered, as a
    person sees which is the coin's; but the second only after other things that are about as likely.
    """
    kept: list[RoundThing] = []
    for one in sorted(found, key=lambda thing: -thing.likeness):
        if not any(_is_twice(one, other) for other in kept):
            kept.append(one)
    faces = [
        one
        for one in kept
        if not any(_is_upon(one, other) and other.support > OUTER_SHARE for other in kept)
    ]
    ordered: list[tuple[float, RoundThing]] = []
    for one in faces:
        before = sum(_is_same_thing(one, other) for _, other in ordered)
        if before < RINGS_OF_A_THING:
            ordered.append((one.likeness - SECOND_PENALTY * before, one))
    ordered.sort(key=lambda pair: -pair[0])
    least = max(LEAST_LIKENESS, ordered[0][0] - FAR_LESS_LIKELY) if ordered else LEAST_LIKENESS
    return [one for score, one in ordered if score > least]


def _is_twice(one: RoundThing, other: RoundThing) -> bool:
    """Whether two are the same ring."""
    off = np.hypot(*np.subtract(one.centre_xy_px, other.centre_xy_px))
    ratio = one.semi_axes_px[0] / other.semi_axes_px[0]
    return bool(off < 0.06 * other.semi_axes_px[0] and abs(ratio - 1) < SAME_RING)


def _is_upon(inner: RoundThing, outer: RoundThing) -> bool:
    """Whether one is a ring upon the other: about the same middle, well within it."""
    off = np.hypot(*np.subtract(inner.centre_xy_px, outer.centre_xy_px))
    ratio = inner.semi_axes_px[0] / outer.semi_axes_px[0]
    return bool(off < 0.12 * outer.semi_axes_px[0] and 0.4 < ratio < UPON_FACE)


def _is_same_thing(one: RoundThing, other: RoundThing) -> bool:
    """Whether two rings are likely of one thing: about the same middle, of about the same size."""
    off = np.hypot(*np.subtract(one.centre_xy_px, other.centre_xy_px))
    small, large = sorted((one.semi_axes_px[0], other.semi_axes_px[0]))
    return bool(off < SAME_THING_OFF * large and small > SAME_THING_SIZE * large)
