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
    from numpy.typing import NDArray

    from pestvision.motion.align import AlignedPair

WORK_LONG_SIDE_PX = 2000  # a 12-megapixel photo is halved: a 16-pixel animal keeps 8 pixels
BAND_ROWS = 96  # worked on at once: 0.6 MB a copy at the working size, where the whole is 9 MB
HALO_ROWS = 4  # blur, neighbours and blur again reach three
N_SAMPLES = 40_000  # pixels for the noise: a median over a 16th of them is good to 3 %
TILES = (64, 48)  # columns, rows of the colour fit: an animal covers few of them
ROBUST_ROUNDS = 6  # of reweighting; the fit stands still after four on drawn pairs
USABLE_LEVELS = (6.0, 235.0)  # outside, a tile holds clipped pixels and its ratio means nothing
CLIPPED = 250  # of 255: brighter pixels are not told apart from each other
BLACK = 1  # of 255: the same at the dark end
FIRST_SCALE = (
    0.06  # of the logarithm of the ratio: what is 30 % off the median of all tiles is set aside
)
MOST_MENDED = 10.0
"""Grey levels by which a level's pixels may be off the curve for it to be mended by them. What is further
off is no tone: on a bare pane only a large snail that came was dark, and it mended away all dark fish.
Without the limit the largest mend of 90 channels (30 still drawn pairs) was 3 at the median and above 10 in
a third; no other limit was tried."""
TILE_RANGE = (0.005, 0.995)
"""Quantiles of the tiles' levels: beyond them the ratio stays what it is at the end. On a bare pane all
tiles are alike, and a curve bent by their noise laid dark fish onto the ground's own level."""
LEVEL_OFFSET = 8.0  # keeps the logarithm of dark tiles from ruling the fit
NOISE_FLOOR = 1.2  # grey levels: rounding twice and JPEG at good quality
N_LEVEL_BINS = 16
SAMPLE_ROWS = 5  # a sampled row with the two rows on each side that smoothing and spread reach
LEAST_IN_BIN = 200  # sampled pixels: a median of fewer wanders by a grey level
MAD_TO_SIGMA = 1.4826  # of a normal distribution
CALM_MEAN = 0.5586  # mean of the least four fifths of |x|, x standard normal: 2 (phi(0) - phi(1.2816)) / 0.8
CALM_TENTH = (
    1.35  # z that a tenth of the pixels exceed on a well matched pair (drawn pairs: 1.1 to 1.4)
)
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
    first, second = pair.reduced(step)
    usable = _usable(pair.valid, step, first.shape[:2])
    first, second = match_colour(first, second, usable)
    sigma, slope = estimate_noise(first, second, usable)
    half_clipped = _half_clipped_sigma(first, second, usable)
    variance_of_level = np.square(sigma)
    variance_of_spread = np.square(slope * np.arange(256)).astype(np.float32)
    z = np.empty(first.shape[:2], np.float32)
    top = int(second.max()) if half_clipped > 0 else 0
    for rows, halo in bands_about(first.shape[0], BAND_ROWS, HALO_ROWS):
        inner = slice(rows.start - halo.start, rows.stop - halo.start)
        unexplained, spread = (whole[inner] for whole in _unexplained(first[halo], second[halo]))
        variance = cv2.LUT(cv2.extractChannel(second[rows], 1), variance_of_level)
        cv2.add(variance, cv2.LUT(spread, variance_of_spread), variance)
        if half_clipped > 0:
            variance += np.square(half_clipped) * _is_half_clipped(second[rows], top)
        cv2.divide(unexplained, cv2.sqrt(variance, variance), z[rows])
    z[~usable] = 0.0
    sample = z[::4, ::4][usable[::4, ::4]]
    tenth = float(np.quantile(sample, 0.9)) if sample.size else 0.0
    if tenth > CALM_TENTH:
        z *= np.float32(CALM_TENTH / tenth)
    return ChangeMap(z, first, second, usable, step)


def bands_about(height: int, band_rows: int, halo_rows: int) -> list[tuple[slice, slice]]:
    """Cut rows into bands that fit the processor's cache, each with its rows and those about it."""
    return [
        (
            slice(top, min(height, top + band_rows)),
            slice(max(0, top - halo_rows), min(height, top + band_rows + halo_rows)),
        )
        for top in range(0, height, band_rows)
    ]


def work_step(size: tuple[int, int], min_length_px: float) -> int:
    """Give the whole number by which photos of `size` (height, width) are reduced."""
    wanted = -(-max(size) // WORK_LONG_SIDE_PX)
    return max(1, min(wanted, int(min_length_px // 8)))


def match_colour(first: U8, second: U8, usable: Bool) -> tuple[U8, U8]:
    """Match the second photo to the first in exposure, colour and light fall-off.

    The logarithm of the ratio of tile means is fitted, channel by channel, by a quadratic in place
    and by a gain, an offset and a gamma in level, with weights that leave out tiles where something changed.

    Parameters
    ----------
    first, second
        (h, w, 3) uint8, RGB.
    usable
        (h, w) bool.

    Returns
    -------
    Both photos, (h, w, 3) uint8, clipped at the darkest and brightest levels that both can show.
    """
    tiles_first, tiles_second = (_tiles(photo).reshape(-1, 3) for photo in (first, second))
    inside = _tiles(usable.view(np.uint8) * np.uint8(255)).ravel() > 253
    table = np.zeros((256, 3), np.float32)
    field = np.zeros((TILES[1], TILES[0], 3), np.float32)
    for channel in range(3):
        curve, place = _colour_fit(tiles_first[:, channel], tiles_second[:, channel], inside)
        table[:, channel] = curve
        field[:, :, channel] = place
    table = _mended(table, field, (first, second), usable)
    cap = min(float(CLIPPED), float(table[CLIPPED].min()))
    floor = np.minimum(table[BLACK], cap)
    rounded = np.clip(np.rint(table), floor, cap).astype(np.uint8)
    matched: cv2.typing.MatLike = cv2.LUT(second, rounded.reshape(1, 256, 3))
    if float(np.abs(field - 1.0).max()) > 0.01:  # a smaller fall-off is under the rounding
        gain = cv2.resize(field, (first.shape[1], first.shape[0]), interpolation=cv2.INTER_LINEAR)
        matched = _capped(cv2.multiply(matched, gain, dtype=cv2.CV_8U), cap)
    if float(floor.max()) < 3.0:
        return _capped(first, cap), as_u8(matched)
    same = np.repeat(np.arange(256.0)[:, None], 3, axis=1)
    kept = np.clip(same, np.rint(floor), cap).astype(np.uint8).reshape(1, 256, 3)
    return as_u8(cv2.LUT(first, kept)), as_u8(matched)


def _capped(photo: cv2.typing.MatLike, cap: float) -> U8:
    return as_u8(cv2.threshold(photo, cap, 255, cv2.THRESH_TRUNC)[1])


def _tiles(photo: U8) -> F64:
    """Give tile means, from every second pixel of the larger photos."""
    sparse = max(1, photo.shape[1] // (TILES[0] * 8))
    means: F64 = cv2.resize(_thinned(photo, sparse), TILES, interpolation=cv2.INTER_AREA).astype(
        np.float64
    )
    return means


def _thinned(photo: U8, step: int) -> U8:
    """Give every `step`-th pixel both ways; four times as quick as a strided copy."""
    height, width = photo.shape[0] // step, photo.shape[1] // step
    whole = photo[: height * step, : width * step]
    return as_u8(cv2.resize(whole, (width, height), interpolation=cv2.INTER_NEAREST))


def _by_level(level: U8) -> list[NDArray[np.intp]]:
    """Give the places of the levels that lie in each of `N_LEVEL_BINS` bins."""
    owner = level // np.uint8(256 // N_LEVEL_BINS)
    order = np.argsort(owner, kind="stable")  # of bytes: by counting
    ends = np.cumsum(np.bincount(owner, minlength=N_LEVEL_BINS))
    return np.split(order, ends[:-1])


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
    weights = _trust(ratio - np.median(ratio), FIRST_SCALE)
    ridge = np.diag(
        [0.0, 1.0, 1.0, *[0.3] * 5]
    )  # tiles' worth of doubt about everything but the gain
    solution = np.zeros(8)
    for _ in range(ROBUST_ROUNDS):
        weighted = design * weights[:, None]
        solution = np.linalg.solve(weighted.T @ design + ridge, weighted.T @ ratio)
        left = ratio - design @ solution
        weights = _trust(left, 0.003)
    shown = np.clip(levels, *np.quantile(second[kept], TILE_RANGE))
    curve = np.exp(_tone(shown) @ solution[:3]) * (levels + LEVEL_OFFSET) - LEVEL_OFFSET
    gains = np.exp(place @ solution[3:]).reshape(TILES[1], TILES[0])
    return np.maximum(curve, 0.0).astype(np.float32), gains.astype(np.float32)


def _trust(left: F64, least_scale: float) -> F64:
    """Give Tukey's weights of residuals, by their own spread: nothing beyond 4.7 of it counts."""
    scale = max(MAD_TO_SIGMA * float(np.median(np.abs(left))), least_scale)
    weights: F64 = np.square(np.clip(1.0 - np.square(left / (4.7 * scale)), 0.0, 1.0))
    return weights


def _mended(table: F32, field: F32, photos: tuple[U8, U8], usable: Bool) -> F32:
    """Add to each channel's curve what pixels of a level are still off by: the median over them.

    Tiles mix light and dark; a camera's own curve shows only in pixels.
    """
    stride = max(1, int(np.sqrt(usable.size / N_SAMPLES)))
    pick = (slice(None, None, stride), slice(None, None, stride))
    inside = usable[pick]
    aims, levels_seen = (photo[pick][inside].T.copy() for photo in photos)
    gains = cv2.resize(field, inside.shape[::-1], interpolation=cv2.INTER_LINEAR)[inside].T
    mended = table.copy()
    for channel in range(3):
        level, aim = levels_seen[channel], aims[channel]
        is_open = (level > BLACK) & (level < CLIPPED) & (aim > BLACK) & (aim < CLIPPED)
        level = level[is_open]
        apart = aim[is_open] - table[:, channel][level] * gains[channel][is_open]
        chosen = _by_level(level)
        filled = [item for item in chosen if len(item) >= LEAST_IN_BIN]
        if filled:
            at = [float(level[item].mean()) for item in filled]
            off = [float(np.median(apart[item])) for item in filled]
            told = [rank for rank, levels in enumerate(off) if abs(levels) <= MOST_MENDED]
            if told:
                mended[:, channel] += np.interp(
                    np.arange(256), [at[rank] for rank in told], [off[rank] for rank in told]
                )
    return np.clip(mended, 0, 255)


def _tone(level: F64) -> F64:
    """Give the three terms of level: a gain, an offset (which fades with light), a gamma.

    None of them bends where the levels run out, so that what lies beyond the tiles' range is safe.
    """
    gain = np.ones_like(level)
    return np.stack([gain, 16.0 / (level + 16.0), np.log((level + 16.0) / 144.0)], axis=1)


def _unexplained(first: U8, second: U8) -> tuple[F32, U8]:
    """Give the change that no neighbouring pixel explains, and the local spread, (h, w) each.

    Both are smoothed a little. Then, for each channel, a pixel of one photo is compared with the
    least and the greatest value of the 3 × 3 pixels about its place in the other. The larger of both
    directions and of the channels counts.
    """
    change, spread = _of_channel(first, second, 0)
    for channel in (1, 2):
        more, wider = _of_channel(first, second, channel)
        cv2.max(change, more, change)
        cv2.max(spread, wider, spread)
    return as_f32(cv2.boxFilter(change, cv2.CV_32F, (3, 3))), spread


def _of_channel(first: U8, second: U8, channel: int) -> tuple[U8, U8]:
    """Give one channel's change that no neighbour explains, before smoothing, and its spread.

    Channel by channel the blur takes a third of the time it takes on all three at once.
    """
    one, other = (
        as_u8(cv2.GaussianBlur(cv2.extractChannel(photo, channel), (3, 3), 0))
        for photo in (first, second)
    )
    low, high = _neighbours(one)
    low_other, high_other = _neighbours(other)
    spread = as_u8(cv2.max(cv2.subtract(high, low), cv2.subtract(high_other, low_other)))
    # Each neighbourhood is needed once more: what lies beyond it is put in its place.
    cv2.subtract(one, high_other, high_other)
    cv2.subtract(low_other, one, low_other)
    cv2.subtract(other, high, high)
    cv2.subtract(low, other, low)
    cv2.max(high_other, low_other, high_other)
    cv2.max(high, low, high)
    return as_u8(cv2.max(high_other, high, high)), spread


def _is_half_clipped(photo: U8, top: int) -> Bool:
    """Mark pixels with one channel clipped and another not: their colour is no measure any more."""
    red, green, blue = cv2.split(photo)
    high = cv2.max(cv2.max(red, green), blue)
    low = cv2.min(cv2.min(red, green), blue)
    return np.asarray((high >= top - 1) & (low < top - 3))


def _half_clipped_sigma(first: U8, second: U8, usable: Bool) -> float:
    """Give the standard deviation about zero of the difference where one channel is clipped."""
    pick = (slice(None, None, 5), slice(None, None, 5))
    one, other = np.ascontiguousarray(first[pick]), np.ascontiguousarray(second[pick])
    chosen = _is_half_clipped(other, int(other.max())) & usable[pick]
    if chosen.sum() < 50:
        return 0.0
    apart = np.abs(np.subtract(one[chosen], other[chosen], dtype=np.float32)).max(axis=1)
    return float(MAD_TO_SIGMA * np.median(apart))


def local_spread(photo: U8) -> U8:
    """Give the largest channel's range over the 3 × 3 pixels about each: (h, w)."""
    spreads = []
    for channel in range(3):
        low, high = _neighbours(
            as_u8(cv2.GaussianBlur(cv2.extractChannel(photo, channel), (3, 3), 0))
        )
        spreads.append(cv2.subtract(high, low))
    return as_u8(cv2.max(cv2.max(spreads[0], spreads[1]), spreads[2]))


def _neighbours(photo: U8) -> tuple[U8, U8]:
    return as_u8(cv2.erode(photo, NEAR)), as_u8(cv2.dilate(photo, NEAR))


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
        the calmest four fifths of the pixels on even ground.
    slope
        Further standard deviation for each grey level of spread about a pixel, from steep pixels.
    """
    height, width = usable.shape
    sparse = max(1, height * width // N_SAMPLES)
    tops = np.arange(0, height - SAMPLE_ROWS + 1, sparse)
    # The sampled rows lie one below the other: what blur mixes across strips is never looked at.
    rows = (tops[:, None] + np.arange(SAMPLE_ROWS)).ravel()
    strips = [np.ascontiguousarray(photo[rows]) for photo in (first, second)]
    middles = slice(SAMPLE_ROWS // 2, None, SAMPLE_ROWS)
    inside = usable[tops + SAMPLE_ROWS // 2]
    spread = cv2.max(*(local_spread(strip) for strip in strips))
    smooth = [cv2.GaussianBlur(strip, (3, 3), 0)[middles][inside] for strip in strips]
    return _noise_model(
        np.subtract(*smooth, dtype=np.float32),
        strips[1][middles, :, 1][inside],
        spread[middles][inside].astype(np.float32),
    )


def _noise_model(difference: F32, level: U8, steepness: F32) -> tuple[F32, float]:
    """Fit `estimate_noise` to samples: (N, 3) differences, and (N,) level and spread."""
    if len(level) < 100:
        return np.full(256, NOISE_FLOOR, np.float32), 0.0
    centres, sigmas = [], []
    for rank, within in enumerate(_by_level(level)):
        if len(within) >= 2 * LEAST_IN_BIN:
            calm = within[steepness[within] <= np.median(steepness[within])]
            centres.append((rank + 0.5) * 256 / N_LEVEL_BINS)
            sigmas.append(_sigma(difference[calm]))
    if not centres:
        centres, sigmas = [128.0], [_sigma(difference)]
    sigma = np.maximum(np.interp(np.arange(256), centres, sigmas), NOISE_FLOOR).astype(np.float32)
    steep = steepness >= max(float(np.quantile(steepness, 0.75)), 4.0)
    if steep.sum() < 100:
        return sigma, 0.0
    excess = np.abs(difference[steep]).max(axis=1) / steepness[steep]
    return sigma, float(np.median(excess))


def _sigma(difference: F32) -> float:
    """Give the largest channel's robust standard deviation of (N, 3) differences.

    The mean of the calmest four fifths, not a median: whole grey levels would make it jump.
    """
    centred = np.abs((difference - difference.mean(axis=0)).T)
    n_calm = max(1, len(difference) * 4 // 5)
    calm = np.partition(centred, n_calm - 1, axis=1)[:, :n_calm]
    return float(calm.mean(axis=1).max() / CALM_MEAN)


def _usable(valid: Bool, step: int, size: tuple[int, int]) -> Bool:
    """Take a margin off the valid area at the working size: blur and neighbours reach two pixels."""
    inside = _thinned(valid.view(np.uint8)[: size[0] * step, : size[1] * step], step)
    margin = np.ones((7, 7), np.uint8)
    bordered = cv2.erode(inside, margin, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return as_u8(bordered).view(np.bool_)
