"""The sum over boosted trees, against scikit-learn's GradientBoostingClassifier (the reference library)."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.ensemble import GradientBoostingClassifier

from pestvision.organisms.box_features import FEATURES
from pestvision.organisms.proposal_weights import score_boxes, weights_from
from training.proposal_score import exported, table_of


@pytest.mark.parametrize("n_levels", [1, 2, 3, 4])
@pytest.mark.parametrize("seed", [0, 1])
def test_the_score_equals_the_reference_librarys_decision_function(
    n_levels: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(400, len(FEATURES)))
    values[:, 1] = rng.integers(0, 3, 400)  # ties, and values that lie on thresholds
    is_found = values[:, 0] * values[:, 2] + values[:, 1] + rng.normal(size=400) > 1
    trees = GradientBoostingClassifier(
        n_estimators=25, max_depth=n_levels, learning_rate=0.1, subsample=0.6, random_state=seed
    )
    trees.fit(values, is_found, sample_weight=rng.uniform(0.5, 2, 400))
    weights = exported(trees, n_levels=n_levels)
    others = rng.normal(size=(300, len(FEATURES)))
    others[:, 1] = rng.integers(0, 3, 300)
    for asked in (values, others):
        wanted = trees.decision_function(asked)
        np.testing.assert_allclose(score_boxes(asked, weights), wanted, rtol=0, atol=1e-6)
    # as they stand in the file, with seven digits
    read = weights_from(table_of(weights, origin="a test"))
    np.testing.assert_allclose(
        score_boxes(others, read), trees.decision_function(others), rtol=0, atol=1e-5
    )


def test_a_branch_that_ends_early_gives_the_reference_librarys_answer() -> None:
    values = np.zeros((40, len(FEATURES)))
    values[:, 5] = np.arange(40) >= 20  # one question splits all there is: every branch ends there
    trees = GradientBoostingClassifier(n_estimators=3, max_depth=3, random_state=0)
    trees.fit(values, np.arange(40) % 20 > 4 + 10 * (np.arange(40) >= 20))
    assert trees.estimators_[0, 0].get_depth() == 1
    found = score_boxes(values, exported(trees, n_levels=3))
    np.testing.assert_allclose(found, trees.decision_function(values), rtol=0, atol=1e-6)
    assert found[0] > found[-1]
