"""How what is measured of a box is weighed: the probability that it holds an animal.

Boosted trees of a few levels over `box_features.FEATURES`, as plain numbers in `proposal_weights.json`:
fitted on real photographs by `python -m training.proposal_score`, whose figures stand in
training/README.md.

Notes
-----
Source: Friedman, J. H. (2001), Greedy function approximation: a gradient boosting machine, Annals of
Statistics 29(5), doi:10.1214/aos/1013203451. Only the sum over trees is worked out here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.arrays import describe
from pestvision.errors import ShapeError, WeightsError
from pestvision.organisms.box_features import FEATURES

if TYPE_CHECKING:
    import numpy.typing as npt

    from pestvision.arrays import F64

WEIGHTS_FILE = Path(__file__).with_name("proposal_weights.json")


@dataclass(frozen=True, slots=True, eq=False)
class ProposalWeights:
    """Trees, each complete: L levels of questions, 2**L answers.

    `question` (T, 2**L - 1), index of `FEATURES` that is asked for; `threshold` of the same shape: a
    value above it goes to child 2 i + 2, else to 2 i + 1; `answer` (T, 2**L); `start`, the sum's first.
    """

    start: float
    question: npt.NDArray[np.intp]
    threshold: F64
    answer: F64

    def __post_init__(self) -> None:
        n_trees, n_answers = self.answer.shape if self.answer.ndim == 2 else (0, 0)
        wanted = (n_trees, n_answers - 1)
        is_power = n_answers >= 2 and not n_answers & (n_answers - 1)
        if not is_power or self.question.shape != wanted or self.threshold.shape != wanted:
            arrays = (self.question, self.threshold, self.answer)
            raise ShapeError(
                "proposal weights",
                expected="(T, 2**L - 1), (T, 2**L - 1), (T, 2**L)",
                actual=", ".join(describe(item) for item in arrays),
            )
        if not (np.isfinite(self.start) and np.isfinite(self.threshold).all()):
            message = "a threshold of the proposal weights is no finite number"
            raise ValueError(message)
        if not np.isfinite(self.answer).all():
            message = "an answer of the proposal weights is no finite number"
            raise ValueError(message)
        if self.question.size and not (
            self.question.min() >= 0 and self.question.max() < len(FEATURES)
        ):
            message = f"the proposal weights ask for something else than {len(FEATURES)} features"
            raise ValueError(message)


@cache
def load_proposal_weights(path: Path = WEIGHTS_FILE) -> ProposalWeights:
    """Read weights, once.

    Raises
    ------
    WeightsError
        If the file is missing, damaged, or belongs to other features.
    """
    try:
        return weights_from(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError, KeyError) as error:
        message = f"The weights of the proposals in {path} cannot be used: {error}."
        advice = "Install pestvision again; your own photos and labels are not touched by that."
        raise WeightsError(message, advice=advice) from error


def weights_from(table: Any) -> ProposalWeights:
    """Make weights of what stands in their file.

    Raises
    ------
    KeyError, TypeError, ValueError
        If something is missing in it, of the wrong kind or shape, or it belongs to other features.
    """
    if table["features"] != list(FEATURES):
        message = "they were fitted on other features than this version measures"
        raise ValueError(message)
    return ProposalWeights(
        float(table["start"]),
        np.array(table["question"], np.intp),
        np.array(table["threshold"], np.float64),
        np.array(table["answer"], np.float64),
    )


def score_boxes(values: F64, weights: ProposalWeights) -> F64:
    """Give the (n,) log-odds that each box holds an animal, from its (n, len(FEATURES)) measures.

    It sorts the boxes of one photo; it is no calibrated probability.
    """
    # the trees were fitted on single precision, and a value on a threshold must go the same way
    asked = values.astype(np.float32)
    n_inner = weights.question.shape[1]
    trees = np.arange(len(weights.question))
    boxes = np.arange(len(values))[:, None]
    node = np.zeros((len(values), len(trees)), np.intp)
    for _ in range(n_inner.bit_length()):
        is_above = asked[boxes, weights.question[trees, node]] > weights.threshold[trees, node]
        node = 2 * node + 1 + is_above
    return np.asarray(weights.start + weights.answer[trees, node - n_inner].sum(1), np.float64)
