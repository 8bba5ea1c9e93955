from __future__ import annotations

import numpy as np
import pytest
from motion_scenes import camera_matrix

from pestvision.errors import ShapeError
from pestvision.motion.blobs import Blob
from pestvision.motion.links import (
    find_tracklets,
    link_movers,
    link_options,
    log_odds,
    told_apart,
)
from pestvision.motion.tracks import Mover, Traits, carried_box, pair_movers

DARK = (-60.0, -50.0, -40.0)
PALE = (70.0, 70.0, 60.0)


def blob(x: float, y: float, seen_on: str, *, length: float = 40.0, contrast=DARK) -> Blob:
    box = (x - length / 2, y - length / 8, x + length / 2, y + length / 8)
    return Blob(box, seen_on, 20.0, int(length * length / 5), length, contrast, length / 4)


def mover(first, second) -> Mover:
    boxes = [None if at is None else (at - 20.0, 100.0, at + 20.0, 120.0) for at in (first, second)]
    return Mover(*boxes, displacement_px=None, z_peak=9.0)


def test_what_left_is_joined_to_what_arrived():
    (found,) = pair_movers([blob(100, 100, "first"), blob(160, 180, "second")], np.eye(3))
    assert found.box_first_xyxy_px == (80, 95, 120, 105)
    assert found.box_second_xyxy_px == pytest.approx((140, 175, 180, 185))
    assert found.displacement_px == pytest.approx(100)


def test_the_cameras_own_motion_is_in_the_box_and_not_in_the_displacement():
    matrix = camera_matrix((600, 800), shift_xy_px=(30, -20))
    (found,) = pair_movers([blob(100, 100, "first"), blob(160, 180, "second")], matrix)
    assert found.box_second_xyxy_px == pytest.approx((170, 155, 210, 165))
    assert found.displacement_px == pytest.approx(100)


def test_two_animals_are_joined_by_size_and_colour_and_not_only_by_nearness():
    blobs = [
        blob(100, 100, "first", length=40, contrast=DARK),
        blob(130, 140, "first", length=24, contrast=PALE),
        blob(180, 150, "second", length=38, contrast=DARK),
        blob(150, 110, "second", length=25, contrast=PALE),
    ]
    found = pair_movers(blobs, np.eye(3))
    assert len(found) == 2
    for item in found:
        widths = [box[2] - box[0] for box in (item.box_first_xyxy_px, item.box_second_xyxy_px)]
        assert widths[0] == pytest.approx(widths[1], abs=3)


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(blob(160, 180, "second", contrast=PALE), id="another colour"),
        pytest.param(blob(160, 180, "second", length=400), id="another size"),
        pytest.param(blob(3000, 2500, "second"), id="too far"),
    ],
)
def test_two_unlike_blobs_are_one_that_left_and_one_that_came(other):
    found = pair_movers([blob(100, 100, "first"), other], np.eye(3))
    assert len(found) == 2
    assert all(item.displacement_px is None for item in found)
    assert {item.box_first_xyxy_px is None for item in found} == {True, False}


def test_what_moved_by_less_than_its_length_has_a_box_on_both_photos():
    (found,) = pair_movers([blob(100, 100, "both")], np.eye(3))
    assert found.box_first_xyxy_px == pytest.approx(found.box_second_xyxy_px)
    assert found.displacement_px == 0.0


def test_nothing_gives_nothing():
    assert pair_movers([], np.eye(3)) == ()
    assert link_movers([]) == ()
    assert link_movers([[], []]) == ((), ())


def test_the_same_animal_keeps_its_number_over_a_view():
    linked = link_movers([[mover(100, 160), mover(500, 560)], [mover(560, 620), mover(160, 220)]])
    assert [item.track for item in linked[0]] == [1, 2]
    assert [item.track for item in linked[1]] == [2, 1]


def test_an_animal_that_came_is_followed_from_where_it_arrived():
    linked = link_movers([[mover(None, 300)], [mover(300, 380)], [mover(380, None)]])
    assert [pair[0].track for pair in linked] == [1, 1, 1]


@pytest.mark.parametrize(("gap", "track"), [(1, 1), (2, 1), (3, 2)])
def test_an_animal_that_rested_keeps_its_number_for_as_many_photos_as_asked(gap, track):
    pairs = [[mover(100, 160)], *[[] for _ in range(gap)], [mover(160, 240)]]
    linked = link_movers(pairs, max_gap_photos=2)
    assert linked[-1][0].track == track


def test_where_an_animal_rested_is_carried_along_with_the_camera():
    matrix = camera_matrix((600, 4000), shift_xy_px=(3000, 0))
    pairs = [[mover(100, 160)], [], [mover(3160, 3220)]]
    matrices = [np.eye(3), matrix, np.eye(3)]
    assert link_movers(pairs, matrices=matrices)[-1][0].track == 1
    assert link_movers(pairs)[-1][0].track == 2
    assert link_movers(pairs, matrices=[np.eye(3), None, np.eye(3)])[-1][0].track == 2


def test_two_animals_never_share_a_number():
    linked = link_movers([[mover(100, 160)], [mover(160, 220), mover(170, 500)]])
    assert sorted(item.track for item in linked[1]) == [1, 2]


def test_an_animal_whose_leaving_and_arriving_were_not_joined_keeps_its_number():
    """What left and what arrived in one pair are unlike, and each goes on in its own way."""
    before, after = [mover(100, 160)], [mover(300, 360)]
    linked = link_movers([before, [mover(160, None), mover(None, 300)], after])
    assert {item.track for pair in linked for item in pair} == {1}


def stayed(first, second) -> Mover:
    both = mover(first, second)
    return Mover(both.box_first_xyxy_px, both.box_second_xyxy_px, displacement_px=5.0, z_peak=9.0)


def test_an_animal_taken_to_have_stayed_is_followed_to_where_it_went():
    """Its second place is bare ground: a place that arrived alone goes on, and that one does not."""
    linked = link_movers(
        [[mover(100, 160)], [stayed(160, 165), mover(None, 260)], [mover(260, 330)]]
    )
    assert linked[0][0].track == linked[1][0].track == linked[1][1].track == linked[2][0].track


def test_what_seems_to_have_stayed_left_or_arrived_as_its_neighbours_in_time_tell():
    """A place that the next pair shows and the one before does not is where something arrived."""
    elsewhere = mover(700, 760)
    for before, after, sides in (
        (elsewhere, mover(165, 230), (True, False)),
        (mover(40, 160), elsewhere, (False, True)),
        (mover(40, 160), mover(165, 230), (False, False)),
        (elsewhere, elsewhere, (False, False)),
    ):
        (_before, (told,), _after) = told_apart([[before], [stayed(160, 165)], [after]])
        assert (told.box_first_xyxy_px is None, told.box_second_xyxy_px is None) == sides
    (told,) = told_apart([[], [stayed(160, 165)], [mover(165, 230)]])[1]
    assert None not in (told.box_first_xyxy_px, told.box_second_xyxy_px)


def test_looks_of_blobs_tell_who_went_on_where_two_are_as_near():
    """Boxes are alike; one animal is dark, the other pale."""

    def looking(x, y, contrast):
        box = (x - 20.0, y - 7.0, x + 20.0, y + 7.0)
        return Mover(box, box, None, 9.0, traits=Traits(40.0, 10.0, 300.0, contrast))

    pairs = [
        [looking(160, 200, DARK), looking(160, 300, PALE)],
        [],
        [looking(230, 250, PALE), looking(230, 250, DARK)],
    ]
    linked = link_movers(pairs)
    dark, pale = linked[0]
    assert [item.track for item in linked[2]] == [pale.track, dark.track]


def test_a_mover_keeps_what_its_blobs_look_like():
    (found,) = pair_movers([blob(100, 100, "first"), blob(160, 180, "second")], np.eye(3))
    assert found.traits == Traits(40.0, 10.0, 320.0, DARK)
    with pytest.raises(ShapeError, match="traits"):
        Traits(40.0, 0.0, 320.0, DARK)


def test_sizes_tell_who_went_on_where_two_were_overlooked_at_once():
    """Both new places are as far from the one animal as from the other."""

    def sized(x, y, half):
        box = (x - half, y - half / 3, x + half, y + half / 3)
        return Mover(box, box, displacement_px=None, z_peak=9.0)

    pairs = [
        [sized(160, 200, 20.0), sized(160, 300, 70.0)],
        [],
        [sized(310, 250, 70.0), sized(310, 250, 20.0)],
    ]
    linked = link_movers(pairs)
    small, large = linked[0]
    assert [item.track for item in linked[2]] == [large.track, small.track]


def one_sided(rng, at: float) -> Mover:
    """A mover with both places, or one of them."""
    sides = [(at, at + 50), (at, None), (None, at)]
    return mover(*sides[rng.integers(3)])


def test_no_link_closes_a_circle_and_every_mover_has_a_number():
    rng = np.random.default_rng(3)
    for _ in range(30):
        pairs = [
            [one_sided(rng, float(at)) for at in rng.uniform(0, 900, rng.integers(0, 7))]
            if rng.random() < 0.9
            else []
            for _ in range(6)
        ]
        linked = link_movers(pairs)
        numbers = {item.track for pair in linked for item in pair}
        assert [len(pair) for pair in linked] == [len(pair) for pair in pairs]
        assert numbers == set(range(1, len(numbers) + 1))


def test_a_link_is_worth_less_the_farther_and_the_more_unlike_in_size():
    (option,) = link_options(
        find_tracklets([[mover(100, 160)], [], [mover(170, 240)]]), [np.eye(3)] * 3, 1
    )
    evidence = option.evidence
    assert (evidence.gap_0, evidence.gap_1, evidence.gap_2) == (0.0, 1.0, 0.0)
    assert evidence.far_1 == pytest.approx(10 / 40)
    assert log_odds(evidence) > log_odds(evidence._replace(near_1=evidence.near_1 + 1.0))
    assert log_odds(evidence) > log_odds(evidence._replace(size=evidence.size + 0.5))


def test_two_that_look_like_different_kinds_are_not_linked_and_alike_ones_are():
    leech, snail = np.array([0.97, 0.01, 0.01, 0.01]), np.array([0.01, 0.01, 0.97, 0.01])
    pairs = [[mover(100, 160)], [], [mover(220, 280)]]
    for seen_as, track in (
        ([[leech], [], [leech]], 1),
        ([[leech], [], [snail]], 2),
        (None, 1),
    ):
        assert link_movers(pairs, seen_as=seen_as)[-1][0].track == track


def test_a_mover_joined_over_a_distance_is_nobodys_other_half():
    """What left beside it is another animal: one cannot be at two places on one photo."""
    linked = link_movers([[mover(100, 400), mover(300, None)], [mover(400, 600)]])
    assert linked[0][0].track == linked[1][0].track != linked[0][1].track


def test_a_box_is_carried_edge_for_edge():
    assert carried_box((0, 0, 10, 20), np.diag([1.0, 1.0, 1.0])) == pytest.approx((0, 0, 10, 20))
    turned = camera_matrix((101, 101), turn_deg=90)
    assert carried_box((0, 0, 10, 20), turned) == pytest.approx((81, 0, 101, 10))


def test_wrong_input_is_a_programmers_error():
    with pytest.raises(ShapeError, match="matrix"):
        pair_movers([], np.eye(2))
    with pytest.raises(ShapeError, match="matrices"):
        link_movers([[]], matrices=[])
    with pytest.raises(ShapeError, match="boxes"):
        Mover(None, None, None, 1.0)
