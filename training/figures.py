"""The figures of an evaluation: pure functions from scores to numbers, used by training and by tests."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.organisms.calibrate import (
    calibration_error,
    conformal_threshold,
    fit_temperature,
    group_probabilities,
    softmax,
    wilson_interval,
)
from pestvision.organisms.classes import GROUPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64, Bool


def source_weights(sources: Sequence[str], groups: F64) -> F64:
    """Weigh every source equally within a group, (N,), summing to 1 within each group."""
    weights = np.zeros(len(sources))
    keys = np.array(sources)
    for group in np.unique(groups):
        inside = groups == group
        names, counts = np.unique(keys[inside], return_counts=True)
        share = dict(zip(names, 1 / counts, strict=True))
        weights[inside] = [share[name] / len(names) for name in keys[inside]]
    return weights


def balanced_accuracy(p_groups: F64, groups: F64, weights: F64) -> float:
    """Give the mean over groups of the weighted share of crops whose likeliest group is right."""
    right = p_groups.argmax(1) == groups
    shares = [
        (weights[groups == g] * right[groups == g]).sum() / weights[groups == g].sum()
        for g in np.unique(groups)
    ]
    return float(np.mean(shares))


def auc(scores: F64, is_it: Bool, weights: F64) -> float:
    """Give the weighted area under the ROC of `scores` for `is_it`."""
    from sklearn.metrics import roc_auc_score

    return float(roc_auc_score(is_it, scores, sample_weight=weights))


def found_at_false_rate(
    scores: F64, is_it: Bool, weights: F64, rate: float = 0.05
) -> tuple[float, float]:
    """Give the weighted share found at the threshold that calls `rate` of the others it, and that threshold."""
    order = np.argsort(-scores[~is_it])
    others = scores[~is_it][order]
    used = np.cumsum(weights[~is_it][order]) / weights[~is_it].sum()
    n_allowed = int(np.searchsorted(used, rate + 1e-12, side="right"))
    threshold = float(others[n_allowed]) if n_allowed < len(others) else -np.inf
    found = weights[is_it] * (scores[is_it] > threshold)
    return float(found.sum() / weights[is_it].sum()), threshold


def cross_fitted(logits: F64, groups: F64, weights: F64, folds: F64) -> tuple[F64, list[float]]:
    """Give group probabilities, each fold's by the temperature fitted on the other folds."""
    p = np.zeros((len(logits), len(GROUPS)))
    temperatures = []
    for fold in np.unique(folds):
        mine = folds == fold
        temperature = fit_temperature(logits[~mine], groups[~mine], weights[~mine])
        p[mine] = group_probabilities(softmax(logits[mine] / temperature))
        temperatures.append(round(temperature, 3))
    return p, temperatures


def cross_fitted_sets(
    logits: F64, groups: F64, weights: F64, folds: F64, alpha: float
) -> dict[str, float]:
    """Give what prediction sets do when each fold's threshold comes from the other folds.

    Returns `answered`, the weighted share of crops whose set holds exactly one group;
    `error_when_answered`, the weighted share of wrong ones among those; `covered`, the weighted share
    of crops whose set holds the truth.
    """
    p, _ = cross_fitted(logits, groups, weights, folds)
    truth = 1 - p[np.arange(len(groups)), groups.astype(int)]
    members = np.zeros_like(p, dtype=bool)
    for fold in np.unique(folds):
        mine = folds == fold
        members[mine] = (1 - p[mine]) <= conformal_threshold(truth[~mine], alpha)
    single = members.sum(1) == 1
    wrong = p.argmax(1) != groups
    answered = float(weights[single].sum())
    return {
        "answered": round(answered / float(weights.sum()), 4),
        "error_when_answered": round(
            float(weights[single & wrong].sum()) / max(answered, 1e-12), 4
        ),
        "covered": round(
            float(
                weights[members[np.arange(len(groups)), groups.astype(int)]].sum() / weights.sum()
            ),
            4,
        ),
    }


def figures_of(logits: F64, groups: F64, sources: Sequence[str], folds: F64) -> dict[str, Any]:
    """Give the whole table for real crops scored out of fold."""
    weights = source_weights(sources, groups)
    p, temperatures = cross_fitted(logits, groups, weights, folds)
    right = p.argmax(1) == groups
    confusion = np.zeros((len(GROUPS), len(GROUPS)), dtype=int)
    np.add.at(confusion, (groups.astype(int), p.argmax(1)), 1)
    figures: dict[str, Any] = {
        "n": len(groups),
        "temperatures": temperatures,
        "balanced_accuracy": round(balanced_accuracy(p, groups, weights), 4),
        "calibration_error": round(
            calibration_error(p.max(1), right, weights=weights / weights.sum()), 4
        ),
        "confusion": confusion.tolist(),
        "groups": {},
    }
    for index in (0, 1):
        found, threshold = found_at_false_rate(p[:, index], groups == index, weights)
        figures[f"{GROUPS[index]}_auc"] = round(auc(p[:, index], groups == index, weights), 4)
        figures[f"{GROUPS[index]}_found_at_5_percent_false"] = round(found, 4)
        figures[f"{GROUPS[index]}_threshold_at_5_percent_false"] = round(threshold, 4)
    for index, group in enumerate(GROUPS):
        inside = groups == index
        n, n_right = int(inside.sum()), int((inside & right).sum())
        low, high = wilson_interval(n_right, n)
        figures["groups"][str(group)] = {
            "n": n,
            "n_sources": len({s for s, g in zip(sources, inside, strict=True) if g}),
            "right": n_right,
            "wilson_95": [round(low, 3), round(high, 3)],
        }
    return figures


def set_threshold(p_groups: F64, groups: F64, alpha: float) -> float:
    """Give the conformal threshold from the probabilities of the true groups."""
    return conformal_threshold(1 - p_groups[np.arange(len(groups)), groups.astype(int)], alpha)
