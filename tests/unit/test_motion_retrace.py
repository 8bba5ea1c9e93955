import cv2
import numpy as np
import pytest

from pestvision.arrays import F32, U8, BoxXyxy
from pestvision.motion.bodies import Body
from pestvision.motion.chase import chase
from pestvision.motion.retrace import N_FEW, looked_at_few, retraced

STILL_CAMERA = np.eye(3)


def frame_with(at_xy: tuple[float, float], half: tuple[int, int] = (20, 8)) -> U8:
    rgb = np.full((120, 200, 3), 200, np.uint8)
    cv2.ellipse(rgb, (round(at_xy[0]), round(at_xy[1])), half, 0, 0, 360, (60, 50, 40), cv2.FILLED)
    return rgb


def sure_by_colour(cut: U8, _inner: BoxXyxy) -> F32:
    return (cut.mean(axis=2) < 128).astype(np.float32)


def part(left: int, top: int, wide: int, high: int) -> Body:
    return Body(left, top, np.ones((high, wide), np.bool_), 10.0)


def test_from_a_part_that_stood_out_the_whole_body_is_found_in_every_frame() -> None:
    frames = [
        frame_with((60 + i, 60)) for i in range(12)
    ]  # slow: most of it never leaves its place
    bodies = retraced(
        {6: part(60, 54, 26, 12)},
        (6, part(60, 54, 26, 12)),
        frames,
        [STILL_CAMERA] * 12,
        sure_by_colour,
    )
    assert sorted(bodies) == list(range(12))
    for i, body in bodies.items():
        assert body.mask.shape == pytest.approx((17, 41), abs=2)
        assert body.middle == pytest.approx([60.5 + i, 60.5], abs=1.0)


def test_it_is_looked_for_in_the_frames_that_were_asked_for_alone() -> None:
    frames = [frame_with((60 + i, 60)) for i in range(12)]
    start = part(44, 51, 43, 19)
    bodies = retraced(
        {4: start}, (4, start), frames, [STILL_CAMERA] * 12, sure_by_colour, within=(2, 9)
    )
    assert sorted(bodies) == list(range(2, 9))


def test_a_first_impression_takes_a_few_looks_and_leaves_out_what_shows_nothing() -> None:
    frames = [frame_with((60, 60))] * 40 + [np.full((120, 200, 3), 200, np.uint8)] * 40
    seen = {number: part(42, 54, 36, 12) for number in range(80)}
    n_asked = []

    def counted(cut: U8, inner: BoxXyxy) -> F32:
        n_asked.append(1)
        return sure_by_colour(cut, inner)

    bodies = looked_at_few(seen, frames, [STILL_CAMERA] * 80, counted)
    assert len(n_asked) == N_FEW
    assert max(bodies) < 40
    assert len(bodies) == N_FEW / 2
    assert bodies[0].mask.shape == pytest.approx((17, 41), abs=2)


def test_bodies_are_given_on_the_anchor_where_the_camera_moved() -> None:
    shift = [np.array([[1.0, 0.0, -3.0 * i], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]) for i in range(5)]
    frames = [frame_with((60 + 3 * i, 60)) for i in range(5)]  # the camera's own motion only
    start = part(45, 55, 30, 10)
    bodies = retraced({0: start}, (0, start), frames, shift, sure_by_colour)
    for body in bodies.values():
        assert body.middle == pytest.approx([60.5, 60.5], abs=1.0)


def test_an_animal_that_is_gone_is_not_followed_on() -> None:
    frames = [frame_with((60, 60))] * 4 + [np.full((120, 200, 3), 200, np.uint8)] * 8
    start = part(45, 55, 30, 10)
    bodies = retraced({0: start}, (0, start), frames, [STILL_CAMERA] * 12, sure_by_colour)
    assert sorted(bodies) == [0, 1, 2, 3]


def test_an_animal_that_jumped_is_taken_up_where_it_stands_out() -> None:
    frames = [frame_with((40, 30))] * 5 + [frame_with((150, 90))] * 5
    start = part(22, 24, 36, 12)
    bodies = retraced(
        {0: start, 5: part(132, 84, 36, 12)},
        (0, start),
        frames,
        [STILL_CAMERA] * 10,
        sure_by_colour,
    )
    assert sorted(bodies) == list(range(10))
    assert bodies[9].middle == pytest.approx([150.5, 90.5], abs=1.0)


def test_another_thing_in_the_box_much_larger_than_it_is_not_taken_for_it() -> None:
    frames = [frame_with((60, 60))] * 3 + [frame_with((60, 60), half=(80, 50))] * 3
    start = part(42, 54, 36, 12)
    bodies = retraced({0: start}, (0, start), frames, [STILL_CAMERA] * 6, sure_by_colour)
    assert sorted(bodies) == [0, 1, 2]


def test_no_frames_are_no_animals() -> None:
    assert chase([]).trails == ()


def test_an_outline_that_comes_out_a_little_small_does_not_waste_away() -> None:
    def sure_within(cut: U8, inner: BoxXyxy) -> F32:
        """Knows an animal by its colour, and trusts nothing by the edge of the box."""
        soft = sure_by_colour(cut, inner)
        x0, y0, x1, y1 = (round(value) for value in inner)
        within = np.zeros_like(soft)
        within[y0 + 1 : y1 - 1, x0 + 1 : x1 - 1] = 1
        return np.asarray(soft * within, np.float32)

    frames = [frame_with((60 + i, 60)) for i in range(40)]
    start = part(39, 51, 43, 19)
    bodies = retraced({0: start}, (0, start), frames, [STILL_CAMERA] * 40, sure_within)
    assert bodies[39].mask.shape == pytest.approx((17, 41), abs=3)
    close = retraced(
        {0: start}, (0, start), frames, [STILL_CAMERA] * 40, sure_within, is_close=True
    )
    assert 39 not in close or close[39].area < 0.5 * bodies[39].area


def test_an_outline_that_stayed_on_a_stone_goes_on_where_the_animal_stands_out() -> None:
    frames, seen = [], {}
    for i in range(24):
        rgb = frame_with((40 + 5 * i, 60), half=(14, 6))
        cv2.ellipse(rgb, (100, 62), (22, 14), 0, 0, 360, (60, 50, 40), cv2.FILLED)
        frames.append(rgb)
        seen[i] = part(26 + 5 * i, 54, 29, 13)
    bodies = retraced(seen, (0, seen[0]), frames, [STILL_CAMERA] * 24, sure_by_colour)
    assert bodies[23].middle[0] == pytest.approx(155.5, abs=6)


def test_a_start_that_held_much_more_than_the_animal_is_left_out() -> None:
    frames = [frame_with((60, 60), half=(50, 30))] + [frame_with((60, 60))] * 9
    seen = {i: part(40, 52, 41, 17) for i in range(1, 10)}
    bodies = retraced(seen, (0, part(10, 30, 101, 61)), frames, [STILL_CAMERA] * 10, sure_by_colour)
    assert sorted(bodies) == list(range(1, 10))
