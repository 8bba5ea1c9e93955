"""What the pictures of the log share: their measure, their marks as paths, and their dates."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from pestvision.report.moments import day_words
from pestvision.tanks.contact_graph import MONTHS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

WIDTH: Final = 720.0
"""Of every picture of the log, in its own units, however wide it is shown."""
LETTER: Final = 15.0
"""Room for one letter where the picture is narrow and its letters are largest, in those units."""
LINE: Final = 34.0  # from one line of words to the next, likewise
MAX_LETTERS: Final = 48  # of a line under a picture
MAX_TICKS: Final = 3
ROUND_MONTHS: Final = (1, 2, 3, 4, 6, 12)


def mark_path(shape: str, x: float, y: float, radius: float) -> str:
    """Give a mark as the data of an SVG path.

    Parameters
    ----------
    shape
        `circle`, `square`, `diamond`, `down` and `up` (triangles), `right` (an arrow head) or `cross`.
    x, y
        Its middle.
    radius
        Half its size.
    """
    if shape == "circle":
        return (
            f"M{x - radius:.1f} {y:.1f}a{radius:.1f} {radius:.1f} 0 1 0 {2 * radius:.1f} 0"
            f"a{radius:.1f} {radius:.1f} 0 1 0 {-2 * radius:.1f} 0z"
        )
    if shape == "cross":
        arm = radius * 0.8
        return (
            f"M{x - arm:.1f} {y - arm:.1f}L{x + arm:.1f} {y + arm:.1f}"
            f"M{x - arm:.1f} {y + arm:.1f}L{x + arm:.1f} {y - arm:.1f}"
        )
    points = [(x + radius * dx, y + radius * dy) for dx, dy in _CORNERS[shape]]
    return "M" + "L".join(f"{px:.1f} {py:.1f}" for px, py in points) + "z"


_CORNERS: Final[dict[str, tuple[tuple[float, float], ...]]] = {
    "square": ((-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)),
    "diamond": ((0, -1.1), (1.1, 0), (0, 1.1), (-1.1, 0)),
    "down": ((-1, -0.8), (1, -0.8), (0, 1)),
    "up": ((-1, 0.8), (1, 0.8), (0, -1)),
    "right": ((-0.8, -1), (1, 0), (-0.8, 1)),
}


def date_ticks(first: date, last: date) -> list[tuple[date, str]]:
    """Choose up to `MAX_TICKS` dates to write under a picture, with their words."""
    months = (last.year - first.year) * 12 + last.month - first.month
    if months < MAX_TICKS:
        days = (last - first).days
        dates = {first, first + timedelta(days=days // 2), last}
        return [(each, day_words(each)) for each in sorted(dates)]
    step = next((each for each in ROUND_MONTHS if months / each <= MAX_TICKS), 12)
    firsts = [
        first.replace(year=first.year + (first.month - 1 + rank) // 12, month=_month(first, rank), day=1)
        for rank in range(1, months + 1)
    ]  # fmt: skip
    whole = [each for each in firsts if (each.month - 1) % step == 0][:MAX_TICKS]
    return [(each, f"{MONTHS[each.month - 1]} {each.year}") for each in whole]


def _month(first: date, rank: int) -> int:
    return (first.month - 1 + rank) % 12 + 1


def free_words(wanted: Sequence[tuple[float, float, str]]) -> list[bool]:
    """Tell which words can stand in a row without touching: the weightiest first.

    Parameters
    ----------
    wanted
        Place, weight and word of each.
    """
    order = sorted(range(len(wanted)), key=lambda rank: -wanted[rank][1])
    shown = [False] * len(wanted)
    taken: list[tuple[float, float]] = []
    for rank in order:
        x, _weight, word = wanted[rank]
        half = LETTER * (len(word) + 0.6) / 2
        if all(x + half <= low or high <= x - half for low, high in taken):
            taken.append((x - half, x + half))
            shown[rank] = True
    return shown


def anchor_of(x: float, width: float) -> str:
    """Say how words hang on their place so that they stay in the picture."""
    if x - width / 2 < 0:
        return "start"
    return "end" if x + width / 2 > WIDTH else "middle"
