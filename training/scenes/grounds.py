"""What lies behind and around an animal: gravel, plants, open water, a dish, glass with growth.

A ground is what things look like in even white light; how they are lit comes after (see
`Weather`), so that an animal in the dark of a tank is as dark as what it sits on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from training.scenes.paint import f32, soften, spread, tinted, vary

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.arrays import F32
    from training.scenes.paint import Colour

Size = tuple[int, int]

# Fields smoother than this many pixels a cell are made small and enlarged.
_COARSE_PX = 4


def clouds(rng: np.random.Generator, size: Size, cells: float, octaves: int = 3) -> F32:
    """Draw a smooth random field, mean about 0, spread about 1: `cells` cells a longer side, and finer."""
    longer = max(size)
    small = (max(8, size[0] // _COARSE_PX), max(8, size[1] // _COARSE_PX))
    total = np.zeros(small, np.float32)
    for octave in range(octaves):
        count = cells * 2**octave
        shape = (
            max(2, round(count * size[0] / longer) + 2),
            max(2, round(count * size[1] / longer) + 2),
        )
        seeds = rng.standard_normal(shape, dtype=np.float32) * np.float32(0.6**octave)
        total += cv2.resize(seeds, (small[1], small[0]), interpolation=cv2.INTER_CUBIC)
    return f32(cv2.resize(total, (size[1], size[0]), interpolation=cv2.INTER_LINEAR))


def _coloured(field: F32, dark: Colour, pale: Colour) -> F32:
    mix = f32(np.clip(np.float32(0.5) + np.float32(0.3) * field, 0, 1))
    return f32(tinted(mix, pale) + tinted(f32(1 - mix), dark))


def water(rng: np.random.Generator, size: Size) -> F32:
    """Draw open water before something far out of focus."""
    colours = (
        ((0.03, 0.05, 0.06), (0.16, 0.24, 0.26)),
        ((0.05, 0.10, 0.04), (0.30, 0.42, 0.18)),
        ((0.30, 0.36, 0.36), (0.62, 0.68, 0.66)),
        ((0.10, 0.08, 0.05), (0.42, 0.34, 0.24)),
        ((0.02, 0.06, 0.14), (0.15, 0.35, 0.52)),
    )
    dark, pale = colours[int(rng.integers(len(colours)))]
    return _coloured(
        clouds(rng, size, float(rng.uniform(1.0, 4.0)), 2), vary(rng, dark), vary(rng, pale)
    )


def gravel(rng: np.random.Generator, size: Size) -> F32:
    """Lay rounded stones side by side: the cells of random points, dark between them."""
    across = float(rng.uniform(7, 40))  # stones along the longer side of a crop-sized view
    longer, shorter = max(size), min(size)
    across = across * max(1.0, longer / 450)
    half = (size[0] // 2 + 1, size[1] // 2 + 1)
    count = int(np.clip(across**2 * shorter / longer, 40, 9000))
    points = np.full(half, 255, np.uint8)
    rows, columns = rng.integers(0, half[0], count), rng.integers(0, half[1], count)
    points[rows, columns] = 0
    distance, labels = cv2.distanceTransformWithLabels(
        points, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    palettes = (
        ((0.62, 0.52, 0.40), (0.40, 0.33, 0.25), (0.75, 0.70, 0.62)),
        ((0.20, 0.19, 0.18), (0.12, 0.11, 0.11), (0.34, 0.32, 0.30)),
        ((0.80, 0.78, 0.74), (0.66, 0.64, 0.62), (0.90, 0.88, 0.85)),
        ((0.36, 0.26, 0.18), (0.24, 0.17, 0.12), (0.48, 0.36, 0.26)),
    )
    palette = np.asarray(palettes[int(rng.integers(len(palettes)))], np.float32)
    stones = palette[rng.integers(0, len(palette), labels.max() + 1)]
    stones = stones * rng.uniform(0.75, 1.2, (len(stones), 1)).astype(np.float32)
    spacing = longer / across / 2
    gap = np.clip(1.25 - distance / spacing, 0.25, 1.0)
    tilt = np.cos(np.arange(len(stones)) * 2.4).astype(np.float32)
    relief = gap * (1.0 + 0.12 * tilt[labels])
    picture = stones[labels] * relief[..., None].astype(np.float32)
    full = cv2.resize(picture, (size[1], size[0]), interpolation=cv2.INTER_LINEAR)
    return f32(full)


def planted(rng: np.random.Generator, size: Size) -> F32:
    """Draw leaves and stems in layers, the far ones blurred."""
    picture = _coloured(clouds(rng, size, 3.0, 2), (0.03, 0.06, 0.03), (0.16, 0.24, 0.10))
    longer = max(size)
    for layer in range(3):
        tone = np.asarray(vary(rng, (0.25, 0.42, 0.14), 0.3)) * (0.35 + 0.32 * layer)
        cover = _leaves(rng, size, int(rng.integers(5, 16)), longer)
        soft = (2 - layer) * longer / 220 * float(rng.uniform(0.3, 1.5))
        if soft > 0.4:
            cover = soften(cover, soft)
        picture *= spread(f32(1 - cover))
        picture += tinted(f32(cover * (1 + 0.2 * np.clip(clouds(rng, size, 9.0, 1), -1, 1))), tone)
    return f32(picture)


_LEAF_S = np.linspace(-1, 1, 9)


def _leaves(rng: np.random.Generator, size: Size, count: int, longer: int) -> F32:
    """Cover of `count` bent leaves anywhere, some fainter than others."""
    canvas = np.zeros(size, np.uint8)
    place = rng.uniform((0, 0), (size[1], size[0]), (count, 2))[:, None, :]
    long = (longer * rng.uniform(0.06, 0.35, count))[:, None, None]
    wide = (longer * rng.uniform(0.006, 0.05, count))[:, None, None]
    turn = rng.uniform(0, np.pi, (count, 1)) + rng.uniform(-0.8, 0.8, (count, 1)) * _LEAF_S
    toward = np.stack([np.cos(turn), np.sin(turn)], axis=2)
    spine = place + long * _LEAF_S[None, :, None] * toward
    side = toward[..., ::-1] * np.array([-1.0, 1.0])
    side = side * (wide * (1 - _LEAF_S**2)[None, :, None] + 0.5)
    outlines = np.concatenate([spine + side, (spine - side)[:, ::-1]], axis=1)
    levels = rng.integers(120, 256, count).tolist()
    for outline, level in zip(np.round(outlines * 16).astype(np.int32), levels, strict=True):
        cv2.fillPoly(canvas, [outline], level, cv2.LINE_AA, 4)
    return f32(canvas / np.float32(255))


def dish(rng: np.random.Generator, size: Size) -> F32:
    """Draw a white tray or dish, sometimes with its rim or a fold in view."""
    tone = vary(rng, (0.82, 0.83, 0.81), 0.2)
    picture = _coloured(clouds(rng, size, 1.2, 1), [0.86 * v for v in tone], tone)
    if rng.random() < 0.5:
        longer = max(size)
        centre = (int(rng.uniform(-0.5, 1.5) * size[1]), int(rng.uniform(-0.5, 1.5) * size[0]))
        radius = int(longer * rng.uniform(0.5, 1.2))
        ring = np.zeros(size, np.uint8)
        cv2.circle(
            ring, centre, radius, 255, max(2, int(longer * rng.uniform(0.01, 0.06))), cv2.LINE_AA
        )
        soft = soften(f32(ring / np.float32(255)), longer / 120)
        picture *= (1 - float(rng.uniform(0.1, 0.5)) * soft)[..., None]
    return f32(picture)


def plain(rng: np.random.Generator, size: Size) -> F32:
    """Draw one colour: a coloured tray, a glove, a hand, black behind a lens, a sheet of card."""
    colours = (
        (0.02, 0.02, 0.02),
        (0.78, 0.58, 0.46),
        (0.86, 0.70, 0.58),
        (0.50, 0.35, 0.26),
        (0.15, 0.35, 0.62),
        (0.12, 0.42, 0.36),
        (0.45, 0.50, 0.48),
        (0.62, 0.05, 0.42),
        (0.90, 0.88, 0.84),
        (0.30, 0.36, 0.34),
        (0.08, 0.09, 0.14),
    )
    tone = vary(rng, colours[int(rng.integers(len(colours)))], 0.15)
    depth = float(rng.uniform(0.85, 1.0))
    return _coloured(
        clouds(rng, size, float(rng.uniform(1.0, 12.0)), 2), [depth * v for v in tone], tone
    )


def wood(rng: np.random.Generator, size: Size) -> F32:
    """Draw bogwood, slate or bark: streaks one way."""
    longer = max(size)
    stretch = float(rng.uniform(5, 14))
    cells = float(rng.uniform(8, 20))
    tall = clouds(rng, (max(8, int(longer / stretch)), longer), cells, 2)
    streaks = cv2.resize(tall, (longer, longer), interpolation=cv2.INTER_LINEAR)
    turn = cv2.getRotationMatrix2D((longer / 2, longer / 2), float(rng.uniform(0, 360)), 1.5)
    turned = cv2.warpAffine(
        f32(streaks).T.copy(), turn, (size[1], size[0]), borderMode=cv2.BORDER_REFLECT
    )
    dark = vary(rng, ((0.16, 0.11, 0.07), (0.14, 0.14, 0.15))[int(rng.integers(2))], 0.3)
    pale = vary(rng, ((0.45, 0.34, 0.22), (0.42, 0.42, 0.44))[int(rng.integers(2))], 0.3)
    return _coloured(f32(turned), dark, pale)


GROUNDS: tuple[tuple[float, Callable[[np.random.Generator, Size], F32]], ...] = (
    (0.24, water),
    (0.16, gravel),
    (0.18, planted),
    (0.15, dish),
    (0.17, plain),
    (0.10, wood),
)
"""Each ground and how often it is drawn, whatever stands before it."""


def draw_view(rng: np.random.Generator, size: Size) -> F32:
    """Draw the front of a whole tank, (H, W, 3) float32: back, wood, plants, gravel, the pane.

    Unlike a crop's ground it has detail all over, as the pane of a lived-in tank has.
    """
    rows, columns = size
    back = int(rng.integers(3))
    picture = (water, wood, planted)[back](rng, size)
    picture = soften(picture, max(size) / float(rng.uniform(90, 200)))
    if rng.random() < 0.7:
        _over(picture, wood(rng, size), _lump(rng, size))
    for _ in range(int(rng.integers(1, 4))):
        cover = _leaves(rng, size, int(rng.integers(6, 22)), int(0.7 * max(size)))
        tone = vary(rng, (0.25, 0.40, 0.14), 0.35)
        shade = np.clip(0.9 + 0.25 * clouds(rng, size, 24.0, 2), 0.4, 1.4)
        soft = soften(cover, float(rng.uniform(0.5, 3.0)))
        _over(picture, tinted(f32(shade), tone), soft)
    top = rows * float(rng.uniform(0.72, 0.95))
    edge = top + rows * 0.02 * clouds(rng, (8, columns), 6.0, 3)[4]
    bed = np.clip((np.arange(rows, dtype=np.float32)[:, None] - edge) / 3, 0, 1)
    _over(picture, gravel(rng, size), f32(bed))
    picture *= spread(f32(1.0 + 0.05 * clouds(rng, size, 90.0, 2)))
    for _ in range(int(rng.integers(1, 4))):
        _growth(rng, picture)
    if rng.random() < 0.3:
        _seam(rng, picture)
    return f32(np.clip(picture, 0, 1))


def _over(picture: F32, other: F32, cover: F32) -> None:
    amount = spread(cover)
    picture *= 1 - amount
    picture += other * amount


def _lump(rng: np.random.Generator, size: Size) -> F32:
    """Outline a piece of wood or stone that rises from the bottom."""
    rows, columns = size
    x = np.arange(columns)
    middle, wide = float(rng.uniform(0.1, 0.9)) * columns, float(rng.uniform(0.1, 0.35)) * columns
    hump = np.exp(-((np.abs(x - middle) / wide) ** float(rng.uniform(2.0, 5.0))))
    rough = clouds(rng, (8, columns), float(rng.uniform(5, 14)), 3)[4]
    crest = rows * (1.03 - float(rng.uniform(0.2, 0.65)) * hump * (1 + 0.16 * rough))
    return f32(np.clip((np.arange(rows)[:, None] - crest) / 2, 0, 1))


def draw_ground(rng: np.random.Generator, size: Size) -> F32:
    """Draw a ground, (H, W, 3) float32, 0..1, with what grows or sticks on the glass before it."""
    index = int(rng.choice(len(GROUNDS), p=[share for share, _ in GROUNDS]))
    picture = GROUNDS[index][1](rng, size)
    if rng.random() < 0.5:
        defocus = float(rng.exponential(max(size) / 130))
        if defocus > 0.4:
            picture = soften(picture, min(defocus, max(size) / 25))
    if rng.random() < 0.5:
        _growth(rng, picture)
    if rng.random() < 0.12:
        _seam(rng, picture)
    return f32(np.clip(picture, 0, 1))


def _growth(rng: np.random.Generator, picture: F32) -> None:
    """Grow algae and lime on the pane: a film, ragged blotches, many small spots."""
    size = (picture.shape[0], picture.shape[1])
    longer = max(size)
    tones = ((0.32, 0.44, 0.16), (0.42, 0.32, 0.16), (0.75, 0.78, 0.74))
    tone = vary(rng, tones[int(rng.integers(3))], 0.2)
    cells = float(rng.uniform(4, 16)) * max(1.0, longer / 500)
    field = clouds(rng, size, cells, 3)
    film = np.clip(field * 0.35, 0, 1) * np.float32(rng.uniform(0.0, 0.5))
    blotch = np.clip((field - np.float32(rng.uniform(1.0, 2.2))) * 4, 0, 1)
    film = np.maximum(film, blotch * np.float32(rng.uniform(0.0, 0.8)))
    spots = np.zeros(size, np.uint8)
    count = int(rng.integers(0, 40) * max(1.0, longer / 400) ** 2)
    places = np.round(rng.uniform((0, 0), (size[1], size[0]), (count, 2)) * 16).astype(int)
    radii = np.minimum(0.8 + rng.exponential(1.1, count) * max(1.0, longer / 700), longer / 60)
    for (x, y), radius in zip(
        places.tolist(), np.round(radii * 16).astype(int).tolist(), strict=True
    ):
        cv2.circle(spots, (x, y), radius, 255, -1, cv2.LINE_AA, 4)
    film = np.maximum(film, spots * np.float32(rng.uniform(0.2, 0.85) / 255))
    picture *= spread(f32(1 - film))
    picture += tinted(f32(film), tone)


def _seam(rng: np.random.Generator, picture: F32) -> None:
    """Draw the silicone seam of a corner, or the edge of the pane: a straight soft-edged band."""
    rows, columns = picture.shape[:2]
    longer = max(rows, columns)
    band = np.zeros((rows, columns), np.uint8)
    centre = np.array([rng.uniform(0, columns), rng.uniform(0, rows)])
    angle = float(rng.choice([0.0, np.pi / 2])) + float(rng.uniform(-0.12, 0.12))
    reach = 2 * longer * np.array([np.cos(angle), np.sin(angle)])
    ends = np.round(np.stack([centre - reach, centre + reach])).astype(int)
    cv2.line(
        band,
        ends[0].tolist(),
        ends[1].tolist(),
        255,
        max(2, int(longer * rng.uniform(0.02, 0.08))),
        cv2.LINE_AA,
    )
    tone = np.float32(rng.choice([0.03, 0.75]))
    picture += (tone - picture) * (band.astype(np.float32) / 255 * 0.85)[..., None]


@dataclass(frozen=True, slots=True, eq=False)
class Weather:
    """How the scene is lit: applied to ground and animals alike.

    `level` is a (H, W) field by which everything is multiplied; `veil` is haze or green water, a
    colour that everything is mixed with by `veil_amount`.
    """

    level: F32
    veil: tuple[float, float, float]
    veil_amount: float

    def applied(self, picture: F32) -> F32:
        """Give the picture in this weather."""
        out = picture * spread(self.level)
        out *= np.float32(1.0 - self.veil_amount)
        out += tinted(f32(np.full(self.level.shape, self.veil_amount)), self.veil)
        return f32(out)


def draw_weather(rng: np.random.Generator, size: Size) -> Weather:
    """Draw the light over a scene: even, shaded, torch cone, flash spot, or dark."""
    rows, columns = size
    small = (max(8, rows // 8), max(8, columns // 8))
    y, x = np.mgrid[0 : small[0], 0 : small[1]].astype(np.float32)
    x, y = x / max(small), y / max(small)
    form = str(
        rng.choice(["even", "shaded", "torch", "flash", "dark"], p=[0.3, 0.3, 0.17, 0.1, 0.13])
    )
    at = rng.uniform(0.1, 0.9, 2)
    far = np.hypot(x - at[0] * small[1] / max(small), y - at[1] * small[0] / max(small))
    level = np.full(small, 1.0, np.float32)
    if form == "shaded":
        slope = rng.uniform(-0.7, 0.7, 2)
        level = 0.85 + slope[0] * (x - 0.5) + slope[1] * (y - 0.5)
    elif form == "torch":
        level = rng.uniform(0.1, 0.4) + 1.1 * np.exp(-((far / rng.uniform(0.3, 0.8)) ** 2))
    elif form == "flash":
        level = 0.8 + rng.uniform(0.3, 1.2) * np.exp(-((far / rng.uniform(0.05, 0.25)) ** 2))
    elif form == "dark":
        level = level * float(rng.uniform(0.25, 0.55))
    field = cv2.resize(
        np.clip(level, 0.08, 2.0).astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC
    )
    veils = ((0.55, 0.60, 0.60), (0.35, 0.48, 0.18), (0.75, 0.76, 0.74), (0.42, 0.34, 0.20))
    amount = float(rng.uniform(0.1, 0.6)) if rng.random() < 0.35 else float(rng.uniform(0, 0.08))
    return Weather(f32(field), vary(rng, veils[int(rng.integers(len(veils)))], 0.2), amount)
