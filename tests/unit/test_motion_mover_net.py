"""What the mover net is shown, what it says, and how many false blobs are let through."""

from __future__ import annotations

import numpy as np
import pytest
from motion_scenes import Body, exposed, glass_pane, with_bodies

from pestvision.errors import ShapeError
from pestvision.motion.align import AlignedPair
from pestvision.motion.blobs import is_found, judge_change, share_of_false
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


def test_the_rule_keeps_what_is_under_the_line_by_hand():
    """By hand, for 0.1 a pair: q is 0.0839 (solve q / (1 - q)^2 = 0.1).

    The lines are 0.0839, 0.168, 0.252, 0.336. Of 0.2, 0.01, 0.26, 5 the third, 0.26, is above its line
    and the second, 0.2, above its own: only 0.01 is found. With 0.15 for 0.2 the second is found too, and
    with 0.25 for 0.26 the third as well, and it takes along the second.
    """
    assert share_of_false(0.1) == pytest.approx(0.0839, abs=1e-4)
    assert is_found([0.2, 0.01, 0.26, 5], 0.1).tolist() == [False, True, False, False]
    assert is_found([0.15, 0.01, 0.26, 5], 0.1).tolist() == [True, True, False, False]
    assert is_found([0.2, 0.01, 0.25, 5], 0.1).tolist() == [True, True, True, False]
    assert is_found([], 0.1).tolist() == []
    with pytest.raises(ShapeError, match="false_a_pair"):
        is_found([0.1], 0.0)


def test_the_rule_is_benjamini_and_hochbergs_own_example():
    """Fifteen p-values at q = 0.05: four are rejected.

    Source: Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289-300, section 4.1 (from memory).
    """
    p_values = np.array(
        [
            *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
            *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
        ]
    )
    q = 0.05
    found = is_found((len(p_values) * p_values).tolist(), q / (1 - q) ** 2)
    assert found.tolist() == [True] * 4 + [False] * 11


@pytest.mark.parametrize("level", [0.05, 0.1, 0.5, 1.0])
def test_where_nothing_moved_as_many_are_found_as_asked_for(level, rng):
    """Chance numbers: 13.7 tests a pair, as still tanks have, but of a number that varies (Poisson)."""
    counts = [
        is_found((13.7 * rng.random(rng.poisson(13.7))).tolist(), level).sum() for _ in range(6000)
    ]
    assert np.mean(counts) == pytest.approx(level, rel=0.2)


def test_what_the_program_is_surer_of_expects_fewer_false(rng):
    judged = judge_change(change_with(Body(320, 240, 64, 20, 0, DARK), rng))
    by_score = sorted(judged, key=lambda item: item.score)
    expected = [item.expected_false for item in by_score]
    assert expected == sorted(expected, reverse=True)
    assert by_score[-1].expected_false < 0.05  # a plain dark body of 64 px
