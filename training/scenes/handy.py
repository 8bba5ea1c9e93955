"""Photograph flat things that lie on a table: coins, cards and rulers, in true perspective.

The table is a plane in millimetres: x to the right, y downwards, z up towards the camera. A thing is
a picture of its face, its outline and its thickness; it is seen by a pinhole camera, so that the face
lies nearer than the table and the side shows where the camera looks at it from aslant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ShapeError
from training.scenes.camera import draw_camera, metered, photograph
from training.scenes.crops import fitted
from training.scenes.grounds import draw_ground, draw_weather
from training.scenes.light import blend, draw_light
from training.scenes.organisms import new_animal
from training.scenes.paint import f32, soften, spread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32, F64, U8
    from training.scenes.light import Light

SIDE_STEPS = 8  # slices of a thing's side at most; each is under a pixel of a usual photo


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """The face of a flat thing, seen from straight above.

    Parameters
    ----------
    rgb
        (h, w, 3) float32, 0..1.
    alpha
        (h, w) float32: 1 inside its outline.
    px_per_mm
        Scale of both.
    thickness_mm, side_rgb
        How high the face lies above the table, and the colour of the side.
    """

    rgb: F32
    alpha: F32
    px_per_mm: float
    thickness_mm: float = 0.0
    side_rgb: tuple[float, float, float] = (0.3, 0.3, 0.3)

    def __post_init__(self) -> None:
        if self.alpha.shape != self.rgb.shape[:2]:
            raise ShapeError(
                "alpha", expected=str(self.rgb.shape[:2]), actual=str(self.alpha.shape)
            )


@dataclass(frozen=True, slots=True)
class Stand:
    """Where a camera stands over the table, and how it looks at it.

    `focal_px`, `size` (height, width) of the picture, `distance_mm` along the line of sight from the
    camera to the table, `tilt_deg` between the line of sight and the table's normal, `azimuth_rad`
    of the axis it is tilted about, `turn_rad` of the table in the picture, `aim_mm` what it looks at.
    """

    focal_px: float
    size: tuple[int, int]
    distance_mm: float
    tilt_deg: float
    azimuth_rad: float
    turn_rad: float
    aim_mm: tuple[float, float] = (0.0, 0.0)

    def to_px(self, height_mm: float = 0.0) -> F64:
        """Give the (3, 3) matrix from millimetres at a height above the table to pixels.

        Pixels have (0, 0) at the top-left corner of the top-left pixel.
        """
        tilt = np.deg2rad(self.tilt_deg)
        axis = np.array([np.cos(self.azimuth_rad), np.sin(self.azimuth_rad), 0.0])
        cross = np.array(
            [[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]], np.float64
        )
        leaning = np.eye(3) + np.sin(tilt) * cross + (1 - np.cos(tilt)) * cross @ cross
        cosine, sine = np.cos(self.turn_rad), np.sin(self.turn_rad)
        turned = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, -1.0]])
        pose = leaning @ turned
        aim = np.array([*self.aim_mm, 0.0])
        place = np.array([0.0, 0.0, self.distance_mm]) - pose @ aim
        rows, columns = self.size
        inner = np.array(
            [[self.focal_px, 0, columns / 2], [0, self.focal_px, rows / 2], [0, 0, 1.0]]
        )
        return np.asarray(
            inner @ np.column_stack([pose[:, 0], pose[:, 1], pose[:, 2] * height_mm + place]),
            np.float64,
        )

    def to_mm(self) -> F64:
        """Give the (3, 3) matrix from pixels to millimetres on the table."""
        return np.asarray(np.linalg.inv(self.to_px()), np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class DrawnTable:
    """A photo of a table with one thing of known size.

    `rgb` (H, W, 3) uint8; `to_mm` (3, 3) takes a pixel `(x, y, 1)` to millimetres of the table;
    `outline_xy_px` (N, 2) is the true outline of the thing's face; `middle_mm` its middle.
    """

    rgb: U8
    to_mm: F64
    outline_xy_px: F64
    middle_mm: tuple[float, float]
    tilt_deg: float

    def __post_init__(self) -> None:
        as_rgb(self.rgb)
        if self.to_mm.shape != (3, 3):
            raise ShapeError("to_mm", expected="(3, 3)", actual=str(self.to_mm.shape))


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A thing on the table: its face, where its middle lies, and how it is turned."""

    face: Face
    at_mm: tuple[float, float]
    turn_rad: float = 0.0

    def to_table(self) -> F64:
        """Give the (3, 3) matrix from the face's pixels, corner convention, to millimetres."""
        rows, columns = self.face.alpha.shape
        scale = 1.0 / self.face.px_per_mm
        cosine, sine = np.cos(self.turn_rad) * scale, np.sin(self.turn_rad) * scale
        turn = np.array([[cosine, -sine], [sine, cosine]])
        shift = np.asarray(self.at_mm) - turn @ np.array([columns / 2, rows / 2])
        return np.vstack([np.column_stack([turn, shift]), [0.0, 0.0, 1.0]])


def through(matrix: F64, points: F64) -> F64:
    """Take (N, 2) points through a (3, 3) matrix."""
    full = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(full[:, :2] / full[:, 2:], np.float64)


def draw_stand(
    rng: np.random.Generator, size: tuple[int, int], *, px_per_mm: float, most_tilt_deg: float
) -> Stand:
    """Draw a camera that sees the table with so many pixels a millimetre.

    A phone's main camera has a focal length of .72 to 1.5 times the long side of its picture (26 to
    54 mm on a frame of 36 mm; from memory).
    """
    focal = float(rng.uniform(0.72, 1.5)) * max(size)
    return Stand(
        focal_px=focal,
        size=size,
        distance_mm=focal / px_per_mm,
        tilt_deg=float(rng.uniform(0.0, most_tilt_deg)),
        azimuth_rad=float(rng.uniform(0, 2 * np.pi)),
        turn_rad=float(rng.uniform(0, 2 * np.pi)),
    )


def lay(picture: F32, laid: Laid, stand: Stand, light: Light) -> None:
    """Put a thing on the photographed table, in place, with its side and its shadow."""
    face, table = laid.face, laid.to_table()
    low = laid_window(picture, laid, stand)
    if low is None:
        return
    x0, y0, x1, y1 = low
    move = np.array([[1, 0, -x0 - 0.5], [0, 1, -y0 - 0.5], [0, 0, 1.0]])
    back = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])

    def seen(layer: F32, height_mm: float) -> F32:
        matrix = move @ stand.to_px(height_mm) @ table @ back
        return f32(cv2.warpPerspective(layer, matrix, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR))

    area = picture[y0:y1, x0:x1]
    base = seen(face.alpha, 0.0)
    thick = face.thickness_mm * stand.focal_px / stand.distance_mm
    _shade(area, base, light, thick)
    steps = int(np.clip(np.ceil(thick * 0.6), 1, SIDE_STEPS)) if face.thickness_mm > 0 else 0
    side = np.zeros_like(base)
    for step in range(steps):
        np.maximum(side, seen(face.alpha, face.thickness_mm * step / steps), out=side)
    colour = np.asarray(face.side_rgb, np.float32)
    area += (colour - area) * spread(side)
    top = spread(seen(face.alpha, face.thickness_mm))
    area += (seen(face.rgb, face.thickness_mm) - area) * top


def laid_window(picture: F32, laid: Laid, stand: Stand) -> tuple[int, int, int, int] | None:
    """Give the part of a picture that a thing and its shadow may touch, None if it lies outside."""
    rows, columns = laid.face.alpha.shape
    corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float64)
    ends = np.vstack(
        [
            through(stand.to_px(height) @ laid.to_table(), corners)
            for height in (0.0, laid.face.thickness_mm)
        ]
    )
    margin = 0.1 * float((ends.max(axis=0) - ends.min(axis=0)).max()) + 8
    low = np.maximum(np.floor(ends.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(ends.max(axis=0) + margin), picture.shape[1::-1]).astype(int)
    if (high - low < 4).any():
        return None
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _shade(area: F32, base: F32, light: Light, thick_px: float) -> None:
    """Darken the table beside a thing, away from the light."""
    reach = light.lift * thick_px * 0.8
    shift = np.array(
        [
            [1, 0, -reach * np.cos(light.azimuth_rad)],
            [0, 1, -reach * np.sin(light.azimuth_rad)],
        ]
    )
    dark = f32(cv2.warpAffine(base, shift, (base.shape[1], base.shape[0])))
    dark = soften(dark, max(1.0, 0.5 * reach)) * np.float32(0.2 + light.shadow)
    area *= spread(f32(1.0 - np.minimum(dark, 0.85)))


CLUTTER = ("snail", "bubble", "plant-or-debris", "snail", "mark-on-glass", "bubble")


def photograph_table(
    rng: np.random.Generator,
    things: Sequence[Laid],
    stand: Stand,
    *,
    n_clutter: int = 4,
    is_handy_light: bool = True,
) -> U8:
    """Photograph things on a varied ground with snails, bubbles and debris about them, not on them.

    `is_handy_light` keeps to light in which a person would take such a photo: neither in the dark nor
    through green water.
    """
    picture = draw_ground(rng, stand.size)
    light = draw_light(rng)
    taken = [window for one in things if (window := laid_window(picture, one, stand))]
    for _ in range(n_clutter):
        _clutter(rng, picture, light, taken)
    for one in things:
        lay(picture, one, stand, light)
    weather = draw_weather(rng, stand.size)
    while is_handy_light and (weather.level.min() < 0.35 or weather.veil_amount > 0.2):
        weather = draw_weather(rng, stand.size)
    seen = weather.applied(f32(np.clip(picture, 0, 1)))
    shorter = min(stand.size)
    blur = float(rng.uniform(0.4, 1.6)) * max(1.0, shorter / 900)
    camera = draw_camera(rng, blur_px=blur)
    return photograph(rng, seen, metered(rng, seen, camera))


def _clutter(
    rng: np.random.Generator, picture: F32, light: Light, taken: list[tuple[int, int, int, int]]
) -> None:
    rows, columns = picture.shape[:2]
    long = float(rng.uniform(0.04, 0.22)) * min(rows, columns)
    animal = new_animal(rng, str(rng.choice(CLUTTER)))
    pose = animal.kind.pose(rng)
    body = animal.paint(pose, max(long, 48.0))
    for _ in range(10):
        x, y = float(rng.uniform(0, columns)), float(rng.uniform(0, rows))
        placed = fitted(body, pose.heading_deg, long, (x, y))
        box = placed.box()
        if box is not None and all(_apart(box, other) for other in taken):
            blend(picture, placed, light)
            taken.append((int(box[0]), int(box[1]), int(box[2]), int(box[3])))
            return


def _apart(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return one[2] < other[0] or other[2] < one[0] or one[3] < other[1] or other[3] < one[1]
