"""Crops that come with the net, as signatures: what a personal head must still be able to tell."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import F32, describe
from pestvision.errors import ShapeError, WeightsError
from pestvision.organisms.net import SIGNATURE
from pestvision.organisms.weights import INSTALL_AGAIN, find_models

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    from pestvision.organisms.classify import Classifier

YARDSTICK_NAME = "pestvision-lite0.yardstick.safetensors"


@dataclass(frozen=True, slots=True, eq=False)
class Yardstick:
    """`signatures` (N, 1872) float32 of crops, and `groups` (N,) their groups as indices of `GROUPS`."""

    signatures: F32
    groups: npt.NDArray[np.int64]

    def __post_init__(self) -> None:
        if self.signatures.shape != (len(self.groups), SIGNATURE):
            found = f"{describe(self.signatures)}, {describe(self.groups)}"
            raise ShapeError("signatures, groups", expected="(N, 1872), (N,)", actual=found)


def load_yardstick(classifier: Classifier, folder: Path | None = None) -> Yardstick | None:
    """Load the yardstick of a net; None where its card names none.

    Raises
    ------
    WeightsError
        If it is missing or damaged.
    """
    wanted = classifier.card.full.get("yardstick")
    if not wanted:
        return None
    path = (find_models() if folder is None else folder) / YARDSTICK_NAME
    try:
        data = path.read_bytes()
    except OSError as error:
        message = f"The yardstick {path} cannot be read: {error.strerror}."
        raise WeightsError(message, advice=INSTALL_AGAIN) from error
    if hashlib.sha256(data).hexdigest() != wanted.get("sha256"):
        message = f"The yardstick {path} is damaged: its checksum is not the card's."
        raise WeightsError(message, advice=INSTALL_AGAIN)
    return read_yardstick(data, name=str(path))


def read_yardstick(data: bytes, *, name: str) -> Yardstick:
    """Read what `write_yardstick` gives.

    Raises
    ------
    WeightsError
        If it is something else; `name` is told.
    """
    from safetensors import SafetensorError
    from safetensors.numpy import load

    try:
        parts = load(data)
        return Yardstick(parts["signatures"].astype(np.float32), parts["groups"].astype(np.int64))
    except (SafetensorError, KeyError, ShapeError) as error:
        message = f"The yardstick {name} does not fit the net: {error}."
        raise WeightsError(message, advice=INSTALL_AGAIN) from error


def write_yardstick(yardstick: Yardstick) -> bytes:
    """Give it as safetensors, the signatures in half precision."""
    from safetensors.numpy import save

    return bytes(
        save(
            {
                "signatures": np.ascontiguousarray(yardstick.signatures, np.float16),
                "groups": yardstick.groups.astype(np.int64),
            }
        )
    )
