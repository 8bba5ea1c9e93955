"""The one table from a fine class to what draws it.

A later renderer replaces painters here, kind by kind; nobody outside asks how a body is made.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.errors import ShapeError
from training.scenes import crustaceans, flatworms, leeches, snails, things, worms
from training.scenes.body import Animal, Kind

if TYPE_CHECKING:
    import numpy as np

KINDS: dict[str, tuple[Kind, ...]] = {
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


def new_animal(rng: np.random.Generator, fine: str, *, kind: str | None = None) -> Animal:
    """Draw an individual of a fine class, of the kind named or of one drawn by its share.

    Raises
    ------
    ShapeError
        If the class, or the kind within it, does not exist.
    """
    if fine not in KINDS:
        raise ShapeError("fine", expected=" or ".join(KINDS), actual=fine)
    kinds = KINDS[fine]
    names = [item.name for item in kinds]
    if kind is not None and kind not in names:
        raise ShapeError("kind", expected=" or ".join(names), actual=kind)
    shares = [item.share for item in kinds]
    index = names.index(kind) if kind else int(rng.choice(len(kinds), p=shares))
    return Animal(fine=fine, kind=kinds[index], seed=int(rng.integers(0, 2**31)))
