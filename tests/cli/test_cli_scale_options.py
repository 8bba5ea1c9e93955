"""The options of `check` and `night` that say what a scale is taken from."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from made_answers import checked
from pretended import flat, sentences

from pestvision.cli.scale_options import WantedScale
from pestvision.findings.sizes import ViewScale
from pestvision.size.records import COIN, TWO_POINTS, NoScale, Scale
from pestvision.size.round_thing import RoundThing

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pretended import Stages
    from typer.testing import Result

    TypeIn = Callable[..., Result]

pytestmark = pytest.mark.usefixtures("stages")


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (["--two-points", "1,2,3"], "five numbers"),
        (["--two-points", "1,2,3,4,wide"], "five numbers"),
        (["--two-points", "-1,2,30,40,5"], "five numbers"),
        (["--bar-mm", "long"], "--bar-mm was given as 'long'"),
        (["--bar-mm", "0"], "--bar-mm was given as '0'"),
        (["--ruler", "inch"], "or auto"),
        (["--coin-number", "2"], "no coin was named"),
        (["--coin", "us-cent", "--coin-number", "none"], "--coin-number was given as 'none'"),
        (["--coin", "us-cent", "--scale-card"], "--scale-card and --coin were given"),
        (["--two-points", "1,2,90,4,5", "--ruler", "1"], "--two-points and --ruler were given"),
    ],
)
def test_an_option_that_cannot_be_read_is_told_before_any_work(
    stages: Stages, type_in: TypeIn, typed: list[str], told: str
) -> None:
    for command in ("check", "night"):
        result = type_in(command, "glass.jpg", *typed)
        assert result.exit_code == 2, result.output
        assert told in flat(result.stderr)
        assert len(sentences(result.stderr)) >= 1
    assert not stages.asked("check_photo")


def test_a_coin_that_is_not_known_is_told_with_those_that_are(type_in: TypeIn) -> None:
    result = type_in("check", "glass.jpg", "--coin", "doubloon")
    assert result.exit_code == 3
    assert "doubloon" in result.stderr
    assert "euro-1-cent" in result.stderr


def test_places_on_one_photo_are_not_taken_for_several(type_in: TypeIn) -> None:
    points = type_in("check", "a.jpg", "b.jpg", "--two-points", "10,10,110,10,20")
    number = type_in("check", "a.jpg", "b.jpg", "--coin", "us-cent", "--coin-number", "1")
    for result in (points, number):
        assert result.exit_code == 2
        assert "a single photo, and 2 were given" in flat(result.stderr)


def test_two_points_reach_the_check_as_a_scale(stages: Stages, type_in: TypeIn) -> None:
    result = type_in("check", "glass.jpg", "--two-points", "10,10,110,10,20")
    assert result.exit_code == 0, result.output
    (named,) = stages.asked("check_photo")
    scale = named["scale"]
    assert scale.kind == TWO_POINTS
    assert scale.mm_per_px((50.0, 10.0)) == pytest.approx(0.2)


def test_two_points_off_the_photo_are_told(type_in: TypeIn) -> None:
    result = type_in("check", "glass.jpg", "--two-points", "10,10,99999,10,20")
    assert result.exit_code == 2
    assert "off the photo" in flat(result.stderr)


def test_a_photo_without_the_card_is_checked_and_says_why_it_has_no_lengths(
    type_in: TypeIn,
) -> None:
    words = type_in("check", "glass.jpg", "--scale-card")
    assert words.exit_code == 0, words.output
    assert "No lengths are given. No marker card was found" in flat(words.stdout)
    told = type_in("check", "glass.jpg", "--bar-mm", "99", "--json")
    assert json.loads(told.stdout)["findings"]
    assert "glass.jpg: no lengths are given. No marker card was found" in flat(told.stderr)


def test_without_an_option_nothing_is_looked_for(stages: Stages, type_in: TypeIn) -> None:
    def never(*_given: Any, **_named: Any) -> Any:
        raise AssertionError("a scale was looked for")

    stages.put("pestvision.size.marker_card", "find_marker_card", never)
    assert type_in("check", "glass.jpg").exit_code == 0


def round_thing(at: tuple[float, float]) -> RoundThing:
    return RoundThing(at, (60.0, 59.0), 0.0, 0.9, 0.9, 0.2, (480, 640))


def test_several_round_things_are_listed_and_a_number_chooses(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rgb = np.zeros((480, 640, 3), np.uint8)
    things = (round_thing((100.0, 120.0)), round_thing((400.0, 300.0)))
    monkeypatch.setattr("pestvision.size.coin.find_coins", lambda _rgb, most: things[:most])
    unsure = WantedScale("--coin", coin="us-cent").on(rgb)
    assert isinstance(unsure, NoScale)
    assert "1 at 100,120, 120 pixels across; 2 at 400,300" in unsure.reason
    chosen = WantedScale("--coin", coin="us-cent", coin_number=2).on(rgb)
    assert isinstance(chosen, Scale)
    assert chosen.kind == COIN
    # A us-cent is 19.05 mm across (the US Mint's specifications); the face is taken a little nearer.
    assert chosen.mm_per_px((400.0, 300.0)) * 120 == pytest.approx(19.05, rel=0.03)
    beyond = WantedScale("--coin", coin="us-cent", coin_number=3).on(rgb)
    assert isinstance(beyond, NoScale)
    assert "2 found" in beyond.reason


def test_no_round_thing_is_a_reason_and_no_scale() -> None:
    found = WantedScale("--coin", coin="us-cent").on(np.full((200, 300, 3), 128, np.uint8))
    assert isinstance(found, NoScale)
    assert "No round thing" in found.reason


def test_a_night_takes_its_scale_from_the_photo_that_is_named(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    folder = tmp_path / "glass"
    folder.mkdir()
    two = ("--two-points", "10,10,110,10,20")
    assert type_in("night", folder, *two, "--scale-photo", "a.jpg").exit_code == 0
    assert type_in("night", folder, *two).exit_code == 0
    named, plain = stages.asked("scan_night")
    assert isinstance(named["scale"], ViewScale)
    assert named["scale"].photo == "a.jpg"
    assert isinstance(plain["scale"], Scale)


def test_a_night_asks_which_photo_shows_the_card(type_in: TypeIn, tmp_path: Path) -> None:
    which = type_in("night", tmp_path, "--scale-card")
    assert which.exit_code == 2
    assert "--scale-photo" in flat(which.stderr)
    nothing = type_in("night", tmp_path, "--scale-photo", "a.jpg")
    assert nothing.exit_code == 2
    assert "no scale was named" in flat(nothing.stderr)
    outside = type_in("night", tmp_path, "--scale-card", "--scale-photo", "../a.jpg")
    assert outside.exit_code == 3


def test_a_night_whose_photo_shows_no_card_goes_on_and_says_so(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    result = type_in("night", tmp_path, "--scale-card", "--scale-photo", "a.jpg")
    assert result.exit_code == 0, result.output
    assert "No lengths are given: on a.jpg no scale was found" in flat(result.stderr)
    (named,) = stages.asked("scan_night")
    assert named["scale"] is None


def test_a_length_is_told_in_words_and_in_json(stages: Stages, type_in: TypeIn) -> None:
    assert checked("a.jpg").as_json()["findings"][0]["length_mm"] is None
    stages.put("pestvision.findings.check", "check_photo", _with_length)
    typed = ("check", "a.jpg", "--two-points", "10,10,110,10,20")
    assert "About 12 mm long, 10 to 14 mm" in flat(type_in(*typed).stdout)
    found = json.loads(type_in(*typed, "--json").stdout)["findings"][0]
    assert (found["length_mm_low"], found["length_mm"], found["length_mm_high"]) == (10, 12, 14)


def _with_length(photo: Any, *_given: Any, **_named: Any) -> Any:
    from dataclasses import replace

    from pestvision.size.measure import length_words
    from pestvision.size.records import Length

    answer = checked(photo.name)
    length = Length(12.0, 10.0, 14.0)
    first = replace(answer.findings[0], length=length, size_words=(length_words(length),))
    return replace(answer, findings=(first, *answer.findings[1:]))
