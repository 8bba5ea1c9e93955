"""Every tank at a glance as HTML, and which one to look at tonight. Everything typed is escaped here."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Final

from pestvision.tanks.standing import State
from pestvision.tanks.trend import Trend
from pestvision.web import tank_words
from pestvision.web.album_words import listed
from pestvision.web.parts import caution
from pestvision.web.tank_cards import button, tank_in_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from pestvision.tanks.quarantine import Hold
    from pestvision.tanks.standing import Standing
    from pestvision.tanks.trend import TrendOf

MOST_NAMED: Final = 6  # tanks named after the first one: the evening is short
RING: Final = '<circle cx="12" cy="12" r="8.5"/>'
DIAMOND: Final = "M12 2 22 12 12 22 2 12Z"
SHAPES: Final[dict[State, str]] = {
    State.SEEN: (
        f'<path d="{DIAMOND}" fill="currentColor"/>'
        '<path d="M12 7v6M12 16v.5" stroke="var(--background-fill-primary)" stroke-width="2.6"/>'
    ),
    State.DOUBT: f'<path d="{DIAMOND}"/><path d="M12 7v6M12 16v.5" stroke-width="2.4"/>',
    State.EXPOSED: '<circle cx="8.5" cy="12" r="6"/><circle cx="15.5" cy="12" r="6"/>',
    State.QUARANTINE: '<path d="M3 3h18v18H3ZM9 3v18M15 3v18"/>',
    State.NOT_LOOKED: RING.replace("/>", ' stroke-dasharray="3.2 3.5"/>'),
    State.EMPTIED: '<path d="M4 3v18h16V3"/>',
    State.QUIET: RING,
    State.CLEAR: f'{RING}<path d="M8 12.5 11 15.5 16.5 9"/>',
}
"""A shape for each state, told apart without colour: a filled diamond, two rings, a barred square, …"""


def shape(state: State) -> str:
    """Give the shape of a state; the words beside it say the same."""
    return (
        '<svg class="pv-shape" viewBox="0 0 24 24" width="26" height="26" fill="none" '
        'stroke="currentColor" stroke-width="2" stroke-linecap="round" aria-hidden="true" '
        f'focusable="false">{SHAPES[state]}</svg>'
    )


def tonight_line(standings: Sequence[Standing], *, tonight: date, said: str = "") -> str:
    """Say which tank to look at tonight and why, and which after it; `said` came of a press there."""
    if not standings:
        text = f"{tank_words.NO_TANKS} {tank_words.NO_TANKS_ADVICE}"
        return _line(text) + said
    due = [one for one in standings if one.next_look is not None and one.next_look <= tonight]
    if not due:
        return _line(_none_due(standings, tonight)) + said
    first, *rest = due
    why = first.why_look
    if first.is_overdue(tonight):
        late = tank_words.due_in_words(first.next_look, tonight=tonight)
        why = f"{why} {tank_words.LATE.format(late=late)}"
    then = ""
    if rest:
        named = [one.tank.name for one in rest[:MOST_NAMED]]
        if len(rest) > MOST_NAMED:
            named.append(tank_words.MORE_TANKS.format(n=len(rest) - MOST_NAMED))
        then = f"<p>{escape(tank_words.THEN.format(names=listed(named)))}</p>"
    head = tank_words.TONIGHT_FIRST.format(name=first.tank.name)
    return (
        f'<section class="pv-card pv-first"><p class="pv-tonight" role="status">{shape(first.state)}'
        f"<span><strong>{escape(head)}</strong> {escape(why)}</span></p>{then}"
        f'<div class="pv-turn">{_buttons(first.tank.id, first.tank.name)}</div>{said}</section>'
    )


def _line(text: str) -> str:
    return f'<p class="pv-tonight" role="status">{escape(text)}</p>'


def _none_due(standings: Iterable[Standing], tonight: date) -> str:
    coming = [(one.next_look, one.tank.name) for one in standings if one.next_look is not None]
    if not coming:
        return tank_words.NONE_DUE
    day, name = min(coming)
    when = tank_words.due_in_words(day, tonight=tonight)
    return f"{tank_words.NONE_DUE} {tank_words.NEXT_IS.format(name=name, when=when)}"


def glance(
    standings: Sequence[Standing], *, tonight: date, said: Mapping[int, str] | None = None
) -> str:
    """Give a card for each tank, the most urgent first.

    Parameters
    ----------
    standings
        How every tank stands, the most urgent first.
    tonight
        The night it is.
    said
        What came of a press on a tank's card, by the tank's number, as HTML.
    """
    if not standings:
        return ""
    told = said or {}
    rows = "".join(_card(one, tonight, told.get(one.tank.id, "")) for one in standings)
    return f'<ul class="pv-tanks">{rows}</ul>'


def _card(one: Standing, tonight: date, said: str) -> str:
    tank = one.tank
    about = tank_in_words(tank)[len(tank.name) :].strip(" ()")
    lives = f'<p class="pv-photo-name">{escape(about)}</p>' if about else ""
    by_tool = caution() if one.state is State.DOUBT else ""
    return (
        f'<li class="pv-card pv-tank pv-state-{one.state.name.lower()}">'
        f"<h3>{shape(one.state)}<span>{escape(tank.name)}</span></h3>{lives}"
        f'<p class="pv-state"><strong>{escape(one.state.capitalize())}.</strong> {escape(one.sentence)}</p>'
        f"{facts(one, tonight=tonight)}{by_tool}"
        f'<div class="pv-turn">{_buttons(tank.id, tank.name)}</div>{said}</li>'
    )


def facts(one: Standing, *, tonight: date) -> str:
    """Give what is known of a tank, a line each: looks, finds, losses."""
    due = tank_words.due_in_words(one.next_look, tonight=tonight)
    due = f"<strong>{escape(due)}</strong>" if one.is_overdue(tonight) else escape(due)
    lines = [
        (tank_words.LAST_LOOK, escape(tank_words.ago_in_words(one.last_look, tonight=tonight))),
        (tank_words.NEXT_LOOK, due),
        (tank_words.FINDS, escape(trend_in_words(one.trend))),
        (tank_words.TAKEN_OUT, escape(str(one.n_taken))),
        (tank_words.LOST, escape(str(one.n_died))),
        (tank_words.SELLING, escape(selling_in_words(one.holds, tonight=tonight))),
    ]
    rows = "".join(f"<li>{escape(name)}: <span>{html}</span></li>" for name, html in lines)
    return f'<ul class="pv-facts">{rows}</ul>'


def selling_in_words(holds: Sequence[Hold], *, tonight: date) -> str:
    """Say whether selling from a tank has to wait, why, and until when at the earliest."""
    if not holds:
        return tank_words.NOT_HELD
    reason = listed([*dict.fromkeys(str(hold.reason) for hold in holds)])
    ends = [hold.earliest for hold in holds if hold.earliest is not None]
    if len(ends) < len(holds):
        return tank_words.HELD.format(reason=reason)
    day = tank_words.day_in_words(max(ends), today=tonight)
    return tank_words.HELD_UNTIL.format(day=day, reason=reason)


def trend_in_words(found: TrendOf) -> str:
    """Give a trend in few words, with the finds it was read off."""
    if found.trend in {Trend.UNKNOWN, Trend.NONE}:
        return tank_words.TRENDS[found.trend]
    return tank_words.TREND_OF.format(
        trend=tank_words.TRENDS[found.trend], last=found.last, before=found.before
    )


def _buttons(number: int, name: str) -> str:
    return "".join(
        button(what, words, number=number, named=named.format(name=name))
        for what, words, named in (
            ("clean", tank_words.CLEAN, tank_words.CLEAN_NAMED),
            ("write", tank_words.WRITE_MORE, tank_words.WRITE_MORE_NAMED),
            ("open", tank_words.OPEN, tank_words.OPEN_NAMED),
        )
    )
