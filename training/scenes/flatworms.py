"""Flatworms: thin matte ribbons with a head, two eyes and a branched gut, gliding in curves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind, finish
from training.scenes.paint import Sheet, f32, mottle, tinted, vary
from training.scenes.records import Pose
from training.scenes.ribbons import Ribbon, extent_of, midline, ribbon

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64

# 4 to 6 times as long as broad ("The British fresh-water planarians", Essex Field Club); Girardia
# tigrina 4-6 x 2 mm (J Species Res 12:341, 2023) is broader, G. dorotocephala 30 x 3.5 narrower.
FLATWORM_WIDTH = (0.115, 0.26)

_COLOURS: tuple[tuple[float, float, float], ...] = (
    (0.82, 0.78, 0.70),  # milk white (Dendrocoelum)
    (0.48, 0.33, 0.19),  # brown (Girardia, Schmidtea)
    (0.52, 0.47, 0.40),  # grey-brown
    (0.42, 0.42, 0.42),  # grey
    (0.15, 0.13, 0.12),  # near black
    (0.66, 0.48, 0.28),  # amber
    (0.74, 0.62, 0.55),  # flesh
)


def pose_flatworm(rng: np.random.Generator) -> Pose:
    """Draw a posture: gliding straight or in a curve, turning, sometimes drawn together."""
    name = str(rng.choice(["gliding", "turning", "contracted"], p=[0.6, 0.28, 0.12]))
    whole, wave, low, high = {
        "gliding": (0.9, 0.35, 0.92, 1.1),
        "turning": (2.6, 0.5, 0.9, 1.05),
        "contracted": (0.5, 0.2, 0.55, 0.75),  # extended over contracted 2.0-3.1 (Bdellocephala)
    }[name]
    return Pose(
        name=name,
        heading_deg=float(rng.uniform(0, 360)),
        stretch=float(rng.uniform(low, high)),
        bends_rad=(
            float(rng.uniform(-whole, whole)),
            float(rng.uniform(-wave, wave)),
            float(rng.uniform(-wave, wave)) * 0.4,
        ),
        phase=float(rng.uniform(0, 1)),
    )


def _half_width(rng: np.random.Generator, pose: Pose, head: str) -> F64:
    s = np.linspace(0.0, 1.0, 49)
    width = rng.uniform(*FLATWORM_WIDTH) * pose.stretch**-0.9
    tail = np.clip(s / rng.uniform(0.25, 0.45), 0, 1) ** rng.uniform(0.6, 0.9)
    trunk = tail * (1.0 - 0.10 * np.cos(np.pi * s))
    at = np.clip((s - 0.84) / 0.16, 0, 1)  # 0 at the neck, 1 at the snout
    if head == "arrow":  # auricles stand out behind the eyes, then a point
        ears = rng.uniform(0.30, 0.65) * np.exp(-(((s - 0.90) / 0.022) ** 2))
        front = np.where(s > 0.84, 0.80 * (1 - at**1.6) + 0.10 * (at < 0.98), 1.0) + ears
    elif head == "square":  # Dendrocoelum: cut off, with blunt corners
        front = np.where(s > 0.84, 0.82 + 0.10 * np.sin(np.pi * at) - 0.25 * at**8, 1.0)
    else:  # a rounded spade
        front = np.where(s > 0.84, np.sqrt(np.clip(1 - (at * 0.98) ** 2.6, 0, 1)), 1.0)
        front = front - 0.10 * np.exp(-(((s - 0.83) / 0.03) ** 2))
    return np.asarray(0.5 * width * trunk * np.maximum(front, 0.05), np.float64)


def _gut(body: Ribbon, rng: np.random.Generator) -> F32:
    """One branch forward, two backward, with side twigs: what makes a triclad a triclad."""
    s, t = body.s, np.abs(body.t)
    forward = np.exp(-((t / 0.22) ** 2)) * np.clip((s - 0.42) * 14, 0, 1)
    backward = np.exp(-(((t - 0.38) / 0.20) ** 2)) * np.clip((0.46 - s) * 14, 0, 1)
    twigs = (0.5 + 0.5 * np.cos(2 * np.pi * s * rng.uniform(16, 28))) * np.clip(0.85 - t, 0, 1)
    tree = np.maximum(np.maximum(forward, backward), 0.65 * twigs)
    return f32(tree * np.clip((0.90 - s) * 12, 0, 1) * np.clip(s * 14, 0, 1))


def _eyes(sheet: Sheet, line: F64, half: F64, *, apart: float, base: F64) -> None:
    """Two dark eyes, each in a pale patch, level with the auricles (J Species Res 12:341)."""
    index = -5
    along = line[index + 1] - line[index - 1]
    along = along / np.hypot(*along)
    across = np.array([-along[1], along[0]])
    patches, pupils = [], []
    size = max(float(half[index]) * 0.11, 0.006)
    for side in (-apart, apart):
        x, y = line[index] + side * half[index] * across
        turn = float(np.rad2deg(np.arctan2(along[1], along[0])))
        patches.append((float(x), float(y), size * 2.0, size * 1.5, turn))
        x, y = line[index] + side * 0.8 * half[index] * across
        pupils.append((float(x), float(y), size * 0.95, size * 0.7, turn))
    pale = 0.45 * base + 0.5
    sheet.stain(
        sheet.ellipses(patches), (float(pale[0]), float(pale[1]), float(pale[2])), opacity=0.7
    )
    sheet.stain(sheet.ellipses(pupils), (0.04, 0.04, 0.05), opacity=0.95)


def paint_flatworm(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a planarian from above."""
    base = np.asarray(vary(rng, _COLOURS[int(rng.integers(len(_COLOURS)))], 0.2))
    head = str(rng.choice(["arrow", "spade", "square"], p=[0.5, 0.32, 0.18]))
    half = _half_width(rng, pose, head)
    line = midline(pose)
    sheet = Sheet(extent_of(line, float(half.max()) * 1.4), px_per_unit)
    body = ribbon(sheet, line, half)
    sheer = float(rng.uniform(0.0, 0.5))  # how much of the ground shows at the edge
    opacity = (1.0 - sheer * (0.25 + 0.75 * np.clip(np.abs(body.t), 0, 1) ** 3)).astype(np.float32)
    grain = 0.9 + 0.2 * mottle(rng, sheet.shape, 40)
    sheet.lay(
        body.cover,
        tinted(grain, base),
        opacity=f32(opacity),
        height=body.relief(float(rng.uniform(0.08, 0.28))),
    )
    gut_colour = tuple(base * rng.uniform(0.35, 0.7))
    sheet.stain(_gut(body, rng), gut_colour, opacity=float(rng.uniform(0.15, 0.8)))
    if rng.random() < 0.6:  # the pharynx shows as a pale spindle behind the middle
        spot = np.exp(-(((body.s - 0.42) / 0.055) ** 2) - (body.t / 0.24) ** 2)
        sheet.stain(
            f32(spot), tuple(np.clip(base * 1.2 + 0.15, 0, 1)), opacity=float(rng.uniform(0.3, 0.9))
        )
    if rng.random() < 0.4:  # freckles
        dots = np.clip((mottle(rng, sheet.shape, 60) - 0.62) * 8, 0, 1)
        sheet.stain(f32(dots), tuple(base * 0.5), opacity=float(rng.uniform(0.2, 0.6)))
    rim = np.clip((np.abs(body.t) - 0.8) * 5, 0, 1)
    sheet.stain(f32(rim), tuple(np.clip(base * 1.25 + 0.08, 0, 1)), opacity=0.5)
    _eyes(sheet, line, half, apart=float(rng.uniform(0.3, 0.5)), base=base)
    return finish(
        sheet,
        gloss=float(rng.uniform(0.0, 0.25)),
        length_units=pose.stretch,
        shadow=0.5,
        ends=((float(line[0, 0]), float(line[0, 1])), (float(line[-1, 0]), float(line[-1, 1]))),
        line=line,
    )


FLATWORMS = (
    # 1 to 36 mm: hatchlings to the largest British species (Essex Field Club).
    Kind("planarian", 1.0, paint_flatworm, pose_flatworm, "glide", (1.5, 36.0)),
)
