"""From decoded frames to upright RGB: scaler, display matrix, pixel shape, fields, HDR."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import cv2
import numpy as np

from pestvision.arrays import as_u8

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.arrays import U8

_PQ, _HLG = 16, 18  # transfer characteristics of ITU-T H.273, table 3
_SRGB_TRC: Final = 13
_BT709_PRIMARIES: Final = 1


class Upright:
    """Turns the decoded frames of one stream into upright RGB.

    `stretch`: how much wider than high a pixel is. `notes`: sentences on what was done, growing.
    """

    def __init__(self, stream: Any) -> None:
        ratio = stream.codec_context.sample_aspect_ratio
        stretch = float(ratio) if ratio else 1.0
        self.stretch = stretch if 0.1 < stretch < 10 else 1.0
        self.notes: list[str] = []
        self._transform: Callable[[Any], Any] | None = None

    def full(self, frame: Any) -> U8:
        """Give a frame at its full size, (H, W, 3) uint8."""
        return self._turned(frame, max(1, round(frame.width * self.stretch)), frame.height)

    def reduced(self, frame: Any, long_side_px: int) -> tuple[U8, float]:
        """Give a frame with its long side at most that, (h, w, 3) uint8, and by how much it is reduced."""
        width, height = frame.width * self.stretch, float(frame.height)
        scale = min(1.0, long_side_px / max(width, height))
        size = max(1, round(width * scale)), max(1, round(height * scale))
        return self._turned(frame, *size), scale

    def _turned(self, frame: Any, width: int, height: int) -> U8:
        # Asked of one frame only: to ask binds a frame to its answer, and so keeps it in memory.
        if self._transform is None:
            self._transform = display_transform(frame)
        return as_u8(np.ascontiguousarray(self._transform(self._rgb(frame, width, height))))

    def _rgb(self, frame: Any, width: int, height: int) -> U8:
        wanted: dict[str, Any] = {"format": "rgb24", "interpolation": "AREA"}
        if frame.color_trc in (_PQ, _HLG):
            self._note("The clip is HDR; its brightness was pressed into that of an ordinary one.")
            wanted |= {"dst_color_trc": _SRGB_TRC, "dst_color_primaries": _BT709_PRIMARIES}
        if frame.interlaced_frame and frame.height >= 4:
            self._note("The clip is interlaced: every other line of each frame was used.")
            lines = as_u8(frame.to_ndarray(format="rgb24"))[::2]
            return as_u8(cv2.resize(lines, (width, height), interpolation=cv2.INTER_AREA))
        return as_u8(frame.reformat(width=width, height=height, **wanted).to_ndarray())

    def _note(self, sentence: str) -> None:
        if sentence not in self.notes:
            self.notes.append(sentence)


def display_transform(frame: Any) -> Callable[[Any], Any]:
    """Give what turns a frame's array upright, by its display matrix: turns by 90° and mirrors.

    Source of the matrix: ISO/IEC 14496-12, 6.2.2: a, b, u, c, d, v, x, y, w in 16.16 fixed point; a point
    (p, q) goes to (a p + c q + x, b p + d q + y).
    """
    matrix = _display_matrix(frame)
    if matrix is None:
        return lambda array: array
    a, b, c, d = matrix
    is_across = abs(b) + abs(c) > abs(a) + abs(d)

    def turned(array: Any) -> Any:
        if is_across:  # columns become rows
            array = array.swapaxes(0, 1)
            return array[:: -1 if b < 0 else 1, :: -1 if c < 0 else 1]
        return array[:: -1 if d < 0 else 1, :: -1 if a < 0 else 1]

    return turned


def _display_matrix(frame: Any) -> tuple[int, int, int, int] | None:
    side = frame.side_data.get("DISPLAYMATRIX")
    if side is None:
        return None
    values = np.frombuffer(bytes(side), np.int32)
    if len(values) < 9:
        return None
    a, b, c, d = (int(values[i]) for i in (0, 1, 3, 4))
    return (a, b, c, d) if any((a, b, c, d)) else None


def turned_size(frame: Any, height: int, width: int) -> tuple[int, int]:
    """Give the height and width that a frame's display matrix makes of these."""
    matrix = _display_matrix(frame)
    if matrix is None:
        return height, width
    a, b, c, d = matrix
    return (width, height) if abs(b) + abs(c) > abs(a) + abs(d) else (height, width)
