"""The line along the middle of an animal's mask, from tip to tip, and how wide the body is across it.

The mask is thinned to a line of single pixels; the longest way through that line is the body's. Its
ends are cut back by the half-width there, where a thinned line turns into a corner, and drawn out
straight to the edge of the mask: a thinned line by itself loses about half a width at each end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import as_f32, describe
from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from pestvision.arrays import F64, U8, Bool

N_POINTS = 11
"""Points along a midline unless more are asked for."""

_LONG_SIDE_PX = 160.0  # masks are brought to this: a finer line is no straighter, and takes longer
_MOST_ENLARGED = 4.0
_ROUND = 0.55  # width over length: beyond it a body has no axis that can be told (own drawings)
_HOLE_SHARE = 0.02  # of the body: smaller holes are specks of light on the back, and are filled
_SPLINE_PX = (
    0.28  # how far a line of whole pixels strays from the middle: a pixel over the root of 12
)
_FINE = 200  # points in which a line is followed to its exact length

LOOP = "It lies in a loop or crosses itself, so its length may be off."
COMPACT = "It is about as wide as long, or curled up: the length is its longest extent."


@dataclass(frozen=True, slots=True, eq=False)
class Midline:
    """The line along the middle of a body.

    `points_xy_px`: (K, 2) float64, evenly from tip to tip, in pixels of the mask, (0, 0) being the
    top-left corner of its top-left pixel. `widths_px`: (K,) float64, across the line at each. At the
    tips themselves it is the width just within. `length_px`: along the line. `doubts`: sentences.
    """

    points_xy_px: F64
    widths_px: F64
    length_px: float
    doubts: tuple[str, ...] = ()


def midline_of(mask: Bool, *, n_points: int = N_POINTS) -> Midline | None:
    """Give the midline of the largest piece of a mask, or None where the mask is empty.

    Parameters
    ----------
    mask
        (h, w) bool.
    n_points
        How many points along the line, 3 or more.

    Raises
    ------
    ShapeError
        If the mask is not (h, w) bool, or `n_points` is below 3.
    """
    if mask.ndim != 2 or mask.dtype != np.bool_:
        raise ShapeError("mask", expected="(h, w) bool", actual=describe(mask))
    if n_points < 3:
        raise ShapeError("n_points", expected="3 or more", actual=str(n_points))
    piece = largest_piece(mask)
    if piece is None:
        return None
    body, left, top = piece
    worked, factor, has_loop = _worked(body)
    line = _axis(worked)
    doubts: tuple[str, ...] = ()
    widths = None if line is None else _widths(worked, _evenly(line, n_points))
    if line is None or widths is None or float(widths.max()) > _ROUND * _length(line):
        line, doubts = _longest_extent(worked), (COMPACT,)
        widths = _widths(worked, _evenly(line, n_points))
    if has_loop:
        doubts = (*doubts, LOOP)
    # The worked mask has a rim of two pixels; pixel centres lie half a pixel in.
    points = (_evenly(line, n_points) + 0.5 - _RIM) / factor + np.array([left, top])
    return Midline(points, widths / factor, _length(line) / factor, doubts)


_RIM = 2


def largest_piece(mask: Bool) -> tuple[U8, int, int] | None:
    """Give the largest connected piece, cut out, as 0 and 1, and its left and top; None for none."""
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    if n < 2:
        return None
    index = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    left, top, width, height = (int(value) for value in stats[index, :4])
    piece = labels[top : top + height, left : left + width] == index
    return piece.astype(np.uint8), left, top


def _worked(body: U8) -> tuple[U8, float, bool]:
    """Bring a piece to the size that is worked in, small holes filled; give the factor, and if a loop.

    The answer has a rim of empty pixels.
    """
    contours, tree = cv2.findContours(body, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    has_loop, area = False, float(body.sum())
    filled = body.copy()
    for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True):
        if parent < 0:
            continue
        if cv2.contourArea(contour) > _HOLE_SHARE * area:
            has_loop = True
        else:
            cv2.drawContours(filled, [contour], -1, 1, cv2.FILLED)
    factor = min(_LONG_SIDE_PX / max(filled.shape), _MOST_ENLARGED)
    size = tuple(max(1, round(side * factor)) for side in filled.shape[::-1])
    soft = cv2.copyMakeBorder(
        filled * np.uint8(255), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0
    ).astype(np.float32)
    turned = np.array([[factor, 0, 0], [0, factor, 0]], np.float64)
    # A pixel's centre at i comes to factor * (i + 0.5) - 0.5 + rim; the border shifted i by one.
    turned[:, 2] = factor * (0.5 - 1.0) - 0.5 + _RIM
    if factor < 1.0:
        soft = as_f32(cv2.GaussianBlur(soft, (0, 0), 0.45 / factor))
    grown = cv2.warpAffine(
        soft, turned, (size[0] + 2 * _RIM, size[1] + 2 * _RIM), flags=cv2.INTER_LINEAR
    )
    if factor > 1.0:
        grown = cv2.GaussianBlur(grown, (0, 0), 0.35 * factor)
    worked = (grown > 127).astype(np.uint8)
    if not worked.any():
        worked[_RIM:-_RIM, _RIM:-_RIM] = 1
    return worked, factor, has_loop


def _thinning_tables() -> tuple[U8, U8]:
    """Tables of Zhang and Suen 1984 (Commun ACM 27:236-239): which neighbourhoods lose their middle."""
    tables = np.zeros((2, 256), np.uint8)
    for code in range(256):
        around = [(code >> bit) & 1 for bit in range(8)]  # north, then clockwise
        n, turns = sum(around), sum(around[i] == 0 and around[(i + 1) % 8] == 1 for i in range(8))
        if not 2 <= n <= 6 or turns != 1:
            continue
        north, east, south, west = around[0], around[2], around[4], around[6]
        at = sum(bit << place for bit, place in zip(around, _PLACES, strict=True))
        tables[0, at] = not (north and east and south) and not (east and south and west)
        tables[1, at] = not (north and east and west) and not (north and south and west)
    return tables[0], tables[1]


_ACROSS, _DOWN = (0, 6, 3), (0, 2, 1)  # powers of two: west, middle, east; north, middle, south
_PLACES = (6, 3, 5, 4, 7, 1, 2, 0)
"""The bit of each neighbour, from north clockwise: its column's power and its row's together. Each has one of
its own, and the middle, at 2 to the power of 8, falls out of eight bits: a code is then two sums of three."""
_TABLES = _thinning_tables()


def thinned(body: U8) -> U8:
    """Thin a mask of 0 and 1, empty at its rim, to lines of single pixels that keep its connections."""
    left = np.pad(body, 1)  # rows run on into each other, and nothing may touch across
    flat, wide = left.reshape(-1), left.shape[1]
    across, code, gone = np.zeros((3, 1, flat.size), np.uint8)
    while True:
        lost = 0
        for table in _TABLES:
            _weighed(flat, 1, _ACROSS, out=across[0])
            _weighed(across[0], wide, _DOWN, out=code[0])
            cv2.LUT(code, table, dst=gone)
            gone &= flat
            n_gone = int(np.count_nonzero(gone))
            if n_gone:
                flat ^= gone[0]
                lost += n_gone
        if not lost:
            return left[1:-1, 1:-1]


def _weighed(values: U8, step: int, powers: tuple[int, int, int], *, out: U8) -> None:
    """Add each value, the one a step before and the one after, times these powers of two, in eight bits."""
    before, here, after = (np.uint8(1 << power) for power in powers)
    middle = out[step:-step]
    np.multiply(values[step:-step], here, out=middle)
    middle += values[: -2 * step] * before
    middle += values[2 * step :] * after


def _axis(body: U8) -> F64 | None:
    """Give the body's line as (N, 2) pixel places, its ends at the edge of the mask; None if too short."""
    inner = cv2.distanceTransform(body, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    way = _longest_way(thinned(body))
    if len(way) < 5:
        return None
    radius = inner[way[:, 1].astype(int), way[:, 0].astype(int)]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    first = int(np.argmax(along >= radius))
    last = len(way) - 1 - int(np.argmax((along[-1] - along)[::-1] >= radius[::-1]))
    if last - first < 4:
        return None
    line = _smoothed(way[first : last + 1])
    reach = max(3.0, float(np.median(radius)))
    head = _to_the_edge(inner, line, reach=reach)
    tail = _to_the_edge(inner, line[::-1], reach=reach)
    return np.vstack([tail[None], line, head[None]])[::-1]


def _longest_way(line: U8) -> F64:
    """Give the pixels (x, y) of the longest of the shortest ways through a thinned mask."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import dijkstra

    rows, columns = np.nonzero(line)
    n = len(rows)
    if n == 0:  # a block of four pixels thins to nothing
        return np.zeros((0, 2))
    number = np.full(line.shape, -1, np.int32)
    number[rows, columns] = np.arange(n)
    starts, ends, weights = [], [], []
    for down, across in ((0, 1), (1, 0), (1, 1), (1, -1)):
        other = number[rows + down, columns + across]
        linked = np.nonzero(other >= 0)[0]
        starts.append(linked)
        ends.append(other[linked])
        weights.append(np.full(len(linked), np.hypot(down, across)))
    links = (np.concatenate(weights), (np.concatenate(starts), np.concatenate(ends)))
    graph = coo_array(links, shape=(n, n)).tocsr()
    far = _farthest(dijkstra(graph, directed=False, indices=0))
    reached, before = dijkstra(graph, directed=False, indices=far, return_predecessors=True)
    at, way = _farthest(reached), []
    while at >= 0:
        way.append(at)
        at = int(before[at])
    return np.column_stack([columns[way], rows[way]]).astype(np.float64)


def _farthest(reached: F64) -> int:
    return int(np.argmax(np.where(np.isfinite(reached), reached, -1.0)))


def _smoothed(way: F64) -> F64:
    """Take the pixel steps out of a way: a spline that strays from it by about half a pixel."""
    from scipy.interpolate import splev, splprep

    degree = min(3, len(way) - 1)
    spline, _ = splprep(way.T, s=len(way) * _SPLINE_PX**2, k=degree)
    return np.column_stack(splev(np.linspace(0, 1, _FINE), spline))


def _to_the_edge(inner: np.ndarray, line: F64, *, reach: float) -> F64:
    """Go on straight from the line's last point to the edge of the mask; `inner`: distance to outside."""
    along = np.cumsum(np.hypot(*np.diff(line[::-1], axis=0).T))
    back = line[-1 - (1 + int(np.searchsorted(along, min(reach, along[-1] * 0.5))))]
    ahead = (line[-1] - back) / max(float(np.hypot(*(line[-1] - back))), 1e-9)
    steps = np.arange(0.0, float(max(inner.shape)), 0.25)
    places = line[-1] + steps[:, None] * ahead
    depth = _sampled(inner, places)
    outside = depth < 0.5  # the edge runs half a pixel within the first empty pixel's centre
    stop = int(np.argmax(outside)) if outside.any() else len(steps) - 1
    return np.asarray(places[max(stop, 1)], np.float64)


def _sampled(inner: np.ndarray, places_xy: F64) -> F64:
    """Read an image at places between its pixels, 0 outside it."""
    x, y = (places_xy[:, i].astype(np.float32).reshape(-1, 1) for i in (0, 1))
    read = cv2.remap(inner, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(read[:, 0], np.float64)


def _length(line: F64) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _evenly(line: F64, n: int) -> F64:
    """Give `n` points evenly along a line."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.linspace(0.0, along[-1], n)
    return np.column_stack([np.interp(at, along, line[:, axis]) for axis in (0, 1)])


def _widths(body: U8, points: F64) -> F64:
    """Give the width across the line at each point, at the tips the width a twentieth further in."""
    at = points.copy()
    at[0] += 0.5 * (points[1] - points[0])
    at[-1] += 0.5 * (points[-2] - points[-1])
    ahead = np.gradient(points, axis=0)
    ahead /= np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
    across = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    steps = np.arange(0.0, float(max(body.shape)) / 2, 0.5)
    solid = body.astype(np.float32)
    total = np.zeros(len(points))
    for side in (-1.0, 1.0):
        places = at[:, None] + side * steps[:, None] * across[:, None]
        filled = _sampled(solid, places.reshape(-1, 2)).reshape(len(points), -1) >= 0.5
        total += np.where(filled.all(axis=1), len(steps), np.argmin(filled, axis=1)) * 0.5
    return np.maximum(total - 0.5, 1.0)


def _longest_extent(body: U8) -> F64:
    """Give the two points of a mask that lie farthest apart, as a line of two points."""
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(contours, key=len))[:, 0].astype(np.float64)
    gaps = hull[:, None] - hull[None]
    one, other = np.unravel_index(int(np.argmax((gaps**2).sum(axis=2))), (len(hull), len(hull)))
    ahead = hull[other] - hull[one]
    # From the outer edge of one pixel to that of the other, not between their centres.
    ahead = 0.5 * ahead / max(float(np.hypot(*ahead)), 1e-9)
    if not ahead.any():
        ahead = np.array([0.5, 0.0])
    return np.vstack([hull[one] - ahead, hull[other] + ahead])
