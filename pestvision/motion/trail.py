"""The records of movement: where an animal was, frame by frame, and the gait that was read from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.arrays import describe
from pestvision.errors import ShapeError

if TYPE_CHECKING:
    from pestvision.arrays import F64, Bool

N_MIDLINE = 11
"""Points along a midline of a trail, from one tip to the other."""

STEPS = "inchworm-steps"
GLIDE = "gliding"
LOOPS = "looping-under-irritation"
THRASH = "thrashing"
CREEP = "creeping"
HOP = "hopping"
STILL = "still"
GAITS = (STEPS, GLIDE, LOOPS, THRASH, CREEP, HOP, STILL)
"""The gaits that are told apart, in the order of every probability vector."""


@dataclass(frozen=True, slots=True, eq=False)
class Trail:
    """One animal followed over the frames of a clip or burst, as if the camera had not moved.

    Parameters
    ----------
    times_s
        (n,) float64, ascending; the first frame of the clip is 0.
    midlines_xy_px
        (n, N_MIDLINE, 2) float64 in pixels of the first frame, the camera's own motion taken out. The
        first point is the same end of the animal throughout. NaN in frames where it was not seen.
    lengths_px, widths_px
        (n,) float64: length along the midline with the ends put back, and the greatest width; NaN likewise.
    boxes_xyxy_px
        (n, 4) float64 in pixels of each frame itself, for drawing and for crops; NaN likewise.
    jitter_px
        One standard deviation of a place from frame to frame that is not the animal's: what is left of
        the camera's motion, and of the outline's noise.
    at_edge
        (n,) bool: frames in which it touches the edge of the frame, so that its length is not known.
    is_steadied
        Whether the camera's motion is known in most of the frames in which it was seen; where it is not,
        its places have the shake of the camera in them.
    """

    times_s: F64
    midlines_xy_px: F64
    lengths_px: F64
    widths_px: F64
    boxes_xyxy_px: F64
    jitter_px: float
    at_edge: Bool
    is_steadied: bool = True

    def __post_init__(self) -> None:
        n = len(self.times_s)
        if self.midlines_xy_px.shape != (n, N_MIDLINE, 2) or self.boxes_xyxy_px.shape != (n, 4):
            found = f"{describe(self.midlines_xy_px)}, {describe(self.boxes_xyxy_px)}"
            raise ShapeError("trail", expected=f"({n}, {N_MIDLINE}, 2), ({n}, 4)", actual=found)
        for name in ("times_s", "lengths_px", "widths_px", "at_edge"):
            if getattr(self, name).shape != (n,):
                actual = describe(getattr(self, name))
                raise ShapeError(name, expected=f"({n},)", actual=actual)
        if n > 1 and not np.all(np.diff(self.times_s) > 0):
            raise ShapeError("times_s", expected="ascending", actual="not ascending")

    @property
    def seen(self) -> Bool:
        """(n,) bool: the frames in which it was seen."""
        return np.asarray(np.isfinite(self.lengths_px))

    @property
    def duration_s(self) -> float:
        """Seconds from the first frame in which it was seen to the last."""
        times = self.times_s[self.seen]
        return float(times[-1] - times[0]) if len(times) else 0.0


@dataclass(frozen=True, slots=True)
class GaitReading:
    """How an animal moved, or why that cannot be told.

    Parameters
    ----------
    gait
        One of `GAITS`, or None where it cannot be told from these frames.
    p_gaits
        Probabilities in the order of `GAITS`, sum 1, whatever `gait` is; all alike where nothing is
        known.
    reasons
        Sentences: what speaks for it, or why it cannot be told and what would do.
    n_steps, n_cycles
        Of the length's cycles seen (`n_cycles`), how many were steps with one end held (`n_steps`).
    period_s
        Of a step or wave, None where there was none.
    speed_px_s
        Path of the body's middle over time, pixels of the first frame a second; None where not known.
    length_ratio
        Longest over shortest length, None where not known.
    """

    gait: str | None
    p_gaits: tuple[float, ...]
    reasons: tuple[str, ...]
    n_steps: int = 0
    n_cycles: int = 0
    period_s: float | None = None
    speed_px_s: float | None = None
    length_ratio: float | None = None

    def __post_init__(self) -> None:
        if self.gait is not None and self.gait not in GAITS:
            raise ShapeError("gait", expected=" or ".join(GAITS), actual=self.gait)
        if len(self.p_gaits) != len(GAITS) or not np.isclose(sum(self.p_gaits), 1.0, atol=1e-6):
            raise ShapeError("p_gaits", expected="7 numbers, sum 1", actual=str(self.p_gaits))
        if not self.reasons:
            raise ShapeError("reasons", expected="one sentence at least", actual="none")

    def as_json(self) -> dict[str, Any]:
        """Give it as the object `gait` of the `clip --json` contract."""
        return {
            "gait": self.gait,
            "probabilities": {
                name: round(float(p), 4) for name, p in zip(GAITS, self.p_gaits, strict=True)
            },
            "steps": self.n_steps,
            "cycles": self.n_cycles,
            "period_s": None if self.period_s is None else round(self.period_s, 2),
            "speed_px_s": None if self.speed_px_s is None else round(self.speed_px_s, 2),
            "length_ratio": None if self.length_ratio is None else round(self.length_ratio, 2),
            "reasons": list(self.reasons),
        }
