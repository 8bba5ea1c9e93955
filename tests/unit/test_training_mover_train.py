"""The mover net as layers and as products, its table of false candidates, and what it is trained on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import torch

from pestvision.motion.mover_net import N_LIMITS, WIDTHS, MoverNet
from pestvision.motion.patches import CHANNELS, FIELDS, N_NUMBERS, PATCH_PX, Patches
from training import mover_train
from training.mover_data import Shown, draw_for_fit, draw_still, ground_paths, joined, shown_of
from training.mover_train import (
    SURE_RANK,
    TEACHER_WIDTHS,
    Layers,
    false_table,
    fitted,
    tensors_of,
    varied,
    write,
)

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(autouse=True)
def small_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mover_train, "BATCH", 32)


def some(rng: np.random.Generator, n: int, *, per_pair: int = 1) -> Shown:
    """Give candidates that are movers where the first photo is light in the middle, far from each other."""
    is_mover = np.arange(n) % 2 == 0
    pictures = rng.integers(0, 90, (n, len(FIELDS), CHANNELS, PATCH_PX, PATCH_PX), dtype=np.uint8)
    pictures[is_mover, :, :3, 10:22, 10:22] = 230
    place = 100.0 * np.arange(n, dtype=np.float32)
    boxes = np.stack([place, place, place + 20, place + 20], axis=1)
    return Shown(
        pictures=pictures,
        numbers=rng.normal(3, 1, (n, N_NUMBERS)).astype(np.float32),
        is_mover=is_mover,
        is_fitted=np.ones(n, bool),
        pair=(np.arange(n) // per_pair).astype(np.float64),
        boxes=boxes,
        side=np.zeros(n),
    )


def as_net(layers: Layers) -> MoverNet:
    empty = np.ones((2, N_LIMITS), np.float32)
    return MoverNet.of(tensors_of(layers) | {"limits": empty, "false": empty})


def test_the_program_says_what_the_trained_layers_say_and_they_learn(rng):
    shown = some(rng, 64)
    layers = fitted(shown, seed=1, epochs=20)  # 40 steps
    scores = as_net(layers).scores(Patches(shown.pictures, shown.numbers))
    with torch.inference_mode():
        pictures = torch.from_numpy(shown.pictures).float() / 255 - 0.5
        by_layers = layers(pictures, torch.from_numpy(shown.numbers)).numpy()
    np.testing.assert_allclose(scores, by_layers, atol=1e-3)
    assert scores[shown.is_mover].min() > scores[~shown.is_mover].max()


def test_wider_nets_teach_one_of_the_programs_width(rng):
    shown = some(rng, 16)
    teachers = [fitted(shown, seed=seed, epochs=32, widths=TEACHER_WIDTHS) for seed in (0, 2)]
    taught = fitted(shown, seed=1, epochs=32, teachers=teachers)
    assert as_net(taught).kernels[0].shape == (9 * CHANNELS, WIDTHS[0])


def test_what_teachers_say_counts_as_much_as_the_labels(rng):
    shown = some(rng, 32)
    teacher = fitted(shown, seed=0, epochs=1)
    with torch.no_grad():  # it calls everything a mover, and is sure
        teacher.last.weight.zero_()
        teacher.last.bias.fill_(20.0)
    patches = Patches(shown.pictures, shown.numbers)
    taught, alone = (
        as_net(fitted(shown, seed=1, epochs=40, teachers=by)).scores(patches)
        for by in ([teacher], [])
    )
    still = ~shown.is_mover
    assert taught[still].mean() > alone[still].mean() + 2.0  # even odds between it and the labels


def test_variation_keeps_the_size_and_the_range_and_is_drawn_from_its_seed(rng):
    pictures = torch.from_numpy(some(rng, 8).pictures)
    one, same, other = (varied(pictures, torch.Generator().manual_seed(s)) for s in (3, 3, 4))
    assert one.shape == pictures.shape
    assert float(one.min()) >= -0.5
    assert float(one.max()) <= 0.5
    assert torch.equal(one, same)
    assert not torch.equal(one, other)


def test_a_table_counts_false_candidates_a_pair(rng):
    still = some(rng, 400, per_pair=4)  # 100 pairs
    net = as_net(fitted(still, seed=1, epochs=1))
    limits, false = false_table(net, still, n_pairs=200)  # half of the pairs had no candidate
    scores = np.sort(net.scores(Patches(still.pictures, still.numbers)))[::-1]
    assert false[0] == pytest.approx(399.5 / 200)
    assert false[-1] == pytest.approx(SURE_RANK / 200)
    assert limits[-1] == pytest.approx(scores[2], abs=1e-5)
    above = (scores >= np.interp(-0.5, -false, limits)).sum()
    assert above == pytest.approx(0.5 * 200, abs=3)


def test_a_net_is_written_as_the_program_reads_it(rng, tmp_path: Path):
    from safetensors.numpy import load_file

    still = some(rng, 120, per_pair=4)
    path = tmp_path / "net.safetensors"
    write(fitted(still, seed=1, epochs=1), [(still, 30), (still, 60)], path)
    net = MoverNet.of(load_file(path))
    scores = np.zeros(1, np.float32)
    held, stand = (net.expected_false(scores, on_stand=on_stand) for on_stand in (False, True))
    assert held == pytest.approx(2 * stand)


def test_a_drawn_pair_gives_candidates_of_which_some_are_movers():
    parts = []
    for seed in range(7, 11):
        sight, min_length_px = draw_for_fit(seed, ())
        part = shown_of(sight, seed, min_length_px=min_length_px)
        if part is not None:
            assert set(part.pair) == {seed}
            parts.append(part)
    whole = joined(parts)
    assert whole.is_mover.any()
    assert not whole.is_mover.all()
    assert whole.is_fitted[whole.is_mover].all()


def test_a_still_tank_has_no_movers_and_no_mirror_images_before_a_stand():
    held, stand = draw_still(3), draw_still(3, on_stand=True)
    assert held.pair.movers == stand.pair.movers == ()
    assert "glare" in {name for name, _box in held.pair.disturbances}
    assert "glare" not in {name for name, _box in stand.pair.disturbances}
    strayed = [float(np.abs(one.pair.matrix - np.eye(3)).max()) for one in (held, stand)]
    assert strayed[1] < 1.0 < strayed[0]


def test_no_photo_of_the_exams_views_is_trained_on(real_photos):
    folders = {path.parent.name for path in ground_paths(real_photos)}
    assert folders == {"backgrounds", "photos", "d", "e"}
