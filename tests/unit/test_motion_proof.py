import cv2
import numpy as np
import pytest

from pestvision.arrays import F64, U8
from pestvision.motion.bodies import Body
from pestvision.motion.proof import proof_of

N = 16
SIZE = (90, 160)


def ground(rng: np.random.Generator) -> U8:
    coarse = rng.integers(60, 200, (18, 32, 3)).astype(np.uint8)
    return cv2.resize(coarse, (SIZE[1], SIZE[0]), interpolation=cv2.INTER_CUBIC)


def filmed(
    rng: np.random.Generator, at: list[int], colour: tuple[int, int, int] | None
) -> list[U8]:
    """Frames with noise of a still ground, and an animal at x = `at` if it has a colour."""
    behind = ground(rng)
    frames = []
    for x in at:
        rgb = behind.copy()
        if colour is not None:
            cv2.ellipse(rgb, (x, 45), (14, 6), 0, 0, 360, colour, cv2.FILLED)
        grain = rng.normal(0, 3, rgb.shape)
        frames.append(np.clip(rgb + grain, 0, 255).astype(np.uint8))
    return frames


def outlines(at: list[int]) -> dict[int, Body]:
    oval = np.zeros((13, 29), np.uint8)
    cv2.ellipse(oval, (14, 6), (14, 6), 0, 0, 360, 1, cv2.FILLED)
    return {number: Body(x - 14, 39, oval > 0, 1.0) for number, x in enumerate(at)}


def still_camera() -> list[F64]:
    return [np.eye(3)] * N


AT = [30 + 5 * i for i in range(N)]


def test_what_moves_differs_from_the_ground_that_it_passed() -> None:
    proof = proof_of(
        outlines(AT), filmed(np.random.default_rng(0), AT, (40, 40, 30)), still_camera()
    )
    assert proof.contrast > 6
    assert proof.passed > 1


def test_an_outline_that_strays_over_still_ground_has_no_contrast() -> None:
    # A t of 16 frames: means of independent noise differ by about one standard error.
    proof = proof_of(outlines(AT), filmed(np.random.default_rng(1), AT, None), still_camera())
    assert proof.contrast < 2
    assert proof.passed > 1


def test_what_keeps_to_its_place_passed_nothing() -> None:
    at = [60] * N
    proof = proof_of(
        outlines(at), filmed(np.random.default_rng(2), at, (40, 40, 30)), still_camera()
    )
    assert proof.passed == 0
    assert proof.contrast == 0


def test_light_that_comes_and_goes_is_no_contrast() -> None:
    frames = [
        np.clip(frame.astype(int) + 12 * (number % 3), 0, 255).astype(np.uint8)
        for number, frame in enumerate(filmed(np.random.default_rng(3), AT, None))
    ]
    assert proof_of(outlines(AT), frames, still_camera()).contrast < 2


def test_the_cameras_own_motion_is_no_contrast() -> None:
    behind = cv2.resize(ground(np.random.default_rng(4)), (320, 180))
    shifts = [2 * i for i in range(N)]
    frames = [np.ascontiguousarray(behind[40:130, s + 20 : s + 180]) for s in shifts]
    to_anchor = [np.array([[1.0, 0.0, s], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]) for s in shifts]
    assert proof_of(outlines(AT), frames, to_anchor).contrast < 2


@pytest.mark.parametrize("n", [1, 2])
def test_few_frames_prove_nothing(n: int) -> None:
    frames = filmed(np.random.default_rng(5), AT[:n], (40, 40, 30))
    assert proof_of(outlines(AT[:n]), frames, still_camera()).contrast == 0
