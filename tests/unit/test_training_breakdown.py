"""Figures broken down, against counting by hand, published values and reference libraries."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from made_run import FOLDS, STRESS, made_examples, made_logits
from made_scores import PaintReader, paint_of
from statsmodels.stats.proportion import proportion_confint

from pestvision.organisms.classes import FINE_NAMES, GROUPS
from training.breakdown import (
    TABLES,
    breakdown,
    drawn_figures,
    kinds_of,
    leech_figures,
    score,
    stress_rows,
    told_figures,
)
from training.figures import (
    coverage_interval,
    leech_at,
    shares_by,
    split_coverage,
    steps_of,
)
from training.ship import save_scores

if TYPE_CHECKING:
    from pathlib import Path

    from training.breakdown import Scored
    from training.data import Example


def crop_like(item: Example, rank: int) -> Example:
    """Give a crop painted as its group, of a length and a licence of its own."""
    crop = np.full((224, 224, 3), paint_of(GROUPS[item.group]), np.uint8)
    crop[:: 8 + rank] = 255  # something to be sharp about
    return replace(
        item,
        crop=crop,
        length_px=20.0 * 2**rank,
        licence="open" if rank % 2 else "unstated",
        setting="skin" if rank < 2 else "tank",
    )


@pytest.fixture
def real() -> list[Example]:
    return [crop_like(item, rank) for rank, item in enumerate(made_examples())]


@pytest.fixture
def saved(tmp_path: Path, real: list[Example]) -> dict[str, Any]:
    ground = made_logits()[:6]
    save_scores(tmp_path, real, made_logits(), ground, [], None, FOLDS)
    with np.load(tmp_path / "scores.npz") as scores:
        return {name: scores[name] for name in scores.files}


@pytest.fixture
def scored(saved: dict[str, Any], real: list[Example]) -> Scored:
    return score(saved, real)


def test_scores_belong_to_their_crops_and_the_stress_set_is_left_out(
    scored: Scored, saved: dict[str, Any], real: list[Example]
) -> None:
    assert len(scored.examples) == len(real) - len(STRESS)
    assert scored.right.tolist() == [True] * 3 + [
        False,
        True,
        False,
        True,
        True,
        False,
        False,
        True,
    ]
    assert scored.p.sum(1) == pytest.approx(np.ones(11))
    with pytest.raises(SystemExit, match=r"other crops .* run training\.train again"):
        score(saved, real[::-1])


def test_every_table_counts_every_crop_once(scored: Scored) -> None:
    tables = breakdown(scored)
    assert set(tables) == set(TABLES)
    for name, rows in tables.items():
        n, right = (sum(row[key] for row in rows.values()) for key in ("n", "right"))
        assert (n, right) == ((4, 3) if name == "leech_setting" else (11, 7)), name
    assert tables["setting"]["skin"]["n"] == 2
    assert tables["licence"]["open"] == {
        "n": 5, "n_sources": 5, "right": 2, "wilson_95": [0.118, 0.769]
    }  # fmt: skip
    assert next(iter(tables["length"])) == "under 32 px"
    assert [row["n"] for row in tables["sharpness"].values()] in ([4, 3, 4], [3, 4, 4], [4, 4, 3])


def test_rare_kinds_are_counted_together(scored: Scored) -> None:
    usual = list(scored.examples)
    named = kinds_of(usual)
    # four leeches and three flatworms of kind "usual"; two snails and two others are too few alone
    assert named[:7] == ["usual"] * 7
    assert set(named[7:]) == {"others", "plant-or-debris"} or set(named[7:]) == {"others"}


def test_shares_keep_the_order_asked_for_and_their_intervals_are_those_of_statsmodels() -> None:
    right = np.array([True] * 9 + [False] * 2)
    rows = shares_by(["b"] * 10 + ["a"], right, list("xxxxxyyyyyz"), order=["b", "none", "a"])
    assert list(rows) == ["b", "a"]
    # 9 of 10: Newcombe 1998, Stat Med 17:857, method 3
    assert rows["b"] == {
        "n": 10, "n_sources": 2, "right": 9, "wilson_95": [0.596, 0.982]
    }  # fmt: skip
    expected = proportion_confint(0, 1, method="wilson")
    assert rows["a"]["wilson_95"] == pytest.approx(expected, abs=5.1e-4)


def test_a_bound_belongs_to_the_step_above_it() -> None:
    named, order = steps_of(np.array([1.0, 32.0, 63.9, 64.0, 700.0]), [32.0, 64.0], " px")
    assert order == ["under 32 px", "32 to 64 px", "64 px or more"]
    assert named == [order[0], order[1], order[1], order[2], order[2]]


def test_a_threshold_finds_and_errs_by_weight_and_harmless_and_nothing_weigh_half() -> None:
    p = np.zeros((8, 4))
    p[:, 0] = [0.9, 0.1, 0.05, 0.2, 0.3, 0.0, 0.1, 0.0]
    groups = np.array([0, 0, 0, 1, 2, 2, 3, 3])
    weights = np.array([0.5, 0.25, 0.25, 1.0, 0.25, 0.75, 0.4, 0.6])
    said = leech_at(p, groups, weights, threshold=0.1)  # at the threshold counts
    assert said["found"] == 0.75
    assert said["false"] == pytest.approx((0.25 + 0.4) / 2)
    assert said["false_flatworms"] == 1.0
    assert (said["n_leech"], said["n_others"]) == (3, 4)
    assert leech_at(p[:3], groups[:3], weights[:3], threshold=0.1)["false"] is None


def test_what_is_found_of_leeches_leaves_flatworms_out_of_the_false(
    scored: Scored, saved: dict[str, Any]
) -> None:
    said = leech_figures(scored, saved, look_again=0.3, temperature=1.0)
    # leeches score .75 (half the weight) and .25; one of three nothings scores 5/8 or so and weighs
    # 1/4 of the others, which is over 5 %: only what lies above it is found
    assert said["at_5_percent_false"]["found"] == 0.5
    assert said["at_look_again"]["found"] == 0.5
    assert said["at_look_again"]["false"] == pytest.approx(0.25 / 2)
    assert said["ground_squares_over_look_again"] == [4, 6]


def test_the_tools_own_judgement_is_asked_with_the_rules_given(scored: Scored) -> None:
    readers: Any = [PaintReader(), PaintReader()]
    rules = replace(readers[0].card.rules, min_length_px=0.0, min_sharpness=0.0)
    said = told_figures(scored, readers, FOLDS, rules=rules)
    assert said["answered"] == 1.0
    assert said["wrong_of_answered"] == 0.0
    assert said["leeches_called_something_else"] == [0, 4]
    # the leeches of photographer a are 20, 40 and 80 px long: two are too short
    strict = told_figures(scored, readers, FOLDS, rules=replace(rules, min_length_px=60.0))
    assert strict["n_answered"]["right"] == 9
    assert strict["answered"] == pytest.approx((2 / 3 + 3) / 4, abs=1e-4)


def test_a_wrong_answer_about_a_leech_is_counted_apart(scored: Scored) -> None:
    class SaysHarmless(PaintReader):
        def classify(self, crops: Any) -> Any:
            return PaintReader().classify(
                [np.full_like(crop, paint_of(GROUPS[2])) for crop in crops]
            )

    readers: Any = [SaysHarmless(), SaysHarmless()]
    rules = replace(readers[0].card.rules, min_length_px=0.0, min_sharpness=0.0)
    said = told_figures(scored, readers, FOLDS, rules=rules)
    assert said["leeches_called_something_else"] == [4, 4]
    assert said["wrong_of_answered"] == pytest.approx(0.75)  # of four groups one is right
    assert said["n_wrong"]["n"] == 11


def test_the_stress_set_is_counted_kind_by_kind(saved: dict[str, Any], real: list[Example]) -> None:
    rows = stress_rows(saved, real, 1.0)
    assert {name: (row["right"], row["n"]) for name, row in rows.items()} == {
        "land-planarian": (1, 1), "marine-polyclad": (0, 2)
    }  # fmt: skip


@pytest.mark.parametrize(
    ("n", "low", "high"),
    [
        (9, 0.717, 0.994),
        (19, 0.774, 0.981),
        (50, 0.826, 0.960),
        (99, 0.847, 0.944),
        (200, 0.864, 0.933),
        (500, 0.877, 0.921),
        (1000, 0.884, 0.915),
    ],
)
def test_the_range_of_a_sets_coverage_is_that_of_the_beta_distribution(
    n: int, low: float, high: float
) -> None:
    """Beta(k, n + 1 - k) at alpha 0.1, 5 to 95 %: the formula of Angelopoulos & Bates 2021, recomputed."""
    assert coverage_interval(n, 0.1) == pytest.approx((low, high), abs=6e-4)


def test_counted_on_few_cases_a_coverage_spreads_more_and_with_too_few_it_is_whole() -> None:
    exact, counted = coverage_interval(99, 0.1), coverage_interval(99, 0.1, n_covered_of=99)
    assert counted[0] < exact[0] < exact[1] < counted[1]
    assert coverage_interval(8, 0.1) == (1.0, 1.0)  # ceil(9 * 0.9) = 9 of 8


def test_split_sets_cover_what_the_theory_says(rng: np.random.Generator) -> None:
    groups = rng.integers(0, 4, 400)
    p = rng.dirichlet(np.ones(4), 400)
    said = split_coverage(p, groups, alpha=0.1, n_splits=300)
    # k / (n + 1) = 181 / 201 in the mean over splits, without ties (Angelopoulos & Bates 2021)
    assert said["mean"] == pytest.approx(181 / 201, abs=0.006)
    assert said["n_calibrated"] == said["n_covered_of"] == 200
    # nine tenths of the splits lie in the range for nine tenths
    assert 0.83 <= said["inside"] <= 0.98
    assert said["expected"][0] <= said["low"] < said["high"] <= said["expected"][1] + 0.01


def test_cases_unlike_those_calibrated_on_fall_out_of_the_range() -> None:
    """A set that always holds the truth of one half and never of the other is inside in no split."""
    groups = np.zeros(200, dtype=int)
    p = np.full((200, 4), 0.25)
    said = split_coverage(p, groups, alpha=0.1)  # all tied: every set covers everything
    assert said["mean"] == 1.0
    assert said["inside"] == 0.0


def test_drawings_are_counted_by_group_and_class() -> None:
    fines = ["leech"] * 10 + ["snail"] * 10
    groups = np.array([0] * 10 + [2] * 10)
    p_fine = np.full((20, len(FINE_NAMES)), 0.1 / (len(FINE_NAMES) - 1))
    for row, fine in zip(p_fine, ["leech"] * 9 + ["snail"] * 11, strict=True):
        row[FINE_NAMES.index(fine)] = 0.9
    said = drawn_figures(p_fine, groups, fines, alpha=0.2, set_threshold=0.5)
    assert (said["all"]["right"], said["all"]["n"]) == (19, 20)
    assert said["group"]["leech-like"]["right"] == 9
    assert list(said["class"]) == ["leech", "snail"]
    claimed = np.mean([0.9] * 9 + [0.9 + 0.1 * 7 / 13] * 11)
    assert said["calibration_error"] == pytest.approx(abs(0.95 - claimed), abs=0.06)
    assert said["covered_by_the_card"]["right"] == 19
