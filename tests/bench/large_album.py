"""A large album, made within seconds: rows with what a net might have said, and no pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pestvision.collection.library import Library
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE
from pestvision.organisms.net import SIGNATURE

if TYPE_CHECKING:
    from pathlib import Path

MODEL = "pretended"
N_FINE = len(FINE_NAMES)
PLACE = 64
CROPS_OF_A_PHOTO = 5
TANKS = ("Amber", "Moss", "Slate")


def make_large_album(folder: Path, n_crops: int, n_labelled: int) -> None:
    """Make an album of so many crops, all read, the first of them labelled.

    Crops of one class lie together, and the net is mostly right about them: sure of most, not of all.
    """
    rng = np.random.default_rng(0)
    fine = rng.integers(0, N_FINE, n_crops)
    logits = rng.normal(0, 1, (n_crops, N_FINE))
    logits[np.arange(n_crops), fine] += rng.gamma(2.0, 2.0, n_crops)
    p_fine = np.exp(logits)
    p_fine = (p_fine / p_fine.sum(1, keepdims=True)).astype("<f4")
    places = (rng.normal(0, 1, (N_FINE, PLACE))[fine] + rng.normal(0, 1, (n_crops, PLACE))).astype(
        "<f2"
    )
    looks = rng.integers(-(2**63), 2**63, n_crops)
    bands = rng.uniform(0.5, 1.5, (N_FINE, SIGNATURE))
    at = "2026-11-25T20:00:00.000000Z"
    with Library(folder) as library, library.database.atomic():
        database = library.database
        action = library.begin("import", who="keeper", note="")
        n_photos = -(-n_crops // CROPS_OF_A_PHOTO)
        database.run_many(
            "INSERT INTO photos (id, sha256, suffix, name, width, height, taken, tank) "
            "VALUES (?, ?, '.jpg', ?, 4000, 3000, ?, ?)",
            [
                (
                    number + 1,
                    f"{number:064x}",
                    f"photo-{number}.jpg",
                    f"2026-{1 + number % 12:02d}-{1 + number % 28:02d}T{number % 24:02d}:{number % 60:02d}:00",
                    TANKS[number % 3],
                )
                for number in range(n_photos)
            ],
        )
        database.run_many(
            "INSERT INTO crops (id, key, photo, x0, y0, x1, y1, looks, twins, added) "
            "VALUES (?, ?, ?, 0, 0, 224, 224, ?, ?, ?)",
            [
                (n + 1, f"{n:024x}", n // CROPS_OF_A_PHOTO + 1, int(looks[n]), n + 1, action)
                for n in range(n_crops)
            ],
        )
        database.run_many(
            "INSERT INTO readings (crop, model, p_fine, place, sharpness, novelty) VALUES (?, ?, ?, ?, 1, 0)",
            [(n + 1, MODEL, p_fine[n].tobytes(), places[n].tobytes()) for n in range(n_crops)],
        )
        groups = [str(GROUP_OF_FINE[FINE_NAMES[n]]) for n in fine]
        database.run_many(
            "INSERT INTO labels (crop, key, label, who, kind, at) VALUES (?, ?, ?, 'keeper', 'person', ?)",
            [(n + 1, f"label-{n}", groups[n], at) for n in range(n_labelled)],
        )
        database.run_many(
            "UPDATE crops SET label = ?, n_labels = 1 WHERE id = ?",
            [(groups[n], n + 1) for n in range(n_labelled)],
        )
        database.run_many(
            "INSERT INTO signatures (crop, model, signature) VALUES (?, ?, ?)",
            [
                (
                    n + 1,
                    MODEL,
                    (bands[fine[n]] * rng.uniform(0.5, 1.5, SIGNATURE)).astype("<f2").tobytes(),
                )
                for n in range(n_labelled)
            ],
        )
