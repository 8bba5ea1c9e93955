"""Bring the groups of a net to one level: a bias for each, beside the temperature.

A net learns from batches in which the groups weigh the same, but the last layer still favours some of them
on photographers it has not seen. Four numbers, fitted on what each fold's net had not seen, mend that; they
go into the last layer's own bias, so that the tool asks no other net than before.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import GROUP_INDEX_OF_FINE, GROUPS

if TYPE_CHECKING:

    from torch import nn

    from pestvision.arrays import F32, F64
    from training.baselines import Index

PENALTY = 0.01
"""Nats that a bias of 1 must gain: a few dozen photographers must not move the levels far."""


def fit_levels(
    logits: F64, groups: Index, weights: F64, *, penalty: float = PENALTY
) -> tuple[float, F64]:
    """Find temperature and biases that minimise the weighted negative log-likelihood of the groups.

    Parameters
    ----------
    logits
        (N, 14) logits of fine classes.
    groups
        (N,) index of the true group.
    weights
        (N,) weights.
    penalty
        Added: this much for every squared bias.

    Returns
    -------
    The temperature, and (4,) biases, in the order of `GROUPS` and summing to 0, that belong to the logits
    before they are divided by it: `softmax((logits + biases of the groups) / temperature)`.

    Notes
    -----
    Source: vector scaling, Guo, Pleiss, Sun & Weinberger 2017, ICML, with one bias a group and one scale.
    """
    from scipy.optimize import minimize

    truth = (np.arange(len(groups)), groups.astype(np.int64))

    def loss(x: F64) -> float:
        biases = x[1:] - x[1:].mean()
        p = group_probabilities(softmax(logits / math.exp(x[0]) + _of_fine(biases)))
        right = np.log(np.clip(p[truth], 1e-12, None))
        return float(-(weights * right).sum() / weights.sum() + penalty * (biases**2).sum())

    found = minimize(loss, np.zeros(1 + len(GROUPS)), method="BFGS").x
    temperature = math.exp(float(found[0]))
    biases = (found[1:] - found[1:].mean()) * temperature
    return temperature, np.asarray(biases, dtype=np.float64)


def _of_fine(biases: F64) -> F64:
    """Give every fine class its group's bias, (14,)."""
    return np.asarray(biases[list(GROUP_INDEX_OF_FINE)], dtype=np.float64)


def levelled(logits: F32, biases: F64) -> F32:
    """Add the groups' biases to (N, 14) logits."""
    return np.asarray(logits + _of_fine(biases), dtype=np.float32)


def level_net(net: nn.Module, biases: F64) -> None:
    """Add the groups' biases to the last layer's."""
    import torch

    with torch.no_grad():
        net.classifier.bias += torch.from_numpy(_of_fine(biases)).float()  # type: ignore[operator,union-attr]
