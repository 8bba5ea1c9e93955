"""An exam for joined evidence: drawn pairs and bursts, judged by their crops alone and with the other cues.

    python -m training.evidence_exam draw --out runs/evidence [--pairs N] [--bursts N] [--jobs N] [--exam]
    python -m training.evidence_exam fit-track --cases runs/evidence/learn.jsonl
    python -m training.evidence_exam reliability --cases runs/evidence/learn.jsonl
    python -m training.evidence_exam fit --cases runs/evidence/learn.jsonl
    python -m training.evidence_exam table --cases runs/evidence/exam.jsonl

`draw` makes the cases, the weights of `pestvision.findings.evidence` are fitted on those of the learning seeds,
and `table` measures them on those of other seeds. A case is one drawn animal:

- *pair*: on two photos of a hand-held camera, with how far it went and how its length changed, both from
  outlines found on the photos;
- *burst*: 5 to 12 frames a second for about two steps of a leech, with camera shake; its gait is read from the
  frames as `pestvision clip` reads it, and the crops are those that it would judge.

Each case also has a length in millimetres with a range of 12 %, drawn evenly over the logarithm of what is known
of its class. *wrong* is the share of cases whose likeliest group is not the true one, *loss* the mean of minus
the natural logarithm of the true group's probability, *ECE* the expected calibration error in 15 bins. The rows
leave cues out one at a time. `fit` prints the constants for `findings/evidence.py`; they are put there by hand.

What a class does in a drawing is what is known of it and no more: a real animal does other things as well. The
gain on real clips is not known.
"""

from __future__ import annotations

import argparse
import json
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pestvision.arrays import box_iou
from pestvision.findings import evidence
from pestvision.findings.cues import MOVES, SIZE, TRACK, Cue
from pestvision.findings.evidence import gait_cue, size_cue, track_cue
from pestvision.findings.track_cue import WEIGHTS_FILE, Between, TrackWeights, between
from pestvision.motion.chase import Look, chase
from pestvision.motion.gait import SURE, read_gait
from pestvision.motion.trail import GaitReading
from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE, GROUPS
from pestvision.organisms.outline_net import find_outline, sure_of
from pestvision.size.outline import NoOutline
from pestvision.size.records import Length
from training.scenes.bursts import Shake, draw_burst
from training.scenes.pairs import draw_pair

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from pestvision.arrays import F64, U8, BoxXyxy
    from pestvision.motion.trail import Trail
    from pestvision.organisms.classify import Classifier
    from training.scenes.records import DrawnBurst

LEARN_SEED: Final = 7_100_000
EXAM_SEED: Final = 7_900_000
MOVERS: Final = (
    "leech",
    "flatworm",
    "thin-worm",
    "snail",
    "limpet",
    "midge-larva",
    "small-crustacean",
)
STAYERS: Final = ("plant-or-debris", "hydra", "snail-eggs")
PAIR_SIZE: Final = (480, 640)
PAIR_LENGTH_PX: Final = (40.0, 140.0)
BURST_LENGTH_PX: Final = (50.0, 110.0)
BURST_SECONDS: Final = 12.5  # two steps of the slowest leech
RATES_HZ: Final = (5.0, 12.0)  # frames a second that are looked at: of quicker clips no more are
MOVING: Final = 0.8  # share of bursts of an animal that moves
N_CROPS: Final = 3
PENALTY: Final = 0.3  # on squared weights of the way between two photos
FOLDS: Final = 5  # in which its reliability is measured
LEAST_FRAMES: Final = 20  # a burst ends where its animal leaves the picture
MOST_ASTRAY: Final = 0.2  # a trail is the animal's where their boxes share so much, in the middle
LENGTH_ERROR: Final = 0.06  # one standard deviation of a length's logarithm
SIZES_MM: Final = {
    **evidence.SIZE_RANGES_MM,
    "snail": (1.0, 40.0),
    "limpet": (1.0, 8.0),
    "midge-larva": (2.0, 15.0),
    "snail-eggs": (3.0, 20.0),
    "plant-or-debris": (1.0, 60.0),
}
"""Millimetres from which lengths are drawn. Where the program knows nothing of a class: own assumptions."""

ROWS: Final[dict[str, frozenset[str]]] = {
    "crops alone": frozenset(),
    "with gait": frozenset({MOVES}),
    "with track": frozenset({TRACK}),
    "with size": frozenset({SIZE}),
    "all but gait": frozenset({TRACK, SIZE}),
    "all but size": frozenset({MOVES, TRACK}),
    "all": frozenset({MOVES, TRACK, SIZE}),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One drawn animal, what its crops say, and what its cues are made of."""

    kind: str
    fine: str
    p_fine: tuple[float, ...]
    gait: dict[str, Any] | None = None
    between: dict[str, Any] | None = None
    length: dict[str, Any] | None = None
    is_rough: bool = False

    def cues(self, names: frozenset[str]) -> list[Cue]:
        """Give its cues of these names, as far as it has them."""
        found: list[Cue | None] = []
        if MOVES in names and self.gait is not None:
            found.append(gait_cue(_reading(self.gait)))
        if TRACK in names and self.between is not None:
            found.append(track_cue(Between(**self.between)))
        if SIZE in names and self.length is not None:
            found.append(size_cue(Length(**self.length)))
        return [cue for cue in found if cue is not None]


def _reading(kept: dict[str, Any]) -> GaitReading:
    return GaitReading(
        **{**kept, "p_gaits": tuple(kept["p_gaits"]), "reasons": tuple(kept["reasons"])}
    )


def draw_pair_case(seed: int) -> list[Case]:
    """Draw a pair with two movers that are on both photos, and give a case of each."""
    rng = np.random.default_rng(seed)
    fines = [str(rng.choice(MOVERS)) for _ in range(2)]
    pair = draw_pair(
        rng,
        height_px=PAIR_SIZE[0],
        width_px=PAIR_SIZE[1],
        movers=fines,
        length_px=PAIR_LENGTH_PX,
        come_or_go=0.0,
    )
    cases = []
    for mover in pair.movers:
        boxes = (mover.box_first_xyxy_px, mover.box_second_xyxy_px)
        if boxes[0] is None or boxes[1] is None:
            continue
        views = [(pair.first, boxes[0]), (pair.second, boxes[1])]
        went, is_rough = _went(views, pair.matrix)
        cases.append(
            Case(
                "pair",
                mover.fine,
                _looks(views),
                between=None if went is None else asdict(went),
                length=_length(rng, mover.fine),
                is_rough=is_rough,
            )
        )
    return cases


def _went(views: Sequence[tuple[U8, BoxXyxy]], matrix: F64) -> tuple[Between | None, bool]:
    """Say how it went, and whether an outline was rough; None where one was not found at all."""
    found = [find_outline(rgb, box) for rgb, box in views]
    outlines = [item.rough if isinstance(item, NoOutline) else item for item in found]
    bodies = [item.body_line() for item in outlines if item is not None]
    is_rough = any(isinstance(item, NoOutline) for item in found)
    if len(bodies) < 2:
        return None, is_rough
    middles = [np.array([0.5 * (b[0] + b[2]), 0.5 * (b[1] + b[3]), 1.0]) for _rgb, b in views]
    carried = matrix @ middles[0]
    gone_px = float(np.hypot(*(middles[1][:2] - carried[:2] / carried[2])))
    long_px = max(max(b[2] - b[0], b[3] - b[1]) for _rgb, b in views)
    return between(gone_px / long_px, bodies), is_rough


def draw_burst_case(seed: int) -> list[Case]:
    """Draw a burst of one animal, follow it, read its gait, and give a case; none if it left at once."""
    rng = np.random.default_rng(seed)
    fine = str(rng.choice(MOVERS)) if rng.random() < MOVING else str(rng.choice(STAYERS))
    rate_hz = float(rng.uniform(*RATES_HZ))
    burst = draw_burst(
        rng,
        fine,
        n=round(BURST_SECONDS * rate_hz),
        interval_s=1 / rate_hz,
        length_px=float(rng.uniform(*BURST_LENGTH_PX)),
        shake=Shake(),
    )
    if len(burst.frames) < LEAST_FRAMES:
        return []
    trail = _followed(burst)
    boxes = [frame.truth.box_xyxy_px for frame in burst.frames]
    chosen = np.linspace(0, len(boxes) - 1, N_CROPS + 2)[1:-1].round().astype(int)
    if trail is not None:
        boxes = [
            tuple(found.tolist()) if np.isfinite(found).all() else box
            for found, box in zip(trail.boxes_xyxy_px, boxes, strict=False)
        ]
    reading = None if trail is None else read_gait(trail)
    return [
        Case(
            "burst",
            fine,
            _looks([(burst.frames[at].rgb, boxes[min(at, len(boxes) - 1)]) for at in chosen]),
            gait=None if reading is None else asdict(reading),
            length=_length(rng, fine),
        )
    ]


def _followed(burst: DrawnBurst) -> Trail | None:
    """Follow the animal of a burst: the trail that lies nearest to it where it was first seen."""
    looks = [Look(frame.time_s, frame.rgb) for frame in burst.frames]
    truth = {frame.time_s: frame.truth.box_xyxy_px for frame in burst.frames}
    chased = chase(looks, marks=lambda held: [(0, truth[held[0].time_s])], sure=sure_of)
    best, nearest = None, MOST_ASTRAY
    for trail in chased.trails:
        shared = [
            box_iou(tuple(box), frame.truth.box_xyxy_px)
            for box, frame in zip(trail.boxes_xyxy_px.tolist(), burst.frames, strict=False)
            if np.isfinite(box).all()
        ]
        if shared and float(np.median(shared)) > nearest:
            best, nearest = trail, float(np.median(shared))
    return best


def _length(rng: np.random.Generator, fine: str) -> dict[str, Any]:
    low, high = SIZES_MM[fine]
    true = np.exp(rng.uniform(np.log(low), np.log(high)))
    told = float(true * np.exp(rng.normal(0.0, LENGTH_ERROR)))
    wide = float(np.exp(1.96 * LENGTH_ERROR))
    return asdict(Length(told, told / wide, told * wide))


@cache
def _classifier() -> Classifier:
    from pestvision.organisms.classify import Classifier

    return Classifier.load()


def _looks(views: Iterable[tuple[U8, BoxXyxy]]) -> tuple[float, ...]:
    """Give what the crops say together, as `findings.judge` joins them: the mean of the logarithms."""
    from pestvision.organisms.crops import cut_crop

    scores = _classifier().classify([cut_crop(rgb, box) for rgb, box in views])
    logs = np.mean([np.log(np.clip(item.p_fine, 1e-9, None)) for item in scores], axis=0)
    p = np.exp(logs - logs.max())
    return tuple(float(value) for value in p / p.sum())


def draw_cases(draw: Callable[[int], list[Case]], seeds: Sequence[int], *, jobs: int) -> list[Case]:
    """Draw the cases of many seeds, in worker processes where `jobs` is over 1."""
    if jobs <= 1:
        return [case for seed in seeds for case in draw(seed)]
    with ProcessPoolExecutor(jobs) as pool:
        return [case for found in pool.map(draw, seeds, chunksize=1) for case in found]


def write_cases(cases: Sequence[Case], path: Path) -> None:
    """Write cases as JSON Lines."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(json.dumps(asdict(case)) + "\n" for case in cases), encoding="utf-8")


def read_cases(path: Path) -> list[Case]:
    """Read what `write_cases` wrote."""
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return [Case(**{**row, "p_fine": tuple(row["p_fine"])}) for row in rows]


def groups_of(cases: Sequence[Case]) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Give the true group of each case, (n,) int."""
    return np.array([GROUP_INDEX_OF_FINE[FINE_NAMES.index(case.fine)] for case in cases])


def answers(cases: Sequence[Case], names: frozenset[str]) -> F64:
    """Give the probabilities of the groups with these cues joined, (n, 4)."""
    out = np.zeros((len(cases), len(GROUPS)))
    for row, case in zip(out, cases, strict=True):
        p_fine = evidence.joined(np.array(case.p_fine), case.cues(names))
        np.add.at(row, np.array(GROUP_INDEX_OF_FINE), p_fine)
    return np.asarray(out / out.sum(axis=1, keepdims=True), np.float64)


def measured(p_groups: F64, true: np.ndarray[Any, Any]) -> tuple[float, float, float]:
    """Give the share wrong, the mean loss and the calibration error."""
    from pestvision.organisms.calibrate import calibration_error

    right = p_groups.argmax(axis=1) == true
    loss = -np.log(np.clip(p_groups[np.arange(len(true)), true], 1e-9, None)).mean()
    ece = calibration_error(p_groups.max(axis=1), right)
    return float(1 - right.mean()), float(loss), float(ece)


def table(cases: Sequence[Case]) -> str:
    """Give the exam's table."""
    lines = ["| cases | cues | n | wrong | loss | ECE |", "|---|---|---|---|---|---|"]
    for kind in sorted({case.kind for case in cases}):
        some = [case for case in cases if case.kind == kind]
        for row, names in ROWS.items():
            if names and not any(case.cues(names) for case in some):
                continue
            wrong, loss, ece = measured(answers(some, names), groups_of(some))
            lines.append(f"| {kind} | {row} | {len(some)} | {wrong:.3f} | {loss:.3f} | {ece:.3f} |")
    return "\n".join(lines)


def fit(cases: Sequence[Case]) -> dict[str, float]:
    """Find the weight of each cue and the temperature with the least mean loss.

    A weight lies from 0 to 1: a cue counts for what its likelihoods say, or for less.
    """
    from scipy.optimize import minimize

    true = groups_of(cases)
    logs = np.log(np.clip([case.p_fine for case in cases], 1e-9, None))
    of_cue = {}
    for name in (MOVES, SIZE, TRACK):
        rows = np.zeros_like(logs)
        for row, case in zip(rows, cases, strict=True):
            for cue in case.cues(frozenset({name})):
                row[:] = evidence.capped(np.array(cue.log_likelihood), evidence.MOST_ODDS[name])
        of_cue[name] = rows

    def loss(x: F64) -> float:
        total = logs + x[0] * of_cue[MOVES] + x[1] * of_cue[SIZE] + x[2] * of_cue[TRACK]
        total = total / x[3]
        p = np.exp(total - total.max(axis=1, keepdims=True))
        p_groups = np.zeros((len(p), len(GROUPS)))
        np.add.at(p_groups.T, np.array(GROUP_INDEX_OF_FINE), p.T)
        p_groups /= p_groups.sum(axis=1, keepdims=True)
        return float(-np.log(np.clip(p_groups[np.arange(len(true)), true], 1e-9, None)).mean())

    bounds = [(0.0, 1.0), (0.0, 1.0), (0.0, 1.0), (0.5, 3.0)]
    best = minimize(loss, np.array([0.7, 0.7, 0.7, 1.2]), bounds=bounds, method="L-BFGS-B")
    return dict(zip((MOVES, SIZE, TRACK, "temperature"), best.x.round(3).tolist(), strict=True))


def fit_track(cases: Sequence[Case]) -> TrackWeights:
    """Learn how each class goes between two photos, every class counting the same."""
    from sklearn.linear_model import LogisticRegression

    some = [case for case in cases if case.between is not None]
    features = np.array([Between(**(case.between or {})).features() for case in some])
    mean, scale = features.mean(axis=0), features.std(axis=0)
    model = LogisticRegression(C=1 / PENALTY, max_iter=10_000, class_weight="balanced")
    model.fit((features - mean) / scale, [case.fine for case in some])
    fines = tuple(str(name) for name in model.classes_)
    return TrackWeights(fines, mean, scale, model.coef_, model.intercept_)


def reliability(cases: Sequence[Case]) -> tuple[int, int]:
    """Say how often the way between two photos is sure of a group by itself, and then right.

    It is learned on the other `FOLDS` - 1 parts of the cases each time, and sure from the probability on from
    which a gait is named.
    """
    some = [case for case in cases if case.between is not None]
    n_sure = n_right = 0
    for part in np.array_split(np.arange(len(some)), FOLDS):
        held = [some[i] for i in part]
        weights = fit_track([case for i, case in enumerate(some) if i not in set(part.tolist())])
        drawn = np.isin(FINE_NAMES, weights.fines)
        logs = np.array([weights.log_likelihood(Between(**(case.between or {}))) for case in held])
        p_fine = np.exp(logs - logs.max(axis=1, keepdims=True)) * drawn
        p_groups = p_fine @ np.eye(len(GROUPS))[np.array(GROUP_INDEX_OF_FINE)]
        p_groups /= p_groups.sum(axis=1, keepdims=True)
        is_sure = p_groups.max(axis=1) >= SURE
        n_sure += int(is_sure.sum())
        n_right += int((p_groups.argmax(axis=1) == groups_of(held))[is_sure].sum())
    return n_sure, n_right


def main() -> None:
    """Draw, fit, or print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("what", choices=["draw", "fit-track", "reliability", "fit", "table"])
    parser.add_argument("--out", type=Path, default=Path(os.environ.get("OUT", "runs/evidence")))
    parser.add_argument("--cases", type=Path, nargs="+", default=[])
    parser.add_argument("--pairs", type=int, default=300)
    parser.add_argument("--bursts", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--exam", action="store_true")
    parser.add_argument("--later", type=int, default=0, help="begin so many seeds later")
    given = parser.parse_args()
    if given.what == "draw":
        start = (EXAM_SEED if given.exam else LEARN_SEED) + given.later
        cases = draw_cases(draw_pair_case, range(start, start + given.pairs), jobs=given.jobs)
        first = start + 500_000
        cases += draw_cases(draw_burst_case, range(first, first + given.bursts), jobs=given.jobs)
        write_cases(cases, given.out / ("exam.jsonl" if given.exam else "learn.jsonl"))
        print(f"{len(cases)} cases")
        return
    cases = [case for path in given.cases for case in read_cases(path)]
    if given.what == "fit-track":
        written = json.dumps(fit_track(cases).as_json(), indent=1)
        WEIGHTS_FILE.write_text(written + "\n", encoding="utf-8")
        return
    if given.what == "reliability":
        n_sure, n_right = reliability(cases)
        print(
            f"sure in {n_sure} of {len(cases)} cases, right in {n_right / max(n_sure, 1):.3f} of them"
        )
        return
    print(fit(cases) if given.what == "fit" else table(cases))


if __name__ == "__main__":
    main()
