"""Augmentation on the device: geometry, light, blur, noise and lost resolution, a batch at a time.

Everything here is a nuisance of real photos of small animals: turned, off-centre, cut too wide or too
tight, under another lamp, out of focus, far away, noisy. Nothing depends on the class.
"""

from __future__ import annotations

import math

import torch
from torch.nn import functional

from pestvision.organisms.net import INPUT_PX, MEAN, STD
from training.data import CANVAS_GROW

BOX_SHARE = (0.45, 0.92)
"""Long side of the animal's box over the crop's side: the tool cuts it at 1 / 1.3 = 0.77."""

COARSE_PX = (24, 40, 64, 104)
"""Sides to which some crops are reduced before they are enlarged again: a far animal is small."""
BLUR_PX = (0.8, 1.6, 2.6)
"""Sigmas by which some crops are blurred."""


def augment(canvases: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Augment (B, 3, C, C) uint8 canvases to (B, 3, 224, 224) float32 inputs of the net.

    `generator` lives on the device of the canvases. Which rows are coarse or blurred is drawn as a list of
    rows of fixed length, and not by a condition: a GPU would have to stop and tell how many.
    """
    device, n = canvases.device, canvases.shape[0]

    def uniform(low: float, high: float, *shape: int) -> torch.Tensor:
        return torch.rand(shape or (n,), generator=generator, device=device) * (high - low) + low

    def some(share: float, parts: int) -> list[torch.Tensor]:
        """Give `parts` lists of rows, apart from each other, each `share` of the batch."""
        each = round(n * share)
        order = torch.randperm(n, generator=generator, device=device)
        return [order[part * each : (part + 1) * each] for part in range(parts)]

    def chance(p: float) -> torch.Tensor:
        return torch.rand(n, generator=generator, device=device) < p

    share = torch.exp(uniform(math.log(BOX_SHARE[0]), math.log(BOX_SHARE[1])))
    # a canvas is 1 + 2 grow boxes wide, the crop 1 / share boxes
    zoom = 1 / share / (1 + 2 * CANVAS_GROW)
    angle = uniform(-math.pi, math.pi)
    stretch = torch.exp(uniform(-0.15, 0.15))
    flip = torch.where(chance(0.5), -1.0, 1.0)
    cos, sin = torch.cos(angle), torch.sin(angle)
    theta = torch.stack(
        [
            torch.stack([flip * zoom * cos * stretch, -zoom * sin, uniform(-0.12, 0.12)], 1),
            torch.stack([flip * zoom * sin * stretch, zoom * cos, uniform(-0.12, 0.12)], 1),
        ],
        1,
    )
    grid = functional.affine_grid(theta, [n, 3, INPUT_PX, INPUT_PX], align_corners=False)
    x = functional.grid_sample(
        canvases.float() / 255, grid, padding_mode="border", align_corners=False
    )
    x = _lose_resolution(x, some(0.11, len(COARSE_PX)))
    x = _blur(x, some(0.1, len(BLUR_PX)))
    x = _light(x, uniform, chance)
    noise = torch.randn(x.shape, generator=generator, device=device)
    x = x + noise * (uniform(0.0, 0.06) * chance(0.5)).view(n, 1, 1, 1)
    return (x.clamp(0, 1) * 255 - MEAN) / STD


def _lose_resolution(x: torch.Tensor, rows: list[torch.Tensor]) -> torch.Tensor:
    """Make some pictures as coarse as if the crop had been `COARSE_PX` wide, a list of rows each."""
    for level, take in zip(COARSE_PX, rows, strict=True):
        if len(take):
            small = functional.interpolate(x[take], size=(level, level), mode="area")
            x[take] = functional.interpolate(
                small, size=x.shape[-2:], mode="bicubic", align_corners=False
            )
    return x


def _blur(x: torch.Tensor, rows: list[torch.Tensor]) -> torch.Tensor:
    """Blur some pictures along both axes by `BLUR_PX`, a list of rows each."""
    for sigma, take in zip(BLUR_PX, rows, strict=True):
        if len(take):
            radius = int(3 * sigma)
            axis = torch.arange(-radius, radius + 1, device=x.device, dtype=x.dtype)
            kernel = torch.exp(-0.5 * (axis / sigma) ** 2)
            kernel = (kernel / kernel.sum()).view(1, 1, 1, -1).repeat(3, 1, 1, 1)
            part = functional.pad(x[take], (radius, radius, radius, radius), mode="replicate")
            part = functional.conv2d(part, kernel, groups=3)
            x[take] = functional.conv2d(part, kernel.transpose(2, 3), groups=3)
    return x


def _light(x: torch.Tensor, uniform, chance) -> torch.Tensor:  # type: ignore[no-untyped-def]
    """Change white balance, saturation, contrast, brightness, and sometimes make the picture grey."""
    n = x.shape[0]
    grey = x.mean(1, keepdim=True)
    saturation = uniform(0.5, 1.4).view(n, 1, 1, 1)
    saturation = torch.where(
        chance(0.15).view(n, 1, 1, 1), torch.zeros_like(saturation), saturation
    )
    x = grey + (x - grey) * saturation
    x = x * torch.exp(uniform(-0.25, 0.25, n, 3)).view(n, 3, 1, 1)
    tint = uniform(0.0, 1.0, n, 3).view(n, 3, 1, 1)
    strength = (uniform(0.0, 0.4) * chance(0.1)).view(n, 1, 1, 1)
    x = x * (1 - strength + strength * tint)
    middle = x.mean((1, 2, 3), keepdim=True)
    x = middle + (x - middle) * torch.exp(uniform(-0.5, 0.4)).view(n, 1, 1, 1)
    return x * torch.exp(uniform(-0.45, 0.35)).view(n, 1, 1, 1)
