"""How much two aligned photos differ, in units of what they differ by anyway.

Three things make two photos of an unchanged tank differ: the exposure and the colour (matched first),
the sensor's noise (which grows with the light), and a misplacement of a fraction of a pixel (which
makes every edge differ). The last is answered twice: a pixel counts as changed only by what no pixel
next to it in the other photo explains, and steep places ask for more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, Bool, as_f32, as_u8
from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from pestvision.motion.align import AlignedPair

WORK_LONG_SIDE_PX = 2000  # a 12-megapixel photo is halved: a 16-pixel animal keeps 8 pixels
BAND_ROWS = 96  # worked on at once: 0.6 MB a copy at the working size, where the whole is 9 MB
HALO_ROWS = 4  # blur, neighbours and blur again reach three
N_SAMPLES = 40_000  # pixels for the noise: a median over a 16th of them is good to 3 %
TILES = (64, 48)  # columns, rows of the colour fit: an animal covers few of them
ROBUST_ROUNDS = 6  # of reweighting; the fit stands still after four on drawn pairs
USABLE_LEVELS = (6.0, 235.0)  # outside, a tile holds clipped pixels and its ratio means nothing
CLIPPED = 250  # of 255: brighter pixels are not told apart from each other
LEVEL_OFFSET = 8.0  # keeps the logarithm of dark tiles from ruling the fit
NOISE_FLOOR = 1.2  # grey levels: rounding twice and JPEG at good quality
N_LEVEL_BINS = 16
SAMPLE_ROWS = 5  # a sampled row with the two rows on each side that smoothing and spread reach
MAD_TO_SIGMA = 1.4826  # of a normal distribution
NEAR = np.ones((3, 3), np.uint8)  # what a misplacement of under a pixel can reach


@dataclass(frozen=True, slots=True, eq=False)
class ChangeMap:
    """The change between two photos at a working size.

    `z`: (h, w) float32, change over its noise, 0 where a photo has no source. `first`, `second`:
    (h, w, 3) uint8 at the same size, the second matched to the first in exposure and colour, both
    clipped at the same level. `usable`: (h, w) bool. `step`: whole number the photos were reduced by.
    """

    z: F32
    first: U8
    second: U8
    usable: Bool
    step: int

    def __post_init__(self) -> None:
        size = self.z.shape
        if self.first.shape[:2] != size or self.second.shape[:2] != size or self.step < 1:
            raise ShapeError("change map", expected=str(size), actual=str(self.first.shape))


def map_change(pair: AlignedPair, *, min_length_px: float = 16.0) -> ChangeMap:
    """Give the change between two aligned photos in units of its noise.

    Parameters
    ----------
    pair
        From `align_pair`.
    min_length_px
        Length of the smallest mover looked for. The photos are never reduced so far that it would
        be shorter than eight pixels.
    """
    step = work_step(pair.first.shape[:2], min_length_px)
    first, second = _reduced(pair.first, step), _reduced(pair.warped, step)
    usable = _usable(pair.valid, step, first.shape[:2])
    first, second = match_colour(first, second, usable)
    sigma, slope = estimate_noise(first, second, usable)
    variance_of_level = np.square(sigma)
    variance_of_spread = np.square(slope * np.arange(256)).astype(np.float32)
    z = np.empty(first.shape[:2], np.float32)
    for rows, halo in _bands(first.shape[0]):
        unexplained, spread = _unexplained(first[halo], second[halo])
        level = np.ascontiguousarray(second[halo][:, :, 1])
        variance = cv2.LUT(level, variance_of_level) + cv2.LUT(spread, variance_of_spread)
        inner = slice(rows.start - halo.start, rows.stop - halo.start)
        z[rows] = (unexplained / cv2.sqrt(variance))[inner]
    z[~usable] = 0.0
    return ChangeMap(z, first, second, usable, step)


def _bands(height: int) -> list[tuple[slice, slice]]:
    """Cut rows into bands that fit the processor's cache, each with its rows and those about it."""
    return [
        (
            slice(top, min(height, top + BAND_ROWS)),
            slice(max(0, top - HALO_ROWS), min(height, top + BAND_ROWS + HALO_ROWS)),
        )
        for top in range(0, height, BAND_ROWS)
    ]


def work_step(size: tuple[int, int], min_length_px: float) -> int:
    """Give the whole number by which photos of `size` (height, width) are reduced."""
    wanted = -(-max(size) // WORK_LONG_SIDE_PX)
    return max(1, min(wanted, int(min_length_px // 8)))


def match_colour(first: U8, second: U8, usable: Bool) -> tuple[U8, U8]:
    """Match the second photo to the first in exposure, colour and light fall-off.

    The logarithm of the ratio of tile means is fitted, channel by channel, by a quadratic in place
    and a quadratic in level, with weights that leave out tiles where something changed.

    Parameters
    ----------
    first, second
        (h, w, 3) uint8, RGB.
    usable
        (h, w) bool.

    Returns
    -------
    Both photos, (h, w, 3) uint8, clipped at the brightest level that both can show.
    """
    tiles_first, tiles_second = (_tiles(photo).reshape(-1, 3) for photo in (first, second))
    inside = _tiles(usable.view(np.uint8) * np.uint8(255)).ravel() > 253
    table = np.zeros((256, 3), np.float32)
    field = np.zeros((TILES[1], TILES[0], 3), np.float32)
    for channel in range(3):
        curve, place = _colour_fit(tiles_first[:, channel], tiles_second[:, channel], inside)
        table[:, channel] = curve
        field[:, :, channel] = place
    cap = np.uint8(min(float(CLIPPED), float(table[CLIPPED].min())))
    rounded = np.clip(np.rint(table), 0, 255).astype(np.uint8)
    matched: cv2.typing.MatLike = cv2.LUT(second, rounded.reshape(1, 256, 3))
    if float(np.abs(field - 1.0).max()) > 0.01:  # a smaller fall-off is under the rounding
        gain = cv2.resize(field, (first.shape[1], first.shape[0]), interpolation=cv2.INTER_LINEAR)
        matched = cv2.multiply(matched, gain, dtype=cv2.CV_8U)
    return np.minimum(first, cap), np.minimum(as_u8(matched), cap)


def _tiles(photo: U8) -> F64:
    """Give tile means, from every second pixel of the larger photos."""
    sparse = max(1, photo.shape[1] // (TILES[0] * 8))
    thinned = np.ascontiguousarray(photo[::sparse, ::sparse])
    means: F64 = cv2.resize(thinned, TILES, interpolation=cv2.INTER_AREA).astype(np.float64)
    return means


def _colour_fit(first: F64, second: F64, inside: Bool) -> tuple[F32, F32]:
    """Fit one channel: a table of 256 levels, and a field (rows, columns) of gains about 1."""
    low, high = USABLE_LEVELS
    kept = inside & (first > low) & (first < high) & (second > low) & (second < high)
    levels = np.arange(256.0)
    rows, columns = np.meshgrid(
        np.linspace(-1, 1, TILES[1]), np.linspace(-1, 1, TILES[0]), indexing="ij"
    )
    if kept.sum() < 40:  # nearly all clipped or outside: five tiles an unknown is the least
        return levels.astype(np.float32), np.ones((TILES[1], TILES[0]), np.float32)
    x, y = columns.ravel(), rows.ravel()
    place = np.stack([x, y, x * x, x * y, y * y], axis=1)
    tone = _tone(second)
    design = np.hstack([tone, place])[kept]
    ratio = np.log((first + LEVEL_OFFSET) / (second + LEVEL_OFFSET))[kept]
    weights = np.ones(len(ratio))
    ridge = np.diag(
        [0.0, 1.0, 1.0, *[0.3] * 5]
    )  # tiles' worth of doubt about everything but the gain
    solution = np.zeros(8)
    for _ in range(ROBUST_ROUNDS):
        weighted = design * weights[:, None]
        solution = np.linalg.solve(weighted.T @ design + ridge, weighted.T @ ratio)
        left = ratio - design @ solution
        scale = max(MAD_TO_SIGMA * float(np.median(np.abs(left))), 0.003)
        weights = np.square(np.clip(1.0 - np.square(left / (4.7 * scale)), 0.0, 1.0))
    curve = np.exp(_tone(levels) @ solution[:3]) * (levels + LEVEL_OFFSET) - LEVEL_OFFSET
    gains = np.exp(place @ solution[3:]).reshape(TILES[1], TILES[0])
    return np.maximum(curve, 0.0).astype(np.float32), gains.astype(np.float32)


def _tone(level: F64) -> F64:
    """Give the three terms of level: a gain, a slope (gamma), a bend."""
    depth = np.log((level + LEVEL_OFFSET) / (128.0 + LEVEL_OFFSET))
    return np.stack([np.ones_like(depth), depth, np.square(depth)], axis=1)


def _unexplained(first: U8, second: U8) -> tuple[F32, U8]:
    """Give the change that no neighbouring pixel explains, and the local spread, (h, w) each.

    Both are smoothed a little. Then, for each channel, a pixel of one photo is compared with the
    least and the greatest value of the 3 × 3 pixels about its place in the other. The larger of both
    directions and of the channels counts.
    """
    first, second = (as_u8(cv2.GaussianBlur(photo, (3, 3), 0)) for photo in (first, second))
    low = (cv2.erode(first, NEAR), cv2.erode(second, NEAR))
    high = (cv2.dilate(first, NEAR), cv2.dilate(second, NEAR))
    change = cv2.max(
        cv2.max(cv2.subtract(first, high[1]), cv2.subtract(low[1], first)),
        cv2.max(cv2.subtract(second, high[0]), cv2.subtract(low[0], second)),
    )
    spread = cv2.max(cv2.subtract(high[0], low[0]), cv2.subtract(high[1], low[1]))
    return as_f32(cv2.blur(_largest_channel(change).astype(np.float32), (3, 3))), _largest_channel(
        spread
    )


def _largest_channel(rgb: cv2.typing.MatLike) -> U8:
    red, green, blue = cv2.split(rgb)
    return as_u8(cv2.max(cv2.max(red, green), blue))


def estimate_noise(first: U8, second: U8, usable: Bool) -> tuple[F32, float]:
    """Estimate the noise of the difference from the pair itself.

    Parameters
    ----------
    first, second
        (h, w, 3) uint8, matched in colour.
    usable
        (h, w) bool.

    Returns
    -------
    sigma
        (256,) float32: standard deviation of the difference, by green level, in grey levels, from
        the median absolute deviation of calm pixels.
    slope
        Further standard deviation for each grey level of spread about a pixel, from steep pixels.
    """
    differences, levels, spreads = [], [], []
    height, width = usable.shape
    sparse = max(1, height * width // N_SAMPLES)
    for top in range(0, height - SAMPLE_ROWS + 1, sparse):
        rows = slice(top, top + SAMPLE_ROWS)
        _, spread = _unexplained(first[rows], second[rows])
        inside = usable[rows][2]
        smooth = [cv2.GaussianBlur(photo[rows], (3, 3), 0)[2] for photo in (first, second)]
        differences.append(np.subtract(*smooth, dtype=np.float32)[inside])
        levels.append(second[rows][2, :, 1][inside])
        spreads.append(spread[2][inside].astype(np.float32))
    return _noise_model(
        np.concatenate(differences), np.concatenate(levels), np.concatenate(spreads)
    )


def _noise_model(difference: F32, level: U8, steepness: F32) -> tuple[F32, float]:
    """Fit `estimate_noise` to samples: (N, 3) differences, and (N,) level and spread."""
    if len(level) < 100:
        return np.full(256, NOISE_FLOOR, np.float32), 0.0
    calm = steepness <= np.median(steepness)
    centres, sigmas = [], []
    for low in np.linspace(0, 256, N_LEVEL_BINS, endpoint=False):
        chosen = calm & (level >= low) & (level < low + 256 / N_LEVEL_BINS)
        if chosen.sum() >= 200:
            centres.append(float(low) + 128 / N_LEVEL_BINS)
            sigmas.append(_sigma(difference[chosen]))
    if not centres:
        centres, sigmas = [128.0], [_sigma(difference)]
    sigma = np.maximum(np.interp(np.arange(256), centres, sigmas), NOISE_FLOOR).astype(np.float32)
    steep = steepness >= max(float(np.quantile(steepness, 0.75)), 4.0)
    if steep.sum() < 100:
        return sigma, 0.0
    excess = np.abs(difference[steep]).max(axis=1) / steepness[steep]
    return sigma, float(np.median(excess))


def _sigma(difference: F32) -> float:
    """Give the largest channel's robust standard deviation of (N, 3) differences."""
    centred = np.abs(difference - np.median(difference, axis=0))
    return float(MAD_TO_SIGMA * np.median(centred, axis=0).max())


def _reduced(rgb: U8, step: int) -> U8:
    if step == 1:
        return rgb
    height, width = rgb.shape[0] // step, rgb.shape[1] // step
    whole = rgb[: height * step, : width * step]
    return as_u8(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA))


def _usable(valid: Bool, step: int, size: tuple[int, int]) -> Bool:
    """Take a margin off the valid area at the working size: blur and neighbours reach two pixels."""
    inside = valid[::step, ::step][: size[0], : size[1]].astype(np.uint8)
    margin = np.ones((7, 7), np.uint8)
    bordered = cv2.erode(inside, margin, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return as_u8(bordered).view(np.bool_)
