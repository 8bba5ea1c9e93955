"""A contact sheet of held-out drawings that the shipped net gets wrong, for the model card.

Drawings only: photographs are learned from and measured on, never shown.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.organisms.classes import GROUPS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import F64, U8
    from training.data import Example

TILE_PX = 104
CAPTION_PX = 26
MARGIN_PX = 6
N_COLUMNS = 6
N_SHOWN = 24
N_COLOURS = 256
"""Colours of the file, dithered: a third of the bytes, which history keeps for ever."""


def wrong_ones(examples: Sequence[Example], p_groups: F64, *, n: int = N_SHOWN) -> list[int]:
    """Choose drawings called another group: the true classes in turn, the surest mistake of each first."""
    called = p_groups.argmax(1)
    waiting: dict[str, list[int]] = {}
    for index in np.argsort(-p_groups.max(1), kind="stable"):
        if called[index] != examples[index].group:
            waiting.setdefault(examples[index].label, []).append(int(index))
    chosen: list[int] = []
    while waiting and len(chosen) < n:
        for label in sorted(waiting):
            chosen.append(waiting[label].pop(0))
            if not waiting[label]:
                del waiting[label]
    return sorted(chosen[:n], key=lambda index: (examples[index].group, examples[index].label))


def caption_of(example: Example, p_groups: F64) -> tuple[str, str]:
    """Say in two lines what a drawing shows and what it is taken for."""
    called = int(p_groups.argmax())
    return example.label, f"{GROUPS[called]} {p_groups[called]:.0%}"


def sheet_of(crops: Sequence[U8], captions: Sequence[tuple[str, str]]) -> U8:
    """Lay crops out in rows of `N_COLUMNS`, each with its two lines underneath, (H, W, 3) uint8 RGB."""
    from PIL import Image, ImageDraw, ImageFont

    n_rows = max(1, -(-len(crops) // N_COLUMNS))
    wide, high = TILE_PX + MARGIN_PX, TILE_PX + CAPTION_PX + MARGIN_PX
    sheet = Image.new("RGB", (N_COLUMNS * wide + MARGIN_PX, n_rows * high + MARGIN_PX), "white")
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(size=10)
    for rank, (crop, lines) in enumerate(zip(crops, captions, strict=True)):
        left = MARGIN_PX + wide * (rank % N_COLUMNS)
        top = MARGIN_PX + high * (rank // N_COLUMNS)
        small = cv2.resize(crop, (TILE_PX, TILE_PX), interpolation=cv2.INTER_AREA)
        sheet.paste(Image.fromarray(np.asarray(small, dtype=np.uint8)), (left, top))
        for line, text in enumerate(lines):
            pen.text((left, top + TILE_PX + 1 + 12 * line), text, fill="black", font=font)
    return np.asarray(sheet, dtype=np.uint8)


def write_sheet(path: Path, examples: Sequence[Example], p_groups: F64) -> int:
    """Write the sheet of wrong drawings as a PNG, and give how many it shows.

    Raises
    ------
    ValueError
        If one of them is a photograph.
    """
    from PIL import Image

    chosen = wrong_ones(examples, p_groups)
    if any(examples[index].licence != "drawn" for index in chosen):
        message = "the sheet of failures shows drawings only, and was given a photograph"
        raise ValueError(message)
    sheet = sheet_of(
        [examples[index].crop for index in chosen],
        [caption_of(examples[index], p_groups[index]) for index in chosen],
    )
    picture = Image.fromarray(sheet)
    palette = picture.quantize(N_COLOURS)
    picture.quantize(palette=palette, dither=Image.Dither.FLOYDSTEINBERG).save(path, optimize=True)
    return len(chosen)
