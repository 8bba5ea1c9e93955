"""OpenCV's and scikit-image's image science against published numbers."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.filters
import skimage.measure
import skimage.metrics
import skimage.morphology


def test_otsu_splits_the_textbook_histogram_between_2_and_3():
    """Source: Otsu 1979, IEEE Trans. Systems, Man, and Cybernetics 9:62-66; six grey levels with

    counts 8, 7, 2, 6, 9, 4: the least variance within classes is 0.4909, at class 0 below 3, where
    the variance between them is 2.6287. Both libraries give the last level of class 0, which is 2.
    """
    counts = np.array([8, 7, 2, 6, 9, 4])
    levels = np.arange(6)
    within = []
    for first_of_class_1 in range(1, 6):
        parts = (slice(None, first_of_class_1), slice(first_of_class_1, None))
        means = [np.average(levels[part], weights=counts[part]) for part in parts]
        squares = [
            (counts[p] * (levels[p] - m) ** 2).sum() for p, m in zip(parts, means, strict=True)
        ]
        within.append(sum(squares) / counts.sum())
    np.testing.assert_allclose(within, [1.5268, 0.5561, 0.4909, 0.9779, 2.2491], atol=5e-5)
    whole = np.average((levels - np.average(levels, weights=counts)) ** 2, weights=counts)
    assert whole - within[2] == pytest.approx(2.6287, abs=5e-5)

    picture = np.repeat(levels, counts).astype(np.uint8).reshape(6, 6)
    assert skimage.filters.threshold_otsu(picture) == 2
    found, split = cv2.threshold(picture, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    assert found == 2
    np.testing.assert_array_equal(split, picture > 2)


def drawn_shape(name: str) -> np.ndarray:
    shape = np.zeros((1000, 1000), np.uint8)
    rows, columns = np.mgrid[:1000, :1000] - 499.5
    if name == "square":
        shape[300:700, 300:700] = 1
    elif name == "disk":
        shape[np.hypot(rows, columns) < 300] = 1
    elif name == "rectangle":
        shape[400:600, 100:900] = 1
    else:
        shape[(columns / 400) ** 2 + (rows / 100) ** 2 < 1] = 1
    return shape


@pytest.mark.parametrize(
    ("name", "first", "second"),
    [
        pytest.param("square", 1 / 6, 0.0, id="square"),
        pytest.param("disk", 1 / (2 * np.pi), 0.0, id="disk"),
        pytest.param("rectangle", (4 + 1 / 4) / 12, ((4 - 1 / 4) / 12) ** 2, id="rectangle 4:1"),
        pytest.param(
            "ellipse", (4 + 1 / 4) / (4 * np.pi), ((4 - 1 / 4) / (4 * np.pi)) ** 2, id="ellipse 4:1"
        ),
    ],
)
def test_hu_moments_have_their_closed_forms(name, first, second):
    """Source: Hu 1962, IRE Trans. Information Theory 8:179-187, and the integrals of each shape."""
    shape = drawn_shape(name)
    of_opencv = cv2.HuMoments(cv2.moments(shape, binaryImage=True)).ravel()
    central = skimage.measure.moments_central(shape)
    of_skimage = skimage.measure.moments_hu(skimage.measure.moments_normalized(central))
    for hu in (of_opencv, of_skimage):
        assert hu[0] == pytest.approx(first, rel=2e-3)
        assert hu[1] == pytest.approx(second, rel=4e-3, abs=1e-6)


def test_a_bare_skeleton_is_shorter_than_the_body_by_about_its_width():
    """Source: closed form of a stadium 222 × 43 pixels; Blum 1967 for the medial axis.

    The skeleton is the straight part and a little more; with the end radii it is within 4 %.
    """
    rows, columns = np.mgrid[:83, :262]
    off_the_middle = np.maximum(np.abs(columns - 130.5) - (222 - 43) / 2, 0.0)
    stadium = (np.hypot(off_the_middle, rows - 41.0) <= 21.5).astype(np.uint8)
    filled = np.nonzero(stadium)
    assert (np.ptp(filled[1]) + 1, np.ptp(filled[0]) + 1) == (222, 43)
    axis, distance = skimage.morphology.medial_axis(stadium > 0, return_distance=True)
    thin = skimage.morphology.skeletonize(stadium > 0)
    across = np.nonzero(thin)[1]
    length = float(np.ptp(across))
    assert length == pytest.approx(171.0, abs=12.0)
    ends = (distance[thin][np.argmin(across)], distance[thin][np.argmax(across)])
    assert length + sum(ends) == pytest.approx(222, rel=0.045)
    assert distance[axis].max() == pytest.approx(21.5, abs=1.0)


def test_structural_similarity_of_two_even_pictures_is_its_closed_form():
    """Source: Wang, Bovik, Sheikh & Simoncelli 2004, IEEE Trans. Image Processing 13:600-612.

    Of two even pictures only the light term is left: (2·100·120 + 2.55²) / (100² + 120² + 2.55²).
    """
    one, other = (np.full((64, 64), level, np.uint8) for level in (100, 120))
    found = skimage.metrics.structural_similarity(
        one, other, gaussian_weights=True, sigma=1.5, use_sample_covariance=False, data_range=255
    )
    assert found == pytest.approx(0.983611, abs=1e-6)
