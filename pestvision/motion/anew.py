"""Outline the animals of a stretch anew, those that stood out most, with somebody who knows outlines.

What stood out is told from nothing first, by a look at a few frames; pieces of an animal that is outlined
already are dropped; what was marked is never lost: where no outline of it is told and nothing stood out, it
kept still in its place.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.bodies import Body, overlap
from pestvision.motion.linking import Followed, Link, Sighting, as_body, is_animal, sightings_in
from pestvision.motion.proof import proof_of
from pestvision.motion.retrace import looked_at_few, retraced
from pestvision.motion.same import is_piece_of
from pestvision.motion.steady import moved

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pestvision.arrays import F64, U8
    from pestvision.motion.retrace import Sure

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
ABOUT = 1
"""Times the frames in which something stood out: it is looked for in so many before and after, and outlined through
all of a stretch where it stood out in the middle third of it. Own choice."""
N_WORKERS = 2  # threads: the two ordinary cores this is made for


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Frames that have a ground of their own: the number of the first, how each lies on the anchor, the marks.

    `marks`: a frame's number within the stretch, and the places of an animal, (N, 2) on the anchor.
    """

    link: Link
    frames: list[U8]
    marks: list[tuple[int, F64]]


def look_again(
    stretch: Stretch,
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
            if one.is_marked and len(mine) < LEAST_PROVING and id(one) in starts:
                return _in_its_place(starts[id(one)][1], stretch)
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
    stretch: Stretch, followed: list[Followed], to_frame: Sequence[F64]
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
    stretch: Stretch,
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


def _in_its_place(body: Body, stretch: Stretch) -> dict[int, Body]:
    """Give a body in its place in every frame that shows it whole: nothing stood out there, so it kept still."""
    height, width = stretch.frames[0].shape[:2]
    there = {}
    for number, matrix in enumerate(stretch.link.to_anchor):
        places = moved(np.asarray(np.linalg.inv(matrix), np.float64), body.places() - 0.5)
        if (places >= 0).all() and (places <= [width - 1, height - 1]).all():
            there[number] = body
    return there


def _contrast_of(bodies: Mapping[int, Body], stretch: Stretch) -> float:
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
