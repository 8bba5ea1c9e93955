"""Draw coins, and round things that are none: pebbles and crimped bottle caps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.size.coin import COINS, CoinKind
from training.scenes.grounds import clouds
from training.scenes.handy import DrawnTable, Face, Laid, draw_stand, photograph_table, through
from training.scenes.paint import f32, soften, spread, tinted, vary

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64

METALS = ((0.62, 0.36, 0.22), (0.72, 0.58, 0.30), (0.66, 0.66, 0.64), (0.40, 0.27, 0.18))
"""Copper, brass, nickel, old copper; own choice."""

LETTERS = "ABCDEFGHIKLMNOPRSTUVWXYZ0123456789"
FEWEST_PX = 60.0  # across a drawn coin; on phones' photos they are larger
MOST_OF_SHORT = 0.42  # of the photo's short side


def coin_face(rng: np.random.Generator, coin: CoinKind, px_per_mm: float) -> Face:
    """Draw a struck metal disc: a raised rim, letters along it, a relief in the middle."""
    radius = 0.5 * coin.diameter_mm * px_per_mm
    side = 2 * int(np.ceil(radius)) + 4
    y, x = np.mgrid[0:side, 0:side].astype(np.float32) + np.float32(0.5 - side / 2)
    far = np.hypot(x, y) / np.float32(radius)
    alpha = f32(np.clip((1 - far) * radius + 0.5, 0, 1))
    height = _relief(rng, side, radius, far)
    azimuth, rise = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0.5, 1.2))
    slope_x = cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    slope_y = cv2.Sobel(height, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    toward = (np.cos(rise) * np.cos(azimuth), np.cos(rise) * np.sin(azimuth))
    norm = np.sqrt(slope_x**2 + slope_y**2 + 1)
    facing = (np.sin(rise) - slope_x * toward[0] - slope_y * toward[1]) / norm
    gleam = np.clip(facing, 0, 1) ** float(rng.uniform(4, 30)) * float(rng.uniform(0.1, 0.6))
    # What the metal mirrors: one side of the room is brighter than the other.
    sheen = 1 + float(rng.uniform(0, 0.35)) * (x * np.cos(azimuth) + y * np.sin(azimuth)) / radius
    sheen *= 1 + 0.08 * clouds(rng, (side, side), float(rng.uniform(2, 6)), 3)
    colour = _metal(rng, far)
    rgb = colour * spread(f32((0.35 + 0.65 * np.clip(facing, 0, 1.3)) * sheen))
    rgb += spread(f32(gleam * 0.8))
    thick = float(rng.uniform(1.4, 2.4)) if coin.thickness_mm is None else coin.thickness_mm
    dark = tuple(float(level) * 0.45 for level in colour[side // 2, 2 + side // 20])
    return Face(f32(np.clip(rgb, 0, 1)), alpha, px_per_mm, thick, (dark[0], dark[1], dark[2]))


def _metal(rng: np.random.Generator, far: F32) -> F32:
    tone = vary(rng, METALS[int(rng.integers(len(METALS)))], 0.12)
    full = tinted(f32(np.ones_like(far)), tone)
    if rng.random() < 0.2:  # of two metals
        inner = vary(rng, METALS[int(rng.integers(len(METALS)))], 0.12)
        within = f32(np.clip((0.68 - far) * 60, 0, 1))
        full += (tinted(f32(np.ones_like(far)), inner) - full) * spread(within)
    stain = f32(np.clip(clouds(rng, far.shape, float(rng.uniform(3, 10)), 3) * 0.25, 0, 0.6))
    return f32(full * spread(f32(1 - stain * np.float32(rng.uniform(0, 0.7)))))


def _relief(rng: np.random.Generator, side: int, radius: float, far: F32) -> F32:
    """Draw the height of a struck face, in pixels."""
    struck = np.zeros((side, side), np.uint8)
    middle = side / 2
    count = int(rng.integers(10, 26))
    size = radius * float(rng.uniform(0.10, 0.16))
    for at in range(count):
        if rng.random() < 0.15:
            continue
        angle = 2 * np.pi * at / count
        letter = np.zeros((side, side), np.uint8)
        spot = (int(middle - size / 3), int(middle - 0.72 * radius))
        text = str(rng.choice(list(LETTERS)))
        thick = max(1, round(size / 9))
        cv2.putText(
            letter, text, spot, cv2.FONT_HERSHEY_SIMPLEX, size / 25, 255, thick, cv2.LINE_AA
        )
        turn = cv2.getRotationMatrix2D((middle, middle), float(np.rad2deg(-angle)), 1.0)
        np.maximum(struck, cv2.warpAffine(letter, turn, (side, side)), out=struck)
    field = clouds(rng, (side, side), float(rng.uniform(3, 7)), 3)
    head = np.clip((field - 0.1) * 4, 0, 1) * np.clip((0.55 - far) * 12, 0, 1)
    rim = np.clip((far - float(rng.uniform(0.89, 0.96))) * 60, 0, 1)
    height = struck.astype(np.float32) / 255 + head * (1 + 0.4 * field) + rim
    return f32(
        soften(f32(height), max(0.7, radius / 130)) * np.float32(rng.uniform(0.6, 2.2)) * 1.5
    )


def pebble_face(rng: np.random.Generator, across_mm: float, px_per_mm: float) -> Face:
    """Draw a rounded pebble: nearly round, never quite."""
    radius = 0.5 * across_mm * px_per_mm
    side = 2 * int(np.ceil(radius * 1.35)) + 4
    y, x = np.mgrid[0:side, 0:side].astype(np.float32) + np.float32(0.5 - side / 2)
    angle = np.arctan2(y, x)
    edge = np.ones_like(angle) * np.float32(radius)
    for wave in range(2, 7):
        phase = float(rng.uniform(0, 2 * np.pi))
        edge += radius * float(rng.normal(0, 0.09 / wave)) * np.cos(wave * angle + phase)
    far = np.hypot(x, y) / edge
    alpha = f32(np.clip((1 - far) * radius + 0.5, 0, 1))
    dome = np.sqrt(np.clip(1 - far**2, 0, 1))
    tone = vary(rng, ((0.5, 0.46, 0.4), (0.3, 0.3, 0.32), (0.75, 0.72, 0.66))[rng.integers(3)], 0.2)
    speck = 1 + 0.12 * clouds(rng, (side, side), 12.0, 3)
    slope = (x * np.cos(1.0) + y * np.sin(1.0)) / radius
    rgb = tinted(f32(np.clip((0.45 + 0.55 * dome - 0.2 * slope) * speck, 0, 1)), tone)
    return Face(f32(np.clip(rgb, 0, 1)), alpha, px_per_mm)


def cap_face(rng: np.random.Generator, across_mm: float, px_per_mm: float) -> Face:
    """Draw a crimped bottle cap from above: 21 teeth about a printed disc (number from memory)."""
    radius = 0.5 * across_mm * px_per_mm
    side = 2 * int(np.ceil(radius)) + 4
    y, x = np.mgrid[0:side, 0:side].astype(np.float32) + np.float32(0.5 - side / 2)
    angle = np.arctan2(y, x)
    tooth = np.abs(np.cos(21 * angle / 2))
    edge = radius * (1 - 0.09 * tooth)
    far = np.hypot(x, y) / edge
    alpha = f32(np.clip((1 - far) * radius + 0.5, 0, 1))
    skirt = np.clip((np.hypot(x, y) / radius - 0.8) * 20, 0, 1)
    tone = vary(rng, ((0.7, 0.1, 0.1), (0.8, 0.7, 0.2), (0.2, 0.3, 0.6))[rng.integers(3)], 0.2)
    shade = 1 - skirt * (0.25 + 0.35 * tooth)
    rgb = tinted(f32(np.clip(shade, 0, 1)), tone)
    return Face(f32(rgb), alpha, px_per_mm, 5.0, (0.3, 0.3, 0.3))


def draw_coin_table(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (1200, 1600),
    kind: str | None = None,
    most_tilt_deg: float = 28.0,
) -> tuple[DrawnTable, str]:
    """Draw a coin on a table with pebbles, a bottle cap, snails, bubbles and debris about it.

    Returns
    -------
    The photo with its truth, and the kind of the coin (a key of `COINS`).
    """
    name = kind or str(rng.choice(list(COINS)))
    diameter = COINS[name].diameter_mm
    most = MOST_OF_SHORT * min(size)
    across = float(np.exp(rng.uniform(np.log(FEWEST_PX), np.log(most))))
    px_per_mm = across / diameter
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * diameter / 2
    face = coin_face(rng, COINS[name], px_per_mm * 1.1)
    for _ in range(
        40
    ):  # off the middle of the photo a coin may be seen at a slant beyond the table's
        stand = draw_stand(rng, size, px_per_mm=px_per_mm, most_tilt_deg=most_tilt_deg)
        at = _inside(rng, stand.to_mm(), size, across)
        outline = through(stand.to_px(face.thickness_mm), ring + at)
        if slant_deg(outline) <= most_tilt_deg + 1.0:
            break
    laid = Laid(face, at, float(rng.uniform(0, 6.28)))
    others = _company(rng, laid, px_per_mm, min(size) / px_per_mm)
    rgb = photograph_table(rng, [*others, laid], stand, n_clutter=int(rng.integers(2, 7)))
    to_mm = stand.to_mm()
    return DrawnTable(rgb, to_mm, outline, laid.at_mm, slant_deg(outline)), name


def slant_deg(outline_xy_px: F64) -> float:
    """Give the slant at which a circle with this outline on the photo is seen."""
    _, axes, _ = cv2.fitEllipse(outline_xy_px.astype(np.float32))
    return float(np.rad2deg(np.arccos(min(axes) / max(axes))))


def _inside(
    rng: np.random.Generator, to_mm: F64, size: tuple[int, int], across_px: float
) -> tuple[float, float]:
    """Draw a place on the table at which a thing lies wholly within the photo."""
    margin = 0.72 * across_px
    spot = rng.uniform((margin, margin), (size[1] - margin, size[0] - margin))
    x, y = through(to_mm, spot[None])[0]
    return float(x), float(y)


def _company(rng: np.random.Generator, coin: Laid, px_per_mm: float, wide_mm: float) -> list[Laid]:
    """Lay pebbles and sometimes a bottle cap about a coin, clear of it."""
    company: list[Laid] = []
    reach = coin.face.alpha.shape[0] / coin.face.px_per_mm / 2
    for _ in range(int(rng.integers(0, 5))):
        is_cap = rng.random() < 0.25
        across = float(rng.uniform(10, 30)) if not is_cap else 29.0
        across = min(across, 0.3 * wide_mm)
        for _ in range(8):
            at = rng.uniform(-0.6 * wide_mm, 0.6 * wide_mm, 2)
            if np.hypot(*(at - coin.at_mm)) > reach + 0.75 * across + 1.0:
                maker = cap_face if is_cap else pebble_face
                face = maker(rng, across, px_per_mm)
                spot = (float(at[0]), float(at[1]))
                company.append(Laid(face, spot, float(rng.uniform(0, 6.28))))
                break
    return company
