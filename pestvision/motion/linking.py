"""Who is who from frame to frame: bodies of a stretch to animals that are followed.

An animal is looked for where it was and where its pace would have brought it. A body that covers several
animals is shared out among them by where each was expected; several bodies where one animal was are its
pieces. What is followed counts as an animal where it moves as a body does, or was marked by somebody.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import box_iou
from pestvision.motion.bodies import Body, joined, overlap, shared_out
from pestvision.motion.steady import moved

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64

MAX_GAP_S = 1.5  # an animal unseen for longer is given up …
MAX_GAP_FRAMES = 3  # … but not before it was unseen on so many frames
REACH = 1.2  # lengths that an animal may go between two frames, beyond what its pace says
LEAST_REACH_PX = 6.0
AREA_RATIO = 4.0  # of two sightings of one animal: beyond it one is something else
ESTABLISHED = 4  # sightings from which an animal is not lightly given up to another
LEAST_SEEN = 4  # sightings that make an animal …
LEAST_SHARE = 0.3  # … and share of the frames from the first to the last
STEADY_OVERLAP = 0.3  # of one sighting with the next: what flickers has less
LEAST_MOVED_PX = 2.5  # an animal's middle has to come so far …
LEAST_MOVED_LENGTHS = 0.07  # … or so much of its length, whichever is more
LEAST_BENT = 0.2  # of its length, by which the sides of its box change where it moves in place
STEADY_BOXES = (
    0.4  # of their boxes: a thin body that waves covers nothing of where it was; own choice
)
FAR_LENGTHS = 1.5  # come by so much, it moved, however little one sighting covers the next
GOES_ON = 0.6
"""Correlation of a place with that of the frame before. In a dish with three flatworms it was 0.64 to 0.95
for them, and at most 0.32 for eleven flickering glares and shadows."""


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """An animal in one frame: `body` lies on the anchor of its stretch.

    `to_first`: (3, 3), from the anchor to the clip's first frame; `to_frame`: from the anchor to the
    frame itself.
    """

    frame: int
    body: Body
    to_first: F64
    to_frame: F64


@dataclass(slots=True, eq=False)
class Followed:
    """An animal while it is followed."""

    sightings: list[Sighting] = field(default_factory=list)
    is_marked: bool = False
    is_proven: bool = False  # the places that it passed look otherwise while it is there
    pace: F64 = field(default_factory=lambda: np.zeros(2))  # pixels of the anchor a second
    last_s: float = 0.0
    n_missed: int = 0

    def is_open_at(self, frame: int) -> bool:
        """Tell whether it was seen on the frame that two stretches share."""
        return bool(self.sightings) and self.sightings[-1].frame == frame

    def last_on(self, anchor: F64) -> F64:
        """Give the places of its last sighting, (N, 2), on another stretch's anchor."""
        last = self.sightings[-1]
        across = np.linalg.inv(anchor) @ last.to_first
        return moved(across, last.body.places() - 0.5) + 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """A stretch: the number of its first frame, its anchor's place, its frames' places and times."""

    start: int
    anchor: F64
    to_anchor: Sequence[F64]
    times_s: Sequence[float]


def link_stretch(
    followed: list[Followed],
    seen: Sequence[Sequence[Body]],
    link: Link,
    marks: Sequence[tuple[int, F64]],
) -> None:
    """Link a stretch's bodies; `followed` grows.

    Parameters
    ----------
    followed
        What was followed so far; those seen on the frame before the second of this stretch go on.
    seen
        For each frame, its bodies on the anchor.
    link
        Where and when the frames are.
    marks
        Places of marked animals, (N, 2) on the anchor, with the number of the frame within the stretch.
    """
    carried = _carried(followed, link) if link.start else {}
    live = list(carried)
    claims = dict(carried)
    for index, bodies in enumerate(seen):
        if link.start and index == 0:
            continue  # the frame was seen to in the stretch before
        time_s = link.times_s[index]
        expected = [claims[one] + one.pace * (time_s - one.last_s) for one in live]
        pairs, fresh = _matched(live, expected, list(bodies))
        for one, body in pairs:
            _take(one, body, link, index)
            claims[one] = body.places()
        for body in fresh:
            one = Followed()
            _take(one, body, link, index)
            claims[one] = body.places()
            live.append(one)
            followed.append(one)
        found = {id(one) for one, _ in pairs}
        for one in live:
            if id(one) not in found and one.sightings[-1].frame != link.start + index:
                one.n_missed += 1
        live = [one for one in live if _is_live(one, time_s)]
    _mark(followed, link, marks)


def _carried(followed: Sequence[Followed], link: Link) -> dict[Followed, F64]:
    return {one: one.last_on(link.anchor) for one in followed if one.is_open_at(link.start)}


def _is_live(one: Followed, time_s: float) -> bool:
    return time_s - one.last_s <= MAX_GAP_S or one.n_missed <= MAX_GAP_FRAMES


def _take(one: Followed, body: Body, link: Link, index: int) -> None:
    """Add a sighting, and learn the pace."""
    time_s = link.times_s[index]
    if one.sightings and one.sightings[-1].to_first is link.anchor:
        step = (body.middle - one.sightings[-1].body.middle) / max(time_s - one.last_s, 1e-3)
        one.pace = 0.5 * one.pace + 0.5 * step
    to_frame = np.asarray(np.linalg.inv(link.to_anchor[index]), np.float64)
    one.sightings.append(Sighting(link.start + index, body, link.anchor, to_frame))
    one.last_s, one.n_missed = time_s, 0


def _matched(
    live: Sequence[Followed], expected: Sequence[F64], bodies: list[Body]
) -> tuple[list[tuple[Followed, Body]], list[Body]]:
    """Give who is seen where, and the bodies that are nobody's yet."""
    wanted = [as_body(places) for places in expected]
    cost = np.full((len(live), len(bodies)), np.inf)
    for i, (one, want) in enumerate(zip(live, wanted, strict=True)):
        for j, body in enumerate(bodies):
            cost[i, j] = _cost(one, want, body)
    taken: dict[int, int] = {}
    for flat in np.argsort(cost, axis=None):
        i, j = divmod(int(flat), len(bodies))
        if not np.isfinite(cost[i, j]):
            break
        if i not in taken and j not in taken.values():
            taken[i] = j
    pieces = _pieces(live, wanted, bodies, taken)
    pairs: list[tuple[Followed, Body]] = []
    for i, j in taken.items():
        body = bodies[j]
        others = [
            k
            for k in range(len(live))
            if k not in taken
            and len(live[k].sightings) >= ESTABLISHED
            and live[k].n_missed <= MAX_GAP_FRAMES
            and overlap(wanted[k], body) > 0.4
        ]
        established = len(live[i].sightings) >= ESTABLISHED
        grew = body.area > 1.3 * live[i].sightings[-1].body.area
        if others and established and grew:
            parts = shared_out(body, [expected[i], *(expected[k] for k in others)])
            pairs += [
                (live[k], part)
                for k, part in zip((i, *others), parts, strict=True)
                if part is not None
            ]
        else:
            pairs.append((live[i], joined([body, *pieces.get(i, [])])))
    used = set(taken.values()) | {id_ for lot in pieces.values() for id_ in map(id, lot)}
    fresh = [
        body for j, body in enumerate(bodies) if j not in taken.values() and id(body) not in used
    ]
    return pairs, fresh


def _cost(one: Followed, want: Body, body: Body) -> float:
    """Give how unlikely it is that a body is the animal expected there; infinite where it cannot be."""
    ratio = body.area / max(one.sightings[-1].body.area, 1)
    shared = overlap(want, body)
    away = float(np.hypot(*(body.middle - want.middle)))
    reach = max(REACH * want.reach, LEAST_REACH_PX)
    if shared == 0 and (away > reach or not 1 / AREA_RATIO < ratio < AREA_RATIO):
        return float("inf")
    newcomer = 0.3 if len(one.sightings) < ESTABLISHED else 0.0
    changed = abs(float(np.log(ratio)))
    return away / reach + 0.3 * changed - 1.5 * shared + newcomer + 0.2 * one.n_missed


def _pieces(
    live: Sequence[Followed], wanted: Sequence[Body], bodies: list[Body], taken: dict[int, int]
) -> dict[int, list[Body]]:
    """Give bodies left over that lie where an animal is expected: pieces of it."""
    pieces: dict[int, list[Body]] = {}
    for j, body in enumerate(bodies):
        if j in taken.values():
            continue
        for i in taken:
            if len(live[i].sightings) >= 2 and body.area < wanted[i].area:
                n_in = overlap(wanted[i], body) * min(wanted[i].area, body.area)
                if n_in > 0.5 * body.area:
                    pieces.setdefault(i, []).append(body)
                    break
    return pieces


def as_body(places: F64) -> Body:
    """Make a body of places."""
    columns, rows = np.floor(places).astype(int).T
    left, top = int(columns.min()), int(rows.min())
    mask = np.zeros((int(rows.max()) - top + 1, int(columns.max()) - left + 1), np.bool_)
    mask[rows - top, columns - left] = True
    return Body(left, top, mask, 0.0)


def _mark(followed: Sequence[Followed], link: Link, marks: Sequence[tuple[int, F64]]) -> None:
    """Note which animals lie where somebody marked one."""
    for index, places in marks:
        want = as_body(places)
        best: tuple[float, Followed] | None = None
        for one in followed:
            near = [s for s in one.sightings if abs(s.frame - link.start - index) <= 2]
            near = [s for s in near if s.to_first is link.anchor]
            share = max((overlap(want, s.body) for s in near), default=0.0)
            if share > 0.3 and (best is None or share > best[0]):
                best = share, one
        if best is not None:
            best[1].is_marked = True


def sightings_in(one: Followed, start: int, n: int) -> list[Sighting]:
    """Give the sightings of `n` frames from `start` on."""
    return [sighting for sighting in one.sightings if start <= sighting.frame < start + n]


def is_animal(one: Followed, times_s: F64) -> bool:
    """Tell whether what was followed moves as an animal does, or was marked and is there for long."""
    frames = [s.frame for s in one.sightings]
    if len(frames) < min(LEAST_SEEN, len(times_s)):
        return False
    if len(frames) < LEAST_SHARE * (frames[-1] - frames[0] + 1):
        return False
    if one.is_marked:
        return True
    bodies = [s.body for s in one.sightings]
    middles = np.array([moved(s.to_first, s.body.middle[None] - 0.5)[0] for s in one.sightings])
    sides = np.array([body.mask.shape for body in bodies], np.float64)
    reach = float(np.median([body.reach for body in bodies]))
    net = float(np.hypot(*(middles[-1] - middles[0])))
    shared = [overlap(a, b) for a, b in pairwise(bodies)]
    beside = [box_iou(a.box, b.box) for a, b in pairwise(bodies)]
    flickers = float(np.median(shared)) < STEADY_OVERLAP and float(np.median(beside)) < STEADY_BOXES
    if flickers and not one.is_proven:
        return net > FAR_LENGTHS * reach
    # What was proven may come and go quickly: a larva that flips about is elsewhere in every frame.
    goes_on = 0.0 if one.is_proven else GOES_ON
    far, bent = LEAST_MOVED_LENGTHS * reach, LEAST_BENT * reach
    goes = any(_moves(row, max(LEAST_MOVED_PX, far), goes_on) for row in middles.T)
    return goes or any(_moves(row, max(LEAST_MOVED_PX, bent), goes_on) for row in sides.T)


def _moves(series: F64, least_px: float, least_going_on: float) -> bool:
    """Tell whether a series goes so far, and goes on from frame to frame rather than flickering."""
    low, high = np.percentile(series, [5, 95])
    if high - low < least_px:
        return False
    if least_going_on == 0:
        return True
    off = series - series.mean()
    goes_on = float((off[1:] * off[:-1]).sum() / max(float((off * off).sum()), 1e-9))
    return goes_on > least_going_on * (1 - 3 / len(series))
