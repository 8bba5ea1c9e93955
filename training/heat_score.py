"""Measure whether the heat shown with an answer lies on the animal.

    python -m training.heat_score

Drawn crops of seeds that no net has learned from, whose masks are exact: once as the tool cuts them, with
the animal in the middle, and once with the animal towards a corner. Compared with the mask's share of the
crop, with the same heat turned by half a turn, and with the heat of another drawing.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import U8, Bool, BoxXyxy, as_u8
from pestvision.organisms.classes import FINE_CLASSES, FINE_NAMES, GROUPS
from pestvision.organisms.classify import Classifier
from pestvision.organisms.crops import crop_square, cut_crop
from pestvision.organisms.net import INPUT_PX
from training.data import CANVAS_PX

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32

UNSEEN_SEED = 888_000
GROWN_PX = 8  # of 224: half a place of the heat map, which cannot tell an edge more finely
ASIDE = 0.35  # of the square's side by which the animal is moved from the middle, each way


@dataclass(frozen=True, slots=True, eq=False)
class Masked:
    """A drawn crop, (224, 224, 3) uint8, with the (224, 224) bool mask of its animal, grown."""

    crop: U8
    mask: Bool
    fine: str


@dataclass(frozen=True, slots=True)
class HeatFigures:
    """Mean shares of heat inside the mask, and how often it beats the mask's share of the crop."""

    n: int
    inside: float
    area: float
    turned: float
    of_another: float
    n_beats_area: int


def draw_masked(n_each: int, *, aside: bool, seed: int = UNSEEN_SEED) -> list[Masked]:
    """Draw `n_each` crops of every class; with `aside` the animal lies towards a corner."""
    return [
        _masked(fine, seed + index, aside=aside) for index in range(n_each) for fine in FINE_NAMES
    ]


def _masked(fine: str, seed: int, *, aside: bool) -> Masked:
    from training.scenes import draw_crop

    rng = np.random.default_rng([FINE_NAMES.index(fine), seed])
    drawn = draw_crop(rng, fine, size_px=CANVAS_PX)
    rows, cols = np.nonzero(drawn.mask)
    box = (float(cols.min()), float(rows.min()), float(cols.max() + 1), float(rows.max() + 1))
    grow = 0.15
    if aside:
        box, grow = _moved(box, rng), 0.0
    shown = np.repeat(drawn.mask[..., None].astype(np.uint8) * 255, 3, axis=2)
    mask = (cut_crop(shown, box, grow=grow)[..., 0] > 127).astype(np.uint8)
    around = np.ones((2 * GROWN_PX + 1, 2 * GROWN_PX + 1), np.uint8)
    grown = as_u8(cv2.dilate(mask, around)) > 0
    return Masked(cut_crop(drawn.rgb, box, grow=grow), np.asarray(grown), fine)


def _moved(box: BoxXyxy, rng: np.random.Generator) -> BoxXyxy:
    """Give a square as large as the box in which the animal lies towards a random corner, cut off there."""
    x0, y0, x1, _y1 = crop_square(box, grow=0.0)
    side = x1 - x0
    left, top = (
        float(np.clip(low + sign * ASIDE * side, 0, CANVAS_PX - side))
        for low, sign in zip((x0, y0), rng.choice([-1, 1], 2), strict=True)
    )
    return (left, top, left + side, top + side)


def score_heat(classifier: Classifier, items: Sequence[Masked]) -> HeatFigures:
    """Measure the heat of drawn crops for the group that the net itself finds likeliest."""
    crops = [item.crop for item in items]
    groups = [GROUPS[int(scores.p_groups.argmax())] for scores in classifier.classify(crops)]
    heats = [_full(heat) for heat in classifier.heat_maps(crops, groups)]
    inside = [share_inside(heat, item.mask) for heat, item in zip(heats, items, strict=True)]
    area = [float(item.mask.mean()) for item in items]
    turned = [
        share_inside(heat[::-1, ::-1], item.mask) for heat, item in zip(heats, items, strict=True)
    ]
    another = [
        share_inside(heat, item.mask)
        for heat, item in zip([*heats[1:], heats[0]], items, strict=True)
    ]
    return HeatFigures(
        n=len(items),
        inside=float(np.mean(inside)),
        area=float(np.mean(area)),
        turned=float(np.mean(turned)),
        of_another=float(np.mean(another)),
        n_beats_area=sum(one > other for one, other in zip(inside, area, strict=True)),
    )


def share_inside(heat: F32, mask: Bool) -> float:
    """Give the share of the heat that lies inside a mask; the mask's own share where there is none."""
    total = float(heat.sum())
    return float(heat[mask].sum()) / total if total > 0 else float(mask.mean())


def _full(heat: F32) -> F32:
    """Bring a heat map to the size of the crop, as it is shown."""
    large = cv2.resize(heat, (INPUT_PX, INPUT_PX), interpolation=cv2.INTER_CUBIC)
    return np.maximum(large, 0.0).astype(np.float32)


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table of `training/README.md`."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--each", type=int, default=12)
    args = parser.parse_args(argv)
    classifier = Classifier.load()
    print(
        "| animal lies | shown as | n | heat inside the mask | mask's share of the crop "
        "| the heat turned round | another drawing's heat | above the mask's share |"
    )
    print("|---" * 8 + "|")
    for aside in (False, True):
        items = draw_masked(args.each, aside=aside)
        group_of = {item.name: str(item.group) for item in FINE_CLASSES}
        for group in ("all", *map(str, GROUPS)):
            chosen = [item for item in items if group in ("all", group_of[item.fine])]
            row = score_heat(classifier, chosen)
            print(
                f"| {'towards a corner' if aside else 'in the middle'} | {group} | {row.n} "
                f"| {row.inside:.2f} | {row.area:.2f} | {row.turned:.2f} | {row.of_another:.2f} "
                f"| {row.n_beats_area} |"
            )


if __name__ == "__main__":
    main()
