"""Draw rulers and ID-1 cards on a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.size.card_outline import CORNER_RADIUS_MM, LONG_MM, SHORT_MM
from training.scenes.grounds import clouds
from training.scenes.handy import DrawnTable, Face, Laid, draw_stand, photograph_table, through
from training.scenes.paint import f32, spread, tinted, vary

if TYPE_CHECKING:
    from pestvision.arrays import F64

RULER_TONES = ((0.72, 0.73, 0.74), (0.86, 0.85, 0.80), (0.74, 0.58, 0.36), (0.95, 0.95, 0.95))
"""Steel, clear plastic, wood, white; own choice."""

CARD_THICKNESS_MM = 0.76  # ISO/IEC 7810 ID-1 by a secondary source


@dataclass(frozen=True, slots=True)
class Ticks:
    """What stands on a ruler: the space between ticks, and (every how many, how long) from long to short.

    `unit` is `mm`, `cm` (bare centimetres), `half-cm` (fives and tens only) or `inch` (sixteenths).
    """

    unit: str
    step_mm: float
    lengths_mm: tuple[tuple[int, float], ...]


METRIC = Ticks("mm", 1.0, ((10, 7.0), (5, 5.2), (1, 3.6)))
BARE = Ticks("cm", 10.0, ((1, 6.0),))
HALVES = Ticks("half-cm", 5.0, ((2, 7.0), (1, 4.5)))
INCH = Ticks("inch", 25.4 / 16, ((16, 9.0), (8, 7.0), (4, 5.4), (2, 4.2), (1, 3.2)))


def ruler_face(
    rng: np.random.Generator, ticks: Ticks, px_per_mm: float, *, length_mm: float
) -> Face:
    """Draw a ruler: ticks along one edge, the longer ones numbered."""
    wide_mm = float(rng.uniform(18, 32))
    tone = vary(rng, RULER_TONES[int(rng.integers(len(RULER_TONES)))], 0.1)
    # Drawn at twice the size and reduced, so that thin ticks are as dark as they should be.
    scale = 2 * px_per_mm
    size = (int(wide_mm * scale), int(length_mm * scale))
    ink = np.zeros(size, np.uint8)
    stroke = float(rng.uniform(0.14, 0.26)) * scale
    start = float(rng.uniform(3, 8))
    count = int((length_mm - 2 * start) / ticks.step_mm)
    longer = float(rng.uniform(0.85, 1.2))
    for index in range(count + 1):
        reach = next(length for every, length in ticks.lengths_mm if index % every == 0) * longer
        x = (start + index * ticks.step_mm) * scale
        # A line from edge to edge, its sides at parts of a pixel.
        box = np.array(
            [
                [x - stroke / 2, -4],
                [x + stroke / 2, -4],
                [x + stroke / 2, reach * scale],
                [x - stroke / 2, reach * scale],
            ]
        )
        cv2.fillPoly(ink, [np.rint(box * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        if index % ticks.lengths_mm[0][0] == 0:
            text = str(index // ticks.lengths_mm[0][0])
            spot = (int(x - 1.2 * scale), int((reach + 4.2) * scale))
            cv2.putText(
                ink,
                text,
                spot,
                cv2.FONT_HERSHEY_SIMPLEX,
                scale / 7,
                255,
                max(1, int(scale / 4)),
                cv2.LINE_AA,
            )
    small = (size[1] // 2, size[0] // 2)
    dark = f32(cv2.resize(ink, small, interpolation=cv2.INTER_AREA) / np.float32(255))
    rgb = tinted(f32(1 + 0.06 * clouds(rng, dark.shape, 5.0, 3)), tone)
    rgb *= spread(f32(1 - dark * np.float32(rng.uniform(0.7, 0.95))))
    return Face(
        f32(np.clip(rgb, 0, 1)),
        f32(np.ones_like(dark)),
        px_per_mm,
        float(rng.uniform(0.5, 2.5)),
        _darker(tone),
    )


def draw_ruler_table(
    rng: np.random.Generator,
    ticks: Ticks,
    *,
    size: tuple[int, int] = (1200, 1600),
    most_tilt_deg: float = 15.0,
) -> DrawnTable:
    """Draw a ruler lying through the photo, with pebbles and clutter about it.

    A tick is 5 to 30 pixels of a photo 1600 pixels wide; `outline_xy_px` is a straight line along the
    middle of the visible ruler.
    """
    tick_px = float(np.exp(rng.uniform(np.log(5.0), np.log(30.0)))) * max(size) / 1600
    if ticks.step_mm > 2:
        tick_px = float(rng.uniform(25, 60)) * max(size) / 1600
    px_per_mm = tick_px / ticks.step_mm
    stand = draw_stand(rng, size, px_per_mm=px_per_mm, most_tilt_deg=most_tilt_deg)
    across_mm = np.hypot(*size) / px_per_mm
    length = float(np.clip(rng.uniform(0.5, 1.1) * across_mm, 14 * ticks.step_mm, 330))
    face = ruler_face(rng, ticks, px_per_mm * 1.1, length_mm=length)
    at = rng.uniform(-0.22, 0.22, 2) * min(size) / px_per_mm
    laid = Laid(face, (float(at[0]), float(at[1])), float(rng.uniform(0, 2 * np.pi)))
    rgb = photograph_table(rng, [laid], stand, n_clutter=int(rng.integers(1, 6)))
    along = np.array([np.cos(laid.turn_rad), np.sin(laid.turn_rad)])
    line = laid.at_mm + np.linspace(-0.5, 0.5, 41)[:, None] * length * along
    outline = through(stand.to_px(face.thickness_mm), line)
    inside = ((outline > 0) & (outline < np.array(size[::-1]))).all(axis=1)
    return DrawnTable(rgb, stand.to_mm(), outline[inside], laid.at_mm, stand.tilt_deg)


def card_face(rng: np.random.Generator, px_per_mm: float, *, corner_mm: float) -> Face:
    """Draw a blank card: a colour running into another, a stripe or two, rounded corners."""
    high, wide = round(SHORT_MM * px_per_mm), round(LONG_MM * px_per_mm)
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32) + np.float32(0.5)
    radius = corner_mm * px_per_mm
    inner_x = np.maximum(np.abs(x - wide / 2) - (wide / 2 - radius), 0)
    inner_y = np.maximum(np.abs(y - high / 2) - (high / 2 - radius), 0)
    out = np.hypot(inner_x, inner_y)
    alpha = f32(np.clip(radius - out + 0.5, 0, 1))
    one, other = (
        _any_tone(rng),
        _any_tone(rng),
    )
    mix = f32(np.clip(0.5 + 0.25 * clouds(rng, (high, wide), float(rng.uniform(1, 4)), 2), 0, 1))
    rgb = tinted(mix, one) + tinted(f32(1 - mix), other)
    for _ in range(int(rng.integers(0, 4))):
        top = int(rng.uniform(0.05, 0.8) * high)
        left = int(rng.uniform(0.05, 0.5) * wide) if rng.random() < 0.6 else 0
        right = wide if left == 0 else left + int(rng.uniform(0.1, 0.4) * wide)
        rgb[top : top + int(rng.uniform(0.05, 0.2) * high), left:right] *= float(
            rng.uniform(0.3, 1.3)
        )
    return Face(f32(np.clip(rgb, 0, 1)), alpha, px_per_mm, CARD_THICKNESS_MM, _darker(one))


def _any_tone(rng: np.random.Generator) -> tuple[float, float, float]:
    red, green, blue = rng.uniform(0.1, 0.95, 3).tolist()
    return (red, green, blue)


def _darker(tone: tuple[float, float, float]) -> tuple[float, float, float]:
    return (0.55 * tone[0], 0.55 * tone[1], 0.55 * tone[2])


def draw_card_table(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (1200, 1600),
    most_tilt_deg: float = 28.0,
    corner_mm: float = CORNER_RADIUS_MM,
) -> DrawnTable:
    """Draw an ID-1 card with clutter about it; `corner_mm` below it makes a cut piece of paper."""
    long_px = float(rng.uniform(0.25, 0.6)) * max(size)
    px_per_mm = long_px / LONG_MM
    face = card_face(rng, px_per_mm * 1.1, corner_mm=corner_mm)
    half = np.array([LONG_MM, SHORT_MM]) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]]) * half
    for _ in range(60):
        stand = draw_stand(rng, size, px_per_mm=px_per_mm, most_tilt_deg=most_tilt_deg)
        at = rng.uniform(-0.3, 0.3, 2) * min(size) / px_per_mm
        outline: F64 = through(stand.to_px(face.thickness_mm), corners + at)
        if ((outline > 6) & (outline < np.array(size[::-1]) - 6)).all():
            break
    laid = Laid(face, (float(at[0]), float(at[1])))
    rgb = photograph_table(rng, [laid], stand, n_clutter=int(rng.integers(1, 6)))
    return DrawnTable(rgb, stand.to_mm(), outline, laid.at_mm, stand.tilt_deg)
