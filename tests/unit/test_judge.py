"""From scores to a judgement: when a label is given, and every reason for not giving one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from made_scores import SHIPPED_LIKE, scores_of, sure_of, sure_of_fine

from pestvision.errors import ShapeError
from pestvision.findings.doubts import WHAT_HELPS, Doubt
from pestvision.findings.judge import (
    DEFAULT_RULES,
    LOOPING_FLATWORM,
    STRANGE,
    costs_note,
    judge,
    rules_of,
    worry,
)
from pestvision.findings.travel import CREEP, SWIM, Travel
from pestvision.findings.words import BETTER_PHOTO
from pestvision.organisms.classes import (
    CANT_TELL,
    FINE_CLASSES,
    FINE_NAMES,
    GROUP_INDEX_OF_FINE,
    GROUPS,
    LABELS,
    SIGNS,
    Group,
)
from pestvision.organisms.classify import Scores
from pestvision.organisms.weights import Rules
from pestvision.settings import CheckSettings

if TYPE_CHECKING:
    from pestvision.findings.finding import Judgement


def told(*p: float, rules: Rules = SHIPPED_LIKE, sharpness: float = 1.0) -> Judgement:
    return judge([scores_of(*p, sharpness=sharpness)], rules=rules)


@pytest.mark.parametrize("group", GROUPS)
def test_a_sure_crop_gets_its_group_and_says_why(group: Group) -> None:
    judged = judge([sure_of(group)], rules=SHIPPED_LIKE, lengths_px=[200])
    assert judged.label == group
    assert judged.confidence == pytest.approx(0.97, abs=1e-6)
    assert judged.reasons[-1].startswith("Next likeliest: ")
    assert BETTER_PHOTO not in judged.reasons


def test_too_short_is_said_with_both_lengths() -> None:
    judged = judge([sure_of(Group.HARMLESS)], rules=SHIPPED_LIKE, lengths_px=[15.4])
    assert judged.label == CANT_TELL
    assert "only 15 pixels long" in judged.reasons[0]
    assert "below 16 pixels" in judged.reasons[0]
    assert judged.reasons[1:] == (WHAT_HELPS[Doubt.TOO_SMALL],)
    assert judged.why.doubts == (Doubt.TOO_SMALL,)


def test_the_bound_itself_is_long_enough() -> None:
    judged = judge([sure_of(Group.HARMLESS)], rules=SHIPPED_LIKE, lengths_px=[16.0])
    assert judged.label == Group.HARMLESS


def test_the_longest_view_of_an_animal_counts() -> None:
    both = [sure_of(Group.HARMLESS)] * 2
    assert judge(both, rules=SHIPPED_LIKE, lengths_px=[8, 40]).label == Group.HARMLESS


def test_too_blurred_is_said_and_one_sharp_view_is_enough() -> None:
    blurred = scores_of(0.01, 0.01, 0.97, 0.01, sharpness=0.009)
    judged = judge([blurred], rules=SHIPPED_LIKE)
    assert judged.label == CANT_TELL
    assert judged.reasons == ("It is too blurred to tell.", WHAT_HELPS[Doubt.BLURRED])
    assert judged.why.doubts == (Doubt.BLURRED,)
    assert judge([blurred, sure_of(Group.HARMLESS)], rules=SHIPPED_LIKE).label == Group.HARMLESS


def test_two_possible_groups_are_both_named_the_likelier_first() -> None:
    judged = told(0.35, 0.60, 0.03, 0.02)
    assert judged.label == CANT_TELL
    assert "flatworm-like (60%) or leech-like (35%)" in judged.reasons[0]
    assert judged.confidence == pytest.approx(0.60, abs=1e-6)


def test_no_possible_group_is_said() -> None:
    judged = told(0.1, 0.2, 0.5, 0.2, rules=Rules(set_threshold=0.3))
    assert judged.label == CANT_TELL
    assert "No group fits" in judged.reasons[0]


def test_a_leech_that_cannot_be_ruled_out_is_said() -> None:
    judged = told(0.12, 0.01, 0.86, 0.01)
    assert judged.label == CANT_TELL
    assert "Leech-like cannot be ruled out (12%)" in judged.reasons[0]
    assert told(0.09, 0.02, 0.88, 0.01).label == Group.HARMLESS


def test_several_doubts_are_all_said() -> None:
    doubtful = replace(scores_of(0.45, 0.45, 0.05, 0.05, sharpness=0.0), novelty=1.2)
    judged = judge([doubtful], rules=SHIPPED_LIKE, lengths_px=[9])
    assert judged.why.doubts == tuple(Doubt)
    assert judged.reasons[len(Doubt) :] == tuple(WHAT_HELPS.values())
    assert len(set(judged.reasons)) == 2 * len(Doubt)


def test_what_lies_outside_is_not_told_and_one_view_inside_is_enough() -> None:
    strange = replace(sure_of(Group.HARMLESS), novelty=1.01)
    judged = judge([strange], rules=SHIPPED_LIKE)
    assert judged.label == CANT_TELL
    assert "outside what the net knows" in judged.reasons[0]
    assert judged.reasons[1:] == (WHAT_HELPS[Doubt.OUTSIDE],)
    assert judged.why.doubts == (Doubt.OUTSIDE,)
    at_the_limit = replace(sure_of(Group.HARMLESS), novelty=1.0)
    assert judge([at_the_limit], rules=SHIPPED_LIKE).label == Group.HARMLESS
    assert judge([strange, at_the_limit], rules=SHIPPED_LIKE).label == Group.HARMLESS


@pytest.mark.parametrize("group", [Group.LEECH_LIKE, Group.FLATWORM_LIKE])
def test_a_strange_picture_takes_no_warning_back_but_says_so(group: Group) -> None:
    strange = replace(sure_of(group), novelty=1.5)
    judged = judge([strange], rules=SHIPPED_LIKE)
    assert judged.label == group
    assert STRANGE in judged.reasons
    assert judged.why.doubts == ()
    assert STRANGE not in judge([sure_of(group)], rules=SHIPPED_LIKE).reasons
    blurred = replace(strange, sharpness=0.0)
    assert judge([blurred], rules=SHIPPED_LIKE).label == CANT_TELL


def test_a_label_has_no_doubts_and_names_the_likeliest_look_alike_and_both_signs() -> None:
    judged = told(0.93, 0.01, 0.05, 0.01)
    assert judged.label == Group.LEECH_LIKE
    why = judged.why
    assert (why.seen_as, why.look_alike, why.doubts) == ("leech", "snail", ())
    assert why.p_look_alike == pytest.approx(0.05, abs=1e-6)
    assert why.settled_by == (SIGNS["leech"].words, SIGNS["snail"].words)
    assert judged.reasons[-1] == (
        "Next likeliest: harmless, 5%; its nearest look-alike is a snail."
    )


def test_between_leech_and_flatworm_the_looping_flatworm_is_told_of() -> None:
    assert LOOPING_FLATWORM in told(0.35, 0.60, 0.03, 0.02).why.settled_by
    assert LOOPING_FLATWORM not in told(0.93, 0.01, 0.05, 0.01).why.settled_by


@pytest.mark.parametrize(
    ("costs", "label"),
    [(9.0, CANT_TELL), (5.0, Group.HARMLESS)],  # from 10 % on; from 16.7 % on
)
def test_what_a_missed_leech_costs_decides_whether_to_look_again(costs: float, label: str) -> None:
    rules = rules_of(SHIPPED_LIKE, CheckSettings(missed_leech_costs=costs))
    assert told(0.12, 0.01, 0.86, 0.01, rules=rules).label == label
    assert f"counts as {costs:.0f} looks at nothing" in costs_note(rules)


def test_the_note_on_costs_says_the_bound_in_per_cent() -> None:
    assert "from 10 % on" in costs_note(rules_of(SHIPPED_LIKE, CheckSettings()))
    dear = rules_of(SHIPPED_LIKE, CheckSettings(missed_leech_costs=60))
    assert "from 1.6 % on" in costs_note(dear)
    assert dear.set_threshold == SHIPPED_LIKE.set_threshold


def test_a_leech_is_never_silently_ruled_out(rng: np.random.Generator) -> None:
    seen = set()
    for p in rng.dirichlet([0.3] * 4, 3000):
        judged = told(*p)
        seen.add(judged.label)
        if judged.label not in (Group.LEECH_LIKE, CANT_TELL):
            assert p[0] < SHIPPED_LIKE.leech_look_again + 1e-6
    assert seen == set(LABELS)


def test_crops_joined_grow_no_surer_by_repetition() -> None:
    once = told(0.2, 0.02, 0.75, 0.03, rules=Rules(set_threshold=0.99))
    often = judge([scores_of(0.2, 0.02, 0.75, 0.03)] * 50, rules=Rules(set_threshold=0.99))
    assert often.p_groups == pytest.approx(once.p_groups, abs=1e-9)


def test_one_sure_crop_among_sure_others_does_not_win_alone() -> None:
    views = [sure_of(Group.LEECH_LIKE)] + [sure_of(Group.HARMLESS)] * 4
    judged = judge(views, rules=SHIPPED_LIKE)
    assert judged.p_groups[2] > judged.p_groups[0]
    assert judge(views[::-1], rules=SHIPPED_LIKE).p_groups == pytest.approx(judged.p_groups)


def test_impossible_everywhere_still_sums_to_one() -> None:
    views = [scores_of(1, 0, 0, 0), scores_of(0, 0, 1, 0)]  # each rules the other out wholly
    assert sum(judge(views, rules=SHIPPED_LIKE).p_groups) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("fine", FINE_CLASSES, ids=lambda item: item.name)
def test_every_class_is_named_in_good_english(fine: object) -> None:
    item = next(one for one in FINE_CLASSES if one is fine)
    judged = judge([sure_of_fine(item.name)], rules=SHIPPED_LIKE)
    assert judged.fine == item.name
    assert judged.label == item.group
    assert not any(bad in judged.reasons[0] for bad in ("a snail eggs", "a plant or", "a glare"))


def test_worry_orders_from_leech_to_nothing() -> None:
    in_order = [
        told(0.01, 0.01, 0.01, 0.97),
        told(0.01, 0.01, 0.97, 0.01),
        told(0.02, 0.01, 0.57, 0.40),  # can't tell, and no leech in it
        told(0.01, 0.97, 0.01, 0.01),
        told(0.30, 0.02, 0.66, 0.02),  # can't tell, and may be a leech
        told(0.90, 0.05, 0.03, 0.02),
        told(0.97, 0.01, 0.01, 0.01),
    ]
    labels = [item.label for item in in_order]
    assert labels[2] == labels[4] == CANT_TELL
    keys = [worry(item) for item in in_order]
    assert keys == sorted(keys)
    assert len(set(keys)) == len(keys)


def test_no_scores_at_all_is_a_mistake_of_the_program() -> None:
    with pytest.raises(ShapeError, match="at least one") as caught:
        judge([])
    assert caught.value.advice


def test_scores_of_the_wrong_length_are_refused() -> None:
    with pytest.raises(ShapeError, match=r"\(14,\), \(4,\)"):
        Scores(np.zeros(13, dtype=np.float32), np.zeros(4, dtype=np.float32))


def swims(pace: float) -> Travel:
    return Travel(int(pace > CREEP), int(pace > SWIM), pace)


def mixed(**p: float) -> Scores:
    """Scores by class of the net; what is left lies on the snail."""
    p_fine = np.zeros(len(FINE_CLASSES), dtype=np.float32)
    for name, value in p.items():
        p_fine[FINE_NAMES.index(name.replace("_", "-"))] = value
    p_fine[FINE_NAMES.index("snail")] += 1 - p_fine.sum()
    p_groups = np.zeros(len(GROUPS), dtype=np.float32)
    np.add.at(p_groups, np.array(GROUP_INDEX_OF_FINE), p_fine)
    return Scores(p_fine=p_fine, p_groups=p_groups)


def test_a_small_look_counts_less_than_a_large_one() -> None:
    views = [sure_of(Group.LEECH_LIKE), sure_of(Group.HARMLESS)]
    even = judge(views, rules=SHIPPED_LIKE)
    assert even.p_groups[0] == pytest.approx(even.p_groups[2])
    weighed = judge(views, rules=SHIPPED_LIKE, weights=[1.0, 0.25])
    assert weighed.p_groups[0] > 0.8 > weighed.p_groups[2]
    assert judge(views, rules=SHIPPED_LIKE, weights=[0.5, 0.5]).p_groups == pytest.approx(
        even.p_groups
    )


@pytest.mark.parametrize(
    ("pace", "said"),
    [(0.9, None), (2.0, "than a leech or flatworm creeps"), (6.0, "than a leech swims")],
)
def test_a_fish_that_passes_fast_is_harmless_and_called_a_swimmer(
    pace: float, said: str | None
) -> None:
    judged = judge([sure_of_fine("shrimp-or-fish", 0.97)], rules=SHIPPED_LIKE, travel=swims(pace))
    assert judged.label == Group.HARMLESS
    told = [reason for reason in judged.reasons if "swimmer" in reason]
    assert [said in one for one in told] == ([] if said is None else [True])
    assert judged.reasons[-1].startswith("Next likeliest")


def test_a_fast_snail_is_no_swimmer() -> None:
    judged = judge([sure_of_fine("snail", 0.97)], rules=SHIPPED_LIKE, travel=swims(2.0))
    assert not any("swimmer" in reason for reason in judged.reasons)


@pytest.mark.parametrize("pace", [0.0, 2.0, 5.0])
def test_no_pace_that_a_leech_may_have_changes_what_the_look_says(pace: float) -> None:
    for scores in (mixed(leech=0.6, shrimp_or_fish=0.4), mixed(leech=0.2, shrimp_or_fish=0.79)):
        still = judge([scores], rules=SHIPPED_LIKE)
        assert judge([scores], rules=SHIPPED_LIKE, travel=swims(pace)).p_groups == still.p_groups


def test_a_leech_is_not_made_harmless_by_steps_that_may_be_two_animals_taken_for_one() -> None:
    fast = Travel(9, 9, 20.0)
    for p_leech in (0.5, 0.7, 0.9, 0.97):
        scores = mixed(leech=p_leech, shrimp_or_fish=0.99 - p_leech)
        judged = judge([scores], rules=DEFAULT_RULES, travel=fast)
        if judged.label == Group.HARMLESS:
            assert judged.p_groups[0] < DEFAULT_RULES.leech_look_again
        assert judged.label != Group.HARMLESS or p_leech < 0.6
    assert judge([sure_of(Group.LEECH_LIKE)], travel=fast).label == Group.LEECH_LIKE


def test_a_step_beyond_every_leech_settles_what_the_look_nearly_does() -> None:
    scores = mixed(leech=0.12, shrimp_or_fish=0.87)
    assert judge([scores], rules=SHIPPED_LIKE).label == CANT_TELL
    judged = judge([scores], rules=SHIPPED_LIKE, travel=swims(6.0))
    assert judged.label == Group.HARMLESS
    assert judged.p_groups[0] == pytest.approx(0.12 / (0.12 + 4 * 0.87 + 0.01), abs=1e-4)
