"""How evidence is weighed: the probability that a changed region is an animal that moved.

A logistic regression over the numbers of `Evidence`, each standardised, cut at three standard
deviations, and joined by its hinges (so that more of a thing may say more up to a point) and by the
products of all pairs (a pale region is a mirror image only if its rim is soft as well). Its weights are
in `mover_weights.json`, fitted by `python -m training.evaluate_motion --fit` on drawn pairs alone.

Notes
-----
Fit: iteratively reweighted least squares with a ridge; common practice, no source.
"""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.errors import ShapeError
from pestvision.motion.evidence import EVIDENCE

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from pestvision.motion.evidence import Evidence

WEIGHTS_FILE = Path(__file__).with_name("mover_weights.json")

MOST_DEVIATIONS = 3.0  # beyond, a number says no more: nothing was drawn there to learn from
HINGES = (-0.5, 0.5)  # standard deviations at which the weight of a number may change


@dataclass(frozen=True, slots=True, eq=False)
class MoverWeights:
    """Weights of a logistic regression.

    `mean`, `scale`: (K,) of each number of evidence; `weights`: (1 + T,) for the constant and the T
    terms of `expand`; `p_least`: probability from which a region is kept.
    """

    mean: F64
    scale: F64
    weights: F64
    p_least: float

    def __post_init__(self) -> None:
        n = len(EVIDENCE)
        n_terms = 1 + n * (1 + len(HINGES)) + n * (n - 1) // 2
        if self.mean.shape != (n,) or self.scale.shape != (n,) or self.weights.shape != (n_terms,):
            raise ShapeError(
                "mover weights",
                expected=f"({n},), ({n},), ({n_terms},)",
                actual=f"{self.mean.shape}, {self.scale.shape}, {self.weights.shape}",
            )


@cache
def load_weights() -> MoverWeights:
    """Read the weights that the program ships, once."""
    table = json.loads(WEIGHTS_FILE.read_text(encoding="utf-8"))
    names = ("mean", "scale", "weights")
    mean, scale, weights = (np.array(table[name], np.float64) for name in names)
    return MoverWeights(mean, scale, weights, float(table["p_least"]))


def expand(values: F64, mean: F64, scale: F64) -> F64:
    """Give the terms of the regression: (N, K) evidence to (N, 1 + T), the constant first."""
    z = np.clip((values - mean) / scale, -MOST_DEVIATIONS, MOST_DEVIATIONS)
    hinges = [np.maximum(z - knot, 0.0) for knot in HINGES]
    one, other = np.tril_indices(z.shape[1], -1)
    return np.hstack([np.ones((len(z), 1)), z, *hinges, z[:, one] * z[:, other]])


def p_mover(evidence: Evidence) -> float:
    """Give the probability that a region is an animal that moved, 0 to 1.

    It is a score that sorts regions of drawn pairs; on other photos it is no calibrated probability.
    """
    table = load_weights()
    values = np.array([dataclasses.astuple(evidence)], np.float64)
    score = float((expand(values, table.mean, table.scale) @ table.weights)[0])
    return float(1.0 / (1.0 + np.exp(-score)))
