"""Tell what is there in a frame from what was taken into the ground and has gone: a ghost.

Along the edge of what is there the frame has a step and the ground has none; along the edge of a ghost it
is the other way round. What else was seen about that place decides where what is darker than the ground
was mostly there and what is lighter mostly a ghost, or the other way round: an animal beside an edge of
the ground may hide that edge. A striped animal is both, and each piece of it is told for itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, Bool, as_f32
from pestvision.motion.noises import grey_of, grown, in_noises, standing_out
from pestvision.motion.pieces import pieces_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from pestvision.motion.noises import Each

RIM_PX = 5  # how far to each side of an edge its step is told
CLEAR_STEP = (
    0.35  # excess of one step over the other, over both, from which a piece decides for itself
)
LEAST_PIECE_PX = 5  # smaller pieces are grain
MOST_PIECES = 60  # of a frame, the largest; more is a frame that does not lie on the ground


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Places of one frame that are all darker or all lighter than the ground.

    `excess`: step of the frame over that of the ground, from -1 to 1.
    """

    frame: int
    is_lighter: bool
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    excess: float


def told_apart(
    frames: Sequence[F32],
    ground: F32,
    per_noise: F32,
    wheres: Sequence[Bool],
    *,
    each: Each = map,
) -> tuple[Bool, Bool]:
    """Mark what is there in each frame, and what shows a ghost of the ground: both (n, H, W) bool.

    `frames` and `ground` are (H, W, 3) float32 in one light; `wheres`, (H, W) bool, where to look.
    """
    size = ground.shape[:2]
    there = np.zeros((len(frames), *size), np.bool_)
    gone = np.zeros_like(there)
    before = grey_of(ground)
    pieces: list[_Piece] = []
    out = np.zeros(size, np.uint8)

    def in_one(index: int) -> list[_Piece]:
        return _pieces_of(index, frames[index], (ground, before), per_noise, wheres[index])

    for found in each(in_one, range(len(frames))):
        for piece in found:
            out[piece.rows, piece.columns] = 1
        pieces += found
    n, places = cv2.connectedComponents(grown(out > 0, 2).astype(np.uint8), connectivity=8)
    votes = np.zeros((n, 2))  # for being what is there: darker pieces, lighter pieces
    for piece in pieces:
        place = places[piece.rows[0], piece.columns[0]]
        votes[place, int(piece.is_lighter)] += piece.excess * len(piece.rows)
    for piece in pieces:
        place = places[piece.rows[0], piece.columns[0]]
        own, other = votes[place, int(piece.is_lighter)], votes[place, 1 - int(piece.is_lighter)]
        is_there = piece.excess > 0
        if own * other < 0 or abs(piece.excess) < CLEAR_STEP:
            is_there = own > other
        (there if is_there else gone)[piece.frame, piece.rows, piece.columns] = True
    return there, gone


def _pieces_of(
    index: int, frame: F32, behind: tuple[F32, F32], per_noise: F32, where: Bool
) -> list[_Piece]:
    ground, before = behind
    change = as_f32(frame - ground)
    out = standing_out(in_noises(change, per_noise), where)
    if not out.any():
        return []
    now = grey_of(frame)
    is_lighter = cv2.GaussianBlur(now - before, (0, 0), 1.0) > 0
    pieces = []
    for lighter in (False, True):
        side = pieces_in(out & (is_lighter == lighter))
        for piece in sorted(side, key=lambda one: -one.area)[:MOST_PIECES]:
            if piece.area < LEAST_PIECE_PX:
                break
            rim = 2 * RIM_PX
            y0, x0 = max(0, piece.top - rim), max(0, piece.left - rim)
            cut = (
                slice(y0, piece.top + piece.height + rim),
                slice(x0, piece.left + piece.width + rim),
            )
            inside = np.zeros(out[cut].shape, np.bool_)
            inside[piece.rows - y0, piece.columns - x0] = True
            excess = _excess(now[cut], before[cut], inside, out[cut])
            pieces.append(_Piece(index, lighter, piece.rows, piece.columns, excess))
    return pieces


def _excess(now: F32, before: F32, inside: Bool, out: Bool) -> float:
    """Give how much more of a step there is at the edge of a piece now than before, -1 to 1."""
    small = inside.astype(np.uint8)
    kernel = np.ones((3, 3), np.uint8)
    rim = (cv2.erode(small, kernel) == 0) & inside
    around = cv2.dilate(out.astype(np.uint8), kernel) == 0
    steps = [_step(grey, inside, around)[rim] for grey in (now, before)]
    first, second = (float(step.sum()) for step in steps)
    return (first - second) / (first + second + 1e-6)


def _step(grey: F32, inside: Bool, around: Bool) -> F32:
    """Give the size of the step from around a piece to within it, near each place; 0 where one is far."""
    side = 2 * RIM_PX + 1
    means = []
    for where in (inside, around):
        weight = cv2.blur(where.astype(np.float32), (side, side))
        total = cv2.blur(np.asarray(grey * where, np.float32), (side, side))
        means.append((total / np.maximum(weight, np.float32(1e-6)), weight > 1e-4))
    (within, is_within), (without, is_without) = means
    return as_f32(np.where(is_within & is_without, np.abs(within - without), 0).astype(np.float32))
