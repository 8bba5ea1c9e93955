"""The weights that rank boxes: what ships is whole, what is damaged is said, and the sum is a sum."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from pestvision.errors import ShapeError, WeightsError
from pestvision.organisms.box_features import FEATURES
from pestvision.organisms.proposal_weights import (
    WEIGHTS_FILE,
    ProposalWeights,
    load_proposal_weights,
    score_boxes,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pestvision.arrays import F64

LIFE = FEATURES.index("life_inside_fine")
FILL = FEATURES.index("fill")


def two_trees() -> ProposalWeights:
    """Ask for life over 0.5, then for fill over 0.25 on either side; then for life over 0.9 alone."""
    return ProposalWeights(
        start=-1.0,
        question=np.array([[LIFE, FILL, FILL], [LIFE, 0, 0]], np.intp),
        threshold=np.array([[0.5, 0.25, 0.25], [0.9, 0.0, 0.0]]),
        answer=np.array([[0.0, 1.0, 2.0, 4.0], [0.0, 0.0, 8.0, 8.0]]),
    )


def boxes_with(*rows: tuple[float, float]) -> F64:
    values = np.zeros((len(rows), len(FEATURES)))
    values[:, [LIFE, FILL]] = np.reshape(rows, (-1, 2))
    return values


def test_a_score_is_the_start_and_the_answer_of_each_tree() -> None:
    values = boxes_with((0.1, 0.1), (0.1, 0.6), (0.7, 0.1), (0.7, 0.6), (0.95, 0.6), (0.5, 0.25))
    # a value on a threshold is not above it
    assert score_boxes(values, two_trees()).tolist() == [-1.0, 0.0, 1.0, 3.0, 11.0, -1.0]


def test_no_box_has_no_score() -> None:
    assert score_boxes(boxes_with(), two_trees()).shape == (0,)
    assert score_boxes(np.zeros((0, len(FEATURES))), load_proposal_weights()).shape == (0,)


def test_the_order_of_boxes_changes_no_score(rng: np.random.Generator) -> None:
    values = rng.normal(size=(200, len(FEATURES)))
    order = rng.permutation(200)
    weights = load_proposal_weights()
    scores = score_boxes(values, weights)
    assert len(set(scores.tolist())) > 10
    np.testing.assert_array_equal(score_boxes(values[order], weights), scores[order])


def test_the_shipped_weights_are_small_plain_numbers_of_the_features_measured() -> None:
    assert WEIGHTS_FILE.stat().st_size < 200_000
    table = json.loads(WEIGHTS_FILE.read_text(encoding="utf-8"))
    assert table["features"] == list(FEATURES)
    assert "photos" in table["origin"]
    weights = load_proposal_weights()
    n_trees = len(table["answer"])
    assert n_trees >= 50
    assert weights.answer.shape == (n_trees, 8)
    assert weights.question.shape == weights.threshold.shape == (n_trees, 7)
    assert weights.question.max() < len(FEATURES)
    asked = {FEATURES[index] for index in weights.question.ravel()}
    assert {"life_inside_fine", "score"} <= asked  # both cues speak


DAMAGES: dict[str, Callable[[dict[str, Any]], object]] = {
    "no features": lambda table: table.pop("features"),
    "no start": lambda table: table.pop("start"),
    "no answers": lambda table: table.pop("answer"),
    "features of another version": lambda table: table.update(features=list(FEATURES[:-1])),
    "a word for a number": lambda table: table.update(start="much"),
    "a start that is no number": lambda table: table.update(start=float("nan")),
    "a ragged row": lambda table: table["threshold"][0].append(0.0),
    "a tree too few": lambda table: table["threshold"].pop(),
    "answers of no tree": lambda table: table.update(answer=[]),
    "a feature too high": lambda table: table["question"][0].__setitem__(0, len(FEATURES)),
    "a feature below 0": lambda table: table["question"][0].__setitem__(0, -1),
    "a threshold without end": lambda table: table["threshold"][0].__setitem__(0, float("inf")),
    "an answer left out": lambda table: table["answer"][0].__setitem__(0, None),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_damaged_weights_are_answered_with_what_would_do(damage: str, tmp_path: Path) -> None:
    table = json.loads(WEIGHTS_FILE.read_text(encoding="utf-8"))
    DAMAGES[damage](table)
    path = tmp_path / "weights.json"
    path.write_text(json.dumps(table), encoding="utf-8")
    with pytest.raises(WeightsError, match=r"weights\.json cannot be used") as caught:
        load_proposal_weights(path)
    assert "Install pestvision again" in caught.value.advice


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"\xff\xfe", b"null", None])
def test_a_file_that_is_none_of_ours_or_missing_is_answered_too(
    content: bytes | None, tmp_path: Path
) -> None:
    path = tmp_path / "weights.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(WeightsError, match="cannot be used"):
        load_proposal_weights(path)


def test_trees_that_are_not_complete_are_refused() -> None:
    with pytest.raises(ShapeError, match="proposal weights"):
        ProposalWeights(0.0, np.zeros((2, 6), np.intp), np.zeros((2, 6)), np.zeros((2, 7)))
