"""An exam for who is who: drawn series of one tank, and whether each mover keeps one track number.

    python -m training.link_exam [--series N] [--only PART] [--pace SHARE]

It prints four tables. `known`: the linker alone, given a blob on each true place of what moved, without
any flaw, each mover with a colour of its own. `alike`: the same, all of one colour. `linker`: `known` with misses, flaws and false ones as often as the scan has them. `scan`: the whole way from the photos (`align_pair`,
`find_blobs`, `pair_movers`, `link_movers`), without what the net says of the movers.

*One identity*, as measured here: on each photo take the box, of all that tracks have on a mover, that
overlaps it most. Over all photos these carry one number, and that number is on no other mover. A stricter
count, *by every box*, asks it of all boxes on a mover, pieces and doubles too. A mover counts where it was
found on two photos or more: before that there is no identity to lose. A box lies on a mover as in
`evaluate_motion`: its middle is in the true box grown by a quarter, or the two overlap by a tenth; where
that holds for several movers, it lies on the one that it overlaps most.

Drawn steps reach 12 lengths for what swims, 7 for flatworms and 5 for leeches (`scenes.moves`). Two alike that
jump far past each other can be told apart by nobody, so that the tables tell keep-rates by the longest step
and by the number of movers too.

Seeds from TUNE_SEED on were looked at while the linker was made; those from EXAM_SEED on were not.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from pestvision.arrays import box_iou
from pestvision.findings.follow import Look, PairLooks, follow, judge_mover
from pestvision.findings.judge import DEFAULT_RULES
from pestvision.motion.align import AlignedPair, align_pair
from pestvision.motion.blobs import Blob, find_blobs
from pestvision.motion.links import (
    LinkEvidence,
    Tracklet,
    find_tracklets,
    link_movers,
    link_options,
)
from pestvision.motion.tracks import carried_box, pair_movers
from pestvision.organisms.classes import (
    CANT_TELL,
    FINE_NAMES,
    GROUP_INDEX_OF_FINE,
    GROUP_OF_FINE,
    GROUPS,
    LABELS,
)
from pestvision.organisms.classify import Scores
from training.evaluate_motion import FOUND_IOU, grown, wilson
from training.scenes.records import TRIPOD, HandHeld
from training.scenes.series import Habits, draw_series

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pestvision.arrays import F64, BoxXyxy
    from pestvision.motion.tracks import Mover
    from training.scenes.records import NightAnimal
    from training.scenes.series import DrawnSeries, SeriesMover

PARTS = ("known", "alike", "linker", "scan")
N_SERIES = 60
N_PHOTOS = 10
TUNE_SEED, EXAM_SEED = 3_200_000, 3_295_000
SIZES = ((720, 960), (960, 720))  # height, width; drawn in turn
MOVERS = (1, 2, 3, 4)  # drawn in turn
ON_STAND_EVERY = 5  # a series in so many is taken from a stand
LEAST_LENGTH_PX = 16.0  # of a mover that counts, at rest
LEAST_CONTRAST_SIGMAS = 4.0  # of a mover that counts: the median over its photos
MAX_GAP_PHOTOS = 2  # as the settings of a night have it
CREEPING = ("leech", "flatworm", "snail", "thin-worm")  # the others swim or dart
SURE = 0.97  # what the all-knowing net says of the class at a place
PULL = 0.3  # inverse strength with which fitted weights are pulled to 0; own assumption
STEPS = (1.0, 3.0, 6.0)  # lengths at rest, between which keep-rates are told apart
NOTHING = "plant-or-debris"  # what it says of a place without a mover


@dataclass(frozen=True, slots=True)
class Flaws:
    """How the blobs made from true places differ from these.

    `missed`: share of places left out. `moved_of_length`, `grown`: spread of a box's middle over its
    length, and of its size (of the logarithm). `contrast`: spread of its contrast, in grey levels (own
    assumption). `false_a_pair`: mean number of blobs on nothing. `alike`: all movers of a series have one
    colour. The others were measured where the scan
    found the places of the 60 tuning series (2025 places).
    """

    missed: float = 0.19
    moved_of_length: float = 0.11
    grown: float = 0.49
    contrast: float = 10.0
    false_a_pair: float = 0.83
    alike: bool = False


USUAL_FLAWS = Flaws()
NO_FLAWS = Flaws(missed=0.0, moved_of_length=0.0, grown=0.0, contrast=0.0, false_a_pair=0.0)
BY_TRUTH = {
    "known": (2, NO_FLAWS),
    "alike": (2, replace(NO_FLAWS, alike=True)),
    "linker": (1, USUAL_FLAWS),
}
"""Parts that are given blobs on true places: a number to draw with, and the flaws."""


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Who is where: `places` has, for each photo, the box of every mover in it by its track."""

    movers: tuple[SeriesMover, ...]
    fines: tuple[str, ...]
    places: tuple[dict[int, BoxXyxy], ...]
    matrices: tuple[F64, ...]
    size: tuple[int, int]

    @classmethod
    def of(cls, series: DrawnSeries) -> Truth:
        """Keep of a series what the exam needs once the photos are let go."""
        return cls(
            movers=series.movers,
            fines=tuple(mover.fine for mover in series.movers),
            places=tuple(
                {animal.track: _box(animal) for animal in photo.animals} for photo in series.photos
            ),
            matrices=tuple(photo.matrix for photo in series.photos),
            size=series.photos[0].rgb.shape[:2],
        )


def _box(animal: NightAnimal) -> BoxXyxy:
    return animal.truth.box_xyxy_px


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What was found between two neighbouring photos; `matrix` is None where they did not align."""

    matrix: F64 | None
    blobs: tuple[Blob, ...]


def exam_series(rank: int, first_seed: int, n: int = N_PHOTOS, *, pace: float = 1.0) -> DrawnSeries:
    """Draw the series of a rank: size, number of movers and all the rest follow from it and the pace."""
    height, width = SIZES[rank % len(SIZES)]
    return draw_series(
        np.random.default_rng(first_seed + rank),
        height_px=height,
        width_px=width,
        n=n,
        movers=MOVERS[rank // len(SIZES) % len(MOVERS)],
        hand_held=TRIPOD if rank % ON_STAND_EVERY == ON_STAND_EVERY - 1 else HandHeld(),
        habits=Habits(pace=pace),
    )


def found_by_scan(series: DrawnSeries) -> list[Found]:
    """Align each two neighbours and find what changed, as a night's scan does."""
    found = []
    for one, other in pairwise(series.photos):
        pair = align_pair(one.rgb, other.rgb)
        if isinstance(pair, AlignedPair):
            found.append(Found(np.asarray(pair.matrix, np.float64), find_blobs(pair)))
        else:
            found.append(Found(None, ()))
    return found


def found_by_truth(
    rng: np.random.Generator, truth: Truth, flaws: Flaws = USUAL_FLAWS
) -> list[Found]:
    """Make blobs from the true places, with flaws; the true matrices go with them."""
    colours = rng.uniform(-90, 90, (len(truth.fines), 3))
    if flaws.alike:
        colours[:] = colours[:1]
    found = []
    for rank, (before, after) in enumerate(pairwise(truth.places)):
        matrix = truth.matrices[rank + 1] @ np.linalg.inv(truth.matrices[rank])
        back = np.linalg.inv(matrix)
        blobs: list[Blob] = []
        for track in sorted(before.keys() | after.keys()):
            here = before.get(track)
            there = carried_box(after[track], back) if track in after else None
            blobs += _blobs(rng, here, there, colours[track], flaws)
        for _ in range(int(rng.poisson(flaws.false_a_pair))):
            blobs += _noise(rng, truth.size, flaws)
        found.append(Found(matrix, tuple(blobs)))
    return found


def _blobs(
    rng: np.random.Generator, here: BoxXyxy | None, there: BoxXyxy | None, colour: F64, flaws: Flaws
) -> list[Blob]:
    """Give a mover's blobs on the first photo's grid: none where it rested."""
    if here is not None and there is not None:
        moved = float(np.hypot(*np.subtract(_middle(here), _middle(there))))
        if moved < 0.05 * _long(here):
            return []
        if box_iou(here, there) > 0:
            both = (*np.minimum(here, there)[:2], *np.maximum(here, there)[2:])
            return _blob(rng, (both[0], both[1], both[2], both[3]), "both", colour, flaws, moved)
    blobs: list[Blob] = []
    if here is not None:
        blobs += _blob(rng, here, "first", colour, flaws)
    if there is not None:
        blobs += _blob(rng, there, "second", colour, flaws)
    return blobs


def _blob(
    rng: np.random.Generator,
    box: BoxXyxy,
    seen_on: Literal["first", "second", "both"],
    colour: F64,
    flaws: Flaws,
    moved_px: float = 0.0,
) -> list[Blob]:
    if rng.random() < flaws.missed:
        return []
    length = _long(box)
    x, y = np.asarray(_middle(box)) + rng.normal(0, flaws.moved_of_length * length, 2)
    across, down = (
        0.5 * (box[2 + axis] - box[axis]) * float(np.exp(rng.normal(0, flaws.grown)))
        for axis in (0, 1)
    )
    red, green, blue = (float(v) for v in colour + rng.normal(0, flaws.contrast, 3))
    return [
        Blob(
            box_xyxy_px=(
                float(x - across),
                float(y - down),
                float(x + across),
                float(y + down),
            ),
            seen_on=seen_on,
            z_peak=float(rng.uniform(6, 40)),
            area_px=max(1, round(2.0 * across * down)),
            length_px=length,
            contrast_rgb=(red, green, blue),
            width_px=0.3 * length,
            moved_px=moved_px,
        )
    ]


def _noise(rng: np.random.Generator, size: tuple[int, int], flaws: Flaws) -> list[Blob]:
    """Give a false blob somewhere."""
    half = 0.5 * float(np.exp(rng.uniform(np.log(12), np.log(80))))
    x, y = float(rng.uniform(0, size[1])), float(rng.uniform(0, size[0]))
    box = (x - half, y - 0.6 * half, x + half, y + 0.6 * half)
    on: tuple[Literal["first", "second", "both"], ...] = ("first", "second", "both")
    kept = Flaws(missed=0.0, contrast=flaws.contrast)
    return _blob(rng, box, on[int(rng.integers(3))], rng.uniform(-90, 90, 3), kept)


def linked(found: Sequence[Found]) -> tuple[tuple[Mover, ...], ...]:
    """Join what left to what arrived, and link over the photos."""
    movers = [() if one.matrix is None else pair_movers(one.blobs, one.matrix) for one in found]
    return link_movers(
        movers, matrices=[one.matrix for one in found], max_gap_photos=MAX_GAP_PHOTOS
    )


@dataclass(slots=True)
class Marks:
    """Counts over series.

    `kept`: for each mover that counts and was found on two photos or more, whether it keeps one
    identity; `kept_by_all` by every box, `kept_creeping` of those that creep; `kept_of_n` by
    the number of movers drawn, `kept_by_step` by how many of `STEPS` its longest step reaches.
    `steps_creeping`: lengths of all steps of movers that creep and count. `breaks`: numbers beyond
    the first, over these movers. `swaps`: movers beyond the first that a track holds. `found`: for each photo that shows a mover that counts, whether a box is on it.
    `unseen`: movers that count and were found on one photo or none. `honest`: for each series, whether
    no label was counted more often at once than it was there.
    """

    kept: list[bool] = field(default_factory=list)
    kept_by_all: list[bool] = field(default_factory=list)
    kept_creeping: list[bool] = field(default_factory=list)
    kept_of_n: dict[int, list[bool]] = field(default_factory=lambda: defaultdict(list))
    kept_by_step: dict[int, list[bool]] = field(default_factory=lambda: defaultdict(list))
    steps_creeping: list[float] = field(default_factory=list)
    breaks: int = 0
    swaps: int = 0
    found: list[bool] = field(default_factory=list)
    unseen: int = 0
    false_tracks: int = 0
    n_tracks: int = 0
    honest: list[bool] = field(default_factory=list)
    n_pairs: int = 0
    n_aligned: int = 0

    @property
    def n_series(self) -> int:
        """How many series were looked at."""
        return len(self.honest)


def mark(marks: Marks, truth: Truth, found: Sequence[Found]) -> None:
    """Compare the tracks over one series with the truth, and add to the counts."""
    tracks = linked(found)
    marks.n_pairs += len(found)
    marks.n_aligned += sum(one.matrix is not None for one in found)
    boxes, false = boxes_of(truth, tracks)
    numbers = {track: _best(at) for track, at in boxes.items()}
    every = {track: {n for on in at.values() for n, _iou in on} for track, at in boxes.items()}
    for mover in truth.movers:
        if mover.length_px < LEAST_LENGTH_PX or mover.contrast_sigmas < LEAST_CONTRAST_SIGMAS:
            continue
        own = numbers.get(mover.track, {})
        shown = [rank for rank, places in enumerate(truth.places) if mover.track in places]
        marks.found += [rank in own for rank in shown]
        if len(own) < 2:
            marks.unseen += 1
            continue
        marks.breaks += len(set(own.values())) - 1
        marks.kept.append(_is_one(mover.track, {t: set(n.values()) for t, n in numbers.items()}))
        marks.kept_by_all.append(_is_one(mover.track, every))
        marks.kept_of_n[len(truth.movers)].append(marks.kept[-1])
        steps = steps_of(truth, mover)
        longest = max(steps, default=0.0)
        marks.kept_by_step[sum(longest >= step for step in STEPS)].append(marks.kept[-1])
        if mover.fine in CREEPING:
            marks.kept_creeping.append(marks.kept[-1])
            marks.steps_creeping += steps
    held = Counter(number for at in numbers.values() for number in set(at.values()))
    marks.swaps += sum(count - 1 for count in held.values())
    marks.false_tracks += len(false)
    marks.n_tracks += len({mover.track for movers in tracks for mover in movers})
    marks.honest.append(is_honest(truth, found))


def steps_of(truth: Truth, mover: SeriesMover) -> list[float]:
    """Give how far a mover went between neighbouring photos that show it, in its lengths at rest."""
    steps = []
    for rank, (before, after) in enumerate(pairwise(truth.places)):
        if mover.track in before and mover.track in after:
            matrix = truth.matrices[rank + 1] @ np.linalg.inv(truth.matrices[rank])
            here = _middle(carried_box(before[mover.track], matrix))
            moved = np.subtract(here, _middle(after[mover.track]))
            steps.append(float(np.hypot(*moved)) / mover.length_px)
    return steps


def _best(at: dict[int, list[tuple[int, float]]]) -> dict[int, int]:
    """Give, by photo, the number of the box that overlaps a mover most; of equals the first."""
    return {photo: max(on, key=lambda item: (item[1], -item[0]))[0] for photo, on in at.items()}


def _is_one(track: int, numbers: dict[int, set[int]]) -> bool:
    """Tell whether a mover has one number, and no other mover has that."""
    others = set[int]().union(*(held for other, held in numbers.items() if other != track))
    return len(numbers[track]) == 1 and not numbers[track] & others


def boxes_of(
    truth: Truth, tracks: Sequence[Sequence[Mover]]
) -> tuple[dict[int, dict[int, list[tuple[int, float]]]], set[int]]:
    """Give every mover's boxes, as (number, overlap) by photo, and the numbers of false tracks.

    A track is false that touches no mover on any photo.
    """
    boxes: dict[int, dict[int, list[tuple[int, float]]]] = defaultdict(lambda: defaultdict(list))
    false: set[int] = set()
    true: set[int] = set()
    for rank, movers in enumerate(tracks):
        for mover in movers:
            sides = (mover.box_first_xyxy_px, mover.box_second_xyxy_px)
            for photo, box in zip((rank, rank + 1), sides, strict=True):
                if box is None:
                    continue
                places = truth.places[photo]
                on = mover_at(places, box)
                if on is not None:
                    boxes[on][photo].append((mover.track, box_iou(box, places[on])))
                is_near = on is not None or any(box_iou(box, p) > 0 for p in places.values())
                (true if is_near else false).add(mover.track)
    return boxes, false - true


def mover_at(places: dict[int, BoxXyxy], box: BoxXyxy) -> int | None:
    """Tell which mover of a photo a box lies on: of several the one that it overlaps most."""
    on: list[tuple[float, float, int]] = []
    x, y = _middle(box)
    for track, true in places.items():
        overlap = box_iou(box, true)
        x0, y0, x1, y1 = grown(true)
        if overlap >= FOUND_IOU or (x0 <= x <= x1 and y0 <= y <= y1):
            far = float(np.hypot(*np.subtract(_middle(true), (x, y))))
            on.append((-overlap, far, track))
    return min(on)[2] if on else None


def is_honest(truth: Truth, found: Sequence[Found]) -> bool:
    """Tell whether no label is counted more often at once than it is there.

    The tracks are judged by an all-knowing net, which sees at each box the class of the mover that it
    lies on, and elsewhere plants: what is counted too often then was linked or counted wrongly.
    """
    pairs = []
    crop = np.zeros((8, 8, 3), np.uint8)
    for rank, one in enumerate(found):
        names = (f"{rank}", f"{rank + 1}")
        movers = () if one.matrix is None else pair_movers(one.blobs, one.matrix)
        looks = []
        for mover in movers:
            boxes = (mover.box_first_xyxy_px, mover.box_second_xyxy_px)
            seen = [
                Look(name, box, _said(truth, int(name), box))
                for name, box in zip(names, boxes, strict=True)
                if box is not None
            ]
            looks.append(judge_mover(mover, seen, [crop] * len(seen), rules=DEFAULT_RULES))
        matrix = None if one.matrix is None else one.matrix.astype(np.float32)
        pairs.append(PairLooks(*names, reason="", matrix=matrix, movers=tuple(looks)))
    told = follow(pairs, max_gap_photos=MAX_GAP_PHOTOS, rules=DEFAULT_RULES).at_once_max
    most: Counter[str] = Counter()
    for places in truth.places:
        most |= Counter(str(GROUP_OF_FINE[truth.fines[track]]) for track in places)
    return all(
        told.get(str(label), 0) <= most[str(label)] for label in LABELS if label != CANT_TELL
    )


def _said(truth: Truth, photo: int, box: BoxXyxy) -> Scores:
    track = mover_at(truth.places[photo], box)
    fine = NOTHING if track is None else truth.fines[track]
    p_fine = np.full(len(FINE_NAMES), (1 - SURE) / (len(FINE_NAMES) - 1), np.float32)
    p_fine[FINE_NAMES.index(fine)] = SURE
    p_groups = np.zeros(len(GROUPS), np.float32)
    np.add.at(p_groups, np.array(GROUP_INDEX_OF_FINE), p_fine)
    return Scores(p_fine=p_fine, p_groups=p_groups)


def _middle(box: BoxXyxy) -> tuple[float, float]:
    return (box[0] + box[2]) / 2, (box[1] + box[3]) / 2


def _long(box: BoxXyxy) -> float:
    return max(box[2] - box[0], box[3] - box[1])


def table(marks: Marks) -> str:
    """Give the counts as a Markdown table."""
    n = max(1, marks.n_series)
    rows = [
        ("movers that keep one identity", _of(sum(marks.kept), len(marks.kept))),
        ("the same, of those that creep", _of(sum(marks.kept_creeping), len(marks.kept_creeping))),
        *(
            (f"the same, of {n} drawn movers", _of(sum(kept), len(kept)))
            for n, kept in sorted(marks.kept_of_n.items())
        ),
        *(
            (f"the same, longest step {_between(rank)} lengths", _of(sum(kept), len(kept)))
            for rank, kept in sorted(marks.kept_by_step.items())
        ),
        (
            f"steps of creeping ones of {STEPS[1]:g} lengths or more",
            _of(sum(step >= STEPS[1] for step in marks.steps_creeping), len(marks.steps_creeping)),
        ),
        ("the same, by every box", _of(sum(marks.kept_by_all), len(marks.kept_by_all))),
        ("breaks, swaps", f"{marks.breaks}, {marks.swaps}"),
        ("photos of a mover on which it is found", _of(sum(marks.found), len(marks.found))),
        ("movers found on one photo or none", str(marks.unseen)),
        ("tracks a series, false ones", f"{marks.n_tracks / n:.2f}, {marks.false_tracks / n:.2f}"),
        ("series with honest counts", _of(sum(marks.honest), marks.n_series)),
        ("pairs, aligned", f"{marks.n_pairs}, {marks.n_aligned}"),
    ]
    lines = [f"| {marks.n_series} series of {N_PHOTOS} photos | measured |", "|---|---|"]
    return "\n".join(lines + [f"| {name} | {value} |" for name, value in rows])


def _between(rank: int) -> str:
    """Name the range of steps that reach so many of `STEPS`."""
    if rank == 0:
        return f"below {STEPS[0]:g}"
    if rank == len(STEPS):
        return f"{STEPS[-1]:g} or more"
    return f"{STEPS[rank - 1]:g} to {STEPS[rank]:g}"


def _of(hits: int, n: int) -> str:
    low, high = wilson(hits, n)
    return f"{hits / max(1, n):.3f} ({low:.3f} to {high:.3f}, n {n})"


def exam(
    n_series: int, first_seed: int, parts: Sequence[str] = PARTS, *, pace: float = 1.0
) -> dict[str, Marks]:
    """Draw the series, and mark each part."""
    marks = {part: Marks() for part in parts}
    for rank, series in _series(n_series, first_seed, pace):
        truth = Truth.of(series)
        for part, (number, flaws) in BY_TRUTH.items():
            if part in marks:
                rng = np.random.default_rng([first_seed + rank, number])
                mark(marks[part], truth, found_by_truth(rng, truth, flaws))
        if "scan" in marks:
            mark(marks["scan"], truth, found_by_scan(series))
    return marks


def samples_of(truth: Truth, found: Sequence[Found]) -> list[tuple[LinkEvidence, bool]]:
    """Give every option of linking two tracklets, and whether its two places are on one mover, one after the other.

    Options between two places that are on no mover are left out: whether those are one thing is not told.
    """
    movers = [() if one.matrix is None else pair_movers(one.blobs, one.matrix) for one in found]
    tracklets = find_tracklets(movers)
    options = link_options(tracklets, [one.matrix for one in found], MAX_GAP_PHOTOS)
    shown = _shown(truth, tracklets)
    samples = []
    for option in options:
        ends = (option.end, option.start)
        one, other = (mover_at(truth.places[end.photo], end.box_xyxy_px) for end in ends)
        if one is not None or other is not None:
            between = range(option.end.photo + 1, option.start.photo)
            is_next = one == other and not any(photo in shown[one] for photo in between)
            samples.append((option.evidence, is_next))
    return samples


def _shown(truth: Truth, tracklets: Sequence[Tracklet]) -> dict[int | None, set[int]]:
    """Give for each mover the photos on which a box is on it."""
    shown: dict[int | None, set[int]] = defaultdict(set)
    for tracklet in tracklets:
        for (pair, _rank), mover in zip(tracklet.members, tracklet.movers, strict=True):
            boxes = (mover.box_first_xyxy_px, mover.box_second_xyxy_px)
            for photo, box in zip((pair, pair + 1), boxes, strict=True):
                if box is not None:
                    shown[mover_at(truth.places[photo], box)].add(photo)
    return shown


def fitted(samples: Sequence[tuple[LinkEvidence, bool]]) -> tuple[float, LinkEvidence]:
    """Fit the weights of a link by logistic regression: the constant, and the weights."""
    from sklearn.linear_model import LogisticRegression

    values = np.array([evidence for evidence, _is_one in samples])
    mean, spread = values.mean(axis=0), values.std(axis=0)
    spread[spread == 0] = 1.0
    model = LogisticRegression(C=PULL, max_iter=5000)
    model.fit((values - mean) / spread, [is_one for _evidence, is_one in samples])
    weights = model.coef_[0] / spread
    const = float(model.intercept_[0] - weights @ mean)
    return const, LinkEvidence(*(float(weight) for weight in weights))


def fit(n_series: int, first_seed: int = TUNE_SEED) -> str:
    """Draw the tuning series, fit the weights, and give them as `motion.links` holds them.

    Nobody looks at the movers here, so that the weight of kinship comes out as 0: it was fitted on top.
    """
    samples: list[tuple[LinkEvidence, bool]] = []
    for _rank, series in _series(n_series, first_seed):
        samples += samples_of(Truth.of(series), found_by_scan(series))
    const, weights = fitted(samples)
    lines = [f"    {name}={weight:.2f}," for name, weight in weights._asdict().items()]
    return "\n".join([f"CONST = {const:.2f}", "WEIGHTS = LinkEvidence(", *lines, ")"])


def _series(n_series: int, first_seed: int, pace: float = 1.0) -> Iterator[tuple[int, DrawnSeries]]:
    for rank in range(n_series):
        print(f"\r{rank + 1} of {n_series}", end="", file=sys.stderr, flush=True)
        yield rank, exam_series(rank, first_seed, pace=pace)
    print(file=sys.stderr)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Examine who is who over drawn series.")
    parser.add_argument("--series", type=int, default=N_SERIES)
    parser.add_argument("--seed", type=int, default=EXAM_SEED)
    parser.add_argument("--only", choices=PARTS)
    parser.add_argument(
        "--pace",
        type=float,
        default=1.0,
        help="how far movers go from photo to photo, over what is usual",
    )
    parser.add_argument("--fit", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if options.fit:
        print(fit(options.series))
        return
    parts = PARTS if options.only is None else (options.only,)
    for part, marks in exam(options.series, options.seed, parts, pace=options.pace).items():
        print(f"\n### {part}\n\n{table(marks)}")


if __name__ == "__main__":
    main()
