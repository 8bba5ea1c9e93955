"""Draw frames of one animal, a fraction of a second apart or a few seconds.

Periods and lengths are those of the literature where it has them: see `training.scenes.gaits`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.errors import ShapeError
from training.scenes.camera import draw_camera, metered, photograph
from training.scenes.crops import truth_of
from training.scenes.gaits import GAITS, OTHERS, SOURCED, Habits, Moment, walk
from training.scenes.grounds import draw_ground, draw_view, draw_weather
from training.scenes.light import blend, draw_light, place
from training.scenes.organisms import new_animal
from training.scenes.paint import f32
from training.scenes.records import DrawnBurst, DrawnFrame

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64


@dataclass(frozen=True, slots=True)
class Shake:
    """How a hand moves the camera during a clip. Sizes are amplitudes; own assumption.

    `sway_px`: slow, within seconds. `tremble_px`: several times a second. `turn_deg`: slow turns about
    the line of sight.
    """

    sway_px: float = 4.0
    tremble_px: float = 0.7
    turn_deg: float = 0.5


_SWAY_HZ, _TREMBLE_HZ = (0.1, 0.7), (2.0, 8.0)  # a hand's; own assumption
_WAVES = 3  # of each kind, added up


def frame_times(
    rng: np.random.Generator, n: int, interval_s: float, *, unevenness: float = 0.0
) -> list[float]:
    """Give the times of frames, seconds from the first.

    `unevenness` is one standard deviation of an interval, over its mean: 0.1 or so for phones that film
    at a variable rate, more for photos taken by hand.
    """
    gaps = np.clip(1.0 + unevenness * rng.standard_normal(max(n - 1, 0)), 0.3, 3.0) * interval_s
    return [0.0, *np.cumsum(gaps).tolist()]


def shaken(
    rng: np.random.Generator, times: list[float], size: tuple[int, int], shake: Shake
) -> list[F64]:
    """Give a hand-held camera's matrices: (3, 3), from the first frame's pixels to each frame's."""
    at = np.array(times)

    def waves(amplitude: float, hertz: tuple[float, float]) -> F64:
        parts = [
            np.sin(2 * np.pi * (rng.uniform(*hertz) * at + rng.uniform())) for _ in range(_WAVES)
        ]
        return np.asarray(amplitude * np.sum(parts, axis=0) / np.sqrt(_WAVES), np.float64)

    right, down = (
        waves(shake.sway_px, _SWAY_HZ) + waves(shake.tremble_px, _TREMBLE_HZ) for _ in "xy"
    )
    turns = np.deg2rad(waves(shake.turn_deg, _SWAY_HZ))
    middle = np.array([(size[1] - 1) / 2, (size[0] - 1) / 2])
    placed = []
    for x, y, turn in zip(right, down, turns, strict=True):
        c, s = np.cos(turn), np.sin(turn)
        matrix = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        matrix[:2, 2] = middle - matrix[:2, :2] @ middle + (x, y)
        placed.append(matrix)
    back = np.linalg.inv(placed[0])
    return [np.asarray(matrix @ back, np.float64) for matrix in placed]


def draw_burst(
    rng: np.random.Generator,
    fine: str,
    *,
    n: int,
    interval_s: float,
    gait: str | None = None,
    height_px: int = 360,
    width_px: int = 480,
    length_px: float = 60.0,
    shake: Shake | None = None,
    unevenness: float = 0.0,
    habits: Habits = SOURCED,
) -> DrawnBurst:
    """Draw a burst.

    Parameters
    ----------
    fine
        A name of FINE_NAMES.
    n, interval_s
        How many frames, and the seconds between them.
    gait
        One of `GAITS` for that class, or None for its usual one.
    height_px, width_px
        Size of a frame.
    length_px
        Length of the animal at rest.
    shake
        How the camera is held, or None for one on a stand.
    unevenness
        Of the intervals: see `frame_times`.
    habits
        How fast and far each gait goes.

    Raises
    ------
    ShapeError
        If the class has no such gait, or `n` or `interval_s` is not positive.
    """
    if n < 1 or not interval_s > 0:
        raise ShapeError(
            "n, interval_s", expected="1 or more, and over 0", actual=f"{n}, {interval_s}"
        )
    allowed = GAITS.get(fine, OTHERS)
    gait = allowed[0] if gait is None else gait
    if gait not in allowed:
        raise ShapeError("gait", expected=" or ".join(allowed), actual=gait)
    animal = new_animal(rng, fine)
    times = frame_times(rng, n, interval_s, unevenness=unevenness)
    gone = walk(rng, animal, gait, times, habits=habits)
    moments, size = gone.moments, (height_px, width_px)
    matrices = [np.eye(3)] * n if shake is None else shaken(rng, times, size, shake)
    margin = _margin(matrices, size)
    whole = (height_px + 2 * margin, width_px + 2 * margin)
    picture = draw_view(rng, whole) if rng.random() < 0.5 else draw_ground(rng, whole)
    weather, light = draw_weather(rng, size), draw_light(rng)
    middle = picture[margin : margin + height_px, margin : margin + width_px]
    camera = metered(rng, weather.applied(middle), draw_camera(rng, blur_px=0.6))
    start = _start(moments, size, length_px)
    frames = []
    for time_s, moment, matrix in zip(times, moments, matrices, strict=True):
        body = animal.paint(moment.pose, max(length_px, 56.0))
        there = (start[0] + moment.at[0] * length_px, start[1] + moment.at[1] * length_px, 1.0)
        at = matrix @ np.array(there)
        heading = moment.pose.heading_deg + float(
            np.rad2deg(np.arctan2(matrix[1, 0], matrix[0, 0]))
        )
        placed = place(
            body, (float(at[0]), float(at[1])), heading_deg=heading, px_per_unit=length_px
        )
        truth = truth_of(
            placed, size, fine=fine, pose=moment.pose, length_px=body.length_units * length_px
        )
        if truth is None:  # it has left the picture: the burst ends there
            break
        seen = _moved(picture, matrix, margin, size)
        blend(seen, placed, light)
        frames.append(
            DrawnFrame(
                rgb=photograph(rng, weather.applied(seen), camera),
                time_s=time_s,
                truth=truth,
                head_xy_px=placed.point(body.ends[1]),
                tail_xy_px=placed.point(body.ends[0]),
                matrix=matrix,
            )
        )
    return DrawnBurst(fine=fine, gait=gait, frames=tuple(frames), period_s=gone.period_s)


def _margin(matrices: list[F64], size: tuple[int, int]) -> int:
    """How much more of the scene must be drawn on each side, so that every frame is full."""
    right, bottom = size[1] - 1.0, size[0] - 1.0
    corners = np.array([[0, 0, 1], [right, 0, 1], [right, bottom, 1], [0, bottom, 1]], np.float64)
    strays = [
        np.abs((corners @ np.linalg.inv(matrix).T - corners)[:, :2]).max() for matrix in matrices
    ]
    worst = float(max(strays, default=0.0))
    return 0 if worst < 1e-9 else int(np.ceil(worst)) + 2


def _moved(picture: F32, matrix: F64, margin: int, size: tuple[int, int]) -> F32:
    """Give what a frame sees of the scene, which was drawn with a margin round the first frame."""
    if margin == 0:
        return f32(picture.copy())
    moved = matrix @ np.array([[1.0, 0.0, -margin], [0.0, 1.0, -margin], [0.0, 0.0, 1.0]])
    return f32(cv2.warpAffine(picture, moved[:2], (size[1], size[0]), flags=cv2.INTER_LINEAR))


def _start(
    moments: tuple[Moment, ...], size: tuple[int, int], length_px: float
) -> tuple[float, float]:
    """Where to start so that the path lies about the middle of the picture."""
    path = np.array([moment.at for moment in moments]) * length_px
    middle = 0.5 * (path.min(axis=0) + path.max(axis=0))
    return float(size[1] / 2 - middle[0]), float(size[0] / 2 - middle[1])
