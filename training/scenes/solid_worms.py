"""Thin worms, larvae and hydra in three dimensions."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind
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
from training.scenes.solid import OPAQUE, Tube, bundle, render, turned
from training.scenes.worms import (
    HYDRA_WIDTH,
    THIN_WORM_WIDTH,
    pose_hydra,
    pose_larva,
    pose_worm,
)

if TYPE_CHECKING:
    from torch import Tensor

    from pestvision.arrays import F64
    from training.scenes.records import Pose
    from training.scenes.solid import Skin, Spots

_POINTS = 240
_S = np.linspace(0.0, 1.0, _POINTS)


def _tilted(rng: np.random.Generator, pose: Pose, spread_deg: float) -> Pose:
    return replace(pose, tilt_deg=(float(rng.normal(0, spread_deg)), float(rng.normal(0, 8))))


def pose_solid_worm(rng: np.random.Generator) -> Pose:
    """Draw a worm's posture and from where it is seen."""
    return _tilted(rng, pose_worm(rng), 25)


def pose_solid_larva(rng: np.random.Generator) -> Pose:
    """Draw a larva's posture; it lies on its side, back or belly as it drifts."""
    pose = pose_larva(rng)
    return replace(pose, tilt_deg=(float(rng.uniform(-180, 180)), float(rng.normal(0, 14))))


def pose_solid_hydra(rng: np.random.Generator) -> Pose:
    """Draw a hydra held out, or drawn together, from any side."""
    return _tilted(rng, pose_hydra(rng), 40)


def _ends(spine: F64) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    tail, head = spine[0], spine[-1]
    return (
        (float(tail[0]), float(tail[1]), float(tail[2])),
        (float(head[0]), float(head[1]), float(head[2])),
    )


def _worm_skin(rng: np.random.Generator, base: F64, rings: float) -> Skin:
    field = grain(rng, 30, 5, 2)
    vessel, grooves = float(rng.uniform(0.0, 0.8)), float(rng.uniform(0.0, 0.3))
    gut, pale = float(rng.uniform(0.0, 0.5)), np.clip(base * 1.4 + 0.05, 0, 1)
    girdle = float(rng.uniform(0.0, 0.6)) * (rng.random() < 0.3)

    def skin(at: Spots) -> Tensor:
        import torch

        rgb = colour_of(base, at) * (1.0 + 0.14 * field(at))[:, None]
        rgb = mixed(rgb, base * (0.6, 0.25, 0.25), vessel * ridge(at.v, 0.0, 0.09), at)
        rgb = mixed(rgb, base * 0.5, gut * (field(at) + 0.2) * (at.u < 0.9), at)
        rgb = mixed(rgb, pale, girdle * ridge(at.u, 0.83, 0.03), at)
        groove = 0.5 + 0.5 * torch.cos(2 * torch.pi * rings * at.u)
        return rgb * (1.0 - grooves * groove**2)[:, None]

    return skin


def paint_solid_worm(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a long thin worm: naidid, blackworm or nematode in form."""
    colours = (
        (0.50, 0.20, 0.14),
        (0.74, 0.66, 0.56),
        (0.34, 0.20, 0.13),
        (0.84, 0.82, 0.78),
        (0.22, 0.13, 0.10),
        (0.60, 0.34, 0.26),
    )
    base = np.asarray(vary(rng, colours[int(rng.integers(len(colours)))], 0.22), np.float64)
    width, cycles = float(rng.uniform(*THIN_WORM_WIDTH)), float(rng.uniform(0.8, 1.8))
    rings = float(rng.uniform(36, 90))
    line = smooth_line(midline(pose, cycles=cycles), _POINTS)
    spine = np.column_stack([line, 0.03 * bumpy(rng, 4, _POINTS)])
    ends = np.clip(np.minimum(_S, 1 - _S) / 0.06, 0, 1) ** 0.6
    half = 0.5 * width * (0.25 + 0.75 * ends) * (1.0 + 0.05 * bumpy(rng, 10, _POINTS))
    clear = OPAQUE if rng.random() < 0.5 else float(rng.uniform(40.0, 150.0))
    tubes = [Tube(spine, half, half, _worm_skin(rng, base, rings), density=clear)]
    if rng.random() < 0.25:  # bristles of a naidid
        tubes.append(_bristles(rng, spine, float(rng.uniform(0.6, 1.6)) * width, base))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.1, 0.8)),
        view=turned(*pose.tilt_deg),
        length_units=pose.stretch,
        shadow=0.7,
        ends=_ends(spine),
        line=spine,
    )


def _bristles(rng: np.random.Generator, spine: F64, length: float, base: F64) -> Tube:
    """Give hairs out of both sides, thinner than a pixel from most distances."""
    hairs = []
    for index in range(10, _POINTS - 10, 8):
        along = spine[index + 1] - spine[index - 1]
        across = np.cross((0.0, 0.0, 1.0), along / np.linalg.norm(along))
        for side in (-1.0, 1.0):
            tip = spine[index] + side * length * across + rng.normal(0, 0.2 * length, 3)
            hairs.append(hair(spine[index], tip))
    return bundle(
        hairs, [_tapering(0.0006)] * len(hairs), plain_skin(rng, np.clip(base * 1.1, 0, 1))
    )


def hair(foot: F64, tip: F64, *, sag: float = 0.0) -> F64:
    """Give a line of 10 points from one to another, bent by a share of its length."""
    s = np.linspace(0.0, 1.0, 10)[:, None]
    bow = np.cross(tip - foot, (0.0, 0.0, 1.0))
    bow[2] += 0.3 * float(np.linalg.norm(tip - foot))
    return np.asarray(foot + s * (tip - foot) + sag * 4 * s * (1 - s) * bow, np.float64)


def _tapering(thick: float) -> F64:
    return np.asarray(thick * np.linspace(1.0, 0.3, 10), np.float64)


def _hair(foot: F64, tip: F64, thick: float, skin: Skin) -> Tube:
    half = _tapering(thick)
    return Tube(hair(foot, tip), half, half, skin)


def _segmented(rng: np.random.Generator, base: F64, count: float, *, eyes: bool) -> Skin:
    """Give a larva's skin: dark joints, a gut that shows along the middle, spotted."""
    field, fine = grain(rng, 14, 5, 2), grain(rng, 40, 10, 2)
    joints, gut = float(rng.uniform(0.2, 0.7)), float(rng.uniform(0.1, 0.9))
    pale, dark = np.clip(base * 1.5 + 0.1, 0, 1), base * float(rng.uniform(0.25, 0.5))

    def skin(at: Spots) -> Tensor:
        import torch

        rgb = colour_of(base, at) * (1.0 + 0.12 * field(at) + 0.1 * fine(at))[:, None]
        joint = torch.cos(2 * torch.pi * count * at.u)
        rgb = mixed(rgb, pale, joints * (3 * joint - 2), at)
        middle = torch.maximum(ridge(at.v, 0.0, 0.16), ridge(at.v.abs(), 1.0, 0.16))
        rgb = mixed(rgb, dark, gut * middle * (0.75 + 0.5 * field(at)), at)
        if eyes:
            places = [(0.965, -0.3), (0.965, 0.3)]
            rgb = mixed(rgb, (0.02, 0.02, 0.02), spots_at(at, places, (0.012, 0.09)), at)
        return rgb.clamp(0.0, 1.0)

    return skin


def paint_solid_midge(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a bloodworm: an even tube of a dozen segments, a dark head, stubby false legs."""
    colours = ((0.55, 0.08, 0.06), (0.66, 0.20, 0.12), (0.66, 0.60, 0.40), (0.48, 0.48, 0.30))
    base = np.asarray(vary(rng, colours[int(rng.integers(len(colours)))], 0.22), np.float64)
    width = float(rng.uniform(0.055, 0.10))
    line = smooth_line(midline(pose), _POINTS)
    spine = np.column_stack([line, 0.0 * _S])
    half = 0.5 * width * (0.86 + 0.16 * _S + 0.06 * np.cos(24 * np.pi * _S))
    half = half * np.sqrt(np.clip(np.minimum(_S / 0.02, 1.0), 0.1, 1))
    clear = OPAQUE if rng.random() < 0.5 else float(rng.uniform(15.0, 60.0))
    tubes = [Tube(spine, half, half, _segmented(rng, base, 12, eyes=False), density=clear)]
    tubes.append(_head(rng, spine, 0.52 * width, (0.20, 0.11, 0.06), longer=1.3))
    skin = plain_skin(rng, np.clip(base * 1.1, 0, 1))
    for index, ahead in ((3, -1.0), (-16, 1.0)):
        along = ahead * (spine[index + 2] - spine[index - 2])
        along = along / np.linalg.norm(along)
        for side in (-0.3, 0.3):
            out = 0.5 * along + np.array([0.0, 0.0, -1.0]) + side * np.cross(along, (0, 0, 1.0))
            foot = spine[index]
            tubes.append(_hair(foot, foot + 1.1 * width * out, 0.16 * width, skin))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.1, 0.8)),
        view=turned(*pose.tilt_deg),
        ends=_ends(spine),
        line=spine,
    )


def _head(
    rng: np.random.Generator,
    spine: F64,
    radius: float,
    colour: tuple[float, float, float],
    *,
    longer: float,
    broad: float = 1.0,
) -> Tube:
    """Give a head capsule before the end of a line."""
    along = spine[-1] - spine[-6]
    along = along / np.linalg.norm(along)
    turn = np.linspace(0.0, np.pi, 20)
    reach = radius * longer
    middle = spine[-1] + 0.6 * reach * along
    line = middle[None] + reach * np.column_stack([-np.cos(turn)] * 3) * along
    out = np.maximum(radius * np.sin(turn) ** 0.8, 1e-4)
    base = np.asarray(vary(rng, colour, 0.25), np.float64)
    field = grain(rng, 5, 6, 2)
    eyes = [(0.55, -0.38), (0.55, 0.38)]

    def skin(at: Spots) -> Tensor:
        rgb = colour_of(base, at) * (1.0 + 0.15 * field(at))[:, None]
        return mixed(rgb, (0.02, 0.02, 0.02), spots_at(at, eyes, (0.13, 0.10)), at).clamp(0, 1)

    up = np.tile((0.0, 0.0, 1.0), (20, 1))
    if abs(along[2]) > 0.95:
        up = np.tile((0.0, 1.0, 0.0), (20, 1))
    return Tube(line, broad * out, 0.85 * out, skin, up=up)


def paint_solid_mosquito(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a wriggler: round dark head, swollen chest, nine segments, tufts, a breathing tube."""
    colours = ((0.36, 0.32, 0.20), (0.24, 0.21, 0.16), (0.52, 0.48, 0.34), (0.40, 0.36, 0.28))
    base = np.asarray(vary(rng, colours[int(rng.integers(len(colours)))], 0.22), np.float64)
    width = float(rng.uniform(0.085, 0.13))
    line = 0.84 * smooth_line(midline(pose), _POINTS)
    spine = np.column_stack([line, 0.0 * _S])
    chest = float(rng.uniform(0.7, 1.15)) * np.exp(-((np.abs(_S - 0.89) / 0.085) ** 2.6))
    half = 0.5 * width * (0.62 + 0.12 * _S + chest + 0.09 * np.cos(18 * np.pi * _S))
    half = half * np.sqrt(np.clip(np.minimum(_S / 0.03, (1.005 - _S) / 0.03), 0.05, 1))
    clear = float(rng.uniform(12.0, 45.0)) if rng.random() < 0.7 else OPAQUE
    tubes = [
        Tube(spine, half, 0.9 * half, _segmented(rng, base, 9, eyes=False), density=clear),
        _head(
            rng,
            spine,
            width * float(rng.uniform(0.42, 0.56)),
            (float(base[0] * 0.8), float(base[1] * 0.7), float(base[2] * 0.55)),
            longer=0.9,
            broad=1.15,
        ),
    ]
    tubes += _tail_end(rng, spine, base, width)
    tubes.append(_tufts(rng, spine, half, base, thick=0.0014))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.1, 0.7)),
        view=turned(*pose.tilt_deg),
        ends=_ends(spine),
        line=spine,
        shadow=0.6,
    )


def _tail_end(rng: np.random.Generator, spine: F64, base: F64, width: float) -> list[Tube]:
    """Give the dark breathing tube and the pale gills beside the last segment."""
    back = spine[0] - spine[8]
    back = back / np.linalg.norm(back)
    aside = np.cross(back, (0.0, 0.0, 1.0))
    which = float(rng.choice([-1.0, 1.0]))
    s = np.linspace(0.0, 1.0, 16)[:, None]
    out = back + 0.7 * which * aside
    tube = spine[4] + s * float(rng.uniform(0.12, 0.22)) * out / np.linalg.norm(out)
    half = width * (0.24 - 0.09 * s[:, 0])
    tubes = [Tube(tube, half, half, plain_skin(rng, base * 0.45))]
    gills = plain_skin(rng, np.clip(base * 1.4 + 0.1, 0, 1))
    for lean in (-0.5, -0.15):
        tip = spine[2] + float(rng.uniform(0.07, 0.11)) * (back + which * lean * aside)
        tubes.append(replace(_hair(spine[2], tip, 0.13 * width, gills), density=40.0))
    return tubes


def _tufts(rng: np.random.Generator, spine: F64, half: F64, base: F64, *, thick: float) -> Tube:
    """Give tufts of bristles out of both sides of every segment, longest at the chest."""
    hairs = []
    for index in range(14, _POINTS - 8, 22):
        along = spine[index + 2] - spine[index - 2]
        across = np.cross((0.0, 0.0, 1.0), along / np.linalg.norm(along))
        for side in (-1.0, -1.0, 1.0, 1.0):
            reach = float(half[index]) * float(rng.uniform(1.4, 2.9))
            tip = spine[index] + side * reach * across + rng.normal(0, 0.25 * reach, 3)
            hairs.append(hair(spine[index], tip, sag=0.05))
    return bundle(hairs, [_tapering(thick)] * len(hairs), plain_skin(rng, base * 0.5))


def paint_solid_hydra(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a column on a disc with a crown of long thin arms."""
    colours = ((0.40, 0.50, 0.22), (0.58, 0.42, 0.25), (0.80, 0.74, 0.62), (0.50, 0.32, 0.22))
    base = np.asarray(vary(rng, colours[int(rng.integers(len(colours)))], 0.22), np.float64)
    column = replace(pose, stretch=0.5 * pose.stretch)
    line = smooth_line(midline(column), _POINTS) - np.array([0.22, 0.0])
    spine = np.column_stack([line, 0.06 * np.sin(2 * _S + 6 * pose.phase)])
    rest = 0.55 * float(rng.uniform(*HYDRA_WIDTH))
    width = rest * pose.stretch**-0.7
    shape = 0.75 + 0.35 * _S + 0.5 * np.exp(-((_S / 0.06) ** 2)) + 0.25 * ridge_of(_S, 0.95, 0.04)
    half = 0.5 * width * shape * np.sqrt(np.clip((1.004 - _S) / 0.03, 0, 1))
    half = np.clip(half, 0.001, None)
    field = grain(rng, 14, 8, 2)
    core, clear = float(rng.uniform(0.2, 0.8)), float(rng.uniform(12.0, 60.0))

    def skin(at: Spots) -> Tensor:
        rgb = colour_of(base, at) * (1.0 + 0.15 * field(at))[:, None]
        inner = (ridge(at.v, 0.0, 0.2) + ridge(at.v.abs(), 1.0, 0.2)) * (at.u < 0.93)
        return mixed(rgb, base * 0.6, core * inner, at).clamp(0.0, 1.0)

    tubes = [Tube(spine, half, half, skin, density=clear)]
    along = spine[-1] - spine[-8]
    along = along / np.linalg.norm(along)
    tubes += _arms(rng, spine[-4], along, rest, base, long=min(pose.stretch, 1.0))
    if rng.random() < 0.35:  # a bud
        start = int(rng.uniform(0.25, 0.5) * _POINTS)
        out = np.cross(along, (0.0, 0.0, 1.0)) * float(rng.choice([-1, 1])) + 0.5 * along
        s = np.linspace(0.0, 1.0, 24)[:, None]
        bud = spine[start] + s * float(rng.uniform(0.08, 0.2)) * out
        wide = 0.3 * width * np.sqrt(np.clip(1.02 - s[:, 0] ** 4, 0, 1))
        tubes.append(Tube(bud, wide, wide, skin, density=clear))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.0, 0.5)),
        view=turned(*pose.tilt_deg),
        length_units=pose.stretch,
        ends=_ends(spine),
        shadow=0.4,
    )


def ridge_of(values: F64, at: float, width: float) -> F64:
    """Give 1 where a value is `at`, falling off like a bell of that width."""
    return np.asarray(np.exp(-(((values - at) / width) ** 2)), np.float64)


def _arms(
    rng: np.random.Generator, mouth: F64, along: F64, rest: float, base: F64, *, long: float
) -> list[Tube]:
    """Give 5 to 8 arms about the mouth, each bent its own way, thinner to the tip."""
    count = int(rng.integers(5, 9))
    field = grain(rng, 60, 3)

    def skin(at: Spots) -> Tensor:
        return (colour_of(base, at) * (1.0 + 0.2 * field(at))[:, None]).clamp(0.0, 1.0)

    side = np.cross(along, (0.0, 0.0, 1.0))
    side = side / max(float(np.linalg.norm(side)), 1e-6)
    other = np.cross(along, side)
    reach = long * float(rng.uniform(0.3, 0.75))
    arms = []
    for place in np.arange(count) / count * 2 * np.pi + float(rng.uniform(0, 6)):
        out = np.cos(place) * side + np.sin(place) * other
        bend = np.cumsum(rng.normal(0, 0.35, (5, 3)), axis=0)
        s = np.linspace(0.0, 1.0, 5)[:, None]
        knots = mouth + reach * float(rng.uniform(0.6, 1.2)) * s * (
            float(rng.uniform(0.5, 1.2)) * out
            + float(rng.uniform(-0.2, 0.9)) * along
            + 0.5 * bend * s
        )
        line = smooth_line(np.asarray(knots, np.float64), 60)
        half = smooth_values(rest * np.array([0.13, 0.10, 0.08, 0.06, 0.03]), 60)
        arms.append(Tube(line, half, half, skin, density=60.0))
    return arms


SOLID_THIN_WORMS = (
    # Stylaria 5.5-18, Nais 2.2-12, Tubifex 10-100, Lumbriculus 40-90 mm (Timm); free-living
    # nematodes 0.5-1.5 mm (secondary).
    Kind("thin worm", 1.0, paint_solid_worm, pose_solid_worm, "wriggle", (1.0, 90.0), True),
)
SOLID_HYDRAS = (Kind("hydra", 1.0, paint_solid_hydra, pose_solid_hydra, "stay", (2.5, 30.0), True),)
SOLID_LARVAE = (
    Kind("midge larva", 0.35, paint_solid_midge, pose_solid_larva, "wriggle", (2.0, 20.0), True),
    Kind("mosquito larva", 0.65, paint_solid_mosquito, pose_solid_larva, "swim", (1.5, 10.0), True),
)
