"""Tell which movers of neighbouring pairs are one animal, over all photos of a view.

Two assignments of most total worth. First, movers whose places on the photo between two pairs coincide are
joined to tracklets. Then tracklets are joined end to start, over up to `max_gap_photos` photos: an animal
rests, is overlooked, or is seen to leave one place and to arrive at another without the two being joined.
What a link is worth is the logarithm of its odds, from place, size and pace; the weights were fitted on
drawn series (`python -m training.link_exam --fit`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_array
from scipy.sparse.csgraph import min_weight_full_bipartite_matching

from pestvision.errors import ShapeError
from pestvision.motion.tracks import Traits, carried_box

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pestvision.arrays import F32, F64, BoxXyxy
    from pestvision.motion.tracks import Mover

LEAST_SAME = 1.0
"""Least log-odds at which two places on one photo are one animal's without more evidence. Of 0, 1 and 2,
1 kept most identities with the linker alone (0.70 of 280 movers, tuning series) and over the whole scan."""

LEAST_ODDS = -3.5
"""Least log-odds of a link between tracklets. Below even: a link that is left out is a break for certain,
and each tracklet is linked once at most, so that the better one wins. Breaks and swaps on 60 tuning series, out
of fold: 138 and 81 with -5, 142 and 70 with -3.5."""

SAME_PLACE = (
    0.06,
    -1.1,
    -1.7,
)  # log-odds of one animal on one photo: of 1, ln(d + 0.1), d in lengths
BESIDE = 0.35
"""Lengths between the middles of two boxes of one place. Of 238 blobs that are beside something in one of the
two neighbouring pairs only, 75 of the 124 seen after had arrived and 23
had stayed; 70 of the 114 seen before had left and 18 had stayed (60 tuning series; the others lie on nothing)."""

NEAREST = 0.1  # lengths added to a distance before its logarithm is taken: boxes are no surer
COLOUR_STEP = 45.0  # grey levels in which contrasts are compared
FAINT = 15.0  # grey levels over three channels, added to a contrast before its hue is taken
PACE = 0.3  # lengths added to a step before its logarithm is taken
BEYOND = 100.0  # more than any link is worth


class LinkEvidence(NamedTuple):
    """All that speaks for a link between an end and a start. Distances are in lengths of the longer one.

    `gap_*`: the photos between the two are so many, 1 or 0. `near_*`: ln(distance + 0.1), and `far_*`:
    the distance, for that gap. `size`, `box`: how unlike the lengths are, of the tracklets and of the two
    boxes, as |ln|. `end_disowned`, `start_disowned`: the place is not the last or first that the tracklet
    claims, but the one on the pair's other photo. `n_before`, `n_after`: ln of the number of movers.
    `left`, `came`: the last mover has no second place, the first no first. `left_came`: both, in one pair.
    `length`: ln of the length, pixels. `pace_before`, `pace_after`: how unlike the step is to the
    tracklet's usual one, as |ln|; 0 where that is not known. `pace`: the same between the two tracklets.
    `area`, `width`, `shape`, `contrast`, `colour`: how unlike the looks of blobs are: sizes as |ln|,
    `shape` of width over length, `contrast` over 45 grey levels, `colour` of its share by channel; 0
    where only blobs are known of what stayed, which show two places at once: then `unclear` is 1, and
    `unclear_*` take their place. `*_known`: the same where both tracklets have two blobs or more.
    `*_near`, `length_near`: times ln(distance + 0.1). `left_*`, `came_*`, `both_*` with `near_1`, `later`
    and `near_later`: the same by gap, 1 or more, and times ln(distance + 0.1). `kinship`: how alike the two look, over what
    would speak neither way: below 0 where they look like two kinds, 0 where nothing is known of that.
    """

    gap_0: float
    gap_1: float
    gap_2: float
    near_0: float
    near_1: float
    near_2: float
    far_0: float
    far_1: float
    far_2: float
    size: float
    box: float
    end_disowned: float
    start_disowned: float
    n_before: float
    n_after: float
    left: float
    came: float
    left_came: float
    length: float
    pace_before: float
    pace_after: float
    pace: float
    area: float
    width: float
    shape: float
    contrast: float
    colour: float
    unclear: float
    unclear_area: float
    unclear_contrast: float
    unclear_colour: float
    known: float
    area_known: float
    contrast_known: float
    colour_known: float
    area_near: float
    contrast_near: float
    length_near: float
    left_near_1: float
    came_near_1: float
    both_near_1: float
    left_later: float
    came_later: float
    both_later: float
    left_near_later: float
    came_near_later: float
    both_near_later: float
    kinship: float


@dataclass(frozen=True, slots=True)
class Place:
    """Where a tracklet ends or starts: `is_disowned` where the tracklet claims another place.

    A mover may be taken to have stayed about where it was, while it left or had only come: then its place
    on one photo of the pair shows the bare ground, and that on the other photo is where it ends or starts.
    """

    photo: int
    box_xyxy_px: BoxXyxy
    is_disowned: bool


class Tracklet:
    """Movers of consecutive pairs that are surely one animal.

    `members` are (pair, rank in it) of `movers`. `length_px` is the median long side of their boxes,
    `step_px` the median displacement, None where none is known. `seen_as` joins what each mover looks
    like, the normalised geometric mean; None where nothing is known.
    """

    __slots__ = (
        "ends",
        "is_unclear",
        "length_px",
        "members",
        "movers",
        "n_traits",
        "seen_as",
        "starts",
        "step_px",
        "traits",
    )

    def __init__(
        self,
        members: Sequence[tuple[int, int]],
        movers: Sequence[Mover],
        seen_as: Sequence[F64] = (),
    ) -> None:
        self.members = tuple(members)
        self.movers = tuple(movers)
        boxes = [box for mover in movers for box in _boxes(mover) if box is not None]
        steps = [one.displacement_px for one in movers if one.displacement_px is not None]
        self.length_px = median(_long(box) for box in boxes)
        self.step_px = median(steps) if steps else None
        self.seen_as = _joined(seen_as) if seen_as else None
        clear = [one.traits for one in movers if one.traits is not None and not _stayed(one)]
        traits = clear or [one.traits for one in movers if one.traits is not None]
        self.is_unclear, self.n_traits = not clear, len(traits)
        self.traits = _usual(traits) if traits else None
        first, last = self.members[0][0], self.members[-1][0]
        one, other = _boxes(movers[0])
        self.starts = _places((first, one), (first + 1, other), may_disown=_stayed(movers[0]))
        one, other = _boxes(movers[-1])
        self.ends = _places((last + 1, other), (last, one), may_disown=_stayed(movers[-1]))


@dataclass(frozen=True, slots=True)
class Option:
    """One way in which tracklet `before` may go on as tracklet `after`; both are ranks."""

    before: int
    after: int
    end: Place
    start: Place
    evidence: LinkEvidence


def link_movers(
    movers: Sequence[Sequence[Mover]],
    *,
    matrices: Sequence[F32 | F64 | None] | None = None,
    max_gap_photos: int = 2,
    seen_as: Sequence[Sequence[F64]] | None = None,
) -> tuple[tuple[Mover, ...], ...]:
    """Give the movers of a view numbers, so that the same animal has the same number in every pair.

    Parameters
    ----------
    movers
        For each pair of neighbouring photos, in order: its movers.
    matrices
        For each pair: its matrix, or None where it could not be aligned. Used to carry the place of
        an animal over the photos on which it was not seen to move. Left out: the camera is taken to
        have stood still.
    max_gap_photos
        A mover unseen for more photos than this starts a new track.
    seen_as
        For each mover, probabilities of what it is, (n,) with sum 1: two that look like different kinds
        are hardly one animal. Left out: looks say nothing.

    Returns
    -------
    The same movers in the same order, with tracks from 1. Each is in one track.
    """
    if matrices is not None and len(matrices) != len(movers):
        raise ShapeError("matrices", expected=f"{len(movers)} of them", actual=str(len(matrices)))
    steps = [np.eye(3) for _ in movers] if matrices is None else list(matrices)
    tracklets = find_tracklets(movers, seen_as)
    chains = _chained(tracklets, link_options(tracklets, steps, max_gap_photos))
    numbers = {
        member: number for number, chain in enumerate(sorted(chains), start=1) for member in chain
    }
    return tuple(
        tuple(replace(mover, track=numbers[pair, rank]) for rank, mover in enumerate(found))
        for pair, found in enumerate(movers)
    )


def find_tracklets(
    movers: Sequence[Sequence[Mover]], seen_as: Sequence[Sequence[F64]] | None = None
) -> list[Tracklet]:
    """Join movers whose places on the photo between two pairs coincide, in order of their first member."""
    movers = told_apart(movers)
    chains: list[list[tuple[int, int]]] = []
    open_chains: list[int] = []  # those that have a member in the pair before
    for pair, found in enumerate(movers):
        ends = [(c, _boxes(movers[chains[c][-1][0]][chains[c][-1][1]])[1]) for c in open_chains]
        starts = [(rank, _boxes(mover)[0]) for rank, mover in enumerate(found)]
        goes_on = _coinciding(ends, starts)
        open_chains = []
        for rank in range(len(found)):
            chain = goes_on.get(rank)
            if chain is None:
                chain = len(chains)
                chains.append([])
            chains[chain].append((pair, rank))
            open_chains.append(chain)
    return [
        Tracklet(
            chain,
            [movers[pair][rank] for pair, rank in chain],
            [] if seen_as is None else [seen_as[pair][rank] for pair, rank in chain],
        )
        for chain in chains
    ]


def told_apart(movers: Sequence[Sequence[Mover]]) -> list[list[Mover]]:
    """Tell of what seems to have stayed whether it left or arrived, by the pairs before and after.

    What arrived is at its place when the next pair begins, and what left was there when the pair before
    ended. Where both pairs show something at the place, or none does, or one of them shows nothing at
    all, the mover keeps both its boxes.
    """
    told = []
    for pair, found in enumerate(movers):
        before = [_boxes(one)[1] for one in movers[pair - 1]] if pair else []
        after = [_boxes(one)[0] for one in movers[pair + 1]] if pair + 1 < len(movers) else []
        told.append([_told(mover, before, after) for mover in found])
    return told


def _told(mover: Mover, before: Sequence[BoxXyxy | None], after: Sequence[BoxXyxy | None]) -> Mover:
    if not before or not after or not _stayed(mover):
        return mover
    first, second = _boxes(mover)
    was_there, is_there = _is_beside(first, before), _is_beside(second, after)
    if was_there == is_there:
        return mover
    if was_there:
        return replace(mover, box_second_xyxy_px=None, displacement_px=None)
    return replace(mover, box_first_xyxy_px=None, displacement_px=None)


def _is_beside(box: BoxXyxy | None, others: Sequence[BoxXyxy | None]) -> bool:
    return box is not None and any(
        other is not None and _distance(box, other) < BESIDE * max(_long(box), _long(other))
        for other in others
    )


def _coinciding(
    ends: Sequence[tuple[int, BoxXyxy | None]], starts: Sequence[tuple[int, BoxXyxy | None]]
) -> dict[int, int]:
    """Give, for each start that coincides with an end, that end's name."""
    here = [(name, box) for name, box in ends if box is not None]
    there = [(name, box) for name, box in starts if box is not None]
    if not here or not there:
        return {}
    worth = np.array([[_same_place(one, other) for _, other in there] for _, one in here])
    worth -= LEAST_SAME
    rows, columns = (side.tolist() for side in linear_sum_assignment(-np.maximum(worth, 0.0)))
    return {
        there[column][0]: here[row][0]
        for row, column in zip(rows, columns, strict=True)
        if worth[row, column] > 0
    }


def _same_place(one: BoxXyxy, other: BoxXyxy) -> float:
    """Give the log-odds that two boxes on one photo are one animal's."""
    far = _distance(one, other) / max(_long(one), _long(other))
    const, near_weight, far_weight = SAME_PLACE
    return const + near_weight * math.log(far + NEAREST) + far_weight * far


def link_options(
    tracklets: Sequence[Tracklet], matrices: Sequence[F32 | F64 | None], max_gap_photos: int
) -> Iterator[Option]:
    """Give every way in which a tracklet may go on as another, with all that speaks for it.

    A tracklet goes on in a later pair, or in its own last pair from the first photo to the second. An end
    whose place cannot be carried over a pair that was not aligned has no option beyond it.
    """
    starting: dict[int, list[int]] = {}
    for rank, tracklet in enumerate(tracklets):
        starting.setdefault(tracklet.members[0][0], []).append(rank)
    for before, one in enumerate(tracklets):
        last = one.members[-1][0]
        ends = [_carried(end, matrices, max_gap_photos) for end in one.ends]
        for pair in range(last, last + max_gap_photos + 2):
            for after in starting.get(pair, ()):
                if after == before:
                    continue
                for end, carried in zip(one.ends, ends, strict=True):
                    for start in tracklets[after].starts:
                        box = carried.get(start.photo)
                        if box is None or (pair == last and _is_at_odds(end, start)):
                            continue
                        evidence = _evidence(one, tracklets[after], end, start, box)
                        yield Option(before, after, end, start, evidence)


def _is_at_odds(end: Place, start: Place) -> bool:
    """Tell whether two movers of one pair cannot be an end and a start: two at one time, or circular."""
    return end.photo == start.photo or (end.is_disowned and start.is_disowned)


def _carried(
    end: Place, matrices: Sequence[F32 | F64 | None], max_gap_photos: int
) -> dict[int, BoxXyxy]:
    """Carry an end over the photos that come: its box on each, from its own on."""
    box = end.box_xyxy_px
    places = {end.photo: box}
    for photo in range(end.photo, min(end.photo + max_gap_photos, len(matrices))):
        matrix = matrices[photo]
        if matrix is None:
            break
        box = carried_box(box, matrix)
        places[photo + 1] = box
    return places


def _evidence(
    one: Tracklet, other: Tracklet, end: Place, start: Place, box: BoxXyxy
) -> LinkEvidence:
    """Gather what speaks for a link; `box` is the end's, carried to the start's photo."""
    gap = min(start.photo - end.photo, 2)
    longer = max(one.length_px, other.length_px)
    distance = _distance(box, start.box_xyxy_px)
    far = distance / longer
    near = math.log(far + NEAREST)
    left = one.movers[-1].box_second_xyxy_px is None
    came = other.movers[0].box_first_xyxy_px is None
    at = [float(gap == rank) for rank in range(3)]
    looks = _unlikeness(one, other)
    moved = {"left": float(left), "came": float(came), "both": float(left and came)}
    later = at[2]
    ways = {f"{name}_near_1": near * at[1] * value for name, value in moved.items()}
    ways |= {f"{name}_later": later * value for name, value in moved.items()}
    ways |= {f"{name}_near_later": near * later * value for name, value in moved.items()}
    return LinkEvidence(
        gap_0=at[0],
        gap_1=at[1],
        gap_2=at[2],
        near_0=near * at[0],
        near_1=near * at[1],
        near_2=near * at[2],
        far_0=far * at[0],
        far_1=far * at[1],
        far_2=far * at[2],
        size=abs(math.log(one.length_px / other.length_px)),
        box=abs(math.log(_long(box) / _long(start.box_xyxy_px))),
        end_disowned=float(end.is_disowned),
        start_disowned=float(start.is_disowned),
        n_before=math.log(len(one.movers)),
        n_after=math.log(len(other.movers)),
        left=float(left),
        came=float(came),
        left_came=float(left and came and other.members[0][0] == one.members[-1][0]),
        length=math.log(longer),
        pace_before=_pace_change(far, one),
        pace_after=_pace_change(far, other),
        pace=0.0 if other.step_px is None else _pace_change(other.step_px / other.length_px, one),
        **looks,
        **ways,
        area_near=near * looks["area"],
        contrast_near=near * looks["contrast"],
        length_near=near * math.log(longer),
        kinship=_kinship(one, other),
    )


def _pace_change(far: float, tracklet: Tracklet) -> float:
    if tracklet.step_px is None:
        return 0.0
    return abs(math.log((far + PACE) / (tracklet.step_px / tracklet.length_px + PACE)))


def _unlikeness(one: Tracklet, other: Tracklet) -> dict[str, float]:
    """Tell how unlike two look by their blobs."""
    names = ("area", "width", "shape", "contrast", "colour")
    told = dict.fromkeys((*names, "unclear", "known"), 0.0)
    told |= dict.fromkeys(("unclear_area", "unclear_contrast", "unclear_colour"), 0.0)
    told |= dict.fromkeys(("area_known", "contrast_known", "colour_known"), 0.0)
    a, b = one.traits, other.traits
    if a is None or b is None:
        return told
    here, there = np.array(a.contrast_rgb), np.array(b.contrast_rgb)
    values = (
        abs(math.log(a.area_px / b.area_px)),
        abs(math.log(a.width_px / b.width_px)),
        abs(a.width_px / a.length_px - b.width_px / b.length_px),
        float(np.abs(here - there).mean()) / COLOUR_STEP,
        float(np.abs(_hue(here) - _hue(there)).sum()),
    )
    found = dict(zip(names, values, strict=True))
    if one.is_unclear or other.is_unclear:
        told["unclear"] = 1.0
        return told | {f"unclear_{k}": found[k] for k in ("area", "contrast", "colour")}
    told |= found
    if min(one.n_traits, other.n_traits) > 1:
        told["known"] = 1.0
        told |= {f"{k}_known": found[k] for k in ("area", "contrast", "colour")}
    return told


def _hue(contrast: F64) -> F64:
    """Give the share of each channel in a contrast; a faint one has hardly any."""
    return np.asarray(contrast / (np.abs(contrast).sum() + FAINT), np.float64)


def _usual(traits: Sequence[Traits]) -> Traits:
    """Take the median of each trait."""
    red, green, blue = np.median([one.contrast_rgb for one in traits], axis=0).tolist()
    return Traits(
        length_px=median(one.length_px for one in traits),
        width_px=median(one.width_px for one in traits),
        area_px=median(one.area_px for one in traits),
        contrast_rgb=(red, green, blue),
    )


def _kinship(one: Tracklet, other: Tracklet) -> float:
    """Give the log of how far what two look like overlaps (Bhattacharyya), over `NEUTRAL`."""
    if one.seen_as is None or other.seen_as is None:
        return 0.0
    overlap = float(np.sqrt(one.seen_as * other.seen_as).sum())
    return math.log(overlap + LEAST_OVERLAP) - NEUTRAL


def _joined(seen_as: Sequence[F64]) -> F64:
    mean = np.log(np.clip(seen_as, LEAST_P, None)).mean(axis=0)
    joined = np.exp(mean - mean.max())
    return np.asarray(joined / joined.sum(), np.float64)


LEAST_P = 1e-3  # of a kind: looks are no surer
LEAST_OVERLAP = 0.02
NEUTRAL = -0.27
"""Log of an overlap that speaks neither way. It and the weight of kinship were fitted on top of the others, with
what the net says of the movers by group (60 tuning series), and the weight was then doubled: of 140 movers
as many kept one identity, 0.39 and not 0.36 as without looks, and 40 times in place of 54 one track held two.
A track that holds two animals may hide a leech. When `LEAST_ODDS` was lowered by 2, the weight was raised from
3.63 to 6, so that two of different kinds are as far from a link as before; that was not measured."""

CONST = 3.44
WEIGHTS = LinkEvidence(
    gap_0=0.87,
    gap_1=1.23,
    gap_2=-1.50,
    near_0=-1.56,
    near_1=-0.45,
    near_2=-0.13,
    far_0=-0.01,
    far_1=-0.15,
    far_2=-0.14,
    size=-0.46,
    box=-0.09,
    end_disowned=-0.14,
    start_disowned=0.07,
    n_before=-0.32,
    n_after=-0.22,
    left=-0.49,
    came=-0.39,
    left_came=0.97,
    length=-0.57,
    pace_before=-0.07,
    pace_after=-0.16,
    pace=0.12,
    area=-0.50,
    width=0.78,
    shape=-2.03,
    contrast=-0.62,
    colour=-0.46,
    unclear=-1.40,
    unclear_area=0.03,
    unclear_contrast=-0.67,
    unclear_colour=-0.05,
    known=1.17,
    area_known=-0.37,
    contrast_known=0.01,
    colour_known=-0.38,
    area_near=-0.23,
    contrast_near=-0.03,
    length_near=-0.14,
    left_near_1=0.69,
    came_near_1=0.56,
    both_near_1=-0.52,
    left_later=0.41,
    came_later=0.59,
    both_later=-0.37,
    left_near_later=-0.05,
    came_near_later=-0.29,
    both_near_later=0.55,
    kinship=6.0,
)
"""Fitted by `training.link_exam --fit` on the options of 60 tuning series; told apart with an area of 0.90
under the curve out of fold. Without the looks of blobs 159 breaks and 96 swaps were counted on these series in
place of 133 and 77 (an earlier fit of the same kind, three folds)."""


def log_odds(evidence: LinkEvidence) -> float:
    """Give the log-odds that an end and a start are one animal's."""
    return CONST + sum(w * v for w, v in zip(WEIGHTS, evidence, strict=True))


def _chained(
    tracklets: Sequence[Tracklet], options: Iterator[Option]
) -> list[list[tuple[int, int]]]:
    """Link tracklets end to start so that the links are worth most; give each chain's members in order."""
    worth: dict[tuple[int, int], float] = {}
    for option in options:
        value = log_odds(option.evidence) - LEAST_ODDS
        if value > 0:
            link = (option.before, option.after)
            worth[link] = max(value, worth.get(link, 0.0))
    following = _best_links(len(tracklets), worth)
    has_before = set(following.values())
    chains = []
    for rank in range(len(tracklets)):
        if rank in has_before:
            continue
        chain: list[tuple[int, int]] = []
        here = rank
        while True:
            chain += tracklets[here].members
            if here not in following:
                break
            here = following[here]
        chains.append(chain)
    return chains


def _best_links(n: int, worth: dict[tuple[int, int], float]) -> dict[int, int]:
    """Choose links so that each tracklet has one before it and one after it at most."""
    if not worth:
        return {}
    # Every tracklet may also go on as nothing, which is worth nothing: its own column beyond the others.
    rows = [before for before, _after in worth] + list(range(n))
    columns = [after for _before, after in worth] + list(range(n, 2 * n))
    costs = [BEYOND - value for value in worth.values()] + [BEYOND] * n
    graph = csr_array((costs, (rows, columns)), shape=(n, 2 * n))
    before, after = min_weight_full_bipartite_matching(graph)
    chosen = zip(before.tolist(), after.tolist(), strict=True)
    return {int(one): int(other) for one, other in chosen if other < n}


def _boxes(mover: Mover) -> tuple[BoxXyxy | None, BoxXyxy | None]:
    return mover.box_first_xyxy_px, mover.box_second_xyxy_px


def _places(
    claimed: tuple[int, BoxXyxy | None], other: tuple[int, BoxXyxy | None], *, may_disown: bool
) -> tuple[Place, ...]:
    places: list[Place] = []
    for photo, box in (claimed, other):
        if box is not None and (may_disown or not places):
            places.append(Place(photo, box, is_disowned=bool(places)))
    return tuple(places)


def _stayed(mover: Mover) -> bool:
    """Tell whether a mover is taken to have gone by no more than its length."""
    boxes = [box for box in _boxes(mover) if box is not None]
    step = mover.displacement_px
    return step is not None and len(boxes) == 2 and step <= max(_long(box) for box in boxes)


def _long(box: BoxXyxy) -> float:
    return max(box[2] - box[0], box[3] - box[1])


def _distance(one: BoxXyxy, other: BoxXyxy) -> float:
    return 0.5 * math.hypot(
        one[0] + one[2] - other[0] - other[2], one[1] + one[3] - other[1] - other[3]
    )
