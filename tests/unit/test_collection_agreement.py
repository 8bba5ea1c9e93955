"""Agreement: what cannot be told is a value with a reason, and gaps are passed over."""

from __future__ import annotations

import pytest

from pestvision.collection.agreement import (
    NO_VARIATION,
    TOO_FEW,
    TOO_FEW_PAIRED,
    Agreement,
    Reliability,
    cohen_kappa,
    krippendorff_alpha,
)


@pytest.mark.parametrize(
    ("first", "second", "n_units"),
    [
        ([], [], 0),
        (["leech"], ["leech"], 1),
        (["leech", None, "snail"], ["leech", "snail", None], 1),
    ],
)
def test_kappa_of_fewer_than_two_common_units_is_not_told(
    first: list[str | None], second: list[str | None], n_units: int
) -> None:
    found = cohen_kappa(first, second)
    assert (found.kappa, found.standard_error, found.interval) == (None, None, None)
    assert (found.n_units, found.reason) == (n_units, TOO_FEW)


def test_kappa_without_variation_is_not_told() -> None:
    found = cohen_kappa(["leech"] * 5, ["leech"] * 5)
    assert (found.kappa, found.reason) == (None, NO_VARIATION)
    assert (found.observed, found.expected, found.n_units) == (1.0, 1.0, 5)


def test_kappa_of_one_who_always_says_the_same_is_nought() -> None:
    found = cohen_kappa(["leech"] * 4, ["leech", "leech", "snail", "snail"])
    assert found.kappa == 0
    assert found.reason == ""
    assert (found.observed, found.expected) == (0.5, 0.5)


def test_full_agreement_has_no_interval() -> None:
    found = cohen_kappa(["a", "b", "c", "a"], ["a", "b", "c", "a"])
    assert found.kappa == pytest.approx(1)
    assert (found.standard_error, found.interval) == (0, None)


def test_full_disagreement_is_below_nought() -> None:
    found = cohen_kappa(["a", "b", "a", "b"], ["b", "a", "b", "a"])
    assert found.kappa == pytest.approx(-1)


def test_units_that_only_one_labelled_do_not_count() -> None:
    first = ["a", "b", "a", "a", None, "b", None]
    second = ["a", "b", "b", "a", "b", None, None]
    assert cohen_kappa(first, second) == cohen_kappa(["a", "b", "a", "a"], ["a", "b", "b", "a"])


def test_the_order_of_units_and_of_the_two_changes_nothing() -> None:
    first, second = list("aabbccab"), list("abbbccaa")
    found = cohen_kappa(first, second)
    assert cohen_kappa(second, first).kappa == pytest.approx(found.kappa)
    assert cohen_kappa(second, first).standard_error == pytest.approx(found.standard_error)
    assert cohen_kappa(first[::-1], second[::-1]).kappa == pytest.approx(found.kappa)


def test_rows_of_different_length_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="zip"):
        cohen_kappa(["a"], ["a", "b"])
    with pytest.raises(ValueError, match="zip"):
        krippendorff_alpha([["a", "b"], ["a"]])


@pytest.mark.parametrize("ratings", [[], [["a", "b"]], [["a", None], ["a", "b"]], [[], []]])
def test_alpha_of_fewer_than_two_paired_units_is_not_told(ratings: list[list[str]]) -> None:
    found = krippendorff_alpha(ratings)
    assert (found.alpha, found.reason) == (None, TOO_FEW_PAIRED)
    assert found.observed is None


@pytest.mark.parametrize("level", ["nominal", "ordinal", "interval"])
def test_alpha_without_variation_is_not_told(level: str) -> None:
    found = krippendorff_alpha([[3, 3, 3], [3, None, 3]], level=level)
    assert (found.alpha, found.reason, found.n_units) == (None, NO_VARIATION, 2)
    assert (found.observed, found.expected, found.n_labels) == (0, 0, 4)


@pytest.mark.parametrize("level", ["nominal", "ordinal", "interval"])
def test_alpha_of_full_agreement_is_one(level: str) -> None:
    found = krippendorff_alpha([[1, 2, 3, None], [1, 2, 3, 4], [1, 2, None, None]], level=level)
    assert found.alpha == 1
    assert (found.n_units, found.n_labels) == (3, 8)


def test_alpha_takes_words_as_nominal_labels_and_no_others() -> None:
    ratings = [["leech", "snail", "leech"], ["leech", "snail", "snail"]]
    assert krippendorff_alpha(ratings).alpha == krippendorff_alpha([[1, 2, 1], [1, 2, 2]]).alpha
    with pytest.raises(ValueError, match="no finite number"):
        krippendorff_alpha(ratings, level="interval")
    with pytest.raises(ValueError, match="no finite number"):
        krippendorff_alpha([[1.0, 2.0], [float("nan"), 2.0]], level="ordinal")
    with pytest.raises(ValueError, match="none of nominal"):
        krippendorff_alpha(ratings, level="ratio")


def test_ordinal_looks_at_the_order_alone_and_interval_at_the_distance() -> None:
    near, far = [[1, 2, 3, 4], [1, 2, 4, 4]], [[1, 2, 30, 400], [1, 2, 400, 400]]
    ordinal = [krippendorff_alpha(rows, level="ordinal").alpha for rows in (near, far)]
    interval = [krippendorff_alpha(rows, level="interval").alpha for rows in (near, far)]
    assert ordinal[0] == pytest.approx(ordinal[1])
    assert interval[0] != pytest.approx(interval[1])


def test_a_result_has_a_value_or_a_reason() -> None:
    with pytest.raises(ValueError, match="a value or a reason"):
        Agreement(None, None, None, 0, None, None)
    with pytest.raises(ValueError, match="a value or a reason"):
        Reliability(0.5, "nominal", 2, 4, 0.1, 0.2, "why")
