"""Cut real animals out of their ground, so that training can lay them on other real grounds.

A leech that was only ever seen on skin teaches a net what skin looks like. Cut out with its own pixels
and laid on glass, gravel or leaves it teaches what a leech looks like.
"""

from __future__ import annotations

import cv2
import numpy as np
import torch

from pestvision.arrays import U8, BoxXyxy, as_rgb, as_u8

ROUNDS = 4
"""Rounds of GrabCut (Rother, Kolmogorov and Blake 2004, ACM TOG 23:309-314): more change little."""
SHARE_OF_BOX = (0.08, 0.92)
"""Shares of its box that an outline may cover: outside them GrabCut took nothing or everything."""
REACH = 0.75
"""Share of the box's width and height that an outline spans at the least: less is a part of the animal."""
WORK_PX = 160
"""Outlines are sought at half the canvas: a quarter of the time, and the edge is softened anyway."""
EDGE_PX = 1.2
"""Sigma that softens an outline, in pixels of the canvas."""


def cut_out(canvas: U8, box: BoxXyxy) -> U8 | None:
    """Outline what lies in a box, by GrabCut started from the box.

    Parameters
    ----------
    canvas
        (S, S, 3) uint8, RGB.
    box
        The animal's box in pixels of the canvas.

    Returns
    -------
    U8 | None
        (S, S) uint8 opacity, 255 on the animal; None where no outline worth having was found.
    """
    side = as_rgb(canvas, "canvas").shape[0]
    scale = WORK_PX / side
    small = cv2.resize(canvas, (WORK_PX, WORK_PX), interpolation=cv2.INTER_AREA)
    x0, y0, x1, y1 = (round(value * scale) for value in box)
    x0, y0, x1, y1 = max(x0, 1), max(y0, 1), min(x1, WORK_PX - 1), min(y1, WORK_PX - 1)
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    marks = np.zeros((WORK_PX, WORK_PX), np.uint8)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.setRNGSeed(0)
    try:
        cv2.grabCut(
            small, marks, (x0, y0, x1 - x0, y1 - y0), *models, ROUNDS, cv2.GC_INIT_WITH_RECT
        )
    except cv2.error:
        return None  # a flat picture gives no colours to tell apart
    mask = np.isin(marks, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    mask = _largest(as_u8(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))))
    share = float(mask.sum()) / ((x1 - x0) * (y1 - y0))
    if not SHARE_OF_BOX[0] <= share <= SHARE_OF_BOX[1]:
        return None
    _, _, width, height = cv2.boundingRect(mask)
    if width < REACH * (x1 - x0) or height < REACH * (y1 - y0):
        return None
    whole = cv2.resize(mask * np.uint8(255), (side, side), interpolation=cv2.INTER_LINEAR)
    return as_u8(cv2.GaussianBlur(whole, (0, 0), EDGE_PX))


def _largest(mask: U8) -> U8:
    """Keep the largest part of a mask, and those at least a fifth as large."""
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    if n <= 1:
        return mask
    areas = stats[1:, cv2.CC_STAT_AREA]
    kept = 1 + np.flatnonzero(areas >= 0.2 * areas.max())
    return as_u8(np.isin(labels, kept).astype(np.uint8))


def lay_on(
    canvases: torch.Tensor, opacity: torch.Tensor, grounds: torch.Tensor, strength: torch.Tensor
) -> torch.Tensor:
    """Lay cut-out animals over other grounds.

    Parameters
    ----------
    canvases, grounds
        (B, 3, C, C) uint8.
    opacity
        (B, C, C) uint8.
    strength
        (B,) float, 0 to 1: how far the animal's brightness is drawn to that of its new ground.

    Returns
    -------
    torch.Tensor
        (B, 3, C, C) uint8.
    """
    alpha = opacity.float().unsqueeze(1) / 255
    animals, behind = canvases.float(), grounds.float()
    level = animals.mean((1, 2, 3), keepdim=True).clamp(min=8)
    gain = (behind.mean((1, 2, 3), keepdim=True) / level).clamp(0.4, 2.0)
    gain = 1 + (gain - 1) * strength.view(-1, 1, 1, 1)
    return (alpha * animals * gain + (1 - alpha) * behind).clamp(0, 255).to(torch.uint8)
