"""Trying recipes against each other: order, going on after a stop, and the table."""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING, Any

import pytest
import torch

from training import ablate
from training.ablate import CHOICES, FIGURES, ONE_RUN, file_of, order_of_runs, table
from training.train import Parts, Recipe

if TYPE_CHECKING:
    from pathlib import Path


def made_figures(value: float) -> dict[str, Any]:
    figures: dict[str, Any] = {}
    for where in FIGURES.values():
        inner = figures
        for key in where[:-1]:
            inner = inner.setdefault(key, {})
        inner[where[-1]] = value
    return figures


def leave_run(out: Path, name: str, seed: int, value: float) -> None:
    text = json.dumps({"recipe": {}, "figures": made_figures(value)})
    file_of(out, name, seed).write_text(text, encoding="utf-8")


def test_every_choice_changes_a_recipe_and_the_first_changes_nothing() -> None:
    usual = dataclasses.replace(Recipe(), **ONE_RUN)
    recipes = [dataclasses.replace(usual, **change) for change in CHOICES.values()]
    assert recipes[0] == usual
    assert all(recipe != usual for recipe in recipes[1:])
    assert len({str(recipe) for recipe in recipes}) == len(CHOICES)


def test_runs_go_seed_by_seed_so_that_a_stop_leaves_no_choice_behind() -> None:
    assert order_of_runs(["a", "b"], [0, 1]) == [("a", 0), ("b", 0), ("a", 1), ("b", 1)]


def test_the_table_gives_mean_and_spread_and_leaves_out_what_was_not_run(tmp_path: Path) -> None:
    leave_run(tmp_path, "one run from half drawings", 0, 0.8)
    leave_run(tmp_path, "one run from half drawings", 1, 0.9)
    leave_run(tmp_path, "no drawings anywhere", 0, 0.5)
    lines = table(tmp_path, list(CHOICES), [0, 1, 2]).splitlines()
    assert len(lines) == 4
    assert lines[2].startswith("| one run from half drawings | 2 | 0.850 (0.800 to 0.900) |")
    assert lines[3].startswith("| no drawings anywhere | 1 | 0.500 |")


def test_what_was_run_is_not_repeated_and_nothing_starts_after_the_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    tried: list[Recipe] = []

    parts = Parts(real=[], ground=[], drawn=[], held_out=[])
    learned = torch.nn.Linear(1, 1)

    def try_once(
        recipe: Recipe, _parts: object, *, device: str, after_drawings: torch.nn.Module
    ) -> dict[str, Any]:
        assert (device, after_drawings) == ("cpu", learned)
        tried.append(recipe)
        return made_figures(0.7)

    monkeypatch.setattr(ablate, "photos_folder", lambda: tmp_path)
    monkeypatch.setattr(ablate, "load_parts", lambda *_args, **_options: parts)
    monkeypatch.setattr(ablate, "start_net", lambda *_args: None)
    monkeypatch.setattr(ablate, "learn_drawings", lambda *_args, **_options: learned)
    monkeypatch.setattr(ablate, "try_once", try_once)
    leave_run(tmp_path, "one run from half drawings", 0, 0.8)
    told = ["--out", str(tmp_path), "--device", "cpu", "--seeds", "0"]
    chosen = ["--choices", "one run from half drawings", "slower body"]
    ablate.main([*told, *chosen, "--minutes", "-1"])
    assert tried == []
    ablate.main([*told, *chosen])
    assert [recipe.lr_body for recipe in tried] == [CHOICES["slower body"]["lr_body"]]
    assert "| slower body | 1 | 0.700 |" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["no squares of ground", "no drawings anywhere"])
def test_a_batch_without_a_part_is_filled_by_the_others(name: str) -> None:
    from training.train import batch_sizes

    recipe = dataclasses.replace(Recipe(), **CHOICES[name])
    sizes = batch_sizes(
        recipe, has_ground=recipe.share_ground > 0, has_drawn=recipe.share_drawn > 0
    )
    assert sum(sizes) == recipe.batch
    assert len(sizes) == 2
