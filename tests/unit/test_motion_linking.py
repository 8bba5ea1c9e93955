"""Who is an animal among what was followed from frame to frame."""

from __future__ import annotations

import numpy as np

from pestvision.motion.bodies import Body
from pestvision.motion.linking import Followed, Sighting, is_animal

N = 40
TIMES = np.arange(N) / 10.0


def followed(bodies: list[Body]) -> Followed:
    same = np.eye(3)
    one = Followed()
    one.sightings = [Sighting(number, body, same, same) for number, body in enumerate(bodies)]
    return one


def wave(number: int) -> Body:
    """A worm two pixels thick that waves where it is, and drifts half a pixel a frame."""
    along = np.arange(60)
    down = np.round(12 + 10 * np.sin(2 * np.pi * (along / 45 - number / 5))).astype(int)
    mask = np.zeros((26, 60), np.bool_)
    mask[down, along] = mask[down + 1, along] = True
    return Body(100 + number // 2, 80, mask, 100.0)


def test_a_thin_body_that_waves_is_an_animal_though_it_covers_nothing_of_where_it_was() -> None:
    assert is_animal(followed([wave(number) for number in range(N)]), TIMES)


def test_what_flickers_here_and_there_is_none() -> None:
    rng = np.random.default_rng(0)
    bodies = [
        Body(
            100 + int(rng.integers(-12, 13)),
            80 + int(rng.integers(-12, 13)),
            np.ones((5, 9), np.bool_),
            9.0,
        )
        for _ in range(N)
    ]
    assert not is_animal(followed(bodies), TIMES)


def test_what_flickers_in_one_place_is_none() -> None:
    rng = np.random.default_rng(1)
    bodies = [Body(100, 80, rng.random((14, 20)) < 0.3, 9.0) for _ in range(N)]
    assert not is_animal(followed(bodies), TIMES)
