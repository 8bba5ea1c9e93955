import numpy as np
import pytest

from pestvision.motion.bodies import Body, share_on
from pestvision.motion.same import is_piece_of


def block(left: int, top: int, wide: int, high: int) -> Body:
    return Body(left, top, np.ones((high, wide), np.bool_), 1.0)


WHOLE = {number: block(10 + 3 * number, 20, 30, 8) for number in range(10)}


def test_a_tip_that_goes_along_with_an_animal_is_a_piece_of_it() -> None:
    tip = {number: block(34 + 3 * number, 20, 6, 8) for number in range(10)}
    assert is_piece_of(tip, WHOLE)


def test_what_goes_its_own_way_is_no_piece_of_the_animal_that_it_meets() -> None:
    meets = {number: block(60 - 6 * number, 20, 6, 8) for number in range(10)}
    assert max(share_on(WHOLE[number], meets[number]) for number in meets) == 1.0
    assert not is_piece_of(meets, WHOLE)


def test_what_is_mostly_there_without_the_animal_is_no_piece_of_it() -> None:
    tip = {number: block(34 + 3 * number, 20, 6, 8) for number in range(10)}
    seldom = {number: WHOLE[number] for number in range(4)}
    assert not is_piece_of(tip, seldom)


@pytest.mark.parametrize(
    ("left", "share"),
    [
        (10, 1.0),  # within it
        (37, 0.5),  # over its edge
        (60, 0.0),  # beside it
    ],
)
def test_the_share_is_that_of_the_part(left: int, share: float) -> None:
    assert share_on(block(10, 20, 30, 8), block(left, 22, 6, 4)) == pytest.approx(share)
