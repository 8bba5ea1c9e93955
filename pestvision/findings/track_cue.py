"""What an animal's outlines say that were found several times: how it went, changed and is built.

On two photos: how far it went, how its length changed, how slender, straight and full it is, and how blunt
its ends are. On frames of a clip the same but for the way, which its gait tells better. The likelihoods were
learned on drawn animals by `python -m training.evidence_exam fit-track`, from outlines found as the program
finds them. Classes that were not drawn are neither spoken for nor against, but for those that stay where
they are.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.errors import ShapeError, WeightsError
from pestvision.organisms.classes import FINE_NAMES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64
    from pestvision.size.records import BodyLine

WEIGHTS_FILE = Path(__file__).with_name("track_weights.json")

WENT = 0.5  # lengths from which on something was somewhere else

LEAST_GONE = 0.05  # lengths: less is no way at all
LEAST_CHANGE = 0.02  # of the logarithm of the stretch: outlines are no better than that
LEAST_THINNED = 0.03  # the same of the slenderness
LEAST_BEND = 0.05  # of the length: what a midline strays by itself
LEAST_END = 0.05  # of the greatest width

PHOTOS, FRAMES = "photos", "frames"
N_FEATURES = {PHOTOS: 44, FRAMES: 35}  # of `Between.features`, with and without a way

SITS = {"snail-eggs": 0.98, "mark-on-glass": 0.98, "hydra": 0.9}
"""Share of a class that is where it was, from one photo to the next: own assumptions."""


@dataclass(frozen=True, slots=True)
class Between:
    """What two photos, or frames of a clip, say of how an animal went and of the body that it drew out.

    Parameters
    ----------
    lengths_gone
        How far the middle of its box went, in long sides of the larger box; None in a clip.
    stretch
        Its longest length over its shortest, 1 or more.
    width_share
        Its greatest width over its length; like all that follow but `thinned` the mean of the pictures.
    thinned
        The greatest of the width shares over the least, 1 or more.
    straight
        From tip to tip over the length, up to 1.
    fullness
        Its mean width over its greatest, up to 1.
    blunt_end, thin_end
        Its width by the broader and by the narrower tip, over its greatest, up to 1.
    """

    lengths_gone: float | None
    stretch: float
    width_share: float
    thinned: float
    straight: float
    fullness: float
    blunt_end: float
    thin_end: float

    def __post_init__(self) -> None:
        ends = 0 <= self.thin_end <= self.blunt_end <= 1
        shape = self.width_share > 0 and 0 <= self.straight <= 1 and 0 < self.fullness <= 1 and ends
        went = self.lengths_gone is None or self.lengths_gone >= 0
        if not (went and self.stretch >= 1 and self.thinned >= 1 and shape):
            raise ShapeError("between", expected="0.., 1.., over 0, shares", actual=str(self))

    def features(self) -> F64:
        """(44,) float64: eight logarithms, their squares and products; without a way seven, (35,)."""
        gone = self.lengths_gone
        logs = np.log(
            [
                *([] if gone is None else [max(gone, LEAST_GONE)]),
                np.log(self.stretch) + LEAST_CHANGE,
                self.width_share,
                np.log(self.thinned) + LEAST_THINNED,
                1 + LEAST_BEND - self.straight,
                self.fullness,
                self.blunt_end + LEAST_END,
                self.thin_end + LEAST_END,
            ]
        )
        return np.concatenate([logs, np.outer(logs, logs)[np.triu_indices(len(logs))]])

    @property
    def pictures(self) -> str:
        """`PHOTOS` or `FRAMES`: what it was measured on."""
        return FRAMES if self.lengths_gone is None else PHOTOS

    def words(self) -> str:
        """Say it in a few words."""
        slender = f"{1 / self.width_share:.0f} times as long as wide"
        if self.lengths_gone is None:
            return f"{self.stretch:.1f} times as long on one frame as on another, {slender}"
        went = f"went {self.lengths_gone:.1f} lengths" if self.lengths_gone >= WENT else "stayed"
        return f"{went}, {self.stretch:.1f} times as long on one photo as on the other, {slender}"


def between(lengths_gone: float | None, bodies: Sequence[BodyLine]) -> Between | None:
    """Say how an animal went that was outlined several times; None where it was not, or without widths.

    Parameters
    ----------
    lengths_gone
        As in `Between`.
    bodies
        Two of photos, more of a clip: their outlines may be rough.
    """
    if len(bodies) < 2 or not all(body.widths_px.any() for body in bodies):
        return None
    lengths = [body.length_px for body in bodies]
    slender = [float(body.widths_px.max()) / body.length_px for body in bodies]
    widths = [body.widths_px / body.widths_px.max() for body in bodies]
    ends = [sorted((float(across[1]), float(across[-2]))) for across in widths]
    chords = [float(np.hypot(*(body.midline_xy_px[-1] - body.midline_xy_px[0]))) for body in bodies]
    reach = [min(chord / body.length_px, 1.0) for chord, body in zip(chords, bodies, strict=True)]
    return Between(
        lengths_gone=lengths_gone,
        stretch=max(lengths) / min(lengths),
        width_share=float(np.mean(slender)),
        thinned=max(slender) / min(slender),
        straight=float(np.mean(reach)),
        fullness=float(np.mean([across.mean() for across in widths])),
        blunt_end=float(np.mean([end[1] for end in ends])),
        thin_end=float(np.mean([end[0] for end in ends])),
    )


@dataclass(frozen=True, slots=True, eq=False)
class TrackWeights:
    """A multinomial logistic model over `Between.features`, of classes drawn equally often.

    `fines`: names of the classes. `mean`, `scale`: (F,), F being 44 for photos and 35 for frames.
    `weights`: (classes, F). `bias`: (classes,).
    """

    fines: tuple[str, ...]
    mean: F64
    scale: F64
    weights: F64
    bias: F64

    def log_likelihood(self, between: Between) -> F64:
        """(14,) natural logarithms, up to a constant, in the order of `FINE_CLASSES`."""
        of_known = self.weights @ ((between.features() - self.mean) / self.scale) + self.bias
        top = of_known.max()
        unknown = top + np.log(np.mean(np.exp(of_known - top)))
        known = dict(zip(self.fines, of_known, strict=True))
        logs = [
            known[fine] if fine in known else unknown + self._stays(fine, between.lengths_gone)
            for fine in FINE_NAMES
        ]
        return np.array(logs, np.float64)

    @staticmethod
    def _stays(fine: str, lengths_gone: float | None) -> float:
        """Say how much it speaks for a class that was not drawn, that something went or stayed."""
        if lengths_gone is None or fine not in SITS:
            return 0.0
        share = 1 - SITS[fine] if lengths_gone >= WENT else SITS[fine]
        return float(np.log(share / 0.5))

    def as_json(self) -> dict[str, object]:
        """Give it as it is written."""
        return {
            "fines": list(self.fines),
            "mean": self.mean.round(4).tolist(),
            "scale": self.scale.round(4).tolist(),
            "weights": self.weights.round(4).tolist(),
            "bias": self.bias.round(4).tolist(),
        }


@cache
def load_track_weights(pictures: str) -> TrackWeights:
    """Read the weights that the program ships for `PHOTOS` or `FRAMES`, once.

    Raises
    ------
    WeightsError
        If they are missing or damaged.
    """
    try:
        told = json.loads(WEIGHTS_FILE.read_text(encoding="utf-8"))[pictures]
        arrays = {
            name: np.array(told[name], np.float64) for name in ("mean", "scale", "weights", "bias")
        }
        fines = tuple(str(name) for name in told["fines"])
        shape = len(fines), N_FEATURES[pictures]
        if not set(fines) <= set(FINE_NAMES) or arrays["weights"].shape != shape:
            raise ValueError(fines)
    except (OSError, ValueError, KeyError, TypeError) as error:
        message = f"The weights of the track, {WEIGHTS_FILE.name}, are missing or damaged."
        raise WeightsError(message, advice="Install pestvision again.") from error
    return TrackWeights(fines=fines, **arrays)
