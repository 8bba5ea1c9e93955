"""The record of one cue: what it says of an animal, in numbers for joining and in words for a person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pestvision.errors import ShapeError
from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE, GROUP_NAMES, GROUPS

LOOKS = "looks"
MOVES = "moves"
SIZE = "size"
TRACK = "track"
CUE_NAMES = (LOOKS, MOVES, SIZE, TRACK)
"""What an animal can be told by: its crop, its gait, its length, and how it went between photos."""


@dataclass(frozen=True, slots=True)
class Cue:
    """One cue of an animal.

    Parameters
    ----------
    name
        One of `CUE_NAMES`.
    words
        What a person reads of it, without its name: `inchworm steps, 6 of 7 steps`.
    log_likelihood
        (14,) in the order of `FINE_CLASSES`: the natural logarithm of how likely the cue is with an
        animal of that class, over the likeliest class. 0 is the best, and nothing is above.
    """

    name: str
    words: str
    log_likelihood: tuple[float, ...]

    def __post_init__(self) -> None:
        if self.name not in CUE_NAMES:
            raise ShapeError("name", expected=" or ".join(CUE_NAMES), actual=self.name)
        if (
            len(self.log_likelihood) != len(FINE_NAMES)
            or not np.isfinite(self.log_likelihood).all()
        ):
            found = str(self.log_likelihood)
            raise ShapeError("log_likelihood", expected="14 finite numbers", actual=found)
        if max(self.log_likelihood) > 1e-9:
            found = str(max(self.log_likelihood))
            raise ShapeError("log_likelihood", expected="at most 0", actual=found)

    def of_groups(self) -> dict[str, float]:
        """Give for each group how likely the cue is with its likeliest class, over the best; 0 to 1."""
        best = np.full(len(GROUPS), -np.inf)
        np.maximum.at(best, np.array(GROUP_INDEX_OF_FINE), np.array(self.log_likelihood))
        return {str(group): float(np.exp(value)) for group, value in zip(GROUPS, best, strict=True)}

    def sentence(self) -> str:
        """Give it with its name, as it is shown: `moves: inchworm steps, 6 of 7 steps`."""
        return f"{self.name}: {self.words}"

    def as_json(self) -> dict[str, Any]:
        """Give it as an object of the list `cues` of the contracts."""
        return {
            "name": self.name,
            "words": self.words,
            "fits": {group: round(value, 3) for group, value in self.of_groups().items()},
        }


def fitting(likelihoods: dict[str, float], *, least: float) -> str:
    """Name the groups of animals that a cue fits, for its words: `leech-like and flatworm-like`.

    Parameters
    ----------
    likelihoods
        As `Cue.of_groups` gives them.
    least
        From this likelihood over the best on a group counts as fitting.
    """
    named = [GROUP_NAMES[group] for group in GROUPS[:3] if likelihoods[str(group)] >= least]
    if len(named) < 2:
        return "".join(named)
    return f"{', '.join(named[:-1])} and {named[-1]}"
