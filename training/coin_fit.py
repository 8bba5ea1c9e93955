"""Fit how like a coin a round thing is, on drawn tables.

    python -m training.coin_fit [--photos N] [--workers N]

Prints `WEIGHTS` for `pestvision.size.ring_likeness`. On each photo one of the rings is the coin's: the
weights are those under which the rings of the truth are chosen from all that were fitted (a conditional
logistic model), with a penalty on their squares. Seeds are those from FIT_SEED on; the exam's are others.
Then it is told in what share of further photos a true ring comes first.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.size.ring_likeness import MEASURES, MOST_SIGMAS
from pestvision.size.rounds import all_rounds
from training.coin_exam import SIZE, is_true
from training.scenes.handy_coins import draw_coin_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64

    Photo = tuple[F64, F64]

FIT_SEED: Final = 7_300_000
N_PHOTOS: Final = 200
HELD_OUT: Final = 0.1
"""Of as many: photos between the two halves that are fitted, on which the fit is tried."""

PENALTY: Final = 5.0
"""On squared weights, of measures in their standard deviations; own choice."""


def photo_rings(seed: int, *, size: tuple[int, int] = SIZE) -> Photo:
    """Draw a table: what is measured of each ring fitted on it (N, measures), and which are true (N,)."""
    table, _ = draw_coin_table(np.random.default_rng(seed), size=size)
    rings = all_rounds(table.rgb)
    values = np.array([ring.measures for ring in rings]).reshape(-1, len(MEASURES))
    return values, np.array([is_true(ring, table.outline_xy_px) for ring in rings], bool)


def drawn_photos(first_seed: int, n: int, *, workers: int = 1) -> list[Photo]:
    """Give the rings of so many drawn tables."""
    seeds = range(first_seed, first_seed + n)
    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            return list(pool.map(photo_rings, seeds))
    return [photo_rings(seed) for seed in seeds]


def fit(photos: Sequence[Photo], *, penalty: float = PENALTY) -> dict[str, tuple[float, ...]]:
    """Fit mean, scale and weight of each measure; photos without a true ring or a false one teach nothing."""
    from scipy.optimize import minimize

    every = np.concatenate([values for values, _ in photos])
    mean, scale = every.mean(axis=0), np.maximum(every.std(axis=0), 1e-3)
    taught = [
        (np.clip((values - mean) / scale, -MOST_SIGMAS, MOST_SIGMAS), true)
        for values, true in photos
        if true.any() and not true.all()
    ]

    def loss(weights: F64) -> tuple[float, F64]:
        cost, slope = 0.5 * penalty * float(weights @ weights), penalty * weights
        for values, true in taught:
            score = values @ weights
            share = np.exp(score - score.max())
            right = share * true
            cost -= float(np.log(right.sum() / share.sum()))
            slope = slope + share @ values / share.sum() - right @ values / right.sum()
        return cost, slope

    best = minimize(loss, np.zeros(len(MEASURES)), jac=True, method="L-BFGS-B")
    rows = np.column_stack([mean, scale, best.x]).tolist()
    return {name: tuple(row) for name, row in zip(MEASURES, rows, strict=True)}


def share_first(photos: Sequence[Photo], weights: dict[str, tuple[float, ...]]) -> float:
    """Give the share of photos in which the likeliest ring is a true one."""
    mean, scale, weight = np.array([weights[name] for name in MEASURES]).T
    first = 0
    for values, true in photos:
        score = np.clip((values - mean) / scale, -MOST_SIGMAS, MOST_SIGMAS) @ weight
        first += bool(len(true) and true[score.argmax()])
    return first / max(len(photos), 1)


def main(arguments: list[str] | None = None) -> int:
    """Draw, fit, print; then try on other photos."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=N_PHOTOS)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args(arguments)
    half, n_others = given.photos // 2, round(HELD_OUT * given.photos)
    first, second = FIT_SEED, FIT_SEED + half + n_others
    weights = fit(
        [
            photo
            for seed in (first, second)
            for photo in drawn_photos(seed, half, workers=given.workers)
        ]
    )
    print("WEIGHTS: Final = {")
    for name, row in weights.items():
        print(f'    "{name}": ({", ".join(f"{value:.3f}" for value in row)}),')
    print("}")
    others = drawn_photos(FIT_SEED + half, n_others, workers=given.workers)
    print(f"first in {share_first(others, weights):.2f} of {len(others)} other photos")
    return 0


if __name__ == "__main__":
    sys.exit(main())
