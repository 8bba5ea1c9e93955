"""Agreement against published values and against other packages."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from pestvision.collection.agreement import cohen_kappa, krippendorff_alpha

_ = None

# Krippendorff 2011, "Computing Krippendorff's Alpha-Reliability", section C: 4 observers, 12 units.
# There: nominal .743, ordinal .815, interval .849. The table is written down from memory.
FOUR_BY_TWELVE = [
    [1, 2, 3, 3, 2, 1, 4, 1, 2, _, _, _],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, _, 3],
    [_, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, _],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, _],
]
# Worked example of the encyclopedia article "Krippendorff's alpha": 3 coders, 15 units.
# There: nominal .691, interval .811. The table is written down from memory.
THREE_BY_FIFTEEN = [
    [_, _, _, _, _, 3, 4, 1, 2, 1, 1, 3, 3, _, 3],
    [1, _, 2, 1, 3, 3, 4, 3, _, _, _, _, _, _, _],
    [_, _, 2, 1, 3, 4, 4, _, 2, 1, 1, 3, 3, _, 4],
]


@pytest.mark.parametrize(
    ("ratings", "level", "published", "computed"),
    [
        (FOUR_BY_TWELVE, "nominal", 0.743, 0.7434),
        (FOUR_BY_TWELVE, "ordinal", 0.815, 0.8154),
        (FOUR_BY_TWELVE, "interval", 0.849, 0.8491),
        (THREE_BY_FIFTEEN, "nominal", 0.691, 0.6914),
        (THREE_BY_FIFTEEN, "interval", 0.811, 0.8108),
    ],
)
def test_alpha_of_the_published_examples(
    ratings: list[list[int | None]], level: str, published: float, computed: float
) -> None:
    alpha = krippendorff_alpha(ratings, level=level).alpha
    assert alpha == pytest.approx(published, abs=5e-4)
    assert alpha == pytest.approx(computed, abs=5e-5)


def rows_of(table: list[list[int]] | np.ndarray) -> tuple[list[int], list[int]]:
    """The two rows of labels that a table of counts stands for."""
    first, second = [], []
    for row, counts in enumerate(table):
        for column, count in enumerate(counts):
            first += [row] * int(count)
            second += [column] * int(count)
    return first, second


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # The examples of the encyclopedia article "Cohen's kappa", from memory; the last two agree
        # on the same share, .60, and differ in kappa.
        ([[20, 5], [10, 15]], 0.4000),
        ([[45, 15], [25, 15]], 0.1304),
        ([[25, 35], [5, 35]], 0.2593),
        # The example of R's package epiR, epi.kappa, printed there as .67.
        ([[19, 10], [6, 256]], 0.6736),
    ],
)
def test_kappa_of_the_published_tables(table: list[list[int]], kappa: float) -> None:
    found = cohen_kappa(*rows_of(table))
    assert found.kappa == pytest.approx(kappa, abs=5e-5)
    assert found.n_units == int(np.sum(table))


def test_the_interval_of_the_first_table() -> None:
    """.151 to .649, by statsmodels' cohens_kappa on the same table."""
    interval = cohen_kappa(*rows_of([[20, 5], [10, 15]])).interval
    assert interval == pytest.approx((0.151, 0.649), abs=5e-4)


@pytest.mark.parametrize("n_labels", [2, 3, 4, 7])
def test_kappa_and_its_error_agree_with_other_packages_on_random_tables(n_labels: int) -> None:
    rng = np.random.default_rng(n_labels)
    for _case in range(25):
        table = rng.integers(0, 12, (n_labels, n_labels)) + np.diag(rng.integers(0, 40, n_labels))
        first, second = rows_of(table)
        found = cohen_kappa(first, second)
        assert found.kappa == pytest.approx(cohen_kappa_score(first, second), abs=1e-12)
        reference = cohens_kappa(table.astype(float))
        assert found.standard_error == pytest.approx(reference.std_kappa, abs=1e-10)
        assert found.interval is not None
        assert found.interval[0] == pytest.approx(max(reference.kappa_low, -1), abs=1e-6)
        assert found.interval[1] == pytest.approx(min(reference.kappa_upp, 1), abs=1e-6)


def test_the_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    """95 % of many drawn samples of 200 units; 1000 of them stray by 2 % at most (3 sigma)."""
    rng = np.random.default_rng(0)
    shares = np.array([[0.40, 0.06, 0.02], [0.05, 0.22, 0.03], [0.02, 0.04, 0.16]])
    chance = shares.sum(1) @ shares.sum(0)
    truth = (np.trace(shares) - chance) / (1 - chance)
    n_held = 0
    for _sample in range(1000):
        table = rng.multinomial(200, shares.ravel()).reshape(3, 3)
        low, high = cohen_kappa(*rows_of(table)).interval
        n_held += low <= truth <= high
    assert 0.925 <= n_held / 1000 <= 0.97
