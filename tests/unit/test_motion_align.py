from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest
from motion_scenes import (
    camera_matrix,
    exposed,
    glass_pane,
    sample_picture,
    seen_through,
    worst_error_px,
)

from pestvision.errors import ShapeError
from pestvision.motion import align
from pestvision.motion.align import (
    AlignedPair,
    AlignmentFailed,
    AlignReason,
    align_pair,
    prepare,
    valid_area,
)
from pestvision.motion.whole import bands_of, lay_over, refine
from training.evaluate_motion import SEEN_SEED, alignment_error_px, exam_pair


def test_a_tripod_pair_is_not_warped_at_all(rng):
    pane = glass_pane(rng)
    second = exposed(pane, 0.3, rng)
    pair = align_pair(exposed(pane, 0.0, rng), second)
    assert isinstance(pair, AlignedPair)
    np.testing.assert_array_equal(pair.matrix, np.eye(3))
    np.testing.assert_array_equal(pair.warped, second)
    assert pair.valid.all()


def test_the_warped_photo_lies_on_the_first_and_what_has_no_source_is_marked():
    first = sample_picture("astronaut")
    truth = camera_matrix(first.shape[:2], shift_xy_px=(60.0, 0.0))
    pair = align_pair(first, seen_through(first, truth))
    assert isinstance(pair, AlignedPair)
    assert pair.matrix.dtype == np.float32
    assert pair.valid[:, :440].all()
    assert not pair.valid[:, 460:].any()
    apart = cv2.absdiff(pair.first, pair.warped)[20:-20, 20:430]
    assert float(np.median(apart)) <= 2
    assert pair.residual_px < 0.3


def test_a_photo_prepared_once_serves_two_pairs_and_says_the_same():
    first = sample_picture("astronaut")
    truth = camera_matrix(first.shape[:2], shift_xy_px=(9.0, -6.0), turn_deg=1.0)
    second = seen_through(first, truth)
    kept = prepare(second)
    assert kept.photo is second
    plain, shared = align_pair(first, second), align_pair(first, kept)
    back = align_pair(kept, prepare(first))
    assert isinstance(plain, AlignedPair)
    assert isinstance(shared, AlignedPair)
    assert isinstance(back, AlignedPair)
    np.testing.assert_array_equal(plain.matrix, shared.matrix)
    assert worst_error_px(np.linalg.inv(truth), back.matrix, first.shape[:2]) < 0.3


@pytest.mark.parametrize("step", [1, 2, 3])
def test_what_is_reduced_before_the_warp_lies_where_the_reduced_warp_does(step):
    first = cv2.GaussianBlur(sample_picture("astronaut"), (0, 0), 6)
    truth = camera_matrix(first.shape[:2], shift_xy_px=(9.3, -6.6), turn_deg=1.5, scale=1.02)
    pair = align_pair(first, seen_through(first, truth))
    assert isinstance(pair, AlignedPair)
    small, laid = pair.reduced(step)
    height, width = (side // step for side in first.shape[:2])
    assert small.shape == laid.shape == (height, width, 3)
    whole = pair.warped[: height * step, : width * step]
    wanted = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    edge = 30 // step
    apart = cv2.absdiff(wanted, laid)[edge:-edge, edge:-edge]
    # Measured: 0.0, 0.2 and 0.3; with half a reduced pixel's shift 1.0, 2.1 and 3.1.
    assert float(apart.mean()) < 0.5
    assert float(cv2.absdiff(small, laid)[edge:-edge, edge:-edge].mean()) < 0.5


def test_valid_area_of_no_motion_is_the_whole_frame():
    assert valid_area(np.eye(3), 7, 11).all()
    assert valid_area(np.eye(3), 7, 11).shape == (7, 11)


def test_photos_of_different_sizes_say_so_and_do_not_raise():
    outcome = align_pair(np.zeros((40, 60, 3), np.uint8), np.zeros((60, 40, 3), np.uint8))
    assert isinstance(outcome, AlignmentFailed)
    assert outcome.reason is AlignReason.NOT_SAME_SCENE
    assert "60 × 40" in outcome.advice
    assert "40 × 60" in outcome.advice


def test_flat_photos_have_no_detail(rng):
    flat = np.full((300, 400, 3), 120, np.uint8)
    noisy = exposed(flat, 0.0, rng, 1.0)
    for first, second in ((flat, flat), (noisy, flat), (np.zeros_like(flat), flat)):
        outcome = align_pair(first, second)
        assert isinstance(outcome, AlignmentFailed)
        assert outcome.reason is AlignReason.NO_DETAIL


def test_a_photo_blurred_beyond_use_is_named_blurred():
    first = sample_picture("gravel")
    second = cv2.GaussianBlur(first, (0, 0), 14)
    outcome = align_pair(first, second)
    assert isinstance(outcome, AlignmentFailed)
    assert outcome.reason is AlignReason.TOO_BLURRED


def test_a_slightly_blurred_photo_is_still_aligned():
    first = sample_picture("astronaut")
    truth = camera_matrix(first.shape[:2], shift_xy_px=(5.0, 9.0), turn_deg=1.0)
    assert align_pair(first, cv2.GaussianBlur(seen_through(first, truth), (0, 0), 2.5))


def test_a_camera_carried_along_the_glass_moved_too_far():
    strip = np.hstack(
        [sample_picture(name)[:480, :512] for name in ("astronaut", "camera", "brick")]
    )
    outcome = align_pair(strip[:, :700].copy(), strip[:, 420:1120].copy())
    assert isinstance(outcome, AlignmentFailed)
    assert outcome.reason is AlignReason.MOVED_TOO_FAR


def test_a_bare_pane_with_animals_on_it_is_aligned_by_the_whole_picture(rng):
    """A soft light fall-off and one stain, no corner to follow."""
    rows, columns = np.mgrid[:400, :600].astype(np.float32)
    grey = 140 - 60 * np.exp(-((columns - 250) ** 2 + (rows - 180) ** 2) / 9000)
    grey += 40 * np.exp(-((columns - 430) ** 2 + (rows - 260) ** 2) / 5000)
    first = np.stack([grey] * 3, 2).astype(np.uint8)
    truth = camera_matrix((400, 600), shift_xy_px=(7.0, -4.0))
    pair = align_pair(first, exposed(seen_through(first, truth), 0.0, rng, 1.0))
    assert isinstance(pair, AlignedPair)
    np.testing.assert_allclose(pair.matrix[:2, 2], [7.0, -4.0], atol=1.0)


def test_a_dim_pair_whose_corners_are_mostly_grain_is_aligned_by_its_edges():
    """Drawn: ten corners of 500 hold the model, which is too few to be believed for themselves."""
    drawn = exam_pair(SEEN_SEED + 17)
    pair = align_pair(drawn.first, drawn.second)
    assert isinstance(pair, AlignedPair)
    # 3.3 px by the ten corners alone; grain drowns what would tell the last pixel.
    assert alignment_error_px(drawn, pair) < 2.0


def test_two_different_grainy_places_are_not_laid_over_each_other(rng):
    for one, other in itertools.pairwise(("chelsea", "astronaut", "camera", "coins", "chelsea")):
        first, second = (dim_and_grainy(sample_picture(name), rng) for name in (one, other))
        assert not align_pair(first, second)


def dim_and_grainy(rgb, rng):
    """As dim as the drawn pair above, its edges soft, and 12 grey levels of grain: more than edges have."""
    soft = cv2.GaussianBlur(cv2.resize(rgb, (640, 480)), (0, 0), 2) * 0.3 + 40
    return exposed(soft, 0.0, rng, 12.0)


def test_places_all_matched_to_one_have_no_similarity(rng):
    """Their scale is 0, and nothing leads back."""
    many = rng.uniform(0, 500, (40, 2))
    one = np.full((40, 2), 120.0)
    assert align._similarity(many, one, 4.0) is None
    assert align._similarity(many, many + 3.0, 4.0) is not None


def soft_and_grainy(rng, *, tilt=(0.0, 0.0), grain=8.0):
    """Give a pair of a soft, faint ground with grain on both photos, and the matrix between them."""
    ground = rng.normal(0, 1, (420, 560)).astype(np.float32)
    ground = cv2.GaussianBlur(ground, (0, 0), 6)
    grey = 120 + ground * (9 / ground.std())
    pane = np.stack([grey] * 3, 2).astype(np.uint8)
    truth = camera_matrix(
        pane.shape[:2], shift_xy_px=(17.0, -12.0), turn_deg=1.7, scale=1.025, tilt=tilt
    )
    return (
        exposed(pane, 0.0, rng, grain),
        exposed(seen_through(pane, truth), -0.6, rng, grain),
        truth,
    )


def test_a_faint_ground_under_grain_is_aligned_by_all_that_shows():
    for seed in range(6):
        first, second, truth = soft_and_grainy(np.random.default_rng(seed))
        pair = align_pair(first, second)
        assert isinstance(pair, AlignedPair)
        assert worst_error_px(truth, pair.matrix, first.shape[:2]) < 0.5


def test_a_faint_ground_that_is_tilted_is_bent_to_fit():
    first, second, truth = soft_and_grainy(
        np.random.default_rng(11), tilt=(0.012, -0.012), grain=4.0
    )
    pair = align_pair(first, second)
    assert isinstance(pair, AlignedPair)
    assert worst_error_px(truth, pair.matrix, first.shape[:2]) < 0.5


def test_a_photo_and_the_grain_of_another_place_stand_not_clear_of_chance():
    first, _, _ = soft_and_grainy(np.random.default_rng(1))
    for seed in range(20, 26):
        _, second, _ = soft_and_grainy(np.random.default_rng(seed))
        outcome = align_pair(first, second)
        assert isinstance(outcome, AlignmentFailed)
        assert outcome.reason is AlignReason.NOT_SAME_SCENE


def test_a_bright_thing_that_jumped_does_not_take_the_place_along(rng):
    first, second, truth = soft_and_grainy(rng, grain=4.0)
    cv2.ellipse(first, (150, 200), (40, 12), 20, 0, 360, (250, 250, 250), -1)
    cv2.ellipse(second, (190, 230), (40, 12), 20, 0, 360, (250, 250, 250), -1)
    pair = align_pair(first, second)
    assert isinstance(pair, AlignedPair)
    assert worst_error_px(truth, pair.matrix, first.shape[:2]) < 0.5


def test_bands_of_a_plain_surface_lead_nowhere():
    plain = bands_of(np.full((200, 300), 90, np.uint8))
    assert lay_over(plain, plain) is None
    assert refine(plain, plain, np.eye(3)) is None
    tiny = bands_of(np.zeros((20, 30), np.uint8))
    assert lay_over(tiny, tiny) is None
    assert refine(tiny, tiny, np.eye(3)) is None


@pytest.mark.parametrize(
    "wrong",
    [
        pytest.param(np.zeros((40, 60), np.uint8), id="grey"),
        pytest.param(np.zeros((40, 60, 4), np.uint8), id="alpha"),
        pytest.param(np.zeros((40, 60, 3), np.float32), id="float"),
        pytest.param(np.zeros((0, 60, 3), np.uint8), id="empty"),
    ],
)
def test_an_array_that_is_not_an_rgb_picture_is_a_programmers_error(wrong):
    good = np.zeros((40, 60, 3), np.uint8)
    with pytest.raises(ShapeError, match="first"):
        align_pair(wrong, good)
    with pytest.raises(ShapeError, match="second"):
        align_pair(good, wrong)


@pytest.mark.parametrize("size", [(1, 1), (1, 300), (7, 9), (300, 8), (24, 24)])
def test_tiny_photos_get_an_outcome(size, rng):
    first = rng.integers(0, 256, (*size, 3), dtype=np.uint8)
    outcome = align_pair(first, first[::-1].copy())
    assert isinstance(outcome, (AlignedPair, AlignmentFailed))


def test_every_reason_has_advice():
    for reason in AlignReason:
        assert align.ADVICE[reason].endswith(".")
    assert not AlignmentFailed(AlignReason.NO_DETAIL, "x")


def test_a_pair_whose_parts_differ_in_size_is_refused():
    photo = np.zeros((4, 5, 3), np.uint8)
    with pytest.raises(ShapeError, match="valid"):
        AlignedPair(photo, photo, np.ones((4, 4), bool), np.eye(3, dtype=np.float32), 0.0)
    with pytest.raises(ShapeError, match="matrix"):
        AlignedPair(photo, photo, np.ones((4, 5), bool), np.full((3, 3), np.nan, np.float32), 0.0)
