"""An exam for joined evidence: drawn pairs and bursts, judged by their crops alone and with the other cues.

    python -m training.evidence_exam draw --out runs/evidence [--pairs N] [--bursts N] [--glimpses N] [--exam]
    python -m training.evidence_exam fit-track --cases runs/evidence/learn.jsonl
    python -m training.evidence_exam reliability --cases runs/evidence/learn.jsonl
    python -m training.evidence_exam fit --cases runs/evidence/learn.jsonl
    python -m training.evidence_exam table --cases runs/evidence/exam.jsonl

`draw` makes the cases (`evidence_cases`), the weights of `pestvision.findings.evidence` are fitted on those of
the learning seeds, and `table` measures them on those of other seeds. *wrong* is the share of cases whose
likeliest group is not the true one, *loss* the mean of minus the natural logarithm of the true group's
probability, *ECE* the expected calibration error in 15 bins. The rows leave cues out one at a time.
`reliability` and `fit` print the constants for `findings/evidence.py`; they are put there by hand. The gain on
real clips is not known.
"""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pestvision.findings import evidence
from pestvision.findings.cues import MOVES, SIZE, TRACK
from pestvision.findings.track_cue import FRAMES, PHOTOS, WEIGHTS_FILE, Between, TrackWeights
from pestvision.motion.gait import SURE
from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE, GROUPS
from training.evidence_cases import (
    Case,
    draw_burst_case,
    draw_cases,
    draw_glimpse_case,
    draw_pair_case,
    read_cases,
    write_cases,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64

LEARN_SEED: Final = 7_100_000
EXAM_SEED: Final = 7_900_000
LEARNED_FROM: Final = {"pair": PHOTOS, "glimpse": FRAMES}
"""Kinds of cases that tracks are learned from, and what they are of. Bursts have too few."""
PENALTY: Final = 0.3  # on squared weights of a track; of 0.1, 0.3 and 1 none was better by its loss
FOLDS: Final = (
    5  # in which what a track says is learned where it is asked of what was drawn to learn
)
MOST_WEIGHT: Final = 1.0  # own choice: a cue counts for what its likelihoods say, or for less

ROWS: Final[dict[str, frozenset[str]]] = {
    "crops alone": frozenset(),
    "with gait": frozenset({MOVES}),
    "with track": frozenset({TRACK}),
    "with size": frozenset({SIZE}),
    "all but gait": frozenset({TRACK, SIZE}),
    "all but size": frozenset({MOVES, TRACK}),
    "all": frozenset({MOVES, TRACK, SIZE}),
}


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
    """Find the weight of each cue, and of the crops beside a track, with the least mean loss.

    Of pairs and glimpses: what their tracks say is learned without the cases that it is asked about. No weight
    is over `MOST_WEIGHT`, and that of the crops lies from a half to 1.
    """
    from scipy.optimize import minimize

    true = groups_of(cases)
    logs = np.log(np.clip([case.p_fine for case in cases], 1e-9, None))
    of_cue = {TRACK: held_out_tracks(cases)}
    for name in (MOVES, SIZE):
        of_cue[name] = np.zeros_like(logs)
        for row, case in zip(of_cue[name], cases, strict=True):
            for cue in case.cues(frozenset({name})):
                row[:] = cue.log_likelihood
    has_track = np.array([case.between is not None for case in cases])
    most_odds = [evidence.TRACK_ODDS[LEARNED_FROM[case.kind]] for case in cases]
    of_cue[TRACK] = np.maximum(of_cue[TRACK], -np.log(most_odds)[:, None])

    def loss(x: F64) -> float:
        weights = dict(zip((MOVES, SIZE, TRACK), x[:3], strict=True))
        total = np.where(has_track, x[3], 1.0)[:, None] * logs
        for name, weight in weights.items():
            total += np.maximum(weight * of_cue[name], -np.log(evidence.MOST_ODDS[name]))
        p = np.exp(total - total.max(axis=1, keepdims=True))
        p_groups = p @ np.eye(len(GROUPS))[np.array(GROUP_INDEX_OF_FINE)]
        p_groups /= p_groups.sum(axis=1, keepdims=True)
        return float(-np.log(np.clip(p_groups[np.arange(len(true)), true], 1e-9, None)).mean())

    bounds = [(0.0, MOST_WEIGHT)] * 3 + [(0.5, 1.0)]
    best = minimize(loss, np.array([0.9, 0.9, 0.9, 0.9]), bounds=bounds, method="L-BFGS-B")
    names = (MOVES, SIZE, TRACK, "crops beside a track")
    return dict(zip(names, best.x.round(3).tolist(), strict=True))


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


def held_out_tracks(cases: Sequence[Case]) -> F64:
    """Give what the track of each case says by itself, (n, 14) log-likelihoods, the best 0.

    It is learned on the other `FOLDS` - 1 parts of the cases of its kind. Rows of cases without one are 0.
    """
    logs = np.zeros((len(cases), len(FINE_NAMES)))
    for kind in {case.kind for case in cases}:
        some = [i for i, case in enumerate(cases) if case.kind == kind and case.between is not None]
        for part in np.array_split(np.array(some, np.int64), FOLDS):
            weights = fit_track([cases[i] for i in some if i not in set(part.tolist())])
            for i in part:
                row = weights.log_likelihood(Between(**(cases[i].between or {})))
                logs[i] = row - row.max()
    return logs


def reliability(cases: Sequence[Case]) -> tuple[int, int]:
    """Say how often the track is sure of a group by itself, and how often it is right then.

    Sure is from the probability on from which a gait is named; of classes it counts those that were drawn.
    """
    some = [case for case in cases if case.between is not None]
    drawn = np.isin(FINE_NAMES, [case.fine for case in some])
    p_groups = (np.exp(held_out_tracks(some)) * drawn) @ np.eye(len(GROUPS))[
        np.array(GROUP_INDEX_OF_FINE)
    ]
    p_groups /= p_groups.sum(axis=1, keepdims=True)
    is_sure = p_groups.max(axis=1) >= SURE
    right = p_groups.argmax(axis=1) == groups_of(some)
    return int(is_sure.sum()), int(right[is_sure].sum())


def main() -> None:
    """Draw, fit, or print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("what", choices=["draw", "fit-track", "reliability", "fit", "table"])
    parser.add_argument("--out", type=Path, default=Path(os.environ.get("OUT", "runs/evidence")))
    parser.add_argument("--cases", type=Path, nargs="+", default=[])
    parser.add_argument("--pairs", type=int, default=300)
    parser.add_argument("--bursts", type=int, default=300)
    parser.add_argument("--glimpses", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--exam", action="store_true")
    parser.add_argument("--later", type=int, default=0, help="begin so many seeds later")
    given = parser.parse_args()
    if given.what == "draw":
        start = (EXAM_SEED if given.exam else LEARN_SEED) + given.later
        cases = draw_cases(draw_pair_case, range(start, start + given.pairs), jobs=given.jobs)
        for draw, first, n in (
            (draw_burst_case, start + 500_000, given.bursts),
            (draw_glimpse_case, start + 600_000, given.glimpses),
        ):
            cases += draw_cases(draw, range(first, first + n), jobs=given.jobs)
        write_cases(cases, given.out / ("exam.jsonl" if given.exam else "learn.jsonl"))
        print(f"{len(cases)} cases")
        return
    cases = [case for path in given.cases for case in read_cases(path)]
    if given.what == "fit-track":
        told = {
            pictures: fit_track([case for case in cases if case.kind == kind]).as_json()
            for kind, pictures in LEARNED_FROM.items()
        }
        WEIGHTS_FILE.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
        return
    if given.what == "reliability":
        for kind in LEARNED_FROM:
            some = [case for case in cases if case.kind == kind]
            n_sure, n_right = reliability(some)
            share = n_right / max(n_sure, 1)
            print(f"{kind}: sure in {n_sure} of {len(some)} cases, right in {share:.3f} of them")
        return
    print(fit(cases) if given.what == "fit" else table(cases))


if __name__ == "__main__":
    main()
