"""Pictures that a page carries inside itself."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING

import cv2
import numpy as np
from PIL import Image

from pestvision.arrays import as_rgb, as_u8, describe
from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from pestvision.arrays import F32, U8, Bool

JPEG_QUALITY = 80  # below 75 rings appear around thin pale bodies on Pillow's scale


def jpeg_uri(rgb: U8, *, max_side_px: int | None = None, quality: int = JPEG_QUALITY) -> str:
    """Give a (H, W, 3) uint8 picture as a JPEG data URI.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, RGB.
    max_side_px
        The long side it is reduced to where it is longer, or None to leave it as it is.
    quality
        JPEG quality, on Pillow's scale.
    """
    picture = Image.fromarray(as_rgb(rgb))
    if max_side_px is not None:
        picture.thumbnail((max_side_px, max_side_px), Image.Resampling.LANCZOS)
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


HEAT_STRENGTH = 0.7  # most of the colour over the picture: the animal stays to be seen under it
HALF = 0.5  # share of the heat inside the line
FLAT_HEAT = 0.05  # in log-odds: a map that rises nowhere above this has no place to show
PICTURE_LIGHT = 0.8  # of the grey picture: so that the brightest colour is brighter than any white
HEAT_COLOURS = ("#00224e", "#434e6c", "#7d7c78", "#bcae6c", "#fee838")
"""Steps of the colour scale for the legend: OpenCV's `COLORMAP_CIVIDIS`, dark blue to yellow, told apart
with every kind of colour vision (from memory: Nuñez, Anderton & Renslow 2018, PLoS ONE 13:e0199239)."""


def heat_picture(rgb: U8, heat: F32) -> U8:
    """Lay a heat map over a crop: the more a place says, the yellower; a line holds half of the heat.

    Parameters
    ----------
    rgb
        (S, S, 3) uint8, RGB, the crop as it is shown. It is turned grey, so that no colour is its own.
    heat
        (h, w) float32, 0 or more, over the same square (`Classifier.heat_maps`).

    Returns
    -------
    U8
        (S, S, 3) uint8. Without any heat, the grey crop alone.
    """
    height, width = as_rgb(rgb).shape[:2]
    if heat.ndim != 2 or not bool(np.isfinite(heat).all()) or float(heat.min()) < 0:
        raise ShapeError("heat", expected="(h, w) float32, 0 or more", actual=describe(heat))
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32) * PICTURE_LIGHT
    base = np.repeat(grey[..., None], 3, axis=2)
    if float(heat.max()) < FLAT_HEAT:
        return as_u8(np.rint(base).astype(np.uint8))
    large = np.maximum(cv2.resize(heat, (width, height), interpolation=cv2.INTER_CUBIC), 0.0)
    share = np.asarray(large / large.max(), dtype=np.float32)
    scale = cv2.applyColorMap(np.rint(share * 255).astype(np.uint8), cv2.COLORMAP_CIVIDIS)
    weight = HEAT_STRENGTH * np.sqrt(share)[..., None]  # so that little heat is seen as well
    laid = (1 - weight) * base + weight * scale[..., ::-1].astype(np.float32)
    drawn = np.ascontiguousarray(np.rint(laid).astype(np.uint8))
    outlines, _ = cv2.findContours(
        _hottest(share).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    line = max(1, round(width / 220))
    for colour, width_px in (((0, 0, 0), 3 * line), ((255, 255, 255), line)):
        cv2.drawContours(drawn, outlines, -1, colour, width_px, cv2.LINE_AA)
    return as_u8(drawn)


def _hottest(share: F32) -> Bool:
    """Give the (S, S) bool of the hottest places that hold `HALF` of the heat together."""
    order = np.sort(share.ravel())[::-1]
    held = np.cumsum(order, dtype=np.float64)
    bound = order[int(np.searchsorted(held, HALF * held[-1]))]
    return np.asarray(share >= bound)
