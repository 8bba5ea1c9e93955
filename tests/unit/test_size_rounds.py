"""Round things: told from one another by hue, by opaqueness and by how many rings one thing has."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from pestvision.size.ellipses import around, from_conics, through_many
from pestvision.size.ring_fit import step_slopes
from pestvision.size.ring_likeness import MEASURES, WEIGHTS, likeness
from pestvision.size.round_thing import RoundThing
from pestvision.size.rounds import FAR_LESS_LIKELY, LEAST_LIKENESS, find_rounds, in_order

AVERAGE = tuple(mean for mean, _, _ in WEIGHTS.values())


def a_ring(
    *, at: tuple[float, float] = (240.0, 150.0), long: float = 60.0, **other: float
) -> RoundThing:
    """Make a ring of average measures but for those given: the rounder the likelier."""
    measures = [other.get(name, mean) for name, mean in zip(MEASURES, AVERAGE, strict=True)]
    return RoundThing(at, (long, long), 0.0, 0.7, 1.0, 0.1, (600, 800), measures=tuple(measures))


def inside(at: tuple[float, float], radius: float, size: tuple[int, int]) -> np.ndarray:
    y, x = np.mgrid[0 : size[0], 0 : size[1]] + 0.5
    return np.clip(radius - np.hypot(x - at[0], y - at[1]) + 0.5, 0, 1)[..., None]


def struck_disc(
    rgb: np.ndarray,
    at: tuple[float, float],
    radius: float,
    *,
    relief: float = 150.0,
    colour: tuple[float, float, float] = (170.0, 100.0, 60.0),
) -> np.ndarray:
    """Lay a disc with a struck figure on it, of copper if nothing else is said."""
    rng = np.random.default_rng(3)
    figure = relief * cv2.GaussianBlur(rng.normal(0, 1, rgb.shape[:2]), (0, 0), 4)[..., None]
    metal = np.clip(np.array(colour) + figure, 0, 255)
    alpha = inside(at, radius, rgb.shape[:2])
    return rgb + (metal - rgb) * alpha


def bubble(rgb: np.ndarray, at: tuple[float, float], radius: float) -> np.ndarray:
    """Blow a bubble: a dark ring and two glints, the ground seen through it with a tinge of its own."""
    size = (rgb.shape[0], rgb.shape[1])
    body, ring = inside(at, radius, size), inside(at, radius, size) - inside(at, 0.9 * radius, size)
    rgb = (rgb + 40 * body) * (1 - 0.7 * ring)
    for way in (-0.4, 0.4):
        glint = inside((at[0] + way * radius, at[1] + way * radius), 0.15 * radius, size)
        rgb = rgb * (1 - glint) + 250 * glint
    return rgb


def ground(size: tuple[int, int] = (480, 640)) -> np.ndarray:
    noise = cv2.GaussianBlur(np.random.default_rng(5).normal(0, 1, (*size, 1)), (0, 0), 1.5)
    return np.full((*size, 3), (120.0, 118.0, 110.0)) + 12 * noise[..., None]


def photo(rgb: np.ndarray) -> np.ndarray:
    return np.clip(rgb, 0, 255).astype(np.uint8)


def gravel(size: tuple[int, int] = (480, 640)) -> np.ndarray:
    """Draw gravel of one hue, each pebble in its own shade."""
    rng = np.random.default_rng(11)
    shade = np.full(size, 40, np.uint8)
    for _ in range(5000):
        at = (int(rng.integers(size[1])), int(rng.integers(size[0])))
        cv2.circle(shade, at, int(rng.integers(6, 11)), int(rng.integers(50, 220)), -1, cv2.LINE_AA)
    return shade[..., None] / 255 * np.array([190.0, 175.0, 140.0])


def test_an_ellipse_through_many_places_is_the_one_they_lie_on() -> None:
    row = np.array([[0.1, -0.05, 1.1, 0.9, 0.4]])
    places = around(row, 50)[0][0]
    assert from_conics(through_many(places))[0] == pytest.approx(row[0], abs=1e-5)
    # a stray place that counts for nothing changes nothing
    stray, weight = np.vstack([places, [[2.0, 2.0]]]), np.append(np.ones(50), 0.0)
    assert from_conics(through_many(stray, weight))[0] == pytest.approx(row[0], abs=1e-5)


def test_a_disc_of_another_hue_is_found_on_gravel_as_bright_as_itself() -> None:
    rgb = struck_disc(gravel(), (300.0, 240.0), 34.0, relief=30.0, colour=(135.0, 110.0, 75.0))
    (first, *_) = find_rounds(photo(cv2.GaussianBlur(rgb, (0, 0), 1.5)))
    assert first.centre_xy_px == pytest.approx((300.0, 240.0), abs=2.0)
    assert first.semi_axes_px[0] == pytest.approx(34.0, rel=0.03)


def test_a_step_slopes_down_outwards_along_the_mixture_that_tells_a_disc_from_its_ground() -> None:
    """The mixture is discriminant analysis's (scikit-learn), up to its length, the slope Scharr's of it."""
    rng = np.random.default_rng(7)
    middle, radius = 60.0, 40.0
    body = inside((middle, middle), radius, (120, 120)).astype(np.float32)
    patch = (rng.normal(100, 30, (120, 120, 1)) + 4 * body * (1, 0, -1)).astype(np.float32)
    hue = (rng.normal(0, 8, (120, 120, 2)) + 20 * body * (1, -0.5)).astype(np.float32)
    across, down = step_slopes(patch, hue, np.array([middle, middle, radius, radius, 0.0]))

    planes = np.concatenate([patch, hue], axis=2).reshape(-1, 5).astype(np.float64)
    way = LinearDiscriminantAnalysis(solver="lsqr").fit(planes, body.ravel() > 0.5).coef_[0]
    told = (planes @ way / np.abs(way).sum()).reshape(120, 120)
    for ours, there in ((across, (1, 0)), (down, (0, 1))):
        theirs = cv2.Scharr(told, cv2.CV_64F, *there, scale=1 / 32)
        assert np.corrcoef(ours[8:-8, 8:-8].ravel(), theirs[8:-8, 8:-8].ravel())[0, 1] > 0.9
    # at the right edge it falls to the right, at the left edge to the left
    assert np.median(across[40:80, 99:101]) < 0 < np.median(across[40:80, 19:21])


def test_a_struck_disc_comes_before_larger_bubbles() -> None:
    rgb = bubble(bubble(ground(), (450.0, 150.0), 90.0), (480.0, 360.0), 80.0)
    found = find_rounds(photo(struck_disc(rgb, (160.0, 250.0), 45.0)))
    assert found[0].centre_xy_px == pytest.approx((160.0, 250.0), abs=1.5)
    # without the disc the bubbles are there to be offered
    assert {round(one.centre_xy_px[0], -1) for one in find_rounds(photo(rgb))} >= {450, 480}


def test_a_hard_shadow_is_not_taken_with_the_disc() -> None:
    rgb = ground()
    rgb = rgb * (1 - 0.7 * inside((303.0, 243.0), 44.0, rgb.shape[:2]))
    found = find_rounds(photo(struck_disc(rgb, (300.0, 240.0), 44.0)))
    off = [abs(one.semi_axes_px[0] / 44.0 - 1) for one in found[:2]]
    assert min(off) < 0.01


def test_a_thing_of_many_rings_does_not_push_out_the_others() -> None:
    rings = [a_ring(long=60.0 * 1.05**k, axis_ratio=0.98) for k in range(4)]
    other = a_ring(at=(600.0, 400.0), axis_ratio=0.97)
    order = in_order([*rings, other])
    assert len(order) == 3
    assert other in order[:2]


def test_a_ring_that_is_far_less_likely_than_the_first_is_not_offered() -> None:
    likely = a_ring(axis_ratio=1.0, support=1.0)
    other = a_ring(at=(600.0, 400.0), axis_ratio=0.82)
    assert likely.likeness - other.likeness > FAR_LESS_LIKELY
    assert in_order([other, likely]) == [likely]
    assert in_order([other]) == [other]


def test_where_nothing_is_like_a_coin_nothing_is_offered() -> None:
    assert a_ring(axis_ratio=0.72).likeness < LEAST_LIKENESS
    assert in_order([a_ring(axis_ratio=0.72)]) == []
    assert in_order([]) == []


def test_an_average_ring_has_no_odds_and_a_wild_measure_does_not_decide_alone() -> None:
    assert likeness(AVERAGE) == pytest.approx(0.0, abs=1e-9)
    wild = tuple(1e9 for _ in MEASURES)
    assert abs(likeness(wild)) <= 4 * sum(abs(weight) for _, _, weight in WEIGHTS.values())
    assert replace(a_ring(), measures=()).likeness == 0
