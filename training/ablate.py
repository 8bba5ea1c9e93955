"""Try recipes of the net against each other: every choice changes one thing, over several seeds.

    PESTVISION_PHOTOS=... python -m training.ablate --out runs/ablations --minutes 9

Each run leaves one JSON file, and a run whose file is there is not repeated: started again, the command
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
from training.train import Parts, Recipe, learn_folds, load_parts, logits_of, mean_net

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

CHOICES: dict[str, dict[str, Any]] = {
    "as shipped": {},
    "no drawings": {"share_drawn": 0.0, "pre_steps": 0},
    "drawings not first": {"pre_steps": 0},
    "fewer drawings in a batch": {"share_drawn": 0.2},
    "animals laid on other grounds": {"paste": 0.5},
    "pulled to the start": {"pull": 0.01},
    "two stages held": {"held_stages": 2},
    "two stages held, styles mixed": {"held_stages": 2, "mix_style": 0.5},
    "four stages held": {"held_stages": 4},
    "no squares of ground": {"share_ground": 0.0},
    "slower body": {"lr_body": 1.5e-4},
    "faster body": {"lr_body": 1e-3},
    "no smoothing": {"smoothing": 0.0},
}
"""What is changed, in words, and how; the first is what all others are compared with."""

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


def try_once(recipe: Recipe, parts: Parts, *, device: str) -> dict[str, Any]:
    """Learn the folds by a recipe, and give the figures of their scores."""
    learned = learn_folds(recipe, parts, device=device, say=lambda _what: None)
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
    usual = Recipe()
    usual = replace(
        usual,
        steps=args.steps or usual.steps,
        n_drawn_each=args.n_drawn_each or usual.n_drawn_each,
    )
    if args.quick:
        usual = Recipe(pre_steps=1, steps=1, batch=16, n_drawn_each=2, n_held_out_each=1)
    args.out.mkdir(parents=True, exist_ok=True)
    # with outlines, and once for all: the choices differ in what they take of it
    parts = load_parts(
        replace(usual, paste=1.0),
        photos_folder(),
        workers=args.workers,
        cache=args.drawn,
        each=1 if args.quick else 6,
    )
    for name, seed in order_of_runs(args.choices, args.seeds):
        path = file_of(args.out, name, seed)
        if path.is_file():
            continue
        if time.monotonic() - started > 60 * args.minutes:
            break
        recipe = replace(usual, seed=seed, **CHOICES[name])
        figures = try_once(recipe, parts, device=args.device)
        text = json.dumps({"recipe": asdict(recipe), "figures": figures}, indent=1) + "\n"
        path.write_text(text, encoding="utf-8")
        print(f"{name}, seed {seed}: {time.monotonic() - started:.0f} s", flush=True)
    print(table(args.out, args.choices, args.seeds))


if __name__ == "__main__":
    main()
