"""The heat that is shown with an answer lies on the animal, wherever in the crop it is."""

from __future__ import annotations

import numpy as np
import pytest

from pestvision.errors import ShapeError
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import Group
from pestvision.organisms.classify import Classifier
from pestvision.organisms.crops import cut_crop
from training.heat_score import draw_masked, score_heat

N_EACH = 2

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    return Classifier.load()


@pytest.mark.parametrize(
    ("aside", "times_area", "beats"),
    [(False, 2.0, 0.85), (True, 1.6, 0.65)],  # measured: 3.0 and 0.98; 2.2 and 0.79
    ids=["in the middle", "towards a corner"],
)
def test_most_of_the_heat_lies_on_the_drawn_animal(
    classifier: Classifier, aside: bool, times_area: float, beats: float
) -> None:
    """With more of each class: training/README.md. Here two, so the bounds are wider."""
    told = score_heat(classifier, draw_masked(N_EACH, aside=aside))
    assert told.n == 28
    assert told.inside >= times_area * told.area
    assert told.inside >= told.of_another + 0.1
    assert told.n_beats_area >= beats * told.n
    if aside:
        assert told.inside >= told.turned + 0.2  # the corner opposite the animal


def test_heat_asked_for_another_group_is_another_heat(classifier: Classifier) -> None:
    crop = draw_masked(1, aside=False)[0].crop
    leech, nothing = classifier.heat_maps([crop, crop], [Group.LEECH_LIKE, Group.NOT_AN_ORGANISM])
    assert leech.shape == nothing.shape == (14, 14)
    assert leech.min() >= 0
    assert np.corrcoef(leech.ravel(), nothing.ravel())[0, 1] < 0.5


def test_a_flat_crop_says_little_anywhere(classifier: Classifier) -> None:
    flat = np.full((224, 224, 3), 128, np.uint8)
    drawn = draw_masked(1, aside=False)[0].crop
    (nothing, animal) = classifier.heat_maps([flat, drawn], [Group.LEECH_LIKE] * 2)
    assert nothing.max() < 0.3 * animal.max()


def test_the_heat_of_a_crop_of_any_side_is_of_the_same_places(classifier: Classifier) -> None:
    item = draw_masked(1, aside=False)[2]
    small = cut_crop(item.crop, (0.0, 0.0, 224.0, 224.0), size_px=128, grow=0.0)
    one, other = classifier.heat_maps([item.crop, small], [Group.HARMLESS] * 2)
    assert np.corrcoef(one.ravel(), other.ravel())[0, 1] > 0.6


def test_a_crop_that_is_no_square_is_refused(classifier: Classifier) -> None:
    with pytest.raises(ShapeError, match="crop"):
        classifier.heat_maps([np.zeros((20, 30, 3), np.uint8)], [Group.HARMLESS])


def test_the_shipped_net_refuses_noise_and_knows_its_own_drawings(classifier: Classifier) -> None:
    """Shares are in the card; here that the file works as it was measured."""
    rng = np.random.default_rng(1)
    noise = [rng.integers(0, 256, (224, 224, 3), np.uint8) for _ in range(4)]
    assert min(scores.novelty for scores in classifier.classify(noise)) > 1
    drawn = [item.crop for item in draw_masked(1, aside=False)]
    known = [scores.novelty <= 1 for scores in classifier.classify(drawn)]
    assert sum(known) >= 12


def test_scores_come_with_one_pass_from_the_signature(classifier: Classifier) -> None:
    crops = [item.crop for item in draw_masked(1, aside=False)[:2]]
    p = softmax(classifier.logits(crops).astype(np.float64) / classifier.card.temperature)
    for scores, row in zip(classifier.classify(crops), group_probabilities(p), strict=True):
        np.testing.assert_allclose(scores.p_groups, row, atol=1e-5)
