"""Label crops with the net: load once, then ask as often as you like."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import F32, U8, as_rgb, describe
from pestvision.errors import ShapeError
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import FINE_NAMES, GROUPS
from pestvision.organisms.crops import sharpness
from pestvision.organisms.net import INPUT_PX, as_input, fold_batch_norms
from pestvision.organisms.weights import Card, find_models, load_card, load_net

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from torch import nn

BATCH = 4
"""Crops in one forward pass: larger batches are no faster on two cores and take more memory."""


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """What the net says of one crop, calibrated.

    `p_fine` (14,) and `p_groups` (4,), float32, each summing to 1; `sharpness` of the crop as
    `organisms.crops.sharpness` gives it.
    """

    p_fine: F32
    p_groups: F32
    sharpness: float = 1.0

    def __post_init__(self) -> None:
        if self.p_fine.shape != (len(FINE_NAMES),) or self.p_groups.shape != (len(GROUPS),):
            found = f"{describe(self.p_fine)}, {describe(self.p_groups)}"
            raise ShapeError("p_fine, p_groups", expected="(14,), (4,)", actual=found)


class Classifier:
    """The net with its card.

    Parameters
    ----------
    net
        The net in eval mode.
    card
        Its card: temperature and thresholds.
    """

    def __init__(self, net: nn.Module, card: Card) -> None:
        import torch

        self.card = card
        self._net = fold_batch_norms(net).to(memory_format=torch.channels_last)

    @classmethod
    def load(cls, folder: Path | None = None) -> Classifier:
        """Load the shipped weights.

        Parameters
        ----------
        folder
            Where the weights and their card lie; None looks in the installed package, then beside it.

        Raises
        ------
        WeightsError
            If they are missing, damaged, or belong to another version.
        """
        folder = find_models() if folder is None else folder
        card = load_card(folder)
        return cls(load_net(folder, card), card)

    def logits(self, crops: Sequence[U8]) -> F32:
        """Give the raw (N, 14) float32 logits of (224, 224, 3) uint8 RGB crops."""
        import torch

        for crop in crops:
            if as_rgb(crop, "crop").shape[:2] != (INPUT_PX, INPUT_PX):
                raise ShapeError("crop", expected="(224, 224, 3) uint8", actual=describe(crop))
        parts = [np.zeros((0, len(FINE_NAMES)), dtype=np.float32)]
        with torch.inference_mode():
            for start in range(0, len(crops), BATCH):
                batch = as_input(list(crops[start : start + BATCH]))
                parts.append(self._net(batch).numpy())
        return np.concatenate(parts)

    def classify(self, crops: Sequence[U8]) -> list[Scores]:
        """Score crops: calibrated probabilities of classes and groups.

        Parameters
        ----------
        crops
            (224, 224, 3) uint8 RGB crops as `cut_crop` gives them; none gives an empty list.
        """
        logits = self.logits(crops).astype(np.float64)
        p_fine = softmax(logits / self.card.temperature) if len(crops) else logits
        return [
            Scores(
                p_fine=row.astype(np.float32),
                p_groups=group_probabilities(row).astype(np.float32),
                sharpness=sharpness(crop),
            )
            for row, crop in zip(p_fine, crops, strict=True)
        ]

    def organism_map(self, rgb: U8) -> F32:
        """Run the net over a whole picture without its last pooling.

        Parameters
        ----------
        rgb
            (h, w, 3) uint8, RGB, both sides multiples of 32.

        Returns
        -------
        F32
            (h/32, w/32) probability that something alive is at that place, one minus the probability
            of *not an organism*. A guide for proposals, not calibrated.
        """
        import torch

        height, width = as_rgb(rgb).shape[:2]
        if height % 32 or width % 32:
            name = "rgb"
            raise ShapeError(name, expected="sides that are multiples of 32", actual=describe(rgb))
        with torch.inference_mode():
            features = self._net.forward_features(as_input([rgb]))  # type: ignore[operator]
            head = self._net.classifier
            logits = torch.einsum("kc,nchw->nkhw", head.weight, features)[0].numpy()  # type: ignore[union-attr]
            logits = logits + head.bias.numpy()[:, None, None]  # type: ignore[union-attr,operator]
        p_fine = softmax(np.moveaxis(logits, 0, -1).astype(np.float64) / self.card.temperature)
        return np.asarray(1.0 - group_probabilities(p_fine)[..., -1], dtype=np.float32)
