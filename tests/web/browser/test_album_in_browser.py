"""The album in a real browser: taught by taps, labelled by keys and by thumbs, searched, and read by axe."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest
from played_teaching import fill
from playwright.sync_api import Page, expect
from test_page import (
    PHONE,
    WIDE,
    check_photo,
    choose_photo,
    open_page,  # noqa: F401 - a fixture
    pytestmark,  # noqa: F401 - of every test here too
    serious_violations,
    sideways_px,
    tab_to,
)

from pestvision.collection.library import Library
from pestvision.web import album_words

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture
def library(tmp_path: Path) -> Any:
    """The album that the page will open, with thirty drawn crops; four are labelled."""
    with Library(tmp_path / "album") as album:
        fill(album, tmp_path, 30, labels=("leech", "snail", "snail", "bubble"))
        yield album


def open_album(page: Page, area: str | None = None) -> None:
    page.get_by_role("tab", name=album_words.TAB_ALBUM).click()
    if area is not None:
        page.get_by_role("tab", name=area, exact=True).click()


def asked_number(page: Page) -> int:
    return int(page.locator("#review-picture .pv-asked").get_attribute("data-crop") or 0)


def answer_by(page: Page, act: Callable[[], Any]) -> int:
    """Answer, wait for the next picture, and give the number of the one that was answered."""
    before = asked_number(page)
    act()
    asked = page.locator("#review-picture .pv-asked")
    expect(asked).not_to_have_attribute("data-crop", str(before))
    return before


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_a_finding_is_taught_by_a_tap_and_taken_back(
    open_page: Callable[..., Page],  # noqa: F811
    photo_file: Path,
    tmp_path: Path,
    size: dict[str, int],
) -> None:
    page = open_page(size)
    expect(page.locator("#close-up-teach")).to_be_hidden()
    choose_photo(page, photo_file)
    check_photo(page)
    page.locator("#close-up-tank :is(input, textarea)").fill("Moss")
    row = page.locator("#close-up-lesson .pv-row").first
    button = row.get_by_role("button", name="Flatworm-like")
    box = button.bounding_box()
    assert box is not None
    assert box["height"] >= 44
    button.click()
    expect(row.get_by_role("status")).to_contain_text("Saved: 1 flatworm-like")
    expect(row.get_by_role("button", name="Flatworm-like")).to_be_focused()
    assert sideways_px(page) == 0
    row.get_by_role("combobox").select_option("leech")
    expect(row.get_by_role("status")).to_contain_text("Saved: 1 leech-like")
    with Library(tmp_path / "album") as album:
        assert [crop.tank for crop in album.every()] == ["Moss"]
        assert [crop.label for crop in album.every()] == ["leech"]
    row.get_by_role("button", name=album_words.TAKE_BACK).click()
    expect(row.get_by_role("status")).to_contain_text(album_words.TAKEN_BACK)
    page.reload()
    choose_photo(page, photo_file)
    check_photo(page)
    expect(page.locator("#close-up-tank :is(input, textarea)")).to_have_value("Moss")


def test_pictures_are_labelled_passed_over_and_taken_back_by_keys(
    open_page: Callable[..., Page],  # noqa: F811
    library: Library,
) -> None:
    page = open_page(WIDE)
    open_album(page)
    expect(page.locator("#answer-1")).to_be_visible()
    answered = {}
    for key, label in zip(
        "12345",
        ("leech-like", "flatworm-like", "harmless", "not-an-organism", "dont-know"),
        strict=True,
    ):
        answered[answer_by(page, lambda key=key: page.keyboard.press(key))] = label
        expect(page.locator("#review-said")).to_contain_text("Saved")
    assert len(answered) == 5
    for number, label in answered.items():
        assert library.crop(number).label == label
    skipped = answer_by(page, lambda: page.keyboard.press("s"))
    assert library.crop(skipped).label is None
    skipped = answer_by(page, lambda: page.keyboard.press("ArrowRight"))
    answer_by(page, lambda: page.keyboard.press("Backspace"))
    assert asked_number(page) == skipped
    answer_by(page, lambda: page.keyboard.press("0"))
    answer_by(page, lambda: page.keyboard.press("0"))
    last = list(answered)[-1]
    assert asked_number(page) == last
    assert library.crop(last).label is None


def test_keys_label_nothing_while_somebody_types_or_looks_elsewhere(
    open_page: Callable[..., Page],  # noqa: F811
    library: Library,
) -> None:
    page = open_page(WIDE)
    page.keyboard.press("1")
    open_album(page)
    expect(page.locator("#answer-1")).to_be_visible()
    page.locator("#album-about button").first.click()
    name = page.locator("#album-who textarea, #album-who input").first
    name.click()
    page.keyboard.type("Ida 12345")
    expect(name).to_have_value("keeperIda 12345")
    page.keyboard.press("Backspace")
    page.locator("#review-facts select").focus()
    page.keyboard.press("2")
    open_album(page, album_words.AREA_FIND)
    expect(page.locator("#album-grid .pv-tile").first).to_be_visible()
    page.keyboard.press("3")
    page.keyboard.press("Control+1")
    assert library.counts().n_unlabelled == 26


def test_on_a_phone_the_picture_and_its_buttons_are_seen_together_and_large(
    open_page: Callable[..., Page],  # noqa: F811
    library: Library,
    tmp_path: Path,
) -> None:
    page = open_page(PHONE)
    open_album(page)
    expect(page.locator("#answer-back")).to_be_in_viewport()
    expect(page.locator("#review-picture img")).to_be_in_viewport(ratio=0.95)
    for number in range(1, 6):
        box = page.locator(f"#answer-{number}").bounding_box()
        assert box is not None
        assert box["height"] >= 44
        assert box["width"] >= 150
    page.screenshot(path=tmp_path / "label.png")
    answered = answer_by(page, page.locator("#answer-3").tap)
    assert library.crop(answered).label == "harmless"
    expect(page.locator("#answer-back")).to_be_in_viewport()
    answer_by(page, page.locator("#answer-back").tap)
    assert asked_number(page) == answered
    assert library.crop(answered).label is None
    assert sideways_px(page) == 0


def test_pictures_are_found_opened_relabelled_deleted_and_brought_back(
    open_page: Callable[..., Page],  # noqa: F811
    library: Library,
) -> None:
    page = open_page(WIDE)
    open_album(page, album_words.AREA_FIND)
    tiles = page.locator("#album-grid .pv-tile")
    expect(tiles).to_have_count(24)
    page.locator("#album-grid").get_by_role("button", name=album_words.FIND_NEXT).click()
    expect(tiles).to_have_count(6)
    page.locator("#find-text input, #find-text textarea").first.fill("0002")
    page.keyboard.press("Enter")
    expect(tiles).to_have_count(1)
    tiles.first.click()
    opened = page.locator("#album-opened .pv-opened")
    expect(opened).to_contain_text("snail (keeper)")
    expect(opened).to_be_focused()
    opened.get_by_role("button", name="Leech-like").click()
    expect(opened.get_by_role("heading", level=3)).to_contain_text("leech-like")
    expect(tiles.first).to_contain_text("leech-like")
    opened.get_by_role("button", name=album_words.DELETE).click()
    expect(page.locator("#album-opened")).to_contain_text("is deleted")
    expect(page.locator("#album-grid")).to_contain_text(album_words.FOUND_NONE)
    assert library.counts().n_crops == 29
    page.locator("#album-actions").get_by_role("button", name=re.compile("Undo")).first.click()
    expect(page.locator("#album-actions")).to_contain_text("brought back")
    expect(tiles).to_have_count(1)
    assert library.crop(2).label == "leech-like"


def test_the_album_is_labelled_with_tab_and_enter_alone(
    open_page: Callable[..., Page],  # noqa: F811
    library: Library,
) -> None:
    page = open_page(WIDE)
    open_album(page)
    expect(page.locator("#answer-1")).to_be_visible()
    tab_to(page, "#answer-4")
    answered = answer_by(page, lambda: page.keyboard.press("Enter"))
    assert library.crop(answered).label == "not-an-organism"
    expect(page.locator("#answer-4")).to_be_focused()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_the_album(
    open_page: Callable[..., Page],  # noqa: F811
    library: Library,
    photo_file: Path,
    scheme: str,
) -> None:
    assert library.counts().n_crops == 30
    page = open_page(WIDE, color_scheme=scheme)
    choose_photo(page, photo_file)
    check_photo(page)
    page.locator("#close-up-lesson button").first.click()
    expect(page.locator("#close-up-lesson .pv-back")).to_be_visible()
    serious = serious_violations(page)
    open_album(page)
    expect(page.locator("#answer-1")).to_be_visible()
    page.locator("#album-about button").first.click()
    serious += serious_violations(page)
    open_album(page, album_words.AREA_ADD)
    page.locator("#album-files input[type=file]").set_input_files(photo_file)
    expect(page.locator("#album-added")).to_contain_text("album")
    expect(page.locator("#album-files button.upload-container")).to_be_visible()
    serious += serious_violations(page)
    open_album(page, album_words.AREA_FIND)
    page.locator("#album-grid .pv-tile").first.click()
    expect(page.locator("#album-opened .pv-opened")).to_be_visible()
    serious += serious_violations(page)
    open_album(page, album_words.AREA_ADAPT)
    page.locator("#adapt-button").click()
    expect(page.locator("#adapt-outcome .pv-outcome")).to_be_focused()
    serious += serious_violations(page)
    assert not serious, "\n".join(map(str, serious))


def test_a_net_is_taught_and_given_up_again(
    open_page: Callable[..., Page],  # noqa: F811
    library: Library,
) -> None:
    assert library.counts().n_crops == 30
    page = open_page(PHONE)
    open_album(page, album_words.AREA_ADAPT)
    page.locator("#adapt-button").click()
    expect(page.locator("#adapt-outcome")).to_contain_text("Version 1 is in use")
    assert sideways_px(page) == 0
    back = page.locator("#adapt-versions").get_by_role("button", name=album_words.USE_SHIPPED)
    back.click()
    expect(page.locator("#adapt-versions")).to_contain_text(album_words.SHIPPED_USED)
    page.locator("#adapt-versions").get_by_role("button", name=album_words.USE_THIS).click()
    expect(back).to_be_visible()
