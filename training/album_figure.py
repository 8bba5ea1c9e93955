"""Draw what labels of one's own are worth: the tables of `training.album_exam` as a picture.

python -m training.album_exam curve --runs runs | python -m training.album_figure training/album.svg
"""

from __future__ import annotations

import sys
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

LINES = (
    ("shipped", 3, "#44403c", "", "■"),
    ("used", 4, "#0f5c5c", "", "●"),
    ("always", 5, "#0f5c5c", "6 4", "○"),
    ("alone", 6, "#b45309", "2 3", "△"),
)
"""Name, column, colour, dashes and mark: the mark tells them apart without the colour."""
WIDTH, HEIGHT, LEFT, TOP, GAP = 230, 190, 52, 64, 26
LOW, HIGH = 0.45, 0.95
SAID = (
    "Balanced accuracy on crops that were not labelled, by labels a group. Shipped: the net as it came. "
    "Always: with the personal head. Used: where the tool's own test lets it. Alone: a head from the same "
    "labels without the net's opinion."
)


def rows_of(lines: Iterable[str]) -> list[list[str]]:
    """Take the rows of the table out of what was printed."""
    cut = [
        [cell.strip() for cell in line.strip().strip("|").split("|")]
        for line in lines
        if "|" in line
    ]
    return [cells for cells in cut if len(cells) == 9 and cells[1].isdigit()]


def drawn(rows: Sequence[Sequence[str]]) -> str:
    """Draw a panel for each split, side by side, as SVG."""
    names = list(dict.fromkeys(row[0] for row in rows))
    width = LEFT + len(names) * (WIDTH + GAP)
    parts = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {HEIGHT + TOP + 44}" '
            'font-family="system-ui, sans-serif" font-size="12" role="img">'
        ),
        f"<title>{escape(SAID)}</title>",
        f'<rect width="{width}" height="{HEIGHT + TOP + 44}" fill="#ffffff"/>',
    ]
    for place, (name, _, colour, _, mark) in enumerate(LINES):
        parts.append(f'<text x="{LEFT + 110 * place}" y="22" fill="{colour}">{mark} {name}</text>')
    for place, name in enumerate(names):
        own = [row for row in rows if row[0] == name]
        parts += _panel(LEFT + place * (WIDTH + GAP), name, own, is_first=place == 0)
    return "\n".join([*parts, "</svg>", ""])


def _panel(left: float, name: str, rows: Sequence[Sequence[str]], *, is_first: bool) -> list[str]:
    counts = [int(row[1]) for row in rows]
    most = max(counts)
    parts = [
        f'<text x="{left}" y="{TOP - 12}" font-weight="700" fill="#1c1917">{escape(name)}</text>'
    ]
    for tick in (0.5, 0.6, 0.7, 0.8, 0.9):
        y = _y(tick)
        parts.append(f'<path d="M{left} {y:.1f}h{WIDTH}" stroke="#d6d3d1"/>')
        if is_first:
            parts.append(f'<text x="{left - 30}" y="{y + 4:.1f}" fill="#44403c">{tick:.1f}</text>')
    for count in counts:
        x = left + WIDTH * count / most - 8
        parts.append(f'<text x="{x:.1f}" y="{TOP + HEIGHT + 18}" fill="#44403c">{count}</text>')
    parts.append(f'<text x="{left}" y="{TOP + HEIGHT + 36}" fill="#44403c">labels a group</text>')
    for _, column, colour, dashes, mark in LINES:
        points = [
            (left + WIDTH * n / most, _y(float(row[column])))
            for n, row in zip(counts, rows, strict=True)
        ]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        parts.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2" '
            f'stroke-dasharray="{dashes}"/>'
        )
        parts += [
            f'<text x="{x - 5:.1f}" y="{y + 4:.1f}" fill="{colour}">{mark}</text>'
            for x, y in points
        ]
    return parts


def _y(value: float) -> float:
    return TOP + HEIGHT * (HIGH - value) / (HIGH - LOW)


def main() -> None:
    """Read the tables from standard input, and write the picture."""
    Path(sys.argv[1]).write_text(drawn(rows_of(sys.stdin)), encoding="utf-8")


if __name__ == "__main__":
    main()
