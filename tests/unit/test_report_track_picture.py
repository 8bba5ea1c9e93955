"""Where the animals of a clip went: on the whole frame, and close up where they are small."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from made_trails import glider, inchworm, trail_of
from PIL import ImageDraw

from pestvision.errors import ShapeError
from pestvision.report import track_picture as drawing
from pestvision.report.track_picture import (
    CLOSE_PX,
    INSET_SHARE,
    MOST_TIMES,
    Tracked,
    close_up,
    track_picture,
    window_of,
)

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from pestvision.motion.trail import Trail

GROUND = np.full((600, 900, 3), 120, np.uint8)


def line_at(x: float, y: float) -> F64:
    """A level body of 30 px from there to the right, (11, 2)."""
    return np.stack([np.linspace(x, x + 30, 11), np.full(11, y)], axis=1)


def speck(x: float, y: float) -> Trail:
    """A small animal that goes 20 px to the right in a second."""
    times = np.arange(11) / 10
    return trail_of(times, np.stack([line_at(x + 20 * t - 10, y) for t in times]))


def changed(picture: np.ndarray) -> np.ndarray:
    return np.any(picture != GROUND, axis=2)


def test_a_track_is_drawn_where_the_animal_went_and_nowhere_else() -> None:
    picture = changed(track_picture(GROUND, [Tracked(1, "flatworm-like", glider())], scale=1.0))
    assert picture[100:205, 618:623].any(axis=1).all()
    assert not picture[:, :590].any()
    assert not picture[260:].any()


def test_a_track_is_drawn_in_pixels_of_the_picture_as_shown() -> None:
    picture = changed(track_picture(GROUND, [Tracked(1, "flatworm-like", glider())], scale=0.5))
    assert picture[60:95, 309:312].any(axis=1).all()
    assert not picture[:, 600:].any()


def test_no_way_is_drawn_over_frames_in_which_it_was_not_seen() -> None:
    times = np.arange(30) / 10
    along = np.linspace(-10, 10, 11)
    x = 100 + 20 * np.arange(30)[:, None] + 0 * along
    lines = np.stack([x, 300 + 0 * x + along], axis=2)
    hidden = trail_of(times, lines, unseen=tuple(range(8, 14)))
    picture = changed(track_picture(GROUND, [Tracked(1, "harmless", hidden)], scale=1.0))
    middle = picture[299:302].any(axis=0)
    assert middle[100:235].any()
    assert not middle[255:360].any()
    assert middle[400:640].any()


def test_the_plates_of_animals_close_together_hide_no_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plates: list[tuple[float, ...]] = []

    class Pen(ImageDraw.ImageDraw):
        def rectangle(self, xy: tuple[float, ...], **options: Any) -> None:
            plates.append(xy)
            super().rectangle(xy, **options)

    monkeypatch.setattr(drawing.ImageDraw, "Draw", Pen)
    crowd = [Tracked(number, "flatworm-like", glider()) for number in range(1, 7)]
    track_picture(GROUND, crowd, scale=1.0)
    assert len(plates) == 6
    for one, other in itertools.combinations(plates, 2):
        assert one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]


def test_an_animal_seen_once_is_drawn_without_a_way() -> None:
    once = inchworm(3, unseen=(0, 2))
    assert changed(track_picture(GROUND, [Tracked(1, "cant-tell", once)], scale=1.0)).any()


def test_a_small_animal_is_shown_close_up_and_a_large_one_is_not() -> None:
    small, wide = (
        Tracked(1, "harmless", speck(450.0, 300.0)),
        np.full((1080, 1920, 3), 120, np.uint8),
    )
    window = window_of([small], wide, scale=1.0)
    assert window is not None
    x0, y0, x1, y1 = window
    assert (x0 + x1) / 2 == pytest.approx(465, abs=16)
    assert (y0 + y1) / 2 == pytest.approx(300, abs=1)
    assert CLOSE_PX[0] / (x1 - x0) == pytest.approx(MOST_TIMES)
    drawn = close_up(wide, [small], scale=1.0, window=window)
    assert drawn.shape == (CLOSE_PX[1], CLOSE_PX[0], 3)
    across = np.any(drawn[290:311] != 120, axis=(0, 2)).nonzero()[0]
    assert across[-1] - across[0] > 0.25 * CLOSE_PX[0]  # on the whole frame: 3 % of the width
    assert window_of([Tracked(1, "harmless", inchworm())], GROUND[:400, :550], scale=1.0) is None
    assert window_of([], GROUND, scale=1.0) is None


def test_a_close_up_stays_inside_the_frame_and_in_its_pixels() -> None:
    shown = np.full((540, 960, 3), 120, np.uint8)  # a frame of 1920 x 1080, shown at half its size
    window = window_of([Tracked(1, "harmless", speck(1880.0, 1060.0))], shown, scale=0.5)
    assert window is not None
    assert window[2:] == pytest.approx((1920, 1080))
    assert CLOSE_PX[0] / (0.5 * (window[2] - window[0])) == pytest.approx(MOST_TIMES)


def test_the_small_picture_marks_where_the_close_up_is_and_hides_no_track() -> None:
    wide = np.full((1080, 1920, 3), 120, np.uint8)
    low_right = [
        Tracked(1, "harmless", speck(1880.0, 1060.0))
    ]  # the track lies in the usual corner
    window = window_of(low_right, wide, scale=1.0)
    assert window is not None
    drawn = close_up(wide, low_right, scale=1.0, window=window)
    pure = np.all(drawn == 255, axis=2)
    rows, columns = np.nonzero(pure & (np.arange(CLOSE_PX[0]) < CLOSE_PX[0] / 2))
    assert rows.min() > CLOSE_PX[1] / 2  # in the other lower corner
    marked = pure[rows.min() + 8 : rows.max() - 8, columns.min() + 8 : columns.max() - 8].nonzero()
    assert marked[1].min() > 0.8 * INSET_SHARE * CLOSE_PX[0]  # low and far to the right in it


@pytest.mark.parametrize(("unseen", "is_drawn"), [((), False), ((0,), True)])
def test_no_body_is_drawn_over_an_animal_that_the_first_frame_shows(
    unseen: tuple[int, ...], is_drawn: bool
) -> None:
    wide = np.full((1080, 1920, 3), 120, np.uint8)
    here = trail_of(np.arange(2) / 10, np.stack([line_at(450.0, 300.0)] * 2), unseen=unseen)
    if not unseen:  # where it is on the second frame is far from where it is on the first
        here = trail_of(np.arange(2) / 10, np.stack([line_at(450, 300), line_at(450, 330)]))
    drawn = close_up(
        wide, [Tracked(1, "harmless", here)], scale=1.0, window=(350.0, 250.0, 550.0, 400.0)
    )
    body = drawn[198:203, 400:450].astype(int)  # its tail where it was first, away from the ring
    assert (np.ptp(body, axis=2) > 60).any() == is_drawn


def test_a_label_that_is_none_is_refused() -> None:
    with pytest.raises(ShapeError):
        Tracked(1, "eel", glider())
