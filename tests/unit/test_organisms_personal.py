"""The personal head: it adds nothing untaught, keeps classes within groups, and is kept whole on disk."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pestvision.errors import ShapeError, StoreError
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import GROUP_INDEX_OF_FINE
from pestvision.organisms.classify import Classifier
from pestvision.organisms.net import SIGNATURE
from pestvision.organisms.personal import (
    SPREADS,
    PersonalHead,
    features_of,
    log_groups,
    nearness,
    read_head,
    write_head,
)
from pestvision.organisms.yardstick import (
    Yardstick,
    load_yardstick,
    read_yardstick,
    write_yardstick,
)

AT_HOME = np.zeros((9, 64), np.float32)


def made_head(rng: np.random.Generator, *, scale: float = 1.0, model: str = "m") -> PersonalHead:
    return PersonalHead(
        weights=(scale * rng.normal(0, 1, (SIGNATURE, 4))).astype(np.float32),
        bias=(scale * rng.normal(0, 1, 4)).astype(np.float32),
        share=1.0 if scale == 0 else 0.8,
        temperature=1.0 if scale == 0 else 1.3,
        set_threshold=None if scale == 0 else 0.75,
        middle=np.zeros(SIGNATURE, np.float32),
        places=rng.normal(0, 1, (6, 64)).astype(np.float32),
        near=np.inf,
        model=model,
    )


def made_read(rng: np.random.Generator, n: int = 9) -> tuple[np.ndarray, np.ndarray]:
    p_fine = softmax(rng.normal(0, 2, (n, 14)))
    return p_fine, np.abs(rng.normal(0, 1, (n, SIGNATURE))).astype(np.float32)


def test_an_untaught_head_says_what_the_shipped_one_says(rng: np.random.Generator) -> None:
    p_fine, signatures = made_read(rng)
    np.testing.assert_allclose(
        made_head(rng, scale=0.0).fine(p_fine, signatures, AT_HOME), p_fine, rtol=1e-6
    )


def test_groups_change_and_classes_within_a_group_keep_their_shares(
    rng: np.random.Generator,
) -> None:
    p_fine, signatures = made_read(rng)
    head = made_head(rng)
    after = head.fine(p_fine, signatures, AT_HOME)
    np.testing.assert_allclose(after.sum(1), 1.0)
    p_groups = softmax(head.group_logits(p_fine, signatures, AT_HOME) / head.temperature)
    np.testing.assert_allclose(group_probabilities(after), p_groups, rtol=1e-9)
    of_fine = np.array(GROUP_INDEX_OF_FINE)
    for group in range(4):
        before, now = p_fine[:, of_fine == group], after[:, of_fine == group]
        np.testing.assert_allclose(
            now / now.sum(1, keepdims=True), before / before.sum(1, keepdims=True), rtol=1e-6
        )
    assert np.abs(after - p_fine).max() > 0.05


def test_a_head_comes_back_from_its_bytes(rng: np.random.Generator) -> None:
    for scale in (0.0, 1.0):
        head = made_head(rng, scale=scale)
        back = read_head(write_head(head), model="m", version=3)
        assert back.version == 3
        assert back.set_threshold == head.set_threshold
        p_fine, signatures = made_read(rng)
        np.testing.assert_array_equal(
            back.fine(p_fine, signatures, AT_HOME), head.fine(p_fine, signatures, AT_HOME)
        )


@pytest.mark.parametrize("data", [b"", b"nonsense" * 50])
def test_a_damaged_head_is_told_with_what_would_do(data: bytes) -> None:
    with pytest.raises(StoreError, match=r"Version 3 .* damaged") as told:
        read_head(data, model="m", version=3)
    assert "album trust" in told.value.advice


def test_a_head_of_wrong_shape_is_refused(rng: np.random.Generator) -> None:
    head = made_head(rng)
    with pytest.raises(ShapeError, match="weights"):
        replace(head, weights=head.weights[:, :3])
    with pytest.raises(ShapeError, match="temperature"):
        replace(head, temperature=0.0)


def test_features_are_evened_centred_and_of_a_common_scale(rng: np.random.Generator) -> None:
    _, signatures = made_read(rng)
    middle = rng.normal(0, 1, SIGNATURE).astype(np.float32)
    found = features_of(signatures, middle)
    # by hand, the last of the embedding: log(x + 0.01) - middle, over its spread and the root of 1872
    expected = (np.log(signatures[:, -1] + 0.01) - middle[-1]) / (SPREADS[-1] * np.sqrt(SIGNATURE))
    np.testing.assert_allclose(found[:, -1], expected, rtol=1e-5)


def test_log_groups_are_of_the_sums_over_classes() -> None:
    p = np.full((1, 14), 1 / 14)
    counts = np.bincount(GROUP_INDEX_OF_FINE, minlength=4)
    np.testing.assert_allclose(np.exp(log_groups(p))[0], counts / 14)


def test_the_shipped_net_wears_a_head_and_takes_it_off(rng: np.random.Generator) -> None:
    classifier = Classifier.load()
    crops = [rng.integers(0, 255, (224, 224, 3), dtype=np.uint8) for _ in range(2)]
    head = replace(made_head(rng, model=classifier.model), middle=classifier.middle)
    worn = classifier.with_head(head)
    plain, personal = classifier.classify(crops), worn.classify(crops)
    assert np.abs(plain[0].p_groups - personal[0].p_groups).max() > 1e-3
    own = classifier.card.rules.set_threshold
    assert worn.card.rules.set_threshold == own  # 0.75 would leave fewer groups possible
    stricter = classifier.with_head(replace(head, set_threshold=0.95))
    assert stricter.card.rules.set_threshold == 0.95
    assert classifier.card.rules.set_threshold == own < 0.95
    off = worn.with_head(None)
    assert off.head is None
    np.testing.assert_array_equal(off.classify(crops)[0].p_fine, plain[0].p_fine)
    assert off.card == classifier.card
    with pytest.raises(ShapeError, match="head"):
        classifier.with_head(replace(head, model="another"))


def test_what_was_labelled_is_no_longer_outside_what_is_known(rng: np.random.Generator) -> None:
    classifier = Classifier.load()
    crops = [rng.integers(0, 255, (224, 224, 3), dtype=np.uint8)]
    places = classifier.places_of(classifier.signatures(crops))
    head = replace(made_head(rng, model=classifier.model), places=places, near=1.0)
    assert classifier.classify(crops)[0].novelty > 1
    assert classifier.with_head(head).classify(crops)[0].novelty < 0.1


def test_the_shipped_yardstick_is_whole_and_told_as_on_its_card() -> None:
    from pestvision.collection.learn import balanced_accuracy

    classifier = Classifier.load()
    yardstick = load_yardstick(classifier)
    assert yardstick is not None
    told = classifier.card.full["yardstick"]
    assert len(yardstick.groups) == told["real"] + told["drawn"]
    found = balanced_accuracy(
        yardstick.groups, log_groups(classifier.p_fine_of(yardstick.signatures))
    )
    assert found == pytest.approx(told["shipped_balanced_accuracy"], abs=2e-3)


def test_a_yardstick_comes_back_from_its_bytes_and_a_damaged_one_is_told(
    rng: np.random.Generator,
) -> None:
    from pestvision.errors import WeightsError

    yardstick = Yardstick(
        rng.normal(0, 1, (5, SIGNATURE)).astype(np.float16).astype(np.float32), np.arange(5) % 4
    )
    back = read_yardstick(write_yardstick(yardstick), name="y")
    np.testing.assert_array_equal(back.signatures, yardstick.signatures)
    np.testing.assert_array_equal(back.groups, yardstick.groups)
    with pytest.raises(WeightsError, match="y does not fit"):
        read_yardstick(b"nonsense", name="y")


def test_a_head_fades_from_the_usual_distance_to_twice_that() -> None:
    labelled = np.zeros((1, 2), np.float32)
    places = np.array([[0, 0], [2, 0], [0, 3], [4, 0], [9, 9]], np.float32)
    # by hand, with a usual distance of 2: 1 up to 2, half at 3, nothing from 4 on
    np.testing.assert_allclose(nearness(places, labelled, 2.0), [1, 1, 0.5, 0, 0], atol=1e-6)
    np.testing.assert_array_equal(nearness(places, labelled, np.inf), np.ones(5))
    np.testing.assert_array_equal(nearness(places, labelled, 0.0), [1, 0, 0, 0, 0])


def test_far_from_every_label_the_head_has_no_say(rng: np.random.Generator) -> None:
    p_fine, signatures = made_read(rng)
    head = replace(made_head(rng), near=1.0, temperature=1.0)
    far = np.full((9, 64), 50, np.float32)
    np.testing.assert_allclose(head.fine(p_fine, signatures, far), p_fine, rtol=1e-6)
