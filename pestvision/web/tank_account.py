"""What is known of one tank as HTML: how it stands, how many are left, how sure it is clear, what must wait.

Everything typed is escaped here; the pictures are made by the program.
"""

from __future__ import annotations

from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING, Final

from pestvision.guidance.needed import cards_for_tank
from pestvision.report.tank_page import clear_part, left_part, line_part
from pestvision.report.tank_report import Part
from pestvision.tanks.clearance_words import day_words
from pestvision.tanks.contacts import ways_in
from pestvision.tanks.sizes import size_nights, size_sentences
from pestvision.tanks.standing import State, left_in, outlook_of
from pestvision.web import advice, tank_words
from pestvision.web.parts import caution
from pestvision.web.tank_cards import button, tank_in_words
from pestvision.web.tank_glance import facts, shape

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from pestvision.settings import TankSettings
    from pestvision.tanks.quarantine import BatchRisk, Hold
    from pestvision.tanks.records import Note
    from pestvision.tanks.sizes import SizeNight
    from pestvision.tanks.standing import Standing

FILES: Final = ("report", "record", "reminders", "tables", "observations")
"""What can be saved of a tank, in the order of its buttons."""

MOST_NIGHTS: Final = 8  # with sizes, the last ones; the notes hold the rest
MOST_AT_ONCE: Final = 3  # sentences that stand open; the others are unfolded


def account(one: Standing, *, tonight: date) -> str:
    """Give how a tank stands: its state and facts, holds on selling, what waits, and what helps."""
    about = tank_in_words(one.tank)[len(one.tank.name) :].strip(" ()")
    lives = f'<p class="pv-photo-name">{escape(about)}</p>' if about else ""
    way = ""
    if one.exposure is not None and one.state is not State.EXPOSED:
        way = f"<p>{escape(one.exposure.sentence())}</p>"
    by_tool = caution() if one.state is State.DOUBT else ""
    return (
        f'<section class="pv-card pv-tank pv-verdict" tabindex="-1"><h3>{shape(one.state)}'
        f"<span>{escape(one.tank.name)}</span></h3>{lives}"
        f'<p class="pv-state"><strong>{escape(one.state.capitalize())}.</strong> '
        f"{escape(one.sentence)}</p>{facts(one, tonight=tonight)}"
        f"<p>{escape(one.why_look)} {escape(one.trend.sentence)}</p>{way}{by_tool}</section>"
        f"{_holds(one.holds)}{_batches(one.batches)}{advice.advice(cards_for_tank(one))}"
    )


def time_line(one: Standing, *, tonight: date) -> str:
    """Draw what was seen, taken out, lost and moved, and tell sizes; nothing where nothing was noted."""
    line = line_part(one, tonight)
    return ("" if line is None else _part(tank_words.TIME_LINE, line)) + sizes(one)


def sizes(one: Standing) -> str:
    """Give the sizes of those seen, night by night, as a table; nothing where nobody measured."""
    nights = size_nights(one.notes, one.tank.name)
    if not nights:
        return ""
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in tank_words.SIZE_COLUMNS)
    rows = "".join(_size_row(night) for night in reversed(nights[-MOST_NIGHTS:]))
    told = "".join(f"<p>{escape(sentence)}</p>" for sentence in size_sentences(nights))
    return (
        f'<section class="pv-card"><h3>{escape(tank_words.SIZES_SEEN)}</h3>'
        f'<div class="pv-table" tabindex="0" role="region" aria-label="{escape(tank_words.SIZES_SEEN)}">'
        f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
        f"{told}</section>"
    )


def _size_row(night: SizeNight) -> str:
    lengths = "".join(
        f"<td>{'' if length is None else f'{length:g} mm'}</td>"
        for length in (night.smallest_mm, night.largest_mm)
    )
    share = "" if night.hatchlings is None else f"{night.hatchlings} of {night.of}"
    return f'<tr><th scope="row">{escape(day_words(night.day))}</th>{lengths}<td>{share}</td></tr>'


def reckoned(one: Standing, notes: Sequence[Note], *, today: date, settings: TankSettings) -> str:
    """Give how many are left, how sure the tank is clear, with their pictures, and how leeches came in.

    Takes up to seconds.

    Parameters
    ----------
    one
        How the tank stands.
    notes
        Those of all tanks: what came in may have come a long way.
    today
        The night it is.
    settings
        What is taken for granted.
    """
    name = one.tank.name
    left = left_part(left_in(one, settings=settings), one.nights, name)
    clear = clear_part(one.clear, outlook_of(one), tank=name, today=today)
    html = _part(tank_words.HOW_MANY, left)
    html += _part(tank_words.HOW_CLEAR, replace(clear, caution=one.clear.caution))
    if one.last_seen is not None:
        found = ways_in(notes, name, window_days=7 * settings.brooding_weeks)
        ways = tuple(way.sentence for way in found.ways)
        html += _part(tank_words.WAYS_IN, Part(found.sentence, ways))
    return html


def files(one: Standing) -> str:
    """Give the buttons that make files of a tank."""
    buttons = "".join(button(what, tank_words.FILES[what], number=one.tank.id) for what in FILES)
    return (
        f'<section class="pv-card"><h3>{escape(tank_words.SAVE_OF_TANK)}</h3>'
        f'<div class="pv-turn">{buttons}</div></section>'
    )


def _part(heading: str, part: Part) -> str:
    """Give a part of what is known: its answer, its picture, why, and what was taken for granted."""
    answer = f"<p><strong>{escape(part.answer)}</strong></p>" if part.answer else ""
    care = f"<p><em>{escape(part.caution)}</em></p>" if part.caution else ""
    first, more = part.sentences[:MOST_AT_ONCE], part.sentences[MOST_AT_ONCE:]
    sentences = "".join(f"<p>{escape(sentence)}</p>" for sentence in first)
    picture = part.picture
    if picture and part.caption:
        picture += f'<p class="pv-photo-name">{escape(part.caption)}</p>'
    return (
        f'<section class="pv-card"><h3>{escape(heading)}</h3>{answer}{care}{picture}{sentences}'
        f"{_folded(tank_words.MORE_ON_IT, more)}{_folded(tank_words.ASSUMED, part.assumed)}</section>"
    )


def _folded(summary: str, lines: Iterable[str]) -> str:
    listed = "".join(f"<li>{escape(line)}</li>" for line in lines)
    if not listed:
        return ""
    return f"<details><summary>{escape(summary)}</summary><ul>{listed}</ul></details>"


def _holds(holds: Iterable[Hold]) -> str:
    lines = "".join(f"<li>{escape(hold.sentence)}</li>" for hold in holds)
    if not lines:
        return ""
    return (
        f'<section class="pv-card"><h3>{escape(tank_words.SELLING_WAITS)}</h3>'
        f"<ul>{lines}</ul></section>"
    )


def _batches(batches: Iterable[BatchRisk]) -> str:
    """Give the days on which each batch is to be looked at; how long it waits stands with the holds."""
    lines = "".join(
        f"<li><strong>{escape(risk.batch.name)}</strong>: {escape(_plan(risk))}</li>"
        for risk in batches
        if risk.plan
    )
    if not lines:
        return ""
    return (
        f'<section class="pv-card"><h3>{escape(tank_words.BATCHES)}</h3><ul>{lines}</ul></section>'
    )


def _plan(risk: BatchRisk) -> str:
    days = [tank_words.day_in_words(day, today=risk.batch.arrived) for day in risk.plan]
    return tank_words.BATCH_PLAN.format(days=", ".join(days))
