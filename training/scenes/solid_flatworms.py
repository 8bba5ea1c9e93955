"""Flatworms in three dimensions: a thin soft sheet with a waving edge, a head and a branched gut."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind
from training.scenes.flatworms import FLATWORM_WIDTH, pose_flatworm
from training.scenes.paint import vary
from training.scenes.ribbons import midline
from training.scenes.skins import (
    bumpy,
    colour_of,
    grain,
    mixed,
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

_POINTS = 160
_AROUND = np.linspace(-np.pi, np.pi, 41)

# Rarely more than 0.5 mm thick at 12 to 36 mm long, a fourth to a sixth of that broad ("The British
# fresh-water planarians", Essex Field Club): a tenth to a fifth of its breadth.
THICKNESS = (0.10, 0.22)

_COLOURS: tuple[tuple[float, tuple[float, float, float]], ...] = (
    (0.20, (0.86, 0.83, 0.78)),  # milk white (Dendrocoelum)
    (0.24, (0.40, 0.28, 0.17)),  # brown (Girardia, Schmidtea)
    (0.16, (0.46, 0.41, 0.34)),  # grey-brown
    (0.12, (0.36, 0.35, 0.34)),  # grey
    (0.12, (0.11, 0.095, 0.085)),  # near black
    (0.08, (0.62, 0.45, 0.27)),  # amber
    (0.08, (0.76, 0.64, 0.60)),  # flesh
)


@dataclass(frozen=True, slots=True)
class Flatworm:
    """What one individual keeps from pose to pose; `head` is arrow, spade or square."""

    base: F64
    head: str
    width: float
    ears: float
    flatness: float
    waves: float
    ruffle: float
    density: float


def draw_flatworm(rng: np.random.Generator) -> Flatworm:
    """Draw an individual."""
    shares = np.array([share for share, _ in _COLOURS])
    index = int(rng.choice(len(_COLOURS), p=shares))
    return Flatworm(
        base=np.asarray(vary(rng, _COLOURS[index][1], 0.2), np.float64),
        head=str(rng.choice(["arrow", "spade", "square"], p=[0.52, 0.3, 0.18])),
        width=float(rng.uniform(*FLATWORM_WIDTH)),
        ears=float(rng.uniform(0.25, 0.65)),
        flatness=float(rng.uniform(*THICKNESS)),
        waves=float(rng.uniform(2.0, 6.0)),
        ruffle=float(rng.uniform(0.0, 0.30)),
        density=OPAQUE if rng.random() < 0.3 else float(rng.uniform(25.0, 140.0)),
    )


def pose_solid_flatworm(rng: np.random.Generator) -> Pose:
    """Draw a posture and from where it is seen: from above, a little aslant, or through the glass."""
    pose = pose_flatworm(rng)
    if rng.random() < 0.22:
        pose = replace(pose, name="underside")
    elif rng.random() < 0.15:
        pose = replace(pose, name="curled edge")
    tilt = float(np.clip(rng.normal(0, 18), -55, 55))
    return replace(pose, tilt_deg=(tilt, float(rng.normal(0, 7))))


def _half_width(worm: Flatworm, pose: Pose) -> F64:
    s = np.linspace(0.0, 1.0, 101)
    tail = np.clip(s / 0.36, 0, 1) ** 0.75
    trunk = tail * (1.0 - 0.10 * np.cos(np.pi * s))
    at = np.clip((s - 0.84) / 0.16, 0, 1)  # 0 at the neck, 1 at the snout
    if worm.head == "arrow":  # auricles stand out behind the eyes, then a point
        ears = worm.ears * min(1.0, pose.stretch**2) * np.exp(-(((s - 0.90) / 0.022) ** 2))
        front = np.where(s > 0.84, 0.80 * (1 - at**1.6) + 0.06, 1.0) + ears
    elif worm.head == "square":  # Dendrocoelum: cut off, with blunt corners
        front = np.where(s > 0.84, 0.82 + 0.10 * np.sin(np.pi * at) - 0.25 * at**8, 1.0)
    else:  # a rounded spade
        front = np.where(s > 0.84, np.sqrt(np.clip(1 - (at * 0.98) ** 2.6, 0, 1)), 1.0)
        front = front - 0.10 * np.exp(-(((s - 0.83) / 0.03) ** 2))
    close = np.sqrt(np.clip((1.002 - s) / 0.02, 0, 1))
    half = 0.5 * worm.width * pose.stretch**-0.9 * trunk * np.maximum(front, 0.03) * close
    return np.clip(smooth_values(half, _POINTS), 5e-4, None)


def _waving(rng: np.random.Generator, worm: Flatworm, pose: Pose, half: F64) -> F64:
    """Give the offset of every corner: nothing along the middle, waves and curls at the edge."""
    s = np.linspace(0.0, 1.0, _POINTS)[:, None]
    side = np.sin(_AROUND)[None]
    edge = np.abs(side) ** 4
    phase = rng.uniform(0, 2 * np.pi, 2)
    lag = np.where(side < 0, phase[0], phase[1])
    wave = worm.ruffle * np.sin(2 * np.pi * worm.waves * s + lag) * edge
    if pose.name == "curled edge":
        where = np.exp(-(((s - rng.uniform(0.25, 0.75)) / rng.uniform(0.1, 0.25)) ** 2))
        which = side * float(rng.choice([-1.0, 1.0]))
        wave = wave + float(rng.uniform(0.6, 1.2)) * where * np.clip(which, 0, 1) ** 3
    raised = 0.0
    if worm.head == "arrow" and pose.name != "underside":  # auricles are held up
        raised = (
            0.25
            * worm.ears
            * pose.stretch
            * np.exp(-(((s - 0.90) / 0.025) ** 2))
            * np.abs(side) ** 2
        )
    if pose.name == "underside":  # pressed to the pane
        wave = 0.3 * wave
    return np.asarray(half[:, None] * (wave + raised), np.float64)


def _gut_at(u: Tensor, side: Tensor, *, twigs: float) -> Tensor:
    """One branch forward, two backward, with side twigs: what makes a triclad a triclad."""
    import torch

    forward = torch.exp(-((side / 0.20) ** 2)) * ((u - 0.42) * 14).clamp(0, 1)
    backward = torch.exp(-(((side - 0.36) / 0.17) ** 2)) * ((0.46 - u) * 14).clamp(0, 1)
    slant = torch.cos(2 * torch.pi * twigs * (u + 0.03 * side))
    fine = (0.5 + 0.5 * slant) * (1.2 - 1.3 * side).clamp(0, 1)
    tree = torch.maximum(torch.maximum(forward, backward), 0.7 * fine)
    return tree * ((0.90 - u) * 12).clamp(0, 1) * (u * 14).clamp(0, 1)


def _skin(rng: np.random.Generator, worm: Flatworm) -> Skin:
    base = worm.base
    gut = base * float(rng.uniform(0.3, 0.7))
    if base.mean() > 0.6 and rng.random() < 0.7:  # what a white one has eaten shows
        gut = np.asarray(vary(rng, ((0.42, 0.24, 0.18), (0.35, 0.30, 0.20))[int(rng.integers(2))]))
    shows, twigs = float(rng.uniform(0.0, 0.75)), float(rng.uniform(16, 30))
    pharynx = float(rng.uniform(0.0, 0.7))
    freckles = float(rng.uniform(0.1, 0.6)) * (rng.random() < 0.3)
    rim, line = float(rng.uniform(0.1, 0.7)), float(rng.uniform(0.2, 0.6)) * (rng.random() < 0.3)
    fine, coarse = grain(rng, 60, 24, 2), grain(rng, 8, 4, 2)
    pale = np.clip(base * 1.25 + 0.10, 0, 1)
    patch, pale_eyes = 0.55 * base + 0.35, float(rng.uniform(0.1, 0.8))
    apart = float(rng.uniform(0.13, 0.2))
    eyes = [(0.905, -apart), (0.905, apart)]
    pupils = [(0.908, -apart * 0.82), (0.908, apart * 0.82)]

    def skin(at: Spots) -> Tensor:
        import torch

        v = at.v.abs()
        # -1 to 1 across, whichever face is seen: it is thin, and marks go through it.
        side = torch.sin(torch.pi * v)
        rgb = colour_of(base, at) * (1.0 + 0.05 * fine(at) + 0.07 * coarse(at))[:, None]
        rgb = mixed(rgb, gut, shows * _gut_at(at.u, side, twigs=twigs), at)
        spindle = ridge(at.u, 0.42, 0.05) * ridge(side, 0.0, 0.24)
        rgb = mixed(rgb, pale, pharynx * spindle, at)
        rgb = mixed(rgb, base * 0.5, freckles * (1.6 * fine(at) - 0.8), at)
        rgb = mixed(rgb, pale, line * ridge(side, 0.0, 0.12), at)
        rgb = mixed(rgb, pale, rim * ((side - 0.82) * 6).clamp(0, 1), at)
        rgb = mixed(rgb, base * 0.9, 0.4 * (v > 0.5), at)
        above = (v < 0.5) * 1.0
        rgb = mixed(rgb, patch, pale_eyes * above * spots_at(at, eyes, (0.015, 0.06)), at)
        rgb = mixed(rgb, (0.03, 0.03, 0.04), above * spots_at(at, pupils, (0.009, 0.034)), at)
        return rgb.clamp(0.0, 1.0)

    return skin


def paint_solid_flatworm(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a planarian."""
    worm = draw_flatworm(rng)
    half = _half_width(worm, pose) * (1.0 + 0.02 * bumpy(rng, 12, _POINTS))
    thick = np.clip(half * worm.flatness * pose.stretch**-0.9, 0.0025, None)
    line = smooth_line(midline(pose), _POINTS)
    spine = np.column_stack([line, thick.max() + 0.0 * thick])
    body = Tube(
        spine,
        half,
        thick,
        _skin(rng, worm),
        up=np.tile((0.0, 0.0, 1.0), (_POINTS, 1)),
        lift=_waving(rng, worm, pose, half),
        density=worm.density,
    )
    view = turned(*pose.tilt_deg)
    if pose.name == "underside":
        view = view @ turned(180.0)
    tail, head = line[0], line[-1]
    return render(
        [body],
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.0, 0.35)),
        view=view,
        length_units=pose.stretch,
        shadow=0.6,
        ends=(
            (float(tail[0]), float(tail[1]), float(thick.max())),
            (float(head[0]), float(head[1]), float(thick.max())),
        ),
        line=spine,
    )


SOLID_FLATWORMS = (
    Kind("planarian", 1.0, paint_solid_flatworm, pose_solid_flatworm, "glide", (1.5, 36.0), True),
)
