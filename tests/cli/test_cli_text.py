"""Words of the answers: properties that hold for every text and every number."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_answers import checked, followed, found, judged, scanned
from made_trails import CUES

from pestvision.cli.answers import UsageError
from pestvision.cli.given import parsed_box, parsed_port
from pestvision.cli.text import box_text, check_text, night_text, percent, printable
from pestvision.findings.words import CUES_HEADING

any_text = st.text(st.characters(categories=None), max_size=60)  # lone surrogates included


def steers(text: str) -> list[str]:
    """Give the characters that a terminal would obey instead of showing, line breaks of ours aside."""
    return [
        char
        for char in text.replace("\n", "")
        if unicodedata.category(char) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    ]


@given(any_text)
def test_no_text_can_steer_a_terminal(text: str) -> None:
    shown = printable(text)
    assert steers(shown) == []
    assert "\n" not in shown
    shown.encode("utf-8")  # and every terminal that knows UTF-8 can take it
    assert printable(shown) == shown


@given(any_text.filter(bool))
def test_no_name_of_a_photo_or_a_folder_can_steer_a_terminal(name: str) -> None:
    assert steers(check_text(checked(name))) == []
    assert steers(night_text(scanned(name, view=name, notes=(name,)))) == []


@given(st.floats(0, 1))
def test_per_cent_is_right_to_half_a_point_and_certain_only_when_it_is(probability: float) -> None:
    text = percent(probability)
    if text.startswith(("under", "over")):
        assert 0 < probability < 0.01 or 0.99 < probability < 1
    else:
        assert abs(float(text.removesuffix(" %")) / 100 - probability) <= 0.005 + 1e-9
        assert text not in {"0 %", "100 %"} or probability in {0.0, 1.0}


edge = st.integers(0, 20_000)
length = st.integers(1, 20_000)


@given(edge, edge, length, length)
def test_a_box_that_is_printed_can_be_typed(x: int, y: int, width: int, height: int) -> None:
    box = (float(x), float(y), float(x + width), float(y + height))
    assert parsed_box(box_text(box), n_photos=1) == box


@given(any_text)
def test_any_text_for_a_box_or_a_port_is_taken_or_refused_with_advice(text: str) -> None:
    for read in (lambda: parsed_box(text, n_photos=1), lambda: parsed_port(text)):
        try:
            read()
        except UsageError as error:
            refusal = error
        else:
            continue
        assert text in str(refusal)
        assert refusal.advice
        assert refusal.exit_status == 2


@given(st.integers(1024, 65535))
def test_every_port_open_to_programs_is_taken(port: int) -> None:
    assert parsed_port(str(port)) == port


@pytest.mark.parametrize("n_photos", [0, 2, 30])
def test_a_box_needs_exactly_one_photo(n_photos: int) -> None:
    with pytest.raises(UsageError, match=str(n_photos)):
        parsed_box("1,2,3,4", n_photos=n_photos)


def test_each_clue_is_told_apart_and_none_is_made_up() -> None:
    joined = judged(cues=CUES)
    alone = checked(verdict=joined, findings=(found(1, joined),))
    beside = checked(findings=(found(1, joined),))
    night = scanned(tracks=(followed(1, joined, [("a.jpg", (1.0, 2.0, 30.0, 40.0))]),))
    for text in (check_text(alone), check_text(beside), night_text(night)):
        for cue in CUES:
            assert text.count(cue.sentence()) == 1
    assert CUES_HEADING not in check_text(checked())
