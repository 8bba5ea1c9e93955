"""A clip and a scale in a real browser: dropped, clicked, typed by keyboard, on a phone, read by axe."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from made_trails import clip_check
from playwright.sync_api import Page, expect
from test_page import (
    PHONE,
    WIDE,
    about,
    choose_photo,
    open_page,  # noqa: F401 - a fixture
    pytestmark,  # noqa: F401 - of every test here too
    serious_violations,
    sideways_px,
    tab_to,
)

from pestvision.findings.sizes import SCALE_NAMES
from pestvision.findings.words import CAUTION, CAUTION_BRIEF
from pestvision.size.card_outline import PRIVACY_WARNING
from pestvision.web import handlers, size_words, words

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest


def test_a_clip_goes_from_the_file_to_the_curves(
    open_page: Callable[..., Page],  # noqa: F811
    clip_file: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[dict[str, Any]] = []

    def check(path: Path, _classifier: object, **options: Any) -> Any:
        asked.append(options)
        return clip_check(path.name)

    monkeypatch.setattr(handlers, "check_clip", check)
    page = open_page(PHONE)
    expect(page.locator("#after-irritant")).to_be_hidden()
    choose_photo(page, clip_file)
    page.get_by_label(size_words.AFTER_IRRITANT).check()
    expect(page.get_by_label(size_words.ON_A_STAND)).not_to_be_checked()
    page.get_by_role("button", name=size_words.CHECK_CLIP_BUTTON).click()
    verdict = page.locator("#close-up-answer .pv-verdict")
    expect(verdict).to_contain_text(size_words.CLIP_VERDICTS["leech-like"])
    expect(verdict).to_be_focused()
    assert asked[0]["after_irritant"] is True
    assert asked[0]["on_a_stand"] is False
    expect(verdict.get_by_text(CAUTION)).to_be_visible()
    expect(page.locator(".pv-finding")).to_have_count(1)
    further = page.locator(".pv-finding summary").first
    expect(further).to_contain_text("flatworm-like")
    expect(further.get_by_text(CAUTION_BRIEF)).to_be_visible()
    curve = page.get_by_role("img", name="Length of number 2 over time, in pixels")
    expect(curve).to_be_hidden()
    answer_px = page.locator("#close-up-answer").bounding_box()
    assert answer_px is not None
    assert (
        answer_px["height"] < 2.5 * PHONE["height"]
    )  # all that stands open, two animals and their ways
    for summary in (further, page.locator(".pv-finding summary", has_text=size_words.HOW_IT_MOVED)):
        summary.focus()
        page.keyboard.press("Enter")
    expect(curve).to_be_visible()
    assert sideways_px(page) == 0
    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")
    page.screenshot(path=tmp_path / "clip.png", full_page=True)
    assert not serious_violations(page)


def test_a_scale_is_clicked_or_typed_and_the_answer_has_a_length(
    open_page: Callable[..., Page],  # noqa: F811
    photo_file: Path,
    tmp_path: Path,
) -> None:
    page = open_page(WIDE)
    choose_photo(page, photo_file)
    tab_to(page, "#scale button")
    page.keyboard.press("Enter")
    end = page.get_by_label(size_words.CLICKS_END)
    expect(end).to_be_checked()
    picture = page.locator("#close-up-picture img")
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    assert box is not None
    for share, said in ((0.2, size_words.END_A_SET), (0.6, size_words.ENDS_SET)):
        picture.click(position={"x": share * box["width"], "y": 0.8 * box["height"]})
        expect(page.locator("#scale-ends-state")).to_contain_text(said)
    expect(page.locator("#scale-end-bx input")).to_have_value(about(60))
    expect(page.locator("#scale-distance input")).to_have_value("")
    expect(page.locator("#mark-state")).to_have_count(0)  # the other fold stays closed
    tab_to(page, "#scale-distance input")
    page.keyboard.type("50")
    tab_to(page, "#scale-take")
    page.keyboard.press("Enter")
    taken = SCALE_NAMES["two-points"]
    expect(page.locator("#scale-said")).to_contain_text(taken)
    expect(page.locator("#scale-said .pv-scale")).to_be_focused()
    page.get_by_role("button", name=words.CHECK_BUTTON).click()
    first = page.locator("#close-up-answer .pv-verdict")
    expect(first).to_contain_text("About 10 mm long")
    expect(page.locator("#close-up-answer")).to_contain_text(taken)
    for way in size_words.WAYS.values():
        page.get_by_label(way, exact=True).check()
    page.get_by_label(size_words.WAYS["card-outline"], exact=True).check()
    expect(page.locator("#scale-any-card")).to_contain_text(PRIVACY_WARNING)
    page.get_by_label(size_words.WHERES["outer-glass"]).check()
    expect(page.locator("#scale-camera")).to_be_visible()
    page.screenshot(path=tmp_path / "scale.png", full_page=True)
    assert not serious_violations(page)
