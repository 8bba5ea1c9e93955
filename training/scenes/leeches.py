"""Leeches: two suckers, rings, a flat wet body that stretches two- to threefold."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from training.scenes.body import Body, Kind, finish
from training.scenes.paint import Sheet, dome, f32, mottle, tinted, vary
from training.scenes.records import Pose
from training.scenes.ribbons import Ribbon, extent_of, midline, ribbon

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64

# Longest over shortest length of one animal: about 2 to 3 (Hirudo, from memory, source to be
# verified); rest is taken as 1, so poses run from 0.6 to 1.6.
STRETCH_RANGE = (0.6, 1.6)

# Width over length at rest. Glossiphonia complanata 30 x 10 mm (British leech key, secondary);
# Alboglossiphonia heteroclita 10 x 3-4 mm and Helobdella stagnalis 10 x 2-4 mm (Zootaxa 5115(1)
# 2022, 47-62). Slender ones (Erpobdella, Barbronia, medicinal leeches): own reading of photographs.
SNAIL_LEECH_WIDTH = (0.2, 0.4)
SLENDER_LEECH_WIDTH = (0.11, 0.2)

_COLOURS: dict[str, tuple[float, float, float]] = {
    "brown": (0.42, 0.29, 0.17),
    "olive": (0.36, 0.35, 0.19),
    "grey": (0.45, 0.44, 0.41),
    "reddish": (0.52, 0.26, 0.19),
    "amber": (0.62, 0.47, 0.26),
    "pale": (0.80, 0.74, 0.58),
    "near black": (0.11, 0.10, 0.09),
    "dark green": (0.16, 0.19, 0.11),
}
_SHARES = np.array([0.19, 0.14, 0.11, 0.10, 0.10, 0.13, 0.14, 0.09])


def pose_leech(rng: np.random.Generator) -> Pose:
    """Draw one of the postures a leech is met in."""
    name = str(
        rng.choice(
            [
                "stretched",
                "resting",
                "contracted",
                "arch",
                "ball",
                "swaying",
                "underside",
                "curled",
            ],
            p=[0.20, 0.20, 0.13, 0.14, 0.06, 0.09, 0.10, 0.08],
        )
    )
    return leech_pose(rng, name)


def leech_pose(rng: np.random.Generator, name: str) -> Pose:
    """Draw a leech in the posture named."""
    heading = float(rng.uniform(0, 360))
    side = float(rng.choice([-1.0, 1.0]))
    low, high, whole, wave = {
        "stretched": (1.2, 1.6, 0.8, 0.25),
        "resting": (0.9, 1.15, 1.1, 0.30),
        "contracted": (0.6, 0.75, 0.5, 0.10),
        "arch": (1.0, 1.45, 0.3, 0.15),
        "ball": (0.6, 0.65, 0.0, 0.0),
        "swaying": (1.1, 1.6, 0.9, 0.75),
        "underside": (0.8, 1.2, 0.7, 0.20),
        "curled": (0.95, 1.3, 0.5, 0.35),
    }[name]
    turn = float(rng.uniform(-whole, whole))
    if name == "arch":  # an omega seen from the side, the suckers beside each other
        turn += side * float(rng.uniform(2.2, 4.2))
    if name == "curled":
        turn += side * float(rng.uniform(3.0, 5.2))
    return Pose(
        name=name,
        heading_deg=heading,
        stretch=float(rng.uniform(low, high)),
        bends_rad=(turn, float(rng.uniform(-wave, wave)), float(rng.uniform(-wave, wave)) * 0.4),
        phase=float(rng.uniform(0, 1)),
    )


def _half_width(rng: np.random.Generator, pose: Pose, width: float) -> F64:
    s = np.linspace(0.0, 1.0, 49)
    # Widest near the hind third, drawn out to the front; the exponents put the peak there.
    rear = rng.uniform(0.42, 0.62)
    front = rear * rng.uniform(1.5, 2.1)
    peak = rear / (rear + front)
    body = (s**rear * (1 - s) ** front) / (peak**rear * (1 - peak) ** front)
    tip = rng.uniform(0.16, 0.30)
    end = rng.uniform(0.25, 0.42)
    neck = np.maximum(body, tip + (end - tip) * np.clip(1 - 3 * s, 0, 1))
    # The same animal keeps its area: it is thin when long and pear-shaped when short.
    half = 0.5 * width * pose.stretch**-1.1 * neck
    if pose.name == "arch":  # seen from the side it is thinner than from above
        half = half * 0.62
    if pose.name == "swaying":
        half = half * 0.8
    # A little swelling of the front sucker.
    half = half + 0.012 * rng.uniform(0.3, 1.6) * np.exp(-(((s - 0.985) / 0.03) ** 2))
    return np.asarray(half, np.float64)


def _rings(body: Ribbon, rng: np.random.Generator, length_px: float) -> F32:
    # About 65 to 70 rings in all (34 segments of 3 in mid-body; from memory); a picture shows the
    # coarser of them, and none below some 2.5 pixels a ring.
    count = rng.uniform(34, 68)
    visible = np.clip((length_px / count - 2.2) / 2.5, 0.0, 1.0)
    depth = rng.uniform(0.08, 0.42) * visible
    groove = 0.5 + 0.5 * np.cos(2 * np.pi * count * (body.s + 0.006 * body.t * body.t))
    return f32(1.0 - depth * groove**2)


def _marks(sheet: Sheet, body: Ribbon, rng: np.random.Generator, base: F64) -> None:
    """Lengthwise lines, papillae on every third ring, blotches: each on some animals."""
    pale = np.clip(base * 1.5 + 0.13, 0, 0.95)
    dark = base * rng.uniform(0.25, 0.6)
    pattern = rng.choice(["plain", "lines", "papillae", "blotches", "broad lines"])
    t = body.t
    if pattern in {"lines", "broad lines"}:  # six lines lengthwise in G. complanata
        width = 0.06 if pattern == "lines" else 0.13
        colour = dark if rng.random() < 0.6 else np.clip(pale * (1.1, 0.95, 0.6), 0, 1)
        lines = np.zeros_like(t)
        for at in (0.18, 0.48, 0.78)[: int(rng.integers(1, 4))]:
            lines = np.maximum(lines, np.exp(-(((np.abs(t) - at) / width) ** 2)))
        broken = 0.6 + 0.4 * np.cos(2 * np.pi * body.s * rng.uniform(12, 24))
        sheet.stain(
            f32(lines * broken * body.cover), tuple(colour), opacity=float(rng.uniform(0.4, 0.95))
        )
    if pattern == "papillae":
        rows = np.cos(2 * np.pi * body.s * rng.uniform(16, 23))
        columns = np.cos(np.pi * t * rng.choice([3.0, 4.0, 5.0]))
        dots = np.clip(rows * columns * 2.2 - 1.0, 0, 1) * (np.abs(t) < 0.95)
        sheet.stain(f32(dots * body.cover), tuple(pale), opacity=float(rng.uniform(0.5, 1.0)))
    if pattern == "blotches":
        patch = np.clip((mottle(rng, sheet.shape, 14) - 0.55) * 6, 0, 1)
        colour = dark if rng.random() < 0.5 else pale
        sheet.stain(f32(patch * body.cover), tuple(colour), opacity=float(rng.uniform(0.3, 0.8)))
    if rng.random() < 0.35:  # a pale rim
        rim = np.clip((np.abs(t) - 0.78) * 6, 0, 1)
        sheet.stain(f32(rim * body.cover), tuple(pale), opacity=float(rng.uniform(0.3, 0.8)))


def _gut(sheet: Sheet, body: Ribbon, rng: np.random.Generator) -> None:
    """In a half-transparent animal the filled gut shows: a dark tree with side pouches."""
    lobes = 0.32 + 0.28 * np.cos(2 * np.pi * body.s * 9)
    inside = np.clip((lobes - np.abs(body.t)) * 5, 0, 1)
    inside *= np.clip((body.s - 0.12) * 8, 0, 1) * np.clip((0.72 - body.s) * 8, 0, 1)
    colour = [(0.25, 0.13, 0.08), (0.40, 0.12, 0.10), (0.2, 0.2, 0.1)][int(rng.integers(3))]
    sheet.stain(f32(inside * body.cover), colour, opacity=float(rng.uniform(0.3, 0.75)))


def _disc(sheet: Sheet, at: F64, radius: float, colour: F64, *, squash: float, turn: float) -> None:
    """Lay a sucker: a flat disc with a paler rim and a dimple in the middle."""
    cover = sheet.ellipse(float(at[0]), float(at[1]), (radius * squash, radius), np.rad2deg(turn))
    rim = np.clip(colour * 1.25 + 0.05, 0, 1)
    sheet.lay(cover, tuple(rim), height=dome(cover, 0.22 * radius * sheet.px_per_unit))
    inner = sheet.ellipse(
        float(at[0]), float(at[1]), (radius * squash * 0.68, radius * 0.68), np.rad2deg(turn)
    )
    sheet.stain(inner, tuple(colour * 0.82), opacity=0.8)


def _paint(rng: np.random.Generator, pose: Pose, px_per_unit: float, width: float) -> Body:
    names = list(_COLOURS)
    colour_name = names[int(rng.choice(len(names), p=_SHARES))]
    base = np.asarray(vary(rng, _COLOURS[colour_name], 0.2))
    opacity = float(rng.uniform(0.5, 0.85)) if colour_name == "pale" else 1.0
    if pose.name == "ball":
        return _paint_ball(rng, px_per_unit, base, width)
    line = midline(pose)
    half = _half_width(rng, pose, width)
    # The discs keep their size; it is the body between them that stretches.
    sucker = 0.5 * width * float(rng.uniform(0.5, 0.8))
    sheet = Sheet(extent_of(line, float(half.max()) + sucker), px_per_unit)
    turn = float(np.arctan2(*(line[1] - line[0])[::-1]))
    back = line[0] - 0.35 * sucker * np.array([np.cos(turn), np.sin(turn)])
    if pose.name != "underside":
        squash = 0.55 if pose.name == "arch" else float(rng.uniform(0.8, 1.0))
        _disc(sheet, back, sucker, base, squash=squash, turn=turn)
    body = ribbon(sheet, line, half)
    thin = opacity if opacity == 1.0 else opacity * (1.1 - 0.35 * body.t**2)
    sheet.lay(
        body.cover,
        tinted(0.86 + 0.28 * mottle(rng, sheet.shape, 30), base),
        opacity=f32(np.clip(thin, 0, 1) + np.zeros_like(body.t)),
        height=body.relief(float(rng.uniform(0.5, 0.95))),
    )
    if opacity < 1.0 or rng.random() < 0.15:
        _gut(sheet, body, rng)
    _marks(sheet, body, rng, base)
    edge = 1.0 - 0.25 * np.clip(np.abs(body.t), 0, 1) ** 4
    shade = _rings(body, rng, pose.stretch * px_per_unit) * edge
    sheet.shade(f32(1.0 + (shade - 1.0) * body.cover))
    if pose.name == "underside":
        _belly(sheet, body, rng, line, half=half, sucker=sucker, base=base)
    elif rng.random() < 0.5 and base.mean() > 0.2:
        _eyes(sheet, line, half, rng)
    return finish(
        sheet,
        gloss=float(rng.uniform(0.35, 1.0)),
        length_units=pose.stretch,
        ends=(_pair(line[0]), _pair(line[-1])),
        line=line,
    )


def _belly(
    sheet: Sheet,
    body: Ribbon,
    rng: np.random.Generator,
    line: F64,
    *,
    half: F64,
    sucker: float,
    base: F64,
) -> None:
    """Turn it over: a paler belly, both discs in view, eggs or young on some."""
    pale = np.clip(base * 1.2 + 0.08, 0, 1)
    sheet.stain(f32(np.exp(-((body.t / 0.5) ** 2))), tuple(pale * 1.05), opacity=0.5)
    for at, ahead, radius, squash in (
        (0, 2, sucker, 0.95),
        (-2, -1, float(half[-3]) * 1.2, 1.2),
    ):
        along = line[ahead] - line[at]
        turn = float(np.arctan2(along[1], along[0]))
        _disc(sheet, line[at], radius, pale, squash=squash, turn=turn)
    if rng.random() < 0.3:
        _young(sheet, body, rng)


def _pair(point: F64) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _eyes(sheet: Sheet, line: F64, half: F64, rng: np.random.Generator) -> None:
    """One pair (Helobdella) or three (Glossiphonia), near the front tip."""
    dots = []
    for index in (-3, -5, -7)[: int(rng.choice([1, 3]))]:
        along = line[index + 1] - line[index - 1]
        across = np.array([-along[1], along[0]]) / np.hypot(*along)
        for side in (-0.35, 0.35):
            x, y = line[index] + side * half[index] * across
            dots.append((float(x), float(y), 0.009, 0.009, 0.0))
    sheet.stain(sheet.ellipses(dots), (0.05, 0.04, 0.04), opacity=0.85)


def _young(sheet: Sheet, body: Ribbon, rng: np.random.Generator) -> None:
    """Eggs or young carried under the rear body: pale dots, 10 to 40."""
    rows, columns = np.nonzero(
        (body.cover > 0.9) & (np.abs(body.t) < 0.65) & (body.s > 0.15) & (body.s < 0.55)
    )
    if len(rows) == 0:
        return
    pick = rng.integers(0, len(rows), int(rng.integers(10, 40)))
    x = (columns[pick] - sheet.origin[0]) / sheet.px_per_unit
    y = (rows[pick] - sheet.origin[1]) / sheet.px_per_unit
    dots = [(float(a), float(b), 0.016, 0.016, 0.0) for a, b in zip(x, y, strict=True)]
    sheet.stain(sheet.ellipses(dots), (0.9, 0.86, 0.74), opacity=0.85)


def _paint_ball(rng: np.random.Generator, px_per_unit: float, base: F64, width: float) -> Body:
    """Paint one rolled up when disturbed: a rounded lump with rings curving over it."""
    a = 0.5 * np.sqrt(width) * rng.uniform(0.62, 0.8)
    b = a * rng.uniform(0.68, 0.95)
    sheet = Sheet((-a * 1.2, -a * 1.2, a * 1.2, a * 1.2), px_per_unit)
    x, y = sheet.grid()
    cover = sheet.ellipse(0.0, 0.0, (a, b))
    rise = np.sqrt(np.clip(1 - (x / a) ** 2 - (y / b) ** 2, 0, 1))
    grain = 0.86 + 0.28 * mottle(rng, sheet.shape, 18)
    sheet.lay(cover, tinted(grain, base), height=f32(rise * b * px_per_unit * 0.9))
    count = rng.uniform(14, 24)
    bow = np.hypot(x + 1.1 * a, y * 0.9) / a
    visible = np.clip((2 * a * px_per_unit / count - 2.2) / 2.5, 0, 1)
    rings = 1 - rng.uniform(0.1, 0.45) * visible * (0.5 + 0.5 * np.cos(np.pi * count * bow)) ** 2
    sheet.shade(f32(rings))
    crease = np.exp(-(((y - 0.25 * b * np.cos(2.2 * x / a)) / (0.07 * b)) ** 2)) * (x > -0.4 * a)
    sheet.stain(f32(crease), tuple(base * 0.45), opacity=0.7)
    return finish(
        sheet,
        gloss=float(rng.uniform(0.35, 1.0)),
        length_units=float(2 * a),
        ends=((-float(a), 0.0), (float(a), 0.0)),
    )


def paint_snail_leech(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a broad flat one (Glossiphonia, Helobdella, Alboglossiphonia in form)."""
    return _paint(rng, pose, px_per_unit, float(rng.uniform(*SNAIL_LEECH_WIDTH)))


def paint_slender_leech(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a long one (Erpobdella, Barbronia, medicinal leeches in form)."""
    return _paint(rng, pose, px_per_unit, float(rng.uniform(*SLENDER_LEECH_WIDTH)))


LEECHES = (
    # 10 to 30 mm adults, about 1 mm hatchlings (Zootaxa 5115(1) 2022, p. 52).
    Kind("snail leech", 0.65, paint_snail_leech, pose_leech, "loop", (1.0, 30.0)),
    Kind("slender leech", 0.35, paint_slender_leech, pose_leech, "loop", (3.0, 60.0)),
)
