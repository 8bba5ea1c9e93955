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
from pestvision.motion.bodies import Body, bodies_in, overlap
from pestvision.motion.ground import N_SAMPLED, Ground, difference, ground_of
from pestvision.motion.linking import (
    Followed,
    Link,
    Sighting,
    as_body,
    is_animal,
    link_stretch,
    sightings_in,
)
from pestvision.motion.noises import grown, narrowed, standing_out
from pestvision.motion.proof import proof_of
from pestvision.motion.retrace import looked_at_few, outlined, retraced
from pestvision.motion.same import is_piece_of, is_same_animal
from pestvision.motion.steady import Steadied, Steadier, moved
from pestvision.motion.trails import trail_of
from pestvision.size.outline import NoOutline, outline_in

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from pestvision.arrays import F64, Bool, BoxXyxy
    from pestvision.motion.retrace import Sure
    from pestvision.motion.trail import Trail

STRETCH_S = 20.0
MOST_FRAMES = 200
"""Of a stretch: at 640 x 480 pixels they take 180 MB."""
LEAST_FRAMES = 30  # a slow burst is taken in stretches of so many photos at the least
AT_FIRST = 2  # are outlined first: what lies on them is then known for a piece of them
MOST_RETRACED = 6  # animals of a stretch that are outlined anew: each takes a look a frame
MOST_RESTING = 3  # marked animals beyond those: they stand out least, and matter no less
FEW = 0.3  # of the frames: a marked animal of which nothing stands out, outlined in fewer, keeps still; own choice
LEAST_PASSED = 0.3  # of its area: a body that passed less kept to its place; own choice
LEAST_CONTRAST = 2.5
"""Standard errors by which the places that a body passed must differ while it is there. On drawn clips outlines
that strayed over still ground had 0.6 to 2.1 in most cases, whole animals 3.6 and more."""
CLEAR_CONTRAST = 4.0  # with less, a closer look is tried too; own choice
HOPELESS = 1.5
"""Standard errors: outlines with less are not looked for once more, and closer, unless the animal was marked. On
drawn clips (seeds 7,600,000 on) eight such had 0 to 2.7 by the closer look, none of them on the animal."""
LEAST_PROVING = 4  # frames; fewer prove nothing
LEAST_HELD = 0.5  # of the frames in which an animal is seen; own choice
ABOUT = 1
"""Times the frames in which something stood out: it is looked for in so many before and after, and outlined through
all of a stretch where it stood out in the middle third of it. Own choice."""
N_WORKERS = 2  # threads: the two ordinary cores this is made for
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
        for start, held, placed in _stretches(looks, steadying):
            new = slice(start and 1, None)
            times += [look.time_s for look in held[new]]
            held_at += [one.is_held for one in placed[new]]
            scale, size = held[0].scale, held[0].rgb.shape[:2]
            given = [] if marks is None else list(marks(held))
            stretch = _stretch(start, held, placed, given, sure)
            _through(stretch, followed, workers, by_colour=sure is None)
            if sure is not None:
                _look_again(stretch, followed, sure, np.array(times), workers=workers)
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
    looks: Iterable[Look], worker: ThreadPoolExecutor
) -> Iterator[tuple[int, list[Look], list[Steadied]]]:
    """Give stretch after stretch: the number of its first frame, its frames, and how they lie."""
    steadier = Steadier()
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


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """Frames that have a ground of their own: the number of the first, how each lies on the anchor, the marks.

    `marks`: a frame's number within the stretch, and the places of an animal, (N, 2) on the anchor.
    """

    link: Link
    frames: list[U8]
    marks: list[tuple[int, F64]]


def _stretch(
    start: int,
    held: Sequence[Look],
    placed: Sequence[Steadied],
    given: Sequence[Mark],
    sure: Sure | None,
) -> _Stretch:
    anchor = placed[len(placed) // 2].matrix
    back = np.linalg.inv(anchor)
    to_anchor = [np.asarray(back @ one.matrix, np.float64) for one in placed]
    link = Link(start, anchor, to_anchor, [look.time_s for look in held])
    marks = [
        (index, _outlined(held[index].rgb, box, to_anchor[index], sure)) for index, box in given
    ]
    return _Stretch(link, [look.rgb for look in held], marks)


def _through(
    stretch: _Stretch, followed: list[Followed], workers: ThreadPoolExecutor, *, by_colour: bool
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


def _look_again(
    stretch: _Stretch,
    followed: list[Followed],
    sure: Sure,
    at: F64,
    *,
    workers: ThreadPoolExecutor,
) -> None:
    """Outline the animals of a stretch anew, those first that stood out most; `followed` grows.

    What lies on one of the first is a piece of it, and dropped.

    `at`: (n,) seconds of all frames so far.
    """
    link, frames = stretch.link, stretch.frames
    start, n = link.start, len(frames)
    to_frame = [np.asarray(np.linalg.inv(matrix), np.float64) for matrix in link.to_anchor]
    starts = _starts(stretch, followed, to_frame)
    mine = [(one, sightings_in(one, start, n)) for one in followed]
    chosen = [(one, some) for one, some in mine if some and (one.is_marked or is_animal(one, at))]
    chosen.sort(key=lambda pair: -sum(sighting.body.strength for sighting in pair[1]))
    seen = [{sighting.frame - start: sighting.body for sighting in some} for _, some in chosen]
    resting = [rank for rank, (one, _) in enumerate(chosen) if one.is_marked]
    resting = [rank for rank in resting if rank >= MOST_RETRACED][:MOST_RESTING]
    found: list[dict[int, Body]] = []

    def again(rank: int) -> dict[int, Body]:
        one, mine = chosen[rank][0], seen[rank]
        if rank >= MOST_RETRACED and rank not in resting:
            is_something = one.is_marked or _contrast_of(mine, stretch) >= LEAST_CONTRAST
            return mine if is_something else {}
        if not one.is_marked and any(is_piece_of(mine, other) for other in found[:AT_FIRST]):
            return {}
        middling = sorted(mine, key=lambda number: mine[number].area)[len(mine) // 2]
        begin = starts.get(id(one), (middling, mine[middling]))
        contrast, bodies = _outlined_anew(
            mine, begin, stretch, sure, is_marked=one.is_marked, workers=workers
        )
        one.is_proven |= CLEAR_CONTRAST <= contrast < np.inf
        if one.is_marked and len(mine) < LEAST_PROVING and len(bodies) < FEW * n:
            return _in_its_place(begin[1], stretch)
        return bodies

    with ThreadPoolExecutor(N_WORKERS, "pestvision-again") as several:
        for lot in (range(len(chosen))[:AT_FIRST], range(len(chosen))[AT_FIRST:]):
            found += list(several.map(again, lot))
    for (one, _), bodies in zip(chosen, found, strict=True):
        one.sightings = [
            *(s for s in one.sightings if not start <= s.frame < start + n),
            *(
                Sighting(start + number, bodies[number], link.anchor, to_frame[number])
                for number in sorted(bodies)
            ),
        ]
        one.last_s = link.times_s[max(bodies)] if bodies else -np.inf
    followed[:] = [one for one in followed if one.sightings]


def _starts(
    stretch: _Stretch, followed: list[Followed], to_frame: Sequence[F64]
) -> dict[int, tuple[int, Body]]:
    """Give where the marked ones begin, by their `id`; `followed` grows by those that nothing showed yet."""
    link = stretch.link
    start = link.start
    starts: dict[int, tuple[int, Body]] = {}
    for index, places in stretch.marks:
        place = as_body(places)
        one = next(
            (one for one in followed if one.is_marked and _is_at(one, start + index, place)), None
        )
        if one is None:
            one = Followed(is_marked=True, last_s=link.times_s[index])
            one.sightings.append(Sighting(start + index, place, link.anchor, to_frame[index]))
            followed.append(one)
        starts.setdefault(id(one), (index, place))
    return starts


def _about(seen: Mapping[int, Body], n: int) -> tuple[int, int]:
    """Give the frames, of `n`, in which it is looked for: longer where it stood out for longer."""
    more = ABOUT * len(seen)
    return max(0, min(seen) - more), min(n, max(seen) + 1 + more)


def _outlined_anew(
    seen: Mapping[int, Body],
    begin: tuple[int, Body],
    stretch: _Stretch,
    sure: Sure,
    *,
    is_marked: bool,
    workers: ThreadPoolExecutor,
) -> tuple[float, dict[int, Body]]:
    """Give an animal's outlines by frame, and by how much the places differ that they passed.

    None where nothing shows that it is one that moved or kept its place.
    """
    of_seen = _contrast_of(seen, stretch)
    if not is_marked and of_seen < LEAST_CONTRAST:
        few = looked_at_few(seen, stretch.frames, stretch.link.to_anchor, sure)
        if _contrast_of(few, stretch) < LEAST_CONTRAST:
            return 0.0, {}
    n = len(stretch.frames)
    best: tuple[float, dict[int, Body]] = (LEAST_CONTRAST, {})
    for is_close in (False, True):
        bodies = retraced(
            seen,
            begin,
            stretch.frames,
            stretch.link.to_anchor,
            sure,
            is_close=is_close,
            within=(0, n) if is_marked else _about(seen, n),
            each=workers.map,
        )
        contrast = _contrast_of(bodies, stretch)
        if contrast >= CLEAR_CONTRAST:
            return contrast, bodies
        if contrast >= best[0]:
            best = contrast, bodies
        if contrast < HOPELESS and not is_marked:
            break
    return (of_seen, dict(seen)) if not best[1] and of_seen >= LEAST_CONTRAST else best


def _in_its_place(body: Body, stretch: _Stretch) -> dict[int, Body]:
    """Give a body in its place in every frame that shows it whole: nothing stood out there, so it kept still."""
    height, width = stretch.frames[0].shape[:2]
    there = {}
    for number, matrix in enumerate(stretch.link.to_anchor):
        places = moved(np.asarray(np.linalg.inv(matrix), np.float64), body.places() - 0.5)
        if (places >= 0).all() and (places <= [width - 1, height - 1]).all():
            there[number] = body
    return there


def _contrast_of(bodies: Mapping[int, Body], stretch: _Stretch) -> float:
    """Give by how much the places differ that a body passed; infinite where it kept to its place."""
    if len(bodies) < LEAST_PROVING:
        return np.inf
    proof = proof_of(bodies, stretch.frames, stretch.link.to_anchor)
    return np.inf if proof.passed < LEAST_PASSED else proof.contrast


def _is_at(one: Followed, frame: int, place: Body) -> bool:
    return any(
        abs(sighting.frame - frame) <= 2 and overlap(sighting.body, place) > 0
        for sighting in one.sightings
    )


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
    known = None if sure is None else outlined(rgb, matrix, box, sure)
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
