"""The records a person is answered with, and their JSON form.

Made only by `pestvision.findings.pipeline`; read by the command line, the page and the report.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.arrays import F64, U8, BoxXyxy, as_rgb, checked_box
from pestvision.errors import ShapeError
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE, GROUPS, LABELS, Group

if TYPE_CHECKING:
    from pestvision.findings.cues import Cue
    from pestvision.findings.doubts import Doubt
    from pestvision.photos.series import Skipped
    from pestvision.size.records import Length


@dataclass(frozen=True, slots=True)
class Why:
    """What an answer rests on, and what would settle it.

    Parameters
    ----------
    seen_as
        The class of the net that is nearest, of the likeliest group; a name of `FINE_NAMES`.
    look_alike
        The nearest class of another group, likewise.
    p_look_alike
        Its probability, 0 to 1.
    settled_by
        Sentences: signs by which a person tells the two apart.
    doubts
        Why it cannot be told; empty where it can.
    """

    seen_as: str
    look_alike: str
    p_look_alike: float
    settled_by: tuple[str, ...]
    doubts: tuple[Doubt, ...] = ()

    def __post_init__(self) -> None:
        if self.seen_as not in FINE_NAMES or self.look_alike not in FINE_NAMES:
            found = f"{self.seen_as}, {self.look_alike}"
            raise ShapeError("seen_as, look_alike", expected="known names", actual=found)
        if GROUP_OF_FINE[self.seen_as] == GROUP_OF_FINE[self.look_alike]:
            name = "look_alike"
            raise ShapeError(name, expected="a class of another group", actual=self.look_alike)

    def as_json(self) -> dict[str, Any]:
        """Give it as the object `why` of the contracts."""
        return {
            "seen_as": self.seen_as,
            "look_alike": self.look_alike,
            "look_alike_probability": round(float(self.p_look_alike), 4),
            "settled_by": list(self.settled_by),
            "doubts": [str(doubt) for doubt in self.doubts],
        }


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a crop, or a photo as a whole, was judged to show.

    Parameters
    ----------
    label
        One of `LABELS`.
    confidence
        Calibrated probability of the label's group, 0 to 1. For *can't tell* it is the probability of
        the likeliest group.
    p_groups
        Probabilities in the order of `GROUPS`; they sum to 1 whatever the label.
    fine
        The likeliest class of the net, a name of `FINE_NAMES`.
    reasons
        Sentences: why this label, or why it cannot be told and how to take a better photo.
    why
        The nearest look-alike, what would settle it, and the doubts, in words a program can read too.
    cues
        What was joined, each apart: its looks first, then any of gait, size and track. Empty where only
        the looks were there.
    """

    label: str
    confidence: float
    p_groups: tuple[float, ...]
    fine: str
    reasons: tuple[str, ...]
    why: Why
    cues: tuple[Cue, ...] = ()

    def __post_init__(self) -> None:
        if self.label not in LABELS or self.fine not in FINE_NAMES:
            raise ShapeError(
                "label, fine", expected="known names", actual=f"{self.label}, {self.fine}"
            )
        if len(self.p_groups) != len(GROUPS) or not np.isclose(sum(self.p_groups), 1.0, atol=1e-6):
            raise ShapeError("p_groups", expected="4 numbers, sum 1", actual=str(self.p_groups))
        if not all(0.0 <= p <= 1.0 + 1e-6 for p in (*self.p_groups, self.confidence)):
            found = f"{self.p_groups}, {self.confidence}"
            raise ShapeError("p_groups, confidence", expected="numbers from 0 to 1", actual=found)

    @property
    def likeliest(self) -> Group:
        """The likeliest group, whatever the label."""
        return GROUPS[int(np.argmax(self.p_groups))]

    def probabilities(self) -> dict[str, float]:
        """Give the probabilities by group name, rounded so that they still sum to 1."""
        rounded = [round(float(p), 4) for p in self.p_groups]
        rounded[int(np.argmax(rounded))] += 1.0 - sum(rounded)
        return {str(group): round(p, 4) for group, p in zip(GROUPS, rounded, strict=True)}


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One thing found on a photo.

    `id` counts from 1 in the order shown. `box_xyxy_px` is in pixels of the upright photo.
    `crop_rgb` is the (S, S, 3) uint8 crop that was judged. `length` is None where no scale is known or
    the outline could not be told; `size_words` are sentences on its size, empty where no scale is known.
    `midline_xy_px` is the (K, 2) line along which it was measured, None where it was not.
    """

    id: int
    box_xyxy_px: BoxXyxy
    judgement: Judgement
    crop_rgb: U8
    length: Length | None = None
    size_words: tuple[str, ...] = ()
    midline_xy_px: F64 | None = None

    def __post_init__(self) -> None:
        checked_box(self.box_xyxy_px)
        as_rgb(self.crop_rgb, "crop_rgb")

    def as_json(self) -> dict[str, Any]:
        """Give the finding as the object of the `check --json` contract."""
        return {
            "id": self.id,
            "box_xyxy_px": _rounded(self.box_xyxy_px),
            **_as_told(self.judgement),
            **_lengths(self.length),
            "size_words": list(self.size_words),
            **_reasons(self.judgement),
        }


@dataclass(frozen=True, slots=True, eq=False)
class PhotoCheck:
    """The answer for one photo: the verdict and what was found.

    `verdict` is the most worrying finding's judgement, or that of the whole frame where nothing stood
    out. `notes` are sentences on how the photo was read.
    """

    photo: str
    width: int
    height: int
    taken: str | None
    verdict: Judgement
    findings: tuple[Finding, ...]
    notes: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Give the answer as the object of the `check --json` contract."""
        return {
            "photo": self.photo,
            "width": self.width,
            "height": self.height,
            "taken": self.taken,
            "verdict": {
                "label": self.verdict.label,
                "confidence": _rounded_confidence(self.verdict),
                **_reasons(self.verdict),
            },
            "findings": [finding.as_json() for finding in self.findings],
            "caution": CAUTION,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Moved:
    """One thing that moved between two photos of a view.

    A box is None on the photo where the animal is not seen (it came, or it left). At least one is
    given. `displacement_px` is the distance between the box centres, None where one box is None;
    `displacement_mm` is the same where a scale is known. `crop_rgb` shows it where it is seen best.
    `length` and `size_words` as in `Finding`.
    """

    track: int
    box_first_xyxy_px: BoxXyxy | None
    box_second_xyxy_px: BoxXyxy | None
    judgement: Judgement
    displacement_px: float | None
    crop_rgb: U8
    displacement_mm: float | None = None
    length: Length | None = None
    size_words: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.box_first_xyxy_px is None and self.box_second_xyxy_px is None:
            raise ShapeError("boxes", expected="at least one box", actual="None, None")
        as_rgb(self.crop_rgb, "crop_rgb")

    def as_json(self) -> dict[str, Any]:
        """Give it as the object of the `night --json` contract."""
        return {
            "track": self.track,
            "box_first_xyxy_px": _rounded(self.box_first_xyxy_px),
            "box_second_xyxy_px": _rounded(self.box_second_xyxy_px),
            **_as_told(self.judgement),
            "displacement_mm_or_px": self._displacement(),
            **_lengths(self.length),
            "size_words": list(self.size_words),
            **_reasons(self.judgement),
        }

    def _displacement(self) -> dict[str, Any] | None:
        if self.displacement_mm is not None:
            return {"value": round(float(self.displacement_mm), 1), "unit": "mm"}
        if self.displacement_px is not None:
            return {"value": round(float(self.displacement_px), 1), "unit": "px"}
        return None


@dataclass(frozen=True, slots=True, eq=False)
class PairResult:
    """What was made of two neighbouring photos of a view.

    `first` and `second` are frame names. When `aligned` is False, `reason` says why and what would do,
    and `moved` is empty; when it is True, `reason` may still say something (such as "Nothing moved").
    `misplaced_px` tells how well the photos lie on each other: the median error of what was matched, in
    pixels of the photo; None where they were not aligned.
    """

    first: str
    second: str
    aligned: bool
    reason: str
    moved: tuple[Moved, ...] = ()
    misplaced_px: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Give it as the object of the `night --json` contract."""
        return {
            "first": self.first,
            "second": self.second,
            "aligned": self.aligned,
            "reason": self.reason,
            "misplaced_px": None if self.misplaced_px is None else round(self.misplaced_px, 2),
            "moved": [item.as_json() for item in self.moved],
        }


@dataclass(frozen=True, slots=True, eq=False)
class TrackResult:
    """One mover followed over a view.

    `sightings` are `(frame name, box)` in the order of the frames; `judgement` joins all its crops;
    `crop_rgb` is the clearest of them. `length` is the middle one of its lengths, with the range of that
    one, None where none is known; `size_words` are sentences, also on how it changed.
    """

    id: int
    sightings: tuple[tuple[str, BoxXyxy], ...]
    judgement: Judgement
    crop_rgb: U8
    length: Length | None = None
    size_words: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Give it as the object of the `night --json` contract."""
        return {
            "track": self.id,
            **_as_told(self.judgement),
            "sightings": [
                {"photo": name, "box_xyxy_px": _rounded(box)} for name, box in self.sightings
            ],
            **_lengths(self.length),
            "size_words": list(self.size_words),
            **_reasons(self.judgement),
        }


@dataclass(frozen=True, slots=True, eq=False)
class ViewResult:
    """Everything a scan says of one view.

    Parameters
    ----------
    view
        Its name.
    photos, taken
        Frame names in order, and their times as ISO text or None, one for each.
    pairs, tracks
        Neighbouring photos, and movers followed over them. Tracks are those of animals: something
        judged not an organism is listed in its pair and makes no track here.
    still
        For a view with a single photo: what a check of that photo says. Else None.
    seen_at_once_max
        For each label, the largest number seen on one photo: a lower bound of how many there are.
    busiest
        Name of the photo to be shown, None where nothing was seen: the one with the most leech-like
        sightings, and among those the most of everything.
    busiest_rgb
        That photo, reduced to at most 1600 pixels on the long side, and `busiest_scale` the factor by
        which it was reduced (reduced / original).
    notes
        Sentences on order, times and what could not be done.
    """

    view: str
    photos: tuple[str, ...]
    taken: tuple[str | None, ...]
    pairs: tuple[PairResult, ...]
    tracks: tuple[TrackResult, ...]
    seen_at_once_max: dict[str, int]
    still: PhotoCheck | None = None
    busiest: str | None = None
    busiest_rgb: U8 | None = None
    busiest_scale: float = 1.0
    notes: tuple[str, ...] = ()
    skipped: tuple[Skipped, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Give it as the object of the `night --json` contract."""
        return {
            "view": self.view,
            "photos": list(self.photos),
            "taken": list(self.taken),
            "pairs": [pair.as_json() for pair in self.pairs],
            "tracks": [track.as_json() for track in self.tracks],
            "seen_at_once_max": dict(self.seen_at_once_max),
            "still": None if self.still is None else self.still.as_json(),
            "notes": list(self.notes),
            "skipped": [{"photo": item.name, "reason": item.reason} for item in self.skipped],
            "caution": CAUTION,
        }


@dataclass(frozen=True, slots=True, eq=False)
class NightResult:
    """A scanned folder: its views, and the files that belong to none because they were skipped."""

    folder: str
    views: tuple[ViewResult, ...]
    skipped: tuple[Skipped, ...] = ()
    notes: tuple[str, ...] = field(default=())

    @property
    def n_photos(self) -> int:
        """How many photos were used."""
        return sum(len(view.photos) for view in self.views)


def _rounded(box: BoxXyxy | None) -> list[float] | None:
    return None if box is None else [round(float(value), 1) for value in box]


def _rounded_confidence(judgement: Judgement) -> float:
    return round(float(judgement.confidence), 4)


def _lengths(length: Length | None) -> dict[str, Any]:
    """Give the three numbers of a length, null where it is not known."""
    if length is None:
        return {"length_mm": None, "length_mm_low": None, "length_mm_high": None}
    return length.as_json()


def _as_told(judgement: Judgement) -> dict[str, Any]:
    """Give the part of the contracts that every judged thing has."""
    return {
        "label": judgement.label,
        "confidence": _rounded_confidence(judgement),
        "probabilities": judgement.probabilities(),
        "fine": judgement.fine,
    }


def _reasons(judgement: Judgement) -> dict[str, Any]:
    """Give the part that says why."""
    return {
        "reasons": list(judgement.reasons),
        "why": judgement.why.as_json(),
        "cues": [cue.as_json() for cue in judgement.cues],
    }
