"""The classifier as its callers meet it, with a net of random weights and a made card."""

from __future__ import annotations

import copy
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import pytest
import torch
from tolerance import TOLERANCE

from pestvision.errors import ShapeError
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import FINE_NAMES, GROUPS
from pestvision.organisms.classify import Classifier, Scores
from pestvision.organisms.crops import sharpness
from pestvision.organisms.net import INPUT_PX, LeanNet, as_input, build_net, trained_shapes
from pestvision.organisms.weights import Card, Rules

if TYPE_CHECKING:
    from collections.abc import Sequence

    from torch import nn

    from pestvision.arrays import F32, U8

N_FINE = len(FINE_NAMES)
FOLDED_ABS = 1e-4
CLOSE = {"rtol": TOLERANCE["logits_rel"], "atol": TOLERANCE["logits_abs"]}


def lively_net(seed: int = 0) -> nn.Module:
    """A net of random weights, in eval mode, whose norms all do something.

    As built, every norm subtracts 0 and multiplies by 1: leaving one out would change nothing. The
    variances are those of a picture that ran through, so that the logits neither vanish nor explode.
    """
    torch.manual_seed(seed)
    net = build_net()
    norms = [module for module in net.modules() if isinstance(module, torch.nn.BatchNorm2d)]
    for norm in norms:
        norm.momentum = 1.0
    with torch.inference_mode():
        net.train()(torch.randn(4, 3, 96, 96))
    with torch.no_grad():
        for norm in norms:
            norm.weight.uniform_(0.6, 1.4)
            norm.bias.uniform_(-0.4, 0.4)
        net.classifier.weight.mul_(0.2)  # logits of the size that the shipped net gives
    return net.eval()


def made_card(temperature: float = 1.0) -> Card:
    return Card(temperature=temperature, rules=Rules(), sha256="0" * 64, full={})


def noise_crops(n: int, *, size_px: int = INPUT_PX) -> list[U8]:
    rng = np.random.default_rng(0)
    return list(rng.integers(0, 256, (n, size_px, size_px, 3), dtype=np.uint8))


@pytest.fixture(scope="module")
def net() -> nn.Module:
    """The net as timm builds it: the reference."""
    return lively_net()


@pytest.fixture(scope="module")
def classifier(net: nn.Module) -> Classifier:
    return Classifier(net.state_dict(), made_card())


def unfolded_logits(net: nn.Module, crops: Sequence[U8]) -> F32:
    with torch.inference_mode():
        logits: F32 = net(as_input(list(crops))).numpy()
    return logits


# --- the net for asking only, against timm's ------------------------------------------------


def test_the_lean_net_has_the_tensors_of_timms_net(net: nn.Module) -> None:
    found = {name: tuple(value.shape) for name, value in net.state_dict().items() if value.ndim}
    assert found == trained_shapes()


@pytest.mark.parametrize("size", [(224, 224), (32, 32), (96, 160)])
def test_the_lean_net_answers_as_timms_net(net: nn.Module, size: tuple[int, int]) -> None:
    """timm's `tf_efficientnet_lite0` is the reference: another code for the same layers."""
    rgb = np.random.default_rng(3).integers(0, 256, (2, *size, 3), dtype=np.uint8)
    lean = LeanNet(net.state_dict())
    with torch.inference_mode():
        batch = as_input(list(rgb))
        expected, found = net(batch).numpy(), lean.logits(batch).numpy()
        features = net.forward_features(batch).numpy()  # type: ignore[operator]
        np.testing.assert_allclose(
            lean.features(batch).numpy(), features, rtol=0, atol=1e-4 * np.abs(features).max()
        )
    assert np.ptp(expected, axis=1).min() > 0.1  # the logits do say something
    np.testing.assert_allclose(found, expected, rtol=0, atol=FOLDED_ABS)


def test_building_the_lean_net_leaves_the_tensors_as_they_were(net: nn.Module) -> None:
    before = copy.deepcopy(net.state_dict())
    LeanNet(net.state_dict()).logits(as_input(noise_crops(1, size_px=64)))
    for name, value in net.state_dict().items():
        assert torch.equal(value, before[name])


def test_a_classifier_loads_and_answers_without_timm() -> None:
    code = (
        "import sys, numpy as np\n"
        "from pestvision.organisms.classify import Classifier\n"
        "Classifier.load().classify([np.zeros((224, 224, 3), np.uint8)])\n"
        "print(sorted({'timm', 'torchvision'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("part", "which"), [("weight", 0), ("bias", 24), ("running_mean", -1), ("running_var", 11)]
)
def test_a_norm_with_another_number_gives_other_logits_and_they_are_kept_too(
    net: nn.Module, part: str, which: int
) -> None:
    changed = copy.deepcopy(net)
    norm = [item for item in changed.modules() if isinstance(item, torch.nn.BatchNorm2d)][which]
    with torch.no_grad():
        getattr(norm, part).mul_(1.5).add_(0.3)
    crops = noise_crops(1, size_px=96)
    expected = unfolded_logits(changed, crops)
    with torch.inference_mode():
        found = LeanNet(changed.state_dict()).logits(as_input(crops)).numpy()
    np.testing.assert_allclose(found, expected, rtol=0, atol=FOLDED_ABS)
    assert np.abs(found - unfolded_logits(net, crops)).max() > 10 * FOLDED_ABS


# --- logits ---------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [0, 1, 4, 5])
def test_there_is_one_row_of_logits_a_crop(classifier: Classifier, n: int) -> None:
    logits = classifier.logits(noise_crops(n))
    assert logits.shape == (n, N_FINE)
    assert logits.dtype == np.float32
    assert np.isfinite(logits).all()


def test_the_logits_are_those_of_the_net(net: nn.Module, classifier: Classifier) -> None:
    crops = noise_crops(5)
    np.testing.assert_allclose(classifier.logits(crops), unfolded_logits(net, crops), **CLOSE)


def test_neither_order_nor_company_changes_what_is_said_of_a_crop(classifier: Classifier) -> None:
    crops = noise_crops(6)
    together = classifier.logits(crops)
    assert np.abs(np.diff(together, axis=0)).max(axis=1).min() > 0.01  # they can be told apart
    order = np.random.default_rng(1).permutation(len(crops))
    shuffled = classifier.logits([crops[index] for index in order])
    np.testing.assert_allclose(shuffled, together[order], **CLOSE)
    alone = np.concatenate([classifier.logits([crop]) for crop in crops])
    np.testing.assert_allclose(alone, together, **CLOSE)


def test_a_crop_that_is_a_view_or_locked_scores_as_its_copy(classifier: Classifier) -> None:
    (crop,) = noise_crops(1)
    view = crop[::-1, ::-1]
    locked = view.copy()
    locked.setflags(write=False)
    before = crop.copy()
    np.testing.assert_allclose(classifier.logits([view]), classifier.logits([locked]), **CLOSE)
    assert np.array_equal(crop, before)  # what was asked about is left as it was


def test_asking_from_several_threads_gives_each_its_own_answer(classifier: Classifier) -> None:
    crops = noise_crops(6)
    expected = classifier.logits(crops)
    with ThreadPoolExecutor(3) as asking:
        answers = list(asking.map(lambda crop: classifier.logits([crop]), crops))
    np.testing.assert_allclose(np.concatenate(answers), expected, **CLOSE)


# --- scores ---------------------------------------------------------------------------------


def test_probabilities_sum_to_one_and_groups_are_sums_of_their_classes(
    classifier: Classifier,
) -> None:
    crops = noise_crops(5)
    scores = classifier.classify(crops)
    assert len(scores) == len(crops)
    for item, crop in zip(scores, crops, strict=True):
        assert item.p_fine.shape == (N_FINE,)
        assert item.p_groups.shape == (len(GROUPS),)
        assert item.p_fine.dtype == item.p_groups.dtype == np.float32
        assert float(item.p_fine.min()) >= 0.0
        assert float(item.p_fine.sum()) == pytest.approx(1.0, abs=1e-5)
        assert float(item.p_groups.sum()) == pytest.approx(1.0, abs=1e-5)
        np.testing.assert_allclose(item.p_groups, group_probabilities(item.p_fine), atol=1e-6)
        assert item.sharpness == sharpness(crop)


def test_no_crop_gives_no_scores(classifier: Classifier) -> None:
    assert classifier.classify([]) == []


@pytest.mark.parametrize("temperature", [0.5, 2.5])
def test_the_temperature_of_the_card_divides_the_logits(net: nn.Module, temperature: float) -> None:
    """Source: Guo, Pleiss, Sun & Weinberger 2017, ICML: the likeliest class never changes."""
    crops = noise_crops(3)
    logits = unfolded_logits(net, crops).astype(np.float64)
    calibrated = Classifier(net.state_dict(), made_card(temperature))
    p = np.stack([item.p_fine for item in calibrated.classify(crops)])
    np.testing.assert_allclose(p, softmax(logits / temperature), rtol=0, atol=1e-4)
    assert (p.argmax(1) == logits.argmax(1)).all()


def test_a_higher_temperature_is_less_sure(net: nn.Module) -> None:
    crops = noise_crops(3)
    sure, unsure = (
        np.stack([item.p_fine.max() for item in Classifier(tensors, card).classify(crops)])
        for tensors, card in (
            (net.state_dict(), made_card(0.5)),
            (net.state_dict(), made_card(2.0)),
        )
    )
    assert (sure > unsure + 0.01).all()


# --- the map of a whole picture -------------------------------------------------------------


@pytest.mark.parametrize(("height", "width"), [(32, 32), (64, 96), (160, 128)])
def test_each_place_of_the_map_is_what_the_net_says_of_that_place(
    net: nn.Module, height: int, width: int
) -> None:
    temperature = 1.7
    rgb = np.random.default_rng(2).integers(0, 256, (height, width, 3), dtype=np.uint8)
    found = Classifier(net.state_dict(), made_card(temperature)).organism_map(rgb)
    assert found.shape == (height // 32, width // 32)
    assert found.dtype == np.float32
    assert found.min() >= 0.0
    assert found.max() <= 1.0
    with torch.inference_mode():
        features = net.forward_features(as_input([rgb]))  # type: ignore[operator]
        for row, col in np.ndindex(found.shape):
            place = features[:, :, row : row + 1, col : col + 1]
            logits = net.forward_head(place).numpy().astype(np.float64)  # type: ignore[operator]
            nothing = group_probabilities(softmax(logits / temperature))[0, -1]
            assert found[row, col] == pytest.approx(1.0 - nothing, abs=1e-4)


# --- what is refused ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrong", "expected", "actual"),
    [
        (np.zeros((223, 224, 3), np.uint8), "(224, 224, 3) uint8", "(223, 224, 3) uint8"),
        (np.zeros((224, 448, 3), np.uint8), "(224, 224, 3) uint8", "(224, 448, 3) uint8"),
        (np.zeros((224, 224), np.uint8), "(H, W, 3) uint8, RGB", "(224, 224) uint8"),
        (np.zeros((224, 224, 4), np.uint8), "(H, W, 3) uint8, RGB", "(224, 224, 4) uint8"),
        (np.zeros((3, 224, 224), np.uint8), "(H, W, 3) uint8, RGB", "(3, 224, 224) uint8"),
        (np.zeros((224, 224, 3)), "(H, W, 3) uint8, RGB, not empty", "(224, 224, 3) float64"),
        ([[0, 0, 0]], "(H, W, 3) uint8, RGB", "list"),
    ],
)
def test_a_crop_of_another_shape_is_refused_wherever_it_stands(
    classifier: Classifier, wrong: U8, expected: str, actual: str
) -> None:
    (good,) = noise_crops(1)
    for ask in (classifier.logits, classifier.classify):
        for crops in ([wrong], [good, wrong]):
            with pytest.raises(ShapeError) as caught:
                ask(crops)
            assert (caught.value.expected, caught.value.actual) == (expected, actual)
            assert str(caught.value).startswith("crop has the wrong shape or dtype.")
            assert caught.value.advice


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        (np.zeros((64, 65, 3), np.uint8), "sides that are multiples of 32"),
        (np.zeros((33, 64, 3), np.uint8), "sides that are multiples of 32"),
        (np.zeros((64, 64), np.uint8), "(H, W, 3) uint8, RGB"),
        (np.zeros((64, 64, 3), np.float32), "(H, W, 3) uint8, RGB, not empty"),
        (np.zeros((0, 64, 3), np.uint8), "(H, W, 3) uint8, RGB, not empty"),
    ],
)
def test_a_picture_that_makes_no_whole_map_is_refused(
    classifier: Classifier, wrong: U8, expected: str
) -> None:
    with pytest.raises(ShapeError) as caught:
        classifier.organism_map(wrong)
    assert caught.value.expected == expected
    assert str(wrong.shape) in caught.value.actual


@pytest.mark.parametrize(("n_fine", "n_groups"), [(13, 4), (14, 3), (4, 14)])
def test_scores_of_other_lengths_are_refused(n_fine: int, n_groups: int) -> None:
    with pytest.raises(ShapeError) as caught:
        Scores(np.zeros(n_fine, np.float32), np.zeros(n_groups, np.float32))
    assert caught.value.expected == "(14,), (4,)"
    assert f"({n_fine},) float32, ({n_groups},) float32" in caught.value.actual
