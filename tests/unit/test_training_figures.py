"""The figures of a run, against counting by hand and against reference libraries."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from made_run import (
    CROPS,
    FLATWORM,
    FOLDS,
    LEECH,
    MARGIN,
    example_of,
    logits_of,
    made_examples,
    made_logits,
)
from sklearn.metrics import roc_auc_score
from statsmodels.stats.proportion import proportion_confint

from pestvision.organisms.classes import GROUPS
from training.figures import (
    auc,
    cross_fitted,
    cross_fitted_sets,
    found_at_false_rate,
    set_threshold,
    source_weights,
)
from training.ship import ALPHA, run_figures, save_scores

if TYPE_CHECKING:
    from pathlib import Path

FIRST_T = MARGIN / math.log(3)
"""Fold 0's temperature: fold 1 is right in 3/4 of its weight, so the optimum says 3/4 (closed form)."""
SECOND_T = MARGIN / math.log(5 / 3)
"""Fold 1's: fold 0 is right in 5/8."""
GROUND = (0, 1, 2, 2, 0, 3)
DRAWN = (  # true class, called
    *[("leech", "leech")] * 4,
    *[("flatworm", "flatworm")] * 2,
    *[("snail", "snail")] * 2,
    ("snail", "thin-worm"),  # the right group, another class of it
    ("snail", "leech"),
)


@pytest.fixture
def figures(tmp_path: Path) -> dict[str, Any]:
    """The figures of the made run, saved and read again."""
    group_of = {"leech": 0, "flatworm": 1, "snail": 2}
    return save_scores(
        tmp_path,
        made_examples(),
        made_logits(),
        np.stack([logits_of(called) for called in GROUND]),
        [example_of(group_of[truth], "drawn", fine=truth) for truth, _ in DRAWN],
        np.stack([logits_of(called) for _, called in DRAWN]),
        FOLDS,
    )


def test_every_source_of_a_group_and_every_group_weigh_the_same(figures: dict[str, Any]) -> None:
    # by group 1/2, 3/4, 1 and 1/2; by crops it would be 3/4, 2/3, 1 and 1/3
    assert figures["n"] == len(CROPS) == 11
    assert figures["balanced_accuracy"] == pytest.approx((0.5 + 0.75 + 1 + 0.5) / 4, abs=5e-5)


def test_counts_are_of_crops_and_leave_the_stress_kinds_out(figures: dict[str, Any]) -> None:
    assert figures["confusion"] == [[3, 1, 0, 0], [1, 2, 0, 0], [0, 0, 1, 0], [1, 0, 1, 1]]
    counts = [
        (row["right"], row["n"], row["n_sources"])
        for row in (figures["groups"][str(group)] for group in GROUPS)
    ]
    assert counts == [(3, 4, 2), (2, 3, 2), (1, 1, 1), (1, 3, 2)]
    assert figures["stress_flatworms"] == {"n": 3, "right": 1}


def test_the_intervals_of_the_groups_are_those_of_statsmodels(figures: dict[str, Any]) -> None:
    """Reference: statsmodels proportion_confint(method="wilson")."""
    for row in figures["groups"].values():
        expected = proportion_confint(row["right"], row["n"], method="wilson")
        assert row["wilson_95"] == pytest.approx(expected, abs=5.1e-4)


def test_each_fold_is_calibrated_by_the_other(figures: dict[str, Any]) -> None:
    assert figures["temperatures"] == pytest.approx([FIRST_T, SECOND_T], rel=1e-3)
    # fold 0 claims 3/4 and is right in 5/8, fold 1 claims 5/8 and is right in 3/4; half the weight each
    assert figures["calibration_error"] == pytest.approx(0.125, abs=2e-4)


def test_the_area_under_the_curve_is_what_counting_pairs_by_hand_gives(
    figures: dict[str, Any],
) -> None:
    # leeches score .75 and .25, half the weight each. Of the others' weight of 3, .75 is tied with 1/4
    # and above 2 3/4; .25 is above 2 1/4 and tied with 1/4: (2.875 + 2.375) / 2 / 3
    assert figures["leech-like_auc"] == pytest.approx(0.875, abs=5e-5)
    # flatworms score .75 (3/4 of the weight) and .25: (.75 * (2.5 + .25) + .25 * (2 + .25)) / 3
    assert figures["flatworm-like_auc"] == pytest.approx(0.875, abs=5e-5)


def test_ground_squares_and_drawings_are_counted(figures: dict[str, Any]) -> None:
    assert figures["ground_squares"] == {
        "n": 6, "called_leech_like": 2, "called_flatworm_like": 1
    }  # fmt: skip
    drawn = figures["drawn_unseen"]
    assert (drawn["n"], drawn["group_right"]) == (10, 9)
    assert (drawn["group_accuracy"], drawn["fine_accuracy"]) == (0.9, 0.8)
    # 9 of 10, method 3 of Newcombe 1998, Stat Med 17:857
    assert drawn["wilson_95"] == pytest.approx([0.5958, 0.9821], abs=1e-9)


def test_with_so_few_crops_every_set_holds_every_group(figures: dict[str, Any]) -> None:
    # the other fold has 4 or 7 crops: the ceil((n + 1)(1 - 0.08))-th smallest of them does not exist
    assert figures["sets"] == {
        "alpha": ALPHA, "answered": 0.0, "error_when_answered": 0.0, "covered": 1.0
    }  # fmt: skip


def test_a_run_without_drawings_says_nothing_of_them(tmp_path: Path) -> None:
    ground = np.zeros((0, 14), dtype=np.float32)
    said = save_scores(tmp_path, made_examples(), made_logits(), ground, [], None, FOLDS)
    assert "drawn_unseen" not in said
    assert said["ground_squares"]["n"] == 0
    assert run_figures(tmp_path) == said  # rebuilt from the file alone


# --- the parts, with weights ----------------------------------------------------------------


def two_folds() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Twenty leeches, called right in 8 of 10 of fold 0 and in 9 of 10 of fold 1."""
    right = [True] * 8 + [False] * 2 + [True] * 9 + [False]
    logits = [logits_of(*((LEECH, FLATWORM) if is_it else (FLATWORM, LEECH))) for is_it in right]
    folds = np.repeat([0, 1], 10)
    return np.stack(logits).astype(np.float64), np.zeros(20), np.ones(20), folds


def test_fold_by_fold_the_claim_is_the_share_right_in_the_other_fold() -> None:
    p, temperatures = cross_fitted(*two_folds())
    # two classes, margin 4, right in 9 (8) of 10: T = 4 / ln 9 (4 / ln 4), closed form
    assert temperatures == pytest.approx([4 / math.log(9), 4 / math.log(4)], rel=1e-3)
    assert p.max(1) == pytest.approx([0.9] * 10 + [0.8] * 10, abs=1e-3)
    assert p.sum(1) == pytest.approx(np.ones(20))


def test_sets_by_the_other_fold_are_what_they_are_by_hand() -> None:
    # k = ceil(11 * 0.8) = 9. Fold 1's ninth smallest is 1 - .8: in fold 0 the set is the group of .9
    # alone, right in 8 of 10. Fold 0's is 1 - .1: in fold 1 both groups, .8 and .2, are in every set.
    logits, groups, weights, folds = two_folds()
    assert cross_fitted_sets(logits, groups, weights, folds, 0.2) == {
        "answered": 0.5, "error_when_answered": 0.2, "covered": 0.9
    }  # fmt: skip
    heavy = np.where(folds == 0, 3.0, 1.0)
    said = cross_fitted_sets(logits, groups, heavy, folds, 0.2)
    assert said == {"answered": 0.75, "error_when_answered": 0.2, "covered": 0.85}


def test_a_weighted_area_counts_weighted_pairs(rng: np.random.Generator) -> None:
    # by hand: (1 * (2 + 1 + 1) + 3 * (1 + 1/2)) / (4 * 4)
    scores, is_it = np.array([0.9, 0.4, 0.5, 0.1, 0.4]), np.array([1, 1, 0, 0, 0], dtype=bool)
    weights = np.array([1.0, 3.0, 2.0, 1.0, 1.0])
    assert auc(scores, is_it, weights) == pytest.approx(8.5 / 16)
    scores, is_it, weights = rng.integers(0, 20, 80) / 20, rng.random(80) < 0.4, rng.random(80)
    above = scores[is_it][:, None] - scores[~is_it]
    pairs = weights[is_it][:, None] * weights[~is_it]
    counted = (pairs * ((above > 0) + 0.5 * (above == 0))).sum() / pairs.sum()
    assert auc(scores, is_it, weights) == pytest.approx(counted)
    assert auc(scores, is_it, weights) == pytest.approx(
        roc_auc_score(is_it, scores, sample_weight=weights)
    )


def test_a_heavy_false_alarm_uses_up_the_rate_alone() -> None:
    scores = np.array([0.9, 0.7, 0.5, 0.8, 0.6, 0.4, 0.2])
    is_it = np.array([1, 1, 1, 0, 0, 0, 0], dtype=bool)
    light = np.array([1.0, 1.0, 2.0, 0.1, 0.4, 0.3, 0.2])
    # half of the others' weight may lie above: .8 and .6 do (.1 + .4), .4 is the threshold
    assert found_at_false_rate(scores, is_it, light, 0.5) == (1.0, 0.4)
    # a fifth: .8 does, .6 is the threshold, and .5 (half of the weight) is not found
    assert found_at_false_rate(scores, is_it, light, 0.2) == (0.5, 0.6)
    heavy = np.array([1.0, 1.0, 2.0, 0.7, 0.1, 0.1, 0.1])
    assert found_at_false_rate(scores, is_it, heavy, 0.5) == (0.25, 0.8)


def test_the_threshold_of_a_set_comes_from_the_probability_of_the_truth() -> None:
    # nine truths missed by 0.1 to 0.9: k = ceil(10 * 0.8) = 8 (Angelopoulos & Bates 2021)
    missed, groups = np.arange(1, 10) / 10, np.arange(9) % 4
    p = np.repeat(missed[:, None] / 3, 4, axis=1)
    p[np.arange(9), groups] = 1 - missed
    assert set_threshold(p, groups, 0.2) == pytest.approx(0.8)
    assert set_threshold(p, groups, 0.05) == math.inf  # the tenth of nine


def test_weights_of_sources_sum_to_one_within_each_group() -> None:
    groups = np.array([crop.group for crop in CROPS])
    weights = source_weights([crop.source for crop in CROPS], groups)
    assert [weights[groups == group].sum() for group in range(4)] == pytest.approx([1.0] * 4)
    assert weights[:4].tolist() == pytest.approx([1 / 6, 1 / 6, 1 / 6, 1 / 2])
