"""The tables from a fine class to what draws it; nobody outside asks how a body is made.

`FLAT_KINDS` paint on a flat sheet. `KINDS` are what is drawn: rendered in three dimensions where
that is written, flat for a small share of those, so that no style of drawing gives a class away.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

from pestvision.errors import ShapeError
from training.scenes import (
    crustaceans,
    flatworms,
    leeches,
    snails,
    solid_clutches,
    solid_flatworms,
    solid_leeches,
    solid_snails,
    solid_swimmers,
    solid_things,
    solid_worms,
    things,
    worms,
)
from training.scenes.body import Animal, Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np

FLAT_SHARE = 0.15
"""How often a class that has solid kinds is painted flat all the same."""

Kinds: TypeAlias = "Mapping[str, tuple[Kind, ...]]"

FLAT_KINDS: dict[str, tuple[Kind, ...]] = {
    "leech": leeches.LEECHES,
    "flatworm": flatworms.FLATWORMS,
    "snail": snails.SNAILS,
    "snail-eggs": snails.EGGS,
    "limpet": snails.LIMPETS,
    "thin-worm": worms.THIN_WORMS,
    "midge-larva": worms.LARVAE,
    "small-crustacean": crustaceans.CRUSTACEANS,
    "hydra": worms.HYDRAS,
    "shrimp-or-fish": crustaceans.SHRIMPS_AND_FISH,
    "plant-or-debris": things.PLANTS_AND_DEBRIS,
    "bubble": things.BUBBLES,
    "glare": things.GLARES,
    "mark-on-glass": things.MARKS,
}

SOLID_KINDS: dict[str, tuple[Kind, ...]] = {
    "leech": solid_leeches.SOLID_LEECHES,
    "flatworm": solid_flatworms.SOLID_FLATWORMS,
    "snail": solid_snails.SOLID_SNAILS,
    "snail-eggs": solid_clutches.SOLID_EGGS,
    "limpet": solid_clutches.SOLID_LIMPETS,
    "thin-worm": solid_worms.SOLID_THIN_WORMS,
    "midge-larva": solid_worms.SOLID_LARVAE,
    "small-crustacean": solid_swimmers.SOLID_CRUSTACEANS,
    "hydra": solid_worms.SOLID_HYDRAS,
    "shrimp-or-fish": solid_swimmers.SOLID_SHRIMPS_AND_FISH,
    "plant-or-debris": solid_things.SOLID_THINGS,
    "mark-on-glass": solid_things.SOLID_MARKS,
}


def _both(flat: tuple[Kind, ...], solid: tuple[Kind, ...]) -> tuple[Kind, ...]:
    """Give solid kinds first, then all flat ones of the class, those painted seldom."""
    few = [replace(kind, name=f"flat {kind.name}", share=FLAT_SHARE * kind.share) for kind in flat]
    many = [replace(kind, share=(1.0 - FLAT_SHARE) * kind.share) for kind in solid]
    return (*many, *few)


KINDS: dict[str, tuple[Kind, ...]] = {
    fine: _both(flat, SOLID_KINDS[fine]) if fine in SOLID_KINDS else flat
    for fine, flat in FLAT_KINDS.items()
}


def new_animal(
    rng: np.random.Generator, fine: str, *, kind: str | None = None, kinds: Kinds = KINDS
) -> Animal:
    """Draw an individual of a fine class, of the kind named or of one drawn by its share.

    `kinds` is the table it is drawn from.

    Raises
    ------
    ShapeError
        If the class, or the kind within it, does not exist.
    """
    if fine not in kinds:
        raise ShapeError("fine", expected=" or ".join(kinds), actual=fine)
    among = kinds[fine]
    names = [item.name for item in among]
    if kind is not None and kind not in names:
        raise ShapeError("kind", expected=" or ".join(names), actual=kind)
    shares = [item.share for item in among]
    index = names.index(kind) if kind else int(rng.choice(len(among), p=shares))
    return Animal(fine=fine, kind=among[index], seed=int(rng.integers(0, 2**31)))
