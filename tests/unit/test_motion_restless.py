"""What the other pairs of a stretch say of a place; the cases are this project's own."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pestvision.errors import ShapeError
from pestvision.motion.blobs import Blob, PairChange, found_blobs, is_found
from pestvision.motion.restless import (
    LEAST_FACTOR,
    MOST_FACTOR,
    PairPlaces,
    factor_of,
    place_factors,
    restlessness,
)

BOX = (100.0, 80.0, 130.0, 96.0)
FAR = (300.0, 20.0, 330.0, 40.0)
SIZE = (240, 400)


def shifted(x: float = 0.0, y: float = 0.0) -> np.ndarray:
    return np.array([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]])


def pair(*boxes: tuple[float, float, float, float], matrix: np.ndarray | None = None) -> PairPlaces:
    return PairPlaces(boxes, np.eye(3) if matrix is None else matrix, SIZE)


def test_a_place_that_changes_in_every_pair_is_told_from_one_that_changes_once() -> None:
    pairs = [pair(BOX, FAR), *(pair(BOX) for _ in range(7))]
    ((restless, restful), *_others) = place_factors(pairs, [[BOX, FAR], *([] for _ in range(7))])
    assert (restless, restful) == (MOST_FACTOR, LEAST_FACTOR)
    assert LEAST_FACTOR < 1 < MOST_FACTOR


def test_an_animal_that_comes_and_leaves_in_the_next_pair_is_not_restless() -> None:
    pairs = [pair(), pair(), pair(BOX), pair(BOX), pair(), pair(), pair(), pair()]
    assert restlessness(BOX, 2, pairs) == 0.0
    assert restlessness(BOX, 3, pairs) == 0.0


def test_places_are_laid_on_each_other_by_the_matrices_both_ways() -> None:
    """The camera strays 10 px to the right and 4 down with each photo; the plant stays."""
    there = [(100.0 + 10 * k, 80.0 + 4 * k, 130.0 + 10 * k, 96.0 + 4 * k) for k in range(6)]
    pairs = [pair(box, matrix=shifted(10, 4)) for box in there]
    assert [restlessness(box, rank, pairs) for rank, box in enumerate(there)] == [1.0] * 6
    assert [restlessness(FAR, rank, pairs) for rank in range(6)] == [0.0] * 6
    unmoved = [pair(box) for box in there]
    assert restlessness(there[0], 0, unmoved) == 0.0


@pytest.mark.parametrize("n_pairs", [1, 2, 3])
def test_of_few_pairs_nothing_is_said(n_pairs: int) -> None:
    pairs = [pair(BOX) for _ in range(n_pairs)]
    assert place_factors(pairs, [[BOX]] * n_pairs) == [[1.0]] * n_pairs


def test_beyond_a_pair_that_could_not_be_aligned_nothing_is_known() -> None:
    pairs: list[PairPlaces | None] = [pair(BOX) for _ in range(8)]
    pairs[4] = None
    assert restlessness(BOX, 0, pairs) == 1.0  # pairs 2 and 3
    assert restlessness(BOX, 1, pairs) is None  # pair 3 alone
    assert restlessness(BOX, 5, pairs) is None  # pair 7 alone
    boxes = [[BOX], [], [], [], [], [], [], []]
    assert [len(of_pair) for of_pair in place_factors(pairs, boxes)] == [1, *[0] * 7]


def test_a_place_outside_the_other_photos_is_not_known() -> None:
    pairs = [pair(BOX, matrix=shifted(-200)) for _ in range(8)]
    assert restlessness(BOX, 0, pairs) is None
    assert factor_of(None) == 1.0


def test_factors_grow_with_the_share_of_pairs_and_have_ends() -> None:
    factors = [factor_of(share) for share in np.linspace(0, 1, 50)]
    assert factors == sorted(factors)
    assert (factors[0], factors[-1]) == (LEAST_FACTOR, MOST_FACTOR)


def test_a_matrix_of_another_shape_is_refused() -> None:
    with pytest.raises(ShapeError, match="matrix"):
        PairPlaces((), np.eye(2), SIZE)


def seen(*expected_false: float) -> PairChange:
    blobs = tuple(
        Blob((40.0 * k, 0, 40.0 * k + 20, 9), "both", 9.0, 99, 20.0, (9.0, 9.0, 9.0))
        for k in range(len(expected_false))
    )
    return PairChange(blobs, expected_false, pair())


def test_a_doubtful_blob_at_a_restless_place_goes_and_a_plain_one_stays() -> None:
    tried = np.linspace(0.01, 0.3, 2901)
    limit = max(float(one) for one in tried if is_found([float(one)], 0.1)[0])
    assert 0.05 < limit < 0.2
    assert len(found_blobs(seen(0.9 * limit))) == 1
    assert found_blobs(seen(0.9 * limit), factors=[MOST_FACTOR]) == ()
    (plain,) = found_blobs(seen(0.2 * limit), factors=[MOST_FACTOR])
    assert plain.p_value == pytest.approx(1 - np.exp(-0.2 * limit * MOST_FACTOR))
    assert found_blobs(seen(1.1 * limit)) == ()
    assert len(found_blobs(seen(1.1 * limit), factors=[LEAST_FACTOR])) == 1


def test_a_change_needs_a_number_for_each_blob() -> None:
    with pytest.raises(ShapeError, match="expected_false"):
        PairChange(seen(0.1).blobs, (), pair())


CANDIDATE = st.tuples(st.floats(1e-6, 20.0), st.floats(LEAST_FACTOR, MOST_FACTOR))


@given(st.lists(CANDIDATE, max_size=30), st.floats(0.01, 2.0))
def test_only_what_is_found_at_the_most_restful_place_can_be_found(
    candidates: list[tuple[float, float]], level: float
) -> None:
    """So the others need not be kept until the stretch ends, and leaving them out changes nothing."""
    at_best = is_found([LEAST_FACTOR * false for false, _factor in candidates], level)
    weighed = [false * factor for false, factor in candidates]
    of_all = is_found(weighed, level)
    of_kept = is_found([one for one, kept in zip(weighed, at_best, strict=True) if kept], level)
    assert of_all[at_best].tolist() == of_kept.tolist()
    assert not of_all[~at_best].any()
