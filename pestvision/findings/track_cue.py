"""What two photos say of an animal by how it went: how far, how its length changed, how slender it is.

The likelihoods were learned from drawn pairs by `python -m training.evidence_exam fit-track`: of moving
animals, the outlines of each found on both photos as the program finds them. Classes that were not drawn
as movers are neither spoken for nor against, but for those that stay where they are.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.errors import ShapeError, WeightsError
from pestvision.organisms.classes import FINE_NAMES

if TYPE_CHECKING:
    from pestvision.arrays import F64

WEIGHTS_FILE = Path(__file__).with_name("track_weights.json")

LEAST_GONE = 0.05  # lengths: less is no way at all
LEAST_CHANGE = 0.02  # of the logarithm of the stretch: outlines are no better than that
WENT = 0.5  # lengths from which on something was somewhere else

SITS = {"snail-eggs": 0.98, "mark-on-glass": 0.98, "hydra": 0.9}
"""Share of a class that is where it was, from one photo to the next: own assumptions."""


@dataclass(frozen=True, slots=True)
class Between:
    """What two photos say of how an animal went.

    `lengths_gone`: how far the middle of its box went, in long sides of the larger box. `stretch`: its
    longer length over its shorter one, 1 or more. `width_share`: its greatest width over its length, the
    mean of both photos.
    """

    lengths_gone: float
    stretch: float
    width_share: float

    def __post_init__(self) -> None:
        if not (self.lengths_gone >= 0 and self.stretch >= 1 and self.width_share > 0):
            raise ShapeError("between", expected="0.., 1.., over 0", actual=str(self))

    def features(self) -> F64:
        """(9,) float64: three logarithms, their squares and products."""
        a = np.log(max(self.lengths_gone, LEAST_GONE))
        b = np.log(np.log(self.stretch) + LEAST_CHANGE)
        c = np.log(self.width_share)
        return np.array([a, b, c, a * a, a * b, a * c, b * b, b * c, c * c])

    def words(self) -> str:
        """Say it in a few words."""
        went = f"went {self.lengths_gone:.1f} lengths" if self.lengths_gone >= WENT else "stayed"
        return (
            f"{went}, {self.stretch:.1f} times as long on one photo as on the other, "
            f"{1 / self.width_share:.0f} times as long as wide"
        )


@dataclass(frozen=True, slots=True, eq=False)
class TrackWeights:
    """A multinomial logistic model over `Between.features`, of classes drawn equally often.

    `fines`: names of the classes. `mean`, `scale`: (9,). `weights`: (classes, 9). `bias`: (classes,).
    """

    fines: tuple[str, ...]
    mean: F64
    scale: F64
    weights: F64
    bias: F64

    def log_likelihood(self, between: Between) -> F64:
        """(14,) natural logarithms, up to a constant, in the order of `FINE_CLASSES`."""
        of_known = self.weights @ ((between.features() - self.mean) / self.scale) + self.bias
        top = of_known.max()
        unknown = top + np.log(np.mean(np.exp(of_known - top)))
        known = dict(zip(self.fines, of_known, strict=True))
        gone = between.lengths_gone >= WENT
        logs = [
            known.get(fine, unknown)
            + np.log((1 - SITS[fine] if gone else SITS[fine]) if fine in SITS else 0.5)
            - np.log(0.5)
            if fine not in known
            else known[fine]
            for fine in FINE_NAMES
        ]
        return np.array(logs, np.float64)

    def as_json(self) -> dict[str, object]:
        """Give it as it is written."""
        return {
            "fines": list(self.fines),
            "mean": self.mean.round(4).tolist(),
            "scale": self.scale.round(4).tolist(),
            "weights": self.weights.round(4).tolist(),
            "bias": self.bias.round(4).tolist(),
        }


@cache
def load_track_weights() -> TrackWeights:
    """Read the weights that the program ships, once.

    Raises
    ------
    WeightsError
        If they are missing or damaged.
    """
    try:
        told = json.loads(WEIGHTS_FILE.read_text(encoding="utf-8"))
        arrays = {
            name: np.array(told[name], np.float64) for name in ("mean", "scale", "weights", "bias")
        }
        fines = tuple(str(name) for name in told["fines"])
        if not set(fines) <= set(FINE_NAMES) or arrays["weights"].shape != (len(fines), 9):
            raise ValueError(fines)
    except (OSError, ValueError, KeyError, TypeError) as error:
        message = f"The weights of the track, {WEIGHTS_FILE.name}, are missing or damaged."
        raise WeightsError(message, advice="Install pestvision again.") from error
    return TrackWeights(fines=fines, **arrays)
