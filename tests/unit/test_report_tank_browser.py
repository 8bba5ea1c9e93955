"""The report of a tank in a real browser: on a phone, at a desk, in the dark and on paper."""

from __future__ import annotations

import io
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from pypdf import PdfReader

from pestvision.guidance.guidance import cards_for
from pestvision.report.inspection import inspection_html
from pestvision.report.tank_page import page_of
from pestvision.report.tank_report import tank_report_html
from pestvision.tanks.quarantine import Hold, HoldReason, InspectionRecord, RecordedLook
from pestvision.tanks.standing import standings
from tests.large_log import END, large_log
from tests.made_log import START
from tests.made_tank_page import DAY, LONG, longest_page, played_page

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SMALLEST_PX = 12.0  # common practice, no source
LETTERS = """
found => found.map(text => {
  const svg = text.ownerSVGElement;
  const size = parseFloat(getComputedStyle(text).fontSize);
  return size * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
})
"""


def opened(browser: Browser, html: str, *, width: int, scheme: str = "light") -> Page:
    """Open a page; the policy that forbids scripts is lifted so that axe can look at it."""
    context = browser.new_context(
        viewport={"width": width, "height": 844},
        color_scheme=scheme,  # type: ignore[arg-type]
        bypass_csp=True,
    )
    page = context.new_page()
    page.set_content(html)
    return page


def n_pages(browser: Browser, html: str, paper: str) -> int:
    page = opened(browser, html, width=1000)
    data = page.pdf(format=paper)
    page.context.close()
    return len(PdfReader(io.BytesIO(data)).pages)


def longest_record() -> InspectionRecord:
    looks = tuple(
        RecordedLook(START.date() + number * DAY, means, None if number % 3 else 15.5, number % 4)
        for number in range(730)
        for means in ("by bait trap", "by eye", "by photo")
    )
    return InspectionRecord(
        tank=("Wide name " * 10)[:60].strip(),
        lives=LONG,
        first=looks[0].day,
        last=looks[-1].day,
        looks=looks,
        last_sighting=looks[-1].day,
        n_taken=12345,
        holds=(Hold(HoldReason.SEEN, LONG, None),) * 9,
        says=LONG[:200],
    )


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("days", [4, 11, 730])
def test_a_report_prints_to_two_pages(
    browser: Browser, tmp_path: Path, days: int, paper: str
) -> None:
    page = played_page(tmp_path, days)
    html = tank_report_html(page, written=START + timedelta(days=days))
    assert n_pages(browser, html, paper) == 2


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_longest_report_prints_to_two_pages_too(browser: Browser, paper: str) -> None:
    html = tank_report_html(longest_page(), written=START)
    assert n_pages(browser, html, paper) == 2


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_longest_record_for_a_buyer_prints_to_one_page(browser: Browser, paper: str) -> None:
    html = inspection_html(longest_record(), written=START)
    assert n_pages(browser, html, paper) == 1


def test_every_tank_of_a_large_log_prints_to_two_pages(browser: Browser, tmp_path: Path) -> None:
    with large_log(tmp_path) as log:
        tanks, notes = log.tanks(), log.notes()
    too_long = {}
    for standing in standings(tanks, notes, now=END):
        shown = page_of(standing, notes=notes, now=END, cards=cards_for(standing="seen"))
        n = n_pages(browser, tank_report_html(shown, written=END), "Letter")
        if n > 2:
            too_long[standing.tank.name] = n
    assert (len(tanks), too_long) == (20, {})


def test_that_a_third_page_would_be_counted(browser: Browser) -> None:
    html = tank_report_html(longest_page(), written=START)
    longer = html.replace("</main>", f"<p>{LONG * 20}</p></main>")
    assert n_pages(browser, longer, "A4") > 2


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1000])
def test_axe_finds_nothing_and_nothing_runs_over_the_edge(
    browser: Browser, tmp_path: Path, width: int, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    pages = (
        tank_report_html(played_page(tmp_path, 11), written=START),
        inspection_html(longest_record(), written=START),
    )
    for html in pages:
        page = opened(browser, html, width=width, scheme=scheme)
        violations = Axe().run(page).response["violations"]
        assert [(item["id"], item["impact"]) for item in violations] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.context.close()


@pytest.mark.parametrize("width", [360, 700, 1000])
def test_the_words_in_every_picture_can_be_read(
    browser: Browser, tmp_path: Path, width: int
) -> None:
    html = tank_report_html(played_page(tmp_path, 11), written=START)
    page = opened(browser, html, width=width)
    sizes = page.eval_on_selector_all("svg text", LETTERS)
    assert len(sizes) > 40
    assert min(sizes) >= SMALLEST_PX
    page.context.close()


@pytest.mark.parametrize("width", [360, 1000])
@pytest.mark.parametrize("is_longest", [False, True])
def test_no_words_in_a_picture_run_over_its_edge(
    browser: Browser, tmp_path: Path, width: int, is_longest: bool
) -> None:
    shown = longest_page() if is_longest else played_page(tmp_path, 11)
    html = tank_report_html(shown, written=START)
    page = opened(browser, html, width=width)
    over = page.eval_on_selector_all(
        ".log-picture svg text",
        """found => found.filter(text => {
          const one = text.getBoundingClientRect(), all = text.ownerSVGElement.getBoundingClientRect();
          return one.left < all.left - 1 || one.right > all.right + 1 || one.bottom > all.bottom + 1;
        }).map(text => text.textContent)""",
    )
    assert over == []
    page.context.close()


def test_the_report_asks_for_nothing_but_itself(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "amber.html"
    path.write_text(tank_report_html(played_page(tmp_path, 11), written=START), encoding="utf-8")
    asked: list[str] = []
    page = browser.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    assert [url for url in asked if not url.startswith("data:")] == [path.as_uri()]
    page.close()
