"""Join what an animal looks like with how it moves, how long it is and where it went.

Each cue gives a likelihood for every class of the net. They are joined in log-odds, each times a weight
that was learned, and none may shift the odds of two classes by more than `MOST_ODDS`: by itself no cue overrules the rest
beyond how reliably it was measured to be right. A cue that is not there changes nothing at all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pestvision.findings.cues import MOVES, SIZE, TRACK, Cue, fitting
from pestvision.findings.track_cue import FRAMES, PHOTOS, Between, load_track_weights
from pestvision.motion.trail import CREEP, GAITS, GLIDE, HOP, LOOPS, STEPS, STILL, THRASH
from pestvision.organisms.classes import FINE_NAMES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pestvision.arrays import F64
    from pestvision.motion.trail import GaitReading
    from pestvision.size.records import Length

TRACK_ODDS: dict[str, float] = {PHOTOS: 29.0, FRAMES: 17.0}
"""No track shifts the odds of two classes by more: where by itself it gave a group 0.8 or more, it was right in
0.967 of 980 pairs of drawn photos and in 0.944 of 303 drawn bursts that it was not learned from."""

MOST_ODDS: dict[str, float] = {MOVES: 11.0, SIZE: 3.0, TRACK: max(TRACK_ODDS.values())}
"""No cue shifts the odds of two classes by more. A gait that was told of a drawn clip was right in 0.92 of the
bursts of `training.evidence_exam`: 11 to 1. That the length may count for 3 is an own choice."""

WEIGHTS: dict[str, float] = {MOVES: 1.0, SIZE: 1.0, TRACK: 1.0}
"""What a cue's log-odds are multiplied by: fitted on drawn animals by `python -m training.evidence_exam fit`.
Of the size the drawings tell next to nothing: any weight serves as well."""

LOOKS_BESIDE_TRACK = 0.93
"""What the log-odds of the looks are multiplied by where there is a track: both come of the same pictures, and
where the animal is hard to see both may be off. Fitted with the weights."""

GAIT_WORDS: dict[str, str] = {
    STEPS: "inchworm steps",
    GLIDE: "gliding",
    LOOPS: "quick looping, as an irritated flatworm does",
    THRASH: "thrashing",
    CREEP: "creeping",
    HOP: "hopping",
    STILL: "keeps still",
}
"""The gaits in words."""

_ANYTHING = 0.1
"""Share of every class that moves in no way that was thought of, spread over all gaits."""

_USUAL: dict[str, dict[str, float]] = {
    # Suckers only, no swimming in Helobdella: Kaygorodova 2015, ZooKeys 545:37. It rests as well.
    "leech": {STEPS: 0.75, STILL: 0.25},
    # Glides by cilia: Rompolas et al. 2010, Mol Biol Cell 21:3669; loops when hurt, heated or treated:
    # Sabry et al. 2019, PLoS ONE 14(12):e0226104.
    "flatworm": {GLIDE: 0.75, LOOPS: 0.1, STILL: 0.15},
    "snail": {CREEP: 0.65, GLIDE: 0.1, STILL: 0.25},
    "snail-eggs": {STILL: 1.0},
    "limpet": {CREEP: 0.55, STILL: 0.45},
    # Crawls, swims in spirals, waves: Timm, freshwater oligochaete guide.
    "thin-worm": {THRASH: 0.65, CREEP: 0.15, STILL: 0.2},
    "midge-larva": {THRASH: 0.65, STILL: 0.35},
    "small-crustacean": {HOP: 0.6, CREEP: 0.1, GLIDE: 0.1, STILL: 0.2},
    "hydra": {STILL: 0.95, LOOPS: 0.05},
    "shrimp-or-fish": {HOP: 0.4, GLIDE: 0.3, CREEP: 0.1, STILL: 0.2},
    "plant-or-debris": {STILL: 0.8, CREEP: 0.2},
    "bubble": {STILL: 0.8, GLIDE: 0.2},
    "glare": {STILL: 0.9, GLIDE: 0.1},
    "mark-on-glass": {STILL: 1.0},
}
"""How often a class is met in each gait: which gaits it has is sourced above or common practice, the
shares are own assumptions, and `MOST_ODDS` keeps them from deciding alone."""

SIZE_RANGES_MM: dict[str, tuple[float, float]] = {
    # Helobdella stagnalis juveniles about 1 mm (Zootaxa 5115(1), 2022); Glossiphonia complanata to 30 mm at
    # rest (keys, second-hand).
    "leech": (1.0, 30.0),
    # Girardia tigrina from 4 mm (J Species Res 2023, 12:341); Bdellocephala extended to 40 mm (Essex Field
    # Club). What leaves a cocoon is smaller: no length found.
    "flatworm": (1.0, 40.0),
    # Nematodes from 0.5 mm (second-hand) to Tubifex 100 mm (Timm, freshwater oligochaete guide).
    "thin-worm": (0.5, 100.0),
    # Water fleas from 0.2 to 5 mm, copepods to 4 (second-hand).
    "small-crustacean": (0.2, 5.0),
    # Hydra viridissima columns to 2.53 mm (Massaro & Rocha); Hydra vulgaris to 30 mm (second-hand).
    "hydra": (0.5, 30.0),
}
"""Lengths that are known of a class, mm. A class that is not here fits every length."""

STRETCHED = 3.1
"""An animal is met up to so many times as long as at its shortest: 2.0 to 3.1 in one flatworm (from the
lengths that the Essex Field Club gives for Bdellocephala)."""

_SIZE_FADES = np.log(1.5)
"""A length this far outside the known range, in natural logarithms, is 1 / e as likely."""

_FITS = 0.5  # from this likelihood over the best on a cue is said to fit a group


def joined(p_fine: F64, cues: Sequence[Cue]) -> F64:
    """Join what the crops say with the other cues.

    Parameters
    ----------
    p_fine
        (14,) probabilities of the crops, above 0 where anything is possible.
    cues
        Any number, none of them `LOOKS`; of each name the first counts.

    Returns
    -------
    F64
        (14,) probabilities, sum 1. Without cues they are those given.
    """
    counted: dict[str, Cue] = {}
    for cue in cues:
        counted.setdefault(cue.name, cue)
    if not counted:
        return p_fine
    looks = LOOKS_BESIDE_TRACK if TRACK in counted else 1.0
    log_p = looks * np.log(np.clip(p_fine, 1e-9, None))
    for name, cue in counted.items():
        log_p += capped(WEIGHTS[name] * np.array(cue.log_likelihood), MOST_ODDS[name])
    p = np.exp(log_p - log_p.max())
    return np.asarray(p / p.sum(), np.float64)


def capped(log_likelihood: F64, most_odds: float) -> F64:
    """Keep the odds between any two classes within `most_odds`."""
    return np.asarray(np.maximum(log_likelihood - log_likelihood.max(), -np.log(most_odds)))


def gait_cue(reading: GaitReading) -> Cue | None:
    """Give what the gait says, or None where no gait could be told."""
    if reading.gait is None:
        return None
    p_gaits = np.array(reading.p_gaits)
    likely = {fine: float(p_gaits @ _gaits_of(fine)) for fine in FINE_NAMES}
    return _cue(MOVES, likely, lambda _fits: _moves_words(reading))


def size_cue(length: Length) -> Cue:
    """Give what the length says: which known sizes it fits."""
    likely = {fine: _fits_size(fine, length) for fine in FINE_NAMES}
    span = f"{length.low_mm:.2g}–{length.high_mm:.2g} mm"
    return _cue(SIZE, likely, lambda fits: f"{span}: fits {fits}")


def track_cue(between: Between) -> Cue:
    """Give what two photos say of how it went, or frames of how it changed and is built."""
    logs = load_track_weights(between.pictures).log_likelihood(between)
    logs = capped(logs, TRACK_ODDS[between.pictures])
    likely = dict(zip(FINE_NAMES, np.exp(logs - logs.max()).tolist(), strict=True))
    return _cue(TRACK, likely, lambda fits: f"{between.words()}: fits {fits}")


def _cue(name: str, likely: Mapping[str, float], words_of: Callable[[str], str]) -> Cue:
    logs = np.log(np.clip([likely[fine] for fine in FINE_NAMES], 1e-9, None))
    logs = capped(logs, MOST_ODDS[name])
    plain = Cue(name, "", tuple(float(value) for value in logs))
    words = words_of(fitting(plain.of_groups(), least=_FITS))
    return Cue(name, words, plain.log_likelihood)


def _gaits_of(fine: str) -> F64:
    """Give how often a class is met in each gait, (7,), sum 1."""
    usual = np.array([_USUAL[fine].get(gait, 0.0) for gait in GAITS])
    return np.asarray((1 - _ANYTHING) * usual / usual.sum() + _ANYTHING / len(GAITS))


def _moves_words(reading: GaitReading) -> str:
    words = GAIT_WORDS[str(reading.gait)]
    if reading.gait in {STEPS, LOOPS} and reading.n_cycles:
        return f"{words}, {reading.n_steps} of {reading.n_cycles} with one end held"
    return words


def _fits_size(fine: str, length: Length) -> float:
    """Say how well a length fits what is known of a class: 1 inside, fading outside."""
    known = SIZE_RANGES_MM.get(fine)
    if known is None:
        return 1.0
    low, high = known[0] / STRETCHED, known[1] * STRETCHED**0.5
    too_long = np.log(length.low_mm / high)
    too_short = np.log(low / length.high_mm)
    return float(np.exp(-max(0.0, too_long, too_short) / _SIZE_FADES))
