"""Try recipes of the net against each other: every choice changes one thing, over several seeds.

    PESTVISION_PHOTOS=... python -m training.ablate --out runs/ablations --minutes 9

Drawings are learned first once for all; a seed is that of a run's batches. Each run leaves one JSON file, and a run whose file is there is not repeated: started again, the command
goes on where it was stopped. The table it prints gives mean and spread over the seeds done.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import tempfile
import time
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import torch

from training.data import photos_folder
from training.ship import save_scores
from training.train import (
    QUICK,
    Parts,
    Recipe,
    base_weights,
    learn_drawings,
    learn_folds,
    load_parts,
    logits_of,
    mean_net,
    start_net,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from torch import nn

CHOICES: dict[str, dict[str, Any]] = {
    "one run from half drawings": {},
    "one run from ImageNet alone": {"from_drawings": (0.0,)},
    "one run from drawings alone": {"from_drawings": (1.0,)},
    "no drawings anywhere": {"from_drawings": (0.0,), "share_drawn": 0.0},
    "no animal laid on other grounds": {"paste": 0.0},
    "styles not mixed": {"mix_style": 0.0},
    "not pulled to the start": {"pull": 0.0},
    "no squares of ground": {"share_ground": 0.0},
    "slower body": {"lr_body": 4e-4},
    "no smoothing": {"smoothing": 0.0},
    "two stages held": {"held_stages": 2},
    "twice the steps": {"steps": 400},
    "nothing held": {"held_stages": 0, "mix_style": 0.0, "lr_body": 4e-4},
}
"""What is changed, in words, and how; all others are compared with the first, one run of those whose mean
is shipped."""

ONE_RUN: dict[str, Any] = {"from_drawings": (0.5,), "start_counts": (1.0,), "n_seeds": 1}
"""What every run takes in the place of the recipe's own: one start, one seed."""

FIGURES = {
    "balanced accuracy": ("balanced_accuracy",),
    "leech-like area": ("leech-like_auc",),
    "flatworm-like area": ("flatworm-like_auc",),
    "leeches found at 5 % false": ("leech-like_found_at_5_percent_false",),
    "wrong when answered": ("sets", "error_when_answered"),
    "answered": ("sets", "answered"),
    "drawn right": ("drawn_unseen", "group_accuracy"),
}
"""Columns of the table, and where `run_figures` has them."""


def order_of_runs(names: Sequence[str], seeds: Sequence[int]) -> list[tuple[str, int]]:
    """Give the runs seed by seed: stopped early, every choice has been tried about as often."""
    return [(name, seed) for seed in seeds for name in names]


def file_of(out: Path, name: str, seed: int) -> Path:
    """Give the file of a run."""
    return out / f"{name.replace(' ', '-')}.{seed}.json"


def try_once(
    recipe: Recipe, parts: Parts, *, device: str, after_drawings: nn.Module | None = None
) -> dict[str, Any]:
    """Learn the folds by a recipe, and give the figures of their scores."""
    learned = learn_folds(
        recipe, parts, device=device, say=lambda _what: None, after_drawings=after_drawings
    )
    held = logits_of(mean_net(learned.nets), parts.held_out, device)
    with tempfile.TemporaryDirectory() as folder:
        return save_scores(
            Path(folder),
            parts.real,
            learned.real,
            learned.ground,
            parts.held_out,
            held,
            learned.of_source,
        )


def figure(figures: Mapping[str, Any], where: Sequence[str]) -> float:
    """Take one figure out of a run's."""
    for key in where:
        figures = figures[key]
    return float(figures)  # type: ignore[arg-type]


def table(out: Path, names: Sequence[str], seeds: Sequence[int]) -> str:
    """Give the runs found in `out` as a Markdown table: mean, and least to most over seeds."""
    lines = ["| recipe | seeds | " + " | ".join(FIGURES) + " |", "|---" * (len(FIGURES) + 2) + "|"]
    for name in names:
        paths = [path for seed in seeds if (path := file_of(out, name, seed)).is_file()]
        if not paths:
            continue
        runs = [json.loads(path.read_text(encoding="utf-8"))["figures"] for path in paths]
        cells = []
        for where in FIGURES.values():
            values = [figure(run, where) for run in runs]
            cell = f"{statistics.mean(values):.3f}"
            if len(values) > 1:
                cell += f" ({min(values):.3f} to {max(values):.3f})"
            cells.append(cell)
        lines.append(f"| {name} | {len(runs)} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def main(argv: Sequence[str] | None = None) -> None:
    """Run what has not been run, as long as the time lasts, and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--out", type=Path, default=Path("runs/ablations"))
    parser.add_argument("--drawn", type=Path, default=Path("runs"), help="where drawings are kept")
    parser.add_argument("--seeds", type=int, nargs="+", default=[0, 1, 2])
    parser.add_argument("--choices", nargs="+", choices=CHOICES, default=list(CHOICES))
    parser.add_argument("--minutes", type=float, default=60.0, help="start no run after so long")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    parser.add_argument("--steps", type=int, help="of every run, where not the recipe's own")
    parser.add_argument("--n-drawn-each", type=int, help="drawings of a class, likewise")
    parser.add_argument("--quick", action="store_true", help="every line, no quality")
    args = parser.parse_args(argv)
    started = time.monotonic()
    usual = replace(Recipe(), **ONE_RUN)
    usual = replace(
        usual,
        steps=args.steps or usual.steps,
        n_drawn_each=args.n_drawn_each or usual.n_drawn_each,
    )
    if args.quick:
        usual = replace(QUICK, **ONE_RUN)
    args.out.mkdir(parents=True, exist_ok=True)
    # with outlines, and once for all: the choices differ in what they take of it
    parts = load_parts(
        replace(usual, paste=1.0),
        photos_folder(),
        workers=args.workers,
        cache=args.drawn,
        each=1 if args.quick else 6,
    )
    after_drawings = learn_drawings(
        usual, parts.drawn, device=args.device, start=start_net(usual, base_weights())
    )
    for name, seed in order_of_runs(args.choices, args.seeds):
        path = file_of(args.out, name, seed)
        if path.is_file():
            continue
        if time.monotonic() - started > 60 * args.minutes:
            break
        recipe = replace(usual, seed=seed, **CHOICES[name])
        figures = try_once(recipe, parts, device=args.device, after_drawings=after_drawings)
        text = json.dumps({"recipe": asdict(recipe), "figures": figures}, indent=1) + "\n"
        path.write_text(text, encoding="utf-8")
        print(f"{name}, seed {seed}: {time.monotonic() - started:.0f} s", flush=True)
    print(table(args.out, args.choices, args.seeds))


if __name__ == "__main__":
    main()
