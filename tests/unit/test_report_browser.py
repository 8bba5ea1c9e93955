"""The report in a real browser: phone and desk, light and dark, and what axe says of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from test_report_files import WRITTEN, full_night

from pestvision.report.write import write_report

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def address(tmp_path: Path) -> str:
    return write_report(full_night(), tmp_path / "night", written=WRITTEN).html.as_uri()


def opened(browser: Browser, address: str, *, width: int, scheme: str) -> Page:
    """Open the report; the policy that forbids scripts is lifted so that axe can look at it."""
    context = browser.new_context(
        viewport={"width": width, "height": 844},
        color_scheme=scheme,  # type: ignore[arg-type]
        bypass_csp=True,
    )
    page = context.new_page()
    page.goto(address)
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_axe_finds_nothing_and_nothing_runs_over_the_edge(
    browser: Browser, address: str, width: int, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = opened(browser, address, width=width, scheme=scheme)
    violations = Axe().run(page).response["violations"]
    assert [(item["id"], item["impact"]) for item in violations] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.context.close()


def test_the_words_of_an_outline_can_be_read_on_a_phone(browser: Browser, address: str) -> None:
    """At least 12 CSS pixels high (common practice, no source)."""
    page = opened(browser, address, width=390, scheme="light")
    heights = page.eval_on_selector_all(
        "svg.photo text", "found => found.map(one => one.getBoundingClientRect().height)"
    )
    assert len(heights) == 4
    assert min(heights) >= 12
    page.context.close()


def test_what_is_folded_away_is_printed(browser: Browser, address: str) -> None:
    page = opened(browser, address, width=1280, scheme="light")
    folded = page.get_by_text("Look them over: an animal may be among them.")
    assert not folded.is_visible()
    page.emulate_media(media="print")
    assert folded.is_visible()
    page.context.close()


def test_the_report_asks_for_nothing_but_itself(browser: Browser, address: str) -> None:
    asked: list[str] = []
    page = browser.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address)
    assert [url for url in asked if not url.startswith("data:")] == [address]
    page.close()


@pytest.mark.parametrize("name", ["amber_front", "Slate from the left, by the heater", "a" * 30])
def test_the_overview_fits_on_a_phone(browser: Browser, tmp_path: Path, name: str) -> None:
    night = full_night()
    named = replace(night, views=tuple(replace(view, view=name) for view in night.views[:1]))
    report = write_report(named, tmp_path / "night", written=WRITTEN).html
    page = opened(browser, report.as_uri(), width=390, scheme="light")
    assert page.eval_on_selector(".overview", "one => one.tBodies[0].rows[0].cells.length") == 6
    over = page.eval_on_selector(".scroll", "one => one.scrollWidth - one.clientWidth")
    assert over == 0
    page.context.close()


@pytest.mark.parametrize("width", [390, 1280])
def test_no_words_of_a_time_line_lie_on_others_or_on_a_bar(
    browser: Browser, address: str, width: int
) -> None:
    page = opened(browser, address, width=width, scheme="light")
    per_line = page.eval_on_selector_all(
        ".time svg",
        """found => found.map(svg => [...svg.querySelectorAll('text, .bar')].map(one => {
          const box = one.getBoundingClientRect();
          return [one.tagName, box.left, box.top, box.right, box.bottom];
        }))""",
    )
    assert per_line
    spare_px = 1.0  # a box about letters is higher than they are
    for boxes in per_line:
        for at, (_, left, top, right, bottom) in enumerate(boxes):
            for kind, x0, y0, x1, y1 in boxes[at + 1 :]:
                apart = x0 >= right or left >= x1 or y0 >= bottom - spare_px or top >= y1 - spare_px
                assert apart, (kind, boxes[at], (x0, y0, x1, y1))
    page.context.close()
