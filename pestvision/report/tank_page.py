"""From what the log comes to, to what the report of a tank says: sentences and pictures, in their order."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pestvision.report.contact_picture import contact_svg
from pestvision.report.log_figures import (
    ClearCurve,
    clear_figure,
    clear_figure_svg,
    left_figure,
    left_figure_svg,
)
from pestvision.report.log_line import log_line, log_line_svg
from pestvision.report.moments import day_words
from pestvision.report.tank_report import Part, TankPage
from pestvision.settings import TankSettings
from pestvision.tanks.clearance import State
from pestvision.tanks.clearance_words import IF_CLEAN
from pestvision.tanks.contact_graph import history_of
from pestvision.tanks.contact_ways import ways_into
from pestvision.tanks.contacts import Reason, states_of
from pestvision.tanks.removal import Refusal
from pestvision.tanks.sizes import size_nights, size_sentences
from pestvision.tanks.standing import left_in, outlook_of, tonight

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime

    from pestvision.guidance.card import Card
    from pestvision.tanks.clearance import HowClear, Outlook
    from pestvision.tanks.contact_graph import History
    from pestvision.tanks.records import Night, Note
    from pestvision.tanks.removal import HowMany
    from pestvision.tanks.standing import Standing

TALLEST_CONTACTS: Final = 840.0
"""Of the picture of contacts, in its own units: a taller one does not fit on two pages, and is left out."""
MOST_TANKS: Final = 12  # in the picture; the boxes of more are taller than that by themselves
MAX_WAYS: Final = 3  # by which leeches may have come in, the likeliest
NO_ROOM: Final = "The picture of all contacts is too tall for this report: pestvision tank contacts --svg FILE draws it."


def page_of(
    standing: Standing,
    *,
    notes: Sequence[Note],
    now: datetime,
    cards: Sequence[Card] = (),
    cleared: Mapping[str, datetime] | None = None,
    settings: TankSettings | None = None,
) -> TankPage:
    """Put together what the report of a tank says.

    Parameters
    ----------
    standing
        How the tank stands, from `standings`.
    notes
        Notes of all tanks: contacts reach beyond one.
    now
        The time now, by the keeper's own clock.
    cards
        Cards on handling that belong here, the most urgent first.
    cleared
        Tanks that count as clear, from `cleared_of`: contacts with what was in them end there.
    settings
        What is taken for granted; the same as `standings` was asked with.
    """
    today = tonight(now)
    window_days = 7 * (settings or TankSettings()).brooding_weeks
    name = standing.tank.name
    left = None
    if standing.last_seen is not None:
        left = left_part(left_in(standing, settings=settings), standing.nights, name)
    return TankPage(
        tank=standing.tank,
        state=standing.state,
        why=standing.sentence,
        facts=facts_of(standing, today),
        why_look=standing.why_look,
        holds=tuple(hold.sentence for hold in standing.holds),
        left=left,
        clear=clear_part(standing.clear, outlook_of(standing), tank=name, today=today),
        touched=touched_part(standing, notes, today, window_days=window_days, cleared=cleared),
        line=_with_sizes(line_part(standing, today), standing),
        cards=tuple(cards),
        notes=standing.notes,
    )


def facts_of(standing: Standing, today: date) -> tuple[tuple[str, str], ...]:
    """Give the short facts: looks made and due, the last leech, what was taken and lost."""
    due = standing.next_look
    when = "none due" if due is None else _day(due, today)
    if due is not None and due < today:
        when += ", overdue"
    return (
        ("Last look", "never" if standing.last_look is None else _day(standing.last_look, today)),
        ("Next look", when),
        (
            "Last leech",
            "none seen" if standing.last_seen is None else _day(standing.last_seen, today),
        ),
        ("Leeches taken out", f"{standing.n_taken}"),
        ("Snails died in two weeks", f"{standing.n_died}"),
        ("Finds", standing.trend.trend),
    )


def _day(day: date, today: date) -> str:
    return "tonight" if day == today else day_words(day, has_year=True)


def left_part(left: HowMany, nights: Sequence[Night], tank: str) -> Part:
    """Say how many are left; where finds go too far back, also of the last weeks alone."""
    shown = left.lately if left.refusal is not None and left.lately is not None else left
    likely = None
    if shown.left_low is not None and shown.left_high is not None:
        likely = (shown.left_low, shown.left_high)
    counted = _counted(nights, shown.caught)
    figure = left_figure([(night.day, night.taken) for night in counted], likely=likely, tank=tank)
    sentences = [left.winning]
    if left.lately is not None and left.lately.refusal is not Refusal.NOTHING_SEEN:
        sentences.append(f"Of the last weeks alone: {left.lately.sentence}")
    if shown.to_go is not None:
        sentences.append(shown.to_go.sentence)
    sentences += [warned.says for warned in shown.warned if not warned.is_of_textbook]
    sentences += shown.remarks
    if figure is None or not shown.caught:
        return Part(left.sentence, tuple(sentences))
    return Part(left.sentence, tuple(sentences), left_figure_svg(figure), figure.note)


def _counted(nights: Sequence[Night], caught: int) -> list[Night]:
    """Give the last nights in which so many were taken out."""
    total = 0
    for place in range(len(nights) - 1, -1, -1):
        total += nights[place].taken
        if total >= caught and nights[place].taken:
            return list(nights[place:])
    return list(nights)


def clear_part(clear: HowClear, ahead: Outlook, *, tank: str, today: date) -> Part:
    """Say how sure it is clear, what was taken for granted, and that it is no guarantee.

    The picture says the last itself; where there is none, it stands beside the answer.
    """
    curves = [
        ClearCurve(course.plan.says, course.days, course.p_clear, course.reached)
        for course in ahead.courses
    ]
    is_open = clear.state is not State.CLEAR  # a line that has reached its end shows nothing
    figure = clear_figure(
        curves if is_open else [], tank=tank, line=ahead.clear_at, earliest=ahead.earliest
    )
    state = str(clear.state)
    answer = f"{state[0].upper()}{state[1:]}."
    if clear.earliest is not None and clear.earliest > today:
        answer += f" Not called clear before {day_words(clear.earliest, has_year=True)}."
    return Part(
        answer,
        (*clear.reasons, *(words for words in ahead.shorten if words != IF_CLEAN)),
        "" if figure is None else clear_figure_svg(figure),
        "" if figure is None else IF_CLEAN,
        caution=clear.caution if figure is None else "",
        assumed=tuple(f"{each.about}: {each.says}" for each in clear.assumptions),
    )


def touched_part(
    standing: Standing,
    notes: Sequence[Note],
    today: date,
    *,
    window_days: float,
    cleared: Mapping[str, datetime] | None = None,
) -> Part:
    """Say by which way leeches could have reached the tank, and draw what touched what.

    Tanks that nothing links to one with leeches are left out of the picture: there is little room.
    """
    name = standing.tank.name
    past = (note for note in notes if note.at.date() <= today)
    history = history_of(past, tanks=[name], cleared=cleared)
    answer, sentences = _ways(standing, history, window_days)
    states = states_of(history, today=today, window_days=window_days)
    linked = {state.tank for state in states if state.reason is not Reason.QUIET}
    if name not in linked:
        return Part(answer, sentences)
    if len(linked) > MOST_TANKS:
        return Part(answer, (*sentences, NO_ROOM))
    near = [
        note
        for note in notes
        if note.tank in linked and (note.other is None or note.other in linked)
    ]
    picture = contact_svg(near, today=today, window_days=window_days, cleared=cleared)
    if _height(picture) > TALLEST_CONTACTS:
        return Part(answer, (*sentences, NO_ROOM))
    return Part(answer, sentences, picture)


def _ways(standing: Standing, history: History, window_days: float) -> tuple[str, tuple[str, ...]]:
    """Say how leeches came, or could have come, into the tank: what there is to say, and the ways."""
    name = standing.tank.name
    lives = sorted(key for key in history.first_seen if key[0] == name)
    if standing.last_seen is not None and lives:
        found = ways_into(history, lives[-1], window_days=window_days)
        return found.sentence, tuple(way.sentence for way in found.ways[:MAX_WAYS])
    if standing.exposure is not None:
        return standing.exposure.sentence(), ()
    return f"Nothing in the log brought leeches from another tank into {name}.", ()


def _height(svg: str) -> float:
    match = re.search(r'viewBox="[\d.]+ [\d.]+ [\d.]+ ([\d.]+)"', svg)
    return float(match[1]) if match else 0.0


def line_part(standing: Standing, today: date) -> Part | None:
    """Draw the time line, up to two years back."""
    line = log_line(standing.notes, standing.tank.name, until=today)
    return None if line is None else Part("", (), log_line_svg(line), line.note)


def _with_sizes(line: Part | None, standing: Standing) -> Part | None:
    """Say beside the time line what the sizes of those seen come to."""
    if line is None:
        return None
    nights = size_nights(standing.notes, standing.tank.name)
    return replace(line, sentences=size_sentences(nights))
