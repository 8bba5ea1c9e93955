"""The program with a net that answers at once, so that a test waits for the scan and not for torch.

Run as a script. The processes that it starts import it again, and so have the same net.
"""

from __future__ import annotations

import signal
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.cli import main
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import FINE_NAMES
from pestvision.organisms.classify import Classifier, Scores
from pestvision.organisms.weights import Rules

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32, U8


class Quick:
    """Turns a crop's colours into scores: no judge of animals, but the same of the same crop."""

    card = SimpleNamespace(rules=Rules(), full={"weights": "quick"})
    head = None

    def classify(self, crops: Sequence[U8]) -> list[Scores]:
        weights = np.random.default_rng(0).normal(0, 0.05, (len(FINE_NAMES), 3))
        rows = [softmax((weights @ crop.mean((0, 1)))[None])[0] for crop in crops]
        return [
            Scores(row.astype(np.float32), group_probabilities(row).astype(np.float32))
            for row in rows
        ]

    def organism_map(self, rgb: U8) -> F32:
        return np.full((rgb.shape[0] // 32, rgb.shape[1] // 32), 0.5, np.float32)

    def heat_maps(self, crops: Sequence[U8], _groups: Sequence[object]) -> list[F32]:
        return [np.zeros((14, 14), np.float32) for _crop in crops]


def quick(_cls: type[Classifier], *_given: Any) -> Any:
    return Quick()


Classifier.load = classmethod(quick)  # type: ignore[assignment, method-assign]

if __name__ == "__main__":
    # a shell that starts a program in the background has it ignore Ctrl-C; the tests send one
    signal.signal(signal.SIGINT, signal.default_int_handler)
    main()
