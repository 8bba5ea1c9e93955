"""Small crustaceans, shrimps and fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind, finish
from training.scenes.paint import Sheet, dome, f32, mottle, tinted, vary
from training.scenes.records import Pose
from training.scenes.ribbons import extent_of, limb, midline, ribbon

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64

_SHELL: tuple[tuple[float, float, float], ...] = (
    (0.72, 0.66, 0.50),
    (0.50, 0.40, 0.26),
    (0.62, 0.62, 0.58),
    (0.70, 0.48, 0.30),
    (0.35, 0.32, 0.28),
)
_BRIGHT: tuple[tuple[float, float, float], ...] = (
    (0.72, 0.14, 0.10),
    (0.80, 0.42, 0.12),
    (0.72, 0.68, 0.60),
    (0.22, 0.32, 0.55),
    (0.40, 0.34, 0.26),
    (0.55, 0.58, 0.45),
)


def pose_swimmer(rng: np.random.Generator) -> Pose:
    """Draw a direction and a slight bend."""
    return Pose(
        name="swimming",
        heading_deg=float(rng.uniform(0, 360)),
        bends_rad=(float(rng.uniform(-0.5, 0.5)), float(rng.uniform(-0.2, 0.2)), 0.0),
        phase=float(rng.uniform(0, 1)),
    )


def _pick(rng: np.random.Generator, among: tuple[tuple[float, float, float], ...]) -> F64:
    return np.asarray(vary(rng, among[int(rng.integers(len(among)))], 0.2), np.float64)


def _fan(
    rng: np.random.Generator, at: tuple[float, float], angles: tuple[float, ...], length: float
) -> list[F64]:
    return [
        limb(at, a, length * float(rng.uniform(0.8, 1.15)), float(rng.uniform(-0.7, 0.7)))
        for a in angles
    ]


def paint_water_flea(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint a Daphnia: an oval see-through shell, a dark eye, branched arms, a tail spine."""
    sheet = Sheet((-0.75, -0.5, 0.75, 0.5), px_per_unit)
    base = _pick(rng, _SHELL)
    arms = _fan(rng, (0.26, -0.08), (-1.0, -1.35, -0.7), 0.36)
    arms += _fan(rng, (0.26, 0.08), (1.0, 1.3), 0.34)
    spine = limb((-0.3, -0.04), np.pi + 0.15, float(rng.uniform(0.12, 0.32)))
    sheet.lay(sheet.strokes([*arms, spine], 0.018), tuple(base * 0.8), opacity=0.7)
    x, y = sheet.grid()
    shell = sheet.ellipse(-0.04, 0.0, (0.33, float(rng.uniform(0.19, 0.26))))
    shell = f32(np.maximum(shell, sheet.ellipse(0.27, -0.02, (0.12, 0.13))))
    sheet.lay(
        shell,
        tuple(base),
        opacity=float(rng.uniform(0.35, 0.8)),
        height=dome(shell, 0.14 * px_per_unit),
    )
    gut = np.exp(-(((y + 0.05 - 0.5 * x * x) / 0.03) ** 2)) * (np.abs(x) < 0.28)
    sheet.stain(f32(gut), (0.30, 0.34, 0.14), opacity=0.8)
    eggs = [
        (float(a), float(b), 0.05, 0.05, 0.0)
        for a, b in rng.uniform((-0.26, 0.02), (-0.02, 0.14), (int(rng.integers(0, 8)), 2))
    ]
    sheet.stain(sheet.ellipses(eggs), tuple(base * 0.4), opacity=0.75)
    rim = np.clip(shell - dome(shell, 1.0) * 1.3, 0, 1)
    sheet.stain(f32(rim), tuple(base * 0.45), opacity=0.6)
    sheet.stain(sheet.ellipse(0.31, -0.03, (0.035, 0.035)), (0.02, 0.02, 0.02))
    return finish(sheet, gloss=float(rng.uniform(0.1, 0.6)), shadow=0.3)


def paint_copepod(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint a Cyclops: a drop with two feelers, one red eye, a forked tail, often two egg sacs."""
    sheet = Sheet((-0.75, -0.6, 0.6, 0.6), px_per_unit)
    base = _pick(rng, _SHELL)
    feelers = [
        limb((0.42, s * 0.05), s * 1.25, float(rng.uniform(0.3, 0.55)), s * 0.9) for s in (-1, 1)
    ]
    fork = [limb((-0.4, s * 0.02), np.pi + s * 0.2, 0.22) for s in (-1, 1)]
    sheet.lay(sheet.strokes([*feelers, *fork], 0.016), tuple(base * 0.8), opacity=0.75)
    if rng.random() < 0.55:
        sacs = sheet.ellipses([(-0.3, s * 0.16, 0.17, 0.075, s * -20.0) for s in (-1, 1)])
        grain = 0.7 + 0.5 * mottle(rng, sheet.shape, 40)
        sheet.lay(sacs, tinted(grain, base * 0.7), height=dome(sacs, 0.06 * px_per_unit))
    s = np.linspace(0, 1, 49)
    half = 0.5 * (0.07 + 0.25 * np.clip((s - 0.3) / 0.3, 0, 1) * np.sqrt(np.clip(1 - s**6, 0, 1)))
    line = np.column_stack([np.linspace(-0.42, 0.45, 49), np.zeros(49)])
    body = ribbon(sheet, line, half)
    sheet.lay(
        body.cover, tuple(base), opacity=float(rng.uniform(0.6, 0.95)), height=body.relief(0.8)
    )
    joints = np.clip(np.cos(2 * np.pi * 9 * body.s) * 3 - 2, 0, 1)
    sheet.stain(f32(joints), tuple(base * 0.5), opacity=0.6)
    sheet.stain(sheet.ellipse(0.40, 0.0, (0.022, 0.026)), (0.35, 0.03, 0.03))
    return finish(sheet, gloss=float(rng.uniform(0.1, 0.6)), shadow=0.4)


def paint_seed_shrimp(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint an ostracod: a bean-shaped two-valved shell with a few hairs out of the front."""
    sheet = Sheet((-0.6, -0.4, 0.72, 0.4), px_per_unit)
    base = _pick(rng, _SHELL)
    hairs = _fan(rng, (0.42, 0.06), (0.1, 0.4, 0.8), 0.2)
    sheet.lay(sheet.strokes(hairs, 0.012), tuple(base), opacity=0.6)
    sheet.cover[:] = 0  # hairs are not counted as body
    ring = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    b = float(rng.uniform(0.24, 0.32))
    bean = np.column_stack([0.5 * np.cos(ring), b * np.sin(ring)])
    bean[:, 1] -= 0.10 * np.exp(-((bean[:, 0] / 0.2) ** 2)) * (bean[:, 1] > 0)
    cover = sheet.polygon(bean)
    grain = 0.75 + 0.5 * mottle(rng, sheet.shape, 10)
    sheet.lay(
        cover,
        tinted(grain, base),
        opacity=float(rng.uniform(0.7, 1.0)),
        height=dome(cover, 0.24 * px_per_unit),
    )
    sheet.stain(sheet.ellipse(0.3, -0.1, (0.03, 0.03)), (0.03, 0.03, 0.03), opacity=0.8)
    return finish(sheet, gloss=float(rng.uniform(0.2, 0.9)), shadow=0.7)


def _jointed(
    sheet: Sheet, rng: np.random.Generator, line: F64, half: F64, *, base: F64, count: int
) -> None:
    body = ribbon(sheet, line, half)
    grain = 0.85 + 0.3 * mottle(rng, sheet.shape, 24)
    sheet.lay(
        body.cover,
        tinted(grain, base),
        opacity=float(rng.uniform(0.75, 1.0)),
        height=body.relief(0.7),
    )
    plates = np.mod(body.s * count, 1.0)
    sheet.shade(f32(0.72 + 0.4 * plates))


def paint_amphipod(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint a scud from the side: arched plates, many legs, two pairs of feelers."""
    base = _pick(rng, _SHELL)
    bow = float(rng.uniform(0.9, 2.4))
    line = midline(Pose("arched", 0.0, 1.0, (bow, 0.0, 0.0), 0.0))
    s = np.linspace(0, 1, 49)
    half = 0.5 * 0.17 * np.sqrt(np.clip(np.minimum(s / 0.5, (1.04 - s) / 0.14), 0, 1))
    sheet = Sheet(extent_of(line, 0.34), px_per_unit)
    legs, inside = [], 1.0  # the legs hang on the hollow side
    for index in range(4, 45, 3):
        along = line[index + 1] - line[index - 1]
        angle = float(np.arctan2(along[1], along[0])) + inside * 1.5
        legs.append(
            limb(
                (float(line[index, 0]), float(line[index, 1])),
                angle,
                float(rng.uniform(0.17, 0.26)),
                float(rng.uniform(-0.9, 0.3)),
            )
        )
    front = float(np.arctan2(*(line[-1] - line[-3])[::-1]))
    legs += _fan(rng, (float(line[-1, 0]), float(line[-1, 1])), (front - 0.4, front + 0.3), 0.3)
    sheet.lay(sheet.strokes(legs, 0.018), tuple(base * 0.85), opacity=0.8)
    _jointed(sheet, rng, line, np.maximum(half, 0.02), base=base, count=13)
    eye = line[-3]
    sheet.stain(sheet.ellipse(float(eye[0]), float(eye[1]), (0.02, 0.025)), (0.02, 0.02, 0.02))
    return finish(sheet, gloss=float(rng.uniform(0.2, 0.8)), shadow=0.7)


def paint_isopod(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a water louse from above: flat oval plates, legs to both sides, two long feelers."""
    base = _pick(rng, _SHELL)
    line = midline(Pose("flat", 0.0, 1.0, (pose.bends_rad[0] * 0.5, 0.0, 0.0), 0.0))
    s = np.linspace(0, 1, 49)
    half = 0.5 * rng.uniform(0.24, 0.32) * np.sqrt(np.clip(1 - np.abs(2 * s - 0.95) ** 3, 0.02, 1))
    sheet = Sheet(extent_of(line, 0.42), px_per_unit)
    legs = [
        limb(
            (float(line[index, 0]), float(line[index, 1])),
            side * (2.3 - 0.034 * index + float(rng.uniform(-0.2, 0.2))),
            float(rng.uniform(0.26, 0.34)),
            -side * 0.5,
        )
        for index in range(12, 44, 5)
        for side in (-1, 1)
    ]
    head = (float(line[-1, 0]), float(line[-1, 1]))
    legs += [limb(head, 0.5, 0.36, 0.4), limb(head, -0.5, 0.36, -0.4)]
    tail = (float(line[0, 0]), float(line[0, 1]))
    legs += [limb(tail, np.pi - 0.25, 0.16), limb(tail, np.pi + 0.25, 0.16)]
    sheet.lay(sheet.strokes(legs, 0.018), tuple(base * 0.75), opacity=0.8)
    _jointed(sheet, rng, line, half, base=base, count=9)
    return finish(sheet, gloss=float(rng.uniform(0.1, 0.5)), shadow=0.7)


def paint_shrimp(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a dwarf shrimp from the side: carapace, humped tail, fan, legs, very long feelers."""
    base = _pick(rng, _BRIGHT)
    line = midline(Pose("side", 0.0, 0.95, (0.9 + pose.bends_rad[0], -0.25, 0.0), 0.0))
    s = np.linspace(0, 1, 49)
    half = (
        0.5 * 0.19 * (0.38 + 0.62 * np.clip(s / 0.55, 0, 1)) * np.sqrt(np.clip(1.02 - s**7, 0, 1))
    )
    half = np.where(s < 0.07, half * 1.5, half)
    sheet = Sheet(extent_of(line, 0.48), px_per_unit)
    head = (float(line[-2, 0]), float(line[-2, 1]))
    front = float(np.arctan2(*(line[-1] - line[-4])[::-1]))
    legs = [
        limb(
            (float(line[i, 0]), float(line[i, 1])),
            1.5 + float(rng.uniform(-0.4, 0.4)),
            float(rng.uniform(0.16, 0.28)),
            0.5,
        )
        for i in range(26, 46, 3)
    ]
    legs += [limb((float(line[i, 0]), float(line[i, 1])), 1.8, 0.13) for i in range(8, 26, 4)]
    sheet.lay(sheet.strokes(legs, 0.018), tuple(base * 0.9), opacity=0.7)
    feelers = _fan(rng, head, (front - 0.6, front - 0.2, front + 0.35), 0.42)
    sheet.lay(sheet.strokes(feelers, 0.008), tuple(base), opacity=0.6)
    tail = line[0]
    fan = sheet.ellipses(
        [
            (
                float(tail[0]) - 0.06,
                float(tail[1]) + d,
                0.10,
                0.035,
                float(
                    np.rad2deg(np.arctan2(line[0, 1] - line[3, 1], line[0, 0] - line[3, 0]))
                    + 14 * k
                ),
            )
            for k, d in ((-1, -0.03), (0, 0.0), (1, 0.03))
        ]
    )
    sheet.lay(fan, tuple(base), opacity=0.75)
    body = ribbon(sheet, line, half)
    clear = float(rng.uniform(0.45, 1.0))
    bands = (0.5 + 0.5 * np.cos(2 * np.pi * body.s * rng.integers(2, 5))) > 0.62
    white = np.array((0.9, 0.88, 0.84)) * (rng.random() < 0.35)
    sheet.lay(body.cover, tuple(base), opacity=clear, height=body.relief(0.8))
    if white.any():
        sheet.stain(f32(bands), tuple(white), opacity=0.9)
    _plates(sheet, body.s)
    eye = line[-4]
    sheet.lay(sheet.ellipse(float(eye[0]), float(eye[1]) - 0.045, (0.03, 0.03)), (0.03, 0.03, 0.03))
    return finish(sheet, gloss=float(rng.uniform(0.2, 0.8)), shadow=0.6)


def _plates(sheet: Sheet, along: F32) -> None:
    """Mark the plates of the tail; the carapace in front is smooth."""
    plates = np.where(along < 0.55, 0.75 + 0.3 * np.mod(along * 11, 1.0), 1.0)
    sheet.shade(f32(plates))


def paint_fish(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a small fish or fry from the side: spindle, big eye, forked tail, a band or spots."""
    colours = (*_BRIGHT, (0.72, 0.74, 0.72), (0.55, 0.52, 0.40), (0.30, 0.30, 0.30))
    base = _pick(rng, colours)
    fry = rng.random() < 0.4
    line = midline(Pose("side", 0.0, 0.82, (pose.bends_rad[0], pose.bends_rad[1], 0.0), pose.phase))
    line = line + np.array([0.09, 0.0])
    s = np.linspace(0, 1, 49)
    depth = float(rng.uniform(0.10, 0.15) if fry else rng.uniform(0.2, 0.36))
    half = 0.5 * depth * (0.22 + 0.85 * np.sin(np.pi * np.clip(s, 0, 1) ** 1.25) ** 0.9)
    half *= np.clip((1.01 - s) / 0.06, 0.3, 1)
    sheet = Sheet(extent_of(line, 0.26), px_per_unit)
    x0, y0 = float(line[0, 0]), float(line[0, 1])
    span = float(rng.uniform(0.09, 0.17)) * (0.6 if fry else 1.0)
    tail = np.array(
        [[x0 + 0.03, y0], [x0 - 0.18, y0 - span], [x0 - 0.12, y0], [x0 - 0.18, y0 + span]]
    )
    sheet.lay(sheet.polygon(tail), tuple(base), opacity=float(rng.uniform(0.35, 0.9)))
    mid = line[26]
    fins = [
        np.array(
            [
                [mid[0] - 0.1, mid[1] - sign * depth * 0.3],
                [mid[0] - 0.16, mid[1] - sign * (depth * 0.5 + 0.09)],
                [mid[0] + 0.08, mid[1] - sign * depth * 0.4],
            ]
        )
        for sign in (1, -1)
    ]
    for fin in fins:
        sheet.lay(sheet.polygon(fin), tuple(base), opacity=float(rng.uniform(0.3, 0.8)))
    body = ribbon(sheet, line, half)
    sheet.lay(
        body.cover,
        tuple(base),
        opacity=float(rng.uniform(0.45, 0.8) if fry else 1.0),
        height=body.relief(0.6),
    )
    belly = np.clip(body.t * 0.9, 0, 1)
    sheet.stain(f32(belly), (0.88, 0.86, 0.80), opacity=0.7)
    if rng.random() < 0.5:
        band = np.exp(-((body.t / 0.22) ** 2)) * (body.s < 0.88)
        colour = [(0.05, 0.05, 0.06), (0.1, 0.6, 0.75), (0.8, 0.15, 0.1)][int(rng.integers(3))]
        sheet.stain(f32(band), colour, opacity=0.85)
    elif rng.random() < 0.5:
        bars = np.clip(np.cos(2 * np.pi * body.s * rng.uniform(3, 8)) * 3, 0, 1)
        sheet.stain(f32(bars), tuple(base * 0.3), opacity=0.7)
    ex, ey = float(line[43, 0]), float(line[43, 1]) - depth * 0.08
    size = max(0.018, depth * 0.12)
    sheet.lay(sheet.ellipse(ex, ey, (size * 1.4, size * 1.4)), (0.62, 0.58, 0.46))
    sheet.lay(sheet.ellipse(ex, ey, (size, size)), (0.02, 0.02, 0.03))
    return finish(
        sheet,
        gloss=float(rng.uniform(0.2, 0.8)),
        shadow=0.3,
        ends=((x0, y0), (float(line[-1, 0]), float(line[-1, 1]))),
    )


CRUSTACEANS = (
    # Daphnia 0.2-5 mm, copepods 1-4 mm (secondary); the others from memory.
    Kind("water flea", 0.24, paint_water_flea, pose_swimmer, "swim", (0.5, 5.0)),
    Kind("copepod", 0.24, paint_copepod, pose_swimmer, "swim", (0.8, 4.0)),
    Kind("seed shrimp", 0.16, paint_seed_shrimp, pose_swimmer, "swim", (0.3, 3.0)),
    Kind("amphipod", 0.18, paint_amphipod, pose_swimmer, "swim", (2.0, 20.0)),
    Kind("isopod", 0.18, paint_isopod, pose_swimmer, "creep", (2.0, 15.0)),
)
SHRIMPS_AND_FISH = (
    Kind("shrimp", 0.5, paint_shrimp, pose_swimmer, "swim", (4.0, 40.0)),
    Kind("fish", 0.5, paint_fish, pose_swimmer, "swim", (4.0, 50.0)),
)
