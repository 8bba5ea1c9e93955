"""Does the animal decide, or its ground, or the style of the picture? Shortcuts a net may take, measured.

Animals are cut out of their photographs and laid on other photographs' grounds, painted out of their own,
and drawn ones are set against photographed ones. `ask` always is by a net that has not seen the
photographer, or by the shipped net, which has seen them all: then only large faults show.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import torch

from pestvision.arrays import U8, as_u8
from pestvision.organisms.classes import GROUPS
from pestvision.organisms.crops import GROW, cut_crop
from training.cutouts import lay_on
from training.data import CANVAS_GROW, CANVAS_PX, STRESS_KINDS
from training.figures import auc, source_weights

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pestvision.arrays import F64
    from training.data import Example

    Ask = Callable[[Sequence[U8], Sequence[str]], F64]
    """Gives the (n, 4) probabilities of n crops by the photographers of the given names."""

LEECH, FLATWORM, HARMLESS, NOTHING = range(4)
SKIN = ("skin", "hand")
STRENGTH = 0.5
"""How far at most an animal's brightness is drawn to that of its new ground."""
EDGE_PX = 9
"""Width by which an outline is widened before its animal is painted out: its shadow goes too."""


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Crops of animals on other grounds, with the true groups (n,) and the animals' photographers."""

    crops: list[U8]
    groups: F64
    sources: list[str]


def crop_in(canvas: U8) -> U8:
    """Cut from a canvas the square that the tool would look at."""
    grown = CANVAS_PX * GROW / (1 + 2 * CANVAS_GROW)
    half = CANVAS_PX / (1 + 2 * CANVAS_GROW) / 2 + grown
    middle = CANVAS_PX / 2
    return cut_crop(canvas, (middle - half, middle - half, middle + half, middle + half), grow=0.0)


def lay_animals(
    animals: Sequence[Example],
    grounds: Sequence[Example],
    folds: Mapping[str, int],
    *,
    each: int,
    seed: int = 0,
) -> Laid:
    """Lay every outlined animal on `each` grounds of its own fold by other photographers.

    The net that is asked has then seen neither. An animal in whose fold there is no such ground is left
    out.
    """
    rng = np.random.default_rng(seed)
    crops, groups, sources = [], [], []
    for item in animals:
        usable = [
            ground
            for ground in grounds
            if folds.get(ground.source) == folds[item.source] and ground.source != item.source
        ]
        if item.opacity is None or not usable:
            continue
        for index in rng.integers(len(usable), size=each):
            strength = torch.tensor([float(rng.uniform(0, STRENGTH))])
            pictures = (item.canvas, usable[int(index)].canvas)
            canvases = [torch.from_numpy(one).permute(2, 0, 1)[None] for one in pictures]
            outline = torch.from_numpy(item.opacity)[None]
            laid = lay_on(canvases[0], outline, canvases[1], strength)[0]
            crops.append(crop_in(as_u8(laid.permute(1, 2, 0).contiguous().numpy())))
            groups.append(item.group)
            sources.append(item.source)
    return Laid(crops, np.array(groups, dtype=np.float64), sources)


def painted_out(item: Example) -> U8:
    """Paint an outlined animal out of its canvas from its surroundings, and cut the crop.

    Source: Telea 2004, "An image inpainting technique based on the fast marching method", J. Graphics
    Tools 9:23.

    Raises
    ------
    ValueError
        If it has no outline.
    """
    if item.opacity is None:
        message = f"the crop of {item.file} has no outline to paint out"
        raise ValueError(message)
    mask = cv2.dilate((item.opacity > 30).astype(np.uint8), np.ones((EDGE_PX, EDGE_PX), np.uint8))
    return crop_in(as_u8(cv2.inpaint(item.canvas, mask, 5, cv2.INPAINT_TELEA)))


def ground_figures(
    real: Sequence[Example],
    grounds: Sequence[Example],
    folds: Mapping[str, int],
    ask: Ask,
    *,
    each: int = 6,
    look_again: float = 0.1,
) -> dict[str, dict[str, Any]]:
    """Measure what other grounds do to leeches and others, and what grounds alone are called.

    Each row has `n` crops of `n_sources` photographers, `leech`, the share called leech-like, and `not_out`,
    the share not ruled out, photographers weighing the same; `right`, the share called their group.
    """
    cut = [item for item in real if item.opacity is not None and item.kind not in STRESS_KINDS]
    tanks = [item for item in grounds if item.setting not in SKIN]
    skins = [item for item in grounds if item.setting in SKIN]
    table = {}
    for group, name in ((LEECH, "leeches"), (FLATWORM, "flatworms"), (HARMLESS, "harmless")):
        animals = [item for item in cut if item.group == group]
        own = Laid(
            [crop_in(item.canvas) for item in animals],
            np.full(len(animals), float(group)),
            [item.source for item in animals],
        )
        table[f"{name} on their own ground"] = own
        table[f"{name} on tanks and plants"] = lay_animals(animals, tanks, folds, each=each)
        table[f"{name} on skin"] = lay_animals(animals, skins, folds, each=each)
    leeches = [item for item in cut if item.group == LEECH]
    table["leeches painted out"] = _nothing([painted_out(item) for item in leeches], leeches)
    table["bare skin and hands"] = _nothing([item.crop for item in skins], skins)
    table["bare tanks and plants"] = _nothing([item.crop for item in tanks], tanks)
    return {name: _row(laid, ask, look_again) for name, laid in table.items() if laid.crops}


def _nothing(crops: list[U8], of: Sequence[Example]) -> Laid:
    return Laid(crops, np.full(len(crops), float(NOTHING)), [item.source for item in of])


def _row(laid: Laid, ask: Ask, look_again: float) -> dict[str, Any]:
    p = ask(laid.crops, laid.sources)
    weights = source_weights(laid.sources, laid.groups)
    called = p.argmax(1)
    return {
        "n": len(p),
        "n_sources": len(set(laid.sources)),
        "leech": round(float(weights[called == LEECH].sum()), 4),
        "not_out": round(float(weights[p[:, LEECH] >= look_again].sum()), 4),
        "right": round(float(weights[called == laid.groups].sum()), 4),
    }


def style_figures(
    real: Sequence[Example], drawn: Sequence[Example], ask: Ask
) -> dict[str, dict[str, float]]:
    """Measure whether style decides: areas under the ROC of pests over others, each in both styles.

    Returns
    -------
    dict
        By group, `"photographed over drawn"` and the like: pests of the one style against all others of the
        other. If *drawn* spoke for a pest, a photographed leech would lose against drawn snails; if
        *photographed* did, a drawn leech against photographed ones.
    """
    usual = [item for item in real if item.kind not in STRESS_KINDS]
    scored = {}
    for style, items in (("photographed", usual), ("drawn", list(drawn))):
        sources = [item.source for item in items]
        groups = np.array([item.group for item in items])
        p = ask([item.crop for item in items], sources)
        scored[style] = (p, groups, source_weights(sources, groups))
    table: dict[str, dict[str, float]] = {}
    for index in (LEECH, FLATWORM):
        row = table.setdefault(str(GROUPS[index]), {})
        for one, (p, groups, weights) in scored.items():
            for other, (p_other, groups_other, weights_other) in scored.items():
                pest, rest = groups == index, groups_other != index
                row[f"{one} over {other}"] = round(
                    auc(
                        np.concatenate([p[pest, index], p_other[rest, index]]),
                        np.repeat([True, False], [pest.sum(), rest.sum()]),
                        np.concatenate(
                            [
                                weights[pest] / weights[pest].sum(),
                                weights_other[rest] / weights_other[rest].sum(),
                            ]
                        ),
                    ),
                    4,
                )
    return table
