"""The arithmetic of ellipses: rows of (x, y, long, short, angle), many at once.

The angle is that of the long semi-axis, from +x towards +y.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F64


def through_five(points: F64) -> F64:
    """Solve a x² + b xy + c y² + d x + e y = 1 for five points each: (M, 5, 2) to (M, 5)."""
    x, y = points[..., 0], points[..., 1]
    matrix = np.stack([x * x, x * y, y * y, x, y], axis=-1) + 1e-9 * np.eye(5)
    return np.asarray(np.linalg.solve(matrix, np.ones((*matrix.shape[:2], 1)))[..., 0])


def through_many(points: F64, weight: F64 | None = None) -> F64:
    """Solve the same for many points (N, 2), least squares, each counting by its weight: (1, 5).

    The points must lie about the origin, at a distance near one.
    """
    x, y = points[:, 0], points[:, 1]
    matrix = np.stack([x * x, x * y, y * y, x, y])
    weighed = matrix if weight is None else matrix * weight
    square = weighed @ matrix.T + 1e-9 * np.eye(5)
    return np.asarray(np.linalg.solve(square, weighed.sum(axis=1))[None], np.float64)


def from_conics(conics: F64) -> F64:
    """Give (x, y, long, short, angle) of conics (M, 5); NaN where they are no ellipse."""
    a, b, c, d, e = conics.T
    with np.errstate(all="ignore"):
        det = 4 * a * c - b * b
        x, y = (b * e - 2 * c * d) / det, (b * d - 2 * a * e) / det
        level = 1 + a * x * x + b * x * y + c * y * y
        middle, spread = (a + c) / 2, np.hypot((a - c) / 2, b / 2)
        sign = np.sign(middle)
        long = np.sqrt(level / (middle - sign * spread))
        short = np.sqrt(level / (middle + sign * spread))
        angle = 0.5 * np.arctan2(-sign * b, -sign * (a - c))
    rows = np.column_stack([x, y, long, short, angle])
    rows[det <= 0] = np.nan
    return np.asarray(rows, np.float64)


def around(rows: F64, n: int) -> tuple[F64, F64]:
    """Give places (M, n, 2) around ellipses (M, 5), and the unit normals there."""
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    cosine, sine = np.cos(turn), np.sin(turn)
    long, short = rows[:, 2:3], rows[:, 3:4]
    u, v = long * cosine, short * sine
    normal_u, normal_v = short * cosine, long * sine
    norm = np.hypot(normal_u, normal_v)
    c, s = np.cos(rows[:, 4:5]), np.sin(rows[:, 4:5])
    places = np.stack([rows[:, 0:1] + c * u - s * v, rows[:, 1:2] + s * u + c * v], axis=-1)
    normals = np.stack([c * normal_u - s * normal_v, s * normal_u + c * normal_v], axis=-1)
    return places, normals / norm[..., None]


def distance(row: F64, points: F64) -> F64:
    """Give about how far points lie outside an ellipse (Sampson's first-order distance)."""
    c, s = np.cos(row[4]), np.sin(row[4])
    x, y = points[:, 0] - row[0], points[:, 1] - row[1]
    u, v = (c * x + s * y) / row[2], (-s * x + c * y) / row[3]
    slope = 2 * np.hypot(u / row[2], v / row[3])
    return np.asarray((u * u + v * v - 1) / np.maximum(slope, 1e-9))
