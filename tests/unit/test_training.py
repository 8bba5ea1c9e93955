"""Training's pure parts, and one pass through every line of a run on a dozen drawings."""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
import torch
from PIL import Image
from sklearn.metrics import balanced_accuracy_score, roc_auc_score

from pestvision.organisms.classes import FINE_NAMES, GROUPS
from pestvision.organisms.classify import Classifier
from training import train
from training.augment import augment
from training.data import (
    CANVAS_PX,
    Example,
    GroundPhoto,
    draw_examples,
    fold_of_source,
    load_boxed,
)
from training.figures import auc, balanced_accuracy, found_at_false_rate, source_weights
from training.train import (
    Parts,
    Pool,
    Recipe,
    batch_sizes,
    fit,
    hold_first_stages,
    lower,
    mean_net,
    mix_styles,
    partial_losses,
    sampling_weights,
    schedule,
    start_net,
    upper,
)

if TYPE_CHECKING:
    from pathlib import Path

RECIPE = Recipe()


@pytest.fixture(scope="module")
def drawn() -> list[Example]:
    return draw_examples(1, seed=11)


def test_one_allowed_class_gives_plain_cross_entropy() -> None:
    logits = torch.randn(5, len(FINE_NAMES), generator=torch.Generator().manual_seed(0))
    target = torch.tensor([0, 3, 5, 13, 1])
    allowed = torch.nn.functional.one_hot(target, len(FINE_NAMES)).bool()
    losses = partial_losses(logits, allowed, smoothing=0.0)
    plain = torch.nn.functional.cross_entropy(logits, target, reduction="none")
    assert torch.allclose(losses, plain)


def test_everything_allowed_costs_nothing_and_less_allowed_costs_more() -> None:
    logits = torch.randn(4, len(FINE_NAMES), generator=torch.Generator().manual_seed(1))
    everything = torch.ones(4, len(FINE_NAMES), dtype=torch.bool)
    half = everything.clone()
    half[:, ::2] = False
    assert float(partial_losses(logits, everything, 0.0).abs().max()) < 1e-6
    assert float(partial_losses(logits, half, 0.0).min()) > 0.1


def test_the_rate_climbs_then_falls_to_nothing() -> None:
    factors = [schedule(step, RECIPE) for step in range(RECIPE.steps + 1)]
    assert max(factors) == pytest.approx(1.0)
    assert factors[: RECIPE.warm_up] == sorted(factors[: RECIPE.warm_up])
    assert factors[RECIPE.warm_up :] == sorted(factors[RECIPE.warm_up :], reverse=True)
    assert factors[-1] == pytest.approx(0.0)


@pytest.mark.parametrize(("ground", "drawings"), [(True, True), (False, True), (False, False)])
def test_a_batch_is_always_full(ground: bool, drawings: bool) -> None:
    sizes = batch_sizes(RECIPE, has_ground=ground, has_drawn=drawings)
    assert sum(sizes) == RECIPE.batch
    assert len(sizes) == 1 + ground + drawings


def test_groups_weigh_the_same_however_many_examples_they_have(drawn: list[Example]) -> None:
    weights = sampling_weights(drawn)
    groups = np.array([item.group for item in drawn])
    shares = [weights[groups == group].sum() for group in set(groups.tolist())]
    assert np.allclose(shares, 1 / len(shares), atol=1e-5)


def test_a_source_is_never_split_and_every_fold_has_every_group(real_photos: Path) -> None:
    examples = load_boxed(real_photos)
    folds = fold_of_source(examples)
    assert set(folds) == {item.source for item in examples}
    for fold in range(5):
        inside = {item.group for item in examples if folds[item.source] == fold}
        assert inside == set(range(len(GROUPS)))


def test_augmentation_keeps_shape_and_range_and_repeats_with_its_seed() -> None:
    canvases = torch.randint(
        0, 256, (6, 3, CANVAS_PX, CANVAS_PX), generator=torch.Generator().manual_seed(2)
    ).to(torch.uint8)
    one = augment(canvases, torch.Generator().manual_seed(3))
    again = augment(canvases, torch.Generator().manual_seed(3))
    other = augment(canvases, torch.Generator().manual_seed(4))
    assert one.shape == (6, 3, 224, 224)
    assert float(one.min()) >= -127 / 128 - 1e-6
    assert float(one.max()) <= 1.0 + 1e-6
    assert torch.equal(one, again)
    assert not torch.equal(one, other)


def test_figures_agree_with_scikit_learn(rng: np.random.Generator) -> None:
    """Reference: sklearn.metrics.balanced_accuracy_score and roc_auc_score."""
    p = rng.dirichlet(np.ones(4), 200)
    groups = rng.integers(0, 4, 200)
    flat = np.ones(200)
    assert balanced_accuracy(p, groups, flat) == pytest.approx(
        balanced_accuracy_score(groups, p.argmax(1))
    )
    assert auc(p[:, 0], groups == 0, flat) == pytest.approx(roc_auc_score(groups == 0, p[:, 0]))


def test_what_is_found_at_a_false_rate_agrees_with_counting(rng: np.random.Generator) -> None:
    scores, is_it = rng.random(300), rng.random(300) < 0.3
    found, threshold = found_at_false_rate(scores, is_it, np.ones(300), 0.05)
    assert (scores[~is_it] > threshold).mean() <= 0.05
    assert found == pytest.approx((scores[is_it] > threshold).mean())
    best = max((scores[is_it] > t).mean() for t in scores if (scores[~is_it] > t).mean() <= 0.05)
    assert found == pytest.approx(best)


def test_sources_weigh_the_same_within_a_group() -> None:
    weights = source_weights(["a", "a", "a", "b", "c"], np.array([0, 0, 0, 0, 1]))
    assert weights.tolist() == pytest.approx([1 / 6, 1 / 6, 1 / 6, 1 / 2, 1.0])


def test_the_mean_net_lies_midway_and_keeps_what_is_alike() -> None:
    nets = [start_net(Recipe(seed=seed), None) for seed in (1, 2)]
    mean = mean_net(nets)
    one, two, both = (net.state_dict()["classifier.weight"] for net in (*nets, mean))
    assert torch.allclose(both, (one + two) / 2)
    assert not torch.allclose(both, one)
    nearer = mean_net(nets, [1, 3]).state_dict()["classifier.weight"]
    assert torch.allclose(nearer, one / 4 + 3 * two / 4)
    same = mean_net([nets[0], nets[0]]).state_dict()
    assert all(torch.equal(value, same[name]) for name, value in nets[0].state_dict().items())


def test_a_held_stage_does_not_learn_and_the_rest_does() -> None:
    net = start_net(RECIPE, None)
    hold_first_stages(net, 2)
    held = {name for name, p in net.named_parameters() if not p.requires_grad}
    every = {name for name, _ in net.named_parameters()}
    wanted = ("conv_stem.", "bn1.", "blocks.0.", "blocks.1.")
    assert held == {name for name in every if name.startswith(wanted)}
    assert len(held) < len(every)


@pytest.mark.parametrize("stages", [0, 3, 7])
def test_a_net_passed_in_two_parts_says_the_same(stages: int) -> None:
    net = start_net(RECIPE, None).eval()
    x = torch.randn(2, 3, 64, 64, generator=torch.Generator().manual_seed(0))
    with torch.inference_mode():
        whole, parts = net(x), upper(net, lower(net, x, stages), stages)
    assert torch.allclose(whole, parts, atol=1e-5)


def test_mixed_styles_keep_the_pattern_and_lie_between_those_of_the_batch() -> None:
    generator = torch.Generator().manual_seed(0)
    x = torch.randn(6, 5, 8, 8, generator=generator) * 3 + torch.arange(6).view(6, 1, 1, 1)
    mixed = mix_styles(x, generator)
    flat, flat_mixed = x.flatten(2), mixed.flatten(2)
    for one, two in zip(flat.flatten(0, 1), flat_mixed.flatten(0, 1), strict=True):
        assert float(torch.corrcoef(torch.stack([one, two]))[0, 1]) > 0.999
    means = flat_mixed.mean(2)
    assert not torch.allclose(means, flat.mean(2))
    assert bool((means.amin(0) >= flat.mean(2).amin(0) - 1e-4).all())
    assert bool((means.amax(0) <= flat.mean(2).amax(0) + 1e-4).all())


def as_photographs(drawn: list[Example]) -> list[Example]:
    """Examples of five photographers."""
    return [
        dataclasses.replace(item, source=f"s{rank % 5}", licence="open", file=f"{rank}.jpg")
        for rank, item in enumerate(drawn)
    ]


def test_what_is_laid_on_another_ground_is_hidden_from_the_folds_of_both(
    drawn: list[Example],
) -> None:
    whole = np.full((CANVAS_PX, CANVAS_PX), 255, np.uint8)
    animals = [dataclasses.replace(item, opacity=whole) for item in as_photographs(drawn)]
    grounds = [dataclasses.replace(item, source="g") for item in drawn[:1]]
    folds = {f"s{fold}": fold for fold in range(5)} | {"g": 7}
    pool, behind = Pool(animals, folds, "cpu"), Pool(grounds, folds, "cpu")
    draw = pool.draw(64, torch.Generator().manual_seed(0), grounds=behind, paste=0.5)
    laid = draw.folds[:, 1] == 7
    assert 10 < int(laid.sum()) < 54
    assert bool((draw.folds[~laid, 0] == draw.folds[~laid, 1]).all())
    assert set(draw.folds[:, 0].tolist()) == set(range(5))


def test_a_net_never_learns_from_its_own_fold(drawn: list[Example]) -> None:
    """All examples are fold 0's: its net must not move but by its weight decay, the others learn."""
    own = [dataclasses.replace(item, source="s0") for item in drawn[:4]]
    recipe = Recipe(steps=2, batch=4, share_drawn=0, share_ground=0, paste=0, dropout=0, average=0)
    recipe = dataclasses.replace(recipe, warm_up=1, weight_decay=0, held_stages=6)
    start = start_net(recipe, None)
    folds = {"s0": 0, "s1": 1}
    parts = Parts(real=own, ground=[], drawn=[], held_out=[])
    blind, seeing = fit(recipe, parts, folds, device="cpu", start=start)
    before = start.state_dict()["classifier.weight"]
    assert torch.equal(blind.state_dict()["classifier.weight"], before)
    assert not torch.equal(seeing.state_dict()["classifier.weight"], before)


def test_a_drawing_on_a_photograph_has_its_source(tmp_path: Path) -> None:
    path = tmp_path / "weed.png"
    Image.fromarray(np.full((90, 120, 3), (20, 200, 20), np.uint8)).save(path)
    grounds = [GroundPhoto(path, "s1")]
    drawn = draw_examples(1, seed=3, grounds=grounds)
    sources = {item.source for item in drawn}
    assert sources == {"s1", "drawn"}  # some of the 14 on the photograph, not all
    on_photo = next(item for item in drawn if item.source == "s1")
    assert item_green(on_photo) > 0


def item_green(item: Example) -> float:
    """How much greener than red a canvas is."""
    return float(item.canvas[..., 1].mean()) - float(item.canvas[..., 0].mean())


@pytest.mark.slow
def test_a_quick_run_leaves_weights_that_the_tool_accepts(
    tmp_path: Path, drawn: list[Example], monkeypatch: pytest.MonkeyPatch
) -> None:
    def as_real(_folder: object) -> list[Example]:
        return as_photographs(drawn)

    monkeypatch.setattr(train, "photos_folder", lambda: tmp_path)
    monkeypatch.setattr(train, "load_boxed", lambda folder, **_options: as_real(folder))
    monkeypatch.setattr(train, "ground_photos", lambda _folder: [])
    monkeypatch.setattr(train, "load_nothing", lambda *_args, **_options: as_real(None)[:3])
    monkeypatch.setattr(train, "draw_once", lambda *_args, **_options: drawn)
    monkeypatch.setattr(train, "base_weights", lambda: None)
    train.main(
        ["--quick", "--device", "cpu", "--out", str(tmp_path / "m"), "--runs", str(tmp_path / "r")]
    )
    classifier = Classifier.load(tmp_path / "m")
    (scores,) = classifier.classify([drawn[0].crop])
    assert float(scores.p_groups.sum()) == pytest.approx(1.0, abs=1e-5)
    card = json.loads((tmp_path / "m" / "pestvision-lite0.json").read_text(encoding="utf-8"))
    assert card["figures"]["drawn_unseen"]["n"] == len(drawn)
