"""The page in a real browser: mouse, keyboard, phone, accessibility, and who is contacted."""

from __future__ import annotations

import contextlib
import re
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from hand_made import HOSTILE_NAME
from playwright.sync_api import Browser, Page, expect
from playwright.sync_api import TimeoutError as PressLost

from pestvision.findings.words import CAUTION, CAUTION_BRIEF
from pestvision.web import words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = [
    pytest.mark.browser,
    # The toolkit's queue, once an event is done, uses two things that pandas 3 no longer needs.
    pytest.mark.filterwarnings("ignore:'future.no_silent_downcasting' is deprecated"),
    pytest.mark.filterwarnings("ignore:The copy keyword is deprecated"),
]

WIDE = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}
LONG_MS = 60_000  # two shared cores: the first event of a page takes seconds


@pytest.fixture
def open_page(browser: Browser, serve: Callable[..., Any]) -> Iterator[Callable[..., Page]]:
    """Open the page at a size; afterwards, only this computer may have been asked for anything."""
    hosts: set[str] = set()
    faults: list[str] = []
    contexts = []
    expect.set_options(timeout=LONG_MS)  # of its own, five seconds: too few where others work too

    def start(size: dict[str, int], **options: Any) -> Page:
        phone = size["width"] < 500
        context = browser.new_context(viewport=size, has_touch=phone, is_mobile=phone, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(LONG_MS)
        page.on("request", lambda request: hosts.add(urlsplit(request.url).hostname or "inside"))
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on(
            "console",
            lambda said: faults.append(said.text) if "Content Security" in said.text else None,
        )
        page.goto(serve().url)
        expect(page.get_by_role("heading", level=1)).to_have_text(words.TITLE)
        return page

    yield start
    for context in contexts:
        context.close()
    assert hosts <= {"127.0.0.1", "inside"}
    assert not faults


def choose_photo(page: Page, photo: Path) -> None:
    page.locator("#close-up-file input[type=file]").set_input_files(photo)
    expect(page.locator("#close-up-picture img")).to_be_visible()


def check_photo(page: Page) -> None:
    page.get_by_role("button", name=words.CHECK_BUTTON).click()
    verdict = page.locator("#close-up-answer .pv-verdict")
    expect(verdict).to_contain_text(words.VERDICTS["leech-like"])
    expect(verdict).to_contain_text("Confidence 87 %")
    expect(verdict).to_contain_text(CAUTION)


def about(value: int) -> re.Pattern[str]:
    """Match a written number within one of another: to be waited for, as a page fills its boxes one by one."""
    return re.compile(rf"^({value - 1}|{value})([.]\d+)?$|^{value + 1}([.]0+)?$")


def open_night(page: Page) -> None:
    page.get_by_role("tab", name=words.TAB_NIGHT).click()
    expect(page.locator("#night-folder-button")).to_be_visible()


def sideways_px(page: Page) -> int:
    """How far the page can be pushed sideways."""
    return int(page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_a_close_up_goes_from_the_file_to_the_answer(
    open_page: Callable[..., Page], photo_file: Path, size: dict[str, int], tmp_path: Path
) -> None:
    page = open_page(size)
    expect(page.get_by_role("button", name=words.CHECK_BUTTON)).to_be_hidden()
    page.screenshot(path=tmp_path / "before.png", full_page=True)
    choose_photo(page, photo_file)
    check_photo(page)
    expect(page.locator(".pv-finding")).to_have_count(1)
    expect(page.locator(".pv-finding").get_by_text(CAUTION_BRIEF)).to_be_visible()
    expect(page.locator(".pv-verdict")).to_be_focused()
    expect(page.locator(".pv-verdict")).to_be_in_viewport()
    assert sideways_px(page) == 0
    assert page.viewport_size == size
    assert page.evaluate("window.innerWidth") == size["width"]
    page.screenshot(path=tmp_path / "after.png", full_page=True)


def test_a_heic_photo_is_seen_in_a_browser_that_cannot_show_heic(
    open_page: Callable[..., Page], heic_file: Path
) -> None:
    page = open_page(WIDE)
    choose_photo(page, heic_file)
    picture = page.locator("#close-up-picture img")
    page.wait_for_function("document.querySelector('#close-up-picture img').naturalWidth === 900")
    assert ".heic" not in str(picture.get_attribute("src"))


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_two_clicks_on_the_photo_mark_a_place_that_is_then_judged(
    open_page: Callable[..., Page], photo_file: Path, size: dict[str, int]
) -> None:
    page = open_page(size)
    choose_photo(page, photo_file)
    picture = page.locator("#close-up-picture img")
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    assert box is not None
    for share, said in ((0.2, words.MARK_ONE_CORNER), (0.6, words.MARK_READY)):
        place = {"x": share * box["width"], "y": share * box["height"]}
        picture.click(position=place)
        expect(page.locator("#mark-state")).to_contain_text(said.split(". ")[0])
    expect(page.locator("#mark-left input")).to_have_value(about(20))
    expect(page.locator("#mark-bottom input")).to_have_value(about(60))
    page.get_by_role("button", name=words.MARK_BUTTON).click()
    expect(page.locator(".pv-verdict")).to_contain_text(words.NOT_ENOUGH)


def test_of_two_clicks_as_quick_as_can_be_none_is_lost(
    open_page: Callable[..., Page], photo_file: Path
) -> None:
    page = open_page(WIDE)
    choose_photo(page, photo_file)
    page.locator("#close-up-picture img").evaluate(
        """async picture => {
          const {left, top, width, height} = picture.getBoundingClientRect();
          for (const share of [0.2, 0.6]) {
            picture.dispatchEvent(new MouseEvent('click', {
              bubbles: true, clientX: left + share * width, clientY: top + share * height}));
            await new Promise(done => setTimeout(done, 30));  // the first is not answered yet
          }
        }"""
    )
    expect(page.locator("#mark-state")).to_contain_text(words.MARK_READY.split(". ")[0])
    expect(page.locator("#mark-left input")).to_have_value(about(20))
    expect(page.locator("#mark-bottom input")).to_have_value(about(60))


def test_everything_can_be_done_with_the_keyboard_alone(
    open_page: Callable[..., Page], photo_file: Path
) -> None:
    page = open_page(WIDE)
    expect(page.locator("#close-up-file button").first).to_be_visible()
    # A press can fall into the moment in which the toolkit still builds the box: press again then.
    for limit_ms in (3_000, 3_000, LONG_MS):
        tab_to(page, "#close-up-file button")
        with contextlib.suppress(PressLost), page.expect_file_chooser(timeout=limit_ms) as chooser:
            page.keyboard.press("Enter")
        with contextlib.suppress(PressLost):
            chooser.value.set_files(photo_file)
            break
    expect(page.locator("#close-up-picture img")).to_be_visible()
    expect(page.locator("#close-up-file button.upload-container")).to_be_visible()

    tab_to(page, "#check-button")
    page.keyboard.press("Enter")
    expect(page.locator(".pv-verdict")).to_be_focused()

    tab_to(page, "#marking button", back=True)
    page.keyboard.press("Enter")
    expect(page.locator("#judge-button")).to_be_visible()
    for place, edge in (("left", "10"), ("top", "20"), ("right", "50"), ("bottom", "60")):
        tab_to(page, f"#mark-{place} input")
        page.keyboard.type(edge)
    expect(page.locator("#mark-state")).to_contain_text("The place is marked")
    tab_to(page, "#judge-button")
    page.keyboard.press("Enter")
    expect(page.locator(".pv-verdict")).to_contain_text(words.NOT_ENOUGH)


def tab_to(page: Page, selector: str, *, back: bool = False) -> None:
    """Press Tab until the keyboard is there; fail where it never gets there."""
    for _ in range(40):
        if page.evaluate("s => document.activeElement.matches(s)", selector):
            return
        page.keyboard.press("Shift+Tab" if back else "Tab")
    pytest.fail(f"the keyboard does not reach {selector}")


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_a_nights_folder_goes_from_the_path_to_the_report(
    open_page: Callable[..., Page], night_folder: Path, size: dict[str, int], tmp_path: Path
) -> None:
    page = open_page(size)
    open_night(page)
    page.get_by_label(words.NIGHT_FOLDER).fill(str(night_folder))
    page.keyboard.press("Enter")
    verdict = page.locator("#night-answer .pv-verdict")
    expect(verdict).to_contain_text(words.NIGHT_VERDICTS["leech-like"])
    expect(verdict).to_contain_text(CAUTION)
    expect(page.locator("#night-answer")).to_contain_text(HOSTILE_NAME)
    expect(page.locator(".pv-crops img")).to_have_count(2)
    assert sideways_px(page) == 0
    page.screenshot(path=tmp_path / "night.png", full_page=True)
    with page.expect_popup() as popup:
        page.get_by_role("link", name=words.NIGHT_REPORT_OPEN).click()
    expect(popup.value.locator("body")).to_contain_text("shelf-tuesday")
    with page.expect_download() as download:
        page.locator("#night-report-save").click()
    assert download.value.suggested_filename.endswith(".html")


def test_photos_can_be_handed_over_and_put_back(
    open_page: Callable[..., Page], night_folder: Path
) -> None:
    page = open_page(PHONE)
    open_night(page)
    photos = sorted(night_folder.iterdir())
    page.locator("#night-files input[type=file]").set_input_files(photos)
    expect(page.locator("#night-waiting")).to_contain_text("3 files")
    page.get_by_role("button", name=words.NIGHT_FORGET_BUTTON).click()
    expect(page.locator("#night-waiting")).to_contain_text(words.NIGHT_NONE_YET)
    page.locator("#night-files input[type=file]").set_input_files(photos[:2])
    expect(page.locator("#night-waiting")).to_contain_text("2 files")
    page.get_by_role("button", name=words.NIGHT_FILES_BUTTON).click()
    expect(page.locator("#night-answer .pv-verdict")).to_be_visible()
    expect(page.locator("#night-waiting")).to_contain_text(words.NIGHT_NONE_YET)


def test_a_file_that_is_no_photo_is_told_in_one_sentence_that_stays(
    open_page: Callable[..., Page], tmp_path: Path, photo_file: Path
) -> None:
    letter = tmp_path / "letter.jpg"
    letter.write_text("Dear snails, I am not a photo.")
    page = open_page(WIDE)
    page.locator("#close-up-file input[type=file]").set_input_files(letter)
    told = page.get_by_test_id("toast-body").or_(page.locator(".toast-body"))
    expect(told.first).to_contain_text(re.compile(r"letter\.jpg.*photo"))
    choose_photo(page, photo_file)
    check_photo(page)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_on_the_page(
    open_page: Callable[..., Page], photo_file: Path, night_folder: Path, scheme: str
) -> None:
    page = open_page(WIDE, color_scheme=scheme)
    serious = serious_violations(page)
    choose_photo(page, photo_file)
    check_photo(page)
    page.locator("#marking button").first.click()
    expect(page.locator("#judge-button")).to_be_visible()
    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")
    serious += serious_violations(page)
    open_night(page)
    page.get_by_label(words.NIGHT_FOLDER).fill(str(night_folder))
    page.keyboard.press("Enter")
    expect(page.locator("#night-answer .pv-verdict")).to_be_visible()
    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")
    serious += serious_violations(page)
    assert not serious, "\n".join(map(str, serious))


def serious_violations(page: Page) -> list[tuple[str, str]]:
    """Rule and element of everything that axe calls serious or critical, once nothing fades in any more."""
    page.wait_for_function(
        """document.getAnimations().every(one => one.playState !== 'running'
            || one.effect.getComputedTiming().endTime === Infinity)
          && [...document.querySelectorAll('.pending')].every(one =>
            !one.checkVisibility() || getComputedStyle(one).opacity === '1')"""
    )
    found = Axe().run(page).response["violations"]
    return [
        (rule["id"], f"{node['target']} {node['html'][:160]} {node['failureSummary'][:200]}")
        for rule in found
        if rule["impact"] in {"serious", "critical"}
        for node in rule["nodes"]
    ]
