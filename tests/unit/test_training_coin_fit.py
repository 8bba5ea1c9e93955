"""The fit of how like a coin a ring is: it learns what tells the true ring, and is tried on others."""

from __future__ import annotations

import numpy as np

from pestvision.size.ring_likeness import MEASURES
from training.coin_fit import fit, photo_rings, share_first

WHICH = MEASURES.index("support")


def some_photos(rng: np.random.Generator, n: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Make photos of eight rings: the true one has most support, all else is chance."""
    photos = []
    for _ in range(n):
        values = rng.normal(0, 1, (8, len(MEASURES)))
        photos.append((values, np.arange(8) == values[:, WHICH].argmax()))
    return photos


def test_the_measure_that_tells_the_true_ring_gets_the_weight() -> None:
    rng = np.random.default_rng(2)
    weights = fit(some_photos(rng, 60))
    assert max(weights, key=lambda name: abs(weights[name][2])) == "support"
    assert weights["support"][2] > 0
    others = some_photos(rng, 60)
    assert share_first(others, weights) > 0.8
    assert share_first([(values, ~true) for values, true in others], weights) < 0.2


def test_a_photo_without_a_true_ring_teaches_nothing() -> None:
    rng = np.random.default_rng(2)
    photos = some_photos(rng, 20)
    empty = (photos[0][0], np.zeros(8, bool))
    weights, same = (fit(some) for some in (photos, [*photos, empty]))
    # means and deviations are of all rings, so weights only nearly agree
    assert np.allclose(
        [row[2] for row in weights.values()], [row[2] for row in same.values()], atol=0.1
    )


def test_a_drawn_table_gives_rings_with_all_measures() -> None:
    values, true = photo_rings(61_000, size=(600, 800))
    assert values.shape == (len(true), len(MEASURES))
    assert np.isfinite(values).all()
    assert true.any()
