"""What the net knows: how far a crop lies from everything it has learned from.

A net gives some class a high probability for a picture of anything. What its layers see on the way tells
more: crops of kinds that it has learned from lie near each other, and noise, writing or a face lie apart.
The distance to stored crops says which. Sources: Sun, Ming, Zhu & Li 2022, "Out-of-distribution detection
with deep nearest neighbors", ICML (distance to the k-th nearest); Lee, Lee, Lee & Shin 2018, NeurIPS
(several layers, whitened).
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import F32, F64, as_f32, describe
from pestvision.errors import ShapeError, WeightsError
from pestvision.organisms.net import SIGNATURE, STAGES, TAPPED_STAGES
from pestvision.organisms.weights import INSTALL_AGAIN, Card

if TYPE_CHECKING:
    from pathlib import Path

KNOWN_NAME = "pestvision-lite0.known.safetensors"
LEAST = 0.01
"""Added before a logarithm: a channel that answers less than this is silent."""
N_NEAREST = 5
"""The distance to the fifth nearest stored crop counts: one odd crop among those stored vouches for
nothing."""


def _positive_places() -> tuple[slice, ...]:
    """Give the columns of a signature that hold spreads, and those of the embedding."""
    places, start = [], 0
    for stage in TAPPED_STAGES:
        width = STAGES[stage][-1]
        places.append(slice(start + width, start + 2 * width))
        start += 2 * width
    return (*places, slice(start, SIGNATURE))


_POSITIVE = _positive_places()


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Stored crops in a small space, and the distance from which a crop is outside.

    Parameters
    ----------
    middle
        (1872,) float32, subtracted from evened signatures.
    axes
        (1872, D) float32, the directions that are kept, scaled so that the stored crops spread evenly.
    stored
        (K, D) float32, crops that the net has learned from, K at least `N_NEAREST`.
    limit
        Distance above which a crop lies outside what the net knows; over 0.
    """

    middle: F32
    axes: F32
    stored: F32
    limit: float

    def __post_init__(self) -> None:
        depth = self.axes.shape[-1]
        fits = (
            self.middle.shape == (SIGNATURE,)
            and self.axes.shape == (SIGNATURE, depth)
            and self.stored.ndim == 2
            and self.stored.shape[1] == depth
            and len(self.stored) >= N_NEAREST
        )
        if not fits:
            found = ", ".join(describe(item) for item in (self.middle, self.axes, self.stored))
            name = "middle, axes, stored"
            raise ShapeError(name, expected="(1872,), (1872, D), (K, D)", actual=found)
        if not (math.isfinite(self.limit) and self.limit > 0):
            raise ShapeError("limit", expected="a positive number", actual=str(self.limit))

    def distances(self, signatures: F32) -> F64:
        """Give the (N,) distances of (N, 1872) signatures to their `N_NEAREST`-th stored crop."""
        return nearest_distances(self.places(signatures), self.stored)

    def places(self, signatures: F32) -> F32:
        """Give the (N, D) places of (N, 1872) signatures in the small space."""
        return as_f32((evened(signatures) - self.middle) @ self.axes)

    def novelty(self, signatures: F32) -> F64:
        """Give the (N,) distances over the limit: above 1 a crop lies outside what the net knows."""
        return self.distances(signatures) / self.limit


def evened(signatures: F32) -> F32:
    """Take the logarithm of what is never negative in (N, 1872) signatures: spreads and embedding.

    They reach over powers of ten; means of the tapped stages have either sign and stay as they are.
    """
    even = signatures.astype(np.float32, copy=True)
    for place in _POSITIVE:
        even[:, place] = np.log(even[:, place] + LEAST)
    return even


def nearest_distances(placed: F32, stored: F32, *, rank: int = N_NEAREST) -> F64:
    """Give the (N,) distance of each of (N, D) points to the `rank`-th nearest of (K, D) others."""
    squares = (
        np.square(placed).sum(1, dtype=np.float64)[:, None]
        + np.square(stored).sum(1, dtype=np.float64)[None]
        - 2.0 * (placed.astype(np.float64) @ stored.T.astype(np.float64))
    )
    return np.asarray(
        np.sqrt(np.maximum(np.partition(squares, rank - 1, axis=1)[:, rank - 1], 0.0))
    )


def load_known(folder: Path, card: Card) -> Known | None:
    """Load what the net knows; None where its card names nothing of the kind.

    Raises
    ------
    WeightsError
        If the file is missing, its checksum is not the card's, or it does not fit the net.
    """
    if not card.known_sha256:
        return None
    path = folder / KNOWN_NAME
    try:
        data = path.read_bytes()
    except OSError as error:
        message = f"What the net knows, {path}, cannot be read: {error.strerror}."
        raise WeightsError(message, advice=INSTALL_AGAIN) from error
    if hashlib.sha256(data).hexdigest() != card.known_sha256:
        message = f"What the net knows, {path}, is damaged: its checksum is not the card's."
        raise WeightsError(message, advice=INSTALL_AGAIN)
    return read_known(data, name=str(path))


def read_known(data: bytes, *, name: str) -> Known:
    """Read what `write_known` gives.

    Raises
    ------
    WeightsError
        If it is something else; `name` is told.
    """
    from safetensors import SafetensorError
    from safetensors.numpy import load

    try:
        parts = {key: value.astype(np.float32) for key, value in load(data).items()}
        return Known(
            middle=parts["middle"],
            axes=parts["axes"],
            stored=parts["stored"],
            limit=float(parts["limit"][0]),
        )
    except (SafetensorError, KeyError, IndexError, ShapeError) as error:
        message = f"What the net knows, {name}, does not fit the net: {error}."
        raise WeightsError(message, advice=INSTALL_AGAIN) from error


def write_known(known: Known) -> bytes:
    """Give it as safetensors, the large parts in half precision.

    safetensors writes an array as it lies in memory: rows must lie one after the other.
    """
    from safetensors.numpy import save

    parts = {
        "middle": np.ascontiguousarray(known.middle),
        "axes": np.ascontiguousarray(known.axes, np.float16),
        "stored": np.ascontiguousarray(known.stored, np.float16),
        "limit": np.array([known.limit], np.float32),
    }
    return bytes(save(parts))
