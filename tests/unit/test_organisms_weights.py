"""Weights that are missing, damaged or another version's are refused with what would do."""

from __future__ import annotations

import hashlib
import json
import shutil
from typing import TYPE_CHECKING, Any

import pytest
import torch
from safetensors.torch import load, save

from pestvision.errors import WeightsError
from pestvision.organisms import weights
from pestvision.organisms.classify import Classifier
from pestvision.organisms.net import trained_shapes
from pestvision.organisms.weights import (
    CARD_NAME,
    WEIGHTS_NAME,
    find_models,
    load_card,
    load_tensors,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture
def models(tmp_path: Path) -> Path:
    """A copy of the shipped weights and card, to be damaged."""
    return shutil.copytree(find_models(), tmp_path / "models")


def edit_card(folder: Path, change: Callable[[dict[str, Any]], None]) -> None:
    path = folder / CARD_NAME
    table = json.loads(path.read_text(encoding="utf-8"))
    change(table)
    path.write_text(json.dumps(table), encoding="utf-8")


def replace_weights(folder: Path, data: bytes) -> None:
    """Write other weights, with their right checksum on the card."""
    (folder / WEIGHTS_NAME).write_bytes(data)
    checksum = hashlib.sha256(data).hexdigest()
    edit_card(folder, lambda table: table["weights"].update(sha256=checksum))


def refused(folder: Path) -> WeightsError:
    with pytest.raises(WeightsError) as caught:
        Classifier.load(folder)
    assert "Install pestvision again" in caught.value.advice
    assert str(folder) in str(caught.value)
    return caught.value


def test_a_copy_of_the_shipped_weights_loads(models: Path) -> None:
    card = load_card(models)
    tensors = load_tensors(models, card)
    assert {name: tuple(tensor.shape) for name, tensor in tensors.items()} == trained_shapes()
    assert {tensor.dtype for tensor in tensors.values()} == {torch.float32}
    assert card.temperature > 0


def test_missing_weights_name_both_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "pestvision"
    monkeypatch.setattr(weights.resources, "files", lambda _name: package)
    with pytest.raises(WeightsError) as caught:
        find_models()
    assert str(package / "_models") in str(caught.value)
    assert str(tmp_path / "models") in str(caught.value)
    assert caught.value.exit_status == 4


def test_weights_inside_the_package_come_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(weights.resources, "files", lambda _name: tmp_path / "pestvision")
    for folder in (tmp_path / "models", tmp_path / "pestvision" / "_models"):
        folder.mkdir(parents=True)
        (folder / WEIGHTS_NAME).touch()
        assert find_models() == folder


def test_a_card_without_weights_is_refused(models: Path) -> None:
    (models / WEIGHTS_NAME).unlink()
    assert "cannot be read" in str(refused(models))


def test_weights_without_a_card_are_refused(models: Path) -> None:
    (models / CARD_NAME).unlink()
    assert "missing or damaged" in str(refused(models))


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"use": null}', '{"use": {"temperature": "warm"}}', "\x00"]
)
def test_a_damaged_card_is_refused(models: Path, text: str) -> None:
    (models / CARD_NAME).write_text(text, encoding="utf-8")
    assert "missing or damaged" in str(refused(models))


@pytest.mark.parametrize("temperature", [0.0, -1.0, float("nan"), float("inf")])
def test_a_temperature_that_is_no_positive_number_is_refused(
    models: Path, temperature: float
) -> None:
    edit_card(models, lambda table: table["use"].update(temperature=temperature))
    assert "temperature" in str(refused(models))


@pytest.mark.parametrize(
    "change",
    [
        {"format_version": 2},
        {"classes": ["leech"]},
        {"input": {"size_px": 224, "mean": 0.0, "std": 1.0, "colour": "RGB"}},
        {"input": None},
    ],
)
def test_a_card_of_another_version_is_refused(models: Path, change: dict[str, Any]) -> None:
    edit_card(models, lambda table: table.update(change))
    assert "another version" in str(refused(models))


def test_classes_in_another_order_are_refused(models: Path) -> None:
    edit_card(models, lambda table: table["classes"].reverse())
    assert "another version" in str(refused(models))


def test_one_changed_byte_is_refused(models: Path) -> None:
    data = bytearray((models / WEIGHTS_NAME).read_bytes())
    data[-1] ^= 1
    (models / WEIGHTS_NAME).write_bytes(data)
    assert "checksum" in str(refused(models))


@pytest.mark.parametrize("n_bytes", [0, 7, 1000, 1_000_000])
def test_a_truncated_file_is_refused_even_with_its_own_checksum(models: Path, n_bytes: int) -> None:
    replace_weights(models, (models / WEIGHTS_NAME).read_bytes()[:n_bytes])
    assert "do not fit" in str(refused(models))


def test_a_missing_tensor_an_extra_one_and_a_wrong_shape_are_refused(models: Path) -> None:
    tensors = load((models / WEIGHTS_NAME).read_bytes())
    fewer = {name: value for name, value in tensors.items() if name != "classifier.bias"}
    replace_weights(models, save(fewer))
    assert "1 missing, 0 extra" in str(refused(models))
    replace_weights(models, save(tensors | {"another": torch.zeros(3)}))
    assert "0 missing, 1 extra" in str(refused(models))
    replace_weights(models, save(tensors | {"classifier.bias": torch.zeros(3)}))
    assert "classifier.bias has the shape (3,) and not (14,)" in str(refused(models))
