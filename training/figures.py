"""The figures of an evaluation: pure functions from scores to numbers, used by training and by tests."""

from __future__ import annotations

import itertools
import math
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
        figures["groups"][str(group)] = share_row(right[inside], _taken(sources, inside))
    return figures


def share_row(right: Bool, sources: Sequence[str]) -> dict[str, Any]:
    """Count crops that are right: n, their photographers, and Wilson's interval of the share."""
    n, n_right = len(right), int(right.sum())
    low, high = wilson_interval(n_right, n)
    return {
        "n": n,
        "n_sources": len(set(sources)),
        "right": n_right,
        "wilson_95": [round(low, 3), round(high, 3)],
    }


def shares_by(
    keys: Sequence[str], right: Bool, sources: Sequence[str], *, order: Sequence[str] = ()
) -> dict[str, dict[str, Any]]:
    """Count crops that are right by a key of each, in the order given or else by name."""
    told = np.array(keys)
    return {
        key: share_row(right[told == key], _taken(sources, told == key))
        for key in (order or sorted(set(keys)))
        if (told == key).any()
    }


def _taken(sources: Sequence[str], chosen: Bool) -> list[str]:
    return [name for name, is_in in zip(sources, chosen, strict=True) if is_in]


def steps_of(values: F64, bounds: Sequence[float], unit: str) -> tuple[list[str], list[str]]:
    """Name the step between `bounds` that each value lies on, and all steps in order.

    A bound belongs to the step above it.
    """
    shown = [f"{bound:g}" for bound in bounds]
    names = [f"under {shown[0]}{unit}"]
    names += [f"{low} to {high}{unit}" for low, high in itertools.pairwise(shown)]
    names.append(f"{shown[-1]}{unit} or more")
    ranks = np.searchsorted(np.asarray(bounds), values, side="right")
    return [names[int(rank)] for rank in ranks], names


def leech_at(p_groups: F64, groups: F64, weights: F64, *, threshold: float) -> dict[str, Any]:
    """Give what a threshold on the probability of leech-like finds, and what it calls so falsely.

    Returns
    -------
    dict
        `found`, the weighted share of leeches at or over it; `false`, of harmless and not-an-organism
        together, each weighing half; `false_flatworms`, of flatworms, whom a keeper watches anyway.
    """
    over = p_groups[:, 0] >= threshold
    shares = [
        float((weights[groups == g] * over[groups == g]).sum() / weights[groups == g].sum())
        if (groups == g).any()
        else math.nan
        for g in range(len(GROUPS))
    ]
    others = [share for share in shares[2:] if not math.isnan(share)]
    return {
        "threshold": round(threshold, 4),
        "found": _rounded(shares[0]),
        "false": _rounded(sum(others) / len(others)) if others else None,
        "false_flatworms": _rounded(shares[1]),
        "n_leech": int((groups == 0).sum()),
        "n_others": int((groups >= 2).sum()),
    }


def _rounded(share: float) -> float | None:
    return None if math.isnan(share) else round(share, 4)


def coverage_interval(
    n: int, alpha: float, *, n_covered_of: int | None = None
) -> tuple[float, float]:
    """Give the 5 to 95 % range of the coverage of a split-conformal set calibrated on `n` cases.

    Parameters
    ----------
    n
        Calibration cases.
    alpha
        Share of cases that may be missed.
    n_covered_of
        Cases on which the coverage is counted; None is the coverage itself.

    Notes
    -----
    Given the calibration cases the coverage is Beta(k, n + 1 - k), k = ceil((n + 1)(1 - alpha)), and what is
    counted on m further cases is that Beta's binomial. Source: Angelopoulos & Bates 2021, arXiv
    2107.07511; Vovk 2012, ACML.
    """
    from scipy.stats import beta, betabinom

    k = math.ceil((n + 1) * (1 - alpha) - 1e-9)
    if k > n:
        return (1.0, 1.0)  # every set holds every group
    ends = np.array([0.05, 0.95])
    if n_covered_of is None:
        low, high = beta.ppf(ends, k, n + 1 - k).tolist()
    else:
        low, high = (betabinom.ppf(ends, n_covered_of, k, n + 1 - k) / n_covered_of).tolist()
    return (float(low), float(high))


def split_coverage(
    p_groups: F64, groups: F64, *, alpha: float, n_splits: int = 200, seed: int = 0
) -> dict[str, Any]:
    """Calibrate sets on a random half of the cases and count what they cover of the other, many times.

    Returns
    -------
    dict
        `mean`, and `low` and `high`, the 5 and 95 % points over the splits; `expected`, the range that
        the theory gives for one split; `inside`, the share of splits within it.
    """
    rng = np.random.default_rng(seed)
    scores = np.asarray(1 - p_groups[np.arange(len(groups)), groups.astype(int)])
    half = len(scores) // 2
    covered = []
    for _ in range(n_splits):
        order = rng.permutation(len(scores))
        threshold = conformal_threshold(scores[order[:half]], alpha)
        covered.append(float((scores[order[half:]] <= threshold).mean()))
    low, high = coverage_interval(half, alpha, n_covered_of=len(scores) - half)
    inside = np.mean([low - 1e-9 <= share <= high + 1e-9 for share in covered])
    return {
        "alpha": alpha,
        "n_calibrated": half,
        "n_covered_of": len(scores) - half,
        "n_splits": n_splits,
        "mean": round(float(np.mean(covered)), 4),
        "low": round(float(np.quantile(covered, 0.05)), 4),
        "high": round(float(np.quantile(covered, 0.95)), 4),
        "expected": [round(low, 4), round(high, 4)],
        "inside": round(float(inside), 4),
    }


def set_threshold(p_groups: F64, groups: F64, alpha: float) -> float:
    """Give the conformal threshold from the probabilities of the true groups."""
    return conformal_threshold(1 - p_groups[np.arange(len(groups)), groups.astype(int)], alpha)
