"""Lengths put to findings, carried from photo to photo of a night, and told in JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from made_answers import checked

from pestvision.findings import sizes
from pestvision.findings.follow import PairLooks
from pestvision.findings.sizes import (
    NO_SCALE_HERE,
    ViewScale,
    body_in_crop,
    scale_words,
    scales_by_photo,
    size_over_photos,
    sized,
)
from pestvision.organisms.crops import cut_crop
from pestvision.size.outline import NoOutline, outline_in
from pestvision.size.records import TWO_POINTS, BodyLine, Scale

if TYPE_CHECKING:
    from pestvision.findings.finding import Finding

SCALE = Scale(TWO_POINTS, np.diag([0.1, 0.1, 1.0]), 0.03, np.zeros((2, 2)))


def line_of(length_px: float) -> BodyLine:
    points = np.column_stack([np.linspace(0, length_px, 11), np.full(11, 5.0)])
    return BodyLine(points, length_px, 0.04)


def finding(label: str = "leech-like") -> Finding:
    return checked("a.jpg", label).findings[0]


def test_what_is_no_organism_is_not_measured(monkeypatch):
    def never(*_given):
        raise AssertionError("an outline was looked for")

    monkeypatch.setattr(sizes, "find_outline", never)
    thing = finding("not-an-organism")
    assert sized([thing], np.zeros((480, 640, 3), np.uint8), SCALE) == (thing,)


def test_a_finding_without_outline_says_why_and_has_no_length(monkeypatch):
    monkeypatch.setattr(sizes, "find_outline", lambda *_given: NoOutline("It is blurred."))
    (found,) = sized([finding()], np.zeros((480, 640, 3), np.uint8), SCALE)
    assert found.size_words == ("Its length is not known. It is blurred.",)
    told = found.as_json()
    assert told["length_mm"] is None
    assert told["length_mm_low"] is None
    assert told["length_mm_high"] is None


def test_a_body_in_a_crop_lies_where_it_lies_on_the_photo(monkeypatch):
    monkeypatch.setattr(sizes, "find_outline", outline_in)  # by colour, which a plain bar needs
    rgb = np.full((480, 640, 3), (170, 180, 160), np.uint8)
    rgb[210:230, 250:350] = (50, 40, 35)
    box = (250.0, 210.0, 350.0, 230.0)
    body = body_in_crop(cut_crop(rgb, box), box, photo_shape=(480, 640))
    assert body is not None
    assert body.length_px == pytest.approx(100, rel=0.1)
    middle = body.midline_xy_px[len(body.midline_xy_px) // 2]
    assert middle == pytest.approx((300, 220), abs=6)


def test_a_rough_body_is_seen_and_gives_no_length(monkeypatch):
    def unsure(rgb, box):
        return NoOutline("It is blurred.", rough=outline_in(rgb, box))

    rgb = np.full((480, 640, 3), (170, 180, 160), np.uint8)
    rgb[210:230, 250:350] = (50, 40, 35)
    box = (250.0, 210.0, 350.0, 230.0)
    monkeypatch.setattr(sizes, "find_outline", outline_in)
    plain = body_in_crop(cut_crop(rgb, box), box, photo_shape=(480, 640))
    monkeypatch.setattr(sizes, "find_outline", unsure)
    body = body_in_crop(cut_crop(rgb, box), box, photo_shape=(480, 640))
    assert plain is not None
    assert body is not None
    assert (plain.is_rough, body.is_rough) == (False, True)
    assert np.array_equal(body.widths_px, plain.widths_px)
    assert body.widths_px.max() == pytest.approx(20, rel=0.2)
    size = size_over_photos([("a", body)], {"a": SCALE}, group="leech-like")
    assert size is not None
    assert size.length is None
    both = size_over_photos(
        [("a", body), ("b", plain)], {"a": SCALE, "b": SCALE}, group="leech-like"
    )
    alone = size_over_photos([("b", plain)], {"b": SCALE}, group="leech-like")
    assert both == alone


def test_a_scale_goes_from_photo_to_photo_as_far_as_they_could_be_laid_on_each_other():
    shift = np.array([[1, 0, 7], [0, 1, 0], [0, 0, 1]], np.float32)
    pairs = [
        PairLooks("a", "b", reason="", matrix=shift, movers=()),
        PairLooks("b", "c", reason="It is dark.", matrix=None, movers=()),
    ]
    scales = scales_by_photo(["a", "b", "c"], pairs, ViewScale("a", SCALE))
    assert set(scales) == {"a", "b"}
    assert scales["b"].length_mm(np.array([[0.0, 0.0], [10.0, 0.0]])) == pytest.approx(1.0)
    assert scales_by_photo(["a"], [], None) == {}


def test_the_middle_of_several_lengths_is_told_with_the_least_and_the_greatest():
    scales = dict.fromkeys("abc", SCALE)
    bodies = [("a", line_of(80.0)), ("b", line_of(120.0)), ("c", line_of(100.0))]
    size = size_over_photos(bodies, scales, group="leech-like")
    assert size is not None
    assert size.length is not None
    assert size.length.mm == pytest.approx(10.0)
    assert "Over 3 photos its length was read as 8.0 to 12.0 mm" in size.words[1]


def test_photos_that_the_scale_does_not_reach_say_so():
    elsewhere = size_over_photos([("z", line_of(80.0))], {"a": SCALE}, group="leech-like")
    assert elsewhere is not None
    assert elsewhere.words == (NO_SCALE_HERE,)
    assert size_over_photos([("a", line_of(80.0))], {}, group="leech-like") is None


def test_a_photo_says_how_small_an_animal_may_be_and_be_seen():
    words = scale_words(SCALE, (480, 640), least_px=20)
    assert "two points" in words[0]
    assert "2" in words[-1]
    assert "mm" in words[-1]
