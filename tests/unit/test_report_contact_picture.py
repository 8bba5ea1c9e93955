"""The picture of contacts: what is drawn, that it is safe, and that it can be read on a phone without colour."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from pestvision.report.contact_picture import WIDTH, contact_svg
from pestvision.report.fitted_words import fitted, shortened, wide, wrapped, xml_safe
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SVG = "{http://www.w3.org/2000/svg}"
START = datetime(2026, 3, 1, 21, tzinfo=UTC)
TODAY = date(2026, 3, 20)


def at(day: float) -> datetime:
    return START + timedelta(days=day)


def seen(tank: str, day: float) -> Note:
    return Note(tank, at(day), Kind.LOOKED, pest=Pest.LEECH, seen=2, means=Means.EYE)


def clean(tank: str, day: float) -> Note:
    return Note(tank, at(day), Kind.LOOKED, pest=Pest.LEECH, seen=0, means=Means.EYE)


def moved(out_of: str, into: str, day: float, cargo: Cargo = Cargo.PLANTS) -> Note:
    return Note(out_of, at(day), Kind.MOVED, cargo=cargo, other=into)


def story() -> list[Note]:
    return [
        moved("Thistle", "Amber", -7, Cargo.ANIMALS),
        seen("Amber", 0),
        moved("Amber", "Moss", 2),
        moved("Moss", "Slate", 3, Cargo.TOOLS),
        clean("Moss", 4),
        moved("Amber", "Fern", 5, Cargo.WATER),
        clean("Pearl", 5),
    ]


def chain(n_tanks: int) -> list[Note]:
    """From the first tank with leeches on, each gives something to the next."""
    names = [f"Tank {number}" for number in range(n_tanks)]
    cargo = list(Cargo)
    return [
        seen(names[0], 0),
        *(moved(names[i], names[i + 1], 1 + i / 2, cargo[i % 7]) for i in range(n_tanks - 1)),
    ]


def star(n_tanks: int) -> list[Note]:
    names = [f"Tank {number}" for number in range(n_tanks)]
    return [
        seen(names[0], 0),
        *(moved(names[0], name, 1 + day / 2) for day, name in enumerate(names[1:])),
    ]


def parsed(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314 - our own picture


def words(svg: str) -> list[str]:
    return [text.text or "" for text in parsed(svg).iter(f"{SVG}text")]


def boxes(svg: str) -> dict[str, list[ET.Element]]:
    """Give the outlines of every tank by its whole name."""
    found = {}
    for group in parsed(svg).iter(f"{SVG}g"):
        title = group.find(f"{SVG}title")
        assert title is not None
        found[title.text or ""] = group.findall(f"{SVG}rect")
    return found


def test_each_standing_has_its_outline_and_its_word() -> None:
    svg = contact_svg(story(), today=TODAY)
    outlines = boxes(svg)
    assert {tank: len(rects) for tank, rects in outlines.items()} == {
        "Thistle": 1,
        "Amber": 2,  # doubled: leeches were seen
        "Moss": 1,
        "Slate": 1,
        "Fern": 1,
        "Pearl": 1,
    }
    dashes = {tank: rects[0].get("stroke-dasharray") for tank, rects in outlines.items()}
    assert dashes["Moss"] == dashes["Slate"] == dashes["Fern"] == "7 4"
    assert dashes["Thistle"] == "0.1 5"
    assert dashes["Amber"] is dashes["Pearl"] is None
    said = words(svg)
    for line in (
        "seen 1 Mar",
        "exposed since 3 Mar, high risk",
        "exposed since 4 Mar, low risk",
        "exposed since 6 Mar, middle risk",
        "may be where they came from",
        "gave animals to Amber, 22 Feb",
        "last looked at 5 Mar",
        "no look noted yet",
        "No contact known:",
    ):
        assert line in said, line


def test_arrows_are_numbered_in_time_and_tell_their_day() -> None:
    svg = contact_svg(story(), today=TODAY)
    said = words(svg)
    numbered = {said[i]: said[i + 1] for i in range(len(said)) if said[i].isdigit()}
    assert numbered == {
        "1": "22 Feb: animals from Thistle",
        "2": "3 Mar: plants from Amber",
        "3": "4 Mar: tools from Moss",
        "4": "6 Mar: water from Amber",
    }
    arrows = [path for path in parsed(svg).findall(f"{SVG}path") if path.get("stroke")]
    assert len(arrows) == 4 + 3  # and one of each in the key
    assert {path.get("stroke-dasharray") for path in arrows} == {None, "2 3"}


def test_a_tank_stands_below_and_right_of_the_one_it_got_something_from() -> None:
    outlines = boxes(contact_svg(story(), today=TODAY))

    def place(tank: str) -> tuple[float, float]:
        return float(outlines[tank][0].get("x", 0)), float(outlines[tank][0].get("y", 0))

    for above, below in (
        ("Thistle", "Amber"),
        ("Amber", "Moss"),
        ("Moss", "Slate"),
        ("Amber", "Fern"),
    ):
        assert place(above)[0] < place(below)[0]
        assert place(above)[1] < place(below)[1]
    assert place("Moss")[0] == place("Fern")[0]


def test_a_tank_with_leeches_says_how_they_may_have_come() -> None:
    wild = Note("Amber", at(-9), Kind.ADDED, cargo=Cargo.WILD, source="a pond")
    assert "likely way in: wild finds from outside, 20 Feb" in words(
        contact_svg([wild, seen("Amber", 0)], today=TODAY)
    )
    assert "way in: the log does not say" in words(contact_svg([seen("Amber", 0)], today=TODAY))
    emptied = [
        seen("Amber", 0),
        Note("Amber", at(3), Kind.EMPTIED),
        seen("Amber", 8),
    ]
    said = " ".join(words(contact_svg(emptied, today=TODAY)))
    assert "likely way in: left over when emptied, 4 Mar" in said
    assert "emptied 4 Mar" in said


def test_two_tanks_with_leeches_hang_together_by_the_likely_way() -> None:
    svg = contact_svg([seen("Amber", 0), moved("Amber", "Moss", -3), seen("Moss", 5)], today=TODAY)
    assert "26 Feb: plants from Amber" in words(svg)
    both = [
        seen("Amber", 0),
        seen("Moss", 0),
        moved("Amber", "Moss", -3),
        moved("Moss", "Amber", -3),
    ]
    assert (
        len(boxes(contact_svg(both, today=TODAY))) == 2
    )  # each below the other: one of them is let go


def test_what_came_from_a_tank_emptied_since_is_told_in_words() -> None:
    notes = [seen("Amber", 0), moved("Amber", "Moss", 1), Note("Amber", at(2), Kind.EMPTIED)]
    svg = contact_svg(notes, today=TODAY)
    assert "2 Mar: plants from Amber, emptied since" in words(svg)
    assert "emptied 3 Mar" in words(svg)
    assert len(boxes(svg)["Amber"]) == 1  # no longer doubled


def test_what_only_the_tool_saw_is_said_to_be_so() -> None:
    photo = replace(seen("Amber", 0), means=Means.PHOTO, judge=Judge.TOOL)
    assert "seen 1 Mar, by the tool only" in words(contact_svg([photo], today=TODAY))
    assert "seen 1 Mar" in words(contact_svg([photo, seen("Amber", 1)], today=TODAY))


def test_another_year_is_named() -> None:
    said = words(contact_svg(story(), today=date(2027, 1, 5)))
    assert "seen 1 Mar 2026" in said
    assert "What touched what, up to 5 Jan 2027" in said


def test_notes_after_today_are_not_drawn() -> None:
    assert "Slate" not in boxes(contact_svg(story(), today=date(2026, 3, 3)))


def test_no_tank_and_no_leech_are_said_in_words() -> None:
    assert "No tank is in the log yet." in words(contact_svg([], today=TODAY))
    svg = contact_svg([clean("Amber", 0)], today=TODAY, tanks=["Moss"])
    assert "No leech is noted in any tank, so none is exposed." in " ".join(words(svg))
    assert set(boxes(svg)) == {"Amber", "Moss"}


def test_it_is_told_to_those_who_hear_it() -> None:
    root = parsed(contact_svg(story(), today=TODAY, anchor="one"))
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "one-title one-desc"
    title, desc = root[0], root[1]
    assert (title.tag, title.get("id"), title.text) == (
        f"{SVG}title",
        "one-title",
        "Which tank got what from which",
    )
    assert desc.get("id") == "one-desc"
    assert "Slate: 4 Mar: tools from Moss; exposed since 4 Mar, low risk; no look noted yet." in (
        desc.text or ""
    )
    assert (desc.text or "").endswith("No contact known: Pearl.")


def test_it_knows_no_colour_of_its_own_and_loads_nothing() -> None:
    svg = contact_svg(story(), today=TODAY)
    assert set(re.findall(r' (?:fill|stroke)="([^"]*)"', svg)) == {"currentColor", "none"}
    assert not re.search(
        r"#[0-9a-f]{3}|rgb|url\(|href|<script|<style|<image|@import", svg, re.IGNORECASE
    )
    assert re.findall(r"https?://[^\"]*", svg) == ["http://www.w3.org/2000/svg"]


WICKED = [
    "<script>alert('x')</script>",
    '"><b>&amp;',
    "bell\x07 and null\x00",
    "a lone \ud800 surrogate",
    "שלום עולם",
    "水槽" * 29,
    "W" * 60,
    "e\u0301" * 30,
    "x",
]


@pytest.mark.parametrize("name", WICKED)
def test_a_wicked_name_is_escaped_and_fits(name: str) -> None:
    notes = [seen(name, 0), moved(name, "Moss", 1), moved("Moss", "Slate", 2)]
    svg = contact_svg(notes, today=TODAY)
    svg.encode("utf-8")
    tags = {element.tag.removeprefix(SVG) for element in parsed(svg).iter()}
    assert tags == {"svg", "title", "desc", "g", "rect", "text", "path", "circle"}
    assert len(boxes(svg)) == 3


@pytest.mark.parametrize("n_tanks", [1, 2, 8, 20])
@pytest.mark.parametrize("shape", [chain, star])
def test_words_are_12_px_high_and_stay_in_the_picture(n_tanks: int, shape: object) -> None:
    notes = shape(n_tanks)  # type: ignore[operator]
    svg = contact_svg(notes, today=TODAY)
    assert len(boxes(svg)) == n_tanks
    root = parsed(svg)
    _, _, width, height = map(float, root.get("viewBox", "").split())
    assert width == WIDTH == 360
    for text in root.iter(f"{SVG}text"):
        size, x, y = (float(text.get(name, 0)) for name in ("font-size", "x", "y"))
        assert size >= 12
        end = x if text.get("text-anchor") else x + wide(text.text or "", size)
        assert end <= width
        assert y <= height
    for rect in root.iter(f"{SVG}rect"):
        assert float(rect.get("x", 0)) + float(rect.get("width", 0)) <= width - 8
        assert float(rect.get("y", 0)) + float(rect.get("height", 0)) <= height


def test_no_two_boxes_lie_over_one_another() -> None:
    for notes in (chain(20), star(20), story()):
        outer = [rects[0] for rects in boxes(contact_svg(notes, today=TODAY)).values()]
        spans = sorted(
            (float(rect.get("y", 0)), float(rect.get("height", 0)), float(rect.get("x", 0)))
            for rect in outer
        )
        for (y, height, _), (below, _, x) in itertools.pairwise(spans):
            assert y + height <= below or x > WIDTH / 2  # two to a row where nothing links them


def test_the_order_of_notes_does_not_matter() -> None:
    assert contact_svg(story()[::-1], today=TODAY) == contact_svg(story(), today=TODAY)


# --- words that fit ---


def test_words_are_shortened_without_cutting_an_accent_off_its_letter() -> None:
    assert fitted("Amber", 100, 10) == "Amber"
    short = fitted("Amber under the window", 60, 10)
    assert short.endswith("…")
    assert wide(short, 10) <= 60
    assert shortened("abcdefgh", 5) == "abcd…"
    assert shortened("abc e\u0301x", 6) == "abc…"
    assert shortened("abcd\U0001f469\u200d\U0001f4bb xyz", 7) == "abcd\U0001f469…"


def test_words_are_broken_between_words_and_none_is_lost() -> None:
    lines = wrapped("the quick snail goes over the stone", 80, 10)
    assert len(lines) > 2
    assert " ".join(lines) == "the quick snail goes over the stone"
    assert all(wide(line, 10) <= 80 for line in lines)
    assert wrapped("", 80, 10) == []


def test_what_xml_does_not_allow_is_replaced() -> None:
    assert xml_safe("a\x00b<\ud800") == "a�b&lt;�"


# --- in a real browser ---


def shown(browser: Browser, svg: str, *, width: int, scheme: str) -> Page:
    context = browser.new_context(
        viewport={"width": width, "height": 800},
        color_scheme=scheme,  # type: ignore[arg-type]
    )
    page = context.new_page()
    page.set_content(
        "<!doctype html><html lang='en'><title>Contacts</title><style>:root{color-scheme:light dark}"
        f"body{{margin:0}}</style><main><h1>Contacts</h1>{svg}</main></html>"
    )
    return page


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1000])
def test_a_browser_shows_all_words_within_the_picture_and_axe_finds_nothing(
    browser: Browser, width: int, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    notes = [*chain(14), *(moved("Tank 3", f"Shelf {name}", 9) for name in "WMQ")]
    page = shown(browser, contact_svg(notes, today=TODAY), width=width, scheme=scheme)
    box = page.locator("svg").bounding_box()
    assert box is not None
    assert box["width"] == (360 if width == 360 else 504)
    scale = box["width"] / WIDTH
    ends = page.eval_on_selector_all(
        "svg text", "all => all.map(t => t.getBoundingClientRect().right)"
    )
    assert len(ends) > 50
    assert max(ends) <= box["x"] + box["width"]
    sizes = page.eval_on_selector_all(
        "svg text", "all => all.map(t => parseFloat(getComputedStyle(t).fontSize))"
    )
    assert min(sizes) * scale >= 12
    colours = page.eval_on_selector_all("svg text", "all => all.map(t => getComputedStyle(t).fill)")
    assert set(colours) == {"rgb(0, 0, 0)" if scheme == "light" else "rgb(255, 255, 255)"}
    violations = Axe().run(page).response["violations"]
    assert [(item["id"], item["impact"]) for item in violations] == []
    page.context.close()
