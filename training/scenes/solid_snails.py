"""Snails in three dimensions: a shell is a tube on a spiral, a foot a soft tube beneath it.

Shells follow Raup (1966, "Geometric analysis of shell coiling", J Paleontol 40:1178-1190): a section
that grows by W a whorl while it goes round an axis, D away from it, T down along it for one out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind, Painter
from training.scenes.paint import vary
from training.scenes.records import Pose
from training.scenes.skins import (
    bumpy,
    colour_of,
    grain,
    mixed,
    plain_skin,
    ridge,
    smooth_line,
    smooth_values,
)
from training.scenes.solid import OPAQUE, Tube, render, turned

if TYPE_CHECKING:
    from torch import Tensor

    from pestvision.arrays import F64
    from training.scenes.solid import Skin, Spots

PER_WHORL = 60
"""Points along a whorl."""


@dataclass(frozen=True, slots=True)
class Form:
    """A form of shell: ranges of Raup's W, D and T, whorls, and the section's height over width.

    `aim_deg`: how a creeping snail carries the shell's axis, from straight to its left, towards
    behind. `fits_lid`: whether it can shut itself in.
    """

    growth: tuple[float, float]
    apart: tuple[float, float]
    climb: tuple[float, float]
    whorls: tuple[float, float]
    tall: tuple[float, float]
    aim_deg: tuple[float, float]
    has_lid: bool


# Own fits by eye to photographs, within the regions that Raup's figures give such shells.
FORMS: dict[str, Form] = {
    "ramshorn": Form(
        (1.7, 2.3), (0.34, 0.46), (-0.06, 0.06), (3.5, 4.6), (0.8, 1.15), (-6, 12), False
    ),
    "bladder snail": Form(
        (2.6, 3.6), (0.0, 0.06), (1.5, 2.1), (3.4, 4.2), (1.35, 1.8), (55, 80), False
    ),
    "trumpet snail": Form(
        (1.32, 1.5), (0.05, 0.15), (3.6, 5.2), (7.0, 9.0), (1.0, 1.25), (60, 85), True
    ),
    "apple snail": Form(
        (1.9, 2.5), (0.02, 0.12), (1.0, 1.5), (3.8, 4.8), (1.1, 1.35), (35, 65), True
    ),
    "nerite": Form((3.2, 4.6), (0.0, 0.05), (0.45, 0.8), (2.6, 3.2), (1.1, 1.4), (50, 75), True),
    "pond snail": Form(
        (2.0, 2.7), (0.0, 0.08), (1.9, 2.7), (4.2, 5.2), (1.3, 1.7), (55, 80), False
    ),
}

_SHELLS: tuple[tuple[float, float, float], ...] = (
    (0.36, 0.24, 0.12),
    (0.50, 0.34, 0.16),
    (0.24, 0.17, 0.11),
    (0.12, 0.09, 0.07),  # dark and wet, as most look from above
    (0.17, 0.13, 0.08),
    (0.62, 0.20, 0.10),  # red ramshorn
    (0.72, 0.52, 0.28),
    (0.70, 0.63, 0.44),
    (0.38, 0.36, 0.20),
    (0.36, 0.38, 0.44),  # blue-grey
)
_FLESH: tuple[tuple[float, float, float], ...] = (
    (0.22, 0.19, 0.16),
    (0.10, 0.085, 0.08),
    (0.38, 0.33, 0.27),
    (0.62, 0.54, 0.42),
    (0.66, 0.28, 0.20),
    (0.78, 0.66, 0.44),
)


@dataclass(frozen=True, slots=True, eq=False)
class Shell:
    """A shell before it is set on an animal: its tube's line and section, its axis along z.

    `mouth`: middle of the opening. `reach`: largest distance from the middle.
    """

    spine: F64
    half_width: F64
    half_thick: F64
    up: F64
    mouth: F64
    reach: float


def coil(form: Form, rng: np.random.Generator) -> Shell:
    """Coil a shell of a form; the apex towards +z, scaled to a longest extent of 1."""
    growth, apart, climb, whorls, tall = (
        float(rng.uniform(*limits))
        for limits in (form.growth, form.apart, form.climb, form.whorls, form.tall)
    )
    hand = -1.0 if form.aim_deg[0] > 50 and climb < 2.2 and rng.random() < 0.5 else 1.0
    count = round(whorls * PER_WHORL)
    turn = np.linspace(-whorls, 0.0, count)  # whorls before the mouth
    size = growth**turn
    # D is the distance of the section's inner edge from the axis over that of its outer edge.
    inner, outer = apart * size, size
    radius, section = 0.5 * (inner + outer), 0.5 * (outer - inner)
    angle = 2 * np.pi * turn * hand
    spine = np.column_stack(
        [radius * np.cos(angle), radius * np.sin(angle), -climb * (radius - radius[0])]
    )
    around = np.column_stack([np.cos(angle), np.sin(angle), 0.0 * angle])
    rib = 1.0 + float(rng.uniform(0.0, 0.018)) * np.cos(2 * np.pi * turn * rng.uniform(8, 15))
    rib = rib + 0.008 * bumpy(rng, round(6 * whorls), count)
    flare = 1.0 + float(rng.uniform(-0.02, 0.10)) * np.clip(1 + turn * 8, 0, 1) ** 2
    section = section * rib * flare
    low = (spine - section[:, None]).min(axis=0)
    high = (spine + section[:, None]).max(axis=0)
    scale = 1.0 / float(np.max(high - low))
    middle = 0.5 * (low + high)
    spine = (spine - middle) * scale
    # The section overlaps the whorl before, so that no gap shows between them.
    return Shell(
        spine=spine,
        half_width=1.06 * tall * section * scale,
        half_thick=1.06 * section * scale,
        up=around,
        mouth=spine[-1],
        reach=float(np.linalg.norm(spine, axis=1).max()),
    )


def shell_tube(rng: np.random.Generator, shell: Shell, base: F64, turn: F64, shift: F64) -> Tube:
    """Set a shell in space: turned, then shifted."""
    return Tube(
        shell.spine @ turn.T + shift,
        shell.half_width,
        shell.half_thick,
        _shell_skin(rng, base, len(shell.spine) / PER_WHORL),
        up=shell.up @ turn.T,
        power=float(rng.choice([2.0, 2.0, 2.4])),
        density=OPAQUE if rng.random() < 0.75 else float(rng.uniform(14.0, 30.0)),
        is_closed=False,
    )


def _shell_skin(rng: np.random.Generator, base: F64, whorls: float) -> Skin:
    """Give a shell's colours: bands along the coil, growth lines across, blotches, growth, wear."""
    pattern = str(
        rng.choice(["plain", "bands", "blotches", "streaks", "net"], p=[0.38, 0.2, 0.17, 0.15, 0.1])
    )
    dark = base * float(rng.uniform(0.15, 0.5))
    if base.mean() < 0.25:
        dark = np.clip(base * 2.2 + (0.16, 0.10, 0.02), 0, 1)  # gold on black, as in bladder snails
    bands, shift = int(rng.integers(1, 6)), float(rng.uniform(0, 1))
    strength, lines = float(rng.uniform(0.4, 1.0)), float(rng.uniform(0.02, 0.16))
    fine, coarse = grain(rng, round(30 * whorls), 10, 2), grain(rng, round(5 * whorls), 5, 2)
    growth = float(rng.uniform(0.0, 0.9)) * (rng.random() < 0.25)
    algae = np.asarray(vary(rng, ((0.20, 0.26, 0.10), (0.26, 0.20, 0.12))[int(rng.integers(2))]))
    worn = float(rng.uniform(0.0, 0.9)) * (rng.random() < 0.4)
    lining = np.clip(0.5 * base + float(rng.uniform(0.02, 0.45)), 0, 1)

    def skin(at: Spots) -> Tensor:
        import torch

        rgb = colour_of(base, at) * (1.0 + 0.10 * coarse(at) + 0.05 * fine(at))[:, None]
        across = torch.cos(2 * torch.pi * (at.v * bands + shift))
        along = torch.cos(2 * torch.pi * whorls * (at.u * 17.0 + 0.3 * at.v * at.v))
        if pattern == "bands":
            rgb = mixed(rgb, dark, strength * (3 * across - 1.2), at)
        elif pattern == "blotches":
            rgb = mixed(rgb, dark, strength * (2.4 * fine(at) + coarse(at) - 1.1), at)
        elif pattern == "streaks":
            rgb = mixed(rgb, dark, strength * (2 * along + coarse(at) - 1.0), at)
        elif pattern == "net":
            rgb = mixed(rgb, dark, strength * (2 * across * along - 0.4), at)
        rings = torch.cos(2 * torch.pi * whorls * 41.0 * at.u + 3 * coarse(at))
        rgb = rgb * (1.0 + lines * rings * (0.5 + coarse(at).abs()))[:, None]
        rgb = mixed(rgb, algae, growth * (coarse(at) + fine(at) + 0.2), at)
        rgb = mixed(rgb, (0.78, 0.74, 0.66), worn * ((0.45 - at.u) * 3 + 0.4 * fine(at)), at)
        # Whorls are dark where they meet; the inside of the mouth is lined and in shade.
        rgb = rgb * (0.55 + 0.45 * (2.6 - 2.6 * at.v.abs()).clamp(0, 1))[:, None]
        deep = (1.0 - (1.0 - at.u) * whorls * 5.0).clamp(0.0, 1.0)
        inside = colour_of(lining, at) * (0.15 + 0.75 * deep)[:, None]
        return torch.where(at.within[:, None], inside, rgb).clamp(0.0, 1.0)

    return skin


def pose_solid_snail(rng: np.random.Generator) -> Pose:
    """Draw a posture and a view: creeping, on the glass from below, drawn in, lying anyhow."""
    name = str(rng.choice(["creeping", "on the glass", "drawn in"], p=[0.52, 0.2, 0.28]))
    tilt = (float(np.clip(rng.normal(0, 32), -95, 95)), float(rng.normal(0, 16)))
    if name == "drawn in":
        tilt = (float(rng.uniform(-180, 180)), float(rng.uniform(-90, 90)))
    elif name == "on the glass":
        tilt = (float(rng.normal(0, 9)), float(rng.normal(0, 9)))
    return Pose(
        name=name, heading_deg=float(rng.uniform(0, 360)), phase=float(rng.random()), tilt_deg=tilt
    )


def _foot(rng: np.random.Generator, flesh: F64, size: float, bend: float) -> list[Tube]:
    """Give the foot with a head, two tentacles and the eyes at their feet; sole at z 0."""
    count = 60
    s = np.linspace(0.0, 1.0, count)
    long, wide = float(rng.uniform(0.72, 1.0)) * size, float(rng.uniform(0.26, 0.38)) * size
    x = (s - 0.45) * long
    flat = np.column_stack([x, bend * (s - 0.4) ** 2 * size])
    shape = np.array([0.02, 0.45, 0.75, 0.92, 1.0, 1.0, 0.95, 0.85, 0.80, 0.62, 0.03])
    half = 0.5 * wide * np.clip(smooth_values(shape, count), 0.01, None)
    thick = half * (0.35 + 0.5 * np.clip((s - 0.72) / 0.2, 0, 1)) + 0.06 * size * np.sin(np.pi * s)
    thick = np.minimum(thick, 1.2 * half)
    spine = np.column_stack([flat, thick])
    sole = np.clip(flesh * 1.25 + 0.06, 0, 1)
    spotted = float(rng.uniform(0.0, 0.6)) * (rng.random() < 0.35)
    field = grain(rng, 24, 10, 2)

    def skin(at: Spots) -> Tensor:
        rgb = colour_of(flesh, at) * (1.0 + 0.12 * field(at))[:, None]
        rgb = mixed(rgb, np.clip(flesh * 2 + 0.1, 0, 1), spotted * (field(at) - 0.5), at)
        rgb = mixed(rgb, sole, 6.0 * (at.v.abs() - 0.56), at)
        mouth = ridge(at.u, 0.945, 0.016) * ridge(at.v.abs(), 1.0, 0.14)
        return mixed(rgb, flesh * 0.3, mouth, at).clamp(0.0, 1.0)

    tubes = [Tube(spine, half, thick, skin, power=2.4)]
    head = spine[round(0.9 * count)]
    length, thin = float(rng.uniform(0.22, 0.5)) * size, float(rng.uniform(0.012, 0.022)) * size
    for side in (-1.0, 1.0):
        out = float(rng.uniform(0.35, 1.0))
        line = np.array(
            [
                [0.0, 0.0, 0.0],
                [0.5 * np.cos(out), 0.5 * side * np.sin(out), 0.16],
                [
                    np.cos(out + float(rng.uniform(-0.4, 0.4))),
                    side * np.sin(out + float(rng.uniform(-0.3, 0.5))),
                    float(rng.uniform(-0.05, 0.4)),
                ],
            ]
        )
        foot = head + np.array([0.0, side * 0.2 * wide, 0.4 * float(thick[-8])])
        feeler = foot + length * smooth_line(line, 24)
        taper = thin * (1.2 - 0.75 * np.linspace(0, 1, 24))
        tubes.append(Tube(feeler, taper, taper, plain_skin(rng, np.clip(flesh * 1.1, 0, 1))))
        eye = foot + np.array([0.0, 0.02 * side * size, 0.02 * size])
        tubes.append(_dot(rng, eye, 0.020 * size))
    return tubes


def _dot(rng: np.random.Generator, middle: F64, radius: float) -> Tube:
    turn = np.linspace(0.0, np.pi, 10)
    spine = middle + radius * np.column_stack([-np.cos(turn), 0 * turn, 0 * turn])
    out = np.maximum(radius * np.sin(turn), 1e-4)
    return Tube(spine, out, out, plain_skin(rng, (0.02, 0.02, 0.02), uneven=0.0))


def _lid(rng: np.random.Generator, shell: Shell, turn: F64, shift: F64) -> Tube:
    """Give the operculum, shut a little within the mouth."""
    index = -round(0.06 * PER_WHORL)
    at = shell.spine[index] @ turn.T + shift
    along = (shell.spine[index] - shell.spine[index - 1]) @ turn.T
    along = along / np.linalg.norm(along)
    steps = np.array([0.0, 0.004, 0.008, 0.012])[:, None]
    wide, thick = 0.97 * shell.half_width[index], 0.97 * shell.half_thick[index]
    colour = vary(rng, ((0.20, 0.13, 0.08), (0.42, 0.30, 0.18))[int(rng.integers(2))], 0.2)
    field = grain(rng, 3, 8, 2)

    def skin(at: Spots) -> Tensor:
        import torch

        rings = torch.cos(40.0 * at.u)
        return (colour_of(colour, at) * (1.0 + 0.1 * rings + 0.1 * field(at))[:, None]).clamp(0, 1)

    edge = np.array([1.0, 1.0, 0.98, 0.9])
    up = np.tile(shell.up[index] @ turn.T, (4, 1))
    return Tube(at + steps * along, wide * edge, thick * edge, skin, up=up)


def _carried(form: Form, rng: np.random.Generator) -> F64:
    """Give the turn from a shell's own axes to those of a creeping snail.

    The apex points to the left and behind, somewhat upwards; the mouth then lies over the foot.
    """
    aim = np.deg2rad(float(rng.uniform(*form.aim_deg)))
    if form.aim_deg[0] < 0:  # a planispiral stands on edge, leaning over
        lean = float(rng.choice([0.0, 35.0, 75.0], p=[0.3, 0.35, 0.35])) + float(rng.normal(0, 9))
        return turned(90.0 + float(rng.choice([-1, 1])) * lean) @ turned(
            0, 0, float(rng.uniform(-105, -55))
        )
    rise = np.deg2rad(float(rng.uniform(5, 32)))
    axis = np.array([-np.sin(aim) * np.cos(rise), -np.cos(aim) * np.cos(rise), np.sin(rise)])
    down = np.array([0.0, 0.0, -1.0])
    first = down - (down @ axis) * axis
    first = first / np.linalg.norm(first)
    # Columns: where the mouth's direction (x), its quarter before, and the apex (z) go.
    return np.column_stack([first, np.cross(axis, first), axis])


def paint_solid_snail(rng: np.random.Generator, pose: Pose, px_per_unit: float, form: Form) -> Body:
    """Render a snail of a form."""
    shell = coil(form, rng)
    base = np.asarray(vary(rng, _SHELLS[int(rng.integers(len(_SHELLS)))], 0.25), np.float64)
    flesh = np.asarray(vary(rng, _FLESH[int(rng.integers(len(_FLESH)))], 0.2), np.float64)
    gloss = float(rng.uniform(0.15, 1.0))
    turn = _carried(form, rng)
    if pose.name == "drawn in":
        tubes = [shell_tube(rng, shell, base, turn, np.zeros(3))]
        if form.has_lid and rng.random() < 0.8:
            tubes.append(_lid(rng, shell, turn, np.zeros(3)))
        return render(tubes, px_per_unit=px_per_unit, gloss=gloss, view=turned(*pose.tilt_deg))
    mouth = shell.mouth @ turn.T
    wide = max(float(shell.half_width[-1]), float(shell.half_thick[-1]))
    size = float(np.clip(3.0 * wide, 0.55, 0.95)) * float(rng.uniform(0.9, 1.15))
    # The mouth comes to lie over the foot's middle; the shell rests on its back.
    low = float((shell.spine @ turn.T)[:, 2].min())
    shift = np.array([-mouth[0] + 0.02, -mouth[1], -low + 0.10 * size])
    tubes = [shell_tube(rng, shell, base, turn, shift)]
    tubes += _foot(rng, flesh, size, float(rng.normal(0, 0.35)))
    middle = np.concatenate([tube.spine for tube in tubes])
    centre = 0.5 * (middle.min(axis=0) + middle.max(axis=0)) * (1.0, 1.0, 0.0)
    tubes = [replace(tube, spine=tube.spine - centre) for tube in tubes]
    view = turned(*pose.tilt_deg)
    if pose.name == "on the glass":
        view = view @ turned(180.0)
    return render(tubes, px_per_unit=px_per_unit, gloss=gloss, view=view)


def _painter(name: str) -> Painter:
    def paint(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
        return paint_solid_snail(rng, pose, px_per_unit, FORMS[name])

    return paint


SOLID_SNAILS = tuple(
    Kind(name, share, _painter(name), pose_solid_snail, "creep", lengths, True)
    # Hatchlings about 1 mm (from memory); Planorbarius shells to 22-40 mm (secondary).
    for name, share, lengths in (
        ("ramshorn", 0.30, (1.0, 35.0)),
        ("bladder snail", 0.22, (1.0, 16.0)),
        ("trumpet snail", 0.18, (1.5, 30.0)),
        ("apple snail", 0.12, (2.0, 60.0)),
        ("nerite", 0.08, (3.0, 25.0)),
        ("pond snail", 0.10, (1.0, 50.0)),
    )
)
