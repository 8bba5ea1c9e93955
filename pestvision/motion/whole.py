"""Align two photos by all they show, where few corners are more than grain.

Both greys are cut into bands of detail, an octave each. A coarse band is tried at a grid of turns and
scales, the shift from the cross-correlation. From the best of these, the bands together are laid over
each other by least squares: each weighs by the noise it is left with and by how much of it is scene, so
that bands which are nothing but grain do no harm, and what moved by itself or shone is left out.

Whether the two show one place is asked last: the correlation in each band must stand clear of the same
correlation with the photos shifted against each other, which tells what chance gives on these photos.

Notes
-----
Square roots of grey levels are compared, so that grain is alike in dark and light. What exposure then
changes is a factor, which is fitted too.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, Bool, as_f32

LONG_SIDE_PX = 800  # grey is reduced by a whole number until no side is longer
MOST_BANDS = 6
LEAST_BAND_PX = 12  # no band is coarser: fewer pixels tell nothing
SEARCH_LONG_SIDE_PX = 192
"""The finest band that is searched is no longer than this: a turn of 0.6 degrees, half a step of the
grid, then moves a corner by a pixel. Of 180 low-detail pairs the best four places held the truth in 177;
with the spectrum wholly evened in 175, and then at 140 pixels in 171."""
TURNS_DEG = (-2.5, -1.25, 0.0, 1.25, 2.5)
SCALES = (0.97, 1.0, 1.03)
SEARCH_SHARE = 0.15  # of the long side: shifts looked for
N_STARTS = 3
CLIP_SIGMAS = 3.0  # of a band's calm spread: a glare that jumped must not outweigh the place
OUTLIER_SIGMAS = 3.0  # of the residual: beyond it a pixel's pull falls off (Geman & McClure)
LEAST_SCENE = (
    0.003  # least weight of a band by its correlation, so that a bad start can still improve
)
COARSE_ROUNDS, FINE_ROUNDS = 4, 12
SETTLED_PX = 0.01  # a step of the least squares below this ends it
MARGIN_PX = 3  # at every band: the frame's edge is left out
LEAST_PIXELS = 150  # of a band that is used
FAR_PX = (
    3  # shifts this far, in a band's pixels, and up to a fifth of the frame, give the chance level
)
LEAST_CLEAR = 17.0
"""Standard deviations of chance by which the correlations, summed over bands, must stand clear. In 180 pairs
of unrelated photos, hard to see, the best place found reached 8.6; in photos and their own mirror images,
and in two alike buckets before one camera, 16.1: the limit was set above those. Of 213 low-detail pairs
laid over each other to within a pixel the least clear had 20; of seven that were off by more, 5 to 29."""
BENT_CLEAR = 150.0
"""Gain in chi-square for which a homography's four further unknowns are believed. Residuals are no white
noise: of 55 pairs without any bend the gain reached 129. Bent by 1 px or so, 38 of the 55 gave over 150,
27 over 1000; the rest are so faint that the bend cannot be told."""


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """A photo's detail by octaves.

    `levels`: (h, w) float32 each, the finest first, each half as large as the one before: pixel (x, y) of
    one is (2 x, 2 y) of that before. `reduction`: whole number from the grey to the finest.
    """

    levels: tuple[F32, ...]
    reduction: int


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """How one photo lies over another.

    `matrix`: (3, 3), in pixels of the grey. `clear`: see `LEAST_CLEAR`. `doubt_px`: standard deviation of
    the place it gives the frame's corners, as the bands' noise has it.
    """

    matrix: F64
    clear: float
    doubt_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Equations:
    """Normal equations of one step: (9, 9) and (9,)."""

    normal: F64
    right: F64


# The unknowns of a step: a shift (2), the four of a linear map, two of perspective, a factor of contrast.
_ALL = np.eye(9)
_SIMILAR = np.zeros((9, 5))
_SIMILAR[[0, 1, 2, 5, 3, 4, 8], [0, 1, 2, 2, 3, 3, 4]] = [1, 1, 1, 1, -1, 1, 1]


def bands_of(grey: U8) -> Bands:
    """Cut a grey photo, (h, w) uint8, into bands."""
    height, width = grey.shape
    reduction = max(1, -(-max(height, width) // LONG_SIDE_PX))
    size = (max(1, width // reduction), max(1, height // reduction))
    whole = grey[: size[1] * reduction, : size[0] * reduction].astype(np.float32)
    if reduction > 1:
        whole = as_f32(cv2.resize(whole, size, interpolation=cv2.INTER_AREA))
    smooth = as_f32(cv2.sqrt(whole + 8.0) * 16.0)
    levels: list[F32] = []
    while len(levels) < MOST_BANDS and min(smooth.shape) >= 2 * LEAST_BAND_PX:
        below = as_f32(cv2.pyrDown(smooth))
        levels.append(as_f32(smooth - _grown(below, smooth)))
        smooth = below
    return Bands(tuple(levels), reduction)


def lay_over(first: Bands, second: Bands, starts: tuple[F64, ...] = ()) -> Laid | None:
    """Find how the second photo lies over the first, or None where nothing stands clear of chance.

    Parameters
    ----------
    first, second
        Of photos of one size.
    starts
        Matrices (3, 3) in pixels of the grey, to be tried beside those that are searched.
    """
    if len(first.levels) < 2:
        return None
    level = _search_level(first)
    grow = _grow(first.reduction)
    tried = [_inverse(grow) @ start @ grow for start in starts]
    best: tuple[float, F64] | None = None
    for start in (*tried, *_searched(first, second, level)):
        rough = _refined(
            first, second, _unbent(start, first.levels[0].shape), (level, max(0, level - 1))
        )
        if rough is None:
            continue
        clear = _clear(first, second, rough, max(0, level - 1))
        if best is None or clear > best[0]:
            best = clear, rough
    if best is None:
        return None
    return _finished(first, second, best[1], max(0, level - 2))


def refine(first: Bands, second: Bands, start: F64) -> Laid | None:
    """Improve a matrix, (3, 3) in pixels of the grey, that is right to some pixels."""
    if len(first.levels) < 2:
        return None
    grow = _grow(first.reduction)
    return _finished(first, second, _inverse(grow) @ start @ grow, min(1, len(first.levels) - 1))


def _finished(first: Bands, second: Bands, start: F64, coarse: int) -> Laid | None:
    """Bring a place to the last part of a pixel, bend it if the bands ask for it, and tell how clear it is."""
    size = first.levels[0].shape
    matrix = _refined(first, second, _unbent(start, size), (coarse, 0))
    whole = None if matrix is None else _equations(first, second, matrix, 0)
    if matrix is None or whole is None:
        return None
    if _gain(whole, _ALL) - _gain(whole, _SIMILAR) > BENT_CLEAR:
        bent = _refined(first, second, start, (coarse, 0), _ALL)
        matrix = matrix if bent is None else bent
    clear = _clear(first, second, matrix, 0)
    if clear < LEAST_CLEAR:
        return None
    grow = _grow(first.reduction)
    return Laid(grow @ matrix @ _inverse(grow), clear, _doubt(whole, first) * first.reduction)


def _unbent(matrix: F64, size: tuple[int, ...]) -> F64:
    """Give the similarity that puts the frame's corners as a homography does, as nearly as one can.

    Through a handful of points on grain a homography's bend is mostly chance: of two pairs each was off
    by 1 and by 4 px for it.
    """
    bottom, right = size[0] - 1.0, size[1] - 1.0
    corners = np.array([[0.0, 0.0, 1], [right, 0.0, 1], [right, bottom, 1], [0.0, bottom, 1]])
    places = corners @ matrix.T
    there = places[:, 0] / places[:, 2] + 1j * places[:, 1] / places[:, 2]
    here = corners[:, 0] + 1j * corners[:, 1]
    middle_here, middle_there = here.mean(), there.mean()
    here = here - middle_here
    turn = complex(np.vdot(here, there) / np.vdot(here, here))
    shift = complex(middle_there - turn * middle_here)
    return np.array(
        [[turn.real, -turn.imag, shift.real], [turn.imag, turn.real, shift.imag], [0.0, 0.0, 1.0]]
    )


def _search_level(bands: Bands) -> int:
    for level, band in enumerate(bands.levels):
        if max(band.shape) <= SEARCH_LONG_SIDE_PX:
            return min(level, max(0, len(bands.levels) - 2))
    return max(0, len(bands.levels) - 2)


def _searched(first: Bands, second: Bands, level: int) -> list[F64]:
    """Try turns and scales, and give the best places that lie apart, in pixels of the finest band.

    Half of the spectrum's unevenness is taken out; see `SEARCH_LONG_SIDE_PX` for what all of it lost.
    """
    one, other = (_two_bands(bands, level) for bands in (first, second))
    height, width = one.shape
    window = cv2.createHanningWindow((width, height), cv2.CV_32F)
    size = (cv2.getOptimalDFTSize(height), cv2.getOptimalDFTSize(width))
    still = np.fft.rfft2(one * window, size)
    reach = max(2, round(SEARCH_SHARE * max(height, width)))
    rows, columns = (
        np.r_[: min(reach, side // 2), side - min(reach, side // 2) : side] for side in size
    )
    found: list[tuple[float, float, float, F64]] = []
    for turn in np.deg2rad(TURNS_DEG):
        for scale in SCALES:
            turned = _turned(float(turn), scale, (height, width))
            cross = still.conj() * np.fft.rfft2(_warped(other, turned) * window, size)
            cross /= np.sqrt(np.abs(cross)) + 1e-9
            peaks = as_f32(np.fft.irfft2(cross, size).astype(np.float32))
            peaks = as_f32(cv2.GaussianBlur(peaks, (0, 0), 0.7))
            peaks /= np.float32(np.sqrt(np.mean(np.square(peaks))) + 1e-9)
            near = peaks[np.ix_(rows, columns)]
            for _ in range(2):
                row, column = np.unravel_index(int(np.argmax(near)), near.shape)
                height_there = float(near[row, column])
                down, right = (
                    float(place - side if place > side // 2 else place)
                    for place, side in ((rows[row], size[0]), (columns[column], size[1]))
                )
                shift = np.array([[1.0, 0.0, right], [0.0, 1.0, down], [0.0, 0.0, 1.0]])
                found.append((height_there, right, down, turned @ shift))
                near[max(0, row - 3) : row + 4, max(0, column - 3) : column + 4] = -np.inf
    found.sort(key=lambda item: -item[0])
    kept: list[tuple[float, float, F64]] = []
    for _, right, down, matrix in found:
        if all(np.hypot(right - x, down - y) > 3 for x, y, _ in kept):
            kept.append((right, down, matrix))
    up = np.diag([2.0**level, 2.0**level, 1.0])
    return [up @ matrix @ _inverse(up) for _, _, matrix in kept[:N_STARTS]]


def _two_bands(bands: Bands, level: int) -> F32:
    """Give a band and the next coarser one together, in units of its calm spread, clipped."""
    both = bands.levels[level] + _grown(bands.levels[level + 1], bands.levels[level])
    return _clipped(as_f32(both), np.ones(both.shape, np.bool_))


def _turned(turn_rad: float, scale: float, size: tuple[int, int]) -> F64:
    """Give a turn and a scale about the middle: (3, 3)."""
    cosine, sine = scale * np.cos(turn_rad), scale * np.sin(turn_rad)
    matrix = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    middle = np.array([(size[1] - 1) / 2, (size[0] - 1) / 2])
    matrix[:2, 2] = middle - matrix[:2, :2] @ middle
    return matrix


def _refined(
    first: Bands, second: Bands, start: F64, levels: tuple[int, int], unknowns: F64 = _SIMILAR
) -> F64 | None:
    """Go by least squares from a coarse band to a finer one; None if it ran away.

    Source of the step, whose gradient is the mean of both photos': Malis 2004, ICRA, 1843-1848. Grain
    in the gradient then does not pull to either side.
    """
    size = first.levels[0].shape
    matrix = start
    for finest in range(levels[0], levels[1] - 1, -1):
        for _ in range(FINE_ROUNDS if finest == levels[1] else COARSE_ROUNDS):
            equations = _equations(first, second, matrix, finest)
            if equations is None:
                return None
            step = _solution(equations, unknowns)
            if step is None or float(np.abs(step[:8]).max()) > 0.3:
                return None
            matrix = matrix @ _small_motion(step, size)
            matrix /= matrix[2, 2]
            if float(np.abs(step[:8]).max()) * max(size) / 2 < SETTLED_PX * 2**finest:
                break
    return matrix


def _solution(equations: _Equations, unknowns: F64) -> F64 | None:
    normal = unknowns.T @ equations.normal @ unknowns
    held = 1e-6 * float(np.trace(normal)) / len(normal) * np.eye(len(normal))
    try:
        solved: F64 = unknowns @ np.linalg.solve(normal + held, unknowns.T @ equations.right)
    except np.linalg.LinAlgError:  # nothing to see in any band
        return None
    return solved if np.isfinite(solved).all() else None


def _gain(equations: _Equations, unknowns: F64) -> float:
    """Give by how much chi-square would fall."""
    step = _solution(equations, unknowns)
    return 0.0 if step is None else float((step * equations.right).sum())


def _doubt(equations: _Equations, bands: Bands) -> float:
    """Give the standard deviation of where a similarity puts the frame's corners, in pixels."""
    normal = _SIMILAR.T @ equations.normal @ _SIMILAR
    variance = np.diag(np.linalg.pinv(normal))[:4]
    half = float(max(bands.levels[0].shape)) / 2
    return half * float(np.sqrt(2.0 * float(variance.sum())))


def _small_motion(step: F64, size: tuple[int, ...]) -> F64:
    """Turn unknowns, in units of half the long side from the middle, into a matrix in pixels."""
    half = max(size) / 2
    middle_x, middle_y = (size[1] - 1) / 2, (size[0] - 1) / 2
    to_unit = np.array([[1, 0, -middle_x], [0, 1, -middle_y], [0, 0, half]]) / half
    moved = np.array(
        [
            [1 + step[2], step[3], step[0]],
            [step[4], 1 + step[5], step[1]],
            [step[6], step[7], 1],
        ]
    )
    motion: F64 = _inverse(to_unit) @ moved @ to_unit
    return motion


def _equations(first: Bands, second: Bands, matrix: F64, finest: int) -> _Equations | None:
    """Add up the normal equations of all bands from the finest asked for."""
    normal, right = np.zeros((9, 9)), np.zeros(9)
    n_used = 0
    for level in range(finest, len(first.levels)):
        part = _of_band(first, second, matrix, level)
        if part is not None:
            normal += part.normal
            right += part.right
            n_used += 1
    return _Equations(normal, right) if n_used else None


def _of_band(first: Bands, second: Bands, matrix: F64, level: int) -> _Equations | None:
    """Give one band's normal equations, weighted by its noise and by how much of it is scene."""
    here = _at_level(matrix, level)
    one, other = first.levels[level], _warped(second.levels[level], here)
    inside = _inside(one.shape, here)
    if int(inside.sum()) < LEAST_PIXELS:
        return None
    one, other = (band / np.float32(band[inside].std() + 1e-6) for band in (one, other))
    both = as_f32(one + other)
    half = max(first.levels[0].shape) / 2
    height, width = one.shape
    down, right = (
        ((np.arange(n) * 2.0**level - (full - 1) / 2) / half).astype(np.float32)
        for n, full in zip((height, width), first.levels[0].shape, strict=True)
    )
    v, u = (grid[inside] for grid in np.broadcast_arrays(down[:, None], right[None, :]))
    # Sobel's eight and the mean of two photos, in units of half the long side.
    unit = half / 2**level / 16
    along = cv2.Sobel(both, cv2.CV_32F, 1, 0, scale=unit)[inside]
    across = cv2.Sobel(both, cv2.CV_32F, 0, 1, scale=unit)[inside]
    outward = along * u + across * v
    columns = np.stack(
        [
            along,
            across,
            along * u,
            along * v,
            across * u,
            across * v,
            -u * outward,
            -v * outward,
            both[inside] / 2,
        ]
    )
    left = (one - other)[inside]
    sigma = 1.4826 * float(np.median(np.abs(left))) + 1e-6
    trust = np.square(1.0 / (1.0 + np.square(left / (OUTLIER_SIGMAS * sigma))))
    scene = float(np.clip(np.mean(one[inside] * other[inside]), LEAST_SCENE, 1.0))
    weighted = columns * (trust * np.float32(scene / sigma**2))
    return _Equations(
        (weighted @ columns.T).astype(np.float64), (weighted @ left).astype(np.float64)
    )


def _clear(first: Bands, second: Bands, matrix: F64, finest: int) -> float:
    """Tell by how many deviations of chance the correlations of the bands stand clear, together.

    Each band's correlation is divided by its root mean square over the shifts from `FAR_PX` to a fifth of
    the frame: chance, on these very photos. Of independent bands the sum over the root of their number is
    as one.
    """
    clear = []
    for level in range(finest, len(first.levels)):
        here = _at_level(matrix, level)
        one, other = first.levels[level], _warped(second.levels[level], here)
        inside = _inside(one.shape, here)
        if int(inside.sum()) < LEAST_PIXELS:
            continue
        clear.append(_over_chance(_clipped(one, inside), _clipped(other, inside)))
    return float(sum(clear) / np.sqrt(len(clear))) if clear else 0.0


def _over_chance(one: F32, other: F32) -> float:
    height, width = one.shape
    size = (cv2.getOptimalDFTSize(height), cv2.getOptimalDFTSize(width))
    cross = np.fft.rfft2(one, size).conj() * np.fft.rfft2(other, size)
    surface = np.fft.irfft2(cross, size)
    here = float(surface[0, 0])
    surface = np.roll(surface, (height // 2, width // 2), axis=(0, 1))
    middle = (height // 2, width // 2)
    surface[
        middle[0] - FAR_PX + 1 : middle[0] + FAR_PX, middle[1] - FAR_PX + 1 : middle[1] + FAR_PX
    ] = 0.0
    far = [max(FAR_PX + 2, side // 5) for side in (height, width)]
    about = surface[
        max(0, middle[0] - far[0]) : middle[0] + far[0],
        max(0, middle[1] - far[1]) : middle[1] + far[1],
    ]
    return here / (float(np.sqrt(np.mean(np.square(about)))) + 1e-9)


def _clipped(band: F32, inside: Bool) -> F32:
    """Give a band in units of its calm spread, clipped, and 0 outside."""
    centred = np.where(inside, band - band[inside].mean(), 0.0)
    sigma = 1.4826 * float(np.median(np.abs(centred[inside]))) + 1e-6
    return as_f32((np.clip(centred / sigma, -CLIP_SIGMAS, CLIP_SIGMAS)).astype(np.float32))


def _grown(below: F32, above: F32) -> F32:
    return as_f32(cv2.pyrUp(below, dstsize=(above.shape[1], above.shape[0])))


def _warped(band: F32, matrix: F64) -> F32:
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return as_f32(cv2.warpPerspective(band, matrix, (band.shape[1], band.shape[0]), flags=flags))


def _inside(size: tuple[int, ...], matrix: F64) -> Bool:
    """Mark the pixels of a band, but for a margin, whose place lies inside the other's margin."""
    height, width = size
    m = float(MARGIN_PX)
    frame = np.array(
        [
            [m, m, 1],
            [width - 1 - m, m, 1],
            [width - 1 - m, height - 1 - m, 1],
            [m, height - 1 - m, 1],
        ]
    )
    places = frame @ _inverse(matrix).T
    corners = np.clip(places[:, :2] / places[:, 2:], -(2.0**14), 2.0**14)
    area = np.zeros((height, width), np.uint8)
    cv2.fillConvexPoly(area, np.round(corners * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    bordered = np.zeros_like(area)
    inner = (slice(MARGIN_PX, height - MARGIN_PX), slice(MARGIN_PX, width - MARGIN_PX))
    bordered[inner] = area[inner]
    return bordered.view(np.bool_)


def _at_level(matrix: F64, level: int) -> F64:
    down = np.diag([0.5**level, 0.5**level, 1.0])
    here: F64 = down @ matrix @ _inverse(down)
    return here


def _grow(reduction: int) -> F64:
    """Carry pixels of the finest band to the grey's: the centre of one lies amid those it was made of."""
    middle = (reduction - 1) / 2
    return np.array([[reduction, 0, middle], [0, reduction, middle], [0, 0, 1]], np.float64)


def _inverse(matrix: F64) -> F64:
    return np.asarray(np.linalg.inv(matrix), np.float64)
