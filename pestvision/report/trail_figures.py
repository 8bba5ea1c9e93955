"""The length over time of an animal that was followed, drawn; where it went is drawn in `track_picture`."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.findings.evidence import GAIT_WORDS
from pestvision.motion.gait_features import measure
from pestvision.motion.trail import LOOPS, STEPS
from pestvision.report.log_marks import LINE, MAX_LETTERS, WIDTH, anchor_of
from pestvision.report.templating import template
from pestvision.report.track_picture import pieces_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64, Bool
    from pestvision.motion.trail import GaitReading, Trail
    from pestvision.report.track_picture import I64

PLOT_LEFT: Final = 112.0  # room for "100 mm" in the largest letters
PLOT_RIGHT: Final = 16.0
PLOT_TOP: Final = 16.0
PLOT_HEIGHT: Final = 230.0
STRIP: Final = 16.0  # height of the row of stretches in which one end was held
STRIP_GAP: Final = 8.0
MAX_DOTS: Final = 150  # more than that run into each other, and the line alone is drawn
MAX_POINTS: Final = 720  # as many as the picture is wide
DOT_RADIUS: Final = 3.5
MAX_TICKS: Final = 4
STEPS_OF_TICKS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
SAMPLE_WIDTH: Final = 44.0  # of the piece of a strip that stands before its words


@dataclass(frozen=True, slots=True)
class Held:
    """A stretch of time in which one end of an animal stayed where it was; `end` is 0 or 1."""

    start_s: float
    end_s: float
    end: int


@dataclass(frozen=True, slots=True)
class CurveFigure:
    """A length over time, as it is drawn.

    `dots` are frames, `(x, y, is_whole)`; one that is not whole touches the edge of the frame, so that the
    animal is longer than it shows. `strips` are `(x, width, end)`. `key` are lines of words under the
    picture, `(y, end or None, words)`.
    """

    title: str
    says: str
    lines: tuple[str, ...]
    dots: tuple[tuple[float, float, bool], ...]
    grid: tuple[tuple[float, str], ...]
    ticks: tuple[tuple[float, str, str], ...]
    strips: tuple[tuple[float, float, int], ...]
    key: tuple[tuple[float, int | None, str], ...]
    floor: float
    height: float


def length_curve(
    trail: Trail,
    gait: GaitReading,
    *,
    mm_per_px: float | None = None,
    number: int = 1,
) -> str:
    """Draw the length of an animal over time, as a piece of HTML; empty where no length is known.

    Parameters
    ----------
    trail
        The animal, frame by frame.
    gait
        How it moved.
    mm_per_px
        Millimetres of a pixel; lengths are in pixels where None.
    number
        The animal's number; it begins the ids in the picture.
    """
    held = held_ends(trail, gait)
    figure = curve_figure(trail, gait, mm_per_px=mm_per_px, held=held, number=number)
    if figure is None:
        return ""
    return template("trail_length.svg.j2").render(
        figure=figure,
        anchor=f"length-{number}",
        width=WIDTH,
        left=PLOT_LEFT,
        right=WIDTH - PLOT_RIGHT,
        top=PLOT_TOP,
        strip=STRIP,
        strip_top=figure.floor + STRIP_GAP,
        below=figure.floor + (2 * STRIP_GAP + STRIP if figure.strips else 0.0),
        sample=SAMPLE_WIDTH,
        radius=DOT_RADIUS,
    )


def curve_figure(
    trail: Trail,
    gait: GaitReading,
    *,
    mm_per_px: float | None = None,
    held: Sequence[Held] = (),
    number: int = 1,
) -> CurveFigure | None:
    """Lay out the length over time, and the stretches in which an end was held; as `length_curve`."""
    unit = "pixels" if mm_per_px is None else "mm"
    lengths = trail.lengths_px * (1.0 if mm_per_px is None else mm_per_px)
    seen = trail.seen
    if not seen.any():
        return None
    whole = seen & ~trail.at_edge
    marks = _steps_to(1.03 * float(np.nanmax(lengths)))
    top = marks[-1]
    times = trail.times_s[seen]
    start, span = float(times[0]), max(float(times[-1] - times[0]), 1e-6)
    reach = WIDTH - PLOT_LEFT - PLOT_RIGHT
    xs = PLOT_LEFT + reach * (trail.times_s - start) / span
    ys = PLOT_TOP + PLOT_HEIGHT * (1 - lengths / top)
    floor = PLOT_TOP + PLOT_HEIGHT
    pieces = pieces_of(seen)
    strips = tuple(
        (float(PLOT_LEFT + reach * (item.start_s - start) / span), width, item.end)
        for item in held
        if (width := float(reach * (item.end_s - item.start_s) / span)) > 0
    )
    axis = floor + (2 * STRIP_GAP + STRIP if strips else 0.0)
    says = _says(trail, gait, lengths, unit=unit)
    key = _key(axis + 2.2 * LINE, gait, has_strips=bool(strips), n_open=int((seen & ~whole).sum()))
    return CurveFigure(
        title=f"Length of number {number} over time, in {unit}",
        says=says,
        lines=tuple(
            _polyline(xs[thin], ys[thin])
            for piece in pieces
            if len(thin := _thinned(piece, lengths)) > 1
        ),
        dots=_dots(xs, ys, whole=whole, pieces=pieces),
        grid=tuple(
            (
                PLOT_TOP + PLOT_HEIGHT * (1 - value / top),
                f"{value:g}{' mm' if unit == 'mm' else ''}",
            )
            for value in marks
        ),
        ticks=_time_ticks(start, span, reach),
        strips=strips,
        key=key,
        floor=floor,
        height=(key[-1][0] if key else axis + LINE) + 16,
    )


def held_ends(trail: Trail, gait: GaitReading) -> tuple[Held, ...]:
    """Give the stretches in which an animal that steps or loops held one end."""
    measured = measure(trail) if gait.gait in {STEPS, LOOPS} else None
    if measured is None:
        return ()
    return tuple(
        Held(half.start_s, half.end_s, half.held)
        for half in measured.halves
        if half.held is not None
    )


def _says(trail: Trail, gait: GaitReading, lengths: F64, *, unit: str) -> str:
    """Say in words what the picture shows."""
    whole = trail.seen & ~trail.at_edge
    shown = lengths[whole] if whole.any() else lengths[trail.seen]
    low, high = float(shown.min()), float(shown.max())
    n_seen, n_all = int(trail.seen.sum()), len(trail.times_s)
    size = f"Between {_number(low)} and {_number(high)}"
    if _number(low) == _number(high):
        size = f"About {_number(low)}"
    parts = [f"{size} {unit} long"]
    if trail.duration_s > 0:
        parts.append(f"over {trail.duration_s:.1f} seconds")
    sentence = f"{' '.join(parts)}, seen on {n_seen} of {n_all} frames."
    steps = _steps_words(gait)
    return f"{sentence} {steps}".strip()


def _steps_words(gait: GaitReading) -> str:
    """Count the steps in words; empty where nothing came and went."""
    if not gait.n_cycles:
        return ""
    times = "once" if gait.n_cycles == 1 else f"{gait.n_cycles} times"
    words = f"It grew long and short again {times}"
    if gait.period_s is not None:
        words += f", about every {gait.period_s:.1f} seconds"
    if gait.gait in {STEPS, LOOPS} or gait.n_steps:
        kept = "that time" if gait.n_cycles == 1 else f"{gait.n_steps} of these"
        words += f"; with one end held: {kept if gait.n_steps else 'never'}"
    return f"{words}."


def _key(
    first_y: float, gait: GaitReading, *, has_strips: bool, n_open: int
) -> tuple[tuple[float, int | None, str], ...]:
    """Lay out the lines of words under the picture."""
    lines: list[tuple[int | None, str]] = []
    if has_strips:
        lines += [(0, "one end is held"), (1, "the other end is held")]
    if gait.gait is not None:
        words = GAIT_WORDS[gait.gait]
        if gait.gait in {STEPS, LOOPS} and gait.n_cycles:
            words += f": {gait.n_steps} of {gait.n_cycles} with one end held"
        lines += [(None, part) for part in textwrap.wrap(words, MAX_LETTERS - 6)]
    if n_open:
        lines += [
            (None, part)
            for part in textwrap.wrap(
                "open dots: at the edge of the frame, so longer", MAX_LETTERS - 6
            )
        ]
    return tuple((first_y + rank * LINE, end, words) for rank, (end, words) in enumerate(lines))


def _dots(
    xs: F64, ys: F64, *, whole: Bool, pieces: Sequence[I64]
) -> tuple[tuple[float, float, bool], ...]:
    """Give a dot for each frame; where they are too many, for those that stand alone."""
    count = sum(len(piece) for piece in pieces)
    shown = [p for p in pieces if len(p) == 1] if count > MAX_DOTS else pieces
    return tuple(
        (float(xs[index]), float(ys[index]), bool(whole[index]))
        for piece in shown
        for index in piece
    )


def _thinned(piece: I64, lengths: F64) -> I64:
    """Thin a piece to as many frames as can be told apart, the longest and the shortest kept."""
    if len(piece) <= MAX_POINTS:
        return piece
    bins = np.array_split(piece, MAX_POINTS // 2)
    kept = {int(part[pick(lengths[part])]) for part in bins for pick in (np.argmin, np.argmax)}
    return np.array(sorted(kept), np.int64)


def _polyline(xs: F64, ys: F64) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in zip(xs, ys, strict=True))


def _steps_to(most: float) -> list[float]:
    """Give round values from 0 to at least `most`, three or more and six at the most."""
    step = _round_up(max(most, 1e-9) / MAX_TICKS)
    return [step * rank for rank in range(math.ceil(most / step - 1e-9) + 1)]


def _round_up(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(value))
    return next(power * step for step in STEPS_OF_TICKS if power * step >= value * (1 - 1e-9))


def _time_ticks(start: float, span: float, reach: float) -> tuple[tuple[float, str, str], ...]:
    """Put round times on the axis, seconds from the start of the clip."""
    step = _round_up(span / MAX_TICKS)
    first = math.ceil(start / step - 1e-9)
    ticks = []
    for rank in range(first, first + MAX_TICKS + 2):
        x = PLOT_LEFT + reach * (rank * step - start) / span
        if x > WIDTH - PLOT_RIGHT + 0.5:
            break
        words = f"{rank * step:g} s"
        ticks.append((x, anchor_of(x, 15.0 * len(words)), words))
    return tuple(ticks)


def _number(value: float) -> str:
    """Give a length with as many digits as mean something."""
    return f"{value:.0f}" if value >= 100 else f"{value:.1f}" if value >= 1 else f"{value:.2g}"
