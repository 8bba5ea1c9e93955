"""Simple pairs of photos with known truth, made from scikit-image's sample pictures and ellipses."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import skimage.data

PICTURES = ("camera", "astronaut", "coins", "page", "text", "brick", "gravel", "grass", "chelsea")
"""Those that scikit-image ships inside its wheel: nothing is fetched."""


def sample_picture(name: str) -> np.ndarray:
    """One of scikit-image's sample pictures as (H, W, 3) uint8 RGB."""
    picture = getattr(skimage.data, name)()
    return np.stack([picture] * 3, axis=2) if picture.ndim == 2 else picture[:, :, :3]


def camera_matrix(
    size: tuple[int, int],
    *,
    shift_xy_px: tuple[float, float] = (0.0, 0.0),
    turn_deg: float = 0.0,
    scale: float = 1.0,
    tilt: tuple[float, float] = (0.0, 0.0),
) -> np.ndarray:
    """Homography from first's pixels to second's: a turn and scale about the middle, then a shift.

    `tilt` is the perspective over the whole width: 0.02 makes one edge 2 % larger.
    """
    height, width = size
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    turn = np.deg2rad(turn_deg)
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = middle - linear @ middle + shift_xy_px
    matrix[2, :2] = np.divide(tilt, width)
    return matrix


def seen_through(picture: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """What the second photo shows of a flat picture: first's pixel p lands on matrix @ p."""
    size = (picture.shape[1], picture.shape[0])
    return cv2.warpPerspective(
        picture, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101
    )


def exposed(
    picture: np.ndarray, stops: float, rng: np.random.Generator | None = None, noise: float = 2.0
) -> np.ndarray:
    """The same at another exposure (sRGB-coded by a power of 2.2) and with sensor noise."""
    light = picture.astype(np.float32) * 2 ** (stops / 2.2)
    if rng is not None:
        light += rng.normal(0, noise, picture.shape).astype(np.float32)
    return np.clip(np.rint(light), 0, 255).astype(np.uint8)


def worst_error_px(truth: np.ndarray, found: np.ndarray, size: tuple[int, int]) -> float:
    """Largest distance between where two homographies put a grid of points over the frame."""
    rows, columns = np.meshgrid(np.linspace(0, size[0] - 1, 9), np.linspace(0, size[1] - 1, 9))
    points = np.stack([columns.ravel(), rows.ravel(), np.ones(rows.size)])
    ends = [matrix @ points for matrix in (truth, found.astype(np.float64))]
    places = [end[:2] / end[2] for end in ends]
    return float(np.linalg.norm(places[0] - places[1], axis=0).max())


@dataclass(frozen=True)
class Body:
    """An animal as an ellipse: middle (x, y), length, width, turn, colour."""

    x: float
    y: float
    length: float
    width: float
    turn_deg: float
    rgb: tuple[int, int, int]

    def box(self) -> tuple[float, float, float, float]:
        """Upright box around it."""
        turn = np.deg2rad(self.turn_deg)
        across = np.hypot(self.length / 2 * np.cos(turn), self.width / 2 * np.sin(turn))
        down = np.hypot(self.length / 2 * np.sin(turn), self.width / 2 * np.cos(turn))
        return (self.x - across, self.y - down, self.x + across, self.y + down)


def with_bodies(picture: np.ndarray, bodies: list[Body]) -> np.ndarray:
    """The picture with bodies drawn onto it, smooth at the edge."""
    drawn = picture.copy()
    for body in bodies:
        cv2.ellipse(
            drawn,
            ((body.x, body.y), (body.length, body.width), body.turn_deg),
            body.rgb,
            -1,
            cv2.LINE_AA,
        )
    return cv2.GaussianBlur(drawn, (3, 3), 0)


def glass_pane(rng: np.random.Generator, size: tuple[int, int] = (480, 640)) -> np.ndarray:
    """A calm pane: a light fall-off, soft stains, some dark specks to hold on to."""
    height, width = size
    rows, columns = np.mgrid[:height, :width].astype(np.float32)
    pane = 150 - 40 * np.hypot(columns / width - 0.5, rows / height - 0.5)
    stains = cv2.GaussianBlur(rng.normal(0, 1, size).astype(np.float32), (0, 0), 18)
    pane += stains * (14 / stains.std())
    rgb = np.stack([pane * 0.9, pane, pane * 0.85], axis=2)
    for _ in range(60):
        middle = (int(rng.integers(0, width)), int(rng.integers(0, height)))
        cv2.circle(rgb, middle, int(rng.integers(2, 7)), [float(rng.integers(30, 220))] * 3, -1)
    return np.clip(cv2.GaussianBlur(rgb, (3, 3), 0), 0, 255).astype(np.uint8)
