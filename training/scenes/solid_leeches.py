"""Leeches in three dimensions: a ringed flat tube with a sucker at both ends, in every posture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind
from training.scenes.leeches import SLENDER_LEECH_WIDTH, SNAIL_LEECH_WIDTH, pose_leech
from training.scenes.paint import vary
from training.scenes.ribbons import midline
from training.scenes.skins import (
    bumpy,
    colour_of,
    grain,
    mixed,
    plain_skin,
    ridge,
    smooth_line,
    smooth_values,
    spots_at,
)
from training.scenes.solid import OPAQUE, Tube, render, turned

if TYPE_CHECKING:
    from torch import Tensor

    from pestvision.arrays import F64
    from training.scenes.records import Pose
    from training.scenes.solid import Skin, Spots

# 34 segments, three rings each in mid-body, fewer at the ends: 65 to 70 in all (from memory; three
# a segment in Helobdella stagnalis: Zootaxa 4671(1), 2019).
RINGS = (64, 72)

_POINTS = 420  # six a ring
_LEAST_RING_PX = 2.0  # finer rings alias, and no camera shows them

# Own reading of photographs: most are brown to black with a warm cast.
_COLOURS: tuple[tuple[float, tuple[float, float, float]], ...] = (
    (0.20, (0.33, 0.23, 0.13)),  # brown
    (0.15, (0.24, 0.22, 0.11)),  # olive
    (0.17, (0.085, 0.070, 0.055)),  # near black
    (0.10, (0.14, 0.15, 0.09)),  # dark green
    (0.10, (0.40, 0.38, 0.34)),  # grey
    (0.10, (0.46, 0.22, 0.14)),  # reddish
    (0.08, (0.58, 0.44, 0.24)),  # amber
    (0.10, (0.78, 0.72, 0.58)),  # pale, half transparent
)


@dataclass(frozen=True, slots=True)
class Leech:
    """What one individual keeps from pose to pose."""

    base: F64
    width: float
    flatness: float
    rear: float
    taper: float
    sucker: float
    mouth: float
    rings: float
    ring_depth: float
    density: float
    gloss: float
    has_gut: bool
    has_brood: bool


def draw_leech(rng: np.random.Generator, width: float) -> Leech:
    """Draw an individual of a width over length at rest."""
    shares = np.array([share for share, _ in _COLOURS])
    index = int(rng.choice(len(_COLOURS), p=shares))
    is_pale = index == len(_COLOURS) - 1
    base = np.asarray(vary(rng, _COLOURS[index][1], 0.22), np.float64)
    clear = is_pale or rng.random() < 0.18
    return Leech(
        base=base,
        width=width,
        flatness=float(rng.uniform(0.3, 0.62) if width > 0.2 else rng.uniform(0.5, 0.85)),
        rear=float(rng.uniform(0.34, 0.55)),
        taper=float(rng.uniform(1.5, 2.3)),
        sucker=width * float(rng.uniform(0.20, 0.36)),
        mouth=width * float(rng.uniform(0.11, 0.19)),
        rings=float(rng.uniform(*RINGS)),
        ring_depth=float(rng.uniform(0.015, 0.055)),
        density=float(rng.uniform(8.0, 30.0)) if clear else OPAQUE,
        gloss=float(rng.uniform(0.3, 1.0)),
        has_gut=clear and rng.random() < 0.8,
        has_brood=bool(rng.random() < (0.3 if clear else 0.12)),
    )


def pose_solid_leech(rng: np.random.Generator) -> Pose:
    """Draw a posture and from where it is seen."""
    return tilted_leech(rng, pose_leech(rng))


def tilted_leech(rng: np.random.Generator, pose: Pose) -> Pose:
    """Give a posture as seen from somewhere: an arch mostly from the side, the rest from above."""
    side = float(rng.choice([-1.0, 1.0]))
    if pose.name == "arch":
        roll = side * float(rng.choice([90.0, 60.0, 20.0], p=[0.45, 0.3, 0.25]))
        return replace(pose, tilt_deg=(roll + float(rng.normal(0, 10)), float(rng.normal(0, 8))))
    if pose.name in {"ball", "swaying"}:
        return replace(pose, tilt_deg=(float(rng.uniform(-90, 90)), float(rng.uniform(-25, 25))))
    if pose.name == "underside":
        return replace(pose, tilt_deg=(float(rng.normal(0, 6)), float(rng.normal(0, 5))))
    return replace(
        pose, tilt_deg=(float(np.clip(rng.normal(0, 24), -75, 75)), float(rng.normal(0, 9)))
    )


def _half_width(leech: Leech, pose: Pose) -> F64:
    """Half the width along the body, from the hind sucker's stalk to the mouth."""
    s = np.linspace(0.0, 1.0, 61)
    # Drawn out it is even, drawn together a pear: the front tapers the more the shorter it is.
    front = leech.taper * leech.rear * pose.stretch**-0.35
    peak = leech.rear / (leech.rear + front)
    body = (s**leech.rear * (1 - s) ** front) / (peak**leech.rear * (1 - peak) ** front)
    stalk = leech.sucker / leech.width * 1.15
    floor = stalk * np.clip(1 - 6 * s, 0, 1) + 2 * leech.mouth / leech.width * np.clip(
        3 * s - 1.5, 0, 1
    )
    half = 0.5 * leech.width * pose.stretch**-1.1 * (body**6 + floor**6) ** (1 / 6)
    close = np.sqrt(np.clip(1.0 - np.clip((s - 0.955) / 0.045, 0, 1) ** 2.4, 0.0, 1.0))
    return smooth_values(half, _POINTS) * np.clip(smooth_values(close, _POINTS), 0.02, 1.0)


def _spine(rng: np.random.Generator, pose: Pose, half_thick: F64) -> F64:
    """Lay the midline in space: on the ground, bowed up from it, rolled up, or raised off it."""
    s = np.linspace(0.0, 1.0, _POINTS)
    if pose.name in {"arch", "ball"}:
        whole = abs(pose.bends_rad[0]) if pose.name == "arch" else float(rng.uniform(5.0, 6.0))
        flat = midline(replace(pose, bends_rad=(-whole, 0.0, 0.0)))
        line = smooth_line(flat, _POINTS)
        line[:, 1] -= line[:, 1].min() if pose.name == "arch" else 0.0
        aside = pose.bends_rad[1] * 0.3 * np.sin(np.pi * s) if pose.name == "arch" else 0.08 * s
        return np.column_stack([line[:, 0], aside, line[:, 1]])
    line = smooth_line(midline(pose), _POINTS)
    if pose.name == "swaying":
        steep = np.deg2rad(np.interp(s, [0.0, 0.25, 1.0], [80.0, 55.0, 10.0 + 40.0 * pose.phase]))
        step = np.diff(line, axis=0, prepend=line[:1])
        length = np.hypot(*step.T)
        flat = np.cumsum(step * np.cos(steep)[:, None], axis=0)
        return np.column_stack([flat - flat.mean(axis=0), np.cumsum(length * np.sin(steep))])
    rise = half_thick.copy()
    if pose.name == "stretched":  # feeling about with its front
        rise = rise + 0.12 * pose.phase * np.clip((s - 0.75) / 0.25, 0, 1) ** 2
    return np.column_stack([line, rise])


def _skin(rng: np.random.Generator, leech: Leech, ring: F64) -> Skin:
    """Give its skin: back and belly, a pattern of its kind, dark grooves between the rings."""
    base = leech.base
    pale = np.clip(base * 1.5 + 0.12, 0, 0.95)
    dark = base * float(rng.uniform(0.2, 0.55))
    warm = np.clip(pale * (1.15, 0.92, 0.5), 0, 1)
    pattern = str(
        rng.choice(
            ["plain", "lines", "papillae", "blotches", "flanks"], p=[0.3, 0.2, 0.2, 0.2, 0.1]
        )
    )
    pairs = (0.10, 0.22, 0.36)[: int(rng.integers(1, 4))]  # six lines in G. complanata
    line_width, line_colour = float(rng.uniform(0.018, 0.05)), (dark, warm)[int(rng.integers(2))]
    broken, strength = float(rng.uniform(0.0, 0.7)), float(rng.uniform(0.4, 0.95))
    rows = float(rng.integers(5, 9))
    fine, coarse = grain(rng, 90, 14, 2), grain(rng, 9, 4, 2)
    belly, rim = np.clip(base * 1.15 + 0.06, 0, 1), float(rng.random() < 0.3)
    grooves = float(rng.uniform(0.1, 0.5))
    eyes = [
        (0.972 - 0.012 * k, side * 0.13) for k in range(int(rng.choice([1, 3]))) for side in (-1, 1)
    ]

    def skin(at: Spots) -> Tensor:
        import torch

        v = at.v.abs()
        rgb = colour_of(base, at) * (1.0 + 0.10 * fine(at) + 0.10 * coarse(at))[:, None]
        if pattern == "lines":
            gaps = 1.0 - broken * (0.5 + 0.5 * torch.cos(2 * torch.pi * leech.rings / 3 * at.u))
            for place in pairs:
                rgb = mixed(rgb, line_colour, strength * gaps * ridge(v, place, line_width), at)
        elif pattern == "papillae":  # on every third ring
            bumps = torch.cos(2 * torch.pi * leech.rings / 3 * at.u) * torch.cos(
                2 * torch.pi * rows * at.v
            )
            rgb = mixed(rgb, warm, strength * (2.4 * bumps - 1.2) * (v < 0.5), at)
        elif pattern == "blotches":
            rgb = mixed(rgb, line_colour, strength * (2.0 * coarse(at) + fine(at) - 0.8), at)
        elif pattern == "flanks":
            rgb = mixed(rgb, warm, strength * ridge(v, 0.44, 0.06), at)
        rgb = mixed(rgb, pale, 0.6 * rim * ridge(v, 0.5, 0.05), at)
        rgb = mixed(rgb, belly, 3.0 * (v - 0.55), at)
        groove = torch.as_tensor(ring, dtype=at.u.dtype, device=at.u.device)
        depth = groove[(at.u * (len(ring) - 1)).long()]
        rgb = rgb * (1.0 - grooves * depth)[:, None]
        if base.mean() > 0.15:
            rgb = mixed(rgb, (0.03, 0.025, 0.02), 0.9 * spots_at(at, eyes, (0.006, 0.05)), at)
        return rgb.clamp(0.0, 1.0)

    return skin


def _disc(
    rng: np.random.Generator, at: F64, radius: float, colour: F64, *, axis: F64, deep: float
) -> Tube:
    """Give a sucker: a shallow bowl about an axis that leads from its mouth into the body."""
    rise = np.array([0.10, 0.0, 0.0, 0.10, 0.35, 0.8, 1.0]) * deep
    out = np.array([0.02, 0.55, 0.86, 1.0, 0.97, 0.75, 0.3]) * radius
    rise, out = smooth_values(rise, 28), np.clip(smooth_values(out, 28), 0.002, None)
    spine = at[None] + rise[:, None] * axis[None]
    spine = spine + np.linspace(0, 1e-4, 28)[:, None] * axis[None]
    across = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.9 else np.array([0.0, 0.0, 1.0])
    rim, cup = np.clip(colour * 1.25 + 0.04, 0, 1), colour * float(rng.uniform(0.6, 0.95))
    folds, field = float(rng.integers(14, 26)), grain(rng, 4, 10)

    def skin(spot: Spots) -> Tensor:
        import torch

        rgb = colour_of(colour, spot) * (1.0 + 0.08 * field(spot))[:, None]
        inside = (1.0 - spot.u / 0.42).clamp(0.0, 1.0)
        rgb = mixed(rgb, cup, 1.6 * inside, spot)
        rgb = mixed(rgb, rim, ridge(spot.u, 0.43, 0.10), spot)
        rays = 0.5 + 0.5 * torch.cos(torch.pi * folds * spot.v)
        return rgb * (1.0 - 0.16 * rays * (spot.u < 0.45) * (spot.u > 0.12))[:, None]

    # `up` is the same for all points: the axis turns round within the bowl.
    return Tube(spine, out, out, skin, up=np.tile(across, (28, 1)), is_closed=True)


def _gut(rng: np.random.Generator, spine: F64, half: F64, thick: F64) -> Tube:
    """Give the filled crop: a dark tube with some seven pairs of side pouches."""
    s = np.linspace(0.0, 1.0, _POINTS)
    pouches = 0.5 + 0.5 * np.cos(2 * np.pi * float(rng.uniform(8, 11)) * s)
    ends = np.clip(np.minimum((s - 0.1) / 0.06, (0.78 - s) / 0.1), 0, 1)
    wide = half * (0.16 + 0.5 * pouches**1.5) * np.sqrt(ends) + 1e-4
    colours = ((0.22, 0.10, 0.06), (0.38, 0.10, 0.07), (0.16, 0.15, 0.07), (0.10, 0.07, 0.05))
    colour = vary(rng, colours[int(rng.integers(len(colours)))], 0.2)
    return Tube(spine, wide, 0.45 * thick * np.sqrt(ends) + 1e-4, plain_skin(rng, colour))


def _brood(rng: np.random.Generator, spine: F64, half: F64, thick: F64, back: F64) -> list[Tube]:
    """Give eggs or young under the rear half, in a layer: 10 to 40 pale dots."""
    pale = np.asarray(
        vary(rng, ((0.90, 0.84, 0.66), (0.82, 0.74, 0.50))[int(rng.integers(2))], 0.1)
    )
    size = float(rng.uniform(0.012, 0.02))
    eggs = []
    for _ in range(int(rng.integers(10, 30))):
        index = int(rng.uniform(0.2, 0.6) * _POINTS)
        along = spine[index + 1] - spine[index - 1]
        across = np.cross(back[index], along / np.linalg.norm(along))
        middle = (
            spine[index]
            + float(rng.uniform(-0.6, 0.6)) * half[index] * across
            - (thick[index] * 0.9) * back[index]
        )
        eggs.append(egg(rng, middle, size, pale))
    return eggs


def egg(rng: np.random.Generator, middle: F64, radius: float, colour: F64) -> Tube:
    """Give a ball about a point: a short fat tube."""
    turn = np.linspace(0.0, np.pi, 12)
    spine = middle[None] + radius * np.column_stack([-np.cos(turn), 0 * turn, 0 * turn])
    out = np.maximum(radius * np.sin(turn), 1e-4)
    return Tube(spine, out, out, plain_skin(rng, colour, uneven=0.06))


def _paint(rng: np.random.Generator, pose: Pose, px_per_unit: float, width: float) -> Body:
    leech = draw_leech(rng, width)
    half = _half_width(leech, pose)
    # Short, it is thick: the section keeps its area better than its form.
    flatness = min(0.95, leech.flatness * (1.25 if pose.name in {"ball", "contracted"} else 1.0))
    s = np.linspace(0.0, 1.0, _POINTS)
    thick = half * (flatness + (0.9 - flatness) * np.clip(6 * s - 5.2, 0, 1))
    visible = float(np.clip(px_per_unit * pose.stretch / leech.rings / _LEAST_RING_PX - 0.6, 0, 1))
    # Rings are narrower towards both ends.
    ring = (0.5 - 0.5 * np.cos(2 * np.pi * leech.rings * (s + 0.02 * np.sin(2 * np.pi * s)))) ** 3
    swell = 1.0 - leech.ring_depth * visible * ring + 0.02 * bumpy(rng, 14, _POINTS)
    skin = _skin(rng, leech, ring * visible)
    spine = _spine(rng, pose, thick)
    half, thick = half * swell, thick * swell
    up = _up(pose, spine)
    tubes = [Tube(spine, half, thick, skin, up=up[0], power=2.3, density=leech.density)]
    tubes += _suckers(rng, leech, pose, spine, half=half, thick=thick)
    inner = [_gut(rng, spine, half, thick)] if leech.has_gut else []
    if leech.has_brood and pose.name not in {"ball", "arch", "swaying"}:
        eggs = _brood(rng, spine, half, thick, up)
        if pose.name == "underside":
            tubes += eggs
        elif leech.density < OPAQUE:
            inner += eggs
    view = turned(*pose.tilt_deg)
    if pose.name == "underside":
        view = view @ turned(180.0)
    tail, head = (tuple(float(x) for x in spine[k]) for k in (0, -1))
    return render(
        tubes,
        inner=inner,
        px_per_unit=px_per_unit,
        gloss=leech.gloss,
        view=view,
        length_units=pose.stretch,
        ends=((tail[0], tail[1], tail[2]), (head[0], head[1], head[2])),
        line=None if pose.name == "ball" else spine,
    )


def _up(pose: Pose, spine: F64) -> F64:
    """Give the direction of the back at every point: away from the ground, or out of the bow."""
    if pose.name in {"arch", "ball"}:
        step = np.gradient(spine, axis=0)
        out = np.column_stack([-step[:, 2], 0 * step[:, 0], step[:, 0]])
        return np.asarray(out / np.linalg.norm(out, axis=1)[:, None], np.float64)
    return np.tile((0.0, 0.0, 1.0), (len(spine), 1))


def _suckers(
    rng: np.random.Generator,
    leech: Leech,
    pose: Pose,
    spine: F64,
    *,
    half: F64,
    thick: F64,
) -> list[Tube]:
    """Set the hind disc under the tail and, where it shows, the front one under the mouth."""
    colour = np.clip(leech.base * float(rng.uniform(0.8, 1.12)), 0, 1)
    up = np.array([0.0, 0.0, 1.0])
    along = spine[4] - spine[0]
    along = along / np.linalg.norm(along)
    deep = max(0.3 * leech.sucker, float(thick[0]) * 1.1)
    if pose.name == "ball":
        return []
    if pose.name in {"arch", "swaying"}:
        foot = np.array([spine[0, 0], spine[0, 1], spine[0, 2] - 0.6 * deep])
    else:
        foot = np.array([*(spine[0] - 0.05 * leech.sucker * along)[:2], 0.0])
    discs = [_disc(rng, foot, leech.sucker, colour, axis=up, deep=deep)]
    if pose.name in {"arch", "underside"}:
        mouth = max(leech.mouth, float(half[-24]))
        place = np.array(
            [*spine[-10, :2], spine[-1, 2] - 0.4 * mouth if pose.name == "arch" else 0.0]
        )
        discs.append(_disc(rng, place, mouth * 1.15, colour, axis=up, deep=0.5 * mouth))
    return discs


def paint_solid_snail_leech(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a broad flat one (Glossiphonia, Helobdella, Alboglossiphonia in form)."""
    return _paint(rng, pose, px_per_unit, float(rng.uniform(*SNAIL_LEECH_WIDTH)))


def paint_solid_slender_leech(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a long one (Erpobdella, Barbronia, medicinal leeches in form)."""
    return _paint(rng, pose, px_per_unit, float(rng.uniform(*SLENDER_LEECH_WIDTH)))


SOLID_LEECHES = (
    Kind("snail leech", 0.50, paint_solid_snail_leech, pose_solid_leech, "loop", (1.0, 30.0), True),
    Kind(
        "slender leech",
        0.50,
        paint_solid_slender_leech,
        pose_solid_leech,
        "loop",
        (3.0, 60.0),
        True,
    ),
)
