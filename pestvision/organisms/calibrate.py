"""Honest confidence: temperature, conformal sets, and the figures that check them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from pestvision.organisms.classes import GROUP_INDEX_OF_FINE, GROUPS

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, Bool


def softmax(logits: F64) -> F64:
    """Give the softmax over the last axis, (…, K) to (…, K)."""
    shifted = logits - logits.max(axis=-1, keepdims=True)
    exp = np.exp(shifted)
    return np.asarray(exp / exp.sum(axis=-1, keepdims=True), dtype=np.float64)


def group_probabilities(p_fine: F64 | F32) -> F64:
    """Sum (N, 14) probabilities of fine classes to (N, 4) of groups, in the order of `GROUPS`."""
    p_groups = np.zeros((*p_fine.shape[:-1], len(GROUPS)))
    for fine, group in enumerate(GROUP_INDEX_OF_FINE):
        p_groups[..., group] += p_fine[..., fine]
    return p_groups


def fit_temperature(logits: F64, targets: F64, weights: F64 | None = None) -> float:
    """Find the temperature that minimises the weighted negative log-likelihood of the groups.

    Parameters
    ----------
    logits
        (N, K) logits of fine classes (K = 14), or of the groups themselves (any other K).
    targets
        (N,) index of the true group.
    weights
        (N,) weights, or None for equal ones.

    Notes
    -----
    Dividing all logits by one number never changes which class is likeliest.
    Source: Guo, Pleiss, Sun & Weinberger 2017, ICML.
    """
    from scipy.optimize import minimize_scalar

    weights = np.ones(len(logits)) if weights is None else weights
    index = targets.astype(np.int64)

    def loss(log_temperature: float) -> float:
        p = softmax(logits / math.exp(log_temperature))
        if logits.shape[1] == len(GROUP_INDEX_OF_FINE):
            p = group_probabilities(p)
        right = np.clip(p[np.arange(len(p)), index], 1e-12, None)
        return float(-(weights * np.log(right)).sum() / weights.sum())

    found = minimize_scalar(loss, bounds=(-3.0, 3.0), method="bounded")
    return math.exp(float(found.x))


def conformal_threshold(scores: F64, alpha: float) -> float:
    """Give the split-conformal threshold of nonconformity scores.

    Parameters
    ----------
    scores
        (n,) nonconformity scores of calibration cases: one minus the probability of the true group.
    alpha
        Share of cases whose set may miss the truth.

    Returns
    -------
    float
        The ⌈(n + 1)(1 − α)⌉-th smallest score, or infinity when n is too small for that: then every
        set holds all groups.

    Notes
    -----
    Source: Angelopoulos & Bates 2021, arXiv 2107.07511. The guarantee holds only for cases like the
    calibration ones; another tank or camera is not one of them.
    """
    k = math.ceil((len(scores) + 1) * (1 - alpha) - 1e-9)
    if k > len(scores):
        return math.inf
    return float(np.sort(scores)[k - 1])


def calibration_error(
    confidence: F64, is_right: Bool, *, n_bins: int = 15, weights: F64 | None = None
) -> float:
    """Give the expected calibration error over equal bins of confidence.

    Parameters
    ----------
    confidence
        (N,) probability given to the chosen class.
    is_right
        (N,) whether the choice was right.
    n_bins
        Number of bins of equal width over 0..1.
    weights
        (N,) weights, or None for equal ones.

    Notes
    -----
    Source: Guo et al. 2017, equation 3.
    """
    weights = np.ones(len(confidence)) if weights is None else weights
    bins = np.clip(np.ceil(confidence * n_bins).astype(int) - 1, 0, n_bins - 1)
    total = 0.0
    for index in range(n_bins):
        inside = bins == index
        weight = weights[inside].sum()
        if weight > 0:
            gap = (weights[inside] * (is_right[inside] - confidence[inside])).sum() / weight
            total += weight * abs(float(gap))
    return total / float(weights.sum())


def look_again_from(missed_leech_costs: float) -> float:
    """Give the probability from which a second look costs less than not looking.

    Parameters
    ----------
    missed_leech_costs
        What a missed leech costs, counted in looks at nothing; over 0.

    Notes
    -----
    Of two answers the one with the smaller expected cost is right: to rule a leech out costs
    `p * missed_leech_costs`, to look again `1 - p`. They balance at `1 / (1 + missed_leech_costs)`.
    Only for calibrated probabilities. Source: Elkan 2001, "The foundations of cost-sensitive learning",
    IJCAI, equation 2, with no cost for right answers.
    """
    if not (math.isfinite(missed_leech_costs) and missed_leech_costs > 0):
        message = f"a missed leech cannot cost {missed_leech_costs} looks"
        raise ValueError(message)
    return 1.0 / (1.0 + missed_leech_costs)


def wilson_interval(n_right: float, n: float, *, z: float = 1.959964) -> tuple[float, float]:
    """Give the Wilson score interval of a share, 95 % by default.

    Source: Newcombe 1998, Stat Med 17:857, method 3. (0, 1) for n = 0.
    """
    if n == 0:
        return (0.0, 1.0)
    p = n_right / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (max(0.0, middle - half), min(1.0, middle + half))
