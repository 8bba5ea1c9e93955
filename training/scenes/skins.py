"""What skins are made of: colours, smooth random fields, lines and spots over a tube's (u, v)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import CubicSpline

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
    tables = [
        rng.standard_normal((along * 2**k + 2, around * 2**k), dtype=np.float32) * 0.55**k
        for k in range(octaves)
    ]

    def field(at: Spots) -> Tensor:
        import torch

        total = torch.zeros_like(at.u)
        for table in tables:
            grid = torch.as_tensor(table, device=at.u.device)
            rows = at.u * (len(grid) - 2)
            columns = (at.v * 0.5 + 0.5) * grid.shape[1]
            top, left = rows.long(), columns.long()
            down, right = _eased(rows - top), _eased(columns - left)
            left = torch.remainder(left, grid.shape[1])
            beside = torch.remainder(left + 1, grid.shape[1])
            upper = grid[top, left] * (1 - right) + grid[top, beside] * right
            lower = grid[top + 1, left] * (1 - right) + grid[top + 1, beside] * right
            total = total + upper * (1 - down) + lower * down
        return total * 1.5

    return field


def _eased(share: Tensor) -> Tensor:
    return share * share * (3.0 - 2.0 * share)


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
