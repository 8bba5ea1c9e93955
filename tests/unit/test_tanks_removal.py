"""How many are left: what is answered, what is refused, what is doubted, and in which words."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from pestvision.settings import TankSettings
from pestvision.tanks.catchability import beliefs_of
from pestvision.tanks.records import Means, Night
from pestvision.tanks.removal import Doubt, HowMany, Refusal, Winning, how_many
from pestvision.tanks.removal_outlook import nights_to_go
from pestvision.tanks.removal_signs import decline_of, rise_of

START = date(2026, 3, 1)
USUAL = TankSettings()


def made_nights(
    catches: list[int],
    *,
    seen: list[int] | None = None,
    efforts: list[float] | None = None,
    apart: int = 1,
    brooding: int | None = None,
    is_timed: bool = True,
) -> list[Night]:
    return [
        Night(
            day=START + timedelta(days=apart * index),
            seen=(seen or catches)[index],
            taken=taken,
            effort=(efforts or [1.0] * len(catches))[index],
            is_timed=is_timed,
            brooding=index == brooding,
        )
        for index, taken in enumerate(catches)
    ]


def told(catches: list[int], **more: object) -> HowMany:
    return how_many(made_nights(catches, **more), settings=USUAL)  # type: ignore[arg-type]


def doubts(answer: HowMany) -> set[Doubt]:
    return {warned.doubt for warned in answer.warned}


# --- answers ------------------------------------------------------------------------------------------------


def test_a_night_s_work_of_fifty_pulled_is_answered() -> None:
    # about 50 leeches pulled from one tank in a day is a real night's work: common practice, no source
    answer = told([50, 24, 12, 6, 3])
    assert answer.refusal is None
    assert answer.caught == answer.at_least == 95
    assert answer.low is not None
    assert answer.best is not None
    assert answer.high is not None
    assert 95 <= answer.low <= answer.best <= answer.high < 200
    assert answer.left_high == answer.high - 95
    assert answer.is_winning is Winning.YES
    assert answer.sentence == (
        f"At least 95; likely {answer.low} to {answer.high} were there, so {answer.left_low} to "
        f"{answer.left_high} are left."
    )


def test_one_night_of_fifty_says_at_least_fifty_and_no_more() -> None:
    answer = told([50])
    assert answer.refusal is Refusal.TOO_FEW_NIGHTS
    assert answer.at_least == 50
    assert answer.low is answer.left_high is answer.p_none_left is answer.to_go is None
    assert answer.sentence.startswith("At least 50 were there. How many are left cannot be said:")
    assert "only one night" in answer.sentence
    assert answer.is_winning is Winning.UNKNOWN


def test_all_likely_out_is_said_as_that() -> None:
    answer = told([3, *[0] * 40])
    assert answer.sentence == "At least 3, and likely no more were there, so likely none is left."
    assert answer.to_go is not None
    assert answer.to_go.least == 0
    assert "95 % likely already" in answer.to_go.sentence
    assert "not a guarantee" in answer.to_go.sentence


def test_what_was_seen_and_let_be_is_counted_as_there() -> None:
    answer = told([9, 5, 2, 0], seen=[9, 5, 2, 3])
    assert answer.caught == 16
    assert answer.at_least == 19
    assert answer.low is not None
    assert answer.low >= 19
    assert answer.left_low is not None
    assert answer.left_low >= 3
    assert answer.p_none_left == 0.0
    assert any("3 were seen and not taken out" in remark for remark in answer.remarks)
    assert answer.to_go is not None
    assert answer.to_go.least is None
    assert "3 that were seen are still to be pulled" in answer.to_go.sentence


def test_clean_nights_before_the_first_find_are_left_out_and_that_is_said() -> None:
    answer = told([0, 0, 12, 5, 2, 0])
    assert any("2 clean nights before the first find are left out" in r for r in answer.remarks)
    assert answer.low == told([12, 5, 2, 0]).low
    assert answer.high == told([12, 5, 2, 0]).high


def test_the_order_in_which_nights_are_given_makes_no_difference() -> None:
    nights = made_nights([20, 10, 6, 3, 2], efforts=[1.0, 1.2, 0.9, 1.0, 1.1])
    assert how_many(nights, settings=USUAL) == how_many(nights[::-1], settings=USUAL)


def test_a_longer_look_that_finds_as_many_says_that_fewer_are_left() -> None:
    even = told([20, 10, 6, 5])
    longer = told([20, 10, 6, 5], efforts=[1.0, 1.0, 1.0, 1.9])
    assert even.high is not None
    assert longer.high is not None
    assert longer.high < even.high


def test_textbook_numbers_stand_beside_with_why_they_are_not_the_default() -> None:
    answer = told([38, 26, 12])
    methods = {estimate.method: estimate for estimate in answer.textbook}
    assert methods["Carle-Strub"].number == 91  # Carle and Strub 1978
    assert {"Zippin", "Moran", "Schnute", "Leslie", "DeLury"} <= set(methods)
    assert answer.why_not_textbook.startswith("They take all leeches for equally catchable.")
    assert answer.why.startswith("Some leeches are harder to find than others")
    assert answer.high is not None
    assert answer.high > 91


# --- refusals -----------------------------------------------------------------------------------------------


def test_nothing_seen_is_nothing_to_count() -> None:
    for nights in ([], made_nights([0, 0, 0])):
        answer = how_many(nights, settings=USUAL)
        assert answer.refusal is Refusal.NOTHING_SEEN
        assert answer.at_least == answer.caught == 0
        assert answer.sentence == answer.reason
        assert answer.textbook == ()


def test_seen_and_never_taken_says_what_was_seen() -> None:
    answer = told([0, 0, 0], seen=[3, 2, 2])
    assert answer.refusal is Refusal.NOTHING_TAKEN
    assert answer.at_least == 3
    assert "At least 3 were there" in answer.sentence


def test_catches_that_do_not_fall_are_refused_and_at_least_is_still_said() -> None:
    answer = told([5, 7, 8])  # Carle and Strub 1978: no maximum of the likelihood
    assert answer.refusal is Refusal.NO_DECLINE
    assert answer.at_least == 20
    assert answer.is_winning is Winning.NO
    assert answer.beliefs is None
    level = told([10, 10, 10, 10])
    assert level.refusal is Refusal.NO_DECLINE
    assert told([1, 1, 1]).is_winning is Winning.UNKNOWN  # three are too few to call it lost


def test_a_brooding_one_is_refused_with_its_day() -> None:
    answer = told([20, 10, 6, 3, 2], brooding=1)
    assert answer.refusal is Refusal.BROODING
    assert "2 March 2026" in answer.reason
    assert "8 weeks" in answer.reason
    assert answer.at_least == 41
    assert answer.is_winning is Winning.UNKNOWN
    assert answer.lately is None


def test_a_brooding_one_of_long_ago_is_only_refused_for_the_whole() -> None:
    answer = told([20, 10, 6, 4, 3, 2, 1, 1, 0, 0, 0, 0], apart=6, brooding=0)
    assert answer.refusal is Refusal.BROODING
    assert answer.lately is not None
    assert answer.lately.refusal is None
    assert answer.lately.at_least == 17


def test_finds_over_more_than_a_brooding_period_are_refused_and_the_last_weeks_counted() -> None:
    answer = told([10, 6, 3, 2, 1, 1, 1, 0, 1, 0, 0, 1], apart=7)
    assert answer.refusal is Refusal.TOO_LONG
    assert "1 March 2026 to 17 May 2026" in answer.reason
    assert answer.at_least == 26
    assert answer.is_winning is Winning.YES
    assert answer.lately is not None
    assert answer.lately.refusal is None
    assert answer.lately.at_least == 7
    # how long is a setting
    assert how_many(
        made_nights([10, 6, 3, 2, 1], apart=7), settings=TankSettings(brooding_weeks=3.0)
    ).refusal is (Refusal.TOO_LONG)


def test_clean_nights_after_the_last_find_do_not_make_the_span_too_long() -> None:
    answer = told([12, 5, 2, *[0] * 20], apart=7)
    assert answer.refusal is None
    assert Doubt.LONG_SPAN not in doubts(answer)


def test_finds_that_rise_again_are_refused_with_the_day_and_both_rates() -> None:
    answer = told([15, 8, 3, 1, 14, 9, 5])
    assert answer.refusal is Refusal.RISES
    assert answer.is_winning is Winning.NO
    assert "from the night of 5 March 2026 on" in answer.reason
    assert answer.at_least == 55


def test_a_rise_that_more_time_explains_is_none() -> None:
    finds = [15, 8, 4, 14, 7]
    assert rise_of(finds, [1.0] * 5) is not None
    assert rise_of(finds, [1.0, 1.0, 1.0, 4.0, 4.0]) is None


def test_two_nights_are_too_few_and_a_clean_third_is_enough() -> None:
    assert told([12, 5]).refusal is Refusal.TOO_FEW_NIGHTS
    assert told([12, 5, 0]).refusal is None


# --- doubts -------------------------------------------------------------------------------------------------


def test_an_unequal_first_night_is_said() -> None:
    # Schnute 1983: P .0296, so that 90.6 is not to be trusted
    answer = told([45, 11, 18, 8])
    first = next(warned for warned in answer.warned if warned.doubt is Doubt.FIRST_NIGHT)
    assert "P 0.030" in first.says
    assert "a larger share" in first.says
    assert "the textbook numbers are not to be trusted" in first.says
    assert first.is_of_textbook
    assert Doubt.FIRST_NIGHT not in doubts(told([45, 24, 13, 8]))


def test_effort_that_changed_more_than_twofold_is_said() -> None:
    assert Doubt.EFFORT in doubts(told([20, 4, 6, 2], efforts=[1.0, 0.4, 1.0, 1.0]))
    assert Doubt.EFFORT not in doubts(told([20, 8, 6, 2], efforts=[1.0, 0.6, 1.0, 1.0]))


def test_looks_without_minutes_are_said() -> None:
    answer = told([20, 10, 6, 3], is_timed=False)
    says = next(warned.says for warned in answer.warned if warned.doubt is Doubt.UNTIMED)
    assert "No look was timed" in says
    assert Doubt.UNTIMED not in doubts(told([20, 10, 6, 3]))


def test_different_means_are_said() -> None:
    nights = made_nights([20, 10, 6, 3])
    trap = Night(day=START + timedelta(days=9), seen=2, taken=2, means=(Means.TRAP,))
    answer = how_many([*nights, trap], settings=USUAL)
    assert Doubt.MEANS in doubts(answer)
    assert Doubt.MEANS not in doubts(told([20, 10, 6, 3]))


def test_finds_over_more_than_thirty_days_are_doubted() -> None:
    assert Doubt.LONG_SPAN in doubts(told([20, 10, 6, 3, 2, 1], apart=7))
    assert Doubt.LONG_SPAN not in doubts(told([20, 10, 6, 3, 2, 1], apart=5))


def test_a_fall_within_chance_is_doubted() -> None:
    hardly = told([8, 7, 6, 6])
    assert Doubt.HARDLY_FALLS in doubts(hardly)
    assert hardly.is_winning is Winning.UNKNOWN
    assert Doubt.HARDLY_FALLS not in doubts(told([20, 10, 6, 3]))


def test_a_plain_campaign_raises_no_doubt() -> None:
    assert told([20, 13, 9, 7, 4]).warned == ()


# --- nights to go -------------------------------------------------------------------------------------------


def test_nights_to_go_are_the_least_that_reach_the_goal() -> None:
    beliefs = beliefs_of([12, 7, 3, 1, 0], [1.0] * 5)
    go = nights_to_go(beliefs, effort=1.0, at=0.95)
    assert go.least is not None
    assert beliefs.none_left_after(go.least) >= 0.95 > beliefs.none_left_after(go.least - 1)
    assert go.even is not None
    assert beliefs.all_out_after(go.even) >= 0.5 > beliefs.all_out_after(go.even - 1)
    assert "A probability under these assumptions, not a guarantee." in go.sentence
    longer = nights_to_go(beliefs, effort=2.0, at=0.95)
    assert longer.least is not None
    assert longer.least <= go.least


def test_nights_to_go_end_in_cannot_say() -> None:
    go = nights_to_go(beliefs_of([72, 56, 46], [1.0] * 3), effort=1.0, at=0.95)
    assert go.even is None
    assert go.sure is None
    assert "cannot be said" in go.sentence


# --- the tests behind ---------------------------------------------------------------------------------------


def test_a_steady_fall_is_told_from_none() -> None:
    falls = decline_of([20, 10, 5, 2], [1.0] * 4)
    assert falls.p_value < 0.001
    assert (falls.early_nights, falls.early, falls.late) == (2, 30, 7)
    level = decline_of([8, 8, 8, 8], [1.0] * 4)
    assert level.ratio == pytest.approx(0.0, abs=0.05)
    assert decline_of([2, 5, 10], [1.0] * 3).ratio == 0.0
    # level finds with ever more effort are a fall
    assert decline_of([20, 20, 20], [1.0, 2.0, 4.0]).p_value < 0.001


def test_a_rise_is_found_where_it_is_and_days_without_finds_keep_their_number() -> None:
    rise = rise_of([9, 3, 0, 0, 0, 12, 6], [1.0] * 7)
    assert rise is not None
    assert rise.night == 5
    assert rise.before < 1.0 < rise.after
    assert rise_of([20, 10, 6, 3], [1.0] * 4) is None
    assert rise_of([5], [1.0]) is None
