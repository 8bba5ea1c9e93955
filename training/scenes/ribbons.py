"""Bodies along a bent midline: leeches, flatworms, worms, larvae, stems, hoses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import cv2
import numpy as np
import numpy.typing as npt

from training.scenes.paint import Sheet, f32

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64
    from training.scenes.records import Pose

Index: TypeAlias = npt.NDArray[np.intp]

_MIDLINE_POINTS = 49  # one every 2 % of the body: bends of less than a fifth of it stay smooth


def midline(pose: Pose, *, cycles: float = 1.0) -> F64:
    """Give the midline of a pose: (N, 2) in units, tail first, head towards +x, middle at 0.

    Parameters
    ----------
    pose
        Its `stretch` is the length of the line, its `bends_rad` and `phase` its form.
    cycles
        Waves of the S along the body.
    """
    s = np.linspace(0.0, 1.0, _MIDLINE_POINTS)
    whole, wave, ripple = pose.bends_rad
    turn = 2 * np.pi * pose.phase
    angle = (
        whole * (s - 0.5)
        + wave * np.sin(2 * np.pi * cycles * s - turn)
        + ripple * np.sin(4 * np.pi * cycles * s + 1.7 - 2 * turn)
    )
    step = pose.stretch / (_MIDLINE_POINTS - 1)
    middle = 0.5 * (angle[1:] + angle[:-1])
    line = np.zeros((_MIDLINE_POINTS, 2))
    line[1:, 0] = np.cumsum(np.cos(middle)) * step
    line[1:, 1] = np.sin(middle).cumsum() * step
    return np.asarray(line - 0.5 * (line.min(axis=0) + line.max(axis=0)), np.float64)


def extent_of(points: F64, margin: float) -> tuple[float, float, float, float]:
    """Give the box of points in units, grown by a margin."""
    x0, y0 = points.min(axis=0) - margin
    x1, y1 = points.max(axis=0) + margin
    return float(x0), float(y0), float(x1), float(y1)


@dataclass(frozen=True, slots=True, eq=False)
class Ribbon:
    """A bent body's own coordinates, one value a pixel of the sheet.

    `s`: 0 at the tail to 1 at the head. `t`: -1 at one edge to 1 at the other. `half_px`: half the
    width there. `cover`: how much of the pixel lies inside.
    """

    s: F32
    t: F32
    half_px: F32
    cover: F32

    def relief(self, flatness: float) -> F32:
        """Give a rounded height, `flatness` times half the width at the middle, pixels."""
        rise = np.sqrt(np.clip(1.0 - self.t * self.t, 0.0, 1.0))
        return f32(self.half_px * np.float32(flatness) * rise)


def ribbon(sheet: Sheet, line: F64, half: F64) -> Ribbon:
    """Lay body coordinates over a sheet.

    Parameters
    ----------
    sheet
        Where it will be painted; all of the line must lie inside.
    line
        (N, 2) midline in units, tail first.
    half
        (N,) half the width along it, units.

    Notes
    -----
    Each pixel takes the midline sample nearest to it (a labelled distance transform), then its
    exact offset along and across the line there, so edges are smooth to a fraction of a pixel.
    """
    fine, tangent, arc, half_px = _resampled(sheet, line, half)
    rows, columns = sheet.shape
    spots = np.round(fine).astype(np.intp)
    row = np.clip(spots[:, 1], 0, rows - 1)
    column = np.clip(spots[:, 0], 0, columns - 1)
    away = np.full(sheet.shape, 255, np.uint8)
    away[row, column] = 0
    _, labels = cv2.distanceTransformWithLabels(
        away, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    sample_of_label = np.zeros(int(labels.max()) + 1, np.intp)
    sample_of_label[labels[row, column]] = np.arange(len(fine))
    nearest = sample_of_label[labels]
    table = f32(np.column_stack([fine, tangent, arc, half_px]))
    x = np.arange(columns, dtype=np.float32)[None, :]
    y = np.arange(rows, dtype=np.float32)[:, None]
    nearest = _closer(table, nearest, x, y)
    at = table[nearest]
    dx, dy = x - at[..., 0], y - at[..., 1]
    along = at[..., 4] + dx * at[..., 2] + dy * at[..., 3]
    across = dy * at[..., 2] - dx * at[..., 3]
    whole = np.float32(arc[-1])
    beyond = np.maximum(np.maximum(-along, along - whole), 0.0)
    reach = np.maximum(at[..., 5], 1e-3)
    distance = np.hypot(across, beyond)
    cover = np.clip(reach - distance + 0.5, 0.0, 1.0)
    # A body thinner than a pixel covers no pixel wholly.
    cover *= np.minimum(1.0, 2.0 * np.maximum(reach, 0.2))
    return Ribbon(
        s=f32(np.clip(along / whole, 0.0, 1.0)),
        t=f32(np.clip(across / reach, -1.5, 1.5)),
        half_px=f32(reach),
        cover=f32(cover),
    )


def _closer(table: F32, nearest: Index, x: F32, y: F32) -> Index:
    """Correct the nearest sample by the offset along the line there.

    Samples were rounded to whole pixels for the transform, and far from a stepped line only the
    corners of its steps are anybody's nearest.
    """
    at = table[nearest]
    along = (x - at[..., 0]) * at[..., 2] + (y - at[..., 1]) * at[..., 3]
    spacing = float(table[1, 4] - table[0, 4])
    # No further than a few pixels: in a tight bend a long way along leads to another place.
    shift = np.clip(np.rint(along / spacing), -9, 9).astype(np.intp)
    return np.asarray(np.clip(nearest + shift, 0, len(table) - 1), np.intp)


def _resampled(sheet: Sheet, line: F64, half: F64) -> tuple[F64, F64, F64, F64]:
    coarse = sheet.to_px(line).astype(np.float64)
    steps = np.hypot(*np.diff(coarse, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    count = max(8, int(at[-1] * 1.5))
    arc = np.linspace(0.0, at[-1], count)
    fine = np.column_stack([np.interp(arc, at, coarse[:, 0]), np.interp(arc, at, coarse[:, 1])])
    slope = np.gradient(fine, axis=0)
    tangent = slope / np.maximum(np.hypot(slope[:, 0], slope[:, 1]), 1e-9)[:, None]
    return fine, tangent, arc, np.interp(arc, at, half) * sheet.px_per_unit


def limb(start: tuple[float, float], angle_rad: float, length: float, curl_rad: float = 0.0) -> F64:
    """Give a bent line of 8 points: an antenna, a leg, a tentacle, a root."""
    s = np.linspace(0.0, 1.0, 8)
    angle = angle_rad + curl_rad * s
    step = length / 7
    x = start[0] + np.concatenate([[0.0], np.cumsum(np.cos(angle[:-1])) * step])
    y = start[1] + np.concatenate([[0.0], np.cumsum(np.sin(angle[:-1])) * step])
    return np.column_stack([x, y])
