"""A training run of eleven crops whose every figure can be worked out by hand.

Each crop's logits stand on two groups alone: 4 on the one it is called, 0 on the runner-up. Right
answers by group, every source of a group weighing the same: leech-like 1/2, flatworm-like 3/4,
harmless 1, not an organism 1/2. By fold: 5/8 of the weight in fold 0, 3/4 in fold 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from made_scores import FINE_OF_GROUP

from pestvision.organisms.classes import FINE_NAMES
from training.data import Example

if TYPE_CHECKING:
    from pestvision.arrays import F32

LEECH, FLATWORM, HARMLESS, NOTHING = range(4)
MARGIN = 4.0
NEVER = -1000.0


class Crop(NamedTuple):
    """A made crop: its true group, its photographer, what it is called, and the runner-up."""

    group: int
    source: str
    called: int
    runner_up: int
    kind: str = "usual"


CROPS = (
    Crop(LEECH, "a", LEECH, FLATWORM),
    Crop(LEECH, "a", LEECH, FLATWORM),
    Crop(LEECH, "a", LEECH, FLATWORM),
    Crop(LEECH, "b", FLATWORM, LEECH),
    Crop(FLATWORM, "c", FLATWORM, LEECH),
    Crop(FLATWORM, "c", LEECH, FLATWORM),
    Crop(FLATWORM, "d", FLATWORM, HARMLESS),
    Crop(HARMLESS, "e", HARMLESS, NOTHING),
    Crop(NOTHING, "f", HARMLESS, NOTHING),
    Crop(NOTHING, "f", LEECH, NOTHING),
    Crop(NOTHING, "g", NOTHING, HARMLESS),
)
STRESS = (  # reported apart: were they counted in, flatworm-like would be wrong by their weight
    Crop(FLATWORM, "h", LEECH, FLATWORM, "marine-polyclad"),
    Crop(FLATWORM, "h", FLATWORM, LEECH, "land-planarian"),
    Crop(FLATWORM, "h", HARMLESS, FLATWORM, "marine-polyclad"),
)
FOLDS = {"a": 0, "b": 0, "c": 0, "d": 0, "e": 1, "f": 1, "g": 1, "h": 1}


def logits_of(called: int | str, runner_up: int = NOTHING) -> F32:
    """Give the (14,) logits that stand on two groups, or on one class given by name."""
    logits = np.full(len(FINE_NAMES), NEVER, dtype=np.float32)
    logits[FINE_NAMES.index(FINE_OF_GROUP[runner_up])] = 0.0
    name = called if isinstance(called, str) else FINE_OF_GROUP[called]
    logits[FINE_NAMES.index(name)] = MARGIN
    return logits


def example_of(
    group: int,
    source: str,
    *,
    fine: str | None = None,
    file: str = "",
    kind: str = "usual",
    licence: str = "open",
) -> Example:
    """Give an example of which only what is written about it matters."""
    fine = FINE_OF_GROUP[group] if fine is None else fine
    return Example(
        canvas=np.zeros((1, 1, 3), np.uint8),
        crop=np.zeros((1, 1, 3), np.uint8),
        allowed=np.array([name == fine for name in FINE_NAMES]),
        group=group,
        source=source,
        file=file or f"{source}.jpg",
        label=fine,
        kind=kind,
        setting="tank",
        licence=licence,
        length_px=50.0,
    )


def made_examples() -> list[Example]:
    return [example_of(crop.group, crop.source, kind=crop.kind) for crop in CROPS + STRESS]


def made_logits() -> F32:
    return np.stack([logits_of(crop.called, crop.runner_up) for crop in CROPS + STRESS])
