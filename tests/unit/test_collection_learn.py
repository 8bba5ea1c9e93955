"""Fitting a personal head: few labels leave it at the shipped one, many carry it away from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pestvision.collection import learn
from pestvision.collection.learn import (
    Taught,
    ask_unseen,
    balanced_accuracy,
    balanced_likelihood,
    doubt_of_labels,
    fit,
    gain_interval,
    parts_of,
)
from pestvision.organisms.calibrate import softmax

N_FEATURES = 40


def made(
    n: int,
    *,
    signal: float,
    shipped_right: float,
    seed: int = 0,
    units: int | None = None,
    spread: bool = False,
) -> Taught:
    """Crops of four groups; features that tell them by `signal`, and a shipped head that is right so often."""
    rng = np.random.default_rng(seed)
    groups = rng.integers(0, 4, n)
    directions = np.random.default_rng(5).normal(0, 1, (4, N_FEATURES))
    features = signal * directions[groups] + rng.normal(0, 1, (n, N_FEATURES))
    said = np.where(rng.random(n) < shipped_right, groups, rng.integers(0, 4, n))
    log_p = np.log(softmax(2.0 * np.eye(4)[said]))
    own_units = np.arange(n) if units is None else rng.integers(0, units, n)
    places = rng.normal(0, 1, (n, 3)).astype(np.float32)
    near_all = np.zeros_like(places)  # all at one place: the head has its whole say
    features = features.astype(np.float32) / np.sqrt(N_FEATURES)
    return Taught(features, log_p, groups, own_units, places if spread else near_all)


def test_with_a_strong_pull_the_head_is_the_shipped_one() -> None:
    taught = made(60, signal=1.0, shipped_right=0.6)
    logits = fit(taught, pull=1e9, share_pull=1e9).logits(taught)
    np.testing.assert_allclose(softmax(logits), softmax(taught.log_p), atol=1e-5)


@pytest.mark.parametrize("n", [30, 39, 40, 41, 200])
def test_fewer_and_more_crops_than_features_give_the_best_of_the_same_loss(n: int) -> None:
    taught = made(n, signal=0.7, shipped_right=0.6)
    fitted = fit(taught, pull=0.5, share_pull=3.0)
    logits = fitted.logits(taught)
    weigh = 1.0 / np.bincount(taught.groups, minlength=4)[taught.groups]
    weigh *= n / weigh.sum()
    off = (softmax(logits) - np.eye(4)[taught.groups]) * weigh[:, None]
    # at the best place the slope of the loss is zero
    slope = taught.features.astype(np.float64).T @ off + 0.5 * fitted.weights
    assert np.abs(slope).max() < 2e-2
    assert np.abs(off.sum(0) + 0.5 * fitted.bias).max() < 2e-2
    share = (off * taught.log_p).sum() + 3.0 * (fitted.share - 1)
    assert abs(share) < 5e-2


def test_a_group_without_labels_keeps_what_the_shipped_head_says_of_it() -> None:
    taught = made(120, signal=1.0, shipped_right=0.7)
    known = taught.some(np.flatnonzero(taught.groups != 2))
    fitted = fit(known)
    assert np.abs(fitted.weights[:, 2]).max() == 0
    assert fitted.bias[2] == 0
    assert np.abs(fitted.weights[:, 0]).max() > 0


def test_a_signal_is_learned_and_noise_is_not() -> None:
    for signal, least, most in ((1.5, 0.15, 1.0), (0.0, -0.2, 0.05)):
        taught = made(240, signal=signal, shipped_right=0.6)
        fresh = made(800, signal=signal, shipped_right=0.6, seed=1)
        unseen = ask_unseen(taught)
        fitted = fit(taught, pull=unseen.pull)
        gain = balanced_accuracy(fresh.groups, fitted.logits(fresh)) - balanced_accuracy(
            fresh.groups, fresh.log_p
        )
        assert least <= gain <= most


def test_a_unit_is_never_on_both_sides() -> None:
    taught = made(100, signal=1.0, shipped_right=0.6, units=17)
    asked = np.zeros(100, int)
    for known, ask in parts_of(taught):
        assert not set(taught.units[known]) & set(taught.units[ask])
        asked[ask] += 1
    assert (asked == 1).all()


def test_crops_of_one_unit_alone_are_answered_as_shipped() -> None:
    taught = made(20, signal=1.0, shipped_right=0.6, units=1)
    np.testing.assert_array_equal(ask_unseen(taught).logits, taught.log_p)


def test_of_many_labels_one_pull_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learn, "CHOSEN_UP_TO", 50)
    assert ask_unseen(made(60, signal=1.0, shipped_right=0.6)).pull == learn.USUAL_PULL


def test_the_gain_of_a_better_head_lies_over_zero_and_of_the_same_head_is_zero() -> None:
    taught = made(160, signal=1.5, shipped_right=0.6)
    better = np.log(softmax(3.0 * np.eye(4)[taught.groups]))
    low, high = gain_interval(taught, better, balanced_likelihood)
    assert 0 < low <= high
    assert gain_interval(taught, taught.log_p, balanced_accuracy) == (0.0, 0.0)


def test_balanced_accuracy_is_that_of_scikit_learn() -> None:
    from sklearn.metrics import balanced_accuracy_score

    rng = np.random.default_rng(3)
    for n_groups in (2, 3, 4):
        groups = rng.integers(0, n_groups, 70)
        logits = rng.normal(0, 1, (70, 4))
        logits[:, n_groups:] = -9
        expected = balanced_accuracy_score(groups, logits.argmax(1))
        assert balanced_accuracy(groups, logits) == pytest.approx(expected)


def test_weights_count_as_repeated_crops() -> None:
    rng = np.random.default_rng(4)
    groups, logits = rng.integers(0, 4, 40), rng.normal(0, 1, (40, 4))
    times = rng.integers(0, 3, 40)
    index = np.repeat(np.arange(40), times)
    for measure in (balanced_accuracy, balanced_likelihood):
        assert measure(groups, logits, times.astype(float)) == pytest.approx(
            measure(groups[index], logits[index])
        )


def test_a_label_is_doubted_by_how_far_another_group_is_ahead() -> None:
    # by hand: p = (.7, .1, .1, .1) labelled 0 and labelled 1
    logits = np.log(np.array([[0.7, 0.1, 0.1, 0.1], [0.7, 0.1, 0.1, 0.1]]))
    np.testing.assert_allclose(doubt_of_labels(np.array([0, 1]), logits), [-0.6, 0.6], atol=1e-9)


def test_wrong_labels_are_the_most_doubted() -> None:
    taught = made(200, signal=1.2, shipped_right=0.8)
    rng = np.random.default_rng(0)
    wrong = rng.permutation(200)[:20]
    groups = taught.groups.copy()
    groups[wrong] = (groups[wrong] + 1) % 4
    given = replace(taught, groups=groups)
    shown = np.argsort(-doubt_of_labels(groups, ask_unseen(given).logits))[:40]
    assert np.isin(wrong, shown).mean() >= 0.8


def test_far_from_what_was_labelled_the_shipped_head_is_asked_alone() -> None:
    taught = made(80, signal=1.5, shipped_right=0.6, spread=True)
    fitted = fit(taught)
    fresh = made(40, signal=1.5, shipped_right=0.6, seed=1, spread=True)
    near, far = replace(fresh, places=taught.places[:40]), replace(fresh, places=fresh.places + 99)
    np.testing.assert_array_equal(fitted.logits(far), fresh.log_p)
    assert np.abs(fitted.logits(near) - fresh.log_p).max() > 0.5


def test_the_usual_distance_is_to_the_next_crop_of_another_unit() -> None:
    # by hand: on a line at 0, 0 (one photo), 3 and 7: to another photo 3, 3, 3 and 4
    taught = made(4, signal=1.0, shipped_right=0.6)
    places = np.array([[0.0], [0.0], [3.0], [7.0]], np.float32)
    own = replace(taught, places=places, units=np.array([1, 1, 2, 3]))
    assert own.near() == pytest.approx(3.0)
    assert replace(own, units=np.zeros(4, np.int64)).near() == np.inf
