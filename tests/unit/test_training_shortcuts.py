"""Animals on other grounds: which grounds, and that the animal alone is carried over."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from made_run import HARMLESS, LEECH, example_of

from pestvision.organisms.crops import cut_crop
from training.data import CANVAS_GROW, CANVAS_PX
from training.shortcuts import crop_in, lay_animals, painted_out, style_figures

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64, U8
    from training.data import Example

ANIMAL, OWN, OTHER = (200, 40, 40), (90, 90, 90), (60, 120, 60)


def outlined(source: str, *, group: int = LEECH, ground: tuple[int, int, int] = OWN) -> Example:
    canvas = np.full((CANVAS_PX, CANVAS_PX, 3), ground, np.uint8)
    canvas[130:190, 100:220] = ANIMAL
    opacity = np.zeros((CANVAS_PX, CANVAS_PX), np.uint8)
    opacity[130:190, 100:220] = 255
    return replace(example_of(group, source), canvas=canvas, opacity=opacity)


def ground(source: str) -> Example:
    canvas = np.full((CANVAS_PX, CANVAS_PX, 3), OTHER, np.uint8)
    return replace(example_of(3, source), canvas=canvas, group=-1)


def test_a_canvas_is_cut_as_the_tool_cuts_the_photo(rng: np.random.Generator) -> None:
    photo = np.kron(rng.integers(0, 256, (40, 40, 3)), np.ones((16, 16, 1))).astype(np.uint8)
    box = (220.0, 220.0, 420.0, 420.0)
    canvas = cut_crop(photo, box, size_px=CANVAS_PX, grow=CANVAS_GROW)
    change = np.abs(crop_in(canvas).astype(int) - cut_crop(photo, box)).mean()
    assert change < 12  # resized twice, and to whole pixels
    shifted = cut_crop(photo, (244.0, 220.0, 444.0, 420.0))
    assert np.abs(crop_in(canvas).astype(int) - shifted).mean() > 4 * change


def test_an_animal_goes_to_grounds_of_its_own_fold_by_others() -> None:
    folds = {"p": 0, "q": 0, "r": 1}
    laid = lay_animals([outlined("p")], [ground("p"), ground("q"), ground("r")], folds, each=3)
    assert laid.sources == ["p"] * 3
    assert laid.groups.tolist() == [LEECH] * 3
    for crop in laid.crops:
        assert crop.shape == (224, 224, 3)
        assert np.abs(crop[8, 8].astype(int) - OTHER).max() <= 2  # the new ground
        red, green, _ = crop[112, 112].astype(int)
        assert red > 2.5 * green  # the animal, perhaps brighter or darker
    # its own photographer, another fold, and a ground of no fold are never used
    for unusable in (ground("p"), ground("r"), ground("nobody")):
        assert lay_animals([outlined("p")], [unusable], folds, each=3).crops == []
    assert (
        lay_animals([replace(outlined("p"), opacity=None)], [ground("q")], folds, each=3).crops
        == []
    )


def test_the_same_seed_lays_the_same_animals() -> None:
    folds = {"p": 0, "q": 0}
    first, second, other = (
        lay_animals([outlined("p")], [ground("q")], folds, each=2, seed=seed) for seed in (1, 1, 2)
    )
    assert all(np.array_equal(a, b) for a, b in zip(first.crops, second.crops, strict=True))
    assert not all(np.array_equal(a, b) for a, b in zip(first.crops, other.crops, strict=True))


def test_painted_out_an_animal_leaves_only_its_ground() -> None:
    crop = painted_out(outlined("p"))
    assert np.abs(crop.astype(int) - OWN).max() <= 8  # the painting rounds
    with pytest.raises(ValueError, match="no outline to paint out"):
        painted_out(replace(outlined("p"), opacity=None))


def test_a_net_that_goes_by_style_is_found_out() -> None:
    """It calls every drawing a leech: a drawn leech still wins, a photographed one loses to drawings."""
    real = [replace(example_of(group, f"p{group}"), crop=np.zeros((4, 4, 3), np.uint8))
            for group in (LEECH, 1, HARMLESS, 3)]  # fmt: skip
    drawn = [replace(item, source="drawn", crop=item.crop + np.uint8(200)) for item in real]

    def by_style(crops: Sequence[U8], _sources: Sequence[str]) -> F64:
        return np.array(
            [
                [0.9, 0.05, 0.03, 0.02] if crop.max() > 100 else [0.1, 0.3, 0.3, 0.3]
                for crop in crops
            ]
        )

    row = style_figures(real, drawn, by_style)["leech-like"]
    assert row["photographed over drawn"] == 0.0
    assert row["drawn over photographed"] == 1.0
    assert row["drawn over drawn"] == row["photographed over photographed"] == 0.5
