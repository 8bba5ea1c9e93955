"""How like a coin a round thing is: what is measured of it, and what that is worth.

A coin is opaque, of one colour up to its edge, struck all over and truly round. A bubble shows the ground
through it and has a ring within its edge, a pebble is not quite round, and what a shadow adds to a coin
is no step from the coin's colours to the ground's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from pestvision.size.ellipses import around

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64

PARTS: Final = np.linspace(0.1, 1.22, 29)
"""Of a ring's size: the rings about the same middle on which light and slope are read."""

MIDDLE: Final = (0.1, 0.72)
RIM: Final = (0.80, 0.95)
INSIDE: Final = (0.38, 0.92)
OUTSIDE: Final = (1.07, 1.22)
"""Bands of these rings. A bubble's dark or bright ring lies in the rim; outside lies what is about it."""

N_TURNS: Final = 72
"""Places around each ring."""

LEAST_STEP: Final = 8.0
"""Levels by which two sides of an edge differ at least, where it counts as an edge of something opaque."""

WEIGHTS: Final = {
    "support": (0.833, 0.147, 0.995),
    "step_support": (0.793, 0.202, 0.098),
    "log_size": (-2.177, 0.549, 0.149),
    "contrast": (0.938, 0.145, 0.399),
    "log_middle_step": (3.868, 0.894, 0.430),
    "log_rim_step": (2.875, 0.797, -0.294),
    "log_apart": (1.100, 0.961, 0.411),
    "log_relief": (-0.968, 0.494, 0.707),
    "log_smoother": (-0.202, 0.752, 0.615),
    "log_roughness": (-4.591, 0.403, -0.779),
    "axis_ratio": (0.895, 0.074, 1.513),
    "log_sharpness": (0.903, 0.643, 0.211),
    "glint": (2.088, 2.651, -0.585),
    "uneven_edge": (0.306, 0.162, 0.324),
}
"""What is measured, in the order of `measured`: its mean, standard deviation and weight.

Fitted on 200 drawn tables by `python -m training.coin_fit`.
"""

MEASURES: Final = tuple(WEIGHTS)
"""The names of what is measured."""

MOST_SIGMAS: Final = 4.0
"""A measure further from its mean is taken as so far."""


def measured(
    patch: F32,
    steep: F32,
    row: F64,
    *,
    level: float,
    size: float,
    support: float,
    step_support: float,
    roughness: float,
    sharpness: float,
) -> tuple[tuple[float, ...], float]:
    """Measure a ring on a patch.

    Parameters
    ----------
    patch, steep
        (h, w, 3) levels, and (h, w) the slope of what is steepest there.
    row
        (5,): x, y, long, short, angle on the patch.
    level
        The slope of a whole edge.
    size
        Its long axis over the photo's short side.
    support, step_support
        Shares of its edge along which an edge, and a step from its own to the ground's colours, runs.
    roughness
        Scatter of its edge about the ellipse, over its size.
    sharpness
        Median slope at its edge, over `level`.

    Returns
    -------
    `MEASURES`, and the share of its edge across which inside and outside differ.
    """
    light, slope = _unrolled(patch, row), _unrolled(steep, row)[..., 0]
    middle, rim = _band(light, MIDDLE), _band(light, RIM)
    inside, outside = _band(light, INSIDE), _band(light, OUTSIDE)
    noise = float(np.median(outside.std(axis=0).max(axis=1)))
    across = np.abs(inside.mean(axis=0) - outside.mean(axis=0)).max(axis=1)
    contrast = float((across > max(LEAST_STEP, 1.5 * noise)).mean())
    ground = np.median(outside, axis=(0, 1))
    face = np.median(middle, axis=(0, 1))
    grey = middle.mean(axis=2)
    glint = (np.quantile(grey, 0.97) - np.median(grey)) / (
        np.median(grey) - np.quantile(grey, 0.03) + 4
    )
    relief, about = (np.median(_band(slope, band)) for band in (MIDDLE, OUTSIDE))
    edge = np.abs(rim.mean(axis=0) - outside.mean(axis=0)).max(axis=1)
    return (
        support,
        step_support,
        float(np.log(size)),
        contrast,
        float(np.log(4 + np.abs(face - ground).max())),
        float(np.log(4 + np.abs(np.median(rim, axis=(0, 1)) - face).max())),
        float(np.log(0.1 + _apart(inside, outside))),
        float(np.log(0.05 + relief / level)),
        float(np.log((relief + 0.3) / (about + 0.3))),
        float(np.log(0.002 + roughness)),
        float(row[3] / row[2]),
        float(np.log(0.1 + sharpness)),
        float(np.clip(glint, 0, 8)),
        float(edge.std() / (edge.mean() + 4)),
    ), contrast


def _unrolled(picture: F32, row: F64) -> F32:
    """Read a picture on rings about an ellipse's middle: (rings, turns, planes)."""
    places = around(row[None], N_TURNS)[0][0] - row[:2]
    at = row[:2] + PARTS[:, None, None] * places - 0.5
    x, y = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
    read = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(read, np.float32).reshape(len(PARTS), N_TURNS, -1)


def _band(read: F32, band: tuple[float, float]) -> F32:
    return read[(band[0] <= PARTS) & (band[1] >= PARTS)]


def _apart(inside: F32, outside: F32) -> float:
    """Give how far the colours on two sides lie apart, in their own spread (Mahalanobis' distance)."""
    one, other = inside.reshape(-1, 3).astype(np.float64), outside.reshape(-1, 3).astype(np.float64)
    step = one.mean(axis=0) - other.mean(axis=0)
    spread = np.cov(one.T) + np.cov(other.T) + np.eye(3)
    return float(np.sqrt(step @ np.linalg.solve(spread, step)))


def likeness(measures: tuple[float, ...]) -> float:
    """Give how likely a ring is the coin's, as log-odds against others of the same photo.

    Without measures it is 0.
    """
    if not measures:
        return 0.0
    mean, scale, weight = np.array(list(WEIGHTS.values())).T
    away = np.clip((np.array(measures) - mean) / scale, -MOST_SIGMAS, MOST_SIGMAS)
    return float(away @ weight)
