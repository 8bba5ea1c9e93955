"""A picture of what touched what: every tank a box, arrows in the order of time, readable without colour.

It is drawn for a page 360 units wide, a phone's, and grows a little on a wide one. All of it is in the colour of the
text around it, so that it fits a light page and a dark one; what a tank is stands in words too, in the outline's style
only beside them. What is drawn is what could have happened along the log; it is no finding.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pestvision.report.contact_tree import Node, forest, in_order
from pestvision.report.fitted_words import fitted, wrapped, xml_safe
from pestvision.report.moments import day_words as short_day_words
from pestvision.tanks.contact_graph import RISK_OF, Risk, history_of
from pestvision.tanks.contacts import WINDOW_DAYS, Reason, TankState, day_words, states_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date, datetime

    from pestvision.tanks.contact_graph import History
    from pestvision.tanks.records import Note

WIDTH: Final = 360  # units, one a pixel on a phone
GROWS_TO: Final = 1.4  # times that width on a wide page: the letters stay those of a text
EDGE: Final = 8
INDENT: Final = 18  # a tank stands that far to the right of the one it got something from
MAX_DEPTH: Final = 5  # further down it stands no further to the right
NAME_SIZE: Final = 15
TEXT_SIZE: Final = 13  # at 360 px wide no letter is below 12 px
NUMBER_SIZE: Final = 12
LINE: Final = 18
PAD: Final = 9
GAP: Final = 10
STRIP: Final = 26  # over a box, for what came in
NUMBER_R: Final = 10

DASHES: Final[dict[Reason, str]] = {
    Reason.SEEN: "",
    Reason.EXPOSED: ' stroke-dasharray="7 4"',
    Reason.MAY_BE_SOURCE: ' stroke-dasharray="0.1 5" stroke-linecap="round"',
    Reason.QUIET: "",
}
STROKES: Final[dict[Reason, float]] = {
    Reason.SEEN: 1.6,
    Reason.EXPOSED: 1.8,
    Reason.MAY_BE_SOURCE: 2.6,
    Reason.QUIET: 1.0,
}
ARROWS: Final[dict[Risk, str]] = {
    Risk.HIGH: ' stroke-width="3"',
    Risk.MIDDLE: ' stroke-width="1.4"',
    Risk.LOW: ' stroke-width="1.6" stroke-dasharray="2 3"',
}

KEY: Final[tuple[tuple[Reason, str], ...]] = (
    (Reason.SEEN, "leeches were seen here"),
    (Reason.EXPOSED, "exposed: leeches could have come here. Look; it does not mean that they did"),
    (Reason.MAY_BE_SOURCE, "gave something to a tank before leeches were seen there"),
)
ARROW_KEY: Final[tuple[tuple[Risk, str], ...]] = (
    (Risk.HIGH, "wild finds, animals or plants"),
    (Risk.MIDDLE, "stones, water or food"),
    (Risk.LOW, "tools"),
)
FOOT: Final = (
    "The numbers give the order in time. The order of risk is common practice, no source. What nobody noted is not "
    "here."
)


class _Drawing:
    """Collects pieces of SVG from top to bottom."""

    def __init__(self, width: float) -> None:
        self.width = width
        self.y = float(EDGE)
        self.pieces: list[str] = []

    def text(
        self, x: float, y: float, words: str, *, size: int = TEXT_SIZE, style: str = ""
    ) -> None:
        self.pieces.append(
            f'<text x="{x:g}" y="{y:g}" font-size="{size}"{style}>{xml_safe(words)}</text>'
        )

    def paragraph(self, words: str, *, x: float = EDGE, size: int = TEXT_SIZE) -> None:
        for line in wrapped(words, self.width - EDGE - x, size):
            self.y += LINE
            self.text(x, self.y - 5, line, size=size)

    def box(self, x: float, y: float, width: float, height: float, reason: Reason) -> None:
        """Draw a tank's outline: doubled, dashed, dotted or thin."""
        shape = 'fill="none" stroke="currentColor"'
        self.pieces.append(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="5" {shape} '
            f'stroke-width="{STROKES[reason]:g}"{DASHES[reason]}/>'
        )
        if reason is Reason.SEEN:
            self.pieces.append(
                f'<rect x="{x + 4:g}" y="{y + 4:g}" width="{width - 8:g}" height="{height - 8:g}" rx="3" '
                f'{shape} stroke-width="{STROKES[reason]:g}"/>'
            )

    def arrow(self, points: Sequence[tuple[float, float]], risk: Risk) -> None:
        """Draw a line along points, right-angled, with a head where it ends."""
        path = "M" + "L".join(f"{x:g} {y:g}" for x, y in points)
        (x0, y0), (x1, y1) = points[-2:]
        is_level = abs(x1 - x0) > abs(y1 - y0)
        head = f"M{x1:g} {y1:g}l-8 -5v10z" if is_level else f"M{x1:g} {y1:g}l-5 -8h10z"
        self.pieces.append(
            f'<path d="{path}" fill="none" stroke="currentColor"{ARROWS[risk]}/>'
            f'<path d="{head}" fill="currentColor"/>'
        )


def contact_svg(
    notes: Iterable[Note],
    *,
    today: date,
    tanks: Iterable[str] = (),
    window_days: float = WINDOW_DAYS,
    cleared: Mapping[str, datetime] | None = None,
    anchor: str = "contacts",
) -> str:
    """Draw which tank got what from which, since leeches were seen, as an SVG to stand inside a page.

    Parameters
    ----------
    notes
        Of all tanks, in any order. Those after `today` are left out.
    today
        The day, as the keeper's calendar says.
    tanks
        Further tanks, of which there may be no note.
    window_days, cleared
        As of `pestvision.tanks.contacts.exposures`.
    anchor
        Begins the ids in it, so that two pictures can stand on a page. Letters, digits and dashes.

    Returns
    -------
    str
        One `svg` element with `title` and `desc`, which say in words what it shows. It fills the width it is given
        up to 1.4 times 360 px, takes its colour from the text around it, and loads nothing.

    Raises
    ------
    LogError
        If the look-back makes no sense.
    """
    known = (note for note in notes if note.at.date() <= today)
    history = history_of(known, tanks=tanks, cleared=cleared)
    states = states_of(history, today=today, window_days=window_days)
    roots = forest(history, states, window_days=window_days, today=today)
    quiet = [state for state in states if state.reason is Reason.QUIET]
    drawing = _Drawing(WIDTH)
    drawing.paragraph(f"What touched what, up to {day_words(today)}", size=NAME_SIZE)
    if not roots:
        drawing.paragraph(_nothing_words(history))
    for root in roots:
        _draw(root, drawing, depth=0)
    _draw_quiet(quiet, drawing, today)
    _draw_key(drawing, roots)
    return _whole(drawing, _described(roots, quiet), anchor)


def _nothing_words(history: History) -> str:
    if not history.tanks:
        return "No tank is in the log yet."
    return "No leech is noted in any tank, so none is exposed."


def _described(roots: Sequence[Node], quiet: Sequence[TankState]) -> str:
    """Say what the picture shows, for those who hear it."""
    parts = [
        f"{node.tank}: {'; '.join(part for part in (node.came_words, *node.lines) if part)}."
        for node in in_order(roots)
    ]
    if quiet:
        parts.append(f"No contact known: {', '.join(state.tank for state in quiet)}.")
    return " ".join(parts) or "There is no tank."


def _draw(node: Node, drawing: _Drawing, *, depth: int) -> float:
    """Draw a tank and what hangs below it; give the height at which its own box is entered."""
    x = EDGE + INDENT * min(depth, MAX_DEPTH)
    width = drawing.width - EDGE - x
    drawing.y += GAP
    if node.came is not None:
        # Where there is no room to the left, the arrow comes from above, beside the number.
        left = x + (2 * NUMBER_R if depth > MAX_DEPTH else 0)
        _draw_number(drawing, left + NUMBER_R + 4, drawing.y + STRIP / 2, node.number)
        start = left + 2 * NUMBER_R + 10
        came = fitted(node.came_words, drawing.width - EDGE - start, TEXT_SIZE)
        drawing.text(start, drawing.y + STRIP / 2 + 5, came)
        drawing.y += STRIP
    lines = [
        line for words in node.lines for line in wrapped(words, width - 2 * PAD - 4, TEXT_SIZE)
    ]
    top = drawing.y
    height = 2 * PAD + LINE * (1 + len(lines))
    drawing.pieces.append(f"<g><title>{xml_safe(node.tank)}</title>")
    drawing.box(x, top, width, height, node.state.reason)
    name = fitted(node.tank, width - 2 * PAD - 4, NAME_SIZE * 1.08)
    base = top + PAD + LINE - 5
    drawing.text(x + PAD + 2, base, name, size=NAME_SIZE, style=' font-weight="700"')
    for number, line in enumerate(lines, start=1):
        drawing.text(x + PAD + 2, base + LINE * number, line)
    drawing.pieces.append("</g>")
    drawing.y = top + height
    _draw_below(node, drawing, depth=depth)
    return top + height / 2


def _draw_below(node: Node, drawing: _Drawing, *, depth: int) -> None:
    """Draw what got something from a tank, each with an arrow along the left."""
    bottom = drawing.y
    trunk = EDGE + INDENT * min(depth, MAX_DEPTH) + INDENT / 2
    for one in node.below:
        above = drawing.y
        middle = _draw(one, drawing, depth=depth + 1)
        if one.came is None:
            continue
        risk = RISK_OF[one.came.cargo]
        if depth < MAX_DEPTH:
            drawing.arrow(((trunk, bottom), (trunk, middle), (trunk + INDENT / 2, middle)), risk)
        else:
            drawing.arrow(((trunk, above + 2), (trunk, above + GAP + STRIP)), risk)


def _draw_number(drawing: _Drawing, x: float, y: float, number: int) -> None:
    drawing.pieces.append(
        f'<circle cx="{x:g}" cy="{y:g}" r="{NUMBER_R}" fill="none" stroke="currentColor"/>'
    )
    drawing.text(x, y + 4, f"{number}", size=NUMBER_SIZE, style=' text-anchor="middle"')


def _draw_quiet(quiet: Sequence[TankState], drawing: _Drawing, today: date) -> None:
    """Draw the tanks that nothing links, two to a row."""
    if not quiet:
        return
    drawing.y += GAP
    drawing.paragraph("No contact known:")
    width = (drawing.width - 2 * EDGE - GAP) / 2
    for index, state in enumerate(quiet):
        words = (
            [f"emptied {short_day_words(state.emptied, has_year=state.emptied.year != today.year)}"]
            if state.emptied
            else []
        )
        column = index % 2
        if column == 0:
            pair = quiet[index : index + 2]
            height = 2 * PAD + LINE * (2 if any(one.emptied for one in pair) else 1) - 4
            top = drawing.y + 6
            drawing.y = top + height
        x = EDGE + column * (width + GAP)
        drawing.pieces.append(f"<g><title>{xml_safe(state.tank)}</title>")
        drawing.box(x, top, width, height, Reason.QUIET)
        drawing.text(x + PAD, top + PAD + LINE - 7, fitted(state.tank, width - 2 * PAD, TEXT_SIZE))
        for line in words:
            drawing.text(x + PAD, top + PAD + 2 * LINE - 7, line)
        drawing.pieces.append("</g>")


def _draw_key(drawing: _Drawing, roots: Sequence[Node]) -> None:
    """Say what the outlines and lines mean, of those that are there."""
    nodes = list(in_order(roots))
    if not nodes:
        return
    drawing.y += GAP
    reasons = {node.state.reason for node in nodes}
    risks = {RISK_OF[node.came.cargo] for node in nodes if node.came}
    sample = 30
    for reason, words in KEY:
        if reason in reasons:
            drawing.box(EDGE, drawing.y + 5, sample, 16, reason)
            drawing.paragraph(words, x=EDGE + sample + 8)
            drawing.y += 8
    for risk, words in ARROW_KEY:
        if risk in risks:
            drawing.arrow(((EDGE, drawing.y + 9), (EDGE + sample, drawing.y + 9)), risk)
            drawing.paragraph(words, x=EDGE + sample + 8)
            drawing.y += 4
    drawing.y += 4
    drawing.paragraph(FOOT)


def _whole(drawing: _Drawing, described: str, anchor: str) -> str:
    height = drawing.y + EDGE
    title, described_by = f"{anchor}-title", f"{anchor}-desc"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {drawing.width:g} {height:g}" width="100%" '
        f'style="max-width:{drawing.width * GROWS_TO:g}px;height:auto" role="img" '
        f'aria-labelledby="{title} {described_by}" font-family="system-ui, sans-serif" fill="currentColor">'
        f'<title id="{title}">Which tank got what from which</title>'
        f'<desc id="{described_by}">{xml_safe(described)}</desc>'
        f"{''.join(drawing.pieces)}</svg>"
    )
