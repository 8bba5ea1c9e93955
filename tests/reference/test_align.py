"""Alignment against the outside: known warps, scikit-image's phase correlation, the ECC paper."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest
from motion_scenes import (
    PICTURES,
    camera_matrix,
    exposed,
    sample_picture,
    seen_through,
    worst_error_px,
)
from scipy.ndimage import fourier_shift, gaussian_filter
from skimage.registration import phase_cross_correlation
from tolerance import TOLERANCE

from pestvision.motion.align import AlignedPair, AlignmentFailed, AlignReason, align_pair

HAND_HELD = [
    pytest.param(
        {"shift_xy_px": (0.04, -0.03), "turn_deg": 1.2, "scale": 1.01}, id="shifted and turned"
    ),
    pytest.param(
        {"shift_xy_px": (-0.02, 0.04), "turn_deg": -2.0, "scale": 0.97}, id="turned and back"
    ),
    pytest.param({"shift_xy_px": (0.03, 0.02), "tilt": (0.02, -0.01)}, id="tilted"),
    pytest.param({"shift_xy_px": (0.31, 0.0), "turn_deg": 8.0}, id="a step to the side"),
]


@pytest.mark.parametrize("name", PICTURES)
@pytest.mark.parametrize("motion", HAND_HELD)
def test_a_known_warp_of_a_sample_picture_is_found_again(name, motion, rng):
    """Source: scikit-image's sample pictures, warped by a homography that is known exactly."""
    first = sample_picture(name)
    height, width = first.shape[:2]
    motion = dict(motion)
    shift = motion.pop("shift_xy_px")
    motion["shift_xy_px"] = (shift[0] * width, shift[1] * height)
    truth = camera_matrix((height, width), **motion)
    second = exposed(seen_through(first, truth), -0.5, rng)
    pair = align_pair(first, second)
    assert isinstance(pair, AlignedPair), pair
    # A large step leaves a third of the frame without points, where errors are extrapolated.
    times = 3 if shift[0] > 0.1 else 1
    assert worst_error_px(truth, pair.matrix, (height, width)) <= times * TOLERANCE["alignment_px"]


def test_the_published_example_of_phase_correlation_is_matched():
    """Source: scikit-image's registration example, camera moved by (-22.4, 13.32) rows, columns.

    Method: Guizar-Sicairos, Thurman & Fienup 2008, Optics Letters 33:156-158. The example prints
    [22, -13] at whole pixels and [22.4, -13.32] at a hundredth.
    """
    grey = sample_picture("camera")[:, :, 0]
    moved = np.fft.ifft2(fourier_shift(np.fft.fft2(grey.astype(float)), (-22.4, 13.32))).real
    whole, _, _ = phase_cross_correlation(grey, moved)
    fine, _, _ = phase_cross_correlation(grey, moved, upsample_factor=100)
    np.testing.assert_array_equal(whole, [22, -13])
    np.testing.assert_allclose(fine, [22.4, -13.32], atol=0.005)

    second = np.clip(np.rint(moved), 0, 255).astype(np.uint8)
    pair = align_pair(np.stack([grey] * 3, 2), np.stack([second] * 3, 2))
    assert isinstance(pair, AlignedPair), pair
    truth = camera_matrix(grey.shape, shift_xy_px=(-fine[1], -fine[0]))
    assert worst_error_px(truth, pair.matrix, grey.shape) <= TOLERANCE["alignment_px"]


@pytest.mark.parametrize(("gain", "offset"), [(1.0, 0.0), (0.6, 30.0)])
def test_a_smooth_texture_moved_by_a_known_part_of_a_pixel_is_found(gain, offset, rng):
    """Source: Evangelidis & Psarakis 2008, IEEE TPAMI 30:1858-1865: ECC is blind to gain and offset.

    OpenCV's own ECC is asked for the same shift, (3.25, -2.5), and must agree.
    """
    texture = gaussian_filter(rng.normal(size=(320, 420)), 4, mode="wrap")
    texture = 128 + 45 * texture / texture.std()
    moved = np.fft.ifft2(fourier_shift(np.fft.fft2(texture), (-2.5, 3.25))).real * gain + offset
    first, second = (np.clip(np.rint(item), 0, 255).astype(np.uint8) for item in (texture, moved))
    rho, ecc = cv2.findTransformECC(
        first, second, np.eye(2, 3, dtype=np.float32), cv2.MOTION_TRANSLATION, (3, 200, 1e-8)
    )
    assert rho > 0.99
    np.testing.assert_allclose(ecc[:, 2], [3.25, -2.5], atol=0.05)

    pair = align_pair(np.stack([first] * 3, 2), np.stack([second] * 3, 2))
    assert isinstance(pair, AlignedPair), pair
    truth = camera_matrix(first.shape, shift_xy_px=(float(ecc[0, 2]), float(ecc[1, 2])))
    assert worst_error_px(truth, pair.matrix, first.shape) <= TOLERANCE["alignment_px"]


def test_a_12_megapixel_pair_is_aligned_to_a_third_of_a_pixel(rng):
    """Source: scikit-image's sample pictures, warped by a homography that is known exactly."""
    tiles = [cv2.resize(sample_picture(name), (1000, 1000)) for name in (*PICTURES, "camera")]
    rows = [np.hstack([tiles[(row + column) % 9] for column in range(4)]) for row in (0, 3, 6)]
    first = exposed(np.vstack(rows), 0.0, rng, 3.0)
    truth = camera_matrix((3000, 4000), shift_xy_px=(90, -70), turn_deg=1.3, scale=1.02)
    second = exposed(seen_through(first, truth), -0.4, rng, 3.0)
    pair = align_pair(first, second)
    assert isinstance(pair, AlignedPair), pair
    assert worst_error_px(truth, pair.matrix, (3000, 4000)) <= TOLERANCE["alignment_px"]


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(PICTURES[:6], 2)))
def test_two_different_pictures_are_not_laid_over_each_other(one, other):
    first = sample_picture(one)
    second = cv2.resize(sample_picture(other), (first.shape[1], first.shape[0]))
    outcome = align_pair(first, second)
    assert isinstance(outcome, AlignmentFailed)
    assert outcome.reason is AlignReason.NOT_SAME_SCENE
