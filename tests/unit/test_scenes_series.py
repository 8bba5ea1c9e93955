"""Drawn series: who is where on each photo, who rests, comes late, leaves and crosses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pestvision.errors import ShapeError
from training.scenes.pairs import CALM
from training.scenes.records import TRIPOD
from training.scenes.series import DrawnSeries, Habits, draw_series

pytestmark = pytest.mark.slow  # solid bodies take long to paint

SIZE = (180, 240)
STEADY = Habits(rest_share=0.0, late_share=0.0, leave_share=0.0, cross_share=0.0)


def series(seed: int, habits: Habits = STEADY, n: int = 5, **more: object) -> DrawnSeries:
    options = {"movers": ("leech", "snail"), "length_px": (20.0, 30.0), "stir": CALM, **more}
    return draw_series(
        np.random.default_rng(seed),
        height_px=SIZE[0],
        width_px=SIZE[1],
        n=n,
        habits=habits,
        hand_held=TRIPOD,
        **options,  # type: ignore[arg-type]
    )


def middles(drawn: DrawnSeries, track: int) -> list[tuple[float, float]]:
    """Where a mover is on each photo that shows it, on the first photo's pixels."""
    places = []
    for photo in drawn.photos:
        for animal in photo.animals:
            if animal.track == track:
                x0, y0, x1, y1 = animal.truth.box_xyxy_px
                back = np.linalg.inv(photo.matrix) @ [(x0 + x1) / 2, (y0 + y1) / 2, 1.0]
                places.append((float(back[0]), float(back[1])))
    return places


def test_every_mover_is_on_every_photo_and_goes_on() -> None:
    drawn = series(1)
    assert [mover.fine for mover in drawn.movers] == ["leech", "snail"]
    np.testing.assert_allclose(drawn.photos[0].matrix, np.eye(3), atol=1e-9)
    for mover in drawn.movers:
        places = middles(drawn, mover.track)
        assert len(places) == 5
        steps = np.linalg.norm(np.diff(places, axis=0), axis=1)
        assert steps.min() > 2.0
        assert mover.contrast_sigmas > 0


def test_at_a_slow_pace_steps_are_short_and_a_pace_of_nothing_is_refused() -> None:
    far = {
        pace: np.linalg.norm(
            np.diff(middles(series(1, replace(STEADY, pace=pace)), 1), axis=0), axis=1
        ).sum()
        for pace in (0.2, 1.0)
    }
    assert far[0.2] < 0.5 * far[1.0]
    with pytest.raises(ShapeError):
        Habits(pace=0.0)


def test_the_picture_changes_where_the_truth_says() -> None:
    (drawn,) = [series(2, stir=CALM)]
    one, other = drawn.photos[:2]
    change = np.abs(one.rgb.astype(np.int16) - other.rgb).mean(axis=2)
    on = np.zeros(SIZE, bool)
    for photo in (one, other):
        for animal in photo.animals:
            x0, y0, x1, y1 = (int(v) for v in animal.truth.box_xyxy_px)
            on[max(0, y0) : y1, max(0, x0) : x1] = True
    assert change[on].mean() > 1.5 * change[~on].mean()


def test_who_rests_stays_for_two_photos_at_most() -> None:
    places = middles(series(3, Habits(1.0, 2, 0.0, 0.0, 0.0), n=7), 0)
    still = np.linalg.norm(np.diff(places, axis=0), axis=1) < 1.5
    assert still.tolist() == [True, True, False, True, True, False]


def test_some_come_late_and_some_leave_and_none_comes_back() -> None:
    drawn = series(4, Habits(0.0, 0, 1.0, 1.0, 0.0), n=7)
    for track in (0, 1):
        there = [any(a.track == track for a in photo.animals) for photo in drawn.photos]
        assert not there[0]
        assert not there[-1]
        assert np.abs(np.diff(np.array(there, int))).sum() == 2


def test_two_that_cross_change_places_between_two_photos() -> None:
    crossing = Habits(0.0, 0, 0.0, 0.0, 1.0)
    drawn = next(one for one in (series(seed, crossing) for seed in range(9)) if one.has_crossing)
    one, other = (np.array(middles(drawn, track)) for track in (0, 1))
    towards = other - one  # turns about when they change places
    turned = (towards[:-1] * towards[1:]).sum(axis=1)
    near = np.linalg.norm(towards[:-1], axis=1) < 4 * 30
    assert (near & (turned < 0)).any()
    assert not series(1).has_crossing


def test_one_seed_gives_one_series_and_one_photo_is_none() -> None:
    np.testing.assert_array_equal(series(5).photos[3].rgb, series(5).photos[3].rgb)
    with pytest.raises(ShapeError, match="2 photos or more"):
        series(5, n=1)
    with pytest.raises(ShapeError, match="rest_share"):
        Habits(rest_share=1.5)
