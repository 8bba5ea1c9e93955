"""Draw trails of animals directly, without pictures: what following them would give, flaws and all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.motion.trail import (
    CREEP,
    GLIDE,
    HOP,
    LOOPS,
    N_MIDLINE,
    STEPS,
    STILL,
    THRASH,
    Trail,
)
from training.scenes.gaits import SOURCED, Habits, walk
from training.scenes.light import rotation
from training.scenes.organisms import new_animal
from training.scenes.ribbons import midline

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from training.scenes.records import Pose

GAIT_OF_DRAWN: dict[str, str | None] = {
    "loop": STEPS,
    "scrunch": LOOPS,
    "glide": GLIDE,
    "wave": THRASH,
    "creep": CREEP,
    "hop": HOP,
    "still": STILL,
    "sway": None,
}
"""The gait, as it is read, of each drawn one; a swaying hydra has none of them."""

FINES_OF_DRAWN: dict[str, tuple[str, ...]] = {
    "loop": ("leech",),
    "scrunch": ("flatworm",),
    "glide": ("flatworm",),
    "wave": ("thin-worm", "midge-larva"),
    "creep": ("snail", "limpet"),
    "hop": ("small-crustacean",),
    "still": ("leech", "flatworm", "snail", "snail-eggs", "thin-worm", "plant-or-debris"),
    "sway": ("hydra",),
}
"""Which classes go so."""

_WIDTHS: dict[str, tuple[float, float]] = {
    "leech": (0.12, 0.35),
    "flatworm": (0.115, 0.26),
    "thin-worm": (0.03, 0.1),
    "midge-larva": (0.06, 0.15),
    "hydra": (0.05, 0.15),
}
"""Width over length at rest of what has a midline; all else is stout. Own assumption, but flatworms'."""
_STOUT = (0.35, 0.95)
_LIFTS = {"glide": 1.0, "loop": 0.3, "wave": 0.3}
"""What lifts an end now and then while it goes along, and how far, over `Flaws.foreshortened`."""


@dataclass(frozen=True, slots=True)
class Flaws:
    """What following does to a trail: the ranges of each flaw, drawn once a trail. Own assumptions.

    `camera_px`: what is left of the camera's motion, one standard deviation. `outline_px`: noise of each
    point of the midline, the neighbours alike. `end_share`: how far the ends come and go along the body,
    over its length. `length_share`: noise of the length, over it. `missing_share`: frames in which it was
    not seen. `told_jitter`: the jitter that the trail tells, over the true one. `foreshortened`: how much
    shorter a soft body looks at times where it lifts an end or goes over an edge. `short_cut_share`: frames in which a bent body's line goes
    straight from tip to tip.
    """

    camera_px: tuple[float, float] = (0.05, 1.2)
    outline_px: tuple[float, float] = (0.1, 0.9)
    end_share: tuple[float, float] = (0.002, 0.1)
    length_share: tuple[float, float] = (0.002, 0.04)
    missing_share: tuple[float, float] = (0.0, 0.25)
    told_jitter: tuple[float, float] = (0.4, 1.7)
    foreshortened: tuple[float, float] = (0.0, 0.6)
    short_cut_share: tuple[float, float] = (0.0, 0.08)


@dataclass(frozen=True, slots=True, eq=False)
class DrawnTrail:
    """A trail; how it was drawn; the gait as it is to be read, None for none; the time of one cycle."""

    trail: Trail
    drawn: str
    gait: str | None
    period_s: float | None


def draw_trail(
    rng: np.random.Generator,
    drawn: str,
    times: list[float],
    *,
    habits: Habits = SOURCED,
    flaws: Flaws | None = None,
    length_px: float = 60.0,
    winding: float = 0.5,
) -> DrawnTrail:
    """Draw a trail.

    Parameters
    ----------
    drawn
        A name of `GAIT_OF_DRAWN`.
    times
        Of the frames, seconds, ascending.
    habits
        How fast and far each gait goes.
    flaws
        What following does to it; `Flaws()` if None.
    length_px
        Length of the animal at rest.
    winding
        Of glides, the share that wind about, each point of the body following the one before, and look
        round with the head; the others go along an arc.
    """
    flaws = Flaws() if flaws is None else flaws
    fine = str(rng.choice(FINES_OF_DRAWN[drawn]))
    animal = new_animal(rng, fine)
    gone = walk(rng, animal, drawn, times, habits=habits)
    slim = _WIDTHS.get(fine)
    width = float(rng.uniform(*(slim or _STOUT))) * length_px
    lines = np.stack(
        [
            _line(moment.pose, bends=slim is not None) + np.asarray(moment.at)
            for moment in gone.moments
        ]
    )
    if drawn == "glide" and rng.random() < winding:
        lines = _winding_glide(rng, times, habits)
    if drawn in _LIFTS:
        most = float(rng.uniform(*flaws.foreshortened)) * _LIFTS[drawn]
        lines = _foreshortened(rng, lines, times, most)
    lines = lines * length_px
    trail = _followed(rng, lines, times, width=width, flaws=flaws)
    return DrawnTrail(trail, drawn, GAIT_OF_DRAWN[drawn], gone.period_s)


def _line(pose: Pose, *, bends: bool) -> F64:
    """Give the midline of a pose, `N_MIDLINE` points, in lengths at rest; stout bodies have an axis."""
    if not bends:
        along = np.linspace(-0.5, 0.5, N_MIDLINE) * pose.stretch
        line = np.column_stack([along, np.zeros(N_MIDLINE)])
    else:
        whole = midline(pose)
        take = np.linspace(0, len(whole) - 1, N_MIDLINE)
        line = np.column_stack(
            [np.interp(take, np.arange(len(whole)), whole[:, k]) for k in (0, 1)]
        )
    return np.asarray(line @ rotation(pose.heading_deg).T, np.float64)


_FINE = 400  # points of a path for each length of the animal
_MOST_DRAWN_IN = (
    0.5  # of its length, slowly: one planarian's longest and shortest are 2.0-3.1 apart
)
_TIGHTEST = 4.0  # radians that a winding path turns in a length; own reading of gliding planarians


def _winding_glide(rng: np.random.Generator, times: list[float], habits: Habits) -> F64:
    """Glide along a winding path: the body lies on the way that the head has gone; (n, K, 2) lengths."""
    speed = float(rng.uniform(*habits.glide_speed))
    changes = 1.0 + float(rng.uniform(0, 0.6)) * np.sin(
        2 * np.pi * (float(rng.uniform(0.02, 0.2)) * np.array(times) + float(rng.uniform()))
    )
    gaps = np.diff(times, prepend=times[0])
    gone = np.cumsum(speed * changes * gaps)
    total = float(gone[-1]) + 1.5
    n = int(total * _FINE)
    # How the path turns changes within about half a length.
    knots = rng.normal(0, 1, int(total * 2) + 4)
    turn = np.interp(np.arange(n) / _FINE * 2, np.arange(len(knots)), knots)
    angle = np.cumsum(turn * float(rng.uniform(0, _TIGHTEST)) / _FINE) + float(rng.uniform(0, 7))
    path = np.cumsum(np.column_stack([np.cos(angle), np.sin(angle)]) / _FINE, axis=0)
    look, pace = float(rng.uniform(0, 1.0)), float(rng.uniform(0.1, 0.8))
    share = np.linspace(0.0, 1.0, N_MIDLINE)
    draws_in = float(rng.choice([0.0, rng.uniform(0, _MOST_DRAWN_IN)]))
    rhythm = 2 * np.pi * (float(rng.uniform(0.02, 0.15)) * np.array(times) + float(rng.uniform()))
    stretch = 1.0 - draws_in * np.clip(np.sin(rhythm), 0, None)
    lines = np.empty((len(times), N_MIDLINE, 2))
    for index, (time_s, at) in enumerate(zip(times, gone, strict=True)):
        where = (at + 0.5 + (share - 0.5) * stretch[index]) * _FINE
        line = np.column_stack([np.interp(where, np.arange(n), path[:, k]) for k in (0, 1)])
        side = (
            look
            * float(np.sin(2 * np.pi * pace * time_s))
            * np.clip(share - 0.7, 0, None) ** 2
            / 0.3
        )
        toward = line[-1] - line[-3]
        toward = toward / max(float(np.hypot(*toward)), 1e-9)
        lines[index] = line + side[:, None] * np.array([-toward[1], toward[0]])
    return lines


def _foreshortened(rng: np.random.Generator, lines: F64, times: list[float], most: float) -> F64:
    """Let an end be drawn in for a while, as it looks where it is lifted towards the eye."""
    pace, phase = float(rng.uniform(0.03, 0.3)), float(rng.uniform())
    amount = most * np.clip(np.sin(2 * np.pi * (pace * np.array(times) + phase)), 0, None)
    way = 1 if rng.random() < 0.5 else -1
    whole = np.arange(N_MIDLINE)
    drawn_in = np.empty_like(lines)
    for index, line in enumerate(lines[:, ::way]):
        where = whole * (1 - amount[index])
        drawn_in[index] = np.column_stack([np.interp(where, whole, line[:, k]) for k in (0, 1)])
    return np.asarray(drawn_in[:, ::way], np.float64)


def _followed(
    rng: np.random.Generator, lines: F64, times: list[float], *, width: float, flaws: Flaws
) -> Trail:
    """Give the trail that following would make of the true midlines."""
    n = len(lines)
    true_lengths = _lengths(lines)
    camera_px, outline_px = float(_log(rng, flaws.camera_px)), float(_log(rng, flaws.outline_px))
    end_share, length_share = (
        float(_log(rng, flaws.end_share)),
        float(_log(rng, flaws.length_share)),
    )
    straight = rng.random(n) < float(rng.uniform(*flaws.short_cut_share))
    share = np.linspace(0.0, 1.0, N_MIDLINE)[None, :, None]
    chord = lines[:, :1] + share * (lines[:, -1:] - lines[:, :1])
    lines = np.where(straight[:, None, None], chord, lines)
    seen_lines = lines + camera_px * _lasting(rng, n, (1, 2)) + outline_px * _smooth(rng, n)
    # An end that is lost or drawn too long moves all points along the body, the far end least.
    span = lines[:, -1] - lines[:, 0]
    head, tail = (end_share * _lasting(rng, n, (1, 1)) for _ in range(2))
    seen_lines = seen_lines + span[:, None, :] * (share * head + (1 - share) * tail)
    if rng.random() < 0.5:  # which end comes first is not the animal's to say
        seen_lines = seen_lines[:, ::-1]
    noise = 1.0 + length_share * rng.standard_normal(n)
    lengths = _lengths(seen_lines) * np.clip(noise, 0.7, 1.3)
    # A soft body keeps its volume: shorter is wider.
    at_rest = float(np.median(true_lengths))
    widths = width * np.sqrt(at_rest / true_lengths) * (1 + 0.05 * rng.standard_normal(n))
    low, high = seen_lines.min(axis=1) - width / 2, seen_lines.max(axis=1) + width / 2
    boxes = np.hstack([low, high])
    missing = _missing(rng, n, float(rng.uniform(*flaws.missing_share)))
    for part in (seen_lines, lengths, widths, boxes):
        part[missing] = np.nan
    own = float(np.hypot(camera_px, outline_px * 0.5))
    return Trail(
        times_s=np.asarray(times, np.float64),
        midlines_xy_px=np.ascontiguousarray(seen_lines),
        lengths_px=lengths,
        widths_px=widths,
        boxes_xyxy_px=boxes,
        jitter_px=max(own * float(rng.uniform(*flaws.told_jitter)), 0.02),
        at_edge=np.zeros(n, bool),
    )


def _log(rng: np.random.Generator, span: tuple[float, float]) -> float:
    """Draw from a range, evenly in its logarithm."""
    return float(np.exp(rng.uniform(np.log(span[0]), np.log(span[1]))))


def _lengths(lines: F64) -> F64:
    steps = np.diff(lines, axis=1)
    return np.asarray(np.hypot(steps[..., 0], steps[..., 1]).sum(axis=1), np.float64)


def _lasting(rng: np.random.Generator, n: int, tail: tuple[int, int]) -> F64:
    """Noise of one standard deviation, part of it alike from frame to frame: (n, *tail)."""
    fresh = rng.standard_normal((n, *tail))
    slow = fresh.copy()
    keep = float(rng.uniform(0.0, 0.9))
    for index in range(1, n):
        slow[index] = keep * slow[index - 1] + np.sqrt(1 - keep**2) * fresh[index]
    return np.asarray(slow, np.float64)


def _smooth(rng: np.random.Generator, n: int) -> F64:
    """Noise of one standard deviation for each point of each midline, neighbours alike: (n, K, 2)."""
    rough = rng.standard_normal((n, N_MIDLINE + 2, 2))
    return np.asarray((rough[:, :-2] + rough[:, 1:-1] + rough[:, 2:]) / np.sqrt(3.0), np.float64)


def _missing(rng: np.random.Generator, n: int, share: float) -> F64:
    """Frames in which it is not seen, in runs; never the first two nor the last."""
    gone = np.zeros(n, bool)
    while n > 6 and gone.mean() < share:
        run = int(rng.integers(1, max(2, min(8, n // 6))))
        start = int(rng.integers(2, n - run))
        gone[start : start + run] = True
        gone[-1] = False
    return np.asarray(gone)
