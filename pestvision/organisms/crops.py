"""Cut the square around a box that the net looks at."""

from __future__ import annotations

import cv2
import numpy as np

from pestvision.arrays import U8, BoxXyxy, as_rgb, as_u8, checked_box
from pestvision.organisms.net import INPUT_PX

GROW = 0.15
"""Share of the box's long side added on each side: the ground tells what the animal sits on."""
ROUNDING_BLUR_PX = 2.0
"""Blur before sharpness is read: takes the rounding of 8-bit grey out, and leaves edges 20 pixels wide."""


def crop_square(box_xyxy_px: BoxXyxy, *, grow: float = GROW) -> BoxXyxy:
    """Give the square around a box: its long side grown by `grow` on each side, same middle."""
    x0, y0, x1, y1 = checked_box(box_xyxy_px)
    half = max(x1 - x0, y1 - y0) * (0.5 + grow)
    middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
    return (middle_x - half, middle_y - half, middle_x + half, middle_y + half)


def cut_crop(rgb: U8, box_xyxy_px: BoxXyxy, *, size_px: int = INPUT_PX, grow: float = GROW) -> U8:
    """Cut the (S, S, 3) uint8 crop around a box.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, RGB.
    box_xyxy_px
        Box in pixels of `rgb`; it may reach over the edge, where the edge pixels are repeated.
    size_px
        Side of the crop, pixels.
    grow
        Share of the box's long side added on each side.

    Notes
    -----
    Large crops are reduced by area averaging, small ones enlarged by cubic interpolation.
    """
    as_rgb(rgb)
    height, width = rgb.shape[:2]
    x0, y0, x1, y1 = crop_square(box_xyxy_px, grow=grow)
    side = max(1, round(x1 - x0))
    # the whole-pixel square about the same middle, so that a box of a pixel is cut at that pixel
    left, top = (int(np.floor((low + high - side + 1) / 2)) for low, high in ((x0, x1), (y0, y1)))
    right, bottom = left + side, top + side
    inner = rgb[
        min(max(top, 0), height - 1) : max(min(bottom, height), 1),
        min(max(left, 0), width - 1) : max(min(right, width), 1),
    ]
    scale = size_px / side
    # resize first, then repeat the edges: a border of a 12-megapixel crop would be wasted work
    inner_width = max(1, round(inner.shape[1] * scale))
    inner_height = max(1, round(inner.shape[0] * scale))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = as_u8(cv2.resize(inner, (inner_width, inner_height), interpolation=how))
    pad_left = min(max(round(max(0, -left) * scale), 0), size_px)
    pad_top = min(max(round(max(0, -top) * scale), 0), size_px)
    pad_right = max(0, size_px - pad_left - small.shape[1])
    pad_bottom = max(0, size_px - pad_top - small.shape[0])
    padded = cv2.copyMakeBorder(
        small, pad_top, pad_bottom, pad_left, pad_right, cv2.BORDER_REPLICATE
    )
    return np.ascontiguousarray(as_u8(padded)[:size_px, :size_px])


def sharpness(crop: U8) -> float:
    """Give the crop's sharpness: the spread of its Laplacian over the spread of its grey levels.

    Dimensionless: it does not change with contrast or brightness. 0 for a flat crop. The grey levels are
    smoothed first: the Laplacian of their rounding alone is several times that of a blurred picture,
    so that unsmoothed no crop would ever read as blurred. On 74 boxed crops of real photographs the
    smallest value is 0.008 and the median 0.042; the same crops blurred by 20 pixels have a median of
    0.002.
    """
    grey = cv2.cvtColor(as_rgb(crop, "crop"), cv2.COLOR_RGB2GRAY).astype(np.float32)
    spread = float(grey.std())
    if spread < 1.0:
        return 0.0
    smooth = cv2.GaussianBlur(grey, (0, 0), ROUNDING_BLUR_PX)
    return float(cv2.Laplacian(smooth, cv2.CV_32F).std()) / spread
