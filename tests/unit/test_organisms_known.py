"""What the net knows: distances against scikit-learn's, and files that are refused when they are wrong."""

from __future__ import annotations

import dataclasses
import hashlib
from typing import TYPE_CHECKING

import numpy as np
import pytest
import torch

from pestvision.errors import ShapeError, WeightsError
from pestvision.organisms.known import (
    KNOWN_NAME,
    LEAST,
    N_NEAREST,
    Known,
    evened,
    load_known,
    nearest_distances,
    read_known,
    write_known,
)
from pestvision.organisms.net import (
    EMBEDDING,
    SIGNATURE,
    LeanNet,
    as_input,
    build_net,
    trained_shapes,
)
from pestvision.organisms.weights import Card, Rules

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import F32

DEPTH = 6


def signatures(n: int, rng: np.random.Generator, *, shift: float = 0.0) -> F32:
    return (rng.gamma(2.0, 0.5, (n, SIGNATURE)) + shift).astype(np.float32)


def made_known(rng: np.random.Generator, *, limit: float = 1.0) -> Known:
    return Known(
        middle=np.zeros(SIGNATURE, np.float32),
        axes=(rng.normal(size=(SIGNATURE, DEPTH)) / np.sqrt(SIGNATURE)).astype(np.float32),
        stored=rng.normal(size=(40, DEPTH)).astype(np.float32),
        limit=limit,
    )


def card_of(sha256: str) -> Card:
    return Card(temperature=1.0, rules=Rules(), sha256="", full={}, known_sha256=sha256)


def test_the_distance_is_to_the_fifth_nearest_as_scikit_learn_finds_it(
    rng: np.random.Generator,
) -> None:
    from sklearn.neighbors import NearestNeighbors

    stored, asked = (rng.normal(size=(n, DEPTH)).astype(np.float32) for n in (50, 9))
    others, _ = NearestNeighbors(n_neighbors=N_NEAREST).fit(stored).kneighbors(asked)
    np.testing.assert_allclose(nearest_distances(asked, stored), others[:, -1], rtol=1e-5)


def test_the_novelty_is_the_distance_over_the_limit(rng: np.random.Generator) -> None:
    near, far = made_known(rng), signatures(4, rng)
    wide = dataclasses.replace(near, limit=2.5)
    np.testing.assert_allclose(near.novelty(far), 2.5 * wide.novelty(far), rtol=1e-9)
    np.testing.assert_array_equal(near.novelty(far), near.distances(far))


def test_no_crop_has_no_novelty(rng: np.random.Generator) -> None:
    assert made_known(rng).novelty(np.zeros((0, SIGNATURE), np.float32)).shape == (0,)


def test_what_is_never_negative_is_taken_as_a_logarithm_and_means_are_not(
    rng: np.random.Generator,
) -> None:
    raw = signatures(2, rng)
    even = evened(raw)
    np.testing.assert_array_equal(even[:, :24], raw[:, :24])  # means of the first tapped stage
    np.testing.assert_allclose(even[:, 24:48], np.log(raw[:, 24:48] + LEAST), rtol=1e-6)
    np.testing.assert_allclose(
        even[:, -EMBEDDING:], np.log(raw[:, -EMBEDDING:] + LEAST), rtol=1e-5, atol=1e-6
    )
    assert np.isfinite(evened(np.zeros((1, SIGNATURE), np.float32))).all()


def test_a_signature_is_the_means_and_spreads_on_the_way_and_the_embedding() -> None:
    torch.manual_seed(3)
    net = build_net().eval()
    lean = LeanNet({name: net.state_dict()[name] for name in trained_shapes()})
    batch = as_input(
        list(np.random.default_rng(0).integers(0, 256, (2, 224, 224, 3)).astype(np.uint8))
    )
    seen = []
    blocks = net.blocks
    assert isinstance(blocks, torch.nn.Sequential)
    for stage in (1, 3, 5):
        blocks[stage].register_forward_hook(lambda _net, _given, out: seen.append(out))
    with torch.inference_mode():
        embedding = net.forward_features(batch).mean((2, 3))
        wanted = torch.cat(
            [part for out in seen for part in (out.mean((2, 3)), out.std((2, 3), correction=0))]
            + [embedding],
            dim=1,
        )
        found = lean.signatures(batch)
        assert found.shape == (2, SIGNATURE)
        torch.testing.assert_close(found, wanted, rtol=1e-3, atol=1e-4)
        torch.testing.assert_close(lean.logits_of(found), lean.logits(batch), rtol=1e-4, atol=1e-5)


def test_what_is_written_is_read_again_to_half_precision(rng: np.random.Generator) -> None:
    known = made_known(rng, limit=3.7)
    again = read_known(write_known(known), name="a file")
    assert again.limit == pytest.approx(3.7, rel=1e-6)
    np.testing.assert_allclose(again.axes, known.axes, rtol=1e-3, atol=1e-6)
    asked = signatures(5, rng)
    np.testing.assert_allclose(again.novelty(asked), known.novelty(asked), rtol=1e-2)


def test_an_array_that_lies_across_in_memory_is_written_as_it_reads(
    rng: np.random.Generator,
) -> None:
    known = made_known(rng)
    across = dataclasses.replace(
        known, axes=np.asfortranarray(known.axes), stored=np.asfortranarray(known.stored)
    )
    assert write_known(across) == write_known(known)


def test_a_card_that_names_nothing_known_gives_none(tmp_path: Path) -> None:
    assert load_known(tmp_path, card_of("")) is None


def test_a_file_with_the_cards_checksum_is_loaded(tmp_path: Path, rng: np.random.Generator) -> None:
    data = write_known(made_known(rng))
    (tmp_path / KNOWN_NAME).write_bytes(data)
    loaded = load_known(tmp_path, card_of(hashlib.sha256(data).hexdigest()))
    assert loaded is not None
    assert loaded.stored.shape == (40, DEPTH)


def test_a_missing_a_damaged_and_a_strange_file_are_refused_with_advice(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    data = write_known(made_known(rng))
    right = card_of(hashlib.sha256(data).hexdigest())
    with pytest.raises(WeightsError, match="cannot be read") as caught:
        load_known(tmp_path, right)
    assert caught.value.advice
    (tmp_path / KNOWN_NAME).write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    with pytest.raises(WeightsError, match="checksum"):
        load_known(tmp_path, right)
    strange = b"no tensors at all"
    (tmp_path / KNOWN_NAME).write_bytes(strange)
    with pytest.raises(WeightsError, match="does not fit"):
        load_known(tmp_path, card_of(hashlib.sha256(strange).hexdigest()))


@pytest.mark.parametrize("limit", [0.0, -1.0, float("nan"), float("inf")])
def test_a_limit_that_is_no_distance_is_refused(limit: float, rng: np.random.Generator) -> None:
    with pytest.raises(ShapeError, match="limit"):
        made_known(rng, limit=limit)


def test_parts_that_do_not_fit_each_other_are_refused(rng: np.random.Generator) -> None:
    known = made_known(rng)
    for change in (
        {"middle": known.middle[:-1]},
        {"axes": known.axes[:-1]},
        {"stored": known.stored[:, :-1]},
        {"stored": known.stored[: N_NEAREST - 1]},
    ):
        with pytest.raises(ShapeError, match="1872"):
            dataclasses.replace(known, **change)
