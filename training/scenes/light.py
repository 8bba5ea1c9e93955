"""Put a painted body into a picture: turn and scale it, light its relief, shade its ground."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from training.scenes.paint import f32, soften, spread

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64, Bool, BoxXyxy
    from training.scenes.body import Body

MASK_COVER = 0.4
"""A pixel belongs to a body that covers it by at least this share of the most it covers anywhere.

The most is 1 but for a hair thinner than a pixel, which covers no pixel wholly.
"""


def inside(cover: F32) -> Bool:
    """Give the mask of a cover."""
    peak = float(cover.max()) if cover.size else 0.0
    return np.asarray(cover >= MASK_COVER * max(min(peak, 1.0), 0.05))


@dataclass(frozen=True, slots=True)
class Light:
    """Where the light comes from and how hard it is.

    `azimuth_rad` in the picture plane, `elevation_rad` above it; `ambient` 0 to 1 is the share that
    comes from everywhere; `shine` 0 to 1 scales highlights; `shadow` 0 to 1 is how dark the contact
    shadow gets and `lift` how far it lies from the body, as a share of its relief.
    """

    azimuth_rad: float
    elevation_rad: float
    ambient: float
    shine: float
    shadow: float
    lift: float


def draw_light(rng: np.random.Generator) -> Light:
    """Draw a light; what is drawn does not depend on what stands in it."""
    return Light(
        azimuth_rad=float(rng.uniform(0, 2 * np.pi)),
        elevation_rad=float(rng.uniform(0.6, 1.35)),
        ambient=float(rng.uniform(0.25, 0.8)),
        shine=float(rng.uniform(0.1, 1.0)),
        shadow=float(rng.uniform(0.0, 0.6)),
        lift=float(rng.uniform(0.3, 2.5)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A body turned and scaled, in a window of the picture whose corner is `(left, top)`.

    Fields as in `Body`, in picture pixels; `to_px` (2, 3) takes units to picture pixels.
    """

    left: int
    top: int
    rgb: F32
    alpha: F32
    cover: F32
    height: F32
    to_px: F64
    gloss: float
    is_lit: bool
    shadow: float
    normal: F32 | None = None

    def box(self) -> BoxXyxy | None:
        """Give the box of its mask in the picture's pixels, None if it covers no pixel."""
        mask = inside(self.cover)
        rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        if len(rows) == 0:
            return None
        return (
            float(self.left + columns[0]),
            float(self.top + rows[0]),
            float(self.left + columns[-1] + 1),
            float(self.top + rows[-1] + 1),
        )

    def mask(self, box: BoxXyxy) -> Bool:
        """Give the mask cut to a box inside the window."""
        x0, y0, x1, y1 = (round(value) for value in box)
        whole = inside(self.cover)
        return whole[y0 - self.top : y1 - self.top, x0 - self.left : x1 - self.left]

    def point(self, units: tuple[float, float]) -> tuple[float, float]:
        """Take a point of the body, in units, to the picture."""
        x, y = self.to_px[:, :2] @ np.asarray(units) + self.to_px[:, 2]
        return float(x), float(y)

    def points(self, units: F64) -> F64:
        """Take (N, 2) points of the body to the picture, (0, 0) being the corner of its first pixel."""
        # Pixels of the sheets are warped by their centres.
        return np.asarray(units @ self.to_px[:, :2].T + self.to_px[:, 2] + 0.5, np.float64)


def rotation(heading_deg: float) -> F64:
    """Give the (2, 2) matrix that turns +x to a heading; y grows downwards."""
    turn = np.deg2rad(heading_deg)
    return np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])


def place(
    body: Body, at_xy_px: tuple[float, float], *, heading_deg: float, px_per_unit: float
) -> Placed:
    """Turn and scale a body and put its middle at a point of the picture."""
    # Two stacks: cv2 resizes and warps four channels at most.
    channels = [np.dstack([body.rgb, body.alpha]), np.dstack([body.cover, body.height])]
    if body.normal is not None:
        channels.append(body.normal)
    scale = px_per_unit / body.px_per_unit
    origin = np.asarray(body.origin_px, np.float64)
    channels, origin, left_over = _shrunk(channels, origin, scale)
    turn = rotation(heading_deg) * left_over
    rows, columns = channels[0].shape[:2]
    corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float64)
    reach = (corners - origin) @ turn.T + np.asarray(at_xy_px)
    low = np.floor(reach.min(axis=0)).astype(int) - 1
    size = np.ceil(reach.max(axis=0)).astype(int) + 2 - low
    shift = np.asarray(at_xy_px) - turn @ origin - low
    matrix = np.column_stack([turn, shift])
    warped = [
        cv2.warpAffine(part, matrix, (int(size[0]), int(size[1])), flags=cv2.INTER_LINEAR)
        for part in channels
    ]
    to_px = np.column_stack([rotation(heading_deg) * px_per_unit, np.asarray(at_xy_px)])
    return Placed(
        left=int(low[0]),
        top=int(low[1]),
        rgb=f32(cv2.cvtColor(warped[0], cv2.COLOR_RGBA2RGB)),
        alpha=f32(cv2.extractChannel(warped[0], 3)),
        cover=f32(cv2.extractChannel(warped[1], 0)),
        height=f32(cv2.extractChannel(warped[1], 1) * np.float32(scale)),
        to_px=np.asarray(to_px, np.float64),
        gloss=body.gloss,
        is_lit=body.is_lit,
        shadow=body.shadow,
        normal=_facing(f32(warped[2]), heading_deg) if body.normal is not None else None,
    )


def _facing(normal: F32, heading_deg: float) -> F32:
    """Turn normals with their body and make them as long as 1 again; 0 where there is no body."""
    along = normal.reshape(-1, 3)
    along[:, :2] = along[:, :2] @ rotation(heading_deg).T.astype(np.float32)
    length = np.sqrt(np.einsum("ij,ij->i", along, along))
    return f32((along / np.maximum(length, 1e-4)[:, None]).reshape(normal.shape))


def _shrunk(channels: list[F32], origin: F64, scale: float) -> tuple[list[F32], F64, float]:
    """Shrink by area first: a warp to less than half the size would skip pixels."""
    if scale >= 0.75:
        return channels, origin, scale
    rows, columns = channels[0].shape[:2]
    size = (max(2, round(columns * scale)), max(2, round(rows * scale)))
    factor = np.array([size[0] / columns, size[1] / rows])
    small = [f32(cv2.resize(part, size, interpolation=cv2.INTER_AREA)) for part in channels]
    return small, (origin + 0.5) * factor - 0.5, scale / float(np.sqrt(factor.prod()))


def lit(placed: Placed, light: Light) -> F32:
    """Give the body's colour under a light, premultiplied, (h, w, 3)."""
    if not placed.is_lit:
        return placed.rgb
    if placed.normal is not None:
        return _lit_solid(placed, placed.normal, light)
    height = cv2.GaussianBlur(placed.height, (0, 0), 0.9)
    slope_x = cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    slope_y = cv2.Sobel(height, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    flat, up = math.cos(light.elevation_rad), math.sin(light.elevation_rad)
    toward = (flat * math.cos(light.azimuth_rad), flat * math.sin(light.azimuth_rad))
    inverse = 1.0 / np.sqrt(slope_x**2 + slope_y**2 + 1.0)
    facing = (up - slope_x * toward[0] - slope_y * toward[1]) * inverse
    level = light.ambient + (1.0 - light.ambient) * np.clip(facing, 0.0, 1.4) / up
    out = placed.rgb * spread(f32(level))
    if placed.gloss * light.shine > 0.03:
        # Halfway between the light and the eye, which looks straight down.
        norm = math.sqrt(2.0 + 2.0 * up)
        across, down, out_of = toward[0] / norm, toward[1] / norm, (up + 1.0) / norm
        gleam = np.clip((out_of - slope_x * across - slope_y * down) * inverse, 0, 1)
        # A wetter skin has a smaller and harder highlight.
        gleam = gleam ** (18.0 + 70.0 * placed.gloss)
        relief = np.clip(height * 0.5, 0, 1)
        out += spread(f32(gleam * relief * placed.gloss * light.shine * 0.85 * placed.alpha))
    return f32(out)


_SHARP = (30.0, 320.0)
"""Exponent of the highlight of a dull and of a wet skin; own reading of photographs."""

_MOST_LEVEL = 1.2  # a slope that faces a low lamp is not much brighter than the ground

_SKY = 0.32  # how bright the surroundings are that a wet edge mirrors, of a lamp


def _lit_solid(placed: Placed, normal: F32, light: Light) -> F32:
    """Light a body by the normals it was rendered with.

    Wrapped diffuse light, surroundings that reach a steep side less, and on a wet skin a lamp and
    its halo (Blinn's halfway vector) and more of the surroundings towards the edge (Schlick).
    """
    flat, up = math.cos(light.elevation_rad), math.sin(light.elevation_rad)
    toward = np.array(
        [flat * math.cos(light.azimuth_rad), flat * math.sin(light.azimuth_rad), up], np.float32
    )
    facing = normal @ toward
    rise = normal[..., 2]
    around = light.ambient * (0.45 + 0.55 * rise)
    direct = (1.0 - light.ambient) * np.clip((facing + 0.12) / 1.12, 0.0, 1.0) / up
    out = placed.rgb * spread(f32(np.minimum(around + direct, _MOST_LEVEL)))
    wet = placed.gloss * light.shine
    if wet > 0.03:
        halfway = toward + np.array([0.0, 0.0, 1.0], np.float32)
        gleam = np.clip(normal @ (halfway / np.linalg.norm(halfway)), 0.0, 1.0)
        low, high = _SHARP
        lamp = 0.95 * gleam ** (low + (high - low) * placed.gloss**2) + 0.16 * gleam**14
        edge = _SKY * light.ambient * np.clip(1.0 - rise, 0.0, 1.0) ** 3
        shine = f32(np.clip(wet * (lamp + edge), 0.0, 1.0) * placed.cover)
        out += spread(shine) * (1.0 - np.minimum(out, 1.0))
    return f32(out)


def blend(picture: F32, placed: Placed, light: Light, *, level: float = 1.0) -> None:
    """Lay a body over a picture, in place, with its contact shadow.

    Parameters
    ----------
    picture
        (H, W, 3) float32, 0..1.
    level
        Brightness of the place, by which the body's colour is scaled.
    """
    if light.shadow * placed.shadow > 0.02:
        _shade_ground(picture, placed, light)
    window = _window(picture.shape, placed)
    if window is None:
        return
    there, here = window
    colour = lit(placed, light)[here] * np.float32(level)
    area = picture[there]
    area *= spread(f32(1.0 - placed.alpha[here]))
    area += colour


def _shade_ground(picture: F32, placed: Placed, light: Light) -> None:
    tallest = float(placed.height.max())
    offset = light.lift * tallest * 0.6
    soft = max(1.0, 0.7 * tallest * light.lift)
    pad = int(np.ceil(2 * soft + offset)) + 1
    cover = cv2.copyMakeBorder(placed.alpha, pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=0)
    dark = soften(f32(cover), soft) * np.float32(light.shadow * placed.shadow)
    moved = (
        placed.left - pad - round(offset * np.cos(light.azimuth_rad)),
        placed.top - pad - round(offset * np.sin(light.azimuth_rad)),
    )
    window = _clip(picture.shape, moved, dark.shape)
    if window is None:
        return
    there, here = window
    picture[there] *= spread(f32(1.0 - dark[here]))


def _window(
    shape: tuple[int, ...], placed: Placed
) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
    return _clip(shape, (placed.left, placed.top), placed.alpha.shape)


def _clip(
    shape: tuple[int, ...], corner: tuple[int, int], size: tuple[int, ...]
) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
    left, top = corner
    x0, y0 = max(left, 0), max(top, 0)
    x1, y1 = min(left + size[1], shape[1]), min(top + size[0], shape[0])
    if x1 <= x0 or y1 <= y0:
        return None
    return (slice(y0, y1), slice(x0, x1)), (
        slice(y0 - top, y1 - top),
        slice(x0 - left, x1 - left),
    )


def mask_in(shape: tuple[int, int], placed: Placed) -> Bool:
    """Give the body's mask in the whole picture, (H, W)."""
    mask = np.zeros(shape, np.bool_)
    window = _window(shape, placed)
    if window is not None:
        there, here = window
        mask[there] = inside(placed.cover)[here]
    return mask
