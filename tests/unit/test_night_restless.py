"""A stretch is looked over as a whole: what flickers at one place counts less than what passes by."""

from __future__ import annotations

import dataclasses
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest
from played_night import PaintedClassifier, Script, player, walk

from pestvision.findings import crew as crew_module
from pestvision.report.tables import night_lines

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import NightResult
    from pestvision.motion.align import AlignedPair
    from pestvision.motion.blobs import PairChange

DOUBTFUL = (
    0.06  # false ones expected: under what is asked for, 0.1 a pair, and three times it is above
)


class Doubtful(Script):
    """A night in which the program is not sure of anything."""

    expected = DOUBTFUL

    def judge_pair(self, pair: AlignedPair, **others: object) -> PairChange:
        change = super().judge_pair(pair, **others)
        return dataclasses.replace(change, expected_false=(self.expected,) * len(change.blobs))


class Plain(Doubtful):
    expected = 0.001


def flicker(n_photos: int) -> dict[int, BoxXyxy]:
    """A thing at one place, 4 px to and fro."""
    return {k: (100.0 + 4 * (k % 2), 180.0, 130.0 + 4 * (k % 2), 200.0) for k in range(n_photos)}


def night(n_photos: int, of: type[Script] = Doubtful, **changes: Any) -> Script:
    return of(n_photos=n_photos, animals={1: ("leech", flicker(n_photos))}, **changes)


@pytest.fixture
def play(monkeypatch: pytest.MonkeyPatch) -> Callable[..., NightResult]:
    monkeypatch.setattr(crew_module, "_classifier_here", PaintedClassifier)
    return player(monkeypatch)


def n_moved(result: NightResult) -> list[int]:
    return [len(pair.moved) for pair in result.views[0].pairs]


def test_what_flickers_at_one_place_is_left_out_where_it_is_doubtful_and_kept_where_it_is_plain(
    play,
) -> None:
    assert n_moved(play(night(9))) == [0] * 8
    assert n_moved(play(night(9, Plain))) == [1] * 8


def test_what_passes_by_is_found_though_doubtful(play) -> None:
    passing = Doubtful(n_photos=9, animals={1: ("leech", walk(0, 9))})
    assert n_moved(play(passing)) == [1] * 8


@pytest.mark.parametrize("n_photos", [2, 3, 4])
def test_with_few_photos_each_pair_speaks_for_itself(play, n_photos: int) -> None:
    assert n_moved(play(night(n_photos))) == [1] * (n_photos - 1)


def test_bad_photos_and_a_pair_not_aligned_inside_do_no_harm(play) -> None:
    assert n_moved(play(night(9, undecodable={4, 5}))) == [0] * 6
    found = n_moved(play(night(9, unaligned={4})))
    assert found[4] == 0
    assert found[0] == found[3] == 0  # two others are left on that side of it
    assert found[5:] == [1, 1, 1]  # too few


def test_an_executor_and_a_resumed_scan_say_the_same(play, tmp_path: Path) -> None:
    here = night_lines(play(night(14), night(9, Plain, name="right")))
    with ThreadPoolExecutor(2) as executor:
        there = night_lines(play(night(14), night(9, Plain, name="right"), executor=executor))
    assert there == here
    keep = {"keep_in": tmp_path / "kept"}
    play(night(14), night(9, Plain, name="right"), **keep)
    assert night_lines(play(night(14), night(9, Plain, name="right"), resume=True, **keep)) == here


def test_crops_are_cut_while_the_photos_are_in_hand_and_no_photo_is_kept(play) -> None:
    script = night(9, Plain)
    play(script)
    assert script.most_alive == 2
