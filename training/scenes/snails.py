"""Snails, their eggs, and limpets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind, finish
from training.scenes.paint import Sheet, dome, f32, mottle, tinted, vary
from training.scenes.records import Pose
from training.scenes.ribbons import limb

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64

_SHELLS: tuple[tuple[float, float, float], ...] = (
    (0.45, 0.30, 0.16),
    (0.62, 0.42, 0.20),
    (0.30, 0.22, 0.15),
    (0.70, 0.22, 0.12),  # red ramshorn
    (0.78, 0.55, 0.35),
    (0.75, 0.68, 0.48),
    (0.50, 0.48, 0.30),
    (0.20, 0.17, 0.14),
    (0.45, 0.45, 0.55),  # blue-grey
)
_FLESH: tuple[tuple[float, float, float], ...] = (
    (0.30, 0.26, 0.22),
    (0.70, 0.30, 0.25),
    (0.62, 0.55, 0.42),
    (0.15, 0.13, 0.12),
    (0.80, 0.68, 0.45),
)


def pose_snail(rng: np.random.Generator) -> Pose:
    """Draw a snail's posture: creeping, seen from below through the glass, or drawn in."""
    name = str(rng.choice(["creeping", "on the glass", "drawn in"], p=[0.55, 0.25, 0.20]))
    return Pose(name=name, heading_deg=float(rng.uniform(0, 360)), phase=float(rng.uniform(0, 1)))


def pose_still(rng: np.random.Generator) -> Pose:
    """Draw a direction for what has no posture."""
    return Pose(
        name="still", heading_deg=float(rng.uniform(0, 360)), phase=float(rng.uniform(0, 1))
    )


def _foot(sheet: Sheet, rng: np.random.Generator, pose: Pose, size: float) -> None:
    """Lay a foot with a head and two thread-like tentacles, under or before the shell."""
    flesh = np.asarray(vary(rng, _FLESH[int(rng.integers(len(_FLESH)))], 0.15))
    reach = rng.uniform(0.35, 0.5) * size
    spread, curl = rng.uniform(0.45, 0.9), rng.uniform(-0.7, 0.7)
    long = rng.uniform(0.28, 0.5) * size
    turn = float(rng.uniform(-8, 8))
    if pose.name == "drawn in":
        return
    head = (reach, 0.0)
    feelers = [limb(head, spread, long, curl), limb(head, -spread, long, -curl)]
    sheet.lay(sheet.strokes(feelers, 0.022 * size), tuple(flesh * 0.9), opacity=0.9)
    foot = sheet.ellipse(0.05 * size, 0.0, (reach, 0.19 * size), turn)
    foot = f32(np.maximum(foot, sheet.ellipse(reach * 0.95, 0.0, (0.12 * size, 0.13 * size))))
    sheet.lay(foot, tuple(flesh), height=dome(foot, 0.12 * size * sheet.px_per_unit))
    sheet.stain(
        sheet.ellipses([(reach * 0.98, y * size, 0.014, 0.014, 0.0) for y in (-0.07, 0.07)]),
        (0.03, 0.03, 0.03),
        opacity=0.9,
    )


def _sole(sheet: Sheet, rng: np.random.Generator, pose: Pose, size: float) -> None:
    """Seen through the glass the pale sole of the foot lies over the shell."""
    if pose.name != "on the glass":
        return
    flesh = np.asarray(vary(rng, _FLESH[int(rng.integers(len(_FLESH)))], 0.15))
    sole = sheet.ellipse(0.1 * size, 0.0, (0.42 * size, 0.20 * size))
    sheet.lay(
        sole,
        tuple(np.clip(flesh * 1.15, 0, 1)),
        opacity=0.95,
        height=dome(sole, 0.03 * size * sheet.px_per_unit),
    )
    mouth = sheet.ellipse(0.44 * size, 0.0, (0.025 * size, 0.035 * size))
    sheet.stain(mouth, tuple(flesh * 0.4), opacity=0.8)


def paint_ramshorn(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a flat spiral shell: the whorls follow one logarithmic spiral."""
    size = 1.0
    sheet = Sheet((-0.62, -0.6, 1.0, 0.6), px_per_unit)
    base = np.asarray(vary(rng, _SHELLS[int(rng.integers(len(_SHELLS)))], 0.2))
    ratio = float(rng.uniform(1.75, 2.6))  # growth of the radius in one whorl
    hand = float(rng.choice([-1.0, 1.0]))
    bands, ribs = rng.uniform(0.0, 0.5), rng.uniform(40, 90)
    clear = float(rng.uniform(0.0, 0.35)) * (rng.random() < 0.3)
    _foot(sheet, rng, pose, size)
    _lip(sheet, ratio, hand, base)
    x, y = sheet.grid()
    x, y = x + 0.06, y * hand
    radius = np.maximum(np.hypot(x, y), 1e-4)
    angle = np.mod(np.arctan2(y, x) - 0.35, 2 * np.pi) / (2 * np.pi)
    outer = 0.5 * ratio ** (-(1.0 - angle))
    cover = np.clip((outer - radius) * px_per_unit + 0.5, 0, 1).astype(np.float32)
    whorl = np.mod(np.log(np.maximum(outer / radius, 1.0)) / np.log(ratio), 1.0)
    tube = np.sqrt(np.clip(1 - (2 * whorl - 1) ** 2, 0, 1))
    height = tube * np.sqrt(radius / 0.5) * 0.17 * px_per_unit
    streaks = 1 - 0.16 * (0.5 + 0.5 * np.sin(2 * np.pi * (angle * ribs + 2.2 * whorl)))
    grain = (0.82 + 0.36 * mottle(rng, sheet.shape, 16)) * streaks
    grain *= 1 - bands * (np.abs(whorl - 0.5) < 0.12)
    grain *= 0.55 + 0.45 * np.clip(tube * 1.8, 0, 1)
    sheet.lay(f32(cover), tinted(grain, base), opacity=1.0 - clear, height=f32(height))
    _sole(sheet, rng, pose, size * 0.8)
    return finish(sheet, gloss=float(rng.uniform(0.2, 0.9)))


def _lip(sheet: Sheet, ratio: float, hand: float, base: F64) -> None:
    """Round off the end of the last whorl and show the dark opening."""
    radius, wide = 0.25 * (1 + 1 / ratio), 0.25 * (1 - 1 / ratio)
    x, y = radius * np.cos(0.35) - 0.06, hand * radius * np.sin(0.35)
    turn = float(np.rad2deg(hand * 0.35))
    rim = sheet.ellipse(float(x), float(y), (wide, wide * 0.75), turn)
    sheet.lay(rim, tuple(base * 0.9), height=dome(rim, 0.14 * sheet.px_per_unit))
    hole = sheet.ellipse(float(x), float(y + hand * 0.03), (wide * 0.8, wide * 0.5), turn)
    sheet.stain(hole, tuple(base * 0.35), opacity=0.8)


def paint_cone_snail(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a coiled shell with a spire: bladder, pond, apple and trumpet snails in form."""
    sheet = Sheet((-0.75, -0.55, 1.0, 0.55), px_per_unit)
    base = np.asarray(vary(rng, _SHELLS[int(rng.integers(len(_SHELLS)))], 0.2))
    taper = float(rng.choice([0.17, 0.30, 0.42, 0.55], p=[0.2, 0.25, 0.35, 0.2]))
    growth = float(rng.uniform(1.25, 1.4) if taper < 0.25 else rng.uniform(1.45, 1.9))
    slant, bands = rng.uniform(0.15, 0.4), int(rng.integers(0, 5))
    dark = base * rng.uniform(0.3, 0.7)
    turn = float(rng.uniform(-0.5, 0.5))  # the spire seldom lies straight behind
    _foot(sheet, rng, pose, 0.9)
    x, y = sheet.grid()
    length = 0.95 if taper < 0.5 else 0.8
    u = (x + 0.55) * np.cos(turn) + y * np.sin(turn)
    v = -(x + 0.55) * np.sin(turn) + y * np.cos(turn)
    along = np.clip((u + slant * v) / length, 1e-3, None)
    turns = np.log(1.0 / np.clip(along, 1e-3, 1.0)) / np.log(growth)
    whorl = np.mod(turns, 1.0)
    bulge = np.sqrt(np.clip(1 - (2 * whorl - 1) ** 2, 0, 1))
    mouth = np.sqrt(np.clip(1 - np.clip((along - 0.6) / 0.4, 0, 1) ** 2.2, 0, 1))
    half = taper * length * np.clip(along, 0, 0.95) ** 0.85 * (0.86 + 0.14 * bulge) * mouth
    inside = (half - np.abs(v)) * px_per_unit + 0.5
    cover = np.where((u > 0) & (along < 1.0), np.clip(inside, 0, 1), 0).astype(np.float32)
    across = np.clip(v / np.maximum(half, 1e-4), -1, 1)
    height = half * px_per_unit * np.sqrt(1 - across**2) * (0.75 + 0.25 * bulge)
    stripe = 0.5 + 0.5 * np.cos(2 * np.pi * bands * whorl)
    grain = (0.82 + 0.36 * mottle(rng, sheet.shape, 14)) * (0.55 + 0.45 * np.clip(bulge * 2, 0, 1))
    mix = (np.clip(stripe * 3 - 2, 0, 1) * (bands > 0) * rng.uniform(0.3, 1.0))[..., None]
    colour = grain[..., None] * (base * (1 - mix) + dark * mix)
    sheet.lay(f32(cover), f32(colour), height=f32(height))
    _sole(sheet, rng, pose, 0.75)
    return finish(sheet, gloss=float(rng.uniform(0.2, 0.9)))


def paint_eggs(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint a clutch: clear jelly, flat on the ground, with a dot for every egg.

    14 to 24 eggs a capsule in ramshorns (three ponds, Canadian Journal of Zoology, abstract).
    """
    sheet = Sheet((-0.58, -0.5, 0.58, 0.5), px_per_unit)
    b = float(rng.uniform(0.14, 0.4))
    bow = float(rng.uniform(-0.25, 0.25))
    _x, _y = sheet.grid()
    ring = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    wobble = 1 + 0.05 * np.sin(3 * ring + rng.uniform(0, 6)) + 0.03 * np.sin(5 * ring)
    outline = np.column_stack([0.5 * np.cos(ring), b * np.sin(ring)]) * wobble[:, None]
    outline[:, 1] += bow * (outline[:, 0] ** 2 * 4 - 0.5) * 0.5
    jelly = np.asarray(vary(rng, (0.80, 0.74, 0.52), 0.2))
    cover = sheet.polygon(outline)
    sheet.lay(
        cover,
        tuple(jelly),
        opacity=float(rng.uniform(0.22, 0.6)),
        height=dome(cover, 0.10 * px_per_unit),
    )
    radius = float(rng.uniform(0.035, 0.075))
    dots = _packed(rng, b, bow, radius)
    yolk = np.asarray(
        vary(
            rng,
            [(0.92, 0.88, 0.7), (0.5, 0.4, 0.25), (0.25, 0.2, 0.15)][int(rng.integers(3))],
            0.15,
        )
    )
    halo = sheet.ellipses([(px, py, radius, radius, 0.0) for px, py in dots])
    sheet.lay(f32(halo * (cover > 0.3)), tuple(np.clip(jelly * 1.12, 0, 1)), opacity=0.35)
    sheet.lay(
        f32(
            sheet.ellipses([(px, py, radius * 0.5, radius * 0.42, 0.0) for px, py in dots])
            * (cover > 0.3)
        ),
        tuple(yolk),
        opacity=float(rng.uniform(0.6, 0.95)),
    )
    rim = np.clip(cover * (1 - dome(cover, 1.0)) * 1.6, 0, 1)
    sheet.stain(f32(rim), tuple(jelly * 0.6), opacity=0.45)
    return finish(sheet, gloss=float(rng.uniform(0.4, 1.0)), shadow=0.35)


def _packed(
    rng: np.random.Generator, b: float, bow: float, radius: float
) -> list[tuple[float, float]]:
    """Places for eggs inside the jelly, no two closer than their own width."""
    kept: list[tuple[float, float]] = []
    for _ in range(160):
        x, y = rng.uniform(-0.46, 0.46), rng.uniform(-b, b)
        if (x / 0.46) ** 2 + (y / max(b - radius, 0.02)) ** 2 > 1 or len(kept) >= 34:
            continue
        place = (float(x), float(y + bow * (x * x * 4 - 0.5) * 0.5))
        if all(np.hypot(place[0] - u, place[1] - v) > 1.75 * radius for u, v in kept):
            kept.append(place)
    return kept


def paint_limpet(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint a freshwater limpet: an oval cap with its tip off the middle and fine growth rings."""
    sheet = Sheet((-0.56, -0.45, 0.56, 0.45), px_per_unit)
    b = float(rng.uniform(0.28, 0.40))
    tip = (float(rng.uniform(-0.22, -0.08)), float(rng.uniform(-0.06, 0.06)))
    base = np.asarray(
        vary(
            rng,
            [(0.52, 0.44, 0.30), (0.30, 0.26, 0.2), (0.68, 0.62, 0.48)][int(rng.integers(3))],
            0.2,
        )
    )
    x, y = sheet.grid()
    cover = sheet.ellipse(0.0, 0.0, (0.5, b))
    # Distance from the tip over the distance of the rim in that direction: 0 at the tip, 1 there.
    level = np.clip(_cone_level(x, y, tip, b), 0, 1)
    height = (1 - level**1.3) * 0.24 * px_per_unit
    uneven = level**0.8 * rng.uniform(6, 14)
    rings = 1 - rng.uniform(0.02, 0.14) * (0.5 + 0.5 * np.cos(2 * np.pi * uneven))
    grain = (0.86 + 0.28 * mottle(rng, sheet.shape, 14)) * rings
    opacity = float(rng.uniform(0.6, 1.0))
    sheet.lay(cover, tinted(grain, base), opacity=opacity, height=f32(height))
    inner = np.exp(-(((level - 0.55) / 0.12) ** 2))
    sheet.stain(f32(inner), tuple(base * 0.6), opacity=(1 - opacity))
    return finish(sheet, gloss=float(rng.uniform(0.1, 0.5)))


def _cone_level(x: F32, y: F32, tip: tuple[float, float], b: float) -> F32:
    dx, dy = x - tip[0], y - tip[1]
    a = dx**2 / 0.25 + dy**2 / b**2
    half = tip[0] * dx / 0.25 + tip[1] * dy / b**2
    c = tip[0] ** 2 / 0.25 + tip[1] ** 2 / b**2 - 1
    reach = (-half + np.sqrt(np.maximum(half**2 - a * c, 1e-9))) / np.maximum(a, 1e-9)
    return f32(1 / np.maximum(reach, 1e-3))


SNAILS = (
    # Hatchling ramshorns about 1 mm (from memory); Planorbarius shells to 22-40 mm (secondary).
    Kind("ramshorn", 0.5, paint_ramshorn, pose_snail, "creep", (1.0, 35.0)),
    Kind("cone snail", 0.5, paint_cone_snail, pose_snail, "creep", (1.0, 40.0)),
)
EGGS = (Kind("clutch", 1.0, paint_eggs, pose_still, "stay", (3.0, 15.0)),)
LIMPETS = (Kind("limpet", 1.0, paint_limpet, pose_still, "creep", (1.0, 8.0)),)
