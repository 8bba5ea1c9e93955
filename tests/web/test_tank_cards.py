"""The tanks as HTML: states in words and shapes, what is due and why, what must wait, and what was typed escaped."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from html import unescape
from typing import TYPE_CHECKING

import pytest
from hand_made import HOSTILE_NAME

from pestvision.findings.words import CAUTION
from pestvision.settings import TankSettings
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Stage, Tank
from pestvision.tanks.standing import Standing, State, standings
from pestvision.tanks.trend import Trend
from pestvision.web import tank_account, tank_glance, tank_words
from pestvision.web.shared_log import SharedLog
from pestvision.web.tank_files import FilesDesk
from pestvision.web.tank_touched import TouchedDesk
from tests.made_log import START, Hand, look

if TYPE_CHECKING:
    from pathlib import Path

SETTINGS = TankSettings()
NAMES = ("Amber", "Moss", "Slate", "Fern", "Dusk", "Pearl", "Rill", "Thistle")
TONIGHT = START.date()


def story() -> list[Note]:
    """One tank for each state: invented throughout."""
    notes = [
        look("Amber", START - timedelta(days=day), seen, taken=seen)
        for day, seen in zip(range(13, 1, -1), (9, 9, 8, 7, 6, 6, 3, 2, 2, 1, 1, 1), strict=True)
    ]
    moved = START - timedelta(days=20)
    notes += [
        Note("Amber", START - timedelta(days=2), Kind.DIED, count=6, stage=Stage.HATCHLING),
        Note("Amber", moved, Kind.MOVED, cargo=Cargo.ANIMALS, other="Fern"),
        look(
            "Moss", START - timedelta(days=1), 2, means=Means.PHOTO, minutes=None, judge=Judge.TOOL
        ),
        Note(
            "Slate",
            START - timedelta(days=9),
            Kind.ADDED,
            cargo=Cargo.ANIMALS,
            count=6,
            source="a shop",
            batch="spring",
        ),
        look("Slate", START - timedelta(days=8)),
        look("Dusk", START - timedelta(days=90), 14, taken=14),
        Note("Dusk", START - timedelta(days=80), Kind.EMPTIED),
        look("Thistle", START - timedelta(days=4)),
        look("Pearl", START - timedelta(days=400), 1, taken=1),
    ]
    notes += [look("Pearl", START - timedelta(days=day)) for day in range(399, 0, -2)]
    return notes


@pytest.fixture(scope="module")
def shelf() -> dict[str, Standing]:
    tanks = [Tank(number, name) for number, name in enumerate(NAMES, start=1)]
    found = standings(tanks, story(), now=START, settings=SETTINGS)
    return {one.tank.name: one for one in found}


def text_of(html: str) -> str:
    return unescape(re.sub(r"<[^>]+>", " ", html))


def test_the_story_has_a_tank_in_every_state(shelf: dict[str, Standing]) -> None:
    assert {one.state for one in shelf.values()} == set(State)


def test_every_state_has_a_shape_of_its_own_beside_its_words(shelf: dict[str, Standing]) -> None:
    assert len(set(tank_glance.SHAPES.values())) == len(State) == len(tank_glance.SHAPES)
    for one in shelf.values():
        html = tank_glance.glance([one], tonight=TONIGHT)
        assert tank_glance.SHAPES[one.state] in html
        assert one.state.capitalize() in text_of(html)
        assert 'aria-hidden="true"' in html


def test_tanks_stand_in_the_order_of_urgency_with_what_is_known(shelf: dict[str, Standing]) -> None:
    html = tank_glance.glance(list(shelf.values()), tonight=TONIGHT)
    headings = re.findall(r"<h3>.*?<span>(.*?)</span></h3>", html)
    assert headings == [one.tank.name for one in shelf.values()]
    order = [list(State).index(shelf[name].state) for name in headings]
    assert order == sorted(order)
    amber = text_of(html.split('</li><li class="pv-card')[0])
    for words in (
        "2 nights ago, on 27 February",
        "overdue by 1 night",
        "falling (7 in seven nights, 48 before)",
        "Taken out:  55",
        "Snails lost in two weeks:  6",
        "wait until 24 April at the earliest: leeches seen",
    ):
        assert words in amber, words


def test_every_button_says_of_which_tank_it_is(shelf: dict[str, Standing]) -> None:
    html = tank_glance.glance(list(shelf.values()), tonight=TONIGHT)
    buttons = re.findall(r"<button [^>]*>", html)
    assert len(buttons) == 3 * len(NAMES)
    places = [re.search(r'data-place="([^"]+)"', each)[1] for each in buttons]  # type: ignore[index]
    assert len(set(places)) == len(places)
    named = [re.search(r'aria-label="([^"]+)"', each)[1] for each in buttons]  # type: ignore[index]
    assert all(any(name in words for name in NAMES) for words in named)


def test_what_only_the_program_saw_comes_with_its_caution(shelf: dict[str, Standing]) -> None:
    for one in shelf.values():
        shown = (
            tank_glance.glance([one], tonight=TONIGHT),
            tank_account.account(one, tonight=TONIGHT),
        )
        for html in shown:
            assert (CAUTION in unescape(html)) == (one.state is State.DOUBT), one.tank.name


def test_wherever_a_tank_is_called_probably_clear_it_is_no_guarantee(
    shelf: dict[str, Standing],
) -> None:
    html = tank_glance.glance([shelf["Pearl"]], tonight=TONIGHT)
    assert "not a guarantee" in html
    for one in shelf.values():
        told = tank_account.reckoned(one, story(), today=TONIGHT, settings=SETTINGS)
        sections = told.split("<section")[1:]
        assert len(sections) == (3 if one.last_seen else 2)
        for section in sections:
            if "probab" in section or "%" in text_of(section):
                assert "not a guarantee" in section, one.tank.name


def test_the_line_above_names_the_first_tank_of_tonight_and_why(shelf: dict[str, Standing]) -> None:
    html = text_of(tank_glance.tonight_line(list(shelf.values()), tonight=TONIGHT))
    assert "Tonight look at Amber first." in html
    assert shelf["Amber"].why_look in html
    assert "It is overdue by 1 night." in html
    then = re.search(r"Then: (.*?)\.", html)
    assert then is not None
    assert "Moss" in then[1]
    assert "Dusk" not in then[1]
    assert "Thistle" not in then[1]


def test_where_no_look_is_due_the_next_one_is_named(shelf: dict[str, Standing]) -> None:
    later = [shelf["Thistle"], shelf["Dusk"]]
    html = text_of(tank_glance.tonight_line(later, tonight=TONIGHT))
    assert "No look is due tonight. The next one is Thistle, in 10 nights, on 11 March." in html
    assert tank_glance.tonight_line([shelf["Dusk"]], tonight=TONIGHT).count(".") == 1
    assert tank_words.NO_TANKS_ADVICE in unescape(tank_glance.tonight_line([], tonight=TONIGHT))
    assert tank_glance.glance([], tonight=TONIGHT) == ""


def test_many_tanks_of_tonight_are_counted_and_not_all_named(shelf: dict[str, Standing]) -> None:
    many = [replace(shelf["Amber"], tank=Tank(number, f"Rack {number}")) for number in range(1, 12)]
    html = text_of(tank_glance.tonight_line(many, tonight=TONIGHT))
    assert "Rack 7 and 4 more." in html
    assert "Rack 8" not in html


@pytest.mark.parametrize(
    ("days", "last", "due"),
    [
        (None, "never yet", "none while it stands empty"),
        (-1, "last night", "overdue by 1 night"),
        (-3, "3 nights ago, on 26 February", "overdue by 3 nights"),
        (0, "tonight", "tonight"),
        (1, "tonight", "tomorrow night"),
        (400, "tonight", "in 400 nights, on 5 April 2027"),
    ],
)
def test_days_are_told_as_people_say_them(days: int | None, last: str, due: str) -> None:
    day = None if days is None else TONIGHT + timedelta(days=days)
    assert tank_words.due_in_words(day, tonight=TONIGHT) == due
    assert tank_words.ago_in_words(day, tonight=TONIGHT) == last


def test_a_trend_is_told_with_the_finds_it_was_read_off_or_not_at_all(
    shelf: dict[str, Standing],
) -> None:
    assert set(tank_words.TRENDS) == set(Trend)
    assert tank_glance.trend_in_words(shelf["Thistle"].trend) == "too few looks to say"
    assert tank_glance.trend_in_words(shelf["Pearl"].trend) == "none in two weeks"


def test_a_hold_without_a_day_names_none(shelf: dict[str, Standing]) -> None:
    words = tank_glance.selling_in_words(shelf["Dusk"].holds, tonight=TONIGHT)
    assert words == "wait: emptied"
    assert tank_glance.selling_in_words((), tonight=TONIGHT) == tank_words.NOT_HELD


def test_one_tank_tells_its_holds_its_batch_and_what_helps(shelf: dict[str, Standing]) -> None:
    html = tank_account.account(shelf["Slate"], tonight=TONIGHT)
    told = text_of(html)
    assert all(hold.sentence in told for hold in shelf["Slate"].holds)
    assert "spring : look at it on 6 March, " in told  # that of 27 February is over
    assert "What helps now" in told
    assert "Taking a leech off" in text_of(tank_account.account(shelf["Amber"], tonight=TONIGHT))
    quiet = text_of(tank_account.account(shelf["Thistle"], tonight=TONIGHT))
    assert tank_words.SELLING_WAITS not in quiet


def test_the_pictures_of_one_tank_have_names_of_their_own(shelf: dict[str, Standing]) -> None:
    one = shelf["Amber"]
    html = tank_account.account(one, tonight=TONIGHT) + tank_account.time_line(one, tonight=TONIGHT)
    html += tank_account.reckoned(one, story(), today=TONIGHT, settings=SETTINGS)
    ids = re.findall(r' id="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    assert html.count("<svg") - html.count("pv-shape") == 3
    assert "At least" in html
    assert "explains how leeches came into Amber" in html


def test_what_was_typed_of_a_tank_is_shown_and_never_run() -> None:
    tank = Tank(1, HOSTILE_NAME, 19.0, lives=HOSTILE_NAME, use="<b>")
    notes = [replace(note, tank=HOSTILE_NAME) for note in story() if note.tank == "Amber"]
    (one,) = standings([tank], [n for n in notes if n.other is None], now=START, settings=SETTINGS)
    shown = (
        tank_glance.glance([one], tonight=TONIGHT),
        tank_glance.tonight_line([one], tonight=TONIGHT),
        tank_account.account(one, tonight=TONIGHT),
        tank_account.time_line(one, tonight=TONIGHT),
        tank_account.reckoned(one, story(), today=TONIGHT, settings=SETTINGS),
        tank_account.files(one),
    )
    for html in shown:
        assert "<img" not in html
        assert "<b>" not in html


# --- what touched what, and files -------------------------------------------------------------


@pytest.fixture
def filled(shared: SharedLog) -> SharedLog:
    for name in NAMES:
        shared.log().add_tank(name)
    shared.log().add(*story())
    return shared


def test_what_touched_what_names_the_exposed_tank_first_and_draws_it(filled: SharedLog) -> None:
    desk = TouchedDesk(filled)
    html = desk.touched()
    assert html.index("Fern") < html.index("Amber</strong>")
    assert tank_words.REASONS["exposed"] in html  # type: ignore[index]
    assert "<svg" in html
    assert f"Moss</strong>: {tank_words.BY_TOOL_ONLY}" in html
    assert CAUTION in unescape(html)
    assert desk.touched() is html
    filled.log().add(Note("Amber", START, Kind.MOVED, cargo=Cargo.TOOLS, other="Rill"))
    assert "Rill</strong>" in desk.touched()


def test_without_a_leech_nothing_is_to_be_checked_first(tmp_path: Path) -> None:
    shared = SharedLog(tmp_path / "data", now=Hand())
    shared.log().add_tank("Amber")
    assert tank_words.TOUCHED_NONE in TouchedDesk(shared).touched()
    shared.close()


@pytest.mark.parametrize(
    ("what", "name", "holds"),
    [
        ("report", "amber-report.html", "<!doctype html>"),
        ("record", "amber-record-of-looks.html", "no certificate"),
        ("reminders", "amber-looks.ics", "BEGIN:VCALENDAR"),
        ("tables", "amber-notes.csv", "tank,at,kind"),
        ("observations", "amber-observations.csv", "occurrenceStatus"),
    ],
)
def test_each_file_of_a_tank_is_made_when_it_is_asked_for(
    filled: SharedLog, tmp_path: Path, what: str, name: str, holds: str
) -> None:
    html = FilesDesk(filled, tmp_path / "reports").make(what, 1)
    (path,) = (tmp_path / "reports").rglob("*.*")
    assert path.name == name
    assert holds.casefold() in path.read_text(encoding="utf-8").casefold()
    assert f"gradio_api/file={path.as_posix()}" in html
    assert f'download="{name}"' in html


def test_a_files_name_holds_nothing_that_could_do_harm(tmp_path: Path) -> None:
    shared = SharedLog(tmp_path / "data", now=Hand())
    for name in (HOSTILE_NAME, "../../etc", "水槽"):
        shared.log().add_tank(name)
    desk = FilesDesk(shared, tmp_path / "reports")
    for number in (1, 2, 3):
        desk.make("tables", number)
    names = sorted(path.name for path in (tmp_path / "reports").rglob("*.csv"))
    assert names == [
        "etc-notes.csv",
        "img-src-x-onerror-alert-1-co-jpg-notes.csv",
        "tank-3-notes.csv",
    ]
    shared.close()


def test_the_calendar_of_all_tanks_has_every_look_that_is_due(
    filled: SharedLog, tmp_path: Path
) -> None:
    desk = FilesDesk(filled, tmp_path / "reports")
    assert "looks.ics" in desk.reminders_of_all()
    (path,) = (tmp_path / "reports").rglob("*.ics")
    text = path.read_text(encoding="utf-8")
    for name in NAMES:
        assert (name in text) == (name != "Dusk"), name


def test_dates_are_those_of_the_keepers_own_clock() -> None:
    assert isinstance(TONIGHT, date)
    assert tank_words.moment_in_words(START, today=TONIGHT) == "Sunday 1 March, 21:00"
