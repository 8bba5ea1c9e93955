"""Label crops with the net: load once, then ask as often as you like."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32, U8


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """What the net says of one crop, calibrated. `p_fine` (14,), `p_groups` (4,), float32, sum 1."""

    p_fine: F32
    p_groups: F32


class Classifier:
    """The net with its card. Under construction: `Classifier.load()` and `classify(crops)`."""

    @classmethod
    def load(cls) -> Classifier:
        """Load the shipped weights. Raises WeightsError."""
        raise RuntimeError

    def classify(self, crops: Sequence[U8]) -> list[Scores]:
        """Score (S, S, 3) uint8 crops."""
        raise RuntimeError(crops)
