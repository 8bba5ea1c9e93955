"""Invented reports of tanks: an outbreak over so many days, and the longest that a page can get."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from pestvision.guidance.guidance import cards_for, every_card
from pestvision.report.contact_picture import WIDTH
from pestvision.report.log_figures import (
    ClearCurve,
    clear_figure,
    clear_figure_svg,
    left_figure,
    left_figure_svg,
)
from pestvision.report.log_line import log_line, log_line_svg
from pestvision.report.tank_page import TALLEST_CONTACTS, page_of
from pestvision.report.tank_report import Part, TankPage
from pestvision.tanks.records import (  # fmt: skip
    MAX_NAME,
    MAX_TEXT,
    Cargo,
    Judge,
    Kind,
    Means,
    Note,
    Pest,
    Stage,
    Tank,
)
from pestvision.tanks.sizes import SizeNight, size_sentences
from pestvision.tanks.standing import standings
from tests.made_log import SHELF, START, Hand, look, shelf

if TYPE_CHECKING:
    from pathlib import Path

DAY = timedelta(days=1)
FINDS = (50, 31, 20, 11, 9, 4, 3, 0, 2, 0, 0)
LONG = ("Words that go on and on, as a worried keeper's do, " * 12)[:500]


def outbreak(days: int) -> list[Note]:
    """Leeches come with a stone from a pond into Amber, and go on to Moss, Slate and Fern."""
    notes = [
        Note("Pearl", START - 50 * DAY, Kind.MOVED, cargo=Cargo.PLANTS, other="Amber"),
        Note("Amber", START - 40 * DAY, Kind.ADDED, cargo=Cargo.WILD, source="a pond"),
        Note("Amber", START - 20 * DAY, Kind.MOVED, cargo=Cargo.PLANTS, other="Moss"),
        Note("Moss", START - 15 * DAY, Kind.MOVED, cargo=Cargo.ANIMALS, other="Slate", count=12),
        Note("Amber", START - 12 * DAY, Kind.MOVED, cargo=Cargo.TOOLS, other="Fern", what="a net"),
        Note("Amber", START + 0.4 * DAY, Kind.DIED, count=25, stage=Stage.HATCHLING),
    ]
    nights = [*range(1, 12), *range(14, days + 1, 3)]
    finds = dict(zip(nights, FINDS, strict=False))
    notes += [
        look("Amber", START + night * DAY, n, taken=n or None)
        for night in nights
        if night <= days
        for n in (finds.get(night, 0),)
    ]
    return notes


def played_page(folder: Path, days: int, tank: str = "Amber") -> TankPage:
    """What the report says so many days after the first night."""
    clock = Hand(START + days * DAY)
    with shelf(folder, clock, *SHELF) as log:
        log.change_tank("Amber", use="breeding", lives="ramshorns and small nerites")
        log.add(*outbreak(days))
        found = standings(log.tanks(), log.notes(), now=clock.at)
        standing = next(one for one in found if one.tank.name == tank)
        cards = cards_for(standing="seen" if standing.last_seen else "exposed")
        return page_of(standing, notes=log.notes(), now=clock.at, cards=cards)


def every_kind(tank: str, days: int) -> list[Note]:
    """A log of so many days with a note of every kind, each with the longest remark."""
    usual = [
        look(tank, START, 12, taken=9, brooding=True),
        look(tank, START, 0, minutes=None),
        look(tank, START, 2, judge=Judge.TOOL, means=Means.PHOTO),
        Note(tank, START, Kind.REMOVED, pest=Pest.LEECH, taken=1, what=LONG),
        Note(tank, START, Kind.DIED, count=25, stage=Stage.HATCHLING, what=LONG),
        Note(tank, START, Kind.ADDED, cargo=Cargo.WILD, what=LONG, source=LONG, batch="b" * MAX_NAME),
        Note(tank, START, Kind.MOVED, cargo=Cargo.ANIMALS, other="M" * MAX_NAME, what=LONG),
        Note("M" * MAX_NAME, START, Kind.MOVED, cargo=Cargo.ANIMALS, other=tank, what=LONG),
        *(Note(tank, START, kind, what=LONG) for kind in (Kind.TREATED, Kind.CLEANED)),
        Note(tank, START, Kind.EMPTIED),
        *(Note(tank, START, kind, what=LONG, count=7) for kind in (Kind.RESTOCKED, Kind.SOLD)),
    ]  # fmt: skip
    return [
        replace(usual[number % len(usual)], at=START + number * DAY, remark=LONG)
        for number in range(days)
    ]


def longest_page() -> TankPage:
    """Every part as long as it can get: the page that must still print to two."""
    name = ("Wide name " * 10)[:MAX_NAME].strip()
    notes = every_kind(name, 731)
    days = tuple(START.date() + 7 * week * DAY for week in range(53))
    curves = [ClearCurve("every second night by torch, twice as long", days, (0.3,) * 53, None)] * 4
    clear = clear_figure(curves, tank=name, earliest=date(2026, 5, 5))
    nights = [(START.date() + number * DAY, 99) for number in range(80)]
    left = left_figure(
        [*nights, *((START.date() + 200 * DAY, 0),) * 99], likely=(5, 900), tank=name
    )
    line = log_line(notes, name, until=START.date() + 730 * DAY)
    assert clear is not None
    assert left is not None
    assert line is not None
    grown = [
        SizeNight(date(2027, 9, 28 + night), 100.125, 199.125, 99999, 99999) for night in (0, 1)
    ]
    cards = sorted(every_card(), key=lambda card: -sum(map(len, card.sentences())))
    tall = f'<svg viewBox="0 0 {WIDTH} {TALLEST_CONTACTS:g}" width="100%" style="max-width:504px"><rect width="100%" height="100%" fill="none" stroke="currentColor"/></svg>'
    return TankPage(
        tank=Tank(1, name, 99999.5, (LONG * 2)[:MAX_TEXT], LONG),
        state="not looked at yet",
        why=LONG,
        facts=tuple((f"A heading {number}", "29 September 2026, overdue") for number in range(7)),
        why_look=LONG[:200],
        holds=(LONG,) * 9,
        left=Part(LONG, (LONG,) * 9, left_figure_svg(left), left.note),
        clear=Part(LONG, (LONG,) * 9, clear_figure_svg(clear), assumed=(LONG,)),
        touched=Part(LONG, (LONG,) * 9, tall),
        line=Part("", size_sentences(grown), log_line_svg(line), line.note),
        cards=tuple(cards),
        notes=tuple(notes),
    )
