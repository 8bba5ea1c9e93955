"""The report of a tank and the record for a buyer: what they say, what they keep back, and what is cut."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from html import unescape
from typing import TYPE_CHECKING, Any

import pytest

from pestvision.findings.words import CAUTION
from pestvision.report.inspection import MAX_ROWS, inspection_html
from pestvision.report.log_figures import NO_GUARANTEE
from pestvision.report.tank_page import NO_ROOM, TALLEST_CONTACTS
from pestvision.report.tank_report import (
    LOG_CAUTION,
    MAX_CARDS_BESIDE,
    MAX_NOTES,
    MORE,
    short,
    tank_report_html,
    within,
)
from pestvision.tanks.quarantine import NO_CERTIFICATE, inspection_record
from pestvision.tanks.records import Judge, Means
from tests.made_log import START, look
from tests.made_tank_page import DAY, LONG, longest_page, played_page

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.report.tank_report import TankPage


def report(page: TankPage) -> str:
    return unescape(tank_report_html(page, written=START + 11 * DAY))


def test_it_tells_a_worried_keeper_how_it_stands_what_to_do_and_what_must_wait(
    tmp_path: Path,
) -> None:
    html = report(played_page(tmp_path, 11))
    assert "<h1>Amber: leeches seen</h1>" in html
    assert "19 litres · breeding · ramshorns and small nerites" in html
    assert "Sell nothing." in html
    assert "Taking a leech off a snail" in html
    assert "Do not crush or tear the leech" in html
    assert "taken out: 130" in html
    assert "Not called clear before 5 May 2026." in html
    assert "Wild finds came in on 20 Jan 2026" in html
    assert html.index("What to do") < html.index("How many are left")


def test_wherever_a_chance_of_being_clear_stands_it_is_called_no_guarantee(tmp_path: Path) -> None:
    open_html = report(played_page(tmp_path, 11))
    clear_page = played_page(tmp_path / "later", 730)
    assert clear_page.state == "probably clear"
    assert clear_page.clear is not None
    assert clear_page.clear.picture == ""
    assert "a find begins it anew" in open_html
    for html in (open_html, report(clear_page)):
        start = html.index("How sure it is clear")
        assert NO_GUARANTEE in html[start : start + 9000]
        assert "taken for granted" in html
        assert html.count(LOG_CAUTION) == 2
        assert CAUTION in html


def test_an_exposed_tank_in_which_nobody_looked_says_by_which_way(tmp_path: Path) -> None:
    page = played_page(tmp_path, 11, "Moss")
    assert page.left is None
    assert ("Last look", "never") in page.facts
    assert ("Next look", "tonight") in page.facts
    html = report(page)
    assert "plants from Amber into Moss on 9 Feb 2026" in html
    assert "How many are left" not in html
    assert "moved plants to Moss, from Amber" in html  # a move is told from its other end too


def test_a_tank_that_nothing_touched_has_no_picture_of_contacts(tmp_path: Path) -> None:
    page = played_page(tmp_path, 11, "Rill")
    assert page.touched is not None
    assert page.touched.picture == ""
    assert page.line is None
    assert "Nothing in the log brought leeches from another tank into Rill." in report(page)


def test_what_a_keeper_typed_is_shown_and_never_run(tmp_path: Path) -> None:
    page = played_page(tmp_path, 4)
    nasty = "<script>alert(1)</script>"
    tank = replace(page.tank, name=nasty, lives=nasty)
    notes = (*page.notes, look(nasty, START, remark=nasty))
    html = tank_report_html(replace(page, tank=tank, why=nasty, notes=notes), written=START)
    assert "<script" not in html
    assert html.count("&lt;script&gt;") >= 4


def test_the_last_notes_stand_newest_first_and_the_others_are_counted(tmp_path: Path) -> None:
    page = played_page(tmp_path, 11)
    html = report(page)
    assert html.index("12 Mar, 21:00") < html.index("11 Mar, 21:00")
    assert f"{len(page.notes) - MAX_NOTES} earlier notes are in the log." in html


def test_what_does_not_fit_is_cut_and_it_is_said() -> None:
    page = longest_page()
    html = report(page)
    assert MORE in html
    assert "8 more holds are in the log." in html
    assert html.count('<section class="guidance">') == MAX_CARDS_BESIDE
    assert f"There are cards on this too: {page.cards[MAX_CARDS_BESIDE].title}; " in html
    assert LONG not in html


def test_a_picture_of_contacts_that_is_too_tall_is_named_and_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert TALLEST_CONTACTS > 700
    monkeypatch.setattr("pestvision.report.tank_page.TALLEST_CONTACTS", 100.0)
    html = report(played_page(tmp_path, 11))
    assert NO_ROOM in html
    assert "What touched what, up to" not in html


@pytest.mark.parametrize(
    ("text", "cut"),
    [
        ("short", "short"),
        ("just ten c", "just ten c"),
        ("one two three", "one two…"),
        ("onetwothreefour", "onetwothr…"),
    ],
)
def test_a_text_is_cut_at_a_word(text: str, cut: str) -> None:
    assert short(text, 10) == cut


def test_sentences_are_taken_as_long_as_there_is_room() -> None:
    assert within(["a" * 40, "b" * 40, "c" * 10], 90) == ("a" * 40, "b" * 40, "c" * 10)
    assert within(["a" * 40, "b" * 60, "c" * 10], 90) == ("a" * 40,)


# --- the record for a buyer -------------------------------------------------------------------


def record_of(n_looks: int, **more: Any) -> str:
    notes = [look("Amber", START + night * DAY, 0) for night in range(n_looks)]
    notes += more.pop("notes", [])
    today = (START + 60 * DAY).date()
    record = inspection_record("Amber", notes, today=today, **more)
    return unescape(inspection_html(record, written=START + 60 * DAY))


def test_a_record_says_what_was_looked_at_when_how_and_that_it_is_no_certificate() -> None:
    html = record_of(3, lives="ramshorns")
    assert f"<strong>No certificate.</strong> {NO_CERTIFICATE}" in html
    assert "1 Mar 2026</th><td>by eye, 15 minutes</td><td>no leech seen" in html
    assert "<dd>45 minutes</dd>" in html
    assert "<dt>Last leech</dt><dd>none noted</dd>" in html
    assert "Nobody else has checked it" in html


def test_a_record_keeps_remarks_and_what_only_the_program_said_to_itself() -> None:
    private = [
        look("Amber", START + 5 * DAY, 4, remark="in Ada's cellar", taken=4),
        look("Amber", START + 6 * DAY, 9, judge=Judge.TOOL, means=Means.PHOTO),
    ]
    html = record_of(0, notes=private)
    assert "Ada" not in html
    assert "4 seen" in html
    assert "9 seen" not in html
    assert "<dt>Last leech</dt><dd>6 Mar 2026</dd>" in html


def test_many_looks_are_put_together_by_the_week() -> None:
    finds = [
        look("Amber", START + 3 * DAY + timedelta(hours=1), 5),
        look("Amber", START + 4 * DAY + timedelta(hours=1), 2, means=Means.TRAP, minutes=None),
        look("Amber", START + 8 * DAY + timedelta(hours=1), minutes=None),
    ]
    html = record_of(MAX_ROWS, notes=finds)
    assert "The looks, week by week" in html
    first = date(2026, 3, 2)
    assert first.weekday() == 0
    assert (
        "2 to 8 Mar 2026</th><td>1× by bait trap, 8× by eye, 120 minutes</td>"
        "<td>seen at 2 of 9 looks, at most 5</td>"
    ) in html
    assert "8× by eye, 105 minutes, 1 not timed</td><td>no leech seen" in html


def test_no_look_at_all_is_said() -> None:
    html = record_of(0)
    assert "No look by a person was written down in this time." in html
    assert "<dt>Time spent</dt><dd>none by eye</dd>" in html
