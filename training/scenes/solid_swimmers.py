"""Fish, shrimps and jointed crustaceans in three dimensions, from the side and from above."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind
from training.scenes.crustaceans import CRUSTACEANS, pose_swimmer
from training.scenes.paint import vary
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
    smooth_values,
)
from training.scenes.solid import OPAQUE, Tube, bundle, render, turned
from training.scenes.solid_worms import hair

if TYPE_CHECKING:
    from torch import Tensor

    from pestvision.arrays import F64
    from training.scenes.solid import Skin, Spots

_POINTS = 180
_S = np.linspace(0.0, 1.0, _POINTS)

_FISH: tuple[tuple[float, float, float], ...] = (
    (0.34, 0.32, 0.26),
    (0.22, 0.20, 0.16),
    (0.52, 0.52, 0.46),
    (0.12, 0.11, 0.10),
    (0.66, 0.24, 0.10),
    (0.70, 0.50, 0.18),
    (0.62, 0.62, 0.60),
    (0.16, 0.26, 0.44),
)
_SHRIMP: tuple[tuple[float, float, float], ...] = (
    (0.66, 0.11, 0.08),
    (0.78, 0.38, 0.10),
    (0.70, 0.66, 0.56),
    (0.16, 0.26, 0.48),
    (0.34, 0.30, 0.22),
    (0.50, 0.54, 0.42),
    (0.80, 0.70, 0.20),
)
_SHELL: tuple[tuple[float, float, float], ...] = (
    (0.62, 0.56, 0.42),
    (0.42, 0.34, 0.22),
    (0.52, 0.51, 0.47),
    (0.60, 0.40, 0.25),
    (0.28, 0.25, 0.21),
)


def pose_solid_swimmer(rng: np.random.Generator) -> Pose:
    """Draw a slight bend, and a view: from the side, from above, or between."""
    roll = float(rng.choice([0.0, 90.0, 45.0], p=[0.5, 0.3, 0.2])) * float(rng.choice([-1, 1]))
    tilt = (roll + float(rng.normal(0, 12)), float(rng.normal(0, 14)))
    return replace(pose_swimmer(rng), tilt_deg=tilt)


def pose_solid_crawler(rng: np.random.Generator) -> Pose:
    """Draw one that sits on its legs, seen from above or aslant."""
    tilt = (float(rng.normal(0, 28)), float(rng.normal(0, 12)))
    return replace(pose_swimmer(rng), tilt_deg=tilt)


def _pick(rng: np.random.Generator, among: tuple[tuple[float, float, float], ...]) -> F64:
    return np.asarray(vary(rng, among[int(rng.integers(len(among)))], 0.22), np.float64)


def _ball(middle: F64, radius: float, skin: Skin) -> Tube:
    """Give a ball whose line runs towards the eye of the beholder."""
    turn = np.linspace(0.0, np.pi, 14)
    spine = middle + radius * np.column_stack([0 * turn, 0 * turn, -np.cos(turn)])
    out = np.maximum(radius * np.sin(turn), 1e-4)
    return Tube(spine, out, out, skin, up=np.tile((0.0, 1.0, 0.0), (14, 1)))


def _eye_skin(rng: np.random.Generator, iris: float) -> Skin:
    tone = vary(rng, (0.62, 0.56, 0.40), 0.3)

    def skin(at: Spots) -> Tensor:
        ring = ((at.u - 0.5).abs() < iris) * 1.0
        return mixed(colour_of((0.015, 0.015, 0.02), at), tone, ring, at)

    return skin


def _fin(spine: F64, half: F64, colour: F64, rng: np.random.Generator) -> Tube:
    """Give a fin: a blade in the plane of the picture, rayed, mostly clear."""
    rays, field = float(rng.uniform(6, 14)), grain(rng, 4, 6, 2)

    def skin(at: Spots) -> Tensor:
        import torch

        comb = torch.cos(2 * torch.pi * rays * torch.cos(torch.pi * at.v))
        return (colour_of(colour, at) * (1.0 + 0.2 * comb + 0.1 * field(at))[:, None]).clamp(0, 1)

    count = len(spine)
    return Tube(
        spine,
        half,
        np.minimum(0.004, half),
        skin,
        up=np.tile((0.0, 0.0, 1.0), (count, 1)),
        density=float(rng.uniform(30.0, 250.0)),
    )


def _fish_skin(rng: np.random.Generator, base: F64) -> Skin:
    """Give a fish's colours: dark back, pale belly, scales, and a band, bars, spots or nothing."""
    pattern = str(rng.choice(["plain", "band", "bars", "spots"], p=[0.35, 0.25, 0.15, 0.25]))
    bright = ((0.03, 0.03, 0.04), (0.10, 0.50, 0.62), (0.70, 0.12, 0.08))[int(rng.integers(3))]
    dark, belly = base * float(rng.uniform(0.2, 0.5)), np.clip(0.4 * base + 0.5, 0, 1)
    pale = float(rng.uniform(0.0, 0.9))
    fine, coarse = grain(rng, 44, 22), grain(rng, 12, 8, 2)
    bars, scales = float(rng.uniform(3, 8)), float(rng.uniform(0.0, 0.2))

    def skin(at: Spots) -> Tensor:
        import torch

        low = torch.sin(torch.pi * at.v)  # -1 at the back, 1 at the belly
        rgb = colour_of(base, at) * (1.0 + 0.08 * coarse(at))[:, None]
        rgb = mixed(rgb, belly, pale * (1.1 * low + 0.1), at)
        rgb = mixed(rgb, dark, 0.7 * (-1.6 * low - 0.5), at)
        if pattern == "band":
            rgb = mixed(rgb, bright, 0.9 * ridge(low, -0.05, 0.22) * (at.u < 0.9), at)
        elif pattern == "bars":
            rgb = mixed(rgb, dark, 0.8 * (3 * torch.cos(2 * torch.pi * bars * at.u) - 1.5), at)
        elif pattern == "spots":
            rgb = mixed(rgb, dark, 2.5 * fine(at) - 0.8, at)
        mesh = torch.cos(70 * torch.pi * at.u) * torch.cos(40 * torch.pi * at.v)
        return (rgb * (1.0 + scales * mesh)[:, None]).clamp(0.0, 1.0)

    return skin


def paint_solid_fish(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a small fish or fry; it lies with its side to the eye until it is tilted."""
    base, fry = _pick(rng, _FISH), bool(rng.random() < 0.35)
    swing = Pose("side", 0.0, 0.8, (0.4 * pose.bends_rad[0], 0.0, 0.0), pose.phase)
    bent = smooth_line(midline(swing), _POINTS) + np.array([0.09, 0.0])
    # It bends to its sides, so out of the picture's plane.
    spine = np.column_stack([bent[:, 0], 0.0 * _S, bent[:, 1]])
    deep = float(rng.uniform(0.10, 0.15) if fry else rng.uniform(0.17, 0.36))
    shape = (0.22 + 0.85 * np.sin(np.pi * _S**1.25) ** 0.9) * np.clip((1.01 - _S) / 0.05, 0.0, 1)
    half = np.clip(0.5 * deep * np.sqrt(np.clip(shape, 0, None)) * shape**0.5, 0.002, None)
    stout = float(rng.uniform(0.42, 0.72))
    clear = float(rng.uniform(8.0, 25.0)) if fry else OPAQUE
    tubes = [Tube(spine, half, stout * half, _fish_skin(rng, base), density=clear, power=2.2)]
    fin = np.clip(base * 1.1 + 0.1, 0, 1)
    long, tall = float(rng.uniform(0.10, 0.2)), float(rng.uniform(0.5, 1.1)) * deep
    s = np.linspace(0.0, 1.0, 24)
    tail = spine[2] - np.column_stack([long * s, 0 * s, 0 * s])
    tubes.append(_fin(tail, 0.5 * tall * (0.25 + 0.75 * s**0.8), fin, rng))
    for side, place, span in ((-1, 0.52, 0.22), (1, 0.36, 0.16)):
        start = spine[round(place * _POINTS)] + np.array([0.0, side * 0.45 * deep, 0.0])
        ridge_line = start + np.column_stack(
            [-span * s + 0.5 * span, 0.15 * side * deep * s, 0 * s]
        )
        height = 0.4 * deep * np.sin(np.pi * np.clip(s, 0.02, 0.98) ** 0.6)
        tubes.append(_fin(ridge_line, height, fin, rng))
    place = round(0.91 * _POINTS)
    radius = max(0.016, 0.11 * deep)
    for face in (-1.0, 1.0):
        out = face * max(stout * float(half[place]) - 0.6 * radius, 0.0)
        middle = spine[place] + np.array([0.0, -0.06 * deep, out])
        tubes.append(_ball(middle, radius, _eye_skin(rng, 0.36)))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.2, 0.9)),
        view=turned(*pose.tilt_deg),
        shadow=0.3,
        ends=((-0.45, 0.0, 0.0), (0.45, 0.0, 0.0)),
    )


def _plated(
    rng: np.random.Generator, base: F64, plates: float, *, upto: float, banded: float = 0.0
) -> Skin:
    """Give a jointed shell's skin: plates with dark joints, the front smooth; bands on some."""
    field, fine = grain(rng, 16, 8, 2), grain(rng, 60, 20)
    white = float(rng.random() < banded) * float(rng.uniform(0.6, 0.95))
    bands, joints = float(rng.integers(2, 5)), float(rng.uniform(0.2, 0.6))
    freckles = float(rng.uniform(0.0, 0.8))
    saddle = float(rng.uniform(0.0, 0.7)) * (rng.random() < 0.4)

    def skin(at: Spots) -> Tensor:
        import torch

        rgb = colour_of(base, at) * (1.0 + 0.15 * field(at))[:, None]
        rgb = mixed(rgb, base * 0.4, freckles * (1.2 * fine(at) - 0.7), at)
        wide = torch.cos(2 * torch.pi * bands * at.u)
        rgb = mixed(rgb, (0.88, 0.86, 0.82), white * (6 * wide - 2), at)
        rgb = mixed(rgb, base * 0.35, saddle * ridge(at.u, 0.66, 0.07), at)
        edge = torch.remainder(at.u * plates, 1.0)
        dark = joints * ((edge < 0.16) * (at.u < upto))
        return (rgb * (1.0 - dark)[:, None]).clamp(0.0, 1.0)

    return skin


def _legs(
    rng: np.random.Generator, roots: F64, toes: F64, *, thick: float, colour: F64, sag: float = 0.25
) -> Tube:
    """Give legs or feelers from points to points, (N, 3) each, as one bundle."""
    lines = [hair(root, toe, sag=sag) for root, toe in zip(roots, toes, strict=True)]
    half = np.asarray(thick * np.linspace(1.0, 0.35, 10), np.float64)
    return bundle(lines, [half] * len(lines), plain_skin(rng, colour))


def paint_solid_shrimp(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a dwarf shrimp: carapace, humped tail with a fan, legs, very long feelers."""
    base = _pick(rng, _SHRIMP)
    hump = Pose("side", 0.0, 0.88, (0.8 + 0.6 * pose.bends_rad[0], -0.25, 0.0), 0.0)
    line = smooth_line(midline(hump), _POINTS)
    spine = np.column_stack([line, 0.0 * _S])
    plates = 1.0 + 0.05 * np.where(_S < 0.55, np.mod(_S * 11, 1.0), 0.0)
    deep = 0.095 * (0.38 + 0.62 * np.clip(_S / 0.55, 0, 1)) * np.sqrt(np.clip(1.02 - _S**7, 0, 1))
    half = deep * plates * float(rng.uniform(0.85, 1.1))
    clear = OPAQUE if rng.random() < 0.4 else float(rng.uniform(8.0, 40.0))
    skin = _plated(rng, base, 11.0, upto=0.55, banded=0.4)
    tubes = [Tube(spine, half, 0.72 * half, skin, density=clear)]
    pale = np.clip(base * 1.1 + 0.05, 0, 1)
    below = np.array([0.0, 1.0, 0.0])
    places = np.linspace(0.56, 0.92, 10)
    roots = np.repeat(spine[(places * _POINTS).astype(int)], 2, axis=0) + 0.05 * below
    spread = rng.normal(0, 0.06, (20, 3)) + np.tile([[0, 0, 0.06], [0, 0, -0.06]], (10, 1))
    tubes.append(_legs(rng, roots, roots + 0.17 * below + spread, thick=0.006, colour=pale))
    fins = np.repeat(spine[(np.linspace(0.15, 0.5, 5) * _POINTS).astype(int)], 2, axis=0)
    tubes.append(
        _legs(
            rng, fins, fins + 0.12 * below + rng.normal(0, 0.03, (10, 3)), thick=0.011, colour=pale
        )
    )
    nose = spine[-3]
    ahead = spine[-3] - spine[-20]
    ahead = ahead / np.linalg.norm(ahead)
    tips = nose + np.array([0.45, 0.4, 0.35, 0.18])[:, None] * (ahead + rng.normal(0, 0.45, (4, 3)))
    tubes.append(_legs(rng, np.tile(nose, (4, 1)), tips, thick=0.0035, colour=pale, sag=0.4))
    beak = nose + 0.11 * (ahead - 0.25 * below)
    tubes.append(_legs(rng, nose[None], beak[None], thick=0.010, colour=base, sag=0.0))
    tubes += _fan(rng, spine, base)
    for face in (-1.0, 1.0):
        middle = spine[-12] + np.array([0.0, -0.045, face * 0.045])
        tubes.append(_ball(middle, 0.018, plain_skin(rng, (0.02, 0.02, 0.02), uneven=0.0)))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.2, 0.9)),
        view=turned(*pose.tilt_deg),
        shadow=0.6,
        ends=_ends(spine),
    )


def _ends(spine: F64) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    tail, head = spine[0], spine[-1]
    return (
        (float(tail[0]), float(tail[1]), float(tail[2])),
        (float(head[0]), float(head[1]), float(head[2])),
    )


def _fan(rng: np.random.Generator, spine: F64, base: F64) -> list[Tube]:
    """Give the four blades of a tail fan, spread to both sides."""
    back = spine[0] - spine[12]
    back = back / np.linalg.norm(back)
    s = np.linspace(0.0, 1.0, 16)[:, None]
    half = 0.028 * np.sin(np.pi * np.clip(s[:, 0], 0.05, 0.97) ** 0.7)
    blades = []
    for lean in (-0.5, -0.2, 0.2, 0.5):
        line = spine[1] + 0.13 * s * (back + np.array([0.0, 0.15 * lean, lean]))
        blades.append(_fin(np.asarray(line, np.float64), half, base, rng))
    return blades


def paint_solid_isopod(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a water louse: flat plates one behind the other, legs all along, two long feelers."""
    base = _pick(rng, _SHELL)
    line = smooth_line(midline(Pose("flat", 0.0, 0.8, (0.6 * pose.bends_rad[0], 0, 0))), _POINTS)
    shape = np.array([0.45, 0.85, 1.0, 0.98, 0.95, 0.92, 0.88, 0.80, 0.66, 0.40])
    notch = 1.0 - 0.16 * (np.mod(_S * 9.0, 1.0) < 0.14)
    half = 0.5 * float(rng.uniform(0.2, 0.28)) * smooth_values(shape, _POINTS) * notch
    spine = np.column_stack([line, 0.06 + 0.01 * np.sin(np.pi * _S)])
    skin = _plated(rng, base, 9.0, upto=1.0)
    clear = OPAQUE if rng.random() < 0.5 else float(rng.uniform(20.0, 60.0))
    tubes = [Tube(spine, half, 0.32 * half, skin, density=clear, power=2.4)]
    roots, toes = [], []
    for place in np.linspace(0.28, 0.92, 7):
        index = int(place * _POINTS)
        for side in (-1.0, 1.0):
            roots.append(spine[index] + (0, 0.8 * side * half[index], -0.02))
            reach = float(rng.uniform(0.13, 0.2))
            toes.append(
                roots[-1]
                + reach * np.array([1.6 * (place - 0.55), side, -0.4 + rng.normal(0, 0.1)])
            )
    for start, ahead, reach in ((-2, 1.0, 0.32), (-2, 1.0, 0.12), (2, -1.0, 0.14)):
        for side in (-1.0, 1.0):
            roots.append(spine[start] + (0, 0.4 * side * half[start], 0))
            toes.append(roots[-1] + reach * np.array([ahead, side * rng.uniform(0.3, 0.8), 0.1]))
    tubes.append(
        _legs(rng, np.asarray(roots), np.asarray(toes), thick=0.007, colour=base * 0.9, sag=0.3)
    )
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.1, 0.6)),
        view=turned(*pose.tilt_deg),
        shadow=0.8,
        ends=_ends(spine),
    )


def paint_solid_amphipod(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a scud: arched plates, flat from side to side, many legs, two pairs of feelers."""
    base = _pick(rng, _SHELL)
    bow = float(rng.uniform(0.9, 2.6))
    line = smooth_line(midline(Pose("arched", 0.0, 0.85, (bow, 0.0, 0.0))), _POINTS)
    spine = np.column_stack([line, 0.0 * _S])
    shape = np.sqrt(np.clip(np.minimum(_S / 0.5, (1.03 - _S) / 0.14), 0.02, 1))
    half = (
        0.09
        * shape
        * (1.0 - 0.12 * (np.mod(_S * 13.0, 1.0) < 0.15))
        * (1 + 0.03 * bumpy(rng, 6, _POINTS))
    )
    clear = OPAQUE if rng.random() < 0.4 else float(rng.uniform(12.0, 50.0))
    tubes = [Tube(spine, half, 0.6 * half, _plated(rng, base, 13.0, upto=1.0), density=clear)]
    roots, toes = [], []
    for index in range(14, _POINTS - 10, 12):
        along = spine[index + 2] - spine[index - 2]
        along = along / np.linalg.norm(along)
        inward = np.array([-along[1], along[0], 0.0])
        for face in (-1.0, 1.0):
            roots.append(spine[index] + 0.6 * half[index] * inward)
            swing = rng.normal(0, 0.25)
            toes.append(roots[-1] + 0.17 * (inward + swing * along + (0, 0, 0.25 * face)))
    ahead = spine[-1] - spine[-10]
    ahead = ahead / np.linalg.norm(ahead)
    for reach in (0.3, 0.28, 0.2, 0.18):
        roots.append(spine[-3])
        toes.append(roots[-1] + reach * (ahead + rng.normal(0, 0.35, 3)))
    pale = np.clip(base * 1.1, 0, 1)
    tubes.append(_legs(rng, np.asarray(roots), np.asarray(toes), thick=0.008, colour=pale, sag=0.3))
    for face in (-1.0, 1.0):
        middle = spine[-10] + np.array([0.0, 0.0, face * 0.45 * float(half[-10])])
        tubes.append(_ball(middle, 0.016, plain_skin(rng, (0.03, 0.02, 0.02), uneven=0.0)))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.2, 0.8)),
        view=turned(*pose.tilt_deg),
        shadow=0.7,
        ends=_ends(spine),
    )


SOLID_CRUSTACEANS = (
    Kind("amphipod", 0.2, paint_solid_amphipod, pose_solid_swimmer, "swim", (2.0, 20.0), True),
    Kind("isopod", 0.24, paint_solid_isopod, pose_solid_crawler, "creep", (2.0, 15.0), True),
    # The smallest are see-through throughout and stay painted.
    *(
        replace(kind, share=share)
        for kind, share in zip(CRUSTACEANS[:3], (0.2, 0.22, 0.14), strict=True)
    ),
)
SOLID_SHRIMPS_AND_FISH = (
    Kind("shrimp", 0.5, paint_solid_shrimp, pose_solid_swimmer, "swim", (4.0, 40.0), True),
    Kind("fish", 0.5, paint_solid_fish, pose_solid_swimmer, "swim", (4.0, 50.0), True),
)
