"""Fit how the evidence about changed regions is weighed, on drawn pairs.

Run it as `python -m training.evaluate_motion --fit`: it draws the tuning pairs, fits, and writes
`pestvision/motion/mover_weights.json`.
"""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.evidence import EVIDENCE
from pestvision.motion.mover_weights import WEIGHTS_FILE, MoverWeights, expand

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool

RIDGE = 60.0  # terms are many: 30, 60, 100 and 200 found within 0.012 of each other, out of fold (160 pairs)
N_FOLDS = 10
NEWTON_ROUNDS = 30  # at most
STILL = 1e-7  # largest change of a weight at which the fit stands still: after a dozen rounds
FALSE_A_PAIR = (
    0.42  # aimed at on tuning pairs held out; the bar is 0.5, and 80 pairs spread by about 0.1
)


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Candidates of drawn pairs: `values` (N, K), `is_hit` (N,) bool, `pair` (N,) number of its pair."""

    values: F64
    is_hit: Bool
    pair: F64
    n_pairs: int


def fit(samples: Samples, *, ridge: float = RIDGE) -> MoverWeights:
    """Fit the weights, and choose the least probability by what held-out pairs show.

    Returns
    -------
    Weights fitted on all samples; `p_least` is where the regression of the other nine tenths leaves
    `FALSE_A_PAIR` false regions a pair.
    """
    mean, scale = samples.values.mean(axis=0), samples.values.std(axis=0) + 1e-6
    terms = expand(samples.values, mean, scale)
    weights = _fitted(terms, samples.is_hit, ridge, np.zeros(terms.shape[1]))
    held_out = held_out_scores(terms, samples, ridge=ridge, start=weights)
    false = np.sort(held_out[~samples.is_hit])[::-1]
    score = float(false[min(len(false) - 1, int(FALSE_A_PAIR * samples.n_pairs))])
    return MoverWeights(mean, scale, weights, float(1.0 / (1.0 + np.exp(-score))))


def held_out_scores(terms: F64, samples: Samples, *, ridge: float, start: F64) -> F64:
    """Give each sample's score by weights fitted without its pair, (N,).

    Means and scales are those of all samples. `start` only saves rounds: the fit has one optimum.
    """
    scores: F64 = np.zeros(len(terms))
    for fold in range(N_FOLDS):
        out = samples.pair % N_FOLDS == fold
        scores[out] = terms[out] @ _fitted(terms[~out], samples.is_hit[~out], ridge, start)
    return scores


def _fitted(terms: F64, is_hit: Bool, ridge: float, start: F64) -> F64:
    """Fit weights by reweighted least squares, from a first guess."""
    doubt = np.full(terms.shape[1], ridge)
    doubt[0] = 0.0
    weights = start
    for _ in range(NEWTON_ROUNDS):
        p = 1.0 / (1.0 + np.exp(-np.clip(terms @ weights, -30, 30)))
        curvature = (terms * (p * (1 - p) + 1e-9)[:, None]).T @ terms + np.diag(doubt)
        change = np.linalg.solve(curvature, terms.T @ (is_hit - p) - doubt * weights)
        weights = weights + change
        if float(np.abs(change).max()) < STILL:
            break
    return weights


def write(table: MoverWeights, *, origin: str) -> None:
    """Write the weights where the program looks for them, with a line on where they come from."""
    rounded = {
        name: [float(f"{value:.5g}") for value in getattr(table, name)]
        for name in ("mean", "scale", "weights")
    }
    card = {"origin": origin, "evidence": list(EVIDENCE), "p_least": round(table.p_least, 4)}
    WEIGHTS_FILE.write_text(json.dumps(card | rounded, indent=1) + "\n", encoding="utf-8")


def values_of(evidence: object) -> list[float]:
    """Give the numbers of one region's evidence in their fixed order."""
    return [float(value) for value in dataclasses.astuple(evidence)]  # type: ignore[call-overload]
