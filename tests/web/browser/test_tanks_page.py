"""The tanks in a real browser: a night in a few taps, one tank, tables, photos into the log, read by axe."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import Page, expect
from test_page import (
    PHONE,
    WIDE,
    check_photo,
    choose_photo,
    open_night,
    open_page,  # noqa: F401 - a fixture
    pytestmark,  # noqa: F401 - of every test here too
    serious_violations,
    sideways_px,
    tab_to,
)

from pestvision.findings.words import CAUTION
from pestvision.tanks.log import TankLog
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Stage
from pestvision.tanks.tables import notes_csv
from pestvision.web import tank_words, words
from tests.made_log import look

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

SMALL_PHONE = {"width": 360, "height": 740}
LEAST_PX = 44
AREAS = (
    tank_words.AREA_TONIGHT,
    tank_words.AREA_ONE,
    tank_words.AREA_TOUCHED,
    tank_words.AREA_TABLES,
)


def story(now: datetime) -> list[Note]:
    """Three invented tanks: leeches in Amber, young snails moved to Moss, photos of Fern."""

    def night(days: float) -> datetime:
        return now - timedelta(days=days)

    notes = [
        look("Amber", night(day), seen, taken=seen, remark="under the sponge filter")
        for day, seen in zip(range(18, 1, -1), (14, 12, 9, 9, 8, 7, 6, 5, 5, 4, 3, 3, 2, 2, 1, 1, 1), strict=True)
    ]  # fmt: skip
    return [
        *notes,
        Note("Amber", night(17.5), Kind.DIED, count=20, stage=Stage.HATCHLING),
        Note("Amber", night(25), Kind.MOVED, count=12, cargo=Cargo.ANIMALS, other="Moss"),
        look("Fern", night(1), 2, means=Means.PHOTO, minutes=None, judge=Judge.TOOL),
    ]


@pytest.fixture
def log(tmp_path: Path) -> Iterator[TankLog]:
    """The log that the page will open, filled."""
    with TankLog(tmp_path / "album") as filled:
        for name in ("Amber", "Moss", "Fern"):
            filled.add_tank(name, litres=54.0, use="breeding")
        filled.add(*story(datetime.now().astimezone()))
        yield filled


def open_tanks(page: Page, area: str | None = None) -> None:
    page.get_by_role("tab", name=tank_words.TAB_TANKS).click()
    expect(page.locator("#tonight-line .pv-tonight")).not_to_be_empty()
    if area is not None:
        page.locator("#tank-areas").get_by_role("tab", name=area, exact=True).click()


def choose_tank(page: Page, name: str, place: str = "tonight-tank") -> None:
    page.locator(f"#{place} input").click()
    page.get_by_role("option", name=name, exact=True).click()
    expect(page.get_by_role("listbox")).to_have_count(0)  # it fades away


def fill(page: Page, field: str, text: str) -> None:
    page.locator(f"#{field} input, #{field} textarea").first.fill(text)


def low_controls(page: Page) -> list[Any]:
    """Every button, link and choice of the tab that is lower than a thumb needs."""
    return list(
        page.evaluate(
            """least => [...document.querySelectorAll(
                '#tank-areas button, #tank-areas .pv-choice label, #tank-areas a.pv-link, '
                + '#tank-areas summary'
            )].filter(node => node.offsetParent !== null && !node.closest('.visually-hidden'))
              .map(node => [node.id || node.textContent.trim().slice(0, 40),
                            Math.round(node.getBoundingClientRect().height)])
              .filter(([, height]) => height < least)""",
            LEAST_PX,
        )
    )


@pytest.mark.parametrize("size", [WIDE, SMALL_PHONE], ids=["wide", "phone"])
def test_a_night_is_written_down_in_two_taps_and_taken_back(
    open_page: Callable[..., Page],  # noqa: F811
    tmp_path: Path,
    size: dict[str, int],
) -> None:
    page = open_page(size)
    open_tanks(page)
    expect(page.locator("#tonight-line")).to_contain_text(tank_words.NO_TANKS)
    expect(page.locator("#tonight-form")).to_be_hidden()
    fill(page, "add-tank-name", "Amber")
    page.locator("#add-tank-button").click()
    expect(page.locator("#add-tank-said")).to_contain_text("Amber is in the log")
    expect(page.locator("#tonight-tank input")).to_have_value("Amber")
    page.locator("#tonight-clean").click()
    said = page.locator("#tonight-said .pv-done")
    expect(said).to_contain_text("nothing leech-like")
    expect(said).to_be_focused()
    expect(said).to_be_in_viewport()
    expect(page.locator("#tanks-glance")).to_contain_text("Last look: tonight")
    with TankLog(tmp_path / "album") as log:
        assert [note.seen for note in log.notes()] == [0]
    said.get_by_role("button", name=tank_words.TAKE_BACK).click()
    expect(page.locator("#tonight-said")).to_contain_text(tank_words.TAKEN_BACK)
    with TankLog(tmp_path / "album") as log:
        assert log.notes() == []
    assert sideways_px(page) == 0
    assert page.evaluate("window.innerWidth") == size["width"]


def test_the_form_shows_what_goes_with_what_was_done_and_keeps_what_was_typed(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
) -> None:
    page = open_page(WIDE)
    open_tanks(page)
    before = len(log.notes())
    choose_tank(page, "Amber")
    expect(page.locator("#tonight-seen")).to_be_visible()
    page.locator("#tonight-kind label", has_text="Snails died").click()
    expect(page.locator("#tonight-count")).to_contain_text("How many died")
    expect(page.locator("#tonight-seen")).to_be_hidden()
    fill(page, "tonight-count", "25")
    page.locator("#tonight-save").click()
    refused = page.locator("#tonight-said [role=alert]")
    expect(refused).to_contain_text("how grown the snails were")
    expect(page.locator("#tonight-count input, #tonight-count textarea").first).to_have_value("25")
    assert len(log.notes()) == before
    page.locator("#tonight-stage label", has_text="Hatchlings").click()
    page.locator("#tonight-save").click()
    expect(page.locator("#tonight-said")).to_contain_text("died: 25 hatchling")
    expect(page.locator("#tonight-said .pv-advice")).to_contain_text(tank_words.WHAT_NOW)
    assert len(log.notes()) == before + 1
    expect(page.locator("#tonight-tank input")).to_have_value("Amber")
    expect(page.locator("#tonight-seen input, #tonight-seen textarea").first).to_have_value("")


def test_the_first_tank_of_tonight_is_named_and_looked_after_from_its_card(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
) -> None:
    page = open_page(SMALL_PHONE)
    open_tanks(page)
    line = page.locator("#tonight-line")
    expect(line).to_contain_text("Tonight look at Amber first.")
    cards = page.locator("#tanks-glance .pv-tank")
    expect(cards).to_have_count(3)
    fern = cards.filter(has_text="Seen by the program only")
    expect(fern).to_contain_text(CAUTION)
    before = len(log.notes())
    line.get_by_role("button", name="Amber: looked, nothing seen").tap()
    expect(line.locator(".pv-done")).to_contain_text("nothing leech-like")
    expect(line.locator(".pv-done")).to_be_focused()
    assert len(log.notes()) == before + 1
    page.get_by_role("button", name="Write more about Fern").last.tap()
    expect(page.locator("#tonight-tank input")).to_have_value("Fern")
    expect(page.locator("#tonight-form")).to_be_in_viewport()
    page.get_by_role("button", name="Open Amber").last.tap()
    expect(page.locator("#one-account")).to_contain_text("Leeches seen.")
    expect(page.locator("#one-tank input")).to_have_value("Amber")


def test_a_second_tap_does_not_write_down_the_tank_that_comes_up_next(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
) -> None:
    page = open_page(WIDE)
    open_tanks(page)
    before = len(log.notes())
    press = page.locator("#tonight-line button[data-do=clean]")
    press.click()
    expect(page.locator("#tonight-line .pv-done")).to_be_visible()
    # The tap before was just now, however long a busy machine takes to press again.
    page.evaluate("window.pvCleanAt = Date.now() + 60000")
    press.click()
    page.wait_for_timeout(500)
    assert len(log.notes()) == before + 1
    page.evaluate("window.pvCleanAt = Date.now() - 60000")  # and now it was long ago
    press.click()
    expect(page.locator("#tonight-line")).to_contain_text("Fern,")
    assert len(log.notes()) == before + 2


@pytest.mark.parametrize("size", [WIDE, SMALL_PHONE], ids=["wide", "phone"])
def test_one_tank_is_read_corrected_and_mended(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
    tmp_path: Path,
    size: dict[str, int],
) -> None:
    page = open_page(size)
    open_tanks(page, tank_words.AREA_ONE)
    choose_tank(page, "Amber", "one-tank")
    expect(page.locator("#one-reckoned")).to_contain_text("How sure it is clear")
    expect(page.locator("#one-reckoned")).to_contain_text("not a guarantee")
    expect(page.locator("#one-account")).to_contain_text(tank_words.SELLING_WAITS)
    expect(page.locator("#one-line svg")).to_be_visible()
    notes = page.locator("#one-notes")
    expect(notes).to_contain_text("Notes 1 to 15 of 19")
    newest = log.notes("Amber")[-1]
    notes.get_by_role("button", name=f"Correct note {newest.id}").click()
    expect(page.locator("#one-correcting")).to_be_visible()
    expect(page.locator("#correct-seen input, #correct-seen textarea").first).to_have_value("1")
    fill(page, "correct-seen", "2")
    page.locator("#correct-save").click()
    expect(page.locator("#one-said")).to_contain_text("Now it says")
    expect(page.locator("#one-correcting")).to_be_hidden()
    assert log.note(newest.id).seen == 2
    expect(notes).to_contain_text(tank_words.CHANGED_BEFORE)
    notes.get_by_role("button", name=f"Delete note {newest.id}").click()
    expect(page.locator("#one-said")).to_contain_text("Deleted")
    expect(notes).to_contain_text("Notes 1 to 15 of 18")
    page.locator("#one-said").get_by_role("button", name=tank_words.BRING_BACK).click()
    expect(notes).to_contain_text("of 19")
    assert log.note(newest.id).seen == 2
    notes.get_by_role("button", name=tank_words.OLDER).click()
    expect(notes).to_contain_text("Notes 16 to 19 of 19")
    page.locator("#one-files").get_by_role("button", name="Report").click()
    with page.expect_download() as download:
        page.locator("#one-made a").click()
    assert download.value.suggested_filename == "amber-report.html"
    assert sideways_px(page) == 0
    assert page.evaluate("window.innerWidth") == size["width"]
    page.screenshot(path=tmp_path / "one.png", full_page=True)


def test_a_table_comes_in_with_its_bad_line_named_and_is_taken_back(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
    tmp_path: Path,
) -> None:
    before = len(log.notes())
    table = tmp_path / "from the old book.csv"
    first = look("Moss", datetime.now().astimezone() - timedelta(days=300), 0)
    table.write_text(notes_csv([first]) + "Moss,2026-02-30,emptied" + "," * 17 + "\r\n")
    page = open_page(WIDE)
    open_tanks(page, tank_words.AREA_TABLES)
    page.locator("#table-file input[type=file]").set_input_files(table)
    came = page.locator("#table-came")
    expect(came).to_contain_text("1 note came into the log.")
    expect(came).to_contain_text("Line 3")
    assert len(log.notes()) == before + 1
    came.get_by_role("button", name=tank_words.TABLE_UNDO).click()
    expect(came).to_contain_text("Taken back")
    assert len(log.notes()) == before
    expect(page.locator("#last-changes")).to_contain_text(tank_words.IS_UNDONE)
    page.locator("#tables-save").click()
    with page.expect_download() as download:
        page.locator("#tables-files").get_by_role("link", name="Save notes.csv").click()
    assert download.value.suggested_filename == "notes.csv"


def test_a_scanned_night_goes_into_a_tanks_log_and_becomes_the_keepers_look(
    open_page: Callable[..., Page],  # noqa: F811
    night_folder: Path,
    log: TankLog,
) -> None:
    page = open_page(PHONE)
    open_night(page)
    expect(page.locator("#night-into-log")).to_be_hidden()
    page.get_by_label(words.NIGHT_FOLDER).fill(str(night_folder))
    page.keyboard.press("Enter")
    expect(page.locator("#night-into-log")).to_be_visible()
    expect(page.locator("#night-advice")).to_contain_text("Taking a leech off")
    before = len(log.notes())
    choose_tank(page, "Fern", "night-log-tank")
    page.locator("#night-log-button").click()
    said = page.locator("#night-log-said")
    expect(said).to_contain_text(tank_words.OF_PROGRAM)
    expect(said).to_contain_text(CAUTION)
    assert log.notes("Fern")[-1].judge is Judge.TOOL
    said.get_by_role("button", name=tank_words.LOOKED_AT).click()
    expect(said).to_contain_text(tank_words.LOOKED_AT_DONE)
    assert log.notes("Fern")[-1].judge is Judge.KEEPER
    assert len(log.notes()) == before + 1
    assert sideways_px(page) == 0


def test_a_close_up_says_what_to_do_and_goes_into_a_tanks_log(
    open_page: Callable[..., Page],  # noqa: F811
    photo_file: Path,
    log: TankLog,
) -> None:
    page = open_page(WIDE)
    choose_photo(page, photo_file)
    expect(page.locator("#close-up-into-log")).to_be_hidden()
    check_photo(page)
    expect(page.locator("#close-up-advice")).to_contain_text("Taking a leech off")
    expect(page.locator("#close-up-advice")).to_contain_text("Do not crush")
    page.locator("#close-up-log-button").click()
    said = page.locator("#close-up-log-said")
    expect(said).to_contain_text(tank_words.NO_TANK_CHOSEN)
    choose_tank(page, "Moss", "close-up-log-tank")
    page.locator("#close-up-log-button").click()
    expect(said).to_contain_text("Written: Moss")
    assert [note.seen for note in log.notes("Moss") if note.kind is Kind.LOOKED] == [1]


def test_a_night_is_written_down_with_the_keyboard_alone(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
) -> None:
    before = len(log.notes())
    page = open_page(WIDE)
    open_tanks(page)
    tab_to(page, "#tonight-tank input")
    expect(page.get_by_role("option").first).to_be_visible()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    expect(page.locator("#tonight-tank input")).not_to_have_value("")
    tab_to(page, "#tonight-seen input, #tonight-seen textarea")
    page.keyboard.type("3")
    tab_to(page, "#tonight-taken input, #tonight-taken textarea")
    page.keyboard.type("3")
    tab_to(page, "#tonight-save")
    page.keyboard.press("Enter")
    expect(page.locator("#tonight-said .pv-done")).to_be_focused()
    tab_to(page, "#tonight-said button")
    assert len(log.notes()) == before + 1


@pytest.mark.parametrize("area", AREAS)
def test_on_a_small_phone_every_area_is_narrow_enough_and_its_buttons_are_large(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
    tmp_path: Path,
    area: str,
) -> None:
    assert log.tanks()
    page = open_page(SMALL_PHONE)
    open_tanks(page, area)
    if area == tank_words.AREA_ONE:
        page.locator("#one-tank input").click()
        option = page.get_by_role("option", name="Amber", exact=True)
        box = option.bounding_box()
        assert box is not None
        assert round(box["height"]) >= LEAST_PX
        option.click()
        expect(page.locator("#one-reckoned svg").first).to_be_visible()
    elif area == tank_words.AREA_TOUCHED:
        expect(page.locator("#touched svg")).to_be_visible()
    elif area == tank_words.AREA_TABLES:
        expect(page.locator("#last-changes li").first).to_be_visible()
        page.locator("#tables-save").click()
        expect(page.locator("#tables-files a").first).to_be_visible()
    assert page.evaluate("window.innerWidth") == SMALL_PHONE["width"]
    assert sideways_px(page) == 0
    assert low_controls(page) == []
    page.screenshot(path=tmp_path / "phone.png", full_page=True)


def test_no_field_of_the_tanks_is_without_a_name(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
) -> None:
    assert log.tanks()
    page = open_page(WIDE)
    open_tanks(page)
    for kind in tank_words.KINDS.values():
        page.locator("#tonight-kind").get_by_label(kind, exact=True).check()
        page.wait_for_timeout(300)
        unnamed = page.evaluate(
            """() => [...document.querySelectorAll('#tank-areas :is(input, textarea, select)')]
                .filter(node => node.offsetParent !== null)
                .filter(node => !(node.labels && node.labels.length && node.labels[0].textContent.trim())
                                && !node.getAttribute('aria-label'))
                .map(node => node.outerHTML.slice(0, 120))"""
        )
        assert unnamed == [], kind


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_the_tanks(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
    scheme: str,
) -> None:
    page = open_page(WIDE, color_scheme=scheme)
    open_tanks(page)
    page.locator("#tonight-more button").first.click()
    page.locator("#add-tank button").first.click()
    page.locator("#tonight-save").click()
    expect(page.locator("#tonight-said [role=alert]")).to_be_visible()
    serious = serious_violations(page)
    choose_tank(page, "Amber")
    page.locator("#tonight-kind").get_by_label("Took out", exact=True).check()
    expect(page.locator("#tonight-seen")).to_be_hidden()
    fill(page, "tonight-taken", "1")
    page.locator("#tonight-save").click()
    expect(page.locator("#tonight-said .pv-advice")).to_be_visible()
    serious += serious_violations(page)
    open_tanks(page, tank_words.AREA_ONE)
    choose_tank(page, "Amber", "one-tank")
    expect(page.locator("#one-reckoned svg").first).to_be_visible()
    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")
    number = log.notes("Amber")[-1].id
    page.locator("#one-notes").get_by_role("button", name=f"Correct note {number}").click()
    expect(page.locator("#one-correcting")).to_be_visible()
    serious += serious_violations(page)
    open_tanks(page, tank_words.AREA_TOUCHED)
    expect(page.locator("#touched svg")).to_be_visible()
    serious += serious_violations(page)
    open_tanks(page, tank_words.AREA_TABLES)
    expect(page.locator("#last-changes li").first).to_be_visible()
    serious += serious_violations(page)
    assert not serious, "\n".join(map(str, serious))


def test_what_is_shown_is_of_the_log_as_it_is_now(
    open_page: Callable[..., Page],  # noqa: F811
    log: TankLog,
) -> None:
    page = open_page(WIDE)
    open_tanks(page)
    expect(page.locator("#tanks-glance")).to_contain_text("Taken out: 92")
    log.add(look("Amber", datetime.now().astimezone(), 8, taken=8))
    open_tanks(page, tank_words.AREA_TABLES)
    open_tanks(page, tank_words.AREA_TONIGHT)
    expect(page.locator("#tanks-glance")).to_contain_text("Taken out: 100")
