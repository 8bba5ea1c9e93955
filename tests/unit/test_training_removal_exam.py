"""The exam for how many are left: that its tanks are as they say, and that its bars hold on few runs."""

from __future__ import annotations

import numpy as np
import pytest

from training import removal_exam as exam

QUICK_SEED = 5_690_000  # neither tuned on nor published
QUICK_RUNS = 200


def kind_called(name: str, group: str = exam.CLOSED) -> exam.Kind:
    return next(kind for kind in exam.KINDS if (kind.group, kind.name) == (group, name))


def test_no_two_rows_have_one_name_and_every_row_is_of_a_known_kind() -> None:
    names = [(kind.group, kind.name) for kind in exam.KINDS]
    assert len(set(names)) == len(names)
    assert {kind.efforts for kind in exam.KINDS} == {"even", "written", "untimed", "wrong"}


@pytest.mark.parametrize("kind", exam.KINDS, ids=lambda kind: f"{kind.group}: {kind.name}")
def test_animals_are_either_taken_or_left(kind: exam.Kind) -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        nights, left = exam.make_nights(rng, kind)
        there = sum(night.taken for night in nights) + left
        assert len(nights) == kind.nights
        young = there - kind.there
        assert young == 0 if kind.hatch is None else exam.YOUNG[0] <= young <= exam.YOUNG[1]
        noted = [number for number, night in enumerate(nights) if night.brooding]
        assert bool(noted) == kind.is_brood_noted
        assert all(number < (kind.hatch or 0) for number in noted)
        efforts = {night.effort for night in nights}
        assert (len(efforts) > 1) == (kind.efforts == "written")
        assert all(night.is_timed for night in nights) == (kind.efforts != "untimed")


def test_the_same_seed_makes_the_same_tally() -> None:
    kind = kind_called("50 there, 5 nights, equal")
    first, second = (exam.examine(kind, runs=5, seed=3) for _ in range(2))
    assert exam.row(kind, first) == exam.row(kind, second)
    assert exam.row(kind, first) != exam.row(kind, exam.examine(kind, runs=5, seed=4))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "textbook"),
    [("equal", (0.70, 0.88)), ("Beta(3, 7)", (0.38, 0.62)), ("Beta(.6, 1.4)", (0.0, 0.12))],
)
def test_the_default_range_holds_the_truth_and_carle_and_strub_s_does_not(
    name: str, textbook: tuple[float, float]
) -> None:
    # recomputed over 4000 runs of 50 animals and 5 nights: Carle and Strub cover 79.4, 49.8 and 4.4 %
    kind = kind_called(f"50 there, 5 nights, {name}")
    tally = exam.examine(kind, runs=QUICK_RUNS, seed=QUICK_SEED)
    assert tally.coverage >= 0.88  # .90 over all runs; less four in a hundred by chance of 200
    assert textbook[0] <= tally.textbook("Carle-Strub") <= textbook[1]
    assert tally.told <= 0.25


@pytest.mark.slow
@pytest.mark.parametrize(
    ("group", "name"),
    [
        (exam.BROOD, "noted by the keeper, 8 nights"),
        (exam.BROOD, "seen by nobody, 8 looks a week apart"),
        (exam.EFFORT, "written down, equal"),
        (exam.EFFORT, "not written down, equal"),
    ],
)
def test_what_was_written_down_makes_the_tool_warn_or_refuse(group: str, name: str) -> None:
    tally = exam.examine(kind_called(name, group), runs=QUICK_RUNS, seed=QUICK_SEED)
    assert tally.told >= 0.9


@pytest.mark.slow
def test_a_brood_that_nobody_saw_is_noticed_in_many_a_row_of_nights() -> None:
    kind = kind_called("seen by nobody, 14 nights", exam.BROOD)
    assert exam.examine(kind, runs=QUICK_RUNS, seed=QUICK_SEED).told >= 0.8
