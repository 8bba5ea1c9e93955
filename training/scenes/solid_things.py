"""What is not an organism, in three dimensions: driftwood, roots, stems, leaves, hoses, droppings."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind, finish
from training.scenes.paint import Sheet, f32, mottle, vary
from training.scenes.records import Pose
from training.scenes.ribbons import midline
from training.scenes.skins import (
    bumpy,
    colour_of,
    grain,
    mixed,
    plain_skin,
    ridge,
    smooth_line,
)
from training.scenes.solid import OPAQUE, Tube, render, turned
from training.scenes.things import MARKS, PLANTS_AND_DEBRIS, pose_thing

if TYPE_CHECKING:
    from torch import Tensor

    from pestvision.arrays import F64
    from training.scenes.paint import Colour
    from training.scenes.solid import Skin, Spots

_AROUND = np.linspace(-np.pi, np.pi, 41)

_WOODS: tuple[tuple[float, float, float], ...] = (
    (0.13, 0.095, 0.075),  # bogwood, wet
    (0.22, 0.16, 0.11),
    (0.34, 0.25, 0.17),
    (0.45, 0.36, 0.25),
    (0.30, 0.28, 0.25),
    (0.08, 0.07, 0.065),
)
_LEAVES: tuple[tuple[float, float, float], ...] = (
    (0.22, 0.42, 0.12),
    (0.14, 0.28, 0.09),
    (0.36, 0.44, 0.12),
    (0.42, 0.27, 0.12),  # dead and brown
    (0.30, 0.18, 0.09),
    (0.13, 0.09, 0.06),  # rotten
    (0.50, 0.40, 0.18),
)


def pose_solid_thing(rng: np.random.Generator) -> Pose:
    """Draw how a thing lies and from where it is seen."""
    pose = pose_thing(rng)
    return Pose(
        pose.name,
        pose.heading_deg,
        pose.stretch,
        pose.bends_rad,
        pose.phase,
        (float(rng.uniform(-70, 70)), float(rng.normal(0, 18))),
    )


def _pick(rng: np.random.Generator, among: tuple[tuple[float, float, float], ...]) -> F64:
    return np.asarray(vary(rng, among[int(rng.integers(len(among)))], 0.25), np.float64)


def _wandering(rng: np.random.Generator, count: int, *, bend: float, kinks: int) -> F64:
    """Give a line of length 1 that bends in all three directions, gently and in kinks: (N, 3)."""
    turn = bend * bumpy(rng, 2, count) + 0.35 * bend * bumpy(rng, kinks, count)
    rise = 0.45 * bend * bumpy(rng, 3, count)
    step = np.column_stack([np.cos(turn) * np.cos(rise), np.sin(turn) * np.cos(rise), np.sin(rise)])
    line = np.cumsum(step, axis=0) / count
    return np.asarray(line - 0.5 * (line.min(axis=0) + line.max(axis=0)), np.float64)


def _bark(rng: np.random.Generator, base: F64) -> Skin:
    """Give bark: cracks along it, pale worn places, algae on some."""
    long, patches = grain(rng, 8, 22, 2), grain(rng, 12, 5, 3)
    cracks, worn = float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.0, 0.7))
    moss = float(rng.uniform(0.0, 0.8)) * (rng.random() < 0.3)
    pale = np.clip(base * 1.9 + 0.06, 0, 1)
    end = np.clip(base * 2.2 + 0.12, 0, 1)
    broken = bool(rng.random() < 0.5)

    def skin(at: Spots) -> Tensor:
        rgb = colour_of(base, at) * (1.0 + 0.22 * patches(at))[:, None]
        rgb = mixed(rgb, base * 0.35, cracks * (1.4 * long(at) - 0.6), at)
        rgb = mixed(rgb, pale, worn * (1.2 * patches(at) - 0.7), at)
        rgb = mixed(rgb, (0.16, 0.24, 0.08), moss * (patches(at) + 0.3 * long(at)), at)
        if broken:  # a torn end is pale wood
            rgb = mixed(rgb, end, 60.0 * (at.u - 0.985), at)
        return rgb.clamp(0.02, 1.0)

    return skin


def _branch(
    rng: np.random.Generator, line: F64, thick: float, skin: Skin, *, taper: float, rough: float
) -> Tube:
    count = len(line)
    s = np.linspace(0.0, 1.0, count)
    half = 0.5 * thick * (1.0 - taper * s) * (1.0 + rough * bumpy(rng, 9, count))
    for _ in range(int(rng.integers(0, 4))):  # knots and stubs
        half = half * (1 + rng.uniform(0.1, 0.5) * np.exp(-(((s - rng.random()) / 0.02) ** 2)))
    half = np.clip(half, 0.15 * thick, None)
    warts = (
        rough
        * half[:, None]
        * np.asarray(np.outer(bumpy(rng, 24, count), np.cos(2 * _AROUND + rng.uniform(0, 6))))
    )
    return Tube(line, half, half * float(rng.uniform(0.8, 1.0)), skin, lift=0.6 * warts)


def paint_driftwood(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a piece of driftwood or a twig: knotted, broken off, sometimes forked."""
    skin = _bark(rng, _pick(rng, _WOODS))
    thick, count = float(np.exp(rng.uniform(np.log(0.03), np.log(0.19)))), 200
    line = _wandering(rng, count, bend=float(rng.uniform(0.1, 0.9)), kinks=int(rng.integers(4, 12)))
    rough = float(rng.uniform(0.03, 0.16))
    tubes = [_branch(rng, line, thick, skin, taper=float(rng.uniform(0.1, 0.8)), rough=rough)]
    for _ in range(int(rng.choice([0, 1, 2], p=[0.55, 0.3, 0.15]))):
        start = int(rng.uniform(0.25, 0.8) * count)
        side = _wandering(rng, 90, bend=0.5, kinks=5)
        side = (side - side[0]) * float(rng.uniform(0.15, 0.5))
        out = float(rng.choice([-1, 1])) * float(rng.uniform(25, 75))
        side = side @ turned(0, float(rng.uniform(-40, 40)), out).T + line[start]
        tubes.append(_branch(rng, side, 0.6 * thick, skin, taper=0.5, rough=rough))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.0, 0.5)),
        view=turned(*pose.tilt_deg),
    )


def paint_solid_roots(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render one root or a few: pale or brown threads with finer ones off their sides."""
    base = _pick(rng, (*_WOODS[2:4], (0.80, 0.76, 0.62), (0.62, 0.60, 0.40), (0.86, 0.84, 0.78)))
    skin = plain_skin(rng, base, uneven=0.15)
    thick = float(rng.uniform(0.008, 0.04))
    tubes = []
    for _ in range(int(rng.choice([1, 2, 4]))):
        line = _wandering(rng, 120, bend=float(rng.uniform(0.3, 1.4)), kinks=7)
        line = line * float(rng.uniform(0.6, 1.0)) + np.append(rng.uniform(-0.08, 0.08, 2), 0)
        half = 0.5 * thick * np.linspace(1.2, 0.5, 120)
        tubes.append(Tube(line, half, half, skin, density=OPAQUE))
        for start in rng.integers(10, 110, int(rng.integers(0, 6))):
            side = _wandering(rng, 30, bend=0.7, kinks=3)
            side = (side - side[0]) * float(rng.uniform(0.06, 0.25))
            side = side @ turned(0, 0, float(rng.uniform(0, 360))).T + line[start]
            thin = 0.2 * thick * np.linspace(1, 0.5, 30)
            tubes.append(Tube(side, thin, thin, skin))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.0, 0.5)),
        view=turned(*pose.tilt_deg),
        shadow=0.8,
    )


def _blade_skin(rng: np.random.Generator, base: F64) -> Skin:
    """Give a leaf's skin: midrib, side veins, brown spots and a brown edge on some."""
    patches, fine = grain(rng, 9, 6, 3), grain(rng, 50, 24)
    veins, slant = float(rng.integers(5, 14)), float(rng.uniform(0.4, 1.6))
    shows = float(rng.uniform(0.0, 0.6))
    pale = np.clip(base * 1.4 + 0.04, 0, 1)
    rot, edge = float(rng.uniform(0.0, 1.0)) * (rng.random() < 0.6), float(rng.uniform(0, 0.8))
    brown = np.asarray(vary(rng, (0.20, 0.12, 0.06), 0.3))

    def skin(at: Spots) -> Tensor:
        import torch

        side = torch.sin(torch.pi * at.v).abs()
        rgb = colour_of(base, at) * (1.0 + 0.14 * patches(at) + 0.05 * fine(at))[:, None]
        comb = torch.cos(2 * torch.pi * (veins * at.u - slant * side))
        rgb = mixed(rgb, pale, shows * (3 * comb - 2.2), at)
        rgb = mixed(rgb, pale, shows * 1.3 * ridge(side, 0.0, 0.06), at)
        rgb = mixed(rgb, brown, rot * (1.6 * patches(at) - 0.6), at)
        rgb = mixed(rgb, brown, rot * edge * (5 * side - 4.2), at)
        return rgb.clamp(0.0, 1.0)

    return skin


def _blade(
    rng: np.random.Generator, line: F64, width: float, skin: Skin, *, wavy: float, ragged: float
) -> Tube:
    """Give one leaf along a line: thin, bent up at its edges, ragged on some."""
    count = len(line)
    s = np.linspace(0.0, 1.0, count)
    half = 0.5 * width * np.sin(np.pi * np.clip(s, 0.001, 0.999) ** float(rng.uniform(0.7, 1.3)))
    half = half ** float(rng.uniform(0.7, 1.0)) * (0.5 * width) ** 0.15
    half = np.clip(half * (1.0 + ragged * bumpy(rng, 16, count)), 0.002, None)
    side = np.sin(_AROUND)[None]
    fold = float(rng.uniform(-0.5, 0.6)) * np.abs(side)
    wave = wavy * np.sin(2 * np.pi * rng.uniform(1.5, 4) * s[:, None] + 2 * side) * side**2
    thick = np.full(count, max(0.004, 0.02 * width))
    return Tube(
        line,
        half,
        np.minimum(thick, half),
        skin,
        lift=half[:, None] * (fold + wave),
        density=float(rng.uniform(120.0, 600.0)),
    )


def paint_solid_leaf(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a leaf or a scrap of one, fresh to rotten, flat or curled up."""
    line = _wandering(rng, 120, bend=float(rng.uniform(0.05, 0.7)), kinks=3)
    line[:, 2] *= float(rng.uniform(0.5, 3.0))
    width = float(np.exp(rng.uniform(np.log(0.09), np.log(0.5))))
    scrap = rng.random() < 0.35
    body = _blade(
        rng,
        line,
        width,
        _blade_skin(rng, _pick(rng, _LEAVES)),
        wavy=float(rng.uniform(0.0, 0.45)),
        ragged=float(rng.uniform(0.08, 0.3)) if scrap else float(rng.uniform(0.0, 0.04)),
    )
    return render(
        [body],
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.0, 0.6)),
        view=turned(*pose.tilt_deg),
        shadow=0.8,
    )


def paint_solid_stem(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a stem with leaves about it, few or many, or none left."""
    base = _pick(rng, _LEAVES)
    line = _wandering(rng, 160, bend=float(rng.uniform(0.1, 0.6)), kinks=4)
    thick = float(rng.uniform(0.016, 0.06))
    half = 0.5 * thick * np.linspace(1.1, 0.7, 160)
    tubes = [Tube(line, half, half, plain_skin(rng, base * 0.85, uneven=0.15))]
    skin = _blade_skin(rng, base)
    gap = int(rng.choice([10, 16, 26, 200]))
    long, wide = float(rng.uniform(0.08, 0.3)), float(rng.uniform(0.15, 0.5))
    for rank, start in enumerate(range(int(rng.integers(4, 12)), 156, gap)):
        for side in (0.0, 180.0):
            blade = _wandering(rng, 24, bend=0.3, kinks=2)
            blade = (blade - blade[0]) * long * float(rng.uniform(0.7, 1.1))
            about = turned(side + 90.0 * rank + float(rng.uniform(-20, 20)))
            blade = blade @ turned(0, 0, float(rng.uniform(40, 80))).T @ about.T + line[start]
            tubes.append(_blade(rng, blade, long * wide, skin, wavy=0.1, ragged=0.0))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.0, 0.5)),
        view=turned(*pose.tilt_deg),
        shadow=0.7,
    )


def _hose_skin(rng: np.random.Generator, colour: Colour) -> Skin:
    lay = float(rng.uniform(9, 24)) * (rng.random() < 0.25)  # a twisted rope
    dirt, field = float(rng.uniform(0.0, 0.8)) * (rng.random() < 0.4), grain(rng, 16, 6, 3)

    def skin(at: Spots) -> Tensor:
        import torch

        rgb = colour_of(colour, at)
        rgb = mixed(rgb, (0.24, 0.27, 0.14), dirt * (field(at) + 0.1), at)
        if lay:
            twist = torch.cos(2 * torch.pi * (lay * at.u + 1.5 * at.v))
            rgb = rgb * (0.75 + 0.25 * twist)[:, None]
        return rgb.clamp(0.0, 1.0)

    return skin


def paint_solid_hose(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a hose, cable, rope or glass tube: one width from end to end, a clip on some."""
    colours = (
        (0.03, 0.03, 0.035),
        (0.10, 0.26, 0.55),
        (0.78, 0.82, 0.80),
        (0.25, 0.27, 0.25),
        (0.10, 0.30, 0.16),
        (0.86, 0.86, 0.84),
    )
    colour = _pick(rng, colours)
    straight = rng.random() < 0.35
    line = _wandering(rng, 160, bend=0.01 if straight else float(rng.uniform(0.1, 0.9)), kinks=2)
    half = np.full(160, 0.5 * float(np.exp(rng.uniform(np.log(0.025), np.log(0.17)))))
    clear = OPAQUE if colour.mean() < 0.6 else float(rng.uniform(1.5, 12.0))
    tubes = [Tube(line, half, half, _hose_skin(rng, colour), density=clear)]
    if rng.random() < 0.2:  # a clip, or a sucker that holds it
        start = int(rng.uniform(0.2, 0.7) * 160)
        ring = line[start : start + 14]
        wide = np.full(14, 1.4 * half[0])
        dark = vary(rng, (0.06, 0.06, 0.07), 0.5)
        tubes.append(Tube(ring, wide, wide, plain_skin(rng, dark), power=4.0))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.2, 1.0)),
        view=turned(*pose.tilt_deg),
        shadow=0.8,
    )


def paint_solid_droppings(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a string of faeces: brown or green beads, pinched and broken here and there."""
    base = _pick(rng, (*_WOODS, (0.24, 0.28, 0.12)))
    count = 200
    s = np.linspace(0.0, 1.0, count)
    line = np.column_stack([smooth_line(midline(pose), count), 0.04 * bumpy(rng, 5, count)])
    beads = 0.78 + 0.22 * np.cos(2 * np.pi * s * rng.uniform(5, 14))
    gaps = np.interp(s, np.linspace(0, 1, 12), np.where(rng.random(12) < 0.14, 0.3, 1.0))
    ends = np.sqrt(np.clip(np.minimum(s, 1 - s) / 0.03, 0, 1))
    half = 0.5 * float(rng.uniform(0.03, 0.09)) * beads * gaps * ends
    half = np.clip(half * (1 + 0.10 * bumpy(rng, 40, count)), 0.003, None)
    field = grain(rng, 60, 10, 3)

    def skin(at: Spots) -> Tensor:
        return (colour_of(base, at) * (1.0 + 0.25 * field(at))[:, None]).clamp(0.02, 1.0)

    warts = 0.15 * half[:, None] * rng.standard_normal((count // 4, 41)).repeat(4, axis=0)
    return render(
        [Tube(line, half, half, skin, lift=warts)],
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.0, 0.3)),
        view=turned(pose.tilt_deg[0] * 0.3, 0.0),
    )


def paint_edge(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint what is straight from side to side: the edge of a pane, a waterline, a seam, a slot.

    It lies in one plane, so it is painted flat: bands side by side along a line.
    """
    wide = float(np.exp(rng.uniform(np.log(0.03), np.log(0.22))))
    sheet = Sheet((-0.52, -0.6 * wide - 0.02, 0.52, 0.6 * wide + 0.02), px_per_unit)
    x, y = sheet.grid()
    bow = float(rng.normal(0, 0.06))
    across = (y - bow * (x * x - 0.08)) / wide + 0.5
    grey = (0.04, 0.10, 0.45, 0.75, 0.92)
    green = np.array((0.86, 1.0, 0.92)) if rng.random() < 0.4 else np.ones(3)
    inside = (np.clip((0.5 - np.abs(across - 0.5)) * wide * px_per_unit + 0.5, 0, 1)) * (
        np.abs(x) < 0.5
    )
    edges = np.sort(rng.random(int(rng.integers(1, 5))))
    tones = rng.choice(grey, len(edges) + 1)
    soft = float(rng.uniform(0.02, 0.25))
    level = np.full(across.shape, tones[0])
    for edge, before, after in zip(edges, tones[:-1], tones[1:], strict=True):
        level += (after - before) * np.clip((across - edge) / soft + 0.5, 0, 1)
    streaks = 0.85 + 0.3 * mottle(rng, sheet.shape, float(rng.uniform(3, 30)))
    sheet.lay(
        f32(inside),
        f32(np.clip(level * streaks, 0, 1)[..., None] * green),
        opacity=float(rng.uniform(0.6, 1.0)),
    )
    return finish(sheet, gloss=0.0, is_lit=False, shadow=0.0)


_DUCKWEED = next(kind for kind in PLANTS_AND_DEBRIS if kind.name == "duckweed")

SOLID_MARKS = (
    Kind("edge", 0.4, paint_edge, pose_thing, "stay", (20.0, 300.0)),
    *(replace(kind, share=0.6 * kind.share) for kind in MARKS),
)
SOLID_THINGS = (
    replace(_DUCKWEED, share=0.06),
    Kind("driftwood", 0.30, paint_driftwood, pose_solid_thing, "stay", (5.0, 100.0), True),
    Kind("stem", 0.10, paint_solid_stem, pose_solid_thing, "stay", (10.0, 100.0), True),
    Kind("leaf", 0.20, paint_solid_leaf, pose_solid_thing, "stay", (4.0, 60.0), True),
    Kind("roots", 0.10, paint_solid_roots, pose_solid_thing, "stay", (5.0, 80.0), True),
    Kind("droppings", 0.10, paint_solid_droppings, pose_solid_thing, "stay", (2.0, 40.0), True),
    Kind("hose", 0.14, paint_solid_hose, pose_solid_thing, "stay", (20.0, 150.0), True),
)
