"""What catches and clean looks say of those left: values, edges, and wrong input."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pestvision.errors import ShapeError
from pestvision.tanks.catchability import Beliefs, beliefs_of, least_there


def usual(*catches: int, **more: object) -> Beliefs:
    return beliefs_of(catches, [1.0] * len(catches), **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "catches",
    [(1,), (0, 1), (12, 7, 3, 1, 0), (5, 7, 8), (20, 10, 6, 3, 2), (38, 26, 12), (50, 0, 0)],
)
def test_the_sum_over_numbers_is_the_negative_binomial_of_the_closed_form(
    catches: tuple[int, ...],
) -> None:
    # with a prior of 1/N the number left, given the hazards, is negative binomial; the weight of the
    # hazards is the chance of the nights of those caught, given that they were caught
    efforts = np.ones(len(catches))
    beliefs = beliefs_of(catches, efforts)
    ends = np.concatenate([[0.0], np.cumsum(efforts)])
    unseen = (1 + ends[:, None] / beliefs.rate) ** -beliefs.shape
    of_night = (unseen[:-1] - unseen[1:]) / (1 - unseen[-1])
    counts = np.asarray(catches)[:, None]
    log_weight = (counts * np.log(of_night)).sum(axis=0)
    log_weight += (
        np.log(beliefs.chance * (1 - beliefs.chance)) - 1 / beliefs.shape / 2
    )  # the priors
    steps = sorted(set(np.round(beliefs.chance, 9)))
    edges = {steps[0], steps[-1]}
    shapes = {float(beliefs.shape.max()), float(beliefs.shape.min())}
    log_weight += np.log([0.5 if round(c, 9) in edges else 1.0 for c in beliefs.chance])
    log_weight += np.log([0.5 if float(s) in shapes else 1.0 for s in beliefs.shape])
    weight = np.exp(log_weight - log_weight.max())
    few = np.arange(40)
    expected = stats.nbinom.pmf(few[:, None], sum(catches), 1 - unseen[-1]) @ weight / weight.sum()
    assert beliefs.p_left[:40] / beliefs.p_left[0] == pytest.approx(
        expected / expected[0], rel=1e-6
    )
    # the bound on the number there takes little away
    assert beliefs.p_none_left == pytest.approx(expected[0], rel=0.05)


def test_probabilities_sum_to_one_and_numbers_rise() -> None:
    beliefs = usual(38, 26, 12)
    assert beliefs.p_left.sum() == pytest.approx(1.0)
    assert np.all(np.diff(beliefs.left) > 0)
    assert beliefs.first[0] == beliefs.last[0] == 0
    assert np.all(beliefs.first[1:] == beliefs.last[:-1] + 1)  # no number is left out


def test_looks_that_would_follow_are_the_same_as_looks_that_followed() -> None:
    ahead = usual(6, 3, 1).after([1.0] * 12)
    behind = usual(6, 3, 1, *[0] * 12)
    assert ahead.p_left == pytest.approx(behind.p_left, abs=1e-9)
    assert ahead.exposure == pytest.approx(behind.exposure)
    assert usual(6, 3, 1).none_left_after(12.0) == pytest.approx(ahead.p_none_left)


def test_a_night_without_finds_counts_by_its_effort_alone() -> None:
    split = beliefs_of([4, 0, 0, 0], [1.0, 0.5, 1.0, 0.5])
    whole = beliefs_of([4, 0], [1.0, 2.0])
    assert split.p_left == pytest.approx(whole.p_left, abs=1e-12)


def test_a_longer_look_that_finds_few_says_that_fewer_are_left() -> None:
    short = beliefs_of([10, 5, 2], [1.0, 1.0, 0.3])
    long = beliefs_of([10, 5, 2], [1.0, 1.0, 3.0])
    assert long.p_none_left > short.p_none_left
    assert long.quantile_left(0.5) < short.quantile_left(0.5)


def test_what_was_seen_and_let_be_is_still_there() -> None:
    beliefs = usual(3, 0, 0, seen=[3, 4, 0])
    assert least_there([3, 0, 0], [3, 4, 0]) == 7
    assert beliefs.quantile_left(0.0001) >= 4
    assert beliefs.p_none_left == 0.0
    assert usual(3, 4, 0, seen=[3, 4, 0]).p_none_left > 0.0


def test_the_likely_range_holds_its_share_and_is_the_shortest() -> None:
    for catches in [(38, 26, 12), (12, 7, 3, 1, 0), (1,), (5, 3, 1, 0, 0, 0, 0, 0, 0)]:
        beliefs = usual(*catches)
        low, high = beliefs.likely_left()
        within = (beliefs.first >= low) & (beliefs.last <= high)
        assert beliefs.p_left[within].sum() >= 0.95 - 1e-9
        assert high - low <= beliefs.quantile_left(0.975) - beliefs.quantile_left(0.025)
    assert usual(12, 7, 3, 1, 0).likely_left()[0] == 0


def test_one_that_was_let_be_and_taken_later_counts_once() -> None:
    assert least_there([0, 1], [1, 1]) == 1
    assert usual(0, 1, seen=[1, 1]).p_none_left > 0.0


def test_those_seen_and_never_taken_may_be_gone_where_the_caller_says_so() -> None:
    seen = [1, *[0] * 30]
    never = beliefs_of([0] * 31, [1.0] * 31, seen=seen)
    maybe = beliefs_of([0] * 31, [1.0] * 31, seen=seen, gone=0.1)
    at_once = beliefs_of([0], [1.0], seen=[1], gone=0.1)
    taken = beliefs_of([1, *[0] * 30], [1.0] * 31)
    assert never.p_none_left == 0.0
    assert at_once.p_none_left < 0.1 < maybe.p_none_left < taken.p_none_left
    # with nothing let be it makes no difference
    assert usual(6, 3, 1, gone=0.1).p_left == pytest.approx(usual(6, 3, 1).p_left)


def test_a_number_known_beside_the_nights_is_kept_to() -> None:
    assert usual(4, 2, 0, at_least=15).quantile_there(0.0001) >= 15
    assert usual(4, 2, 0, at_least=2).p_left == pytest.approx(usual(4, 2, 0).p_left)


def test_a_tank_in_which_none_was_ever_seen_starts_from_the_chance_given() -> None:
    looks = [1e-9]
    for presence in (0.0, 0.1, 0.5, 0.9, 1.0):
        beliefs = beliefs_of([0], looks, presence=presence)
        assert beliefs.p_none_left == pytest.approx(1 - presence, abs=1e-3)
    assert usual(0, 0, 0, presence=1.0).p_none_left == 0.0
    assert usual(0, 0, 0, presence=0.0).p_none_left == pytest.approx(1.0)
    few = usual(*[0] * 5, presence=0.3)
    many = usual(*[0] * 50, presence=0.3)
    assert 0.7 < few.p_none_left < many.p_none_left < 1.0


def test_more_unequal_animals_make_clean_looks_worth_less() -> None:
    # a common observation, and FACTS of the literature: see the module's own words
    even = usual(20, 14, 10, 7, 5).after([1.0] * 10)
    uneven = usual(20, 5, 3, 2, 2).after([1.0] * 10)
    hidden = (-np.log(1 - 0.3)) * 10
    assert np.exp(-hidden) < 0.03  # what equal ones at 30 % a look would leave unseen
    assert uneven.quantile_left(0.975) > 0
    assert even.exposure[0] == uneven.exposure[0] == 15.0


def test_detection_is_found_where_the_nights_tell_and_wide_where_they_do_not() -> None:
    told = usual(300, 210, 147, 103, 72).detection()  # 30 % of those left each night
    assert told.low < 0.3 < told.high
    assert told.high - told.low < 0.25
    untold = usual(0).detection()
    assert untold.low < 0.03
    assert untold.high > 0.9


def test_the_forecast_of_all_out_rises_to_one_and_starts_at_none_left() -> None:
    beliefs = usual(20, 10, 6, 3, 2)
    shares = [beliefs.all_out_after(effort) for effort in (0.0, 1.0, 5.0, 50.0, 5000.0)]
    assert shares[0] == pytest.approx(beliefs.p_none_left)
    assert shares == sorted(shares)
    # some settings of the grid let animals hide for ever: no forecast is ever certain
    assert 0.5 < shares[-1] < 1.0


def test_the_chance_to_see_one_falls_as_fewer_are_left() -> None:
    assert usual(5, 7, 8).chance_to_see_one() > 0.95
    assert usual(5, 3, 1, *[0] * 20).chance_to_see_one() < 0.1
    assert usual(5, 3, 1).chance_to_see_one(0.0) == pytest.approx(0.0)


def test_thousands_caught_are_weighed_without_overflow_and_the_truth_lies_within() -> None:
    # 5000 there, 30 % found a night: what is expected of equal ones
    beliefs = usual(1500, 1050, 735, 515, 360)
    assert np.isfinite(beliefs.joint).all()
    low, high = beliefs.quantile_there(0.025), beliefs.quantile_there(0.975)
    assert low <= 5000 <= high
    assert low > 4160
    assert high < 8000


def test_a_finer_grid_gives_the_same_for_thousands(monkeypatch: pytest.MonkeyPatch) -> None:
    from pestvision.tanks import hazards

    before = usual(1500, 1050, 735, 515, 360)
    monkeypatch.setattr(hazards, "CHANCE_STEPS", (40, 220))
    monkeypatch.setattr(hazards, "SPREAD_STEPS", (14, 44))
    after = usual(1500, 1050, 735, 515, 360)
    for share in (0.025, 0.5, 0.975):
        assert before.quantile_left(share) == pytest.approx(after.quantile_left(share), rel=0.03)


def test_the_grid_for_a_night_s_work_is_fine_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    from pestvision.tanks import hazards

    before = usual(20, 10, 6, 3, 2)
    monkeypatch.setattr(hazards, "CHANCE_STEPS", (300, 300))
    monkeypatch.setattr(hazards, "SPREAD_STEPS", (80, 80))
    after = usual(20, 10, 6, 3, 2)
    assert before.p_none_left == pytest.approx(after.p_none_left, rel=0.03)
    for share in (0.025, 0.5, 0.975):
        assert before.quantile_left(share) == pytest.approx(
            after.quantile_left(share), rel=0.03, abs=1
        )


@pytest.mark.parametrize(
    ("catches", "efforts", "more"),
    [
        ([], [], {}),
        ([1, 2], [1.0], {}),
        ([-1], [1.0], {}),
        ([1], [0.0], {}),
        ([1], [float("nan")], {}),
        ([2], [1.0], {"seen": [1]}),
        ([1], [1.0], {"presence": 1.1}),
        ([1], [1.0], {"gone": -0.1}),
    ],
)
def test_what_is_no_night_is_refused(
    catches: list[int], efforts: list[float], more: dict[str, float]
) -> None:
    with pytest.raises(ShapeError):
        beliefs_of(catches, efforts, **more)  # type: ignore[arg-type]


def test_looks_ahead_with_less_than_no_effort_are_refused() -> None:
    with pytest.raises(ShapeError):
        usual(1).after([-1.0])
