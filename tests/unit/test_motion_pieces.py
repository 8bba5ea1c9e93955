"""Pieces of a mask and the middle frame, against OpenCV's statistics and numpy's sorting."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pestvision.motion.medians import comparisons, middle_of
from pestvision.motion.pieces import pieces_in


def spotted(seed: int, share: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(rng.random((60, 90)).astype(np.float32), (0, 0), 1.5)
    return np.asarray(soft > np.quantile(soft, 1 - share))


@pytest.mark.parametrize(("seed", "share"), [(0, 0.02), (1, 0.2), (2, 0.6), (3, 1.0)])
def test_pieces_are_those_that_opencv_counts(seed: int, share: float) -> None:
    mask = spotted(seed, share)
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    found = pieces_in(mask)
    assert len(found) == n - 1
    told = {
        (
            one.left,
            one.top,
            one.width,
            one.height,
            one.area,
            int(labels[one.rows[0], one.columns[0]]),
        )
        for one in found
    }
    assert told == {(*(int(value) for value in stats[k]), k) for k in range(1, n)}
    for one in found:
        k = labels[one.rows[0], one.columns[0]]
        assert np.array_equal(np.column_stack([one.rows, one.columns]), np.argwhere(labels == k))


def test_an_empty_mask_has_no_pieces() -> None:
    assert len(pieces_in(np.zeros((5, 7), np.bool_))) == 0


@pytest.mark.parametrize("n", [1, 2, 3, 5, 7, 15, 16])
def test_the_middle_of_frames_is_that_of_sorted_values(n: int) -> None:
    rng = np.random.default_rng(n)
    frames = [rng.integers(0, 256, (19, 23, 3)).astype(np.uint8) for _ in range(n)]
    before = [frame.copy() for frame in frames]
    assert np.array_equal(middle_of(frames), np.sort(np.stack(frames), axis=0)[n // 2])
    assert all(np.array_equal(*pair) for pair in zip(frames, before, strict=True))


@pytest.mark.parametrize("n", range(1, 12))
def test_the_comparisons_sort_every_order_of_zeros_and_ones(n: int) -> None:
    """Then they sort everything: the zero-one principle (Knuth, TAOCP 3, 5.3.4, theorem Z)."""
    values = (np.arange(2**n)[:, None] >> np.arange(n)) & 1
    for low, high in comparisons(n):
        pair = values[:, [low, high]]
        values[:, low], values[:, high] = pair.min(axis=1), pair.max(axis=1)
    assert (np.diff(values, axis=1) >= 0).all()
