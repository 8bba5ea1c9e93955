"""Scores and photos made by hand, and a classifier that reads its answer from the paint."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np

from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE, GROUPS, Group
from pestvision.organisms.classify import Scores
from pestvision.organisms.weights import Rules
from pestvision.photos.exif import NO_TIME
from pestvision.photos.read import Photo

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32, U8, BoxXyxy

FINE_OF_GROUP = ("leech", "flatworm", "snail", "plant-or-debris")
GROUND = 128
SHIPPED_LIKE = Rules(set_threshold=0.84, min_length_px=16.0, min_sharpness=0.01)


def scores_of(
    leech: float, flatworm: float, harmless: float, nothing: float, *, sharpness: float = 1.0
) -> Scores:
    """Give scores in which each group's probability lies on one of its classes."""
    p_groups = np.array([leech, flatworm, harmless, nothing], dtype=np.float32)
    p_fine = np.zeros(len(FINE_NAMES), dtype=np.float32)
    for name, p in zip(FINE_OF_GROUP, p_groups, strict=True):
        p_fine[FINE_NAMES.index(name)] = p
    return Scores(p_fine=p_fine, p_groups=p_groups, sharpness=sharpness)


def sure_of(group: Group, p: float = 0.97) -> Scores:
    """Give scores that are sure of one group."""
    rest = (1 - p) / (len(GROUPS) - 1)
    return scores_of(*[p if item is group else rest for item in GROUPS])


def sure_of_fine(fine: str, p: float = 1.0) -> Scores:
    """Give scores that are sure of one class of the net; the other classes share the rest."""
    p_fine = np.full(len(FINE_NAMES), (1 - p) / (len(FINE_NAMES) - 1), dtype=np.float32)
    p_fine[FINE_NAMES.index(fine)] = p
    p_groups = np.zeros(len(GROUPS), dtype=np.float32)
    np.add.at(p_groups, np.array(GROUP_INDEX_OF_FINE), p_fine)
    return Scores(p_fine=p_fine, p_groups=p_groups)


def paint_of(group: Group) -> int:
    """Give the grey level by which `PaintReader` knows a group."""
    return 10 + 20 * GROUPS.index(group)


def painted_photo(
    blobs: Sequence[tuple[BoxXyxy, Group]], *, height: int = 400, width: int = 600
) -> Photo:
    """Paint a plain ground with one filled box for each animal."""
    rgb = np.full((height, width, 3), GROUND, dtype=np.uint8)
    for (x0, y0, x1, y1), group in blobs:
        rgb[int(y0) : int(y1), int(x0) : int(x1)] = paint_of(group)
    return Photo(rgb, "painted.png", None, "PNG", NO_TIME, ("A note.",))


class MiddleIsHot:
    """Says of every crop that its middle speaks for the group, and keeps which groups were asked."""

    def __init__(self) -> None:
        self.asked: list[Group] = []

    def heat_maps(self, crops: Sequence[U8], groups: Sequence[Group]) -> list[F32]:
        assert len(crops) == len(groups)
        self.asked += groups
        heat = np.zeros((14, 14), np.float32)
        heat[5:9, 5:9] = 2.0
        return [heat for _crop in crops]


class PaintReader(MiddleIsHot):
    """Reads the group from the paint in a crop's middle; plain ground is not an organism."""

    def __init__(self, rules: Rules = SHIPPED_LIKE) -> None:
        super().__init__()
        self.card = SimpleNamespace(rules=rules)
        self.head = None
        self.n_crops = 0

    def classify(self, crops: Sequence[U8]) -> list[Scores]:
        self.n_crops += len(crops)
        middles = [int(np.median(crop[96:128, 96:128])) for crop in crops]
        known = {paint_of(group): group for group in GROUPS}
        return [sure_of(known.get(level, Group.NOT_AN_ORGANISM)) for level in middles]

    def organism_map(self, rgb: U8) -> F32:
        assert rgb.shape[0] % 32 == 0
        assert rgb.shape[1] % 32 == 0
        away = np.abs(rgb.astype(np.float32) - GROUND).mean(2) > 20
        cells = away.reshape(rgb.shape[0] // 32, 32, rgb.shape[1] // 32, 32)
        return cells.mean((1, 3)).astype(np.float32)
