"""The hash of looks: as another program has it, the same for the same thing, another for another."""

from __future__ import annotations

import cv2
import imagehash
import numpy as np
import pytest
from PIL import Image
from scipy.fft import dctn

from pestvision.collection.looks import (
    ALIKE_BITS,
    KEPT,
    N_BITS,
    SIDE_PX,
    bits_apart,
    look_hash,
    nearest_alike,
)
from tests.photo_files import drawn_glass, packed

SEEDS = range(12)


def apart(one: np.ndarray, other: np.ndarray) -> int:
    return int(bits_apart(look_hash(one), np.array([look_hash(other)], np.int64))[0])


def unpacked(data: bytes) -> np.ndarray:
    return cv2.cvtColor(cv2.imdecode(np.frombuffer(data, np.uint8), 1), cv2.COLOR_BGR2RGB)


def bits_of(number: int) -> np.ndarray:
    return np.unpackbits(np.array([number], ">i8").view(np.uint8)).astype(bool)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_bits_are_those_of_scipys_cosine_transform(seed: int) -> None:
    rgb = drawn_glass(seed)
    small = cv2.resize(
        cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA
    )
    low = dctn(small.astype(np.float64), norm="ortho")[:KEPT, :KEPT]
    margin = np.abs(low - np.median(low)).ravel()
    sure = margin > 1e-2  # OpenCV's is float32: a value at the median may fall either way
    assert sure.sum() >= N_BITS - 3
    wanted = (low > np.median(low)).ravel()
    np.testing.assert_array_equal(bits_of(look_hash(rgb))[sure], wanted[sure])


def test_it_says_of_pairs_what_imagehash_says() -> None:
    """`imagehash.phash` shrinks with another filter and weighs the first row and column otherwise."""
    pictures = [drawn_glass(seed) for seed in SEEDS]
    pictures += [unpacked(packed(picture, "JPEG", quality=40)) for picture in pictures[:4]]
    theirs = [imagehash.phash(Image.fromarray(picture)) for picture in pictures]
    pairs = [(i, j) for i in range(len(pictures)) for j in range(i)]
    ours_apart = np.array([apart(pictures[i], pictures[j]) for i, j in pairs])
    theirs_apart = np.array([theirs[i] - theirs[j] for i, j in pairs])
    np.testing.assert_array_equal(ours_apart <= ALIKE_BITS, theirs_apart <= ALIKE_BITS)
    assert np.abs(ours_apart - theirs_apart).mean() <= 4.0
    for picture, hashed in zip(pictures, theirs, strict=True):
        assert (bits_of(look_hash(picture)) != hashed.hash.ravel()).sum() <= 12


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("quality", [30, 60, 95])
def test_a_picture_saved_again_looks_alike(seed: int, quality: int) -> None:
    rgb = drawn_glass(seed)
    assert apart(rgb, unpacked(packed(rgb, "JPEG", quality=quality))) <= ALIKE_BITS


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("factor", [0.8, 1.1])
def test_a_picture_made_brighter_or_darker_looks_alike(seed: int, factor: float) -> None:
    rgb = drawn_glass(seed)
    changed = np.clip(rgb.astype(np.float32) * factor, 0, 255).astype(np.uint8)
    assert apart(rgb, changed) <= ALIKE_BITS


def shares_alike(shift: float) -> float:
    """The share of drawings that look alike when the camera moves by a share of the width."""
    alike = []
    for seed in range(30):
        rgb = drawn_glass(seed, 300, 400)
        step = round(shift * 360)
        alike.append(apart(rgb[20:280, 20:380], rgb[20:280, 20 + step : 380 + step]) <= ALIKE_BITS)
    return float(np.mean(alike))


def test_a_picture_moved_a_little_mostly_looks_alike_and_moved_far_never() -> None:
    assert shares_alike(0.005) >= 0.9
    assert shares_alike(0.05) < shares_alike(0.005)


def test_different_drawings_do_not_look_alike() -> None:
    hashes = np.array([look_hash(drawn_glass(seed)) for seed in range(100)], np.int64)
    found = [bits_apart(int(one), np.delete(hashes, i)).min() for i, one in enumerate(hashes)]
    assert min(found) > ALIKE_BITS
    mean = np.mean([bits_apart(int(one), hashes).mean() for one in hashes])
    assert 26 < mean < 34  # of 64 bits: unlike pictures agree in half of them


def test_a_hash_is_a_number_that_the_database_holds() -> None:
    numbers = [look_hash(drawn_glass(seed)) for seed in range(40)]
    assert all(-(2**63) <= number < 0 for number in numbers)  # the mean is always above the median
    assert len(set(numbers)) == 40


def test_bits_apart_are_counted_also_across_the_sign() -> None:
    others = np.array([0, 1, -1, -(2**63), 2**63 - 1], np.int64)
    np.testing.assert_array_equal(bits_apart(0, others), [0, 1, 64, 1, 63])
    np.testing.assert_array_equal(bits_apart(-1, others), [64, 63, 0, 63, 1])


def test_the_nearest_is_found_within_the_bits_and_not_beyond() -> None:
    within, beyond = (1 << ALIKE_BITS) - 1, (1 << (ALIKE_BITS + 1)) - 1
    assert nearest_alike(0, np.zeros(0, np.int64)) == -1
    assert nearest_alike(0, np.array([beyond], np.int64)) == -1
    assert nearest_alike(0, np.array([beyond, within], np.int64)) == 1
    assert nearest_alike(0, np.array([within, 3, within], np.int64)) == 1
