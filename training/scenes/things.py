"""What is not an organism: plants and debris, bubbles, glare, marks on the glass."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from training.scenes.body import Body, Kind, finish
from training.scenes.paint import Sheet, dome, f32, mottle, tinted, vary
from training.scenes.records import Pose
from training.scenes.ribbons import extent_of, limb, midline, ribbon

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64

_GREENS: tuple[tuple[float, float, float], ...] = (
    (0.24, 0.42, 0.14),
    (0.36, 0.52, 0.18),
    (0.18, 0.30, 0.12),
    (0.45, 0.45, 0.20),
)
_BROWNS: tuple[tuple[float, float, float], ...] = (
    (0.34, 0.24, 0.14),
    (0.48, 0.36, 0.22),
    (0.22, 0.16, 0.11),
    (0.58, 0.50, 0.36),
    (0.12, 0.10, 0.09),
)


def pose_thing(rng: np.random.Generator) -> Pose:
    """Draw a direction and a bend for a lifeless thing."""
    return Pose(
        name="lying",
        heading_deg=float(rng.uniform(0, 360)),
        stretch=1.0,
        bends_rad=(
            float(rng.uniform(-1.8, 1.8)),
            float(rng.uniform(-0.5, 0.5)),
            float(rng.uniform(-0.25, 0.25)),
        ),
        phase=float(rng.uniform(0, 1)),
    )


def _pick(rng: np.random.Generator, among: tuple[tuple[float, float, float], ...]) -> F64:
    return np.asarray(vary(rng, among[int(rng.integers(len(among)))], 0.25), np.float64)


def _strip(
    sheet: Sheet, rng: np.random.Generator, line: F64, half: F64, *, base: F64, rounded: float
) -> F32:
    body = ribbon(sheet, line, half)
    grain = 0.7 + 0.6 * mottle(rng, sheet.shape, float(rng.uniform(10, 40)))
    sheet.lay(
        body.cover,
        tinted(grain, base),
        opacity=float(rng.uniform(0.8, 1.0)),
        height=body.relief(rounded),
    )
    return body.t


def paint_twig(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a twig: uneven, knotted, broken off, sometimes forked."""
    base = _pick(rng, _BROWNS)
    line = midline(Pose("lying", 0, 1.0, (pose.bends_rad[0] * 0.5, pose.bends_rad[1], 0.1), 0.3))
    width = float(rng.uniform(0.04, 0.16))
    knots = np.interp(np.linspace(0, 1, 49), np.linspace(0, 1, 9), rng.uniform(0.65, 1.25, 9))
    half = 0.5 * width * knots * np.linspace(1.1, 0.7, 49)
    sheet = Sheet(extent_of(line, 0.2), px_per_unit)
    if rng.random() < 0.5:
        at = line[int(rng.integers(15, 38))]
        branch = limb((float(at[0]), float(at[1])), float(rng.choice([-0.9, 0.9])), 0.2)
        sheet.lay(sheet.strokes([branch], width * 0.5), tuple(base * 0.9))
    t = _strip(sheet, rng, line, half, base=base, rounded=0.9)
    cracks = np.clip(np.cos(t * 9 + 5 * mottle(rng, sheet.shape, 12)) * 2 - 1, 0, 1)
    sheet.stain(f32(cracks), tuple(base * 0.5), opacity=0.5)
    return finish(sheet, gloss=float(rng.uniform(0.0, 0.4)))


def paint_stem(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a stem with leaves to both sides."""
    base = _pick(rng, _GREENS)
    line = midline(Pose("lying", 0, 1.0, (pose.bends_rad[0] * 0.4, 0.1, 0.0), pose.phase))
    sheet = Sheet(extent_of(line, 0.3), px_per_unit)
    leaves, long = [], float(rng.uniform(0.09, 0.2))
    for index in range(6, 48, int(rng.integers(4, 8))):
        x, y = line[index]
        for side in (-1.0, 1.0):
            turn = side * float(rng.uniform(35, 70))
            leaves.append(
                (
                    float(x + 0.8 * long * np.cos(np.deg2rad(turn))),
                    float(y + 0.8 * long * np.sin(np.deg2rad(turn))),
                    long,
                    long * float(rng.uniform(0.2, 0.4)),
                    turn,
                )
            )
    cover = sheet.ellipses(leaves)
    grain = 0.75 + 0.5 * mottle(rng, sheet.shape, 20)
    sheet.lay(cover, tinted(grain, base), opacity=0.95, height=dome(cover, 0.03 * px_per_unit))
    _strip(sheet, rng, line, np.full(49, 0.014), base=base * 0.85, rounded=0.9)
    return finish(sheet, gloss=float(rng.uniform(0.0, 0.5)), shadow=0.7)


def paint_leaf(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a leaf or a scrap of one: pointed, with a midrib, green to rotten brown."""
    base = _pick(rng, _GREENS if rng.random() < 0.5 else _BROWNS)
    line = midline(Pose("lying", 0, 1.0, (pose.bends_rad[0] * 0.7, 0.1, 0.0), pose.phase))
    s = np.linspace(0, 1, 49)
    width = float(rng.uniform(0.10, 0.45))
    ragged = 1 + rng.uniform(0, 0.18) * np.interp(s, np.linspace(0, 1, 14), rng.uniform(-1, 1, 14))
    half = 0.5 * width * np.sin(np.pi * s) ** rng.uniform(0.5, 1.1) * ragged + 0.004
    sheet = Sheet(extent_of(line, width * 0.6 + 0.05), px_per_unit)
    body = ribbon(sheet, line, half)
    grain = 0.7 + 0.6 * mottle(rng, sheet.shape, 14)
    sheet.lay(
        body.cover,
        tinted(grain, base),
        opacity=float(rng.uniform(0.75, 1.0)),
        height=body.relief(0.12),
    )
    rib = np.exp(-((body.t / 0.08) ** 2))
    veins = 0.5 * np.clip(np.cos(2 * np.pi * (body.s * 14 - np.abs(body.t) * 1.2)) * 3 - 2, 0, 1)
    sheet.stain(
        f32(np.maximum(rib, veins)),
        tuple(np.clip(base * 1.35, 0, 1)),
        opacity=float(rng.uniform(0.1, 0.8)),
    )
    return finish(sheet, gloss=float(rng.uniform(0.0, 0.5)), shadow=0.8)


def paint_roots(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint one root or a small bundle: pale or brown threads, bent, with side threads."""
    base = _pick(rng, (*_BROWNS, (0.80, 0.76, 0.62), (0.66, 0.70, 0.48)))
    count = int(rng.choice([1, 2, 4]))
    lines = []
    for _ in range(count):
        bends = (
            float(rng.uniform(-2, 2)),
            float(rng.uniform(-0.6, 0.6)),
            float(rng.uniform(-0.3, 0.3)),
        )
        lines.append(
            midline(Pose("lying", 0, float(rng.uniform(0.6, 1.0)), bends, float(rng.uniform(0, 1))))
            + rng.uniform(-0.08, 0.08, 2)
        )
    sheet = Sheet(extent_of(np.vstack(lines), 0.16), px_per_unit)
    hairs = [
        limb(
            (float(p[0]), float(p[1])),
            float(rng.uniform(0, 6.28)),
            float(rng.uniform(0.04, 0.14)),
            float(rng.uniform(-1, 1)),
        )
        for line in lines
        for p in line[4::9]
    ]
    width = float(rng.uniform(0.014, 0.05))
    sheet.lay(sheet.strokes(hairs, width * 0.35), tuple(base), opacity=0.7)
    for line in lines:
        _strip(sheet, rng, line, 0.5 * width * np.linspace(1.2, 0.5, 49), base=base, rounded=0.8)
    return finish(sheet, gloss=float(rng.uniform(0.0, 0.4)), shadow=0.8)


def paint_droppings(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a string of faeces: brown or green beads on a thread, broken here and there."""
    base = _pick(rng, (*_BROWNS, (0.30, 0.34, 0.16)))
    line = midline(pose)
    s = np.linspace(0, 1, 49)
    width = float(rng.uniform(0.035, 0.09))
    beads = 0.75 + 0.25 * np.cos(2 * np.pi * s * rng.uniform(6, 14))
    gaps = np.where(np.interp(s, np.linspace(0, 1, 12), rng.uniform(0, 1, 12)) < 0.14, 0.25, 1.0)
    sheet = Sheet(extent_of(line, width), px_per_unit)
    _strip(sheet, rng, line, 0.5 * width * beads * gaps, base=base, rounded=0.6)
    return finish(sheet, gloss=float(rng.uniform(0.0, 0.25)))


def paint_hose(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a piece of hose, cable or rope: one width from end to end, which no leech has."""
    colours = ((0.08, 0.08, 0.09), (0.15, 0.30, 0.55), (0.75, 0.78, 0.76), (0.30, 0.32, 0.30))
    base = _pick(rng, colours)
    line = midline(
        Pose("lying", 0, 1.0, (pose.bends_rad[0], pose.bends_rad[1] * 0.5, 0.0), pose.phase)
    )
    width = float(rng.uniform(0.05, 0.16))
    sheet = Sheet(extent_of(line, width), px_per_unit)
    body = ribbon(sheet, line, np.full(49, 0.5 * width))
    clear = 1.0 if base.mean() < 0.6 else float(rng.uniform(0.25, 0.7))
    sheet.lay(body.cover, tuple(base), opacity=clear, height=body.relief(1.0))
    if rng.random() < 0.3:  # a twisted rope
        lay = np.cos(2 * np.pi * (body.s * rng.uniform(9, 20) + 0.5 * body.t))
        sheet.shade(f32(0.8 + 0.2 * lay))
    return finish(sheet, gloss=float(rng.uniform(0.3, 1.0)), shadow=0.8)


def paint_duckweed(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint one to four duckweed fronds, each 1.3 to 2 times as long as wide (Flora of N. America)."""
    base = _pick(rng, _GREENS)
    count = int(rng.integers(1, 5))
    ratio = float(rng.uniform(1.3, 2.0))
    sheet = Sheet((-0.62, -0.62, 0.62, 0.62), px_per_unit)
    if rng.random() < 0.5:
        sheet.lay(
            sheet.strokes([limb((0.0, 0.0), float(rng.uniform(0, 6.28)), 0.5, 0.5)], 0.012),
            (0.75, 0.76, 0.62),
            opacity=0.6,
        )
    for index in range(count):
        turn = 360.0 * index / max(count, 1) + float(rng.uniform(-20, 20))
        long = 0.46 if count == 1 else 0.27
        out = 0.0 if count == 1 else long * 0.85
        cover = sheet.ellipse(
            out * np.cos(np.deg2rad(turn)),
            out * np.sin(np.deg2rad(turn)),
            (long, long / ratio),
            turn,
        )
        sheet.lay(
            cover,
            vary(rng, (float(base[0]), float(base[1]), float(base[2])), 0.15),
            height=dome(cover, 0.05 * px_per_unit),
        )
    return finish(sheet, gloss=float(rng.uniform(0.1, 0.8)))


def paint_bubble(rng: np.random.Generator, _pose: Pose, px_per_unit: float) -> Body:
    """Paint one bubble or a few stuck together: dark rim, clear middle, a window of light."""
    count = int(rng.choice([1, 1, 1, 2, 3, 5]))
    sheet = Sheet((-0.62, -0.62, 0.62, 0.62), px_per_unit)
    circles = (
        [(0.0, 0.0, 0.48)]
        if count == 1
        else [
            (float(x), float(y), float(r))
            for x, y, r in zip(
                rng.uniform(-0.3, 0.3, count),
                rng.uniform(-0.3, 0.3, count),
                rng.uniform(0.12, 0.28, count),
                strict=True,
            )
        ]
    )
    flat = float(rng.uniform(0.86, 1.0))
    rim_dark = float(rng.uniform(0.3, 0.95))
    tint = np.asarray(vary(rng, (0.78, 0.84, 0.86), 0.15))
    lamp = float(rng.uniform(0, 2 * np.pi))
    x, y = sheet.grid()
    for cx, cy, r in circles:
        q = np.hypot((x - cx) / r, (y - cy) / (r * flat))
        cover = np.clip((1 - q) * r * px_per_unit + 0.5, 0, 1).astype(np.float32)
        ring = np.clip((q - 0.70) / 0.25, 0, 1) ** 1.5
        inner = np.clip(1 - np.abs(q - 0.72) / 0.1, 0, 1)
        level = (1 - ring)[..., None] * tint + ring[..., None] * np.array((0.10, 0.11, 0.12))
        opacity = 0.10 + rim_dark * ring + 0.25 * inner
        sheet.lay(f32(cover), f32(level), opacity=f32(np.clip(opacity, 0, 1)))
        for far, size, strength in ((0.45, 0.17, 1.0), (-0.55, 0.26, 0.55)):
            hx, hy = cx + far * r * np.cos(lamp), cy + far * r * np.sin(lamp)
            spot = sheet.ellipse(
                float(hx), float(hy), (size * r, size * r * 0.7), np.rad2deg(lamp) + 90
            )
            sheet.lay(f32(spot * (cover > 0)), (1.0, 1.0, 0.97), opacity=strength)
    return finish(sheet, gloss=0.0, is_lit=False, shadow=0.15, length_units=1.0)


def paint_glare(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a reflection of a lamp: spot, strip, curved streak or window, burnt out and soft."""
    form = str(rng.choice(["spot", "strip", "streak", "panes", "ripples"]))
    sheet = Sheet((-0.6, -0.5, 0.6, 0.5), px_per_unit)
    tint = np.asarray(vary(rng, (1.0, 0.98, 0.92), 0.07))
    if form == "spot":
        cover = sheet.ellipse(0, 0, (0.42, float(rng.uniform(0.15, 0.4))))
    elif form == "strip":
        half = float(rng.uniform(0.02, 0.09))
        cover = sheet.polygon(
            np.array([[-0.48, -half], [0.48, -half * 0.8], [0.48, half * 0.8], [-0.48, half]])
        )
    elif form == "streak":
        line = midline(Pose("streak", 0, 0.95, (pose.bends_rad[0], 0.2, 0.0), pose.phase))
        s = np.linspace(0, 1, 49)
        cover = ribbon(
            sheet,
            np.clip(line, -0.55, 0.45),
            0.06 * rng.uniform(0.4, 1.3) * np.sin(np.pi * s) + 0.004,
        ).cover
    elif form == "panes":
        slant = float(rng.uniform(-0.2, 0.2))
        cover = f32(np.zeros(sheet.shape, np.float32))
        for left in (-0.42, 0.03):
            pane = np.array(
                [[left, -0.3], [left + 0.38, -0.3 + slant], [left + 0.38, 0.3 + slant], [left, 0.3]]
            )
            cover = f32(np.maximum(cover, sheet.polygon(pane)))
    else:
        waves = [
            midline(Pose("w", 0, float(rng.uniform(0.4, 0.9)), (0.3, 0.8, 0.0), float(p)))
            + np.array([rng.uniform(-0.1, 0.1), v])
            for p, v in zip(rng.uniform(0, 1, 4), np.linspace(-0.25, 0.25, 4), strict=True)
        ]
        cover = sheet.strokes(
            [np.clip(w, -0.58, 0.48) for w in waves], float(rng.uniform(0.02, 0.06))
        )
    soft = float(rng.uniform(0.004, 0.05)) * px_per_unit
    glow = cv2.GaussianBlur(cover, (0, 0), max(soft, 0.3))
    peak = max(float(glow.max()), 1e-3)
    glow = f32(glow / peak)
    sheet.lay(glow, tuple(tint), opacity=float(rng.uniform(0.6, 1.0)))
    return finish(sheet, gloss=0.0, is_lit=False, shadow=0.0)


_WORDS = ("MAX", "20 cm", "A3", "MIN", "TANK 2", "W 48", "1.5 L", "No 7")


def paint_mark(rng: np.random.Generator, pose: Pose, px_per_unit: float) -> Body:
    """Paint a mark on the pane: scratch, algae spot, smear of silicone, lime, letters."""
    form = str(rng.choice(["scratch", "algae", "smear", "lime", "letters"]))
    sheet = Sheet((-0.6, -0.4, 0.6, 0.4), px_per_unit)
    pale = np.asarray(vary(rng, (0.86, 0.88, 0.86), 0.1))
    if form == "scratch":
        _scratches(sheet, rng, pale if rng.random() < 0.7 else pale * 0.3)
    elif form == "algae":
        _spot(sheet, rng, _pick(rng, (*_GREENS, (0.3, 0.24, 0.12))))
    elif form == "lime":
        _spot(sheet, rng, pale)
    elif form == "smear":
        line = midline(Pose("smear", 0, 1.0, (pose.bends_rad[0] * 0.15, 0.08, 0.0), pose.phase))
        wide = np.interp(np.linspace(0, 1, 49), np.linspace(0, 1, 9), rng.uniform(0.5, 1.2, 9))
        body = ribbon(sheet, line, 0.06 * float(rng.uniform(0.4, 1.4)) * wide)
        colour = pale if rng.random() < 0.6 else np.array((0.08, 0.08, 0.08))
        sheet.lay(body.cover, tuple(colour), opacity=float(rng.uniform(0.4, 0.95)))
    else:
        inks = ((0.05, 0.05, 0.06), (0.7, 0.1, 0.1), (0.1, 0.2, 0.6), (0.9, 0.9, 0.9))
        word = _WORDS[int(rng.integers(len(_WORDS)))]
        ink = _pick(rng, inks)
        sheet.lay(_letters(sheet, word), tuple(ink), opacity=float(rng.uniform(0.6, 1.0)))
    return finish(sheet, gloss=0.0, is_lit=False, shadow=0.0)


def _scratches(sheet: Sheet, rng: np.random.Generator, colour: F64) -> None:
    x = np.linspace(-0.5, 0.5, 8)
    lines = [
        np.column_stack(
            [
                x * float(rng.uniform(0.6, 1)),
                float(rng.uniform(-0.08, 0.08)) + x**2 * float(rng.uniform(-0.2, 0.2)),
            ]
        )
        for _ in range(int(rng.integers(1, 4)))
    ]
    cover = sheet.strokes(lines, float(rng.uniform(0.008, 0.02)))
    sheet.lay(cover, tuple(colour), opacity=float(rng.uniform(0.45, 0.95)))


def _spot(sheet: Sheet, rng: np.random.Generator, colour: F64) -> None:
    """Lay a ragged, patchy spot."""
    ring = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    corners = rng.uniform(0.65, 1.05, 14)
    rough = np.interp(ring, np.linspace(0, 2 * np.pi, 15), [*corners, corners[0]])
    tall = float(rng.uniform(0.2, 0.36))
    outline = np.column_stack([0.48 * np.cos(ring), tall * np.sin(ring)]) * rough[:, None]
    patchy = np.clip(0.35 + 0.8 * mottle(rng, sheet.shape, 12), 0, 1) * rng.uniform(0.5, 0.95)
    sheet.lay(sheet.polygon(outline), tuple(colour), opacity=f32(patchy))


def _letters(sheet: Sheet, word: str) -> F32:
    face = cv2.FONT_HERSHEY_SIMPLEX
    (width, height), _ = cv2.getTextSize(word, face, 1.0, 2)
    scale = 0.95 * sheet.px_per_unit / width
    image = np.zeros(sheet.shape, np.uint8)
    at = (
        round(sheet.origin[0] - 0.5 * width * scale),
        round(sheet.origin[1] + 0.5 * height * scale),
    )
    cv2.putText(image, word, at, face, scale, 255, max(1, round(2.4 * scale)), cv2.LINE_AA)
    return f32(image.astype(np.float32) / np.float32(255))


PLANTS_AND_DEBRIS = (
    Kind("twig", 0.18, paint_twig, pose_thing, "stay", (5.0, 100.0)),
    Kind("stem", 0.14, paint_stem, pose_thing, "stay", (10.0, 100.0)),
    Kind("leaf", 0.20, paint_leaf, pose_thing, "stay", (4.0, 60.0)),
    Kind("roots", 0.14, paint_roots, pose_thing, "stay", (5.0, 80.0)),
    Kind("droppings", 0.14, paint_droppings, pose_thing, "stay", (2.0, 40.0)),
    Kind("hose", 0.12, paint_hose, pose_thing, "stay", (20.0, 150.0)),
    Kind("duckweed", 0.08, paint_duckweed, pose_thing, "stay", (1.0, 8.0)),
)
BUBBLES = (Kind("bubble", 1.0, paint_bubble, pose_thing, "stay", (0.5, 6.0)),)
GLARES = (Kind("glare", 1.0, paint_glare, pose_thing, "stay", (2.0, 80.0)),)
MARKS = (Kind("mark", 1.0, paint_mark, pose_thing, "stay", (2.0, 80.0)),)
