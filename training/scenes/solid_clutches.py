"""Egg clutches and limpets in three dimensions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind
from training.scenes.paint import vary
from training.scenes.records import Pose
from training.scenes.skins import bumpy, colour_of, grain, mixed, plain_skin, ridge
from training.scenes.solid import Tube, render, turned
from training.scenes.solid_leeches import egg

if TYPE_CHECKING:
    from torch import Tensor

    from training.scenes.solid import Spots


def pose_solid_still(rng: np.random.Generator) -> Pose:
    """Draw a direction, and a view: from above, aslant, or through the glass that it sits on."""
    name = "on the glass" if rng.random() < 0.3 else "still"
    spread = 6.0 if name == "on the glass" else 26.0
    tilt = (float(np.clip(rng.normal(0, spread), -75, 75)), float(rng.normal(0, 0.5 * spread)))
    heading = float(rng.uniform(0, 360))
    return Pose(name, heading, phase=float(rng.random()), tilt_deg=tilt)


def paint_solid_clutch(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a clutch: clear jelly, flat on the ground, eggs in it, each with its yolk.

    14 to 24 eggs a capsule in ramshorns (three ponds, Canadian Journal of Zoology, abstract).
    """
    count, s = 90, np.linspace(0.0, 1.0, 90)
    b, bow = float(rng.uniform(0.14, 0.38)), float(rng.uniform(-0.3, 0.3))
    deep = b * float(rng.uniform(0.25, 0.6))
    round_off = np.sqrt(np.clip(1.0 - (2 * s - 1) ** 2, 0, 1)) ** 0.8
    half = np.clip(b * round_off * (1 + 0.05 * bumpy(rng, 6, count)), 0.002, None)
    y = bow * ((s - 0.5) ** 2 - 0.1)
    spine = np.column_stack([s - 0.5, y, 0.5 * deep * round_off])
    jelly = np.asarray(vary(rng, (0.80, 0.74, 0.52), 0.2), np.float64)
    clear = float(rng.uniform(0.6, 3.5))
    body = Tube(
        spine,
        half,
        np.minimum(0.5 * deep * round_off + 0.002, half),
        plain_skin(rng, jelly, uneven=0.05),
        up=np.tile((0.0, 0.0, 1.0), (count, 1)),
        density=clear,
    )
    yolks = ((0.92, 0.88, 0.70), (0.50, 0.40, 0.25), (0.24, 0.18, 0.13), (0.86, 0.66, 0.56))
    yolk = np.asarray(vary(rng, yolks[int(rng.integers(len(yolks)))], 0.15), np.float64)
    radius = float(rng.uniform(0.026, 0.05))
    eggs: list[Tube] = []
    for x, across in _packed(rng, b, radius):
        middle = np.array([x, across + bow * (x * x - 0.1), 0.5 * deep])
        eggs.append(egg(rng, middle, radius * float(rng.uniform(0.5, 0.8)), yolk))
    view = turned(*pose.tilt_deg)
    if pose.name == "on the glass":
        view = view @ turned(180.0)
    return render(
        [body],
        inner=eggs,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.4, 1.0)),
        view=view,
        shadow=0.35,
    )


def _packed(rng: np.random.Generator, b: float, radius: float) -> list[tuple[float, float]]:
    """Places for eggs inside the jelly, no two closer than their own width, 24 at most."""
    kept: list[tuple[float, float]] = []
    for x, y in rng.uniform((-0.44, -b), (0.44, b), (160, 2)):
        is_in = (x / 0.44) ** 2 + (y / max(b - radius, 0.02)) ** 2 < 1
        apart = all((x - u) ** 2 + (y - v) ** 2 > (2.0 * radius) ** 2 for u, v in kept)
        if is_in and apart and len(kept) < 24:
            kept.append((float(x), float(y)))
    return kept


def paint_solid_limpet(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Render a freshwater limpet: an oval cap with its tip behind and fine growth rings."""
    count, s = 90, np.linspace(0.0, 1.0, 90)
    b, tall = float(rng.uniform(0.28, 0.40)), float(rng.uniform(0.18, 0.36))
    reach = 1.0 - s ** float(rng.uniform(1.1, 1.7))  # from the rim up to the tip
    rings = 1.0 + float(rng.uniform(0.0, 0.02)) * np.cos(2 * np.pi * float(rng.uniform(7, 16)) * s)
    half = np.clip(b * reach * rings, 0.002, None)
    long = np.clip(0.5 * reach * rings, 0.002, None)
    tip = np.array([float(rng.uniform(-0.3, -0.1)), float(rng.uniform(-0.06, 0.06))])
    rise = tall * s ** float(rng.uniform(0.7, 1.0))
    spine = np.column_stack([tip[None] * s[:, None] ** 1.3, rise])
    tones = ((0.46, 0.39, 0.26), (0.24, 0.20, 0.15), (0.62, 0.56, 0.42))
    base = np.asarray(vary(rng, tones[int(rng.integers(len(tones)))], 0.22), np.float64)
    field, rays = grain(rng, 12, 14, 3), float(rng.uniform(0.0, 0.4))
    flesh = np.asarray(vary(rng, (0.34, 0.30, 0.25), 0.3), np.float64)

    def skin(at: Spots) -> Tensor:
        import torch

        rgb = colour_of(base, at) * (1.0 + 0.2 * field(at))[:, None]
        rgb = mixed(rgb, base * 0.5, rays * torch.cos(40 * torch.pi * at.v), at)
        rgb = mixed(rgb, base * 0.55, 0.5 * ridge(at.u, 0.35, 0.08), at)
        # From below: the sole on the glass, the mantle about it.
        below = flesh * 0.8 + 0.1
        sole = mixed(colour_of(flesh, at), below, (field(at) > 0.2) * 1.0, at)
        return torch.where(at.within[:, None], sole, rgb).clamp(0.0, 1.0)

    cap = Tube(
        spine,
        half,
        long,
        skin,
        # The line runs upwards, so that its back is the front end of the animal.
        up=np.tile((1.0, 0.0, 0.0), (count, 1)),
        is_closed=False,
    )
    view = turned(*pose.tilt_deg)
    tubes = [cap]
    if pose.name == "on the glass":
        view = view @ turned(180.0)
        t = np.linspace(0.0, 1.0, 40)
        foot = np.column_stack([0.76 * (t - 0.5), 0 * t, 0.012 + 0 * t])
        wide = 0.72 * b * np.sqrt(np.clip(1 - (2 * t - 1) ** 2, 0.001, 1))
        tubes.append(Tube(foot, wide, np.minimum(0.01, wide), plain_skin(rng, flesh * 1.3 + 0.05)))
    return render(
        tubes,
        px_per_unit=px_per_unit,
        gloss=float(rng.uniform(0.1, 0.6)),
        view=view,
    )


SOLID_EGGS = (Kind("clutch", 1.0, paint_solid_clutch, pose_solid_still, "stay", (3.0, 15.0), True),)
SOLID_LIMPETS = (
    Kind("limpet", 1.0, paint_solid_limpet, pose_solid_still, "creep", (1.0, 8.0), True),
)
