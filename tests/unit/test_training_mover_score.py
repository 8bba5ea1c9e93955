"""The fit of the movers' weights: what its least probability leaves is counted as the exam counts it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from pestvision.motion.evidence import EVIDENCE
from pestvision.motion.mover_weights import expand
from training.mover_score import FALSE_A_PAIR, Samples, fit, surest

N_PAIRS = 60


def made_samples(rng: np.random.Generator, n_each: int = 6) -> Samples:
    n = N_PAIRS * n_each
    values = rng.normal(size=(n, len(EVIDENCE)))
    is_hit = values[:, 0] + 0.7 * rng.normal(size=n) > 1.0
    return Samples(
        values=values,
        is_hit=is_hit,
        touches=is_hit.copy(),
        pair=np.repeat(np.arange(N_PAIRS, dtype=np.float64), n_each),
        boxes=tuple((100.0 * place, 0.0, 100.0 * place + 20, 10.0) for place in range(n)),
        seen_on=("first",) * n,
        n_pairs=N_PAIRS,
    )


def scores_of(samples: Samples) -> tuple[np.ndarray, float]:
    table = fit(samples)
    score = expand(samples.values, table.mean, table.scale) @ table.weights
    return score, float(np.log(table.p_least / (1 - table.p_least)))


def test_what_tells_movers_is_learned_and_the_false_ones_left_are_near_those_aimed_at(rng):
    samples = made_samples(rng)
    score, least = scores_of(samples)
    assert score[samples.is_hit].mean() > score[~samples.is_hit].mean() + 1
    # Fitted and counted on the same pairs: fewer than on held-out ones, never more by half.
    assert (~samples.is_hit & (score >= least)).sum() <= 1.5 * FALSE_A_PAIR * N_PAIRS


def test_twins_of_false_ones_side_by_side_do_not_raise_the_least_probability(rng):
    single = made_samples(rng, n_each=6)
    doubled = dataclasses.replace(
        single,
        values=np.repeat(single.values, 2, axis=0),
        is_hit=np.repeat(single.is_hit, 2),
        touches=np.repeat(single.touches, 2),
        pair=np.repeat(single.pair, 2),
        boxes=tuple(box for box in single.boxes for _ in range(2)),
        seen_on=single.seen_on * 2,
    )
    apart = dataclasses.replace(
        doubled,
        seen_on=tuple(
            "first" if place % 2 else "second" for place in range(2 * len(single.values))
        ),
    )
    assert surest(doubled, np.zeros(len(doubled.values))).sum() == len(single.values)
    assert surest(apart, np.zeros(len(apart.values))).all()
    assert fit(doubled).p_least < fit(apart).p_least


def test_what_grazes_a_mover_is_neither_fitted_nor_counted_as_false(rng):
    samples = made_samples(rng)
    grazing = dataclasses.replace(samples, touches=np.ones(len(samples.values), bool))
    assert grazing.is_fitted().sum() == samples.is_hit.sum()
    half = dataclasses.replace(
        samples, touches=samples.is_hit | (np.arange(len(samples.values)) % 2 == 0)
    )
    odd = ~half.touches
    assert fit(half).mean == pytest.approx(samples.values[odd | samples.is_hit].mean(axis=0))
