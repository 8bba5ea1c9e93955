"""Follow the animals of a clip: from frames to trails.

A clip is gone through in stretches of some twenty seconds, each with a ground of its own, so that memory
does not grow with the clip. Within a stretch every frame is laid over its middle one, what stands out from
the ground is parted into bodies, and bodies are linked from frame to frame. The last frame of a stretch is
the first of the next, and there their animals are linked.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import U8, as_rgb, as_u8
from pestvision.motion.anew import N_WORKERS, Stretch, look_again
from pestvision.motion.bodies import Body, bodies_in
from pestvision.motion.ground import N_SAMPLED, Ground, difference, ground_of
from pestvision.motion.linking import Followed, Link, is_animal, link_stretch
from pestvision.motion.noises import grown, narrowed, standing_out
from pestvision.motion.retrace import outlined
from pestvision.motion.same import is_same_animal
from pestvision.motion.steady import Steadied, Steadier, moved
from pestvision.motion.trails import trail_of
from pestvision.size.outline import NoOutline, outline_in

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from pestvision.arrays import F64, Bool, BoxXyxy
    from pestvision.motion.retrace import Sure
    from pestvision.motion.trail import Trail

STRETCH_S = 20.0
MOST_FRAMES = 200
"""Of a stretch: at 640 x 480 pixels they take 180 MB."""
LEAST_FRAMES = 30  # a slow burst is taken in stretches of so many photos at the least
LEAST_HELD = 0.5  # of the frames in which an animal is seen; own choice
MARGIN_PX = 3  # of a frame laid over another: its rim is blurred


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One frame to be followed in: `rgb` (h, w, 3) uint8, reduced by `scale` (reduced / frame)."""

    time_s: float
    rgb: U8
    scale: float = 1.0

    def __post_init__(self) -> None:
        as_rgb(self.rgb)


@dataclass(frozen=True, slots=True, eq=False)
class Chased:
    """What came of a clip.

    Parameters
    ----------
    times_s
        (n,) float64: seconds of the frames looked at.
    trails
        One for each animal, the longest followed first.
    n_lost
        Frames that nothing held, so that the camera's motion is not known there.
    marked
        For each trail, whether it lies where a box was given.
    """

    times_s: F64
    trails: tuple[Trail, ...]
    n_lost: int
    marked: tuple[bool, ...]


Mark = tuple[int, "BoxXyxy"]
"""A box about an animal: the frame's number within its stretch, and the box in its reduced pixels."""


def chase(
    looks: Iterable[Look],
    *,
    marks: Callable[[Sequence[Look]], Sequence[Mark]] | None = None,
    sure: Sure | None = None,
    on_a_stand: bool = False,
) -> Chased:
    """Follow every animal that moves, and those that are marked.

    Parameters
    ----------
    looks
        The frames in order of time, all of one size. They are taken one after the other; only those of
        one stretch are held at a time.
    marks
        Asked once for each stretch, with its frames: gives boxes about animals, which are followed even
        if they hardly move.
    sure
        Somebody who knows outlines (`retrace`), asked about every animal in each frame. Without it what
        stands out from the ground is all that is known.
    on_a_stand
        Whether the camera is known to have stood: it kept still then where nothing shows its motion.

    Returns
    -------
    Chased
        Its trails are in pixels of the frames at their full size.
    """
    times: list[float] = []
    followed: list[Followed] = []
    scale, size = 1.0, (1, 1)
    held_at: list[bool] = []
    with (
        ThreadPoolExecutor(1, "pestvision-steady") as steadying,
        ThreadPoolExecutor(N_WORKERS, "pestvision-chase") as workers,
    ):
        for start, held, placed in _stretches(looks, steadying, Steadier(on_a_stand=on_a_stand)):
            new = slice(start and 1, None)
            times += [look.time_s for look in held[new]]
            held_at += [one.is_held for one in placed[new]]
            scale, size = held[0].scale, held[0].rgb.shape[:2]
            given = [] if marks is None else list(marks(held))
            stretch = _stretch(start, held, placed, given, sure)
            _through(stretch, followed, workers, by_colour=sure is None)
            if sure is not None:
                look_again(stretch, followed, sure, np.array(times), workers=workers)
        at = np.array(times)
        animals = [one for one in followed if is_animal(one, at)]
        made = [trail_of(one, at, scale=scale, size=size, each=workers.map) for one in animals]
    is_held = np.array(held_at, np.bool_)
    pairs = [
        (replace(t, is_steadied=bool(is_held[t.seen].mean() >= LEAST_HELD)), one.is_marked)
        for t, one in zip(made, animals, strict=True)
        if t is not None
    ]
    pairs.sort(key=lambda pair: -int(pair[0].seen.sum()))
    kept: list[tuple[Trail, bool]] = []
    for trail, is_marked in pairs:
        if not any(is_same_animal(trail, other) for other, _ in kept):
            kept.append((trail, is_marked))
    return Chased(at, tuple(t for t, _ in kept), int((~is_held).sum()), tuple(m for _, m in kept))


def _stretches(
    looks: Iterable[Look], worker: ThreadPoolExecutor, steadier: Steadier
) -> Iterator[tuple[int, list[Look], list[Steadied]]]:
    """Give stretch after stretch: the number of its first frame, its frames, and how they lie."""
    held: list[Look] = []
    waiting: list[Future[Steadied]] = []
    start = 0
    for look in looks:  # steadied by a thread of its own, while the next frame is decoded
        held.append(look)
        waiting.append(worker.submit(steadier.place, look.rgb))
        is_long = look.time_s - held[0].time_s >= STRETCH_S and len(held) >= LEAST_FRAMES
        if is_long or len(held) >= MOST_FRAMES:
            placed = [one.result() for one in waiting]
            yield start, held, placed
            start += len(held) - 1
            held, waiting = [look], waiting[-1:]
    if len(held) > 1 or (held and start == 0):
        yield start, held, [one.result() for one in waiting]


def _stretch(
    start: int,
    held: Sequence[Look],
    placed: Sequence[Steadied],
    given: Sequence[Mark],
    sure: Sure | None,
) -> Stretch:
    anchor = placed[len(placed) // 2].matrix
    back = np.linalg.inv(anchor)
    to_anchor = [np.asarray(back @ one.matrix, np.float64) for one in placed]
    link = Link(start, anchor, to_anchor, [look.time_s for look in held])
    marks = [
        (index, _outlined(held[index].rgb, box, to_anchor[index], sure)) for index, box in given
    ]
    return Stretch(link, [look.rgb for look in held], marks)


def _through(
    stretch: Stretch, followed: list[Followed], workers: ThreadPoolExecutor, *, by_colour: bool
) -> None:
    """Follow through one stretch; `followed` grows."""
    link, frames = stretch.link, stretch.frames
    laid = list(workers.map(_laid, frames, link.to_anchor))
    size = frames[0].shape[:2]
    covers = [_cover(size, matrix) for matrix in link.to_anchor]
    known = [one.last_on(link.anchor) for one in followed if one.is_open_at(link.start)]
    marked = [places for _, places in stretch.marks]
    animals = _painted([*marked, *known] if by_colour else [], size)
    sampled = np.unique(np.linspace(0, len(frames) - 1, N_SAMPLED).round().astype(int))
    ground = ground_of(
        [laid[i] for i in sampled],
        covered=[covers[i] for i in sampled],
        animals=animals,
        by_colour=by_colour,
        each=workers.map,
    )
    seen = list(workers.map(lambda rgb, cover: _bodies(rgb, cover, ground), laid, covers))
    link_stretch(followed, seen, link, stretch.marks)


def _bodies(laid: U8, cover: U8, ground: Ground) -> list[Body]:
    noises = difference(laid, ground)
    out = standing_out(noises, (cover > 0) & ground.seen)
    return bodies_in(narrowed(noises, out), noises)


def _laid(rgb: U8, matrix: F64) -> U8:
    size = (rgb.shape[1], rgb.shape[0])
    return as_u8(cv2.warpPerspective(rgb, matrix, size, borderMode=cv2.BORDER_REPLICATE))


def _cover(size: tuple[int, ...], matrix: F64) -> U8:
    """Mark where a frame looks, its rim left out: (H, W) uint8, 255 or 0."""
    inner = np.zeros(size[:2], np.uint8)
    inner[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX] = 255
    return as_u8(cv2.warpPerspective(inner, matrix, (size[1], size[0]), flags=cv2.INTER_NEAREST))


def _outlined(rgb: U8, box: BoxXyxy, matrix: F64, sure: Sure | None) -> F64:
    """Give the places, (N, 2) on the anchor, of the animal in a box; of an oval where none is told."""
    height, width = rgb.shape[:2]
    inside = (max(box[0], 0.0), max(box[1], 0.0), min(box[2], width), min(box[3], height))
    if sure is not None and min(inside[2] - inside[0], inside[3] - inside[1]) >= 1:
        known = outlined(rgb, matrix, inside, sure)
        if known is not None:
            return known.places()
    found = outline_in(rgb, box)
    if isinstance(found, NoOutline):
        x0, y0, x1, y1 = box
        oval = np.zeros((max(1, round(y1 - y0)), max(1, round(x1 - x0))), np.uint8)
        middle = (oval.shape[1] / 2, oval.shape[0] / 2)
        cv2.ellipse(oval, (middle, (oval.shape[1], oval.shape[0]), 0.0), 1, cv2.FILLED)
        left, top, mask = x0, y0, oval > 0
    else:
        left, top, mask = found.box_xyxy_px[0], found.box_xyxy_px[1], found.mask
    rows, columns = np.nonzero(mask)
    return moved(matrix, np.column_stack([left + columns, top + rows])) + 0.5


def _painted(pieces: Sequence[F64], size: tuple[int, ...]) -> Bool:
    """Mark the places of all pieces, and a little about them: (H, W) bool."""
    mask = np.zeros(size[:2], np.bool_)
    for places in pieces:
        columns, rows = (np.floor(places).astype(int)).T
        inside = (rows >= 0) & (rows < size[0]) & (columns >= 0) & (columns < size[1])
        mask[rows[inside], columns[inside]] = True
    return grown(mask, 3) if pieces else mask
