"""Tell how an animal moves from its trail, or why that cannot be told.

Probabilities come from a small model over what is measured (`gait_features`, `gait_weights`). A gait is
named only where the model is sure, and where the frames are close enough together, and go on long enough,
for that gait not to be another one in disguise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion import gait_words as words
from pestvision.motion.gait_features import Measured, measure
from pestvision.motion.gait_weights import HELD_FAST, OUTCOMES, load_gait_weights
from pestvision.motion.trail import (
    CREEP,
    GAITS,
    GLIDE,
    HOP,
    LOOPS,
    STEPS,
    STILL,
    THRASH,
    GaitReading,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.arrays import F64
    from pestvision.motion.trail import Trail

LEECH_HZ = (0.16, 0.24)
"""Steps of a medicinal leech a second: Garcia-Perez et al. 2005, J Neurosci 25:2597-2608, table 1. No figure
for snail leeches was found."""
SCRUNCH_HZ = (0.70, 0.75)
"""Loops of an irritated flatworm (D. japonica) a second: analysis code that the laboratory published with its
study of scrunching."""
WAVE_HZ = (0.5, 1.7)
"""Whole-body waves a second: up to a swimming leech's 1.3-1.7 (Garcia-Perez et al. 2005, table 1); the lower
bound is an own assumption for worms."""

SURE = 0.8  # a gait is named from this probability on
UNPROVOKED = 0.25
"""How much less often a flatworm loops that nothing irritated: looping is set off by wounds, heat and irritants
(Sabry et al. 2019); the number is an own choice."""
ROUND_SHARE = 0.6
"""Width over length from which a body is round, as a snail's is. What holds on with one end and sways, a hydra or a
leech, is slender; of a round body the two ends are told from each other by nothing. Own choice."""
SLENDER_SHARE = 0.3
"""Width over length below which creeping is called gliding. The two differ by little but by what goes so: a snail
creeps on a foot, a flatworm glides. Of 65 drawn snails and limpets that were followed three were so slender, of 65
flatworms nine in ten were. Own choice."""
WANDERS = 0.5
"""Of its length: an end that goes about by more is not held. Nine in ten drawn hydras, followed, kept one within 0.65
and half of them within 0.21; three real planarians had 0.6 to 1.3. Own choice."""
LEAST_FRAMES = 8  # own choice: fewer show no course
SLOWEST_INTERVAL_S = {
    STEPS: 0.5 / LEECH_HZ[1],  # 2.08 s: half of the quickest leech's step
    LOOPS: 0.5 / SCRUNCH_HZ[1],  # 0.67 s
    THRASH: 0.5 / WAVE_HZ[1],  # 0.29 s
    HOP: 0.25,  # a hop is over in a moment; own assumption
}
"""The longest interval between frames at which a gait that repeats can be told: half of its period."""
LEAST_SECONDS = {
    GLIDE: 2.0,  # the longest rest between the pulls of a leech's step is about one second
    CREEP: 4.0,
    STILL: 1.5 / 0.20,  # 7.5 s: one and a half steps of a leech in the middle of its range
    THRASH: 1.0,
    HOP: 1.5,
    LOOPS: 1.5 / SCRUNCH_HZ[1],
    STEPS: 1.5 / LEECH_HZ[1] * 0.5,  # and one and a half of its own periods, see below
}
"""How long an animal must be seen for each gait. Where no source is named, an own choice."""
OF_PLACES = {GLIDE, CREEP, HOP, STILL, HELD_FAST}
"""What is told by where an animal is; the others are told by its shape."""
LEAST_CYCLES = 1.5  # of its own, for what repeats
LEAST_STEP_SHARE = 0.5  # of the length's cycles: of steps, so many have one end held
MOST_SHAKE = 0.15  # of the length: with more jitter than this no rest and no creeping is told
LEAST_MOVE_JITTERS = 3.0  # a creeping or gliding animal has come at least so far
MOST_STEADY_RATIO = (
    1.3  # longest over shortest of what is called steady: a glide has 1.1, noise the rest
)
MOST_STEADY_RATIO_SLOW = 1.15  # the same where a loop may hide between two frames
MOST_GLIDING_RATIO = 3.1
"""Longest over shortest of what is called gliding or creeping: a planarian's own two lengths are 2.0 to 3.1 apart
("The British fresh-water planarians", Essex Field Club); an outline that comes and goes by more is none."""
BANDS_HZ = (LEECH_HZ, SCRUNCH_HZ, WAVE_HZ)
WIDEST_PHASE_GAP = 0.45  # of a cycle: with no frame in so much of it, a cycle may have hidden


def read_gait(
    trail: Trail, *, mm_per_px: float | None = None, after_irritant: bool = False
) -> GaitReading:
    """Tell how the animal of a trail moved.

    Parameters
    ----------
    trail
        An animal followed over the frames of a clip or burst.
    mm_per_px
        Millimetres of a pixel of the first frame, where a scale is known: speeds are then told in
        millimetres too. They change nothing else.
    after_irritant
        Whether it was poked, or something was put in the water that irritates: flatworms then loop
        much like leeches (Sabry et al. 2019, PLoS ONE 14(12):e0226104), and neither is told.

    Returns
    -------
    GaitReading
        With `gait` None, and the reason, where it cannot be told.
    """
    measured = measure(trail)
    if measured is None or measured.n_seen < LEAST_FRAMES:
        return unknown(words.too_few_frames(trail, LEAST_FRAMES))
    outcomes = load_gait_weights().probabilities(measured.values[None])[0]
    if not after_irritant:
        outcomes[OUTCOMES.index(LOOPS)] *= UNPROVOKED
    slenderness = _slenderness(trail)
    if slenderness >= ROUND_SHARE or holds_nowhere(trail):
        outcomes[OUTCOMES.index(HELD_FAST)] = 0.0
    if slenderness < SLENDER_SHARE:
        outcomes[OUTCOMES.index(GLIDE)] += outcomes[OUTCOMES.index(CREEP)]
        outcomes[OUTCOMES.index(CREEP)] = 0.0
    outcomes /= outcomes.sum()
    p_gaits = _over_gaits(outcomes, after_irritant=after_irritant)
    gait, why_not = _named(outcomes, measured, trail, after_irritant=after_irritant)
    if gait is None:
        reasons = (*why_not, *words.what_was_seen(measured, mm_per_px))
    else:
        reasons = words.reasons_for(gait, measured, mm_per_px)
    return GaitReading(
        gait=gait,
        p_gaits=p_gaits,
        reasons=reasons,
        n_steps=measured.n_steps,
        n_cycles=measured.n_cycles,
        period_s=_own_period(measured, gait),
        speed_px_s=measured.speed * measured.length_px,
        length_ratio=measured.length_ratio,
    )


def _slenderness(trail: Trail) -> float:
    """Give its width over its length, in the median."""
    use = trail.seen
    return float(np.median(trail.widths_px[use] / trail.lengths_px[use]))


def holds_nowhere(trail: Trail) -> bool:
    """Tell whether both ends wander: what holds on with one end keeps that one in its place."""
    use = trail.seen & ~trail.at_edge
    low, high = np.percentile(trail.midlines_xy_px[use][:, [0, -1]], [10, 90], axis=0)
    wandered = float(np.hypot(*(high - low).T).min())
    return wandered > WANDERS * float(np.median(trail.lengths_px[use]))


def unknown(*reasons: str) -> GaitReading:
    """Give a reading of which nothing is known."""
    return GaitReading(gait=None, p_gaits=(1.0 / len(GAITS),) * len(GAITS), reasons=reasons)


def _over_gaits(outcomes: F64, *, after_irritant: bool) -> tuple[float, ...]:
    """Give probabilities of the gaits: of what holds fast, none is any likelier than before."""
    p = outcomes[: len(GAITS)] + outcomes[OUTCOMES.index(HELD_FAST)] / len(GAITS)
    if after_irritant:  # either of them may be the other then
        both = [GAITS.index(STEPS), GAITS.index(LOOPS)]
        p[both] = p[both].mean()
    p = p / p.sum()
    return tuple(float(value) for value in p)


def _named(
    outcomes: F64, measured: Measured, trail: Trail, *, after_irritant: bool
) -> tuple[str | None, tuple[str, ...]]:
    """Give the gait that can be told, or None and the sentences that say why not."""
    order = np.argsort(outcomes)[::-1]
    best = OUTCOMES[int(order[0])]
    why = None if trail.is_steadied or best not in OF_PLACES else words.NOT_STEADIED
    why = why or _hidden_cycle(trail, best) or _too_slow(measured, best)
    if why is None and best == HELD_FAST:
        why = words.HELD_FAST
    if why is None and after_irritant and best in {STEPS, LOOPS}:
        why = words.AFTER_IRRITANT
    if why is None:
        why = _too_short(measured, best) or _too_shaky(measured, best)
    if why is None and outcomes[order[0]] < SURE:
        why = words.between(best, OUTCOMES[int(order[1])])
    if why is None:
        check = _CHECKS.get(best)
        why = None if check is None else check(measured)
    return (best, ()) if why is None else (None, (why,))


def _too_slow(measured: Measured, best: str) -> str | None:
    limit = SLOWEST_INTERVAL_S.get(best)
    if limit is None or measured.interval_s <= limit:
        return None
    return words.too_slow(best, measured.interval_s, limit)


def _hidden_cycle(trail: Trail, best: str) -> str | None:
    """Tell whether a cycle may have hidden between the frames of what looks steady.

    A steady outline is no proof of a steady animal if all frames fall on the same moments of a cycle. Each
    rate at which steps, loops or waves may come is tried on the very times of the frames.
    """
    if best not in {GLIDE, CREEP, STILL, HELD_FAST}:
        return None
    times = trail.times_s[trail.seen & ~trail.at_edge]
    for low, high in BANDS_HZ:
        for hertz in np.linspace(low, high, 60):
            if hertz * (times[-1] - times[0]) < 1.0:
                continue  # shorter than one cycle: that is a matter of `_too_short`
            phases = np.sort((times * hertz) % 1.0)
            gap = max(float(np.diff(phases).max(initial=0.0)), float(phases[0] + 1 - phases[-1]))
            if gap > WIDEST_PHASE_GAP:
                return words.hidden(float(np.median(np.diff(times))), 1.0 / float(hertz))
    return None


def _too_short(measured: Measured, best: str) -> str | None:
    least = LEAST_SECONDS.get(best, 0.0)
    period = _own_period(measured, best)
    if best in {STEPS, LOOPS, THRASH} and period is not None:
        least = max(least, LEAST_CYCLES * period)
    if measured.duration_s + 0.5 * measured.interval_s >= least:
        return None
    return words.too_short(best, measured.duration_s, least)


def _too_shaky(measured: Measured, best: str) -> str | None:
    jitter = measured.jitter_px
    if best in {STILL, CREEP} and jitter > MOST_SHAKE * measured.length_px:
        return words.too_shaky(jitter, measured.length_px)
    came = measured.net_speed * measured.duration_s * measured.length_px
    if best in {GLIDE, CREEP} and max(came, measured.moved_px) < LEAST_MOVE_JITTERS * jitter:
        return words.too_shaky(jitter, measured.length_px)
    return None


def _steps_seen(measured: Measured) -> str | None:
    if measured.n_steps >= max(1.0, LEAST_STEP_SHARE * measured.n_cycles):
        return None
    return words.no_whole_step(measured)


def _is_steady(measured: Measured) -> str | None:
    if measured.length_ratio > MOST_GLIDING_RATIO:
        return words.not_steady(measured)
    if measured.interval_s <= SLOWEST_INTERVAL_S[LOOPS]:
        return None
    return None if measured.length_ratio <= MOST_STEADY_RATIO else words.not_steady(measured)


def _hops_seen(measured: Measured) -> str | None:
    return None if measured.hops >= 2 else words.TOO_FEW_HOPS


_CHECKS: dict[str, Callable[[Measured], str | None]] = {
    STEPS: _steps_seen,
    LOOPS: _steps_seen,
    HOP: _hops_seen,
    GLIDE: _is_steady,
    CREEP: _is_steady,
}


def _own_period(measured: Measured, gait: str | None) -> float | None:
    """Give the time of a cycle that belongs to a gait: of the length for steps, of bending for waves."""
    if gait == THRASH:
        return None if measured.bend_hz is None else 1.0 / measured.bend_hz
    if gait in {STEPS, LOOPS} or gait is None:
        return measured.period_s if measured.n_cycles or gait is not None else None
    return None


def read_gait_of_pair(
    times_s: tuple[float, float],
    places_xy_px: tuple[tuple[float, float], tuple[float, float]],
    *,
    lengths_px: tuple[float | None, float | None] = (None, None),
    jitter_px: float = 1.0,
) -> GaitReading:
    """Say what two photos of one animal, seconds apart, can say: moved or not, how far, never a gait.

    Parameters
    ----------
    times_s
        When each was taken, seconds.
    places_xy_px
        The middle of the animal on each, the camera's own motion taken out.
    lengths_px
        How long it was on each, where that is known.
    jitter_px
        One standard deviation of a place that is not the animal's.

    Returns
    -------
    GaitReading
        `gait` is None and every gait as likely as any other; `speed_px_s` is the net distance over the
        time, the least that it can have been.
    """
    (x0, y0), (x1, y1) = places_xy_px
    apart = times_s[1] - times_s[0]
    gone = float(np.hypot(x1 - x0, y1 - y0))
    one, other = lengths_px
    ratio = None if not one or not other else max(one, other) / min(one, other)
    return GaitReading(
        gait=None,
        p_gaits=(1.0 / len(GAITS),) * len(GAITS),
        reasons=words.of_a_pair(apart, gone, ratio, jitter_px=jitter_px),
        speed_px_s=gone / apart if apart > 0 else None,
        length_ratio=ratio,
    )
