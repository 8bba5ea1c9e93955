"""A scale on the page: what is clicked and typed becomes one, or one sentence that says why not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import cv2
import gradio as gr
import numpy as np
import pytest
from PIL import Image

from pestvision.errors import ScaleError
from pestvision.findings.sizes import SCALE_NAMES
from pestvision.size.card import PAPERS_MM, card_png
from pestvision.size.card_outline import PRIVACY_WARNING
from pestvision.size.records import (
    CARD_OUTLINE,
    COIN,
    DUCKWEED,
    MARKER_CARD,
    RULER,
    TWO_POINTS,
    NoScale,
)
from pestvision.size.refraction import ScaleAt
from pestvision.size.round_thing import RoundThing
from pestvision.web import scales, size_words
from pestvision.web.numbers import number_of, text_of
from pestvision.web.pages.scale import marks_of
from pestvision.web.scale_marks import draw_ends, draw_rounds, draw_scale
from pestvision.web.scales import ScaleDesk, Told, clicked_end, ends_of, texts_of_ends, typed_ends
from pestvision.web.shown import Measuring, Shown, box_of_edges, edges_of_texts

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.web.handlers import Desk

GROUND = np.full((600, 900, 3), 120, np.uint8)
COIN_LIKE = RoundThing((450.0, 300.0), (100.0, 98.0), 0.3, 0.95, 0.9, 0.2, (1200, 1800))
ENDS = ("10", "50", "60", "50")


@pytest.fixture
def shown(tmp_path: Path) -> Shown:
    path = tmp_path / "glass.jpg"
    path.touch()
    return Shown(path, "glass.jpg", 1200, 1800, GROUND)


@pytest.fixture
def scale_desk() -> ScaleDesk:
    return ScaleDesk(lambda _shown: np.full((1200, 1800, 3), 120, np.uint8))


def told(**changes: Any) -> Told:
    return Told(**({"ends": ENDS, "distance": "50"} | changes))


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("", None),
        ("  ", None),
        (None, None),
        ("0", 0.0),
        ("12,5", 12.5),
        (" 7 mm", 7.0),
        ("3 %", 3.0),
    ],
)
def test_an_empty_field_is_never_read_as_nought(text: str | None, number: float | None) -> None:
    assert number_of(text) == number


def test_what_is_no_number_is_told_from_what_is_empty() -> None:
    read = number_of("about ten")
    assert read is not None
    assert np.isnan(read)


def test_a_field_without_a_number_stays_empty() -> None:
    assert (text_of(None), text_of(0.0), text_of(12.5)) == ("", "0", "12.5")


def test_an_edge_that_was_left_empty_is_missing_and_not_at_the_left() -> None:
    edges = edges_of_texts(["", "10", "20", "30"])
    assert edges == (None, 10.0, 20.0, 30.0)
    with pytest.raises(Exception, match="No place is marked"):
        box_of_edges(edges, height=100, width=100)


def test_two_clicks_set_both_ends_and_a_third_begins_anew(shown: Shown) -> None:
    one = clicked_end(shown, 90, 300)
    assert one.measuring.ends_px == ((180.0, 600.0),)
    assert scales.ends_words(one, TWO_POINTS) == size_words.END_A_SET
    two = clicked_end(one, 540, 300)
    assert texts_of_ends(two) == ("10", "50", "60", "50")
    assert scales.ends_words(two, TWO_POINTS) == size_words.ENDS_SET
    assert clicked_end(two, 1, 1).measuring.ends_px == ((2.0, 2.0),)


def test_typed_ends_are_drawn_as_soon_as_they_make_sense(shown: Shown) -> None:
    assert typed_ends(shown, ("10", "", "", "")).measuring.ends_px == ()
    assert typed_ends(shown, ("10", "50", "x", "50")).measuring.ends_px == ((180.0, 600.0),)
    both = typed_ends(shown, ENDS)
    assert both.measuring.ends_px == ((180.0, 600.0), (1080.0, 600.0))
    assert np.any(both.drawn() != shown.drawn())


def test_two_points_and_their_distance_make_a_scale(shown: Shown, scale_desk: ScaleDesk) -> None:
    after, html = scale_desk.take(shown, told())
    scale = after.measuring.scale
    assert scale is not None
    assert scale.mm_per_px((900, 600)) == pytest.approx(50 / 900)
    assert "18 pixels long" in html
    assert SCALE_NAMES[TWO_POINTS] in html
    assert all(note in html for note in scale.notes)
    assert np.any(after.drawn() != shown.drawn())


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"distance": ""}, "distance between the two points is missing"),
        ({"distance": "ten"}, "“ten” in the field “Distance"),
        ({"distance": "0"}, "given as 0 mm"),  # typed, and refused as such
        ({"ends": ("10", "", "60", "50")}, "not both marked"),
        ({"ends": ("10", "50", "160", "50")}, "outside the photo"),
        ({"ends": ("10", "50", "10.1", "50")}, "pixels apart"),
        ({"way": None}, "not said what lies there"),
        ({"way": COIN}, "which round thing"),
        ({"at": ScaleAt.OUTER_GLASS, "camera": "near"}, "“near” in the field “From the lens"),
        ({"at": ScaleAt.OUTER_GLASS, "depth": "-4"}, "given as -4 mm"),
    ],
)
def test_what_makes_no_scale_gets_one_sentence(
    shown: Shown, scale_desk: ScaleDesk, changes: dict[str, Any], said: str
) -> None:
    with pytest.raises(gr.Error, match=said) as caught:
        scale_desk.take(shown, told(**changes))
    assert isinstance(caught.value.__cause__, ScaleError)


def test_without_a_photo_no_scale_can_be_taken(scale_desk: ScaleDesk) -> None:
    with pytest.raises(gr.Error, match="Choose a photo first"):
        scale_desk.take(None, told())


def test_a_coin_is_a_scale_once_the_person_says_which_and_where(
    shown: Shown, scale_desk: ScaleDesk
) -> None:
    found = replace(shown, measuring=Measuring(rounds=(COIN_LIKE,)))
    with pytest.raises(gr.Error, match="which coin"):
        scale_desk.take(found, told(way=COIN, number="1"))
    after, html = scale_desk.take(found, told(way=COIN, number="1", coin="euro-1"))
    scale = after.measuring.scale
    assert scale is not None
    assert scale.mm_per_px((450, 300)) == pytest.approx(23.25 / 200, rel=0.03)
    assert "1 euro" in html


def test_a_round_thing_seen_at_a_slant_gives_no_scale_and_says_why(
    shown: Shown, scale_desk: ScaleDesk
) -> None:
    steep = RoundThing((450.0, 300.0), (100.0, 75.0), 0.3, 0.95, 0.9, 0.2, (1200, 1800))
    found = replace(shown, measuring=Measuring(rounds=(steep,)))
    after, html = scale_desk.take(found, told(way=COIN, number="1", coin="euro-1"))
    assert after.measuring.scale is None
    assert size_words.NO_SCALE_TAKEN in html
    assert "slant" in html


def test_the_round_things_found_are_numbered_for_the_person_to_choose(
    shown: Shown, scale_desk: ScaleDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scales, "find_coins", lambda _rgb: (COIN_LIKE, COIN_LIKE))
    after, said = scale_desk.find_rounds(shown)
    assert said.startswith("2 round things are outlined")
    numbers = marks_of(after, COIN)[5]
    assert [value for _name, value in numbers.choices] == ["1", "2"]
    assert numbers.visible
    assert np.any(after.drawn() != shown.drawn())


def test_a_photo_without_round_things_says_what_would_do(
    shown: Shown, scale_desk: ScaleDesk
) -> None:
    after, said = scale_desk.find_rounds(shown)
    assert after.measuring.rounds == ()
    assert said == size_words.NO_ROUNDS


def test_a_leaf_of_duckweed_is_called_rough_and_gives_no_pixels(
    shown: Shown, scale_desk: ScaleDesk
) -> None:
    after, html = scale_desk.take(shown, told(way=DUCKWEED, distance=""))
    assert after.measuring.scale is not None
    assert after.measuring.scale.is_rough
    assert size_words.ROUGH in html
    assert "pixels long" not in html


def test_a_photo_without_the_card_says_so_and_keeps_the_page_as_it_is(
    shown: Shown, scale_desk: ScaleDesk
) -> None:
    after, html = scale_desk.take(shown, told(way=MARKER_CARD, ends=("",) * 4, distance=""))
    assert after.measuring.scale is None
    assert size_words.NO_SCALE_TAKEN in html


def test_a_scale_on_the_glass_makes_lengths_longer_or_their_range_wider(
    shown: Shown, scale_desk: ScaleDesk
) -> None:
    def taken(**changes: Any) -> Any:
        return scale_desk.take(shown, told(**changes))[0].measuring.scale

    beside, before = taken(), taken(at=ScaleAt.OUTER_GLASS)
    known = taken(at=ScaleAt.OUTER_GLASS, camera="200", pane="6", depth="50")
    assert before.too_small_by[1] > 1.3 > beside.too_small_by[1] == 1.0
    assert any("too small" in note for note in before.notes)
    assert known.length_mm(np.array([[0.0, 0.0], [180.0, 0.0]])) > beside.length_mm(
        np.array([[0.0, 0.0], [180.0, 0.0]])
    )


def test_the_scale_can_be_removed(shown: Shown, scale_desk: ScaleDesk) -> None:
    after, _html = scale_desk.take(shown, told())
    bare = scales.dropped(after)
    assert bare.measuring.scale is None
    assert not np.any(bare.drawn() != shown.drawn())


def test_ends_outside_are_refused_even_when_they_are_no_numbers(shown: Shown) -> None:
    with pytest.raises(ScaleError, match="no number"):
        ends_of(shown, ("inf", "50", "60", "50"))


def test_each_mark_is_drawn_where_it_lies_and_nowhere_else() -> None:
    def where(picture: np.ndarray) -> np.ndarray:
        return np.any(picture != GROUND, axis=2)

    ends = where(draw_ends(GROUND, ((100.0, 500.0), (300.0, 500.0)), scale=1.0))
    assert ends[498:503, 120:280].any(axis=0).all()
    assert not ends[:400].any()
    ring = where(draw_rounds(GROUND, (COIN_LIKE,), scale=1.0))
    assert ring[300, 545:555].any()
    assert not ring[295:305, 400:500].any()
    line = where(draw_scale(GROUND, np.array([[200.0, 900.0], [600.0, 900.0]]), scale=0.5))
    assert line[448:453, 110:290].any(axis=0).all()
    assert not where(draw_scale(GROUND, np.zeros((0, 2)), scale=1.0)).any()


def card_photo(folder: Path) -> Path:
    """The printed card on a table, 8 pixels a millimetre."""
    flat = folder / "card.png"
    flat.write_bytes(card_png("a4"))
    wide, _high = PAPERS_MM["a4"]
    with Image.open(flat) as card:
        small = card.convert("RGB")
        small = small.resize((round(8 * wide), round(8 * wide * card.height / card.width)))
    small.crop((0, 0, small.width, min(small.height, 1300))).save(
        folder / "with card.jpg", quality=92
    )
    return folder / "with card.jpg"


def test_the_printed_card_is_found_by_itself_when_a_photo_is_checked(
    desk: Desk, tmp_path: Path
) -> None:
    shown = desk.take_photo("tab", str(card_photo(tmp_path)))
    after, html = desk.check(shown)
    scale = after.measuring.scale
    assert scale is not None
    assert scale.kind == MARKER_CARD
    assert scale.mm_per_px((shown.width / 2, shown.height / 2)) == pytest.approx(1 / 8, rel=0.03)
    assert "mm long" in html
    assert SCALE_NAMES[MARKER_CARD] in html
    assert html.count(scale.notes[0]) == 1  # once, and not with every animal
    bar = ScaleDesk(desk.full).take(shown, Told(way=MARKER_CARD, bar="97"))[0].measuring.scale
    assert bar is not None
    assert bar.mm_per_px((600, 400)) == pytest.approx(0.97 * scale.mm_per_px((600, 400)), rel=0.01)


def test_what_one_mark_of_a_ruler_is_can_be_said_or_left_to_be_read(
    shown: Shown, scale_desk: ScaleDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[float | None] = []

    def find(_rgb: object, *, tick_mm: float | None) -> NoScale:
        asked.append(tick_mm)
        return NoScale("No row of even ticks was found.")

    monkeypatch.setattr(scales, "find_ruler", find)
    for tick in ("", "0,5"):
        _after, html = scale_desk.take(shown, Told(way=RULER, tick=tick))
        assert "No row of even ticks" in html
    assert asked == [None, 0.5]


def test_a_card_of_bank_card_size_comes_with_the_warning_about_its_number(
    shown: Shown,
) -> None:
    table = np.full((1200, 1800, 3), 60, np.uint8)
    cv2.rectangle(table, (500, 300), (500 + 856, 300 + 540), (235, 235, 230), -1)
    for x in (500, 1356):
        for y in (300, 840):  # a card's corners are round
            cx, cy = (x + 32 if x == 500 else x - 32), (y + 32 if y == 300 else y - 32)
            left, top = min(x, cx), min(y, cy)
            table[top : top + 33, left : left + 33] = 60
            cv2.circle(table, (cx, cy), 32, (235, 235, 230), -1)
    after, html = ScaleDesk(lambda _shown: table).take(shown, Told(way=CARD_OUTLINE))
    assert after.measuring.scale is not None
    assert after.measuring.scale.mm_per_px((900, 600)) == pytest.approx(0.1, rel=0.02)
    assert PRIVACY_WARNING in html
