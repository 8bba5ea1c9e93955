"""Fit the model that tells gaits, on drawn trails of wide habits and on trails that were followed.

    python -m training.gait_fit [--trails N] [--followed FILE …] [--out FILE]

Trails are drawn with `WIDE` habits: speeds, periods and amplitudes far beyond what any source says, so that
the model cannot lean on numbers that nobody measured. Seeds are those from FIT_SEED on; the exam's are
others. `--followed` are files of `training.gait_followed`: trails with the program's own flaws. What is
sampled too slowly is not learned but refused by rule: see `training.gait_followed.shows_enough`.
"""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.gait_features import FEATURES, measure
from pestvision.motion.gait_weights import (
    HELD_FAST,
    OUTCOMES,
    WEIGHTS_FILE,
    GaitWeights,
    spread_out,
)
from training.gait_followed import read, shows_enough
from training.scenes.bursts import frame_times
from training.scenes.gaits import WIDE
from training.scenes.trails import GAIT_OF_DRAWN, Flaws, draw_trail

if TYPE_CHECKING:
    from pestvision.arrays import F64

FIT_SEED = 7_100_000
N_TRAILS = 600  # of each drawn gait
SECONDS = (2.5, 20.0)
FRAMES_PER_S = (3.0, 30.0)
MOST_FRAMES = 240
LENGTH_PX = (25.0, 200.0)
TIDY_SHARE = 0.3  # of trails, from clips as good as they come
TIDY = Flaws(
    (0.03, 0.2),
    (0.05, 0.2),
    (0.001, 0.01),
    (0.001, 0.01),
    (0.0, 0.05),
    (0.6, 1.5),
    (0.0, 0.1),
    (0.0, 0.0),
)
PENALTY = 1.0
"""On squared weights. With 0.3, 262 in place of 259 clips not fitted on were told, 252 in place of 250 of them right."""
DRAWN = tuple(GAIT_OF_DRAWN)


def drawn_values(job: tuple[str, int]) -> F64 | None:
    """Draw one trail and measure it; None where it shows too little."""
    drawn, seed = job
    rng = np.random.default_rng(seed)
    interval = 1.0 / float(np.exp(rng.uniform(*np.log(FRAMES_PER_S))))
    seconds = float(rng.uniform(*SECONDS))
    n = int(min(MOST_FRAMES, max(8, seconds / interval)))
    times = frame_times(rng, n, interval, unevenness=float(rng.choice([0.0, 0.1, 0.4])))
    length = float(np.exp(rng.uniform(*np.log(LENGTH_PX))))
    flaws = TIDY if rng.random() < TIDY_SHARE else Flaws()
    made = draw_trail(rng, drawn, times, habits=WIDE, flaws=flaws, length_px=length)
    if not shows_enough(drawn, interval, times[-1], made.period_s):
        return None
    measured = measure(made.trail)
    return None if measured is None else measured.values


def draw_all(n_trails: int, *, first_seed: int = FIT_SEED, workers: int = 1) -> tuple[F64, F64]:
    """Give the measured numbers (N, F) of many trails, and the index of each one's outcome (N,)."""
    jobs = [
        (drawn, first_seed + i * len(DRAWN) + k)
        for k, drawn in enumerate(DRAWN)
        for i in range(n_trails)
    ]
    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            rows = list(pool.map(drawn_values, jobs, chunksize=32))
    else:
        rows = [drawn_values(job) for job in jobs]
    kept = [
        (row, OUTCOMES.index(GAIT_OF_DRAWN[drawn] or HELD_FAST))
        for row, (drawn, _) in zip(rows, jobs, strict=True)
        if row is not None
    ]
    return np.stack([row for row, _ in kept]), np.array([label for _, label in kept])


def fit(values: F64, labels: F64, *, penalty: float = PENALTY) -> GaitWeights:
    """Fit the model; every outcome counts the same, however many trails of it there are."""
    from scipy.optimize import minimize

    mean, scale = values.mean(axis=0), np.maximum(values.std(axis=0), 1e-3)
    k, n = len(OUTCOMES), 2 * len(FEATURES)
    counts = np.bincount(labels.astype(int), minlength=k)
    weight = (len(labels) / (k * np.maximum(counts, 1)))[labels.astype(int)]
    truth = np.eye(k)[labels.astype(int)]

    def model(flat: F64) -> GaitWeights:
        table = flat.reshape(k, n + 1)
        return GaitWeights(mean, scale, table[:, :-1], table[:, -1])

    away = spread_out(values, mean, scale)
    full = np.column_stack([away, np.ones(len(away))])

    def loss(flat: F64) -> tuple[float, F64]:
        table = flat.reshape(k, n + 1)
        p = model(flat).probabilities(values)
        cost = -float((weight * np.log(np.maximum(p[truth > 0], 1e-300))).sum())
        slope = ((p - truth) * weight[:, None]).T @ full
        slope[:, :-1] += penalty * table[:, :-1]
        return cost + 0.5 * penalty * float((table[:, :-1] ** 2).sum()), slope.ravel()

    best = minimize(
        loss, np.zeros(k * (n + 1)), jac=True, method="L-BFGS-B", options={"maxiter": 2000}
    )
    return model(np.asarray(best.x, np.float64))


def main(arguments: list[str] | None = None) -> int:
    """Draw, fit, check on other seeds, write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trails", type=int, default=N_TRAILS)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--followed", type=Path, nargs="+", default=[])
    parser.add_argument("--out", type=Path, default=WEIGHTS_FILE)
    options = parser.parse_args(arguments)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    values, labels = draw_all(options.trails, workers=options.workers)
    if options.followed:
        more, their_labels = read(options.followed)
        values, labels = np.concatenate([values, more]), np.concatenate([labels, their_labels])
    made = fit(values, labels)
    options.out.write_text(made.as_text(), "utf-8")
    seed = FIT_SEED + 10 * options.trails * len(DRAWN)
    other, truth = draw_all(max(20, options.trails // 4), first_seed=seed, workers=options.workers)
    p = made.probabilities(other)
    told = p.argmax(axis=1)
    print(f"{len(values)} trails fitted, {len(other)} others told:")
    for k, name in enumerate(OUTCOMES):
        mine = truth == k
        sure = mine & (p.max(axis=1) >= 0.8)
        print(
            f"  {name:26} right {np.mean(told[mine] == k):.3f}, sure {sure.sum() / max(mine.sum(), 1):.3f}, right of the sure {np.mean(told[sure] == k):.3f}   ",
            np.bincount(told[mine], minlength=len(OUTCOMES)),
        )
    print(f"  mean log loss {-np.log(p[np.arange(len(truth)), truth.astype(int)]).mean():.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
