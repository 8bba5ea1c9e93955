"""The records a person is answered with who gave a clip or a burst, and their JSON form.

Made only by `pestvision.findings.clip`; read by the command line, the page and the report.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.arrays import U8, as_rgb
from pestvision.errors import ShapeError
from pestvision.findings.words import CAUTION

if TYPE_CHECKING:
    from pestvision.arrays import F64, BoxXyxy
    from pestvision.findings.finding import Judgement
    from pestvision.motion.trail import GaitReading, Trail
    from pestvision.size.records import Length


@dataclass(frozen=True, slots=True, eq=False)
class ClipAnimal:
    """One animal followed over a clip or burst.

    Parameters
    ----------
    track
        Its number, from 1 in the order shown.
    trail
        Where it was, frame by frame; its times are those of the frames looked at, `ClipCheck.times_s`.
    gait
        How it moved, or why that cannot be told.
    judgement
        What its clearest crops show, joined with its gait and its length; each stands apart in its cues.
    length
        How long it is on the clearest frame, None where that is not known; `length_note` says why.
    mm_per_px
        Millimetres of a pixel of the first frame where the animal is, None without a scale.
    crop_rgb
        (S, S, 3) uint8: the clearest of the crops that were judged.
    crop_time_s
        When that was, seconds from the first frame.
    """

    track: int
    trail: Trail
    gait: GaitReading
    judgement: Judgement
    crop_rgb: U8
    crop_time_s: float
    length: Length | None = None
    length_note: str = ""
    mm_per_px: float | None = None

    def __post_init__(self) -> None:
        as_rgb(self.crop_rgb, "crop_rgb")
        if not self.trail.seen.any():
            raise ShapeError("trail", expected="seen on one frame at least", actual="never seen")

    @property
    def first_seen_s(self) -> float:
        """When it was first seen, seconds from the first frame."""
        return float(self.trail.times_s[self.trail.seen][0])

    @property
    def first_box_xyxy_px(self) -> BoxXyxy:
        """Its box where it was first seen, in pixels of that frame."""
        x0, y0, x1, y1 = (float(v) for v in self.trail.boxes_xyxy_px[self.trail.seen][0])
        return (x0, y0, x1, y1)

    @property
    def speed_mm_s(self) -> float | None:
        """Millimetres a second, None without a scale or without a speed."""
        if self.mm_per_px is None or self.gait.speed_px_s is None:
            return None
        return self.mm_per_px * self.gait.speed_px_s

    def as_json(self) -> dict[str, Any]:
        """Give it as an object of the list `animals` of the `clip --json` contract."""
        length = {"length_mm": None, "length_mm_low": None, "length_mm_high": None}
        speed, pace = self.speed_mm_s, self.gait.speed_px_s
        return {
            "track": self.track,
            "box_xyxy_px": [round(v, 1) for v in self.first_box_xyxy_px],
            "first_seen_s": round(self.first_seen_s, 2),
            "followed_s": round(self.trail.duration_s, 2),
            "label": self.judgement.label,
            "confidence": round(float(self.judgement.confidence), 4),
            "probabilities": self.judgement.probabilities(),
            "fine": self.judgement.fine,
            "gait": self.gait.as_json(),
            "speed_mm_s": None if speed is None else round(speed, 2),
            "speed_px_s": None if pace is None else round(pace, 2),
            "length_px": round(float(np.nanmedian(self.trail.lengths_px)), 1),
            **(length if self.length is None else self.length.as_json()),
            "cues": [cue.as_json() for cue in self.judgement.cues],
            "reasons": list(self.judgement.reasons),
            "why": self.judgement.why.as_json(),
        }


@dataclass(frozen=True, slots=True, eq=False)
class ClipCheck:
    """The answer for one clip or burst: the verdict, and the animals that were followed.

    Parameters
    ----------
    clip
        Its file name, or for a burst the folder's or the first photo's.
    width, height
        Of an upright frame, pixels.
    n_frames, seconds
        How many frames it holds or could be read, and the time from the first to the last.
    times_s
        (n,) float64: the frames that were looked at, seconds from the first.
    verdict
        The most worrying animal's judgement; where none was followed, that of the clearest frame.
    animals
        The most worrying first.
    picture_rgb
        The first frame, on which tracks are drawn, (h, w, 3) uint8, no side longer than 1600 pixels;
        `picture_scale` is the factor by which it was reduced (reduced / frame).
    notes
        Sentences on how it was read, and what could not be done.
    is_burst
        Whether it was put together from photos.
    """

    clip: str
    width: int
    height: int
    n_frames: int
    seconds: float
    times_s: F64
    verdict: Judgement
    animals: tuple[ClipAnimal, ...]
    picture_rgb: U8
    picture_scale: float = 1.0
    notes: tuple[str, ...] = ()
    is_burst: bool = False

    def __post_init__(self) -> None:
        as_rgb(self.picture_rgb, "picture_rgb")
        if self.n_frames < 1 or self.seconds < 0 or self.times_s.ndim != 1:
            found = f"{self.n_frames}, {self.seconds}, {self.times_s.shape}"
            raise ShapeError("n_frames, seconds, times_s", expected="1.., 0.., (n,)", actual=found)

    @property
    def caution(self) -> str:
        """The sentence that stands wherever a label is shown."""
        return CAUTION

    def as_json(self) -> dict[str, Any]:
        """Give the answer as the object of the `clip --json` contract."""
        return {
            "clip": self.clip,
            "width": self.width,
            "height": self.height,
            "frames": self.n_frames,
            "seconds": round(self.seconds, 3),
            "verdict": {
                "label": self.verdict.label,
                "confidence": round(float(self.verdict.confidence), 4),
                "reasons": list(self.verdict.reasons),
                "why": self.verdict.why.as_json(),
            },
            "animals": [animal.as_json() for animal in self.animals],
            "notes": list(self.notes),
            "caution": self.caution,
        }
