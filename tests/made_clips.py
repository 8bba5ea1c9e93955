"""Clips made on the spot with PyAV, and frames of drawn bursts with a hand's shake put on."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import av
import cv2
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import F64, U8


def write_clip(
    path: Path,
    frames: Sequence[U8],
    *,
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    times_ms: Sequence[int] | None = None,
    rate: int = 10,
    container: str | None = None,
    options: dict[str, str] | None = None,
    sound: bool = False,
) -> Path:
    """Write frames, (H, W, 3) uint8 RGB, as a clip; times in milliseconds, or evenly at `rate`."""
    with av.open(str(path), "w", format=container) as out:
        stream = out.add_stream(codec, rate=rate)
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt = pix_fmt
        quick = {"libx264": {"preset": "ultrafast", "crf": "18"}}
        stream.options = options or quick.get(codec, {})
        stream.codec_context.time_base = Fraction(1, 1000)
        voice = out.add_stream("aac", rate=8000) if sound else None
        for index, rgb in enumerate(frames):
            frame = av.VideoFrame.from_ndarray(rgb, format="rgb24")
            frame.pts = index * 1000 // rate if times_ms is None else times_ms[index]
            frame.time_base = Fraction(1, 1000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
        if voice is not None:
            add_sound(out, voice)
    return path


def add_sound(out: av.container.OutputContainer, voice: av.AudioStream) -> None:
    """Put one second of a tone in."""
    wave = np.sin(np.arange(8000) / 8).astype(np.float32)[None]
    for start in range(0, 7168, 1024):
        piece = av.AudioFrame.from_ndarray(wave[:, start : start + 1024], "fltp", "mono")
        piece.sample_rate, piece.pts = 8000, start
        out.mux(voice.encode(piece))
    out.mux(voice.encode())


def turned(path: Path, degrees: int) -> Path:
    """Write a turn clockwise into the display matrix of an MP4 (ISO/IEC 14496-12, tkhd)."""
    cos, sin = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}[degrees]
    matrix = np.array([cos, sin, 0, -sin, cos, 0, 0, 0, 0x4000], np.int64)
    matrix[[0, 1, 3, 4]] *= 0x10000
    matrix[8] = 0x40000000
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40  # version 0: 40 bytes of other fields come first
    data[at : at + 36] = matrix.astype(">i4").tobytes()
    path.write_bytes(bytes(data))
    return path


def shaken(
    rng: np.random.Generator, frames: Sequence[U8], *, interval_s: float, share: float = 0.02
) -> tuple[list[U8], list[F64]]:
    """Put a hand's shake on frames: shifts of `share` of the width, turns, a little in and out.

    Returns
    -------
    The frames, their rim cut off, where there is nothing to show, and for each the (2, 3) matrix from the
    drawn frame to the shaken one.
    """
    height, width = frames[0].shape[:2]
    times = np.arange(len(frames)) * interval_s
    phase, hertz = rng.uniform(0, 2 * np.pi, (4, 3)), rng.uniform(0.2, 1.5, (4, 3))
    wave = np.sin(2 * np.pi * times[:, None, None] * hertz + phase).mean(axis=2)
    wave -= wave[0]
    out, matrices = [], []
    rim = round(1.2 * share * width) + 4
    for rgb, (right, down, turn, size) in zip(frames, wave, strict=True):
        middle = (width / 2, height / 2)
        matrix = cv2.getRotationMatrix2D(middle, float(turn) * 0.8, 1 + 0.01 * float(size))
        matrix[:, 2] += share * width * right, share * width * down
        moved = cv2.warpAffine(
            rgb, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
        out.append(np.ascontiguousarray(moved[rim:-rim, rim:-rim], np.uint8))
        matrices.append(np.asarray(matrix - np.array([[0, 0, rim], [0, 0, rim]]), np.float64))
    return out, matrices
