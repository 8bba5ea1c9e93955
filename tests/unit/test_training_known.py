"""Fitting what the net knows: the space, the limit, and what a run leaves beside the weights."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import torch

from pestvision.organisms.classify import Classifier
from pestvision.organisms.known import (
    KNOWN_NAME,
    N_NEAREST,
    evened,
    nearest_distances,
    read_known,
    write_known,
)
from pestvision.organisms.net import INPUT_PX, SIGNATURE, build_net
from training.known import (
    DEPTH,
    OUTSIDE,
    Bench,
    Crops,
    Distances,
    as_picture,
    fit_space,
    fold_states,
    know,
    outside_crops,
)

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import F32


def signatures(n: int, seed: int, *, factor: float = 1.0) -> F32:
    """Give signatures of one kind; another factor is another kind."""
    rng = np.random.default_rng(seed)
    return (factor * rng.gamma(4.0, 0.25, (n, SIGNATURE))).astype(np.float32)


def test_crops_of_a_strange_kind_lie_further_than_new_crops_of_a_known_one() -> None:
    known = fit_space(signatures(120, 0)).with_limit(1.5)
    assert known.axes.shape == (SIGNATURE, DEPTH)
    same, other = (known.novelty(signatures(20, 1, factor=f)) for f in (1.0, 3.0))
    assert other.min() > same.max()


def test_a_stored_crop_is_at_no_distance_from_itself_after_writing_and_reading() -> None:
    told = signatures(60, 0)
    known = fit_space(told).with_limit(1.0)
    again = read_known(write_known(known), name="a file")
    placed = ((evened(told) - again.middle) @ again.axes).astype(np.float32)
    # float32 sums of 1872 columns: the distance between crops is about 10
    assert nearest_distances(placed, again.stored, rank=1).max() < 0.02


def test_the_unit_is_the_middling_distance_between_stored_crops() -> None:
    from sklearn.neighbors import NearestNeighbors

    space = fit_space(signatures(80, 0))
    # asked about no points, scikit-learn leaves each point out of its own neighbours
    own, _ = NearestNeighbors(n_neighbors=N_NEAREST).fit(space.stored).kneighbors()
    assert space.unit == pytest.approx(float(np.median(own[:, -1])), rel=1e-3)


def test_of_no_kind_is_more_refused_than_was_said() -> None:
    rng = np.random.default_rng(3)
    kinds = {"boxed": 1.2, "ground": 1.0, "drawn": 0.9}
    distances = Distances(
        {k: [rng.gamma(9, f / 9, 200) for _ in range(5)] for k, f in kinds.items()}
    )
    limit = distances.ratio()
    shares = {k: float((np.concatenate(d) > limit).mean()) for k, d in distances.of_kind.items()}
    assert max(shares.values()) == pytest.approx(OUTSIDE, abs=1e-3)
    assert min(shares.values()) < OUTSIDE / 2


def test_a_fold_is_judged_by_the_limit_of_the_others() -> None:
    odd = [np.full(50, 9.0)] + [np.linspace(0.5, 1.0, 50)] * 4
    distances = Distances({"boxed": odd})
    assert distances.ratio(without=0) <= 1.0
    assert distances.ratio() == 9.0
    # by the others' limit all of the odd fold is refused, and none of theirs by one that knows it
    assert distances.refused()["boxed"] == pytest.approx(0.2)


def bench() -> Bench:
    rng = np.random.default_rng(0)

    def crops(n: int, level: int, folds: list[int]) -> Crops:
        made = [
            np.clip(rng.normal(level, 20, (INPUT_PX, INPUT_PX, 3)), 0, 255).astype(np.uint8)
            for _ in range(n)
        ]
        return Crops(made, np.array([folds[i % len(folds)] for i in range(n)], float))

    return Bench(
        crops(6, 90, [0, 1]), crops(6, 130, [0, 1]), crops(4, 170, [-1]), crops(3, 170, [-1])
    )


@pytest.fixture
def run_folder(tmp_path: Path) -> Path:
    """A run of two folds, and a shipped net with a card."""
    from safetensors.torch import save

    from pestvision.organisms.weights import CARD_NAME, WEIGHTS_NAME, find_models

    nets = []
    for fold in range(2):
        torch.manual_seed(fold)
        nets.append({k: v.half() for k, v in build_net().state_dict().items() if v.ndim})
        torch.save(nets[-1], tmp_path / f"fold{fold}.pt")
    data = save({name: value.contiguous() for name, value in nets[0].items()})
    table: dict[str, Any] = json.loads((find_models() / CARD_NAME).read_text(encoding="utf-8"))
    table.pop("known", None)
    table["weights"]["sha256"] = hashlib.sha256(data).hexdigest()
    (tmp_path / WEIGHTS_NAME).write_bytes(data)
    (tmp_path / CARD_NAME).write_text(json.dumps(table), encoding="utf-8")
    return tmp_path


def test_a_run_leaves_what_the_net_knows_and_the_tool_loads_it(run_folder: Path) -> None:
    strange = [np.zeros((INPUT_PX, INPUT_PX, 3), np.uint8)]
    told = know(run_folder, run_folder, bench(), outer={"black": strange})
    assert told["sha256"] == hashlib.sha256((run_folder / KNOWN_NAME).read_bytes()).hexdigest()
    assert told["n_stored"] == 16
    assert told["refused_outside"]["black"][1] == 1
    loaded = Classifier.load(run_folder)
    stored = bench().boxed.crops
    inside = [scores.novelty for scores in loaded.classify(stored)]
    (black,) = [scores.novelty for scores in loaded.classify(strange)]
    assert 0 < max(inside) < black
    for fold in range(2):
        data = (run_folder / f"known-fold{fold}.safetensors").read_bytes()
        # a fold stores what it has learned from: half of the photographs, and all drawings
        assert len(read_known(data, name="a fold").stored) == 3 + 3 + 4


def test_a_run_without_folds_is_told_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match=r"training\.train first"):
        fold_states(tmp_path)


def test_outside_pictures_are_crops_of_every_kind_and_the_same_each_time() -> None:
    pytest.importorskip("skimage")
    first, again = outside_crops(), outside_crops()
    assert set(first) == {"pictures", "faces", "noise", "writing"}
    for kind, crops in first.items():
        assert len(crops) >= 40
        assert all(crop.shape == (INPUT_PX, INPUT_PX, 3) for crop in crops)
        assert all(np.array_equal(a, b) for a, b in zip(crops, again[kind], strict=True))


def test_any_picture_becomes_three_colours_of_bytes() -> None:
    grey = as_picture(np.array([[0.0, 0.5], [0.25, 1.0]]))
    assert grey[..., 0].tolist() == [[0, 127], [63, 255]]
    assert as_picture(np.array([[True, False]])).tolist() == [[[255] * 3, [0] * 3]]
    assert as_picture(np.zeros((2, 2, 4), np.uint8)).shape == (2, 2, 3)
