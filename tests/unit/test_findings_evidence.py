import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays_of

from pestvision.errors import ShapeError, WeightsError
from pestvision.findings.cues import CUE_NAMES, LOOKS, MOVES, SIZE, TRACK, Cue
from pestvision.findings.evidence import (
    LOOKS_BESIDE_TRACK,
    MOST_ODDS,
    gait_cue,
    joined,
    size_cue,
    track_cue,
)
from pestvision.findings.judge import judge
from pestvision.findings.track_cue import (
    FRAMES,
    N_FEATURES,
    PHOTOS,
    Between,
    between,
    load_track_weights,
)
from pestvision.motion.trail import GAITS, GLIDE, HOP, LOOPS, STEPS, STILL, THRASH, GaitReading
from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE, GROUPS
from pestvision.organisms.classify import Scores
from pestvision.size.records import BodyLine, Length

LEECH, FLATWORM = FINE_NAMES.index("leech"), FINE_NAMES.index("flatworm")
WORM, SNAIL = FINE_NAMES.index("thin-worm"), FINE_NAMES.index("snail")


def reading(gait: str, p: float = 0.97, **others: int) -> GaitReading:
    rest = (1 - p) / (len(GAITS) - 1)
    return GaitReading(
        gait, tuple(p if name == gait else rest for name in GAITS), ("so",), **others
    )


def scores(**p: float) -> Scores:
    p_fine = np.full(len(FINE_NAMES), 1e-4)
    for name, value in p.items():
        p_fine[FINE_NAMES.index(name.replace("_", "-"))] = value
    p_fine /= p_fine.sum()
    p_groups = np.zeros(len(GROUPS))
    np.add.at(p_groups, np.array(GROUP_INDEX_OF_FINE), p_fine)
    return Scores(p_fine.astype(np.float32), p_groups.astype(np.float32))


fines = arrays_of.arrays(np.float64, len(FINE_NAMES), elements=st.floats(1e-6, 1.0)).map(
    lambda p: p / p.sum()
)
likelihoods = arrays_of.arrays(np.float64, len(FINE_NAMES), elements=st.floats(-40.0, 0.0)).map(
    lambda logs: tuple(logs - logs.max())
)
cues_of = st.builds(Cue, st.sampled_from(CUE_NAMES[1:]), st.just("so"), likelihoods)


@given(fines)
def test_without_another_cue_the_crops_count_as_they_are(p_fine: np.ndarray) -> None:
    assert np.array_equal(joined(p_fine, ()), p_fine)


@given(fines, cues_of)
def test_no_cue_shifts_the_odds_of_two_classes_beyond_what_it_was_measured_to_be_worth(
    p_fine: np.ndarray, cue: Cue
) -> None:
    looks = LOOKS_BESIDE_TRACK if cue.name == TRACK else 1.0
    shift = np.log(joined(p_fine, [cue])) - looks * np.log(p_fine)
    assert shift.max() - shift.min() <= np.log(MOST_ODDS[cue.name]) + 1e-6


@given(fines, cues_of)
def test_a_cue_never_turns_round_what_it_speaks_for(p_fine: np.ndarray, cue: Cue) -> None:
    looks = LOOKS_BESIDE_TRACK if cue.name == TRACK else 1.0
    shift = np.log(joined(p_fine, [cue])) - looks * np.log(p_fine)
    order = np.argsort(cue.log_likelihood)
    assert np.diff(shift[order]).min() >= -1e-6


@given(fines, st.lists(cues_of, max_size=4, unique_by=lambda cue: cue.name))
def test_cues_may_come_in_any_order_and_give_probabilities(
    p_fine: np.ndarray, cues: list[Cue]
) -> None:
    answers = [joined(p_fine, order) for order in itertools.permutations(cues)]
    assert all(np.allclose(answer, answers[0]) for answer in answers)
    assert answers[0].sum() == pytest.approx(1.0)


def test_the_same_cue_twice_counts_once() -> None:
    even = np.full(len(FINE_NAMES), 1 / len(FINE_NAMES))
    cue = gait_cue(reading(STEPS))
    assert cue is not None
    assert np.array_equal(joined(even, [cue, cue]), joined(even, [cue]))


@pytest.mark.parametrize(
    ("gait", "fine"), [(STEPS, LEECH), (GLIDE, FLATWORM), (LOOPS, FLATWORM), (THRASH, WORM)]
)
def test_a_gait_speaks_for_the_animal_that_is_known_for_it(gait: str, fine: int) -> None:
    cue = gait_cue(reading(gait))
    assert cue is not None
    assert int(np.argmax(cue.log_likelihood)) in {fine, FINE_NAMES.index("midge-larva")}
    assert cue.log_likelihood[fine] > max(
        cue.log_likelihood[other] for other in {LEECH, FLATWORM, WORM, SNAIL} - {fine}
    )


def test_what_keeps_still_hardly_tells_a_leech_from_a_twig() -> None:
    cue = gait_cue(reading(STILL))
    assert cue is not None
    # A resting leech is still a leech: keeping still may not rule one out.
    assert np.exp(cue.log_likelihood[LEECH]) > 0.2


def test_a_gait_that_cannot_be_told_is_no_cue() -> None:
    alike = tuple(1 / len(GAITS) for _ in GAITS)
    assert (
        gait_cue(GaitReading(None, alike, ("It can't be told: the frames are too far apart.",)))
        is None
    )


def test_a_cue_is_told_in_words() -> None:
    cue = gait_cue(reading(STEPS, n_steps=6, n_cycles=7))
    assert cue is not None
    assert cue.sentence() == "moves: inchworm steps, 6 of 7 with one end held"
    size = size_cue(Length(10.0, 9.0, 12.0))
    assert size.sentence() == "size: 9–12 mm: fits leech-like, flatworm-like and harmless"


def test_a_length_beyond_every_known_leech_speaks_against_one_and_not_more_than_it_may() -> None:
    p = np.full(len(FINE_NAMES), 1e-6)
    p[LEECH] = p[WORM] = 0.5
    after = joined(p / p.sum(), [size_cue(Length(90.0, 85.0, 95.0))])
    assert after[WORM] / after[LEECH] == pytest.approx(MOST_ODDS[SIZE], rel=0.2)


GLIDER = Between(
    lengths_gone=3.0,
    stretch=1.03,
    width_share=0.22,
    thinned=1.05,
    straight=0.97,
    fullness=0.76,
    blunt_end=0.9,
    thin_end=0.4,
)
"""The middle of drawn flatworms."""
STEPPER = replace(GLIDER, lengths_gone=2.1, stretch=1.6, thinned=2.2, blunt_end=0.68)
"""A drawn leech: drawn out and thinner on one photo, thick and short on the other."""


def test_a_body_that_changes_its_length_is_no_snail() -> None:
    cue = track_cue(STEPPER)
    assert cue.name == TRACK
    assert cue.log_likelihood[LEECH] > cue.log_likelihood[SNAIL]
    assert cue.log_likelihood[LEECH] > cue.log_likelihood[FLATWORM]


def test_a_steady_length_speaks_for_a_glider_over_a_leech() -> None:
    cue = track_cue(GLIDER)
    assert cue.log_likelihood[FLATWORM] > cue.log_likelihood[LEECH]


@given(st.floats(1.05, 1.6), st.floats(1.05, 1.5))
def test_the_more_a_body_draws_out_the_more_that_speaks_for_a_leech_over_a_glider(
    stretch: float, more: float
) -> None:
    def odds(factor: float) -> float:
        went = replace(GLIDER, stretch=factor, thinned=1.3 * factor)
        logs = load_track_weights(PHOTOS).log_likelihood(went)
        return float(logs[LEECH] - logs[FLATWORM])

    assert odds(stretch * more) > odds(stretch)


def test_what_was_never_drawn_moving_is_not_spoken_against_where_it_might_have_moved() -> None:
    # a shrimp or a bit of plant may come anywhere: the track neither clears nor accuses it beyond the rest
    cue = track_cue(GLIDER)
    fish = cue.log_likelihood[FINE_NAMES.index("shrimp-or-fish")]
    assert min(cue.log_likelihood) < fish < 0
    assert cue.log_likelihood[FINE_NAMES.index("snail-eggs")] < fish


def test_a_track_is_told_in_words() -> None:
    assert track_cue(STEPPER).sentence() == (
        "track: went 2.1 lengths, 1.6 times as long on one photo as on the other, 5 times as long as "
        "wide: fits leech-like"
    )


def bar(length_px: float, width_px: float, *, scale: float = 1.0, turn: float = 0.0) -> BodyLine:
    """A body with one pointed end, straight, and its line drawn at some scale and turn."""
    along = np.linspace(0, length_px, 11) * scale
    widths = np.full(11, width_px) * scale
    widths[-2:] *= 0.25
    line = np.column_stack([along * np.cos(turn), along * np.sin(turn)])
    return BodyLine(line, length_px * scale, 0.04, widths_px=widths)


def test_how_it_went_is_measured_on_both_bodies() -> None:
    went = between(1.5, [bar(100, 20), bar(150, 15)])
    assert went is not None
    assert went.lengths_gone == 1.5
    assert went.stretch == pytest.approx(1.5)
    assert went.width_share == pytest.approx(0.15)  # the mean of 0.2 and 0.1
    assert went.thinned == pytest.approx(2.0)
    assert went.straight == pytest.approx(1.0)
    assert went.fullness == pytest.approx((9 + 2 * 0.25) / 11)
    assert (went.blunt_end, went.thin_end) == pytest.approx((1.0, 0.25))


@given(st.floats(0.2, 5.0), st.floats(0.0, 6.3))
def test_how_it_went_knows_no_scale_no_direction_and_no_order(scale: float, turn: float) -> None:
    plain = between(0.7, [bar(100, 20), bar(130, 17)])
    other = between(
        0.7, [bar(130, 17, scale=scale, turn=turn), bar(100, 20, scale=scale, turn=turn)]
    )
    assert plain is not None
    assert other is not None
    assert other.features() == pytest.approx(plain.features(), abs=1e-9)
    assert plain.features().shape == (N_FEATURES[PHOTOS],)


def test_in_a_clip_the_body_is_told_without_a_way() -> None:
    bodies = [bar(100, 20), bar(150, 15), bar(120, 18)]
    built = between(None, bodies)
    assert built is not None
    assert built.features().shape == (N_FEATURES[FRAMES],)
    assert built.stretch == pytest.approx(1.5)  # the longest over the shortest, in any order
    turned = between(None, bodies[::-1])
    assert turned is not None
    assert turned.features() == pytest.approx(built.features())
    assert built.words() == "1.5 times as long on one frame as on another, 7 times as long as wide"
    frames = replace(GLIDER, lengths_gone=None)
    assert track_cue(frames).log_likelihood != track_cue(GLIDER).log_likelihood
    assert between(None, bodies[:1]) is None


def test_in_a_clip_a_body_that_draws_out_is_a_leech_and_one_that_keeps_its_length_a_flatworm() -> (
    None
):
    drawn_out = track_cue(replace(STEPPER, lengths_gone=None)).log_likelihood
    steady = track_cue(replace(GLIDER, lengths_gone=None)).log_likelihood
    assert drawn_out[LEECH] > drawn_out[FLATWORM]
    assert steady[FLATWORM] > steady[LEECH]


def test_without_widths_nothing_is_said_of_the_way() -> None:
    line = np.column_stack([np.linspace(0, 50, 11), np.zeros(11)])
    assert between(1.0, [bar(100, 20), BodyLine(line, 50.0, 0.04)]) is None


@pytest.mark.parametrize(
    "wrong",
    [{"stretch": 0.9}, {"thinned": 0.5}, {"straight": 1.2}, {"blunt_end": 0.3, "thin_end": 0.4}],
)
def test_a_way_that_cannot_be_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ShapeError):
        replace(GLIDER, **wrong)


def test_damaged_weights_of_the_track_are_told_as_such(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load_track_weights.cache_clear()
    broken = tmp_path / "track_weights.json"
    broken.write_text("{}")
    monkeypatch.setattr("pestvision.findings.track_cue.WEIGHTS_FILE", broken)
    with pytest.raises(WeightsError, match="damaged"):
        load_track_weights(PHOTOS)


def test_a_judgement_shows_each_cue_apart_the_looks_first() -> None:
    cue = gait_cue(reading(STEPS, n_steps=6, n_cycles=7))
    assert cue is not None
    said = judge([scores(leech=0.55, flatworm=0.45)], cues=[cue])
    assert [item.name for item in said.cues] == [LOOKS, MOVES]
    assert said.cues[0].sentence() == "looks: leech-like 0.55"
    assert said.label == "leech-like"
    assert said.p_groups[0] > 0.9


def test_a_judgement_without_cues_is_what_it_was() -> None:
    crop = scores(leech=0.55, flatworm=0.45)
    assert judge([crop], cues=()) == judge([crop])
    assert judge([crop]).cues == ()


def test_gliding_alone_does_not_make_a_sure_leech_anything_else() -> None:
    cue = gait_cue(reading(GLIDE, p=1.0))
    assert cue is not None
    said = judge([scores(leech=0.99, flatworm=0.01)], cues=[cue])
    assert said.p_groups[0] > 0.8


def test_hopping_is_never_a_leech_by_itself() -> None:
    cue = gait_cue(reading(HOP))
    assert cue is not None
    said = judge([scores(leech=0.5, small_crustacean=0.5)], cues=[cue])
    assert said.p_groups[0] < 0.1


def test_a_cue_gives_fourteen_numbers_at_most_zero() -> None:
    with pytest.raises(ShapeError):
        Cue(MOVES, "so", (0.0,) * 3)
    with pytest.raises(ShapeError):
        Cue(MOVES, "so", (0.5, *(0.0,) * 13))
