"""Label crops with the net: load once, then ask as often as you like."""

from __future__ import annotations

import copy
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, as_f32, as_rgb, as_u8, describe
from pestvision.errors import ShapeError
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE, GROUPS, Group
from pestvision.organisms.crops import sharpness
from pestvision.organisms.known import N_NEAREST, Known, load_known
from pestvision.organisms.net import INPUT_PX, SIGNATURE, LeanNet, as_input
from pestvision.organisms.weights import Card, find_models, load_card, load_tensors

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    import torch

    from pestvision.organisms.personal import PersonalHead

BATCH = 2
"""Crops in one forward pass: larger batches are no faster and take more memory."""
HEAT_PX = 448
"""Side to which a crop is enlarged for its heat map: 14 x 14 places instead of 7 x 7."""
N_WORKERS = 2
"""Threads that run the net: the two ordinary cores this is made for."""


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """What the net says of one crop, calibrated.

    `p_fine` (14,) and `p_groups` (4,), float32, each summing to 1; `sharpness` of the crop as
    `organisms.crops.sharpness` gives it; `novelty`, how far it lies from what the net has learned from,
    over the limit of what it knows (`organisms.known`): above 1 it lies outside.
    """

    p_fine: F32
    p_groups: F32
    sharpness: float = 1.0
    novelty: float = 0.0

    def __post_init__(self) -> None:
        if self.p_fine.shape != (len(FINE_NAMES),) or self.p_groups.shape != (len(GROUPS),):
            found = f"{describe(self.p_fine)}, {describe(self.p_groups)}"
            raise ShapeError("p_fine, p_groups", expected="(14,), (4,)", actual=found)


class Classifier:
    """The net with its card.

    Parameters
    ----------
    tensors
        The trained tensors, float32, as `weights.load_tensors` gives them.
    card
        Their card: temperature and thresholds.
    known
        What the net knows; without it nothing is ever outside.

    Notes
    -----
    The net is run by `N_WORKERS` threads of this class, each on crops of its own, and never by several
    threads on one crop. Those wait for each other after each of the net's 50 layers, and where another
    program holds one of the cores they wait for it 50 times.
    """

    def __init__(
        self, tensors: Mapping[str, torch.Tensor], card: Card, known: Known | None = None
    ) -> None:
        import torch

        self.card = card
        self.head: PersonalHead | None = None
        self._known = known
        self._shipped = (card, known)
        self._net = LeanNet(tensors)
        self._workers = ThreadPoolExecutor(
            N_WORKERS, "pestvision-net", initializer=torch.set_num_threads, initargs=(1,)
        )

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
        return cls(load_tensors(folder, card), card, load_known(folder, card))

    @property
    def model(self) -> str:
        """Names the weights, and what they know: the beginning of their checksum."""
        return self.card.sha256[:16]

    def with_head(self, head: PersonalHead | None) -> Classifier:
        """Give a classifier of the same net that answers with a personal head; None gives the shipped one.

        What the keeper labelled is no longer outside what is known. Where the head has a conformal threshold
        of its own, the one that leaves more groups possible holds: boxes that a search tries are less like
        the labelled crops than these are like each other.

        Raises
        ------
        ShapeError
            If the head belongs to other weights: a programmer's error.
        """
        if head is not None and head.model != self.model:
            raise ShapeError("head", expected=f"a head of {self.model}", actual=head.model)
        other = copy.copy(self)
        other.head = head
        other.card, other._known = self._shipped
        other._shipped = self._shipped
        if head is not None and head.set_threshold is not None:
            threshold = max(head.set_threshold, other.card.rules.set_threshold)
            rules = replace(other.card.rules, set_threshold=threshold)
            other.card = replace(other.card, rules=rules)
        if head is not None and other._known is not None and len(head.places):
            stored = np.concatenate([other._known.stored, *([head.places] * N_NEAREST)])
            other._known = replace(other._known, stored=stored)
        return other

    def logits(self, crops: Sequence[U8]) -> F32:
        """Give the raw (N, 14) float32 logits of (224, 224, 3) uint8 RGB crops."""
        return self._logits_of(self.signatures(crops))

    def signatures(self, crops: Sequence[U8]) -> F32:
        """Give the (N, 1872) float32 signatures (`LeanNet.signatures`) of (224, 224, 3) uint8 RGB crops."""
        for crop in crops:
            if as_rgb(crop, "crop").shape[:2] != (INPUT_PX, INPUT_PX):
                raise ShapeError("crop", expected="(224, 224, 3) uint8", actual=describe(crop))
        parts = [np.zeros((0, SIGNATURE), dtype=np.float32)]
        batches = [crops[start : start + BATCH] for start in range(0, len(crops), BATCH)]
        parts += self._workers.map(partial(_asked, self._net.signatures), batches)
        return np.concatenate(parts)

    def _logits_of(self, signatures: F32) -> F32:
        import torch

        with torch.inference_mode():
            return as_f32(self._net.logits_of(torch.from_numpy(signatures)).numpy())

    def classify(self, crops: Sequence[U8]) -> list[Scores]:
        """Score crops: calibrated probabilities of classes and groups, and how new they are.

        Parameters
        ----------
        crops
            (224, 224, 3) uint8 RGB crops as `cut_crop` gives them; none gives an empty list.
        """
        signatures = self.signatures(crops)
        p_fine = self.p_fine_of(signatures)
        if self.head is not None and len(crops):
            p_fine = self.head.fine(p_fine, signatures, self.places_of(signatures))
        novelty = self.novelty_of(signatures)
        return [
            Scores(
                p_fine=row.astype(np.float32),
                p_groups=group_probabilities(row).astype(np.float32),
                sharpness=sharpness(crop),
                novelty=float(new),
            )
            for row, crop, new in zip(p_fine, crops, novelty, strict=True)
        ]

    def p_fine_of(self, signatures: F32) -> F64:
        """Give the (N, 14) calibrated probabilities of the shipped head, of (N, 1872) signatures."""
        logits = self._logits_of(signatures).astype(np.float64)
        return softmax(logits / self.card.temperature) if len(logits) else logits

    def places_of(self, signatures: F32) -> F32:
        """Give the (N, D) places of signatures among what the net knows; D is 0 where it knows nothing."""
        if self._known is None:
            return np.zeros((len(signatures), 0), np.float32)
        return self._known.places(signatures)

    def novelty_of(self, signatures: F32) -> F64:
        """Give the (N,) novelty of signatures, as `Scores` has it."""
        return np.zeros(len(signatures)) if self._known is None else self._known.novelty(signatures)

    @property
    def middle(self) -> F32:
        """The (1872,) mean of what the net has learned from; zeros where that is not known."""
        return np.zeros(SIGNATURE, np.float32) if self._known is None else self._known.middle

    def heat_maps(self, crops: Sequence[U8], groups: Sequence[Group]) -> list[F32]:
        """Show which places of each crop speak for a group.

        Parameters
        ----------
        crops
            (S, S, 3) uint8 RGB of any side, as they are shown.
        groups
            The group asked about, one for each crop.

        Returns
        -------
        list
            (14, 14) float32 each, 0 or more: how far the log-odds of the group at that place lie above
            those of the crop's middling place. 0 everywhere on a crop without differences.

        Notes
        -----
        The net pools its features and weighs them linearly, so weighing them before pooling tells each
        place's part. Source: Zhou et al. 2016, "Learning deep features for discriminative
        localization", CVPR. A crop is enlarged to `HEAT_PX`, which makes four times the places: each
        takes as long as four crops, so only what is shown is asked for.
        """
        asked = partial(_asked, self._net.logit_map)
        maps = self._workers.map(asked, [[_enlarged(crop)] for crop in crops])
        return [
            _heat(logits[0].astype(np.float64) / self.card.temperature, GROUPS.index(group))
            for logits, group in zip(maps, groups, strict=True)
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
        height, width = as_rgb(rgb).shape[:2]
        if height % 32 or width % 32:
            name = "rgb"
            raise ShapeError(name, expected="sides that are multiples of 32", actual=describe(rgb))
        logits = self._workers.submit(_asked, self._net.logit_map, [rgb]).result()[0]
        p_fine = softmax(logits.astype(np.float64) / self.card.temperature)
        return np.asarray(1.0 - group_probabilities(p_fine)[..., -1], dtype=np.float32)


def _enlarged(crop: U8) -> U8:
    """Bring a square crop to the side on which heat is measured."""
    height, width = as_rgb(crop, "crop").shape[:2]
    if height != width:
        raise ShapeError("crop", expected="(S, S, 3) uint8", actual=describe(crop))
    how = cv2.INTER_CUBIC if height < HEAT_PX else cv2.INTER_AREA
    return as_u8(cv2.resize(crop, (HEAT_PX, HEAT_PX), interpolation=how))


def _heat(logits: F64, group: int) -> F32:
    """Give the heat of (h, w, 14) logits: the log-odds of a group over their median, cut at 0."""
    inside = np.array(GROUP_INDEX_OF_FINE) == group
    odds = _log_sum(logits[..., inside]) - _log_sum(logits[..., ~inside])
    return np.asarray(np.maximum(odds - np.median(odds), 0.0), dtype=np.float32)


def _log_sum(logits: F64) -> F64:
    top = logits.max(-1, keepdims=True)
    return np.asarray(np.log(np.exp(logits - top).sum(-1)) + top[..., 0], dtype=np.float64)


def _asked(ask: Callable[[torch.Tensor], torch.Tensor], pictures: Sequence[U8]) -> F32:
    """Ask the net about pictures of one size, in the calling thread."""
    import torch

    with torch.inference_mode():
        return as_f32(ask(as_input(list(pictures))).numpy())
