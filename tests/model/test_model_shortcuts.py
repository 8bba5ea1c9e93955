"""Shortcuts that the net may take: the ground instead of the animal, the style instead of what it shows.

With PESTVISION_RUNS, which names what `training.train` left, every crop is asked of the net of the fold that
has not seen its photographer; without it of the shipped net, which has seen them all, so that only large faults
show. Each bar stands beside what was measured when it was set, out of fold and of the shipped net.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pytest

from pestvision.organisms.classify import Classifier
from training.data import draw_examples, fold_of_source, load_boxed, load_nothing
from training.evaluate import fold_classifiers, groups_by, out_of_fold
from training.shortcuts import ground_figures, style_figures
from training.train import HELD_OUT_SEED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64, U8
    from training.data import Example
    from training.shortcuts import Ask

N_DRAWN_EACH = 6
EACH = 2  # grounds an animal is laid on

pytestmark = pytest.mark.slow


class Asked(NamedTuple):
    """What is asked, and of whom."""

    real: list[Example]
    grounds: list[Example]
    folds: dict[str, int]
    ask: Ask
    is_out_of_fold: bool


@pytest.fixture(scope="module")
def asked(real_photos: Path) -> Asked:
    real = load_boxed(real_photos, outlines=True)
    grounds = load_nothing(real_photos, np.random.default_rng(0), each=1)
    named = os.environ.get("PESTVISION_RUNS")
    if named:
        folds = json.loads((Path(named) / "folds.json").read_text(encoding="utf-8"))
        return Asked(real, grounds, folds, out_of_fold(fold_classifiers(Path(named)), folds), True)
    shipped = Classifier.load()

    def ask(crops: Sequence[U8], _sources: Sequence[str]) -> F64:
        return groups_by(shipped, crops)

    return Asked(real, grounds, fold_of_source(real + grounds), ask, False)


@pytest.fixture(scope="module")
def laid(asked: Asked) -> dict[str, dict[str, Any]]:
    return ground_figures(asked.real, asked.grounds, asked.folds, asked.ask, each=EACH)


@pytest.fixture(scope="module")
def styles(asked: Asked) -> dict[str, dict[str, float]]:
    drawn = draw_examples(N_DRAWN_EACH, seed=HELD_OUT_SEED)
    return style_figures(asked.real, drawn, asked.ask)


def test_a_leech_laid_on_a_tanks_ground_stays_leech_like(
    laid: dict[str, dict[str, Any]], asked: Asked
) -> None:
    row, own = laid["leeches on tanks and plants"], laid["leeches on their own ground"]
    assert row["n"] >= 60
    assert row["n_sources"] >= 15
    assert row["leech"] >= (0.6 if asked.is_out_of_fold else 0.65), row  # 0.73 out of fold
    assert row["not_out"] >= 0.8, row  # 0.93; 0.96
    # what the ground alone takes away, of 0.91 and 1.00; without any shortcut it would be nothing
    assert own["leech"] - row["leech"] <= 0.32, (own, row)  # 0.19 out of fold
    assert own["leech"] >= (0.7 if asked.is_out_of_fold else 0.95), own


def test_an_empty_hand_or_patch_of_skin_does_not_become_a_leech(
    laid: dict[str, dict[str, Any]],
) -> None:
    skin, out = laid["bare skin and hands"], laid["leeches painted out"]
    assert skin["n"] >= 25
    assert skin["leech"] <= 0.15, skin  # 0.08 out of fold
    assert out["n"] >= 40
    assert out["leech"] <= 0.15, out  # 0.05 out of fold
    # the same squares with the leech on them: were both called the same, neither half would mean anything
    assert laid["leeches on their own ground"]["leech"] - out["leech"] >= 0.6, out  # 0.86


def test_other_animals_do_not_become_leeches_by_lying_on_skin(
    laid: dict[str, dict[str, Any]],
) -> None:
    harmless, flatworms = laid["harmless on skin"], laid["flatworms on skin"]
    assert harmless["n"] >= 100
    assert harmless["leech"] <= 0.3, harmless  # 0.20 out of fold
    # what the skin adds: 0.09 out of fold
    assert harmless["leech"] - laid["harmless on tanks and plants"]["leech"] <= 0.2, laid
    assert laid["leeches on skin"]["leech"] - harmless["leech"] >= 0.5, laid  # 0.64 out of fold
    # a known weakness: a thin animal on skin is sometimes called a leech, 0.12 of seven photographers'
    assert flatworms["leech"] <= 0.4, flatworms


def test_bare_tanks_are_seldom_leech_like(laid: dict[str, dict[str, Any]]) -> None:
    bare = laid["bare tanks and plants"]
    assert bare["n"] >= 250
    assert bare["leech"] <= 0.05, bare  # 0.02; 0.02
    # the other side of keeping a leech possible for 0.93 of those on such grounds
    assert bare["not_out"] <= 0.22, bare  # 0.11; 0.16


@pytest.mark.parametrize("group", ["leech-like", "flatworm-like"])
def test_neither_drawn_nor_photographed_decides(
    styles: dict[str, dict[str, float]], group: str
) -> None:
    row = styles[group]
    assert set(row) == {
        "photographed over photographed",
        "photographed over drawn",
        "drawn over photographed",
        "drawn over drawn",
    }
    assert min(row.values()) >= 0.85, row  # leech 0.955, flatworm 0.972 out of fold
    # a style that spoke for a pest would lift one of the mixed areas and lower the other: 0.01, 0.01
    assert abs(row["photographed over drawn"] - row["drawn over photographed"]) <= 0.12, row
