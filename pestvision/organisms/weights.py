"""Find, check and load the trained weights and their card."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pestvision.errors import WeightsError
from pestvision.organisms.classes import FINE_NAMES
from pestvision.organisms.net import INPUT_PX, MEAN, STD, trained_shapes

if TYPE_CHECKING:
    from collections.abc import Mapping

    import torch

WEIGHTS_NAME = "pestvision-lite0.safetensors"
CARD_NAME = "pestvision-lite0.json"
FORMAT_VERSION = 1
INSTALL_AGAIN = "Install pestvision again; your own photos and labels are not touched by that."


@dataclass(frozen=True, slots=True)
class Rules:
    """When a label is given and when it is not; the shipped card holds the measured values.

    Parameters
    ----------
    set_threshold
        Conformal threshold on one minus the probability of a group: groups under it stay possible.
    min_length_px
        Length in the photo below which nothing is told apart.
    min_sharpness
        Sharpness (`crops.sharpness`) below which a crop is too blurred.
    leech_look_again
        Probability of leech-like from which it is never ruled out. The card's is the one that its
        figures were measured with; a person's own follows from the setting `missed_leech_costs`.
    """

    set_threshold: float = 0.5
    min_length_px: float = 16.0
    min_sharpness: float = 0.0
    leech_look_again: float = 0.10


@dataclass(frozen=True, slots=True)
class Card:
    """What the classifier needs from the model card, checked.

    `temperature` divides the logits; `sha256` is of the weights file; `full` is the whole card;
    `known_sha256` is of the file that says what the net knows, empty where there is none.
    """

    temperature: float
    rules: Rules
    sha256: str
    full: dict[str, Any]
    known_sha256: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.temperature) and self.temperature > 0):
            message = f"the temperature {self.temperature} is no positive number"
            raise ValueError(message)


def find_models() -> Path:
    """Give the folder that holds the weights: inside the installed package, else beside its source.

    Raises
    ------
    WeightsError
        If neither folder holds them; the message names both.
    """
    inside = Path(str(resources.files("pestvision"))) / "_models"
    beside = Path(str(resources.files("pestvision"))).parent / "models"
    for folder in (inside, beside):
        if (folder / WEIGHTS_NAME).is_file():
            return folder
    message = (
        f"The trained weights are missing: looked for {WEIGHTS_NAME} in {inside} and {beside}."
    )
    raise WeightsError(message, advice=INSTALL_AGAIN)


def load_card(folder: Path) -> Card:
    """Read the model card and check it against this version.

    Raises
    ------
    WeightsError
        If it is missing, damaged, or its classes or input differ from this version's.
    """
    path = folder / CARD_NAME
    try:
        table = json.loads(path.read_text(encoding="utf-8"))
        use = table["use"]
        card = Card(
            temperature=float(use["temperature"]),
            rules=Rules(
                set_threshold=float(use["set_threshold"]),
                min_length_px=float(use["min_length_px"]),
                min_sharpness=float(use["min_sharpness"]),
                leech_look_again=float(use["leech_look_again"]),
            ),
            sha256=str(table["weights"]["sha256"]),
            full=table,
            known_sha256=str(table["known"]["sha256"]) if "known" in table else "",
        )
        found = (table["format_version"], tuple(table["classes"]), table["input"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        message = f"The model card {path} is missing or damaged ({type(error).__name__}: {error})."
        raise WeightsError(message, advice=INSTALL_AGAIN) from error
    expected_input = {"size_px": INPUT_PX, "mean": MEAN, "std": STD, "colour": "RGB"}
    if found != (FORMAT_VERSION, FINE_NAMES, expected_input):
        message = f"The model card {path} belongs to another version of pestvision."
        raise WeightsError(message, advice=INSTALL_AGAIN)
    return card


def load_tensors(folder: Path, card: Card) -> dict[str, torch.Tensor]:
    """Load the trained tensors as float32, with the names and shapes of `net.trained_shapes`.

    Raises
    ------
    WeightsError
        If the file is missing, its checksum is not the card's, or its tensors do not fit the net.
    """
    import torch
    from safetensors import SafetensorError
    from safetensors.torch import load

    path = folder / WEIGHTS_NAME
    try:
        data = path.read_bytes()
    except OSError as error:
        message = f"The weights {path} cannot be read: {error.strerror}."
        raise WeightsError(message, advice=INSTALL_AGAIN) from error
    if hashlib.sha256(data).hexdigest() != card.sha256:
        message = f"The weights {path} are damaged: their checksum is not the one on the card."
        raise WeightsError(message, advice=INSTALL_AGAIN)
    try:
        tensors = {name: tensor.to(torch.float32) for name, tensor in load(data).items()}
    except (SafetensorError, RuntimeError) as error:
        message = f"The weights {path} do not fit the net: {error}."
        raise WeightsError(message, advice=INSTALL_AGAIN) from error
    why = _misfit({name: tuple(tensor.shape) for name, tensor in tensors.items()})
    if why:
        message = f"The weights {path} do not fit the net: {why}."
        raise WeightsError(message, advice=INSTALL_AGAIN)
    return tensors


def _misfit(found: Mapping[str, tuple[int, ...]]) -> str:
    """Say how the tensors of a file differ from the net's; nothing where they fit."""
    wanted = trained_shapes()
    missing, extra = wanted.keys() - found.keys(), found.keys() - wanted.keys()
    if missing or extra:
        return f"{len(missing)} missing, {len(extra)} extra"
    wrong = [name for name, shape in wanted.items() if found[name] != shape]
    if wrong:
        name = wrong[0]
        return f"{name} has the shape {found[name]} and not {wanted[name]}"
    return ""
