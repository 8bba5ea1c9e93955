"""A personal head: what a keeper's own labels add to what the net says of a crop.

It weighs the net's signature of a crop and adds the outcome to the log-odds of the groups. With no labels it
adds nothing; the more labels speak for it, the farther it goes from the shipped head.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import F32, F64, describe
from pestvision.errors import ShapeError, StoreError
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import GROUP_INDEX_OF_FINE, GROUPS
from pestvision.organisms.known import evened, nearest_distances
from pestvision.organisms.net import EMBEDDING, SIGNATURE, STAGES, TAPPED_STAGES

if TYPE_CHECKING:
    import numpy.typing as npt

LEAST_P = 1e-9  # before a logarithm
SPREADS: tuple[float, ...] = (2.55, 0.46, 2.52, 0.26, 2.94, 0.25, 0.79)
"""Mean spread, over 310 real crops, of the evened signature's parts: of each tapped stage the channels'
means and their standard deviations, at the end the embedding. Divided by it every part counts alike."""


def _part_widths() -> tuple[int, ...]:
    return (*(STAGES[stage][-1] for stage in TAPPED_STAGES for _ in range(2)), EMBEDDING)


def features_of(signatures: F32, middle: F32) -> F32:
    """Give the (N, 1872) features that a head weighs, of (N, 1872) signatures.

    `middle` (1872,) is that of `Known`: the mean of what the net has learned from.
    """
    spread = np.repeat(np.array(SPREADS, np.float32), _part_widths()) * np.sqrt(
        np.float32(SIGNATURE)
    )
    return np.asarray((evened(signatures) - middle) / spread, dtype=np.float32)


def log_groups(p_fine: npt.NDArray[np.floating]) -> F64:
    """Give the (N, 4) log-probabilities of the groups of (N, 14) probabilities of classes."""
    return np.asarray(np.log(np.maximum(group_probabilities(p_fine), LEAST_P)))


FADES_AT = 2.0
"""Times the usual distance between labelled crops at which a head has no say any more; up to once it has its
whole say. On the real crops, with 20 labels a group: .863 on other photos of the same photographers and .820 on
other photographers, and .851 and .802 without fading (shipped .805 and .811); with 1.5 times .851 and .822, with
3 times .864 and .814."""


def nearness(places: F32, labelled: F32, near: float) -> F64:
    """Give how much (N, D) crops are like (K, D) labelled ones: 1 within `near` of one, 0 from twice that on.

    Where nothing was labelled alike, a head would go on in a straight line into the dark.
    """
    if not np.isfinite(near) or not labelled.size:
        return np.ones(len(places))
    distances = nearest_distances(places, labelled, rank=1)
    if near <= 0:
        return np.asarray(distances <= 0, dtype=np.float64)
    return np.asarray(np.clip((FADES_AT - distances / near) / (FADES_AT - 1.0), 0.0, 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class PersonalHead:
    """What was learned from a keeper's labels.

    Parameters
    ----------
    weights, bias
        (1872, 4) and (4,) float32, in the order of `GROUPS`: added to the log-probabilities of the groups.
    share
        What the shipped log-probabilities are multiplied with before; 1 leaves them as they are.
    temperature
        Divides the sum where the head has its whole say, so that its probabilities are calibrated on the
        keeper's own crops.
    set_threshold
        Conformal threshold of the keeper's own crops; None where there are too few.
    middle
        (1872,) float32, subtracted from signatures (`features_of`).
    places
        (K, D) float32, where the labelled crops lie: they are no longer outside what is known, and far from
        all of them the head has no say.
    near
        The usual distance from a labelled crop to the next one of another photo; infinite where there is none.
    model
        Names the weights of the net that the head belongs to.
    version
        Its number in the album.
    """

    weights: F32
    bias: F32
    share: float
    temperature: float
    set_threshold: float | None
    middle: F32
    places: F32
    near: float
    model: str
    version: int = field(default=0)

    def __post_init__(self) -> None:
        shapes = (self.weights.shape, self.bias.shape, self.middle.shape)
        if shapes != ((SIGNATURE, len(GROUPS)), (len(GROUPS),), (SIGNATURE,)):
            found = ", ".join(describe(item) for item in (self.weights, self.bias, self.middle))
            raise ShapeError(
                "weights, bias, middle", expected="(1872, 4), (4,), (1872,)", actual=found
            )
        if not (np.isfinite(self.temperature) and self.temperature > 0 and np.isfinite(self.share)):
            found = f"{self.temperature}, {self.share}"
            raise ShapeError(
                "temperature, share", expected="finite, the first over 0", actual=found
            )

    def group_logits(self, p_fine: npt.NDArray[np.floating], signatures: F32, places: F32) -> F64:
        """Give the (N, 4) logits of the groups, before the temperature; (N, D) `places` as `Known` has them."""
        log_p = log_groups(p_fine)
        learned = features_of(signatures, self.middle) @ self.weights + self.bias
        say = nearness(places, self.places, self.near)[:, None]
        return np.asarray(log_p + say * ((self.share - 1) * log_p + learned), dtype=np.float64)

    def fine(self, p_fine: npt.NDArray[np.floating], signatures: F32, places: F32) -> F64:
        """Give the (N, 14) probabilities of classes.

        Those of the groups are the head's; within a group they are shared out as the net shares them.
        """
        say = nearness(places, self.places, self.near)[:, None]
        warmth = 1.0 + say * (self.temperature - 1.0)  # the shipped head is calibrated already
        p_groups = softmax(self.group_logits(p_fine, signatures, places) / warmth)
        within = np.maximum(np.asarray(p_fine, np.float64), LEAST_P)
        sums = np.zeros((len(within), len(GROUPS)))
        of_fine = np.array(GROUP_INDEX_OF_FINE)
        np.add.at(sums.T, of_fine, within.T)
        joined = within / sums[:, of_fine] * p_groups[:, of_fine]
        return np.asarray(joined / joined.sum(1, keepdims=True), dtype=np.float64)


def write_head(head: PersonalHead) -> bytes:
    """Give a head as safetensors."""
    from safetensors.numpy import save

    parts = {
        "weights": np.ascontiguousarray(head.weights),
        "bias": np.ascontiguousarray(head.bias),
        "middle": np.ascontiguousarray(head.middle),
        "places": np.ascontiguousarray(head.places, np.float16),
        "numbers": np.array(
            [
                head.share,
                head.temperature,
                np.nan if head.set_threshold is None else head.set_threshold,
                head.near,
            ],
            np.float64,
        ),
    }
    return bytes(save(parts, metadata={"model": head.model}))


def read_head(data: bytes, *, model: str, version: int) -> PersonalHead:
    """Read what `write_head` gave.

    Raises
    ------
    StoreError
        If it is something else.
    """
    from safetensors import SafetensorError
    from safetensors.numpy import load

    try:
        parts = load(data)
        share, temperature, threshold, near = (float(value) for value in parts["numbers"])
        return PersonalHead(
            weights=parts["weights"],
            bias=parts["bias"],
            share=share,
            temperature=temperature,
            set_threshold=None if np.isnan(threshold) else threshold,
            middle=parts["middle"],
            places=parts["places"].astype(np.float32),
            near=near,
            model=model,
            version=version,
        )
    except (SafetensorError, KeyError, ValueError, ShapeError) as error:
        message = f"Version {version} of your own labels' head is damaged ({error})."
        advice = "Go back to another version with pestvision album trust."
        raise StoreError(message, advice=advice) from error
