"""Sizes over the nights: what is gathered, what is said, and that nothing else is reckoned by it."""

from __future__ import annotations

from dataclasses import replace
from html import unescape
from typing import TYPE_CHECKING

import pytest

from pestvision.cli.tank_text import standing_json, tank_lines
from pestvision.report.tank_page import page_of
from pestvision.report.tank_report import tank_report_html
from pestvision.settings import TankSettings
from pestvision.tanks.records import Judge, Kind, Means, Note, Pest, Tank
from pestvision.tanks.sizes import (
    BROOD_CLOCK,
    NOT_RECKONED,
    SizeNight,
    share_words,
    size_nights,
    size_sentences,
)
from pestvision.tanks.standing import left_in, standings
from pestvision.web.tank_account import time_line
from tests.made_log import START, look
from tests.made_tank_page import DAY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.tanks.standing import Standing

AMBER = Tank(1, "Amber")
FINDS = (14, 9, 6, 5, 2, 1)


def outbreak(*, is_sized: bool) -> list[Note]:
    """Six nights of taking out; sized ones from 2 to 23 mm, of which three in each night are young."""
    plain = [
        look("Amber", START + night * DAY, n, taken=n, id=night + 1)
        for night, n in enumerate(FINDS)
    ]
    if not is_sized:
        return plain
    return [
        replace(note, smallest_mm=2.0, largest_mm=23.0 + place, hatchlings=min(3, note.seen or 0))
        for place, note in enumerate(plain)
    ]


def stands(notes: Sequence[Note]) -> Standing:
    (found,) = standings([AMBER], notes, now=START + 7 * DAY)
    return found


def test_a_night_has_the_smallest_and_the_largest_of_all_its_looks() -> None:
    notes = [
        look("Amber", START, 14, smallest_mm=3.0, largest_mm=20.0, hatchlings=3),
        look("Amber", START + DAY / 24, 5, largest_mm=23.0, hatchlings=1),
        Note("Amber", START, Kind.REMOVED, pest=Pest.LEECH, taken=1, smallest_mm=1.5),
    ]
    assert size_nights(notes, "Amber") == (SizeNight(START.date(), 1.5, 23.0, 3, 14),)


def test_one_length_alone_is_also_among_the_night_s() -> None:
    notes = [
        look("Amber", START, 2, smallest_mm=30.0),
        look("Amber", START + DAY / 24, 2, largest_mm=20.0),
    ]
    (night,) = size_nights(notes, "Amber")
    assert (night.smallest_mm, night.largest_mm) == (20.0, 30.0)
    (alone,) = size_nights(notes[:1], "Amber")
    assert (alone.smallest_mm, alone.largest_mm) == (30.0, None)


def test_other_tanks_other_pests_and_what_only_the_program_saw_are_left_out() -> None:
    sized = look("Amber", START, 3, largest_mm=9.0)
    others = [
        replace(sized, tank="Moss"),
        replace(sized, pest=Pest.FLATWORM),
        replace(sized, judge=Judge.TOOL, means=Means.PHOTO),
        look("Amber", START, 3),
        look("Amber", START, 0, hatchlings=0),
    ]
    assert size_nights(others, "Amber") == ()
    assert size_sentences(()) == ()
    assert len(size_nights([*others, sized], "Amber")) == 1
    assert len(size_nights(others, "Amber", pest=Pest.FLATWORM)) == 1


def test_sizes_from_before_a_tank_was_emptied_are_left_out() -> None:
    notes = [
        look("Amber", START, 3, largest_mm=9.0),
        Note("Amber", START + DAY, Kind.EMPTIED),
        look("Amber", START + 2 * DAY, 3, largest_mm=4.0),
    ]
    assert [night.largest_mm for night in size_nights(notes, "Amber")] == [4.0]


def test_the_last_sizes_and_the_largest_first_and_last_are_plain_numbers() -> None:
    nights = [
        SizeNight(START.date(), 2.0, 23.0, 3, 14),
        SizeNight(START.date() + DAY, None, None, 0, 4),
        SizeNight(START.date() + 2 * DAY, 4.5, 23.0, 0, 9),
    ]
    last, young, largest, *_ = size_sentences(nights)
    assert last == (
        "Sizes on 3 March 2026, the last night with any: the largest 23 mm long, the smallest 4.5 mm long, "
        "none of 9 of hatchling size."
    )
    assert largest == (
        "Over 2 nights with a length the largest was 23 mm on 1 March 2026 and 23 mm on 3 March 2026: the "
        "largest seen has not grown smaller."
    )
    assert "last on 1 March 2026" in young
    smaller = size_sentences([*nights[:2], replace(nights[2], largest_mm=22.9)])
    assert "has grown smaller" in smaller[2]
    assert len(size_sentences(nights[:1])) == 3  # one night makes no course


def test_young_ones_tell_of_breeding_by_what_was_published_and_old_ones_do_not() -> None:
    young = size_sentences([SizeNight(START.date(), hatchlings=1, of=2)])
    assert "something has bred here, or in what was put in" in " ".join(young)
    # Hatto 1968: 3 to 4 days, 16 to hatching, 10 or more on the parent: about 30; Govedich 2004: 5 to 6 weeks
    assert "about 30 days at 14 degrees (Hatto 1968)" in BROOD_CLOCK
    assert "5 to 6 weeks" in BROOD_CLOCK
    for night in (SizeNight(START.date(), 2.0, 9.0, 0, 2), SizeNight(START.date(), 1.0, 9.0)):
        assert "bred" not in " ".join(size_sentences([night]))


@pytest.mark.parametrize(
    ("night", "words"),
    [
        (SizeNight(START.date(), hatchlings=3, of=14), "3 of 14 of hatchling size"),
        (SizeNight(START.date(), hatchlings=0, of=14), "none of 14 of hatchling size"),
        (SizeNight(START.date(), 2.0, 9.0), ""),
    ],
)
def test_a_share_is_said_only_where_somebody_looked_for_it(night: SizeNight, words: str) -> None:
    assert share_words(night) == words


def test_sizes_change_no_number_of_how_many_are_left_or_how_sure_it_is_clear() -> None:
    plain, sized = stands(outbreak(is_sized=False)), stands(outbreak(is_sized=True))
    assert NOT_RECKONED in " ".join(size_sentences(size_nights(sized.notes, "Amber")))
    assert left_in(sized) == left_in(plain)
    assert sized.clear == plain.clear
    assert (sized.nights, sized.trend, sized.state) == (plain.nights, plain.trend, plain.state)


def test_the_report_the_page_and_the_terminal_tell_of_sizes_and_keep_still_without() -> None:
    for is_sized in (True, False):
        notes = outbreak(is_sized=is_sized)
        one = stands(notes)
        page = page_of(one, notes=notes, now=START + 7 * DAY)
        report = unescape(tank_report_html(page, written=START + 7 * DAY))
        terminal = "\n".join(tank_lines(one, settings=TankSettings()))
        html = unescape(time_line(one, tonight=(START + 7 * DAY).date()))
        for told in (report, terminal, html):
            assert ("the largest 28 mm long" in told) == is_sized
            assert ("Young ones were seen, last on 6 March 2026" in told) == is_sized
        assert ("<td>2 mm</td><td>28 mm</td><td>1 of 1</td>" in html) == is_sized
        assert len(standing_json(one)["sizes"]) == (len(FINDS) if is_sized else 0)
