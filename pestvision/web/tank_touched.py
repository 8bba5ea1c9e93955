"""What touched what: the tanks to check first, and the picture. Knows no component."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from pestvision.report.contact_picture import contact_svg
from pestvision.tanks.contacts import ONLY_THE_TOOL, Reason, check_first, look_back_words
from pestvision.tanks.standing import cleared_of
from pestvision.web import tank_cards, tank_words
from pestvision.web.handlers import spoken
from pestvision.web.parts import caution

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from pestvision.tanks.contacts import TankState
    from pestvision.web.shared_log import SharedLog


class TouchedDesk:
    """What touched what, kept until the log changes or the day ends.

    Parameters
    ----------
    shared
        The log of the page.
    """

    def __init__(self, shared: SharedLog) -> None:
        self.shared = shared
        self._shown: tuple[tuple[tuple[int, int], date], str] | None = None

    def touched(self) -> str:
        """Give the list of tanks to check first and the picture, as HTML."""
        with spoken():
            held = self.shared.held()
            today = self.shared.here().date()
            key = (held.mark, today)
            shown = self._shown
            if shown is not None and shown[0] == key:
                return shown[1]
            names = [tank.name for tank in held.tanks]
            back = 7 * self.shared.settings.brooding_weeks
            cleared = cleared_of(self.shared.standings())
            asked: dict[str, Any] = {
                "today": today,
                "tanks": names,
                "window_days": back,
                "cleared": cleared,
            }
            states = check_first(held.notes, **asked)
            picture = contact_svg(held.notes, **asked, anchor="touched")
            numbers = {tank.name: tank.id for tank in held.tanks}
            html = _list(states, numbers, back) + _picture(picture)
            self._shown = (key, html)
            return html


def _list(states: Sequence[TankState], numbers: Mapping[str, int], window_days: float) -> str:
    if not states:
        return tank_cards.nothing(tank_words.TOUCHED_NONE)
    rows = "".join(_row(state, numbers) for state in states)
    care = caution() if any(ONLY_THE_TOOL in state.why for state in states) else ""
    return (
        f'<section class="pv-card"><h3>{escape(tank_words.CHECK_FIRST)}</h3>'
        f'<ol class="pv-rows">{rows}</ol><p>{escape(look_back_words(window_days))}</p>{care}'
        "</section>"
    )


def _row(state: TankState, numbers: Mapping[str, int]) -> str:
    by_tool = state.reason is Reason.SEEN and ONLY_THE_TOOL in state.why
    reason = tank_words.BY_TOOL_ONLY if by_tool else tank_words.REASONS[state.reason]
    button = ""
    if number := numbers.get(state.tank):
        named = tank_words.OPEN_NAMED.format(name=state.tank)
        button = tank_cards.button("open", tank_words.OPEN, number=number, named=named)
    return (
        f'<li class="pv-row pv-note"><div class="pv-note-says"><p><strong>{escape(state.tank)}</strong>: '
        f"{escape(reason)}<br>{escape(state.why)}</p></div>"
        f'<div class="pv-note-does">{button}</div></li>'
    )


def _picture(svg: str) -> str:
    return f'<section class="pv-card pv-touched">{svg}</section>'
