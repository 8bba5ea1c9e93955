"""The mover net: how sure it is that a changed region is an animal that moved.

A small convolutional net looks at a region on both photos (`patches`), near and with what is about it.
It was trained by `python -m training.mover_train` on drawn animals, in drawn tanks and laid into real
photographs. It is small enough to be run here as products of matrices, so that finding movers needs no
framework; training/mover_train.py holds the same net as layers, and a test holds the two together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from safetensors.numpy import load_file

from pestvision.arrays import as_f32
from pestvision.errors import ShapeError
from pestvision.motion.patches import CHANNELS, FIELDS, N_NUMBERS, PATCH_PX, Patches

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pestvision.arrays import F32, F64

WEIGHTS_FILE = Path(__file__).with_name("mover_net.safetensors")

WIDTHS = (24, 48, 48, 96, 96, 144)
"""Channels that each layer gives."""
HALVED_AFTER = (0, 2, 4)
"""Layers whose answer is halved by the largest of 2 × 2: 32, 16, 8 and 4 pixels a side."""
HIDDEN = 64
BATCH = 16  # regions at once: the largest product then takes 21 MB
N_LIMITS = 64  # places of each table of false candidates


@dataclass(frozen=True, slots=True, eq=False)
class MoverNet:
    """The weights, and what the net says of things that are no movers.

    `kernels`: for each layer (9 × channels in, channels out) float32, the nine neighbours row by row;
    `biases`: (channels out,). `mean`, `scale`: (7,) of the numbers. `hidden`, `hidden_bias`, `last`,
    `last_bias`: the two layers on top. `limits`: (2, 64) ascending scores, for hand-held pairs and for
    those from a stand, and `false`: (2, 64) how many candidates of a pair have more, descending, in drawn
    tanks in which nothing moved.
    """

    kernels: tuple[F32, ...]
    biases: tuple[F32, ...]
    mean: F32
    scale: F32
    hidden: F32
    hidden_bias: F32
    last: F32
    last_bias: F32
    limits: F32
    false: F32

    def __post_init__(self) -> None:
        given = (CHANNELS, *WIDTHS[:-1])
        wanted = [(9 * n_in, n_out) for n_in, n_out in zip(given, WIDTHS, strict=True)]
        n_top = 2 * WIDTHS[-1] * len(FIELDS) + N_NUMBERS
        if [kernel.shape for kernel in self.kernels] != wanted or self.hidden.shape != (
            n_top,
            HIDDEN,
        ):
            actual = str([kernel.shape for kernel in self.kernels])
            raise ShapeError("mover net", expected=str(wanted), actual=actual)

    @classmethod
    def of(cls, tensors: Mapping[str, F32]) -> MoverNet:
        """Put named tensors in their places, of any kind of float."""
        full = {name: as_f32(tensor.astype(np.float32)) for name, tensor in tensors.items()}
        ranks = range(len(WIDTHS))
        return cls(
            kernels=tuple(full.pop(f"kernel{rank}") for rank in ranks),
            biases=tuple(full.pop(f"bias{rank}") for rank in ranks),
            **full,
        )

    def scores(self, patches: Patches) -> F32:
        """Give the log-odds of each region being a mover, (N,), as far as drawings tell."""
        n = len(patches.pictures)
        parts = [np.zeros(0, np.float32)]
        parts += [
            self._batch(
                patches.pictures[start : start + BATCH], patches.numbers[start : start + BATCH]
            )
            for start in range(0, n, BATCH)
        ]
        return np.concatenate(parts)

    def _batch(self, pictures: np.ndarray, numbers: F32) -> F32:
        n = len(pictures)
        values = pictures.reshape(n * len(FIELDS), CHANNELS, PATCH_PX, PATCH_PX)
        values = values.transpose(0, 2, 3, 1).astype(np.float32) / np.float32(255) - np.float32(0.5)
        for rank, (kernel, bias) in enumerate(zip(self.kernels, self.biases, strict=True)):
            values = np.maximum(_neighbours(values) @ kernel + bias, np.float32(0))
            if rank in HALVED_AFTER:
                values = _halved(values)
        pooled = np.concatenate([values.mean(axis=(1, 2)), values.max(axis=(1, 2))], axis=1)
        top = np.concatenate(
            [pooled.reshape(n, -1), (numbers - self.mean) / self.scale], axis=1, dtype=np.float32
        )
        hidden = np.maximum(top @ self.hidden + self.hidden_bias, np.float32(0))
        return as_f32((hidden @ self.last + self.last_bias)[:, 0])

    def expected_false(self, scores: F32, *, on_stand: bool) -> F64:
        """Give how many candidates with a higher score a still tank has a pair, (N,), above 0.

        Beyond the surest that was met, the logarithm of that number falls on as it fell over the last
        tenth of the table.
        """
        row = int(on_stand)
        logs, limits = (
            np.log(self.false[row].astype(np.float64)),
            self.limits[row].astype(np.float64),
        )
        tail = N_LIMITS // 10
        slope = (logs[-1] - logs[-1 - tail]) / max(limits[-1] - limits[-1 - tail], 1e-6)
        beyond = np.maximum(np.asarray(scores, np.float64) - limits[-1], 0.0)
        expected: F64 = np.exp(np.interp(scores, limits, logs) + slope * beyond)
        return expected


@cache
def load_mover_net() -> MoverNet:
    """Read the net that the program ships, once."""
    return MoverNet.of(load_file(WEIGHTS_FILE))


def _neighbours(values: F32) -> F32:
    """Give each pixel's 3 × 3 neighbours side by side: (N, h, w, C) to (N, h, w, 9 C)."""
    n, height, width, channels = values.shape
    padded = np.zeros((n, height + 2, width + 2, channels), np.float32)
    padded[:, 1:-1, 1:-1] = values
    out = np.empty((n, height, width, 9, channels), np.float32)
    for place in range(9):
        down, across = divmod(place, 3)
        out[:, :, :, place] = padded[:, down : down + height, across : across + width]
    return out.reshape(n, height, width, 9 * channels)


def _halved(values: F32) -> F32:
    """Give the largest of each 2 × 2 pixels."""
    rows = np.maximum(values[:, ::2], values[:, 1::2])
    return np.maximum(rows[:, :, ::2], rows[:, :, 1::2])
