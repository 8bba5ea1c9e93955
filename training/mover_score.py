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

from pestvision.motion.blobs import is_surest_about
from pestvision.motion.evidence import EVIDENCE
from pestvision.motion.mover_weights import WEIGHTS_FILE, MoverWeights, expand

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool, BoxXyxy
    from pestvision.motion.evidence import SeenOn

RIDGE = 60.0  # terms are many: 30, 60, 100 and 200 found within 0.012 of each other, out of fold (160 pairs)
N_FOLDS = 10
NEWTON_ROUNDS = 30  # at most
STILL = 1e-7  # largest change of a weight at which the fit stands still: after a dozen rounds
FALSE_A_PAIR = 0.42  # blobs, on tuning pairs held out; the bar is 0.5, and 160 pairs spread by 0.07


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Candidates of drawn pairs.

    `values` (N, K); `is_hit`, `touches` (N,) bool: whether it counts as a mover, and whether it touches
    one; `pair` (N,) number of its pair, ascending; `boxes`, `seen_on`: of each, as `is_surest_about`
    takes them.
    """

    values: F64
    is_hit: Bool
    touches: Bool
    pair: F64
    boxes: tuple[BoxXyxy, ...]
    seen_on: tuple[SeenOn, ...]
    n_pairs: int

    def is_fitted(self) -> Bool:
        """Tell which are fitted: what only grazes a mover is neither a mover nor none, (N,)."""
        return self.is_hit | ~self.touches


def fit(samples: Samples, *, ridge: float = RIDGE) -> MoverWeights:
    """Fit the weights, and choose the least probability by what held-out pairs show.

    Returns
    -------
    Weights fitted on all samples; `p_least` is where the regression of the other nine tenths leaves
    `FALSE_A_PAIR` false blobs a pair, counted as the exam counts them.
    """
    known = samples.is_fitted()
    mean, scale = samples.values[known].mean(axis=0), samples.values[known].std(axis=0) + 1e-6
    terms = expand(samples.values, mean, scale)
    weights = _fitted(terms[known], samples.is_hit[known], ridge, np.zeros(terms.shape[1]))
    held_out = held_out_scores(terms, samples, ridge=ridge, start=weights)
    is_false = ~samples.touches & surest(samples, held_out)
    false = np.sort(held_out[is_false])[::-1]
    score = float(false[min(len(false) - 1, int(FALSE_A_PAIR * samples.n_pairs))])
    return MoverWeights(mean, scale, weights, float(1.0 / (1.0 + np.exp(-score))))


def held_out_scores(terms: F64, samples: Samples, *, ridge: float, start: F64) -> F64:
    """Give each sample's score by weights fitted without its pair, (N,).

    Means and scales are those of all samples. `start` only saves rounds: the fit has one optimum.
    """
    scores: F64 = np.zeros(len(terms))
    known = samples.is_fitted()
    for fold in range(N_FOLDS):
        out = samples.pair % N_FOLDS == fold
        used = known & ~out
        scores[out] = terms[out] @ _fitted(terms[used], samples.is_hit[used], ridge, start)
    return scores


def surest(samples: Samples, scores: F64) -> Bool:
    """Tell which samples the program keeps beside their likes, at any least probability, (N,)."""
    kept: list[bool] = []
    for number in np.unique(samples.pair):
        places = np.nonzero(samples.pair == number)[0].tolist()
        kept += is_surest_about(
            [samples.boxes[place] for place in places],
            [samples.seen_on[place] for place in places],
            [float(scores[place]) for place in places],
        )
    return np.array(kept, bool)


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
