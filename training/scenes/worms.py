"""Thin worms, hydra, and midge and mosquito larvae."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind, finish
from training.scenes.paint import Sheet, dome, f32, mottle, vary
from training.scenes.records import Pose
from training.scenes.ribbons import extent_of, limb, midline, ribbon

if TYPE_CHECKING:
    from pestvision.arrays import F64

# Own reading of photographs; Lumbriculus is 40-90 mm long (Timm) and about 1.5 mm thick.
THIN_WORM_WIDTH = (0.012, 0.045)

# Hydra vulgaris 10-30 mm x about 1 mm (secondary): the column a tenth to a fifth of its length.
HYDRA_WIDTH = (0.07, 0.16)


def pose_worm(rng: np.random.Generator) -> Pose:
    """Draw a worm's posture: whole-body waves, a loose curl, or nearly straight."""
    name = str(rng.choice(["waves", "curled", "straight"], p=[0.55, 0.3, 0.15]))
    whole, wave = {"waves": (1.2, 1.4), "curled": (5.5, 0.8), "straight": (0.5, 0.25)}[name]
    return Pose(
        name=name,
        heading_deg=float(rng.uniform(0, 360)),
        stretch=float(rng.uniform(0.85, 1.15)),
        bends_rad=(
            float(rng.uniform(-whole, whole)),
            float(rng.choice([-1, 1]) * rng.uniform(0.3, 1.0) * wave),
            float(rng.uniform(-wave, wave) * 0.5),
        ),
        phase=float(rng.uniform(0, 1)),
    )


def paint_thin_worm(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a long thin worm: naidid, blackworm or nematode in form."""
    colours = (
        (0.55, 0.22, 0.16),
        (0.78, 0.70, 0.60),
        (0.40, 0.26, 0.18),
        (0.85, 0.84, 0.8),
        (0.25, 0.16, 0.13),
    )
    base = np.asarray(vary(rng, colours[int(rng.integers(len(colours)))], 0.2))
    width = float(rng.uniform(*THIN_WORM_WIDTH))
    cycles = float(rng.uniform(0.8, 1.8))
    line = midline(pose, cycles=cycles)
    s = np.linspace(0, 1, len(line))
    half = 0.5 * width * np.clip(np.minimum(s, 1 - s) / 0.05 + 0.35, 0, 1)
    sheet = Sheet(extent_of(line, width + 0.06), px_per_unit)
    opacity = float(rng.uniform(0.6, 1.0))
    if rng.random() < 0.25:  # bristles of a naidid
        step = 3
        bristles = [
            limb((float(px), float(py)), float(rng.uniform(0, 6.28)), 0.045)
            for px, py in line[2:-2:step]
        ]
        sheet.lay(sheet.strokes(bristles, 0.004), tuple(base), opacity=0.4)
        sheet.cover[:] = 0  # hairs are not counted as body
    body = ribbon(sheet, line, half)
    sheet.lay(body.cover, tuple(base), opacity=opacity, height=body.relief(0.9))
    count = rng.uniform(30, 90)
    visible = np.clip((pose.stretch * px_per_unit / count - 2.2) / 2.5, 0, 1)
    rings = 1 - rng.uniform(0.0, 0.25) * visible * (0.5 + 0.5 * np.cos(2 * np.pi * count * body.s))
    sheet.shade(f32(rings))
    vessel = np.exp(-((body.t / 0.3) ** 2)) * rng.uniform(0, 0.8)
    sheet.stain(f32(vessel), tuple(base * (0.8, 0.4, 0.4)), opacity=0.6)
    return finish(
        sheet,
        gloss=float(rng.uniform(0.1, 0.7)),
        length_units=pose.stretch,
        ends=_ends(line),
        shadow=0.7,
        line=line,
    )


def _ends(line: F64) -> tuple[tuple[float, float], tuple[float, float]]:
    return (float(line[0, 0]), float(line[0, 1])), (float(line[-1, 0]), float(line[-1, 1]))


def pose_hydra(rng: np.random.Generator) -> Pose:
    """Draw a hydra held out into the water, or drawn together to a knob."""
    short = rng.random() < 0.15
    return Pose(
        name="contracted" if short else "extended",
        heading_deg=float(rng.uniform(0, 360)),
        stretch=float(rng.uniform(0.35, 0.5) if short else rng.uniform(0.8, 1.2)),
        bends_rad=(float(rng.uniform(-1.4, 1.4)), float(rng.uniform(-0.4, 0.4)), 0.0),
        phase=float(rng.uniform(0, 1)),
    )


def paint_hydra(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a column on a basal disc with a crown of long thin tentacles."""
    colours = ((0.45, 0.55, 0.25), (0.62, 0.45, 0.28), (0.82, 0.76, 0.66), (0.55, 0.35, 0.25))
    base = np.asarray(vary(rng, colours[int(rng.integers(len(colours)))], 0.2))
    column = Pose(pose.name, 0.0, 0.5 * pose.stretch, pose.bends_rad, pose.phase)
    line = midline(column)
    line = line - np.array([0.22, 0.0])
    rest = 0.55 * float(rng.uniform(*HYDRA_WIDTH))
    width = rest * pose.stretch**-0.7
    s = np.linspace(0, 1, len(line))
    half = 0.5 * width * (0.75 + 0.35 * s + 0.5 * np.exp(-((s / 0.06) ** 2)))
    count = int(rng.integers(5, 9))
    long = rng.uniform(0.35, 0.75) * min(pose.stretch, 1.0)
    mouth = (float(line[-1, 0]), float(line[-1, 1]))
    facing = float(np.arctan2(*(line[-1] - line[-3])[::-1]))
    arms = [
        limb(
            mouth,
            facing + float(angle),
            float(long * rng.uniform(0.6, 1.15)),
            float(rng.uniform(-1.6, 1.6)),
        )
        for angle in np.linspace(-1.9, 1.9, count) + rng.uniform(-0.2, 0.2, count)
    ]
    points = np.vstack([line, *arms])
    sheet = Sheet(extent_of(np.asarray(points, np.float64), width), px_per_unit)
    opacity = float(rng.uniform(0.6, 0.95))
    for share, thick in ((0.45, 0.30), (1.0, 0.18)):  # arms taper
        upto = max(2, int(8 * share))
        cover = sheet.strokes([arm[:upto] for arm in arms], max(thick * rest, 0.006))
        sheet.lay(cover, tuple(base), opacity=opacity * 0.9, height=f32(cover * 0.1 * width))
    body = ribbon(sheet, line, half)
    sheet.lay(body.cover, tuple(base), opacity=opacity, height=body.relief(0.9))
    sheet.stain(
        f32(np.exp(-((body.t / 0.45) ** 2))),
        tuple(base * 0.7),
        opacity=float(rng.uniform(0.1, 0.6)),
    )
    if rng.random() < 0.35:  # a bud
        at = line[int(len(line) * 0.45)]
        bud = sheet.ellipse(float(at[0]), float(at[1] + width * 0.8), (width * 0.4, width * 0.7))
        sheet.lay(bud, tuple(base), opacity=opacity, height=dome(bud, 0.3 * width * px_per_unit))
    return finish(
        sheet,
        gloss=float(rng.uniform(0.0, 0.4)),
        length_units=pose.stretch,
        ends=(_ends(line)[0], mouth),
        shadow=0.4,
    )


def pose_larva(rng: np.random.Generator) -> Pose:
    """Draw a larva straight, in a C, in an S."""
    name = str(rng.choice(["straight", "c", "s"], p=[0.3, 0.4, 0.3]))
    whole, wave = {"straight": (0.4, 0.15), "c": (3.6, 0.3), "s": (0.8, 1.1)}[name]
    return Pose(
        name=name,
        heading_deg=float(rng.uniform(0, 360)),
        bends_rad=(float(rng.uniform(-whole, whole)), float(rng.uniform(-wave, wave)), 0.0),
        phase=float(rng.uniform(0, 1)),
    )


def _segmented(
    sheet: Sheet, rng: np.random.Generator, line: F64, half: F64, *, base: F64, count: int
) -> None:
    body = ribbon(sheet, line, half)
    sheet.lay(
        body.cover, tuple(base), opacity=float(rng.uniform(0.65, 1.0)), height=body.relief(0.85)
    )
    joints = np.clip(np.cos(2 * np.pi * count * body.s) * 3 - 2, 0, 1)
    sheet.stain(f32(joints), tuple(base * 0.55), opacity=0.6)
    gut = np.exp(-((body.t / 0.35) ** 2)) * (0.6 + 0.4 * mottle(rng, sheet.shape, 12))
    sheet.stain(f32(gut), tuple(base * 0.45), opacity=float(rng.uniform(0.1, 0.7)))


def paint_midge_larva(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a bloodworm: an even tube of a dozen segments, a dark head, stubby false legs."""
    colours = ((0.62, 0.10, 0.08), (0.72, 0.22, 0.14), (0.70, 0.64, 0.42), (0.55, 0.55, 0.35))
    base = np.asarray(vary(rng, colours[int(rng.integers(len(colours)))], 0.2))
    line = midline(pose)
    width = float(rng.uniform(0.06, 0.10))
    s = np.linspace(0, 1, len(line))
    half = 0.5 * width * (0.85 + 0.2 * s + 0.05 * np.cos(24 * np.pi * s))
    sheet = Sheet(extent_of(line, 0.12), px_per_unit)
    legs = []
    for index, out in ((1, np.pi), (-5, 0.6)):
        along = line[index + 1] - line[index - 1]
        angle = float(np.arctan2(along[1], along[0]))
        legs += [
            limb((float(line[index, 0]), float(line[index, 1])), angle + out * side, 0.075)
            for side in (0.85, 1.1)
        ]
    sheet.lay(sheet.strokes(legs, width * 0.3), tuple(base), opacity=0.85)
    _segmented(sheet, rng, line, half, base=base, count=12)
    head = np.asarray(vary(rng, (0.25, 0.13, 0.07)))
    along = line[-1] - line[-3]
    turn = float(np.rad2deg(np.arctan2(along[1], along[0])))
    cover = sheet.ellipse(
        float(line[-1, 0]), float(line[-1, 1]), (width * 0.55, width * 0.45), turn
    )
    sheet.lay(cover, tuple(head), height=dome(cover, 0.45 * width * px_per_unit))
    return finish(sheet, gloss=float(rng.uniform(0.1, 0.7)), ends=_ends(line), line=line)


def paint_mosquito_larva(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a wriggler: broad thorax, round head, bristles, a breathing tube at the tail."""
    colours = ((0.40, 0.34, 0.24), (0.25, 0.22, 0.18), (0.60, 0.55, 0.42))
    base = np.asarray(vary(rng, colours[int(rng.integers(len(colours)))], 0.2))
    line = midline(pose)
    s = np.linspace(0, 1, len(line))
    width = float(rng.uniform(0.09, 0.13))
    thorax = rng.uniform(0.7, 1.2) * np.exp(-(((s - 0.84) / 0.07) ** 2))
    half = 0.5 * width * (0.7 + thorax + 0.08 * np.cos(18 * np.pi * s))
    sheet = Sheet(extent_of(line, 0.22), px_per_unit)
    hairs = []
    for index in range(3, len(line) - 2, 4):
        along = line[index + 1] - line[index - 1]
        angle = float(np.arctan2(along[1], along[0]))
        hairs += [
            limb(
                (float(line[index, 0]), float(line[index, 1])),
                angle + side * 1.5,
                float(half[index] + rng.uniform(0.02, 0.09)),
            )
            for side in (-1, 1)
        ]
    sheet.lay(sheet.strokes(hairs, 0.005), tuple(base), opacity=0.5)
    sheet.cover[:] = 0  # hairs are not counted as body
    back = float(np.arctan2(*(line[0] - line[1])[::-1]))
    tail = (float(line[1, 0]), float(line[1, 1]))
    sheet.lay(sheet.strokes([limb(tail, back + 0.5, 0.17)], width * 0.38), tuple(base * 0.6))
    sheet.lay(sheet.strokes([limb(tail, back - 0.4, 0.12)], width * 0.2), tuple(base), opacity=0.7)
    _segmented(sheet, rng, line, half, base=base, count=9)
    head = sheet.ellipse(float(line[-1, 0]), float(line[-1, 1]), (width * 0.62, width * 0.66))
    sheet.lay(head, tuple(base * 0.75), height=dome(head, 0.5 * width * px_per_unit))
    return finish(sheet, gloss=float(rng.uniform(0.1, 0.6)), ends=_ends(line), line=line)


THIN_WORMS = (
    # Stylaria 5.5-18, Nais 2.2-12, Tubifex 10-100, Lumbriculus 40-90 mm (Timm); free-living
    # nematodes 0.5-1.5 mm (secondary).
    Kind("thin worm", 1.0, paint_thin_worm, pose_worm, "wriggle", (1.0, 90.0)),
)
HYDRAS = (Kind("hydra", 1.0, paint_hydra, pose_hydra, "stay", (2.5, 30.0)),)
LARVAE = (
    Kind("midge larva", 0.5, paint_midge_larva, pose_larva, "wriggle", (2.0, 20.0)),
    Kind("mosquito larva", 0.5, paint_mosquito_larva, pose_larva, "swim", (1.5, 10.0)),
)
