"""How what is measured of a trail is weighed: the probability of each gait.

A multinomial logistic model over `gait_features.FEATURES`, as plain numbers in `gait_weights.json`:
fitted on drawn trails by `python -m training.gait_fit`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import describe
from pestvision.errors import ShapeError, WeightsError
from pestvision.motion.gait_features import FEATURES
from pestvision.motion.trail import GAITS

if TYPE_CHECKING:
    from pestvision.arrays import F64

WEIGHTS_FILE = Path(__file__).with_name("gait_weights.json")
HELD_FAST = "held-fast"
OUTCOMES = (*GAITS, HELD_FAST)
"""What the model tells apart: the gaits, and what holds on with one end throughout (a hydra, or a leech
that feels about), which is none of them."""
MOST_SIGMAS = 4.0  # a measured number further out than this is taken as so far out


MOST_SQUARE = 6.0  # and its square no larger than this, so that nothing far out decides by itself


@dataclass(frozen=True, slots=True, eq=False)
class GaitWeights:
    """`mean`, `scale` (F,) of the features; `weights` (O, 2 F) and `bias` (O,) for `OUTCOMES`.

    The first F columns are for the features in deviations from their means, the others for their squares.
    """

    mean: F64
    scale: F64
    weights: F64
    bias: F64

    def __post_init__(self) -> None:
        n, k = len(FEATURES), len(OUTCOMES)
        wanted = {"mean": (n,), "scale": (n,), "weights": (k, 2 * n), "bias": (k,)}
        for name, shape in wanted.items():
            array = getattr(self, name)
            if array.shape != shape or not np.isfinite(array).all():
                raise ShapeError(name, expected=f"{shape}, finite", actual=describe(array))

    def probabilities(self, values: F64) -> F64:
        """Give the probabilities of `OUTCOMES`: (N, F) measured numbers to (N, O)."""
        logits = spread_out(values, self.mean, self.scale) @ self.weights.T + self.bias
        logits = logits - logits.max(axis=1, keepdims=True)
        odds = np.exp(logits)
        return np.asarray(odds / odds.sum(axis=1, keepdims=True), np.float64)

    def as_text(self) -> str:
        """Give it as the text of `gait_weights.json`."""
        rows = {
            "features": list(FEATURES),
            "outcomes": list(OUTCOMES),
            "mean": np.round(self.mean, 5).tolist(),
            "scale": np.round(self.scale, 5).tolist(),
            "weights": np.round(self.weights, 4).tolist(),
            "bias": np.round(self.bias, 4).tolist(),
        }
        return json.dumps(rows, indent=1) + "\n"


def spread_out(values: F64, mean: F64, scale: F64) -> F64:
    """Give what is weighed: (N, F) to (N, 2 F), the deviations and their squares."""
    away = np.clip((values - mean) / scale, -MOST_SIGMAS, MOST_SIGMAS)
    return np.column_stack([away, np.minimum(away**2, MOST_SQUARE) - 1.0])


@cache
def load_gait_weights(path: Path = WEIGHTS_FILE) -> GaitWeights:
    """Read the weights that ship with the program.

    Raises
    ------
    WeightsError
        If the file is missing, damaged or made for other features.
    """
    advice = "Install pestvision again; the file comes with it."
    try:
        read = json.loads(path.read_text("utf-8"))
        if tuple(read["features"]) != FEATURES or tuple(read["outcomes"]) != OUTCOMES:
            raise WeightsError(f"{path.name} was made for other features or gaits.", advice=advice)
        arrays = [
            np.asarray(read[name], np.float64) for name in ("mean", "scale", "weights", "bias")
        ]
        return GaitWeights(*arrays)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise WeightsError(f"{path.name} cannot be read: {error}", advice=advice) from error
