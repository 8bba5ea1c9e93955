"""What the mover net is shown, what it says, and how many false blobs are let through."""

from __future__ import annotations

import numpy as np
import pytest
from motion_scenes import Body, exposed, glass_pane, with_bodies
from scipy.stats import false_discovery_control

from pestvision.errors import ShapeError
from pestvision.motion.align import AlignedPair
from pestvision.motion.blobs import is_found, judge_change
from pestvision.motion.candidates import find_candidates
from pestvision.motion.mover_net import N_LIMITS, MoverNet, load_mover_net
from pestvision.motion.noise import ChangeMap, map_change
from pestvision.motion.patches import FIELDS, PATCH_PX, Patches, cut_patches

DARK = (45, 30, 22)


def change_with(body: Body, rng: np.random.Generator) -> ChangeMap:
    pane = glass_pane(rng)
    first, second = exposed(with_bodies(pane, [body]), 0, rng), exposed(pane, 0, rng)
    valid = np.ones(pane.shape[:2], bool)
    return map_change(AlignedPair(first, second, valid, np.eye(3, dtype=np.float32), 0.0))


def test_a_patch_shows_the_thing_in_its_middle_on_the_photo_that_has_it(rng):
    body = Body(320, 240, 64, 20, 0, DARK)
    change = change_with(body, rng)
    candidates = find_candidates(change)
    (place,) = (k for k, item in enumerate(candidates) if item.region.length_px > 50)
    pictures = cut_patches([item.region for item in candidates], change).pictures[place]
    middle = (slice(PATCH_PX // 2 - 1, PATCH_PX // 2 + 1),) * 2
    first, second = (pictures[0, start : start + 3] for start in (0, 3))
    dark = [first[channel][middle].mean() for channel in range(3)]
    assert dark == pytest.approx(DARK, abs=12)
    assert all(second[channel][middle].mean() > dark[channel] + 25 for channel in range(3))
    for field in range(len(FIELDS)):
        assert pictures[field, 7][middle].min() > 200  # its own pixels
        assert pictures[field, 8].min() == 255  # both photos have a source all over
    # The nearer field shows 1.7 lengths: of its 32 columns a body of one length takes 19.
    columns = (pictures[0, 7] > 128).any(axis=0).sum()
    assert columns == pytest.approx(PATCH_PX / FIELDS[0], abs=3)
    assert (pictures[1, 7] > 128).any(axis=0).sum() == pytest.approx(PATCH_PX / FIELDS[1], abs=3)


def test_a_pair_without_regions_has_no_patches_and_no_scores(rng):
    change = change_with(Body(320, 240, 64, 20, 0, DARK), rng)
    none = cut_patches([], change)
    assert none.pictures.shape == (0, len(FIELDS), 9, PATCH_PX, PATCH_PX)
    assert load_mover_net().scores(none).shape == (0,)


def test_patches_of_another_size_are_refused():
    with pytest.raises(ShapeError, match="patches"):
        Patches(np.zeros((1, 2, 9, 16, 16), np.uint8), np.zeros((1, 7), np.float32))


def test_scores_do_not_hang_on_what_else_is_asked_in_the_same_batch(rng):
    pictures = rng.integers(0, 256, (20, len(FIELDS), 9, PATCH_PX, PATCH_PX), dtype=np.uint8)
    numbers = rng.normal(3, 1, (20, 7)).astype(np.float32)
    net = load_mover_net()
    whole = net.scores(Patches(pictures, numbers))
    one = net.scores(Patches(pictures[17:18], numbers[17:18]))
    assert whole[17] == pytest.approx(one[0], abs=1e-4)


def test_the_shipped_tables_fall_from_many_to_few():
    net = load_mover_net()
    assert net.limits.shape == net.false.shape == (2, N_LIMITS)
    assert (np.diff(net.limits, axis=1) >= 0).all()
    assert (np.diff(net.false, axis=1) < 0).all()
    for on_stand in (False, True):
        scores = np.linspace(-12, 12, 60)
        expected = net.expected_false(scores.astype(np.float32), on_stand=on_stand)
        assert (np.diff(expected) <= 0).all()
        assert (expected > 0).all()  # however sure, never nothing
        assert expected[-1] < 0.01
        assert expected[0] > 1


def test_a_net_of_another_shape_is_refused():
    net = load_mover_net()
    names = ("mean", "scale", "hidden", "hidden_bias", "last", "last_bias", "limits", "false")
    parts = {name: getattr(net, name) for name in names}
    with pytest.raises(ShapeError, match="mover net"):
        MoverNet(net.kernels[::-1], net.biases, **parts)


def test_what_expects_more_false_ones_than_asked_for_is_not_found():
    assert is_found([0.2, 0.01, 0.1, 5], 0.1).tolist() == [False, True, True, False]
    assert is_found([], 0.1).tolist() == []
    with pytest.raises(ShapeError, match="false_a_pair"):
        is_found([0.1], 0.0)


def test_all_that_is_found_is_found_by_benjamini_and_hochbergs_rule_too(rng):
    """Reference: `scipy.stats.false_discovery_control`, which adjusts p-values by that rule."""
    for level in (0.05, 0.1, 0.5):
        for n_tests in (1, 3, 14, 60):
            p_values = rng.random(n_tests) ** 3
            found = is_found((n_tests * p_values).tolist(), level)
            by_rule = false_discovery_control(p_values, method="bh") <= level
            assert (by_rule | ~found).all()
            if found.any():
                assert by_rule.sum() >= found.sum()


@pytest.mark.parametrize("level", [0.05, 0.1, 0.5, 1.0])
def test_where_nothing_moved_as_many_are_found_as_asked_for(level, rng):
    """Chance numbers: 14 tests a pair on average, of a number that varies (Poisson)."""
    counts = [
        is_found((14 * rng.random(rng.poisson(14))).tolist(), level).sum() for _ in range(6000)
    ]
    assert np.mean(counts) == pytest.approx(level, rel=0.2)


def test_what_the_program_is_surer_of_expects_fewer_false(rng):
    judged = judge_change(change_with(Body(320, 240, 64, 20, 0, DARK), rng))
    by_score = sorted(judged, key=lambda item: item.score)
    expected = [item.expected_false for item in by_score]
    assert expected == sorted(expected, reverse=True)
    assert by_score[-1].expected_false < 0.05  # a plain dark body of 64 px
