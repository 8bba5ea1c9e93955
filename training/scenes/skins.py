"""What skins are made of: colours, smooth random fields, lines and spots over a tube's (u, v)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from scipy.interpolate import CubicSpline

from training.scenes.paint import f32

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from torch import Tensor

    from pestvision.arrays import F64
    from training.scenes.paint import Colour
    from training.scenes.solid import Skin, Spots


def smooth_line(points: F64, count: int) -> F64:
    """Give a smooth line through points, (N, k), at `count` places evenly along it."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(np.maximum(steps, 1e-9))])
    return np.asarray(CubicSpline(at, points)(np.linspace(0.0, at[-1], count)), np.float64)


def smooth_values(values: F64, count: int) -> F64:
    """Give a smooth course through values evenly spaced along a line, at `count` places."""
    at = np.linspace(0.0, 1.0, len(values))
    return np.asarray(CubicSpline(at, values)(np.linspace(0.0, 1.0, count)), np.float64)


def bumpy(rng: np.random.Generator, cells: int, count: int) -> F64:
    """Give a smooth random course of mean 0 and spread about 1 with `cells` bumps."""
    return smooth_values(rng.standard_normal(max(cells, 2) + 2), count)


def colour_of(colour: Colour, at: Spots) -> Tensor:
    """Give one colour for every spot, (n, 3)."""
    import torch

    plain = torch.tensor([float(level) for level in colour], device=at.u.device)
    return plain.expand(len(at.u), 3)


def mixed(under: Tensor, colour: Colour, amount: Tensor, at: Spots) -> Tensor:
    """Lay a colour over colours, by an amount a spot, 0 to 1."""
    return under + (colour_of(colour, at) - under) * amount.clamp(0.0, 1.0)[:, None]


def grain(
    rng: np.random.Generator, along: int, around: int, octaves: int = 1
) -> Callable[[Spots], Tensor]:
    """Give a smooth random field over a tube, mean 0, spread about 1, seamless around it.

    `along` and `around` are its cells; every further octave has twice as many, half as strong.
    """
    finest = around * 2 ** (octaves - 1)
    beyond = 1.0 + 1.0 / finest  # v reaches half of the finest cell further, for its seam
    rows = np.linspace(0.0, 1.0, 2 * along * 2 ** (octaves - 1) + 1)
    columns = np.linspace(-beyond, beyond, 2 * finest + 3)
    total = np.zeros((len(rows), len(columns)), np.float32)
    for octave in range(octaves):
        table = rng.standard_normal((along * 2**octave + 1, around * 2**octave), dtype=np.float32)
        ring = np.concatenate([table[:, -2:], table, table[:, :3]], axis=1)
        x = 2.0 + 0.5 * (columns + 1.0) * table.shape[1]
        x, y = np.meshgrid(f32(x), f32(rows * (len(table) - 1)))
        total += np.float32(0.55**octave) * cv2.remap(
            ring, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )

    def field(at: Spots) -> Tensor:
        import torch

        picture = torch.as_tensor(total, device=at.u.device)[None, None]
        place = torch.stack([at.v / beyond, 2.0 * at.u - 1.0], dim=1)[None, None]
        return 1.3 * torch.nn.functional.grid_sample(picture, place, align_corners=True)[0, 0, 0]

    return field


def ridge(value: Tensor, at: float, width: float) -> Tensor:
    """Give 1 where a value is `at`, falling off like a bell of that width."""
    import torch

    return torch.exp(-(((value - at) / width) ** 2))


def spots_at(at: Spots, places: Sequence[tuple[float, float]], size: tuple[float, float]) -> Tensor:
    """Give round marks about places (u, v), `size` their half extents along and around."""
    import torch

    total = torch.zeros_like(at.u)
    for u, v in places:
        far = ((at.u - u) / size[0]) ** 2 + ((at.v - v) / size[1]) ** 2
        total = torch.maximum(total, (1.6 - 1.6 * far).clamp(0.0, 1.0))
    return total


def plain_skin(rng: np.random.Generator, colour: Colour, *, uneven: float = 0.12) -> Skin:
    """Give a skin of one colour, a little uneven."""
    field = grain(rng, 12, 6, 2)

    def skin(at: Spots) -> Tensor:
        return colour_of(colour, at) * (1.0 + uneven * field(at))[:, None].clamp(0.2, 2.0)

    return skin
