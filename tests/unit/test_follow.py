"""Tracks as evidence: how looks are weighed, and what travel between photos seconds apart says."""

from __future__ import annotations

import itertools
from datetime import datetime, timedelta

import numpy as np
import pytest
from made_scores import sure_of, sure_of_fine

from pestvision.errors import ShapeError
from pestvision.findings.follow import Followed, Look, PairLooks, follow, judge_mover
from pestvision.findings.travel import (
    CREEP,
    SWIM,
    UNKNOWN,
    Travel,
    longest_seconds,
    travel_of,
)
from pestvision.motion.tracks import Mover
from pestvision.organisms.classes import CANT_TELL, Group
from pestvision.organisms.classify import Scores
from pestvision.organisms.weights import Rules
from pestvision.photos.exif import NO_TIME, TakenAt

RULES = Rules()
T0 = datetime(2026, 3, 3, 22, 0)  # noqa: DTZ001 - a camera's clock has no zone


def at(seconds: float, *, fine_clock: bool = True, offset_h: int | None = None) -> TakenAt:
    offset = None if offset_h is None else timedelta(hours=offset_h)
    return TakenAt(T0 + timedelta(seconds=seconds), offset, fine_clock, "exif")


def box(x: float, side: float = 40.0) -> tuple[float, float, float, float]:
    return (x - side / 2, 100.0, x + side / 2, 100.0 + side / 2)


def walked(fine: str, places: list[float], every_s: float, p: float = 0.97) -> Followed:
    """Follow one animal that is found on every photo, `every_s` seconds apart."""
    names = [f"{rank}.jpg" for rank in range(len(places))]
    pairs = []
    for rank, (one, other) in enumerate(itertools.pairwise(places)):
        mover = Mover(box(one), box(other), abs(other - one), 9.0)
        looks = [
            Look(names[rank + side], box(x), sure_of_fine(fine, p))
            for side, x in enumerate((one, other))
        ]
        crops = [np.zeros((8, 8, 3), np.uint8)] * 2
        item = judge_mover(mover, looks, crops, rules=RULES)
        pairs.append(
            PairLooks(names[rank], names[rank + 1], "", np.eye(3, dtype=np.float32), (item,))
        )
    taken = {name: at(rank * every_s) for rank, name in enumerate(names)}
    return follow(pairs, max_gap_photos=2, rules=RULES, taken=taken)


@pytest.mark.parametrize(
    ("every_s", "is_swimmer"),
    [(1.0, True), (3.0, True), (60.0, False), (900.0, False)],  # 160 px: 4 of its lengths
)
def test_a_fish_is_a_swimmer_between_photos_seconds_apart_only(
    every_s: float, is_swimmer: bool
) -> None:
    (track,) = walked("shrimp-or-fish", [100.0, 260.0, 420.0], every_s).tracks
    assert track.judgement.label == Group.HARMLESS
    assert any("swimmer" in reason for reason in track.judgement.reasons) == is_swimmer


def test_a_leech_that_goes_fast_stays_a_leech() -> None:
    (track,) = walked("leech", [100.0, 500.0, 900.0], 1.0).tracks  # ten lengths a second
    assert track.judgement.label == Group.LEECH_LIKE


def test_without_times_nothing_is_said_of_travel() -> None:
    with_times = walked("shrimp-or-fish", [100.0, 260.0], 1.0)
    pairs = [
        PairLooks("0.jpg", "1.jpg", "", np.eye(3, dtype=np.float32), ()),
    ]
    assert follow(pairs, max_gap_photos=2, rules=RULES).tracks == ()
    assert len(with_times.tracks) == 1


def test_a_small_blurred_look_cannot_outvote_a_clear_one() -> None:
    """One clear look at a leech, and three at which a speck is a snail."""
    clear = Look("0.jpg", box(100.0, 80.0), sure_of(Group.LEECH_LIKE))
    snail = sure_of(Group.HARMLESS, 0.9)
    dim = Scores(snail.p_fine, snail.p_groups, sharpness=0.012)
    specks = [Look(f"{k}.jpg", box(100.0, 20.0), dim) for k in (1, 2, 3)]
    mover = Mover(box(100.0), None, None, 9.0)
    crops = [np.zeros((8, 8, 3), np.uint8)] * 4
    told = judge_mover(mover, [clear, *specks], crops, rules=RULES).judgement
    assert told.label in {Group.LEECH_LIKE, CANT_TELL}
    assert told.likeliest == Group.LEECH_LIKE


def test_travel_is_the_distance_over_the_longest_length_and_the_longest_time() -> None:
    taken = {"a": at(0), "b": at(2), "c": at(4), "d": at(6)}
    steps = [("a", "b", 30.0), ("b", "c", 120.0), ("c", "d", 800.0), ("d", "e", 9e3)]
    travel = travel_of([*steps, ("a", "b", None)], length_px=40.0, taken=taken)
    # 30/40/2 = 0.375, 120/40/2 = 1.5, 800/40/2 = 10 lengths a second, worked out by hand
    assert travel == Travel(n_beyond_creep=2, n_beyond_swim=1, pace=10.0)
    assert travel_of([], length_px=40.0, taken={}) == UNKNOWN


def test_the_limits_stand_above_what_is_known_of_leeches_and_flatworms() -> None:
    # Steps a second of a crawling leech, and waves of a swimming one: Garcia-Perez et al. 2005,
    # J Neurosci 25:2597, table 1. Glide of a flatworm 0.1-0.3 lengths a second: from memory.
    # Longest over shortest length 2 to 3: from memory.
    assert CREEP > 0.24 * (1 - 1 / 3) * 3
    assert CREEP > 0.3 * 3
    assert SWIM >= 1.7 * 3


@pytest.mark.parametrize(
    ("first", "second", "seconds"),
    [
        (at(0), at(2.5), 2.5),
        (at(0, fine_clock=False), at(2), 3.0),  # whole seconds: up to one more
        (at(0), at(3600, offset_h=1), 3600.0),  # one offset alone says nothing
        (at(0, offset_h=1), at(3600, offset_h=2), None),  # the same moment
        (at(0, offset_h=1), at(3605, offset_h=2), 5.0),
        (at(5), at(0), None),
        (NO_TIME, at(0), None),
        (None, at(0), None),
        (at(0), TakenAt(T0 + timedelta(seconds=2), None, False, "file-name"), None),
    ],
)
def test_the_time_between_photos_is_never_taken_too_short(
    first: TakenAt | None, second: TakenAt, seconds: float | None
) -> None:
    assert longest_seconds(first, second) == seconds


def test_counts_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ShapeError, match="travel"):
        Travel(n_beyond_creep=1, n_beyond_swim=2, pace=9.0)
