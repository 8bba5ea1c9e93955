"""The shipped weights: they give the stored answers, and their card says what the design asks."""

from __future__ import annotations

import dataclasses
import hashlib
import json

import numpy as np
import pytest
from regenerate import STORED, sample_crops

from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import FINE_NAMES, GROUPS
from pestvision.organisms.classify import Classifier
from pestvision.organisms.weights import WEIGHTS_NAME, find_models, load_card

MAX_WEIGHTS_BYTES = 20_000_000
LOGITS_REL = 1e-3
LOGITS_ABS = (
    2e-2  # JPEG decoders of two builds may differ by a grey level, which moves a logit this much
)


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    return Classifier.load()


def test_the_logits_on_the_sample_crops_are_the_stored_ones(classifier: Classifier) -> None:
    stored = np.load(STORED)
    names, _, crops = sample_crops()
    assert stored["names"].tolist() == names
    np.testing.assert_allclose(
        classifier.logits(crops), stored["logits"], rtol=LOGITS_REL, atol=LOGITS_ABS
    )


def test_the_command_without_options_is_the_recipe_of_the_shipped_weights() -> None:
    from training.train import Recipe

    told = load_card(find_models()).full["training"]["recipe"]
    assert told == json.loads(json.dumps(dataclasses.asdict(Recipe())))


def test_most_marked_sample_objects_get_their_group(classifier: Classifier) -> None:
    """Drawn pictures: a guard, not a figure."""
    _, groups, crops = sample_crops()
    p = group_probabilities(softmax(classifier.logits(crops).astype(np.float64)))
    right = [str(GROUPS[row.argmax()]) == group for row, group in zip(p, groups, strict=True)]
    assert sum(right) >= 0.75 * len(right)


def test_a_crop_scored_alone_and_among_others_scores_the_same(classifier: Classifier) -> None:
    _, _, crops = sample_crops()
    together = classifier.logits(crops)
    alone = np.concatenate([classifier.logits([crop]) for crop in crops])
    np.testing.assert_allclose(alone, together, rtol=1e-3, atol=1e-4)


def test_the_card_says_what_a_card_must() -> None:
    folder = find_models()
    card = load_card(folder).full
    data = (folder / WEIGHTS_NAME).read_bytes()
    assert len(data) <= MAX_WEIGHTS_BYTES
    assert card["weights"]["sha256"] == hashlib.sha256(data).hexdigest()
    assert tuple(card["classes"]) == FINE_NAMES
    assert list(card["groups"]) == [str(group) for group in GROUPS]
    assert set(card["input"]) == {"size_px", "mean", "std", "colour"}
    assert isinstance(card["training"]["recipe"]["seed"], int)
    assert card["commit"] not in {"", "unknown"}
    assert card["licence"]
    assert card["limits"]
    boxed = card["training"]["data"]["boxed"]
    assert boxed["photos"] > 0
    licences = {name for row in boxed["crops_by_group_and_licence"].values() for name in row}
    assert licences == {"open", "unstated"}
    assert {"balanced_accuracy", "calibration_error", "groups", "drawn_unseen"} <= set(
        card["figures"]
    )
    for row in card["figures"]["groups"].values():
        assert row["wilson_95"][0] <= row["right"] / row["n"] <= row["wilson_95"][1]
