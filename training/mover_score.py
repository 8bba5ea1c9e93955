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

RIDGE = (
    30.0  # pairs of terms are many: 10, 30 and 100 were tried by cross-validation on tuning pairs
)
N_FOLDS = 10
NEWTON_ROUNDS = 30  # the fit stands still after a dozen
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
    held_out = held_out_scores(samples, ridge=ridge)
    false = np.sort(held_out[~samples.is_hit])[::-1]
    score = float(false[min(len(false) - 1, int(FALSE_A_PAIR * samples.n_pairs))])
    mean, scale, weights = _fitted(samples.values, samples.is_hit, ridge)
    return MoverWeights(mean, scale, weights, float(1.0 / (1.0 + np.exp(-score))))


def held_out_scores(samples: Samples, *, ridge: float = RIDGE) -> F64:
    """Give each sample's score by weights fitted without its pair, (N,)."""
    scores: F64 = np.zeros(len(samples.values))
    for fold in range(N_FOLDS):
        out = samples.pair % N_FOLDS == fold
        mean, scale, weights = _fitted(samples.values[~out], samples.is_hit[~out], ridge)
        scores[out] = expand(samples.values[out], mean, scale) @ weights
    return scores


def _fitted(values: F64, is_hit: Bool, ridge: float) -> tuple[F64, F64, F64]:
    """Fit by reweighted least squares; give means, scales and weights."""
    mean, scale = values.mean(axis=0), values.std(axis=0) + 1e-6
    terms = expand(values, mean, scale)
    doubt = np.eye(terms.shape[1]) * ridge
    doubt[0, 0] = 0.0
    weights: F64 = np.zeros(terms.shape[1])
    for _ in range(NEWTON_ROUNDS):
        p = 1.0 / (1.0 + np.exp(-np.clip(terms @ weights, -30, 30)))
        curvature = (terms * (p * (1 - p) + 1e-9)[:, None]).T @ terms + doubt
        weights = weights + np.linalg.solve(curvature, terms.T @ (is_hit - p) - doubt @ weights)
    return mean, scale, weights


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
