"""Pictures of what the log comes to: how many are left, and how sure a tank is clear.

They take plain numbers, so that whatever works them out can be shown by them.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

from pestvision.errors import ShapeError
from pestvision.report.log_marks import (
    LETTER,
    LINE,
    MAX_LETTERS,
    WIDTH,
    anchor_of,
    date_ticks,
    free_words,
    mark_path,
)
from pestvision.report.moments import day_words, span_of_days
from pestvision.report.templating import template

if TYPE_CHECKING:
    from collections.abc import Sequence

NO_GUARANTEE: Final = "A probability under these assumptions, not a guarantee."
"""Stands wherever a probability of being clear is shown."""

MAX_NIGHTS: Final = 60  # the last ones; bars of more are thinner than a line
CLEAN_SHOWN: Final = 10  # clean nights drawn after the last catch
BARS_HEIGHT: Final = 150.0
BARS_EDGE: Final = 20.0
WIDEST_BAR: Final = 40.0
STRIP_HEIGHT: Final = 30.0
OPEN_END: Final = 1.6  # how much of the strip a range without an end gets, over what is known

PLOT_LEFT: Final = 92.0  # room for "95 %" in the largest letters
PLOT_RIGHT: Final = 14.0
PLOT_HEIGHT: Final = 240.0
MAX_CURVES: Final = 4  # as many kinds of line as can be told apart without colour
BEYOND: Final = timedelta(days=14)  # shown after the last date that matters
SAMPLE_WIDTH: Final = 64.0  # of the piece of line that stands before its words


@dataclass(frozen=True, slots=True)
class CatchBar:
    """What was taken out in one night: place, height and count; `is_counted` where the count is written."""

    x: float
    height: float
    count: int
    is_counted: bool


@dataclass(frozen=True, slots=True)
class LeftFigure:
    """The catches, and under them what was taken out beside what is likely left.

    `mark_clean` are the marks of nights without a catch. The strip goes from 0 to `taken_x`, then to `low_x`
    (still there at the least) and to `high_x` (at the most; `has_end` False where no most is known).
    """

    title: str
    says: str
    bars: tuple[CatchBar, ...]
    bar_width: float
    clean: tuple[str, ...]
    ticks: tuple[tuple[float, str, str], ...]
    strip: tuple[float, float, float] | None
    has_end: bool
    taken_words: str
    left_words: str
    note: str


def left_figure(
    nights: Sequence[tuple[date, int]],
    *,
    likely: tuple[int, int | None] | None,
    tank: str,
) -> LeftFigure | None:
    """Lay out nightly catches and the likely range of what is left, or give None where there is no night.

    Parameters
    ----------
    nights
        Day and how many were taken out of each night, in the order of time.
    likely
        The least and the most that are likely left, the most None where none can be given; None where the
        data cannot say.
    tank
        The tank's name.

    Raises
    ------
    ShapeError
        If a count is negative or the most is less than the least.
    """
    if any(count < 0 for _day, count in nights) or (likely and not _is_range(likely)):
        expected = "counts of 0 or more, a least not over the most"
        raise ShapeError("nights, likely", expected=expected, actual=f"{nights!r:.60}, {likely}")
    if not nights:
        return None
    taken = sum(count for _day, count in nights)
    last = max((rank for rank, (_day, count) in enumerate(nights) if count), default=-1)
    up_to = min(len(nights), last + 1 + CLEAN_SHOWN)
    shown = nights[max(0, up_to - MAX_NIGHTS) : up_to]
    left_words = _left_words(likely)
    per_night = (WIDTH - 2 * BARS_EDGE) / len(shown)
    xs = [BARS_EDGE + per_night * (rank + 0.5) for rank in range(len(shown))]
    return LeftFigure(
        title=f"What was taken out of tank {tank}, and what is likely left",
        says=f"{taken} taken out in {_nights(len(nights))}. {left_words}.",
        bars=_bars(shown, xs),
        bar_width=min(WIDEST_BAR, per_night * 0.7),
        clean=tuple(
            mark_path("circle", x, BARS_HEIGHT - 8, min(6.0, per_night * 0.4))
            for x, (_day, count) in zip(xs, shown, strict=True)
            if not count
        ),
        ticks=_night_ticks(shown, xs),
        strip=None if likely is None else _strip(taken, likely),
        has_end=likely is None or likely[1] is not None,
        taken_words=f"taken out: {taken}",
        left_words=left_words,
        note=_left_note(up_to - len(shown), len(nights) - up_to),
    )


def left_figure_svg(figure: LeftFigure, *, anchor: str = "log-left") -> str:
    """Draw catches and what is left as a piece of HTML; `anchor` begins the ids in it."""
    return template("log_left.svg.j2").render(
        figure=figure,
        anchor=anchor,
        width=WIDTH,
        edge=BARS_EDGE,
        floor=BARS_HEIGHT + 30,
        strip_height=STRIP_HEIGHT,
    )


def _is_range(likely: tuple[int, int | None]) -> bool:
    low, high = likely
    return low >= 0 and (high is None or high >= low)


def _nights(number: int) -> str:
    return f"{number} night{'' if number == 1 else 's'}"


def _left_note(n_earlier: int, n_later: int) -> str:
    """Say which nights are not drawn."""
    parts = []
    if n_earlier:
        parts.append(f"{_nights(n_earlier)} before these, counted")
    if n_later:
        parts.append(f"{_nights(n_later)} after these, all without a catch")
    return f"Not drawn: {'; '.join(parts)}." if parts else ""


def _left_words(likely: tuple[int, int | None] | None) -> str:
    if likely is None:
        return "How many are left cannot be said"
    low, high = likely
    if high is None:
        return f"still there: {low} or more, no upper end known"
    return f"likely still there: {low}" if low == high else f"likely still there: {low} to {high}"


def _bars(shown: Sequence[tuple[date, int]], xs: Sequence[float]) -> tuple[CatchBar, ...]:
    highest = max(1, *(count for _day, count in shown))
    found = [(x, float(count), str(count)) for x, (_d, count) in zip(xs, shown, strict=True)]
    caught = [entry for entry in found if entry[1]]
    written = free_words(caught)
    return tuple(
        CatchBar(x, max(3.0, BARS_HEIGHT * count / highest), int(count), is_written)
        for (x, count, _word), is_written in zip(caught, written, strict=True)
    )


def _night_ticks(
    shown: Sequence[tuple[date, int]], xs: Sequence[float]
) -> tuple[tuple[float, str, str], ...]:
    """Name the first and the last night; nights stand side by side, whatever lies between them."""
    ends = [0] if len(shown) == 1 else [0, len(shown) - 1]
    return tuple(
        (xs[rank], anchor_of(xs[rank], LETTER * 2 * len(words)), words)
        for rank in ends
        if (words := day_words(shown[rank][0]))
    )


def _strip(taken: int, likely: tuple[int, int | None]) -> tuple[float, float, float]:
    """Scale taken, least left and most left to the width of the picture."""
    low, high = likely
    whole = taken + (high if high is not None else max(low, 1) * OPEN_END + taken * (OPEN_END - 1))
    unit = (WIDTH - 2 * BARS_EDGE) / max(whole, 1)
    ends = (taken, taken + low, whole)
    return tuple(BARS_EDGE + unit * end for end in ends)  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class ClearCurve:
    """How sure a tank is clear over coming days, if looks of one kind follow and are clean.

    Parameters
    ----------
    words
        The looks: "twice a week by torch".
    days, chances
        Dates in order, and the probability of being clear on each, 0 to 1.
    clear_on
        The first day on which the tank may be called probably clear; None where none is in sight.
    """

    words: str
    days: tuple[date, ...]
    chances: tuple[float, ...]
    clear_on: date | None

    def __post_init__(self) -> None:
        is_sound = len(self.days) == len(self.chances) > 1 and list(self.days) == sorted(self.days)
        if not is_sound or not all(0 <= chance <= 1 for chance in self.chances):
            raise ShapeError(
                "ClearCurve",
                expected="as many dates in order as chances of 0 to 1, two at least",
                actual=f"{len(self.days)} dates, {len(self.chances)} chances",
            )


@dataclass(frozen=True, slots=True)
class DrawnCurve:
    """A curve in the picture: its points, the mark where it reaches the line, and its lines of words."""

    points: str
    mark: str
    key_y: float
    lines: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class ClearFigure:
    """How sure a tank is clear, as it is drawn."""

    title: str
    says: str
    curves: tuple[DrawnCurve, ...]
    line_y: float
    line_words: str
    grid: tuple[tuple[float, str], ...]
    ticks: tuple[tuple[float, str, str], ...]
    earliest: tuple[float, str, str] | None
    top: float
    floor: float
    foot: tuple[tuple[float, str], ...]
    height: float


def clear_figure(
    curves: Sequence[ClearCurve],
    *,
    tank: str,
    line: float = 0.95,
    earliest: date | None = None,
) -> ClearFigure | None:
    """Lay out how sure a tank is clear over the coming weeks, or give None where there is no curve.

    Parameters
    ----------
    curves
        One for each way of looking; the first four are drawn, up to some days after the last of their dates.
    tank
        The tank's name.
    line
        From which probability on a tank is called probably clear.
    earliest
        Before this day it is not called so, however sure the looks are: a brood may hide.
    """
    if not curves:
        return None
    drawn = curves[:MAX_CURVES]
    first = min(curve.days[0] for curve in drawn)
    last = _last_shown(drawn, earliest)
    plot = _Plot(first, last, top=LINE + 8 if earliest else 12.0)
    laid, below = _drawn_curves(drawn, plot, line)
    wrapped = textwrap.wrap(NO_GUARANTEE, MAX_LETTERS)
    foot = tuple((below + 8 + LINE * rank, words) for rank, words in enumerate(wrapped))
    said = [f"{_curve_words(curve, line)}." for curve in drawn]
    limit = None
    if earliest is not None and earliest >= first:
        limit = plot.tick(earliest, f"not before {day_words(earliest)}")
        said.append(f"Called clear {limit[2]}.")
    return ClearFigure(
        title=f"How sure tank {tank} is clear, {span_of_days(first, last)}",
        says=" ".join([*said, NO_GUARANTEE]),
        curves=laid,
        line_y=plot.y(line),
        line_words=_percent(line),
        grid=((plot.y(0.5), _percent(0.5)), (plot.y(0.0), _percent(0.0))),
        ticks=tuple(plot.tick(day, words) for day, words in date_ticks(first, last)),
        earliest=limit,
        top=plot.top,
        floor=plot.y(0.0),
        foot=foot,
        height=foot[-1][0] + 12,
    )


def _last_shown(curves: Sequence[ClearCurve], earliest: date | None) -> date:
    """Give the last day shown: a little after the last date that matters, all where none is reached."""
    end = max(curve.days[-1] for curve in curves)
    reached = [curve.clear_on for curve in curves if curve.clear_on is not None]
    if not reached:
        return max(end, earliest or end)
    return max(min(end, max(reached) + BEYOND), earliest or date.min)


@dataclass(frozen=True, slots=True)
class _Plot:
    """Where a day and a chance lie in the picture."""

    first: date
    last: date
    top: float

    def x(self, day: date) -> float:
        unit = (WIDTH - PLOT_LEFT - PLOT_RIGHT) / max((self.last - self.first).days, 1)
        return PLOT_LEFT + unit * (day - self.first).days

    def y(self, chance: float) -> float:
        return self.top + PLOT_HEIGHT * (1 - chance)

    def tick(self, day: date, words: str) -> tuple[float, str, str]:
        x = self.x(day)
        width = LETTER * len(words)
        # at the left end it would stand under the words of the axis
        return x, "start" if x - width / 2 < PLOT_LEFT - LETTER else anchor_of(x, width), words


def _drawn_curves(
    curves: Sequence[ClearCurve], plot: _Plot, line: float
) -> tuple[tuple[DrawnCurve, ...], float]:
    """Lay out the curves, and their words under the plot; give also where the next line may stand."""
    laid = []
    below = plot.y(0.0) + 2 * LINE
    for curve in curves:
        points = " ".join(
            f"{plot.x(day):.1f},{plot.y(chance):.1f}"
            for day, chance in zip(curve.days, curve.chances, strict=True)
            if day <= plot.last
        )
        mark = ""
        if curve.clear_on is not None and plot.first <= curve.clear_on <= plot.last:
            mark = mark_path("circle", plot.x(curve.clear_on), plot.y(line), 8.0)
        wrapped = textwrap.wrap(_curve_words(curve, line), MAX_LETTERS - 5)
        lines = tuple((below + LINE * rank, words) for rank, words in enumerate(wrapped))
        laid.append(DrawnCurve(points, mark, below, lines))
        below += LINE * len(lines) + 6
    return tuple(laid), below


def clear_figure_svg(figure: ClearFigure, *, anchor: str = "log-clear") -> str:
    """Draw how sure a tank is clear as a piece of HTML; `anchor` begins the ids in it."""
    return template("log_clear.svg.j2").render(
        figure=figure,
        anchor=anchor,
        width=WIDTH,
        left=PLOT_LEFT,
        right=WIDTH - PLOT_RIGHT,
        sample_width=SAMPLE_WIDTH,
    )


def _curve_words(curve: ClearCurve, line: float) -> str:
    if curve.clear_on is None:
        weeks = round((curve.days[-1] - curve.days[0]).days / 7)
        return f"{curve.words}: {_percent(line)} not within {weeks} weeks"
    has_year = curve.clear_on.year != curve.days[0].year
    return f"{curve.words}: {_percent(line)} by {day_words(curve.clear_on, has_year=has_year)}"


def _percent(chance: float) -> str:
    return f"{math.floor(chance * 100 + 1e-9)}\u00a0%"
