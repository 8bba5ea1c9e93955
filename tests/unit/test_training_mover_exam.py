"""The exam of movers: arithmetic by hand, baselines on plain squares, pairs with a known contrast."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest

from pestvision.errors import ShapeError
from pestvision.motion.align import AlignedPair, align_pair
from training.mover_baselines import BASELINES, ScoredBox, matched
from training.mover_exam import (
    SHIPPED,
    Marks,
    counting,
    drawn_sights,
    froc_table,
    is_false,
    kept_blobs,
    mark,
    marked,
    shipped_blobs,
    size_inside,
    tally_series,
)
from training.mover_froc import Marked, Point, curve, point_at, poisson_interval
from training.scenes.camera import Camera
from training.scenes.pairs import CALM, Sight, Stir, Trace, draw_pair, draw_sight
from training.scenes.records import HandHeld

STILL = HandHeld(0.0, 0.0, 0.0, 0.0, 0.0)
NOTHING = Stir(stills=0, plants=0, bubbles=0, glares=0)
PLAIN = {
    "movers": ("snail",),
    "hand_held": STILL,
    "stir": NOTHING,
    "come_or_go": 0.0,
    "length_px": (50.0, 60.0),
    "contrast": (60.0, 160.0),
}

# Four pairs, five movers that count, six false blobs, worked out by hand:
#   threshold   movers at or above it   false at or above it
#   0.9         1 (0.9)                 0
#   0.8         1                       1 (0.8)
#   0.7         3 (0.7, 0.7)            1
#   0.6         3                       3 (0.6, 0.6)
#   0.5         4 (0.5)                 3
#   0.4         4                       4 (0.4)
#   0.1         4                       6 (0.2, 0.1); one mover has no blob at any
BY_HAND = (
    Marked(movers=(0.9, 0.7), false=(0.6,)),
    Marked(movers=(0.7, None), false=()),
    Marked(movers=(), false=(0.8, 0.6, 0.2)),
    Marked(movers=(0.5,), false=(0.4, 0.1)),
)


def test_a_curve_is_read_off_as_by_hand() -> None:
    rates = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5)  # of 4 pairs: 0, 1, 2, 3, 4, 6 false blobs
    found = [(point.n_found, point.n_false) for point in curve(BY_HAND, rates)]
    # Two false blobs are allowed at 0.5, but the second and the third have the same score: one it is.
    assert found == [(1, 0), (3, 1), (3, 1), (4, 3), (4, 4), (4, 6)]


def test_a_point_counts_what_is_at_its_threshold() -> None:
    assert point_at(BY_HAND, 0.6) == Point(n_found=3, n_movers=5, n_false=3, n_pairs=4)
    assert point_at(BY_HAND, 0.95) == Point(n_found=0, n_movers=5, n_false=0, n_pairs=4)


def test_a_rate_that_is_no_whole_number_of_blobs_is_rounded_down() -> None:
    (point,) = curve(BY_HAND, (0.45,))  # 1.8 of 4 pairs
    assert point.n_false == 1


def test_a_curve_of_no_pairs_is_a_programmers_error() -> None:
    with pytest.raises(ShapeError, match="pairs"):
        curve(())


def test_the_interval_of_a_mean_count_is_garwoods() -> None:
    """Source: Garwood 1936, Biometrika 28:437-442, table: 0 counts 0 to 3.69, 10 counts 4.80 to 18.39."""
    assert poisson_interval(0, 1) == pytest.approx((0.0, 3.689), abs=0.001)
    assert poisson_interval(10, 10) == pytest.approx((0.4795, 1.839), abs=0.001)


def glass(rng: np.random.Generator) -> np.ndarray:
    ground = cv2.GaussianBlur(rng.uniform(60, 180, (240, 320, 3)).astype(np.float32), (0, 0), 4)
    return np.clip(ground * 1.5 - 60, 0, 255).astype(np.uint8)


def aligned(first: np.ndarray, second: np.ndarray) -> AlignedPair:
    valid = np.ones(first.shape[:2], bool)
    return AlignedPair(first, second, valid, np.eye(3, dtype=np.float32), 0.0)


@pytest.mark.parametrize("name", BASELINES)
def test_a_baseline_finds_an_obvious_square_first(name: str, rng: np.random.Generator) -> None:
    first = glass(rng)
    second = first.copy()
    second[100:120, 200:224] = (250, 240, 20)
    second[40:46, 40:46] += 30  # fainter: ranks below
    found = BASELINES[name](aligned(first, second))
    assert found
    x0, y0, x1, y1 = found[0].box_xyxy_px
    assert x0 < 212 < x1
    assert y0 < 110 < y1
    assert max(x1 - x0, y1 - y0) < 50
    assert all(one.score >= other.score for one, other in itertools.pairwise(found))


@pytest.mark.parametrize("name", BASELINES)
def test_a_baseline_finds_nothing_in_a_picture_and_itself(
    name: str, rng: np.random.Generator
) -> None:
    picture = glass(rng)
    assert BASELINES[name](aligned(picture, picture.copy())) == []
    assert BASELINES[name](aligned(np.full_like(picture, 90), np.full_like(picture, 90))) == []


def test_a_darker_photo_is_brought_to_the_first_ones_brightness(rng: np.random.Generator) -> None:
    first = glass(rng)
    darker = (first * 0.5 + 10).astype(np.uint8)
    assert np.abs(matched(aligned(first, darker)).astype(int) - first).mean() < 1.5


def test_contrast_is_the_difference_made_on_the_sensor_over_its_noise() -> None:
    """By hand: 0.3 becomes 0.4 over half the mask; noise of 0.01 and 0: (0.05) / 0.01 is 5."""
    without = np.full((40, 40, 3), 0.3, np.float32)
    with_it = without.copy()
    mask = np.zeros((40, 40), bool)
    mask[10:30, 10:30] = True
    with_it[10:20, 10:30] = 0.4
    camera = Camera(blur_px=0.0, read_noise=0.01, shot_noise=0.0)
    assert Trace(without, with_it, mask).sigmas(camera) == pytest.approx(5.0, rel=1e-4)
    # With shot noise: sqrt(0.01² + 0.02² · 0.3) is 0.01483.
    shot = Camera(blur_px=0.0, read_noise=0.01, shot_noise=0.02)
    assert Trace(without, with_it, mask).sigmas(shot) == pytest.approx(0.05 / 0.014832, rel=1e-3)
    assert Trace(without, with_it, np.zeros_like(mask)).sigmas(camera) == 0.0


def sight(seed: int = 3, **how: object) -> Sight:
    whole = PLAIN | {"ground": glass(np.random.default_rng(0))} | how
    return draw_sight(np.random.default_rng(seed), height_px=300, width_px=400, **whole)  # type: ignore[arg-type]


def test_a_sight_is_the_pair_of_the_same_seed() -> None:
    whole = sight().pair
    ground = glass(np.random.default_rng(0))
    rng = np.random.default_rng(3)
    alone = draw_pair(rng, height_px=300, width_px=400, ground=ground, **PLAIN)  # type: ignore[arg-type]
    np.testing.assert_array_equal(whole.first, alone.first)
    np.testing.assert_array_equal(whole.second, alone.second)


def test_parallax_shifts_what_lies_behind_and_leaves_the_camera_where_it_is() -> None:
    still, moved = (
        sight(movers=0, ground=None, parallax_of_width=most).pair for most in (0.0, 0.05)
    )
    np.testing.assert_array_equal(still.matrix, moved.matrix)
    window = cv2.createHanningWindow((400, 300), cv2.CV_32F)
    shifts = []
    for pair in (still, moved):
        greys = [
            cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
            for rgb in (pair.first, pair.second)
        ]
        shifts.append(float(np.hypot(*cv2.phaseCorrelate(greys[0], greys[1], window)[0])))
    assert shifts[0] < 0.3
    assert 0.5 < shifts[1] <= 20.5  # 5 % of 400 pixels at the most


def test_a_blob_on_the_mover_counts_and_one_elsewhere_is_false() -> None:
    drawn = sight()
    (mover,) = drawn.pair.movers
    assert counting(drawn) == [True]
    assert mover.box_first_xyxy_px is not None
    on_it = ScoredBox(mover.box_first_xyxy_px, 0.8)
    surer = ScoredBox(mover.box_first_xyxy_px, 0.9)
    elsewhere = ScoredBox((0.0, 0.0, 3.0, 3.0), 0.7)
    assert marked(drawn, [on_it, elsewhere, surer], np.eye(3)) == Marked((0.9,), (0.7,))
    assert marked(drawn, [], np.eye(3)) == Marked((None,), ())
    assert is_false(drawn, elsewhere, np.eye(3))
    assert not is_false(drawn, on_it, np.eye(3))


def test_a_mover_that_is_too_faint_or_too_short_does_not_count_and_is_not_false() -> None:
    drawn = sight()
    (mover,) = drawn.pair.movers
    assert mover.box_first_xyxy_px is not None
    found = [ScoredBox(mover.box_first_xyxy_px, 0.8)]
    faint = Sight(drawn.pair, (3.9,))
    assert marked(faint, found, np.eye(3)) == Marked((), ())
    with pytest.raises(ShapeError, match="contrast_sigmas"):
        Sight(drawn.pair, ())


def test_the_exam_runs_from_drawing_to_table() -> None:
    marks = mark(iter([sight(ground=None, stir=CALM, hand_held=HandHeld())]))
    assert (marks.n_pairs, marks.n_aligned) == (1, 1)
    table = froc_table(marks)
    assert [line.split(" | ")[0].strip("| ") for line in table.splitlines()[2:6]] == list(marks.of)
    (found,) = (score for pair in marks.of[SHIPPED] for score in pair.movers)
    assert found is not None
    assert found > 0.0  # log-odds of a plain snail of 50 px


def test_a_pair_that_cannot_be_aligned_misses_every_mover() -> None:
    drawn = sight()
    blank = np.full_like(drawn.pair.first, 120)
    pair = type(drawn.pair)(blank, blank, np.eye(3), drawn.pair.movers, ())
    marks = mark(iter([Sight(pair, drawn.contrast_sigmas)]))
    assert marks.n_aligned == 0
    assert all(pairs == [Marked((None,), ())] for pairs in marks.of.values())


def test_what_the_program_keeps_is_among_what_it_scores() -> None:
    drawn = sight(ground=None, stir=CALM).pair
    pair = align_pair(drawn.first, drawn.second)
    assert isinstance(pair, AlignedPair)
    scored = shipped_blobs(pair)
    few, many = (kept_blobs(pair, level) for level in (0.05, 1.0))
    assert set(few) <= set(many) <= set(scored)
    assert few  # a plain snail


def test_the_exams_drawn_pairs_keep_their_conditions() -> None:
    (one,) = drawn_sights(1)
    assert one.pair.first.shape == (720, 960, 3)
    assert len(one.pair.movers) == 1
    assert {name for name, _box in one.pair.disturbances} >= {"bubble", "plant"}


def test_a_view_leaves_a_border_for_the_camera_to_stray() -> None:
    assert size_inside(np.zeros((480, 640, 3), np.uint8)) == (352, 512)


def test_a_series_counts_every_two_photos_and_what_they_are_called() -> None:
    place = sight(movers=0, ground=None).pair.first
    other = place.copy()
    cv2.ellipse(other, ((200, 150), (60, 16), 30), (30, 20, 15), -1)
    blank = np.full_like(place, 120)

    def all_leeches(movers: object, *_photos: object) -> list[str]:
        return ["leech-like"] * len(list(movers))  # type: ignore[call-overload]

    tally = tally_series([place, other, blank], all_leeches)
    assert (tally.n_pairs, tally.n_aligned, tally.n_pairs_leech) == (3, 1, 1)
    assert tally.labels["leech-like"] == 1


def test_marks_without_false_blobs_name_no_cause() -> None:
    one = Marked((0.99999,), ())
    marks = Marks(of={SHIPPED: [one]}, kept=[one], n_pairs=1, n_aligned=1)
    assert "1.00 (0.21 to 1.00) at 0.00 (0.00 to 3.69) false blobs a pair." in froc_table(marks)
