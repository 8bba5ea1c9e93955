"""Array types that every room shares, and the checks that make them true.

Images are RGB or grey, never BGR; the first axis is the row, the second the column.
"""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from pestvision.errors import ShapeError

U8: TypeAlias = npt.NDArray[np.uint8]
F32: TypeAlias = npt.NDArray[np.float32]
F64: TypeAlias = npt.NDArray[np.float64]
Bool: TypeAlias = npt.NDArray[np.bool_]
BoxXyxy: TypeAlias = tuple[float, float, float, float]
"""`(x0, y0, x1, y1)` in pixels: the left and top edge, and the right and bottom edge (exclusive)."""


def describe(array: object) -> str:
    """Give shape and dtype of an array in words, for messages."""
    if isinstance(array, np.ndarray):
        return f"{array.shape} {array.dtype}"
    return type(array).__name__


def as_rgb(array: Any, name: str = "rgb") -> U8:
    """Check that an array is (H, W, 3) uint8 and give it back typed.

    Raises
    ------
    ShapeError
        If it is not.
    """
    if not isinstance(array, np.ndarray) or array.ndim != 3 or array.shape[2] != 3:
        raise ShapeError(name, expected="(H, W, 3) uint8, RGB", actual=describe(array))
    if array.dtype != np.uint8 or array.shape[0] == 0 or array.shape[1] == 0:
        raise ShapeError(name, expected="(H, W, 3) uint8, RGB, not empty", actual=describe(array))
    return array


def as_u8(array: Any, name: str = "image") -> U8:
    """Check that an array is uint8 and give it back typed.

    Raises
    ------
    ShapeError
        If it is not.
    """
    return _of_dtype(array, np.uint8, name)


def as_f32(array: Any, name: str = "array") -> F32:
    """Check that an array is float32 and give it back typed.

    Raises
    ------
    ShapeError
        If it is not.
    """
    return _of_dtype(array, np.float32, name)


def _of_dtype(array: Any, dtype: type[np.generic], name: str) -> npt.NDArray[Any]:
    if not isinstance(array, np.ndarray) or array.dtype != dtype:
        raise ShapeError(name, expected=f"{np.dtype(dtype)} array", actual=describe(array))
    return array


def checked_box(box_xyxy_px: BoxXyxy, name: str = "box_xyxy_px") -> BoxXyxy:
    """Check that a box is finite and has a positive width and height.

    Raises
    ------
    ShapeError
        If it is not.
    """
    if len(box_xyxy_px) != 4:
        raise ShapeError(name, expected="x0 < x1 and y0 < y1", actual=str(box_xyxy_px))
    x0, y0, x1, y1 = (float(value) for value in box_xyxy_px)
    if not all(np.isfinite((x0, y0, x1, y1))) or x1 <= x0 or y1 <= y0:
        raise ShapeError(name, expected="finite x0 < x1 and y0 < y1", actual=str(box_xyxy_px))
    return (x0, y0, x1, y1)


def clipped_box(box_xyxy_px: BoxXyxy, height: int, width: int) -> BoxXyxy:
    """Cut a box to the frame, keeping at least one pixel each way."""
    x0, y0, x1, y1 = box_xyxy_px
    x0 = min(max(x0, 0.0), width - 1.0)
    y0 = min(max(y0, 0.0), height - 1.0)
    return (x0, y0, max(min(x1, float(width)), x0 + 1.0), max(min(y1, float(height)), y0 + 1.0))


def box_iou(one: BoxXyxy, other: BoxXyxy) -> float:
    """Give the intersection of two boxes over their union, 0 to 1."""
    width = min(one[2], other[2]) - max(one[0], other[0])
    height = min(one[3], other[3]) - max(one[1], other[1])
    if width <= 0 or height <= 0:
        return 0.0
    shared = width * height
    area = (one[2] - one[0]) * (one[3] - one[1]) + (other[2] - other[0]) * (other[3] - other[1])
    return shared / (area - shared)
