"""What the commands of the log print: records in, lines of text out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pestvision.cli.text import printable
from pestvision.tanks.words import said, told_beside

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from pestvision.guidance.card import Card
    from pestvision.settings import TankSettings
    from pestvision.tanks.clearance import Outlook
    from pestvision.tanks.contacts import TankState, WaysIn
    from pestvision.tanks.log import Change
    from pestvision.tanks.records import Note, Tank
    from pestvision.tanks.removal import HowMany
    from pestvision.tanks.standing import Standing
    from pestvision.tanks.tables import Taken


def tank_text(tank: Tank) -> str:
    """Give a tank in one line."""
    about = [
        None if tank.litres is None else f"{tank.litres:g} litres",
        tank.use,
        tank.lives,
    ]
    told = ", ".join(item for item in about if item)
    return printable(tank.name + (f" ({told})" if told else ""))


def note_text(note: Note) -> str:
    """Give a note in one line: its number, when, in which tank, and what."""
    text = f"{note.id:>6}  {note.at:%Y-%m-%d %H:%M}  {note.tank}: {said(note)}{told_beside(note)}"
    return printable(text)


def change_text(change: Change) -> str:
    """Give a change in one line: when, who, and which fields went from what to what."""
    state = " (taken back)" if change.is_undone else ""
    if change.before is None:
        what = f"{change.is_of} {change.row} written"
    elif change.after is None:
        what = f"{change.is_of} {change.row} deleted"
    else:
        before = change.before
        moved = ", ".join(
            f"{name} {before.get(name)} → {value}"
            for name, value in change.after.items()
            if before.get(name) != value
        )
        what = f"{change.is_of} {change.row}: {moved}"
    return printable(f"{change.at:%Y-%m-%d %H:%M}  {change.who}: {what}{state}")


def taken_lines(taken: Taken) -> Iterator[str]:
    """Say what came of a table, without the complaints."""
    known = f"; {taken.n_known} stood there already" if taken.n_known else ""
    left = f"; {len(taken.complaints)} could not be kept" if taken.complaints else ""
    n = len(taken.added)
    yield f"Added {n} note{'' if n == 1 else 's'}{known}{left}."
    if n:
        yield "To take that back: pestvision tank undo"
    yield from taken.remarks


def note_json(note: Note) -> dict[str, Any]:
    """Give a note as an object for other programs; what it does not say is null."""
    from pestvision.tanks.log import FIELDS

    told: dict[str, Any] = {"note": note.id}
    for name in FIELDS:
        value = getattr(note, name)
        told[name] = value.isoformat() if name == "at" else value
    return told


def contacts_lines(states: Sequence[TankState]) -> Iterator[str]:
    """Say of every tank how it stands towards the leeches, those to be looked at first in front."""
    if not states:
        yield "The log has no tanks yet. Add one with: pestvision tank add NAME"
    for place, state in enumerate(states, start=1):
        yield f"{place}. {state.tank}: {state.reason}. {state.why}"


def ways_lines(ways: WaysIn) -> Iterator[str]:
    """Say how leeches may have come into a tank."""
    yield ways.sentence
    for way in ways.ways:
        yield f"  - {way.sentence}"


def state_json(state: TankState) -> dict[str, Any]:
    """Give how a tank stands towards the leeches as an object for other programs."""
    exposure = state.exposure
    return {
        "tank": state.tank,
        "reason": str(state.reason),
        "why": state.why,
        "since": None if state.since is None else state.since.isoformat(),
        "last_looked": None if state.last_looked is None else state.last_looked.isoformat(),
        "risk": None if state.risk is None else str(state.risk),
        "path": []
        if exposure is None
        else [
            {
                "from": contact.out_of,
                "to": contact.into,
                "at": contact.at.isoformat(),
                "cargo": str(contact.cargo),
            }
            for contact in exposure.path
        ],
    }


def shelf_lines(found: Sequence[Standing], *, now: datetime) -> Iterator[str]:
    """Say how every tank stands: first which to look at tonight, then one after the other."""
    from pestvision.tanks.standing import tonight

    if not found:
        yield "The log has no tanks yet. Add one with: pestvision tank add NAME"
        return
    night = tonight(now)
    due = [one.tank.name for one in found if one.next_look is not None and one.next_look <= night]
    yield f"Look tonight at: {', '.join(due)}." if due else "No look is due tonight."
    for one in found:
        yield ""
        yield f"{one.tank.name}: {one.state}. {one.sentence}"
        yield f"  {_looked(one)}{_trend(one)}"
        if one.n_taken or one.n_died:
            yield (
                f"  {one.n_taken} leeches taken out; {one.n_died} snails died in the last two weeks."
            )
        for hold in one.holds:
            yield f"  Sell nothing: {hold.sentence}"


def _looked(one: Standing) -> str:
    last = "never" if one.last_look is None else f"{one.last_look:%Y-%m-%d}"
    due = "none due" if one.next_look is None else f"{one.next_look:%Y-%m-%d}"
    return f"Last look: {last}. Next: {due}. {one.why_look}"


def _trend(one: Standing) -> str:
    """Give the trend, where there is anything to say of it."""
    return f" {one.trend.sentence}" if one.last_seen is not None else ""


def tank_lines(one: Standing, *, settings: TankSettings, n_notes: int = 12) -> Iterator[str]:
    """Say all there is to say of one tank."""
    from pestvision.guidance.needed import cards_for_tank
    from pestvision.tanks.sizes import size_nights, size_sentences
    from pestvision.tanks.standing import left_in

    yield f"{tank_text(one.tank)}: {one.state}."
    yield one.sentence
    yield f"{_looked(one)}{_trend(one)}"
    if one.exposure is not None:
        yield one.exposure.sentence()
    if one.nights and one.last_seen is not None:
        yield ""
        yield "How many are left"
        yield from (f"  {line}" for line in left_lines(left_in(one, settings=settings)))
    yield ""
    yield "How sure is it clear"
    yield f"  {one.clear.state.capitalize()}."
    yield from (f"  {reason}" for reason in one.clear.reasons)
    yield f"  {one.clear.caution}"
    for hold in one.holds:
        yield f"  Sell nothing: {hold.sentence}"
    if told := size_sentences(size_nights(one.notes, one.tank.name)):
        yield ""
        yield "How long they were"
        yield from (f"  {sentence}" for sentence in told)
    if one.notes:
        yield ""
        yield f"The last {min(n_notes, len(one.notes))} of {len(one.notes)} notes"
        yield from (note_text(note) for note in one.notes[-n_notes:])
    yield from advice_lines(cards_for_tank(one))


def advice_lines(cards: Sequence[Card]) -> Iterator[str]:
    """Name the cards that are needed, and how to read one."""
    if cards:
        yield "Advice, read with pestvision tank advice CARD:"
        yield from (f"  {card.id}: {card.title}" for card in cards)


def left_lines(found: HowMany) -> Iterator[str]:
    """Say how many are left: the sentence, whether it is winning, and how long it may take."""
    yield found.sentence
    yield found.winning
    if found.lately is not None:
        yield f"Of the last weeks alone: {found.lately.sentence}"
    if found.to_go is not None:
        yield found.to_go.sentence
    yield from (warned.says for warned in found.warned)
    yield from found.remarks


def forecast_lines(one: Standing, ahead: Outlook) -> Iterator[str]:
    """Say when a tank may be called probably clear."""
    yield f"{one.tank.name}: {one.clear.state}."
    yield from one.clear.reasons
    yield ""
    yield from (course.says for course in ahead.courses)
    yield from ahead.shorten
    yield ""
    yield "Taken for granted:"
    yield from (f"  {each.about}: {each.says}." for each in one.clear.assumptions)
    yield ahead.caution


def standing_json(one: Standing) -> dict[str, Any]:
    """Give how a tank stands as an object for other programs."""
    from pestvision.tanks.sizes import size_nights

    days = {
        name: None if day is None else day.isoformat()
        for name, day in (
            ("last_look", one.last_look),
            ("last_seen", one.last_seen),
            ("next_look", one.next_look),
            ("earliest_clear", one.clear.earliest),
        )
    }
    return {
        "tank": one.tank.name,
        "state": str(one.state),
        "why": one.sentence,
        **days,
        "trend": str(one.trend.trend),
        "taken": one.n_taken,
        "died_in_two_weeks": one.n_died,
        "sizes": [night.as_json() for night in size_nights(one.notes, one.tank.name)],
        "p_clear": one.clear.p_clear,
        "holds": [
            {
                "reason": hold.sentence,
                "earliest": None if hold.earliest is None else hold.earliest.isoformat(),
            }
            for hold in one.holds
        ],
        "caution": one.clear.caution,
    }


def forecast_json(one: Standing, ahead: Outlook) -> dict[str, Any]:
    """Give a forecast as an object for other programs."""
    return {
        "tank": one.tank.name,
        "state": str(one.clear.state),
        "p_clear": one.clear.p_clear,
        "clear_at": ahead.clear_at,
        "earliest": None if ahead.earliest is None else ahead.earliest.isoformat(),
        "courses": [
            {
                "plan": course.plan.says,
                "reached": None if course.reached is None else course.reached.isoformat(),
                "days": [day.isoformat() for day in course.days],
                "p_clear": [round(p, 4) for p in course.p_clear],
            }
            for course in ahead.courses
        ],
        "assumptions": {each.about: each.says for each in one.clear.assumptions},
        "caution": ahead.caution,
    }
