"""Albums for tests: small pictures, labels of several people, and a net that answers at once."""

from __future__ import annotations

import io
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image

from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library
from pestvision.collection.records import NewPhoto, Reading
from pestvision.organisms.calibrate import softmax
from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE, GROUPS
from pestvision.organisms.net import SIGNATURE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import F32, F64, U8
    from pestvision.organisms.personal import PersonalHead

N_PLACES = 8


def picture(seed: int, *, side_px: int = 64) -> bytes:
    """A PNG of its own for each seed; no two look alike."""
    coarse = np.random.default_rng(seed).integers(0, 255, (8, 8, 3), dtype=np.uint8)
    image = Image.fromarray(coarse).resize((side_px, side_px), Image.Resampling.BICUBIC)
    stream = io.BytesIO()
    image.save(stream, format="PNG")
    return stream.getvalue()


def photo(seed: int, **about: Any) -> NewPhoto:
    return NewPhoto(picture(seed), f"photo-{seed:04d}.png", **about)


def filled(folder: Path, n: int, **about: Any) -> tuple[Library, list[int]]:
    """An album with so many photos of one crop each, and their numbers."""
    library = Library(folder)
    added = add_photos(library, [photo(seed, **about) for seed in range(n)])
    return library, list(added.crops)


class Patterned:
    """A net whose signatures tell a crop's true group, and whose shipped head is as good as asked.

    The truth is told by the crop's number: `truth(number)` says which group it is of. What the shipped
    head says is right for a share of the crops.
    """

    model = "patterned"
    card = SimpleNamespace(full={})

    def __init__(self, *, shipped_right: float = 0.6, strength: float = 1.0, seed: int = 0) -> None:
        self.shipped_right = shipped_right
        self.strength = strength
        self.seed = seed
        self.head: PersonalHead | None = None
        self.middle = np.zeros(SIGNATURE, np.float32)
        rng = np.random.default_rng(99)
        self._directions = rng.normal(0, 1, (len(GROUPS), SIGNATURE)).astype(np.float32)

    def read(self, number: int, group: int) -> Reading:
        """Read the crop of that number, which is of that group."""
        rng = np.random.default_rng([self.seed, number])
        said = group if rng.random() < self.shipped_right else int(rng.integers(len(GROUPS)))
        logits = rng.normal(0, 0.3, 14)
        logits[GROUP_INDEX_OF_FINE.index(said)] += 5.0
        noise = rng.normal(0, 1, SIGNATURE).astype(np.float32)
        signature = np.exp(np.clip(self.strength * self._directions[group] + noise, -4, 4))
        return Reading(
            self.model,
            softmax(logits[None])[0].astype(np.float32),
            rng.normal(0, 1, N_PLACES).astype(np.float32),
            signature.astype(np.float32),
            1.0,
            0.5,
        )

    def with_head(self, head: PersonalHead | None) -> Patterned:
        other = Patterned(shipped_right=self.shipped_right, strength=self.strength, seed=self.seed)
        other.head = head
        return other

    def p_fine_of(self, signatures: F32) -> F64:
        return np.full((len(signatures), len(FINE_NAMES)), 1 / len(FINE_NAMES))

    def places_of(self, signatures: F32) -> F32:
        return np.zeros((len(signatures), N_PLACES), np.float32)

    def novelty_of(self, signatures: F32) -> F64:
        return np.zeros(len(signatures))

    def signatures(self, crops: Sequence[U8]) -> F32:
        return np.stack([self.read(int(crop[0, 0, 0]), 0).signature for crop in crops])


def read_all(library: Library, net: Patterned, groups: dict[int, int]) -> None:
    """Have the net read crops, each of the group given."""
    library.note_readings([(number, net.read(number, group)) for number, group in groups.items()])
