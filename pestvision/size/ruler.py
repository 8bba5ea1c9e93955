"""A ruler, graph paper or a scale bar's ticks as a scale.

Evenly spaced lines give pixels a tick. That a tick is a millimetre is taken only from the ruler itself:
on a metric one every fifth and every tenth tick is longer or bolder. Where that cannot be seen, the
person says what one tick is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ScaleError
from pestvision.size.combs import find_combs, grey_of
from pestvision.size.records import MAX_TILT_DEG, RULER, NoScale, Scale

if TYPE_CHECKING:
    from pestvision.arrays import F64, U8
    from pestvision.size.comb_strip import Comb

METRIC: Final = (5, 10)
"""Every how many ticks of a millimetre one is longer."""

OTHER_FOLDS: Final = (2, 3, 4, 6, 7, 8, 9, 12, 16)
"""Folds of inch rulers (halves of halves) and of nothing: what a metric fold must stand above."""

LEAST_FOLD: Final = 5.0
"""By how many standard errors the longer ticks must stand out, the best of a few hundred trials."""

LEAST_EFFECT: Final = 0.2
"""How much darker they must be than the rest somewhere across the row, 1 being a usual tick."""

FOLD_AHEAD: Final = 1.25
"""How far the metric fold must stand above any other."""

READING_SD: Final = 0.005
"""Least error of a ruler's scale over itself (bent paper, a slight slant across it)."""

FACE_ABOVE_MM: Final = 1.5
"""How much higher than the animal a ruler's face may lie: nearer to the lens, it looks larger."""

USUAL_FOCAL: Final = 1.0
"""Focal length over the long side of a whole photo; phones' main cameras have .7 to 1.5 (from memory)."""

LEAN_SD: Final = 0.7
"""One standard deviation of the shortening by a tilt along the ruler, over it: the lens is not known."""

TICKS_MM: Final = (0.1, 100.0)
"""Smallest and largest tick that a person may name."""

SAME_PLANE: Final = (
    "The ruler must lie on the same surface as the animal, and the camera square above both: a slant "
    "across the ruler cannot be seen from its ticks."
)


@dataclass(frozen=True, slots=True)
class _Fold:
    """Every how many ticks one stands out, by how many standard errors and by how much."""

    every: int
    errors: float
    effect: float


def find_ruler(
    rgb: U8, *, near: tuple[float, float] | None = None, tick_mm: float | None = None
) -> Scale | NoScale:
    """Find a ruler's or graph paper's ticks and give the scale by them.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    near
        A place `(x, y)` on the ticks, in pixels, where a person pointed at them; None for anywhere.
    tick_mm
        What a person says the space between neighbouring ticks is; None to take it from the longer
        ticks.

    Returns
    -------
    Scale
        With the perspective along the ruler; a tilt across it cannot be seen.
    NoScale
        If there are no even ticks, or what one tick is cannot be told.

    Raises
    ------
    ScaleError
        If `tick_mm` is no possible tick or `near` lies outside the photo.
    """
    as_rgb(rgb)
    _check(rgb, near, tick_mm)
    combs = find_combs(grey_of(rgb), near=near)
    if not combs:
        return NoScale(
            "No row of even ticks was found. Let the ruler lie straight and sharp in the photo, its "
            "millimetres at least 4 pixels apart, or click two marks on it."
        )
    if tick_mm is not None:
        said = f"One tick is taken for {tick_mm:g} mm, as was said."
        return _scale(rgb, combs[0], tick_mm, said)
    for comb in combs:
        fold = metric_fold(comb)
        if fold is not None:
            return _scale(
                rgb,
                comb,
                1.0,
                f"One tick is taken for 1 mm, because every {_ordinal(fold.every)} tick stands out. If "
                "it is another ruler, say what one tick is.",
            )
    best = combs[0]
    return NoScale(
        f"A row of {best.n_lines} even ticks was found, {best.period_px:.1f} pixels apart, but not "
        "whether a tick is 1, 5 or 10 mm or a part of an inch: no fifth or tenth tick stands out. Say "
        "what one tick is, or click two marks on it."
    )


def metric_fold(comb: Comb) -> _Fold | None:
    """Tell whether every fifth or tenth tick stands out, and no other fold does as well."""
    metric = max((_fold(comb, every) for every in METRIC), key=lambda fold: fold.errors)
    others = max(_fold(comb, every).errors for every in OTHER_FOLDS)
    is_sure = metric.errors > LEAST_FOLD and metric.effect > LEAST_EFFECT
    return metric if is_sure and metric.errors > FOLD_AHEAD * others else None


def _fold(comb: Comb, every: int) -> _Fold:
    """Give how much the ticks of the best residue of `every` stand out, at the best place across."""
    best = _Fold(every, 0.0, 0.0)
    numbers = np.arange(comb.n_lines)
    for residue in range(every):
        among = numbers % every == residue
        if among.sum() < 2 or (~among).sum() < 4:
            continue
        for column in _smoothed(comb.darkness).T:
            known = np.isfinite(column)
            inside, outside = column[among & known], column[~among & known]
            if len(inside) < 2 or len(outside) < 4:
                continue
            effect = float(np.median(inside) - np.median(outside))
            spread = float(np.hypot(_spread(outside), 0.08))
            within = max(spread, _spread(inside))
            error = np.hypot(within / np.sqrt(len(inside)), spread / np.sqrt(len(outside)))
            if effect / error > best.errors:
                best = _Fold(every, effect / float(error), effect)
    return best


def _smoothed(darkness: F64) -> F64:
    """Take the mean of three places across the row each."""
    return np.asarray((darkness[:, :-2] + darkness[:, 1:-1] + darkness[:, 2:]) / 3, np.float64)


def _spread(values: F64) -> float:
    """Give a standard deviation that a few strays do not move."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _scale(rgb: U8, comb: Comb, tick_mm: float, said: str) -> Scale | NoScale:
    lean = comb.lean_per_px * USUAL_FOCAL * max(rgb.shape[:2])  # the tangent of the tilt along it
    tilt = float(np.rad2deg(np.arctan(lean)))
    if tilt > MAX_TILT_DEG:
        return NoScale(
            f"The ruler leans away from the camera by about {tilt:.0f}°; beyond {MAX_TILT_DEG:.0f}° lengths "
            "are not to be trusted. Hold the camera square above the ruler and take the photo again."
        )
    distance_mm = USUAL_FOCAL * max(rgb.shape[:2]) * tick_mm / comb.period_px
    shortened = float(np.cos(np.arctan(lean)))
    # Ticks are shortened by the tilt, what lies across them is not.
    to_mm = np.diag([tick_mm, tick_mm * shortened, 1.0]) @ comb.to_ticks
    parts = [comb.period_sd, READING_SD, LEAN_SD * (1 - shortened), FACE_ABOVE_MM / distance_mm]
    return Scale(
        kind=RULER,
        to_mm=to_mm,
        relative_sd=min(float(np.linalg.norm(parts)), 0.5),
        outline_xy_px=comb.places_xy_px,
        tilt_deg=None,
        notes=(
            f"{comb.n_lines} ticks were found, {comb.period_px:.2f} pixels apart in the middle.",
            said,
            SAME_PLANE,
            (
                "A thick ruler's face lies nearer to the camera than the animal: lengths come out a little too "
                "small."
            ),
        ),
    )


def _ordinal(number: int) -> str:
    return {5: "fifth", 10: "tenth"}[number]


def _check(rgb: U8, near: tuple[float, float] | None, tick_mm: float | None) -> None:
    low, high = TICKS_MM
    if tick_mm is not None and not low <= tick_mm <= high:
        raise ScaleError(
            f"{tick_mm:g} mm was given as the space between two ticks.",
            advice=f"Give a number from {low:g} to {high:g}: 1 for a ruler's millimetres.",
        )
    if near is not None and not (0 <= near[0] < rgb.shape[1] and 0 <= near[1] < rgb.shape[0]):
        raise ScaleError(
            f"The place {near[0]:.0f}, {near[1]:.0f} lies outside the photo of {rgb.shape[1]} × "
            f"{rgb.shape[0]} pixels.",
            advice="Click on the ruler's ticks in the photo.",
        )
