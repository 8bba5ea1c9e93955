"""Trails and clips made by hand: for tests that ask what is shown of an animal that was followed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from made_answers import CROP, judged

from pestvision.findings.clip_result import ClipAnimal, ClipCheck
from pestvision.findings.cues import LOOKS, MOVES, SIZE, Cue
from pestvision.motion.trail import GAITS, GLIDE, N_MIDLINE, STEPS, GaitReading, Trail
from pestvision.size.records import Length

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from pestvision.findings.finding import Judgement

HALF_S = 1.2
"""How long the stepping animal takes to grow, and to shrink again."""


def inchworm(n: int = 100, a_second: float = 10.0, *, unseen: tuple[int, ...] = ()) -> Trail:
    """An animal that steps to the right: one end is held while it grows, the other while it shrinks."""
    times = np.arange(n) / a_second
    whole, share = np.divmod(times / HALF_S, 1.0)
    step = np.floor(whole / 2)
    grows = whole % 2 == 0
    tail = 100 + 50 * (step + np.where(grows, 0.0, share))
    head = 100 + 50 * step + 60 + 50 * np.where(grows, share, 1.0)
    along = np.linspace(0, 1, N_MIDLINE)
    x = tail[:, None] + (head - tail)[:, None] * along
    y = np.full_like(x, 240.0) + 12 * np.sin(np.pi * along) * (1.1 - (head - tail) / 110)[:, None]
    return trail_of(times, np.stack([x, y], axis=2), unseen=unseen)


def glider(n: int = 60, a_second: float = 10.0) -> Trail:
    """An animal that goes steadily down and keeps its length."""
    times = np.arange(n) / a_second
    along = np.linspace(-30, 30, N_MIDLINE)
    y = 100 + 18 * times[:, None] + along
    return trail_of(times, np.stack([np.full_like(y, 620.0), y], axis=2))


def trail_of(times: F64, lines: F64, *, unseen: tuple[int, ...] = ()) -> Trail:
    steps = np.diff(lines, axis=1)
    lengths = np.hypot(steps[..., 0], steps[..., 1]).sum(axis=1)
    boxes = np.hstack([lines.min(axis=1) - 8, lines.max(axis=1) + 8])
    widths = np.full(len(times), 16.0)
    for part in (lines, lengths, boxes, widths):
        part[list(unseen)] = np.nan
    edge = np.zeros(len(times), bool)
    return Trail(times, lines, lengths, widths, boxes, 0.5, edge)


def reading(gait: str | None = STEPS, **changes: Any) -> GaitReading:
    shares = [0.02 if name != gait else 0.88 for name in GAITS]
    values: dict[str, Any] = {
        "gait": gait,
        "p_gaits": tuple(shares) if gait else (1 / len(GAITS),) * len(GAITS),
        "reasons": ("It steps: one end is held while the other moves.",),
    }
    if gait == STEPS:
        values |= {"n_steps": 3, "n_cycles": 4, "period_s": 2.4, "speed_px_s": 21.0}
    return GaitReading(**(values | changes))


def cue(name: str = MOVES, words: str = "inchworm steps, 3 of 4 with one end held") -> Cue:
    return Cue(name, words, (0.0,) + (-1.0,) * 13)


CUES = (
    cue(LOOKS, "leech-like 0.72"),
    cue(),
    cue(SIZE, "9–12 mm: fits leech-like and flatworm-like"),
)


def animal(number: int = 1, judgement: Judgement | None = None, **changes: Any) -> ClipAnimal:
    values: dict[str, Any] = {
        "track": number,
        "trail": inchworm(),
        "gait": reading(),
        "judgement": judged("leech-like", 0.94, cues=CUES) if judgement is None else judgement,
        "crop_rgb": CROP,
        "crop_time_s": 1.5,
        "length": Length(10.4, 9.2, 11.7, ("The scale lay beside the animal.",)),
        "mm_per_px": 0.1,
    }
    return ClipAnimal(**(values | changes))


def clip_check(name: str = "glass.mp4", **changes: Any) -> ClipCheck:
    """A clip of ten seconds: a leech that steps, and a flatworm that glides and cannot be measured."""
    second = animal(
        2,
        judged("flatworm-like", 0.9),
        trail=glider(),
        gait=reading(GLIDE, reasons=("It glides at a steady length.",)),
        length=None,
        length_note="It lies farther from the glass than the scale.",
        mm_per_px=None,
    )
    first = animal()
    values: dict[str, Any] = {
        "clip": name,
        "width": 900,
        "height": 600,
        "n_frames": 300,
        "seconds": 9.97,
        "times_s": first.trail.times_s,
        "verdict": first.judgement,
        "animals": (first, second),
        "picture_rgb": np.full((600, 900, 3), 120, np.uint8),
        "notes": ("The clip is turned upright.",),
    }
    return ClipCheck(**(values | changes))
