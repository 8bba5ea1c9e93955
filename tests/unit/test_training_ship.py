"""What a run ships: half-precision weights and a card that the tool itself accepts."""

from __future__ import annotations

import hashlib
import json
import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import torch
from made_run import FOLDS, MARGIN, example_of, made_examples, made_logits

from pestvision.errors import WeightsError
from pestvision.organisms.classes import FINE_NAMES
from pestvision.organisms.net import INPUT_PX, LeanNet, as_input, build_net
from pestvision.organisms.weights import CARD_NAME, WEIGHTS_NAME, load_card, load_tensors
from training.ship import (
    LEECH_LOOK_AGAIN,
    LIMITS,
    MIN_LENGTH_PX,
    MIN_SHARPNESS,
    commit,
    count_parts,
    save_scores,
    ship,
)

if TYPE_CHECKING:
    from pathlib import Path

    from torch import nn

MAX_WEIGHTS_BYTES = 20_000_000
RECIPE = {"seed": 5, "steps": 10}


def strict_json(text: str) -> dict[str, Any]:
    """Read JSON as the standard has it (RFC 8259, section 6): no Infinity, no NaN."""

    def refuse(name: str) -> None:
        pytest.fail(f"{name} is no JSON")

    table: dict[str, Any] = json.loads(text, parse_constant=refuse)
    return table


@pytest.fixture(scope="module")
def net() -> nn.Module:
    torch.manual_seed(0)
    return build_net().eval()


@pytest.fixture
def shipped(net: nn.Module, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that a made run shipped into."""
    monkeypatch.setenv("PESTVISION_COMMIT", "0123abc")
    examples = made_examples()
    ground = np.zeros((0, len(FINE_NAMES)), dtype=np.float32)
    figures = save_scores(tmp_path, examples, made_logits(), ground, [], None, FOLDS)
    out = tmp_path / "not there yet" / "models"
    parts = {"boxed": examples}
    ship(net, out, recipe=RECIPE, runs=tmp_path, figures=figures, parts=parts)
    return out


def test_a_shipped_card_is_accepted_and_says_when_a_label_is_given(shipped: Path) -> None:
    card = load_card(shipped)
    # 11/16 of the weight is right: the optimum says 11/16 at margin 4 (closed form)
    assert card.temperature == pytest.approx(MARGIN / math.log(11 / 5), rel=1e-3)
    assert card.rules.min_length_px == MIN_LENGTH_PX
    assert card.rules.min_sharpness == MIN_SHARPNESS
    assert card.rules.leech_look_again == LEECH_LOOK_AGAIN
    data = (shipped / WEIGHTS_NAME).read_bytes()
    assert card.sha256 == hashlib.sha256(data).hexdigest()
    assert card.full["weights"]["bytes"] == len(data) <= MAX_WEIGHTS_BYTES
    assert sorted(path.name for path in shipped.iterdir()) == sorted([CARD_NAME, WEIGHTS_NAME])


def test_a_card_is_plain_json_even_where_too_few_crops_fix_no_threshold(shipped: Path) -> None:
    # ceil(12 * 0.92) = 12 of 11 crops: every group stays possible, and 1 says that as well as infinity
    table = strict_json((shipped / CARD_NAME).read_text(encoding="utf-8"))
    assert table["use"]["set_threshold"] == 1.0


def test_a_shipped_card_tells_where_the_weights_come_from(shipped: Path) -> None:
    card = load_card(shipped).full
    assert card["commit"] == "0123abc"
    assert card["training"]["recipe"] == RECIPE
    assert card["groups"]["leech-like"] == ["leech"]
    assert [name for names in card["groups"].values() for name in names] == list(FINE_NAMES)
    assert card["figures"]["n"] == 11
    assert card["limits"] == LIMITS
    assert all(line.endswith(".") for line in LIMITS)


def test_shipped_weights_are_the_nets_to_half_precision(shipped: Path, net: nn.Module) -> None:
    loaded = LeanNet(load_tensors(shipped, load_card(shipped)))
    crops = list(np.random.default_rng(0).integers(0, 256, (2, INPUT_PX, INPUT_PX, 3), np.uint8))
    with torch.inference_mode():
        before, after = net(as_input(crops)).numpy(), loaded.logits(as_input(crops)).numpy()
    # float16 keeps 11 bits: 0.05 % of a weight, which adds up over 50 layers
    assert np.abs(after - before).max() <= 0.01 * np.abs(before).max()
    assert np.abs(after - before).max() > 0.0


def test_another_runs_card_does_not_fit_the_weights(shipped: Path) -> None:
    path = shipped / CARD_NAME
    table = json.loads(path.read_text(encoding="utf-8"))
    table["weights"]["sha256"] = "0" * 64
    path.write_text(json.dumps(table), encoding="utf-8")
    with pytest.raises(WeightsError, match="checksum"):
        load_tensors(shipped, load_card(shipped))


def test_photos_are_counted_once_and_crops_by_group_and_licence() -> None:
    boxed = [
        example_of(0, "a", file="one.jpg"),
        example_of(0, "a", file="one.jpg"),
        example_of(0, "b", file="two.jpg", licence="unstated"),
        example_of(2, "b", file="two.jpg", licence="unstated"),
    ]
    ground = [example_of(-1, "c", fine="snail", file="three.jpg")]
    assert count_parts({"boxed": boxed, "ground": ground, "drawn": []}) == {
        "boxed": {
            "photos": 2,
            "crops_by_group_and_licence": {
                "leech-like": {"open": 2, "unstated": 1},
                "harmless": {"unstated": 1},
            },
        },
        "ground": {
            "photos": 1,
            "crops_by_group_and_licence": {"harmless or not-an-organism": {"open": 1}},
        },
        "drawn": {"photos": 0, "crops_by_group_and_licence": {}},
    }


def test_without_history_and_without_a_name_the_commit_is_unknown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PESTVISION_COMMIT", raising=False)
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    monkeypatch.chdir(tmp_path)
    assert commit() == "unknown"  # git knows no repository here
    monkeypatch.setenv("PATH", str(tmp_path))
    assert commit() == "unknown"  # there is no git
    monkeypatch.setenv("PESTVISION_COMMIT", "named")
    assert commit() == "named"
