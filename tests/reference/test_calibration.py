"""Confidence against published numbers and against the libraries that offer the same."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from sklearn.calibration import calibration_curve
from statsmodels.stats.proportion import proportion_confint

from pestvision.organisms.calibrate import (
    calibration_error,
    conformal_threshold,
    fit_temperature,
    group_probabilities,
    look_again_from,
    softmax,
    wilson_interval,
)
from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE

TOY_CONFIDENCE = np.repeat([0.95, 0.85, 0.65, 0.55], [4, 2, 2, 2])
TOY_RIGHT = np.array([1, 1, 1, 0, 1, 0, 1, 0, 1, 0], dtype=bool)
NINETEEN = np.array([2, 5, 7, 11, 15, 18, 22, 27, 31, 36, 40, 44, 49, 53, 58, 62, 69, 77, 91]) / 100
"""Nineteen scores worked by hand: k = ceil(20 * 0.9) = 18, the eighteenth is 0.77."""


def test_the_calibration_error_of_a_toy_is_what_it_is_by_hand() -> None:
    # equation 3 of Guo et al. 2017 by hand: 0.4*0.20 + 0.2*0.35 + 0.2*0.15 + 0.2*0.05
    found = calibration_error(TOY_CONFIDENCE, TOY_RIGHT, n_bins=10)
    assert found == pytest.approx(0.1900, abs=1e-12)


def test_the_calibration_error_of_an_honest_forecaster_is_none() -> None:
    right = np.array([True] * 8 + [False] * 2)
    assert calibration_error(np.full(10, 0.8), right) == pytest.approx(0.0, abs=1e-12)


def test_the_calibration_error_agrees_with_the_curve_of_scikit_learn(
    rng: np.random.Generator,
) -> None:
    confidence = rng.uniform(0.25, 1.0, 3000)
    is_right = rng.uniform(size=3000) < confidence**1.5
    share_right, mean_confidence = calibration_curve(is_right, confidence, n_bins=15)
    edges = np.linspace(0, 1, 16)
    counts = np.bincount(np.searchsorted(edges[1:-1], confidence), minlength=15)
    counts = counts[counts > 0]
    expected = (counts * np.abs(share_right - mean_confidence)).sum() / 3000
    assert calibration_error(confidence, is_right) == pytest.approx(expected, abs=1e-9)


def test_weights_count_like_repeated_cases() -> None:
    times = np.array([3, 1, 2, 1, 1, 2, 1, 1, 4, 1])
    repeated = calibration_error(np.repeat(TOY_CONFIDENCE, times), np.repeat(TOY_RIGHT, times))
    weighted = calibration_error(TOY_CONFIDENCE, TOY_RIGHT, weights=times.astype(np.float64))
    assert weighted == pytest.approx(repeated, abs=1e-12)


def test_the_temperature_of_an_overconfident_pair_is_the_closed_form() -> None:
    # two classes, margin 4, right in 8 of 10: the optimum says 0.8, so T = 4 / ln 4 (closed form)
    logits = np.tile([4.0, 0.0], (10, 1))
    targets = np.array([0.0] * 8 + [1.0] * 2)
    before = softmax(logits)
    assert before[0, 0] == pytest.approx(0.9820, abs=5e-5)
    assert calibration_error(before.max(1), targets == 0) == pytest.approx(0.1820, abs=5e-5)
    temperature = fit_temperature(logits, targets)
    assert temperature == pytest.approx(4 / math.log(4), rel=1e-3)  # 2.8854
    after = softmax(logits / temperature)
    assert after[0, 0] == pytest.approx(0.8, abs=1e-3)
    nll = -np.log(after[np.arange(10), targets.astype(int)]).mean()
    assert nll == pytest.approx(0.5004, abs=1e-4)
    assert calibration_error(after.max(1), targets == 0) == pytest.approx(0.0, abs=1e-3)


def test_a_temperature_is_found_again_from_the_cases_it_made(rng: np.random.Generator) -> None:
    logits = rng.normal(0, 3, (6000, len(FINE_NAMES)))
    p = softmax(logits / 2.0)
    fine = np.array([rng.choice(len(FINE_NAMES), p=row) for row in p])
    groups = np.array(GROUP_INDEX_OF_FINE)[fine].astype(np.float64)
    assert fit_temperature(logits, groups) == pytest.approx(2.0, rel=0.06)


@pytest.mark.parametrize("temperature", [0.2, 0.9575, 3.0, 20.0])
def test_no_temperature_changes_the_likeliest_class(
    rng: np.random.Generator, temperature: float
) -> None:
    # Guo, Pleiss, Sun & Weinberger 2017: accuracy is the same before and after
    logits = rng.normal(0, 4, (500, len(FINE_NAMES)))
    assert (softmax(logits / temperature).argmax(1) == logits.argmax(1)).all()


def test_group_probabilities_are_the_sums_of_their_classes(rng: np.random.Generator) -> None:
    p = softmax(rng.normal(0, 2, (50, len(FINE_NAMES))))
    groups = group_probabilities(p)
    members = np.array(GROUP_INDEX_OF_FINE)
    np.testing.assert_allclose(groups.sum(1), 1.0, atol=1e-12)
    np.testing.assert_allclose(groups[:, 2], p[:, members == 2].sum(1), atol=1e-12)


def test_softmax_bears_huge_logits() -> None:
    p = softmax(np.array([[1e4, 0.0, -1e4]]))
    np.testing.assert_allclose(p, [[1.0, 0.0, 0.0]], atol=1e-12)


def test_the_conformal_threshold_of_nineteen_scores_is_the_eighteenth() -> None:
    # Angelopoulos & Bates 2021, arXiv 2107.07511: the ceil((n + 1)(1 - alpha))-th smallest
    assert conformal_threshold(NINETEEN, 0.1) == 0.77
    assert conformal_threshold(NINETEEN[::-1].copy(), 0.1) == 0.77


def test_too_few_scores_leave_every_group_possible() -> None:
    assert conformal_threshold(NINETEEN[:8], 0.1) == math.inf  # k = 9 of 8
    assert conformal_threshold(NINETEEN[:9], 0.1) == 0.31  # k = 9 of 9
    assert conformal_threshold(np.zeros(0), 0.1) == math.inf


@pytest.mark.parametrize(
    ("n", "low", "high"),
    [(19, 0.774, 0.981), (50, 0.826, 0.960), (99, 0.847, 0.944), (200, 0.864, 0.933)],
)
def test_coverage_follows_its_beta_distribution(
    rng: np.random.Generator, n: int, low: float, high: float
) -> None:
    # Vovk 2012; Angelopoulos & Bates 2021, section 3.2: coverage ~ Beta(k, n + 1 - k)
    alpha, k = 0.1, math.ceil((n + 1) * 0.9 - 1e-9)
    beta = stats.beta(k, n + 1 - k)
    assert beta.ppf([0.05, 0.95]) == pytest.approx([low, high], abs=6e-4)
    # of uniform scores a threshold covers just itself
    covered = [conformal_threshold(rng.uniform(size=n), alpha) for _ in range(2000)]
    assert stats.kstest(covered, beta.cdf).pvalue > 0.001
    assert 1 - alpha - 0.005 <= np.mean(covered) <= 1 - alpha + 1 / (n + 1) + 0.005


@pytest.mark.parametrize(
    ("n_right", "n", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),  # Newcombe 1998, Stat Med 17:857, table I, method 3
        (15, 148, 0.0624, 0.1605),  # the same
        (0, 20, 0.0, 0.1611),  # the same
        (1, 29, 0.0061, 0.1718),  # the same
        (0, 10, 0.0, 0.2775),  # by the same formula
        (0, 30, 0.0, 0.1135),
        (9, 10, 0.5958, 0.9821),
        (5, 50, 0.0435, 0.2136),
    ],
)
def test_wilson_intervals_are_the_published_ones(
    n_right: int, n: int, low: float, high: float
) -> None:
    found = wilson_interval(n_right, n)
    assert found == pytest.approx((low, high), abs=5.1e-5)
    assert found == pytest.approx(proportion_confint(n_right, n, method="wilson"), abs=1e-6)


def test_the_interval_of_no_case_is_everything() -> None:
    assert wilson_interval(0, 0) == (0.0, 1.0)


def test_the_interval_of_all_right_still_leaves_doubt() -> None:
    low, high = wilson_interval(20, 20)
    assert high == pytest.approx(1.0, abs=1e-12)
    assert low == pytest.approx(1 - 0.1611, abs=5.1e-5)  # the mirror of 0 of 20


@pytest.mark.parametrize("missed_costs", [0.5, 1.0, 9.0, 99.0])
def test_the_look_again_threshold_is_elkans(missed_costs: float) -> None:
    """Elkan 2001, IJCAI, equation 2: p* = (c10 - c00) / (c10 - c00 + c01 - c11).

    c10 is a look at nothing, 1; c01 a leech missed; right answers cost nothing.
    """
    c00, c01, c10, c11 = 0.0, missed_costs, 1.0, 0.0
    optimal = (c10 - c00) / (c10 - c00 + c01 - c11)
    assert look_again_from(missed_costs) == pytest.approx(optimal, rel=1e-12)


def test_no_other_threshold_costs_less_on_calibrated_probabilities(
    rng: np.random.Generator,
) -> None:
    """The expected cost, counted over thresholds: a closed form against brute force."""
    missed_costs = 9.0
    p = rng.beta(0.4, 2.0, 20_000)

    def cost(threshold: float) -> float:
        looks = p >= threshold
        return float(((1 - p) * looks).sum() + (missed_costs * p * ~looks).sum())

    thresholds = np.linspace(0.01, 0.5, 50)
    best = thresholds[int(np.argmin([cost(t) for t in thresholds]))]
    assert best == pytest.approx(look_again_from(missed_costs), abs=0.011)
    assert cost(look_again_from(missed_costs)) <= min(cost(t) for t in thresholds)


@pytest.mark.parametrize("costs", [0.0, -1.0, float("nan"), float("inf")])
def test_costs_that_are_none_are_refused(costs: float) -> None:
    with pytest.raises(ValueError, match="cannot cost"):
        look_again_from(costs)
