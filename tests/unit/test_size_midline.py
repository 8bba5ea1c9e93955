import cv2
import numpy as np
import pytest

from pestvision.errors import ShapeError
from pestvision.size.midline import COMPACT, LOOP, midline_of, thinned


def band(line: np.ndarray, width: float, shape: tuple[int, int]) -> np.ndarray:
    """A mask of all that lies within half a width of a line: its ends are round."""
    rows, columns = np.mgrid[: shape[0], : shape[1]] + 0.5
    places = np.column_stack([columns.ravel(), rows.ravel()])
    gaps = np.min([np.hypot(*(places - point).T) for point in line], axis=0)
    return gaps.reshape(shape) <= width / 2


def test_a_stadium_is_as_long_as_it_is() -> None:
    # A stadium of 222 x 43 px: a bare skeleton gives 171 (measured with scikit-image 0.26).
    mask = np.zeros((80, 260), np.bool_)
    mask |= band(
        np.column_stack([np.linspace(41.5, 220.5, 400), np.full(400, 40.0)]), 43, (80, 260)
    )
    found = midline_of(mask)
    assert found is not None
    assert found.length_px == pytest.approx(222, rel=0.02)
    assert found.widths_px[5] == pytest.approx(43, rel=0.04)
    assert found.points_xy_px[5] == pytest.approx([131, 40], abs=1.0)


@pytest.mark.parametrize("radius_px", [40.0, 150.0])
@pytest.mark.parametrize("width_px", [4.0, 9.0])
def test_a_half_circle_is_measured_along_its_bend(radius_px: float, width_px: float) -> None:
    # pi r along the middle, and the round caps at both ends.
    turn = np.linspace(0, np.pi, 900)
    side = int(2 * radius_px + 30)
    line = np.column_stack([side / 2 + radius_px * np.cos(turn), 15 + radius_px * np.sin(turn)])
    found = midline_of(band(line, width_px, (side, side)))
    assert found is not None
    assert found.length_px == pytest.approx(np.pi * radius_px + width_px, rel=0.02)
    assert found.doubts == ()
    gaps = np.hypot(*(found.points_xy_px - [side / 2, 15]).T) - radius_px
    assert np.abs(gaps[1:-1]).max() < 1.0


def test_turning_a_mask_round_changes_nothing_but_the_places() -> None:
    line = np.column_stack([np.linspace(20, 90, 200), 40 + 12 * np.sin(np.linspace(0, 5, 200))])
    mask = band(line, 11, (80, 110))
    one, other = midline_of(mask), midline_of(np.ascontiguousarray(mask[::-1, ::-1].T))
    assert one is not None
    assert other is not None
    assert one.length_px == pytest.approx(other.length_px, rel=0.015)


def test_a_larger_picture_gives_a_length_larger_alike() -> None:
    line = np.column_stack([np.linspace(20, 60, 200), 30 + 6 * np.sin(np.linspace(0, 5, 200))])
    small, large = midline_of(band(line, 7, (60, 80))), midline_of(band(9 * line, 63, (540, 720)))
    assert small is not None
    assert large is not None
    assert large.length_px == pytest.approx(9 * small.length_px, rel=0.02)


def test_a_ring_is_doubted_and_a_speck_of_light_is_not() -> None:
    turn = np.linspace(0, 2 * np.pi, 900)
    ring = midline_of(
        band(np.column_stack([60 + 40 * np.cos(turn), 60 + 40 * np.sin(turn)]), 9, (120, 120))
    )
    assert ring is not None
    assert LOOP in ring.doubts
    body = band(np.column_stack([np.linspace(20, 100, 300), np.full(300, 30.0)]), 19, (60, 120))
    speckled = body.copy()
    speckled[28:31, 50:54] = False
    plain, with_speck = midline_of(body), midline_of(speckled)
    assert plain is not None
    assert with_speck is not None
    assert with_speck.doubts == ()
    assert with_speck.length_px == pytest.approx(plain.length_px, rel=0.005)


def test_a_disc_has_its_longest_extent_and_says_so() -> None:
    disc = band(np.array([[50.0, 50.0]]), 60, (100, 100))
    found = midline_of(disc)
    assert found is not None
    assert found.length_px == pytest.approx(60, rel=0.03)
    assert found.doubts == (COMPACT,)


def test_the_largest_piece_is_taken_and_nothing_is_nothing() -> None:
    mask = np.zeros((50, 90), np.bool_)
    assert midline_of(mask) is None
    mask[20:24, 10:70] = True
    mask[40:44, 80:86] = True
    found = midline_of(mask)
    assert found is not None
    assert found.length_px == pytest.approx(60, rel=0.02)


@pytest.mark.parametrize("pixels", [(1, 1), (1, 2), (2, 2), (1, 30), (3, 3)])
def test_a_few_pixels_are_answered(pixels: tuple[int, int]) -> None:
    mask = np.zeros((9, 40), np.bool_)
    mask[3 : 3 + pixels[0], 4 : 4 + pixels[1]] = True
    found = midline_of(mask)
    assert found is not None
    assert np.isfinite(found.points_xy_px).all()
    assert 0.5 * max(pixels) <= found.length_px <= 1.6 * np.hypot(*pixels)


def test_a_mask_on_the_whole_frame_is_answered() -> None:
    found = midline_of(np.ones((30, 70), np.bool_))
    assert found is not None
    assert found.length_px == pytest.approx(70, rel=0.12)


def test_no_mask_is_refused() -> None:
    with pytest.raises(ShapeError, match="bool"):
        midline_of(cv2.UMat(3, 3, 0).get())


def thinned_by_hand(body: np.ndarray) -> np.ndarray:
    """Zhang and Suen 1984 as their paper words it, place by place; nothing lies beyond the edge."""
    left = np.pad(body.astype(int), 1)
    around = ((-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1))
    while True:
        n_before = left.sum()
        for first in (True, False):
            gone = []
            for row, column in np.argwhere(left):
                p = [left[row + down, column + across] for down, across in around]
                turns = sum(p[i] == 0 and p[(i + 1) % 8] == 1 for i in range(8))
                north, east, south, west = p[0], p[2], p[4], p[6]
                ways = (
                    (north * east * south, east * south * west)
                    if first
                    else (north * east * west, north * south * west)
                )
                if 2 <= sum(p) <= 6 and turns == 1 and not any(ways):
                    gone.append((row, column))
            for place in gone:
                left[place] = 0
        if left.sum() == n_before:
            return left[1:-1, 1:-1]


@pytest.mark.parametrize("seed", range(4))
def test_thinning_is_that_of_the_paper_also_where_a_mask_reaches_the_edge(seed: int) -> None:
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(rng.random((30, 45)).astype(np.float32), (0, 0), 1.0 + seed)
    body = (soft > np.median(soft)).astype(np.uint8)
    assert body[0].any()
    assert body[:, -1].any()
    assert np.array_equal(thinned(body), thinned_by_hand(body))
