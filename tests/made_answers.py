"""Answers made by hand: for tests that ask what is made of an answer, not how it came about."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.findings.doubts import Doubt
from pestvision.findings.finding import (
    Finding,
    Judgement,
    Moved,
    NightResult,
    PairResult,
    PhotoCheck,
    TrackResult,
    ViewResult,
    Why,
)
from pestvision.organisms.classes import GROUPS, LABELS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8, BoxXyxy

BOX: BoxXyxy = (10.0, 20.0, 110.0, 80.0)
LIKELY_FINE = {
    "leech-like": "leech",
    "flatworm-like": "flatworm",
    "harmless": "snail",
    "not-an-organism": "bubble",
    "cant-tell": "leech",
}


def plain_crop(side_px: int = 224) -> U8:
    return np.full((side_px, side_px, 3), 90, dtype=np.uint8)


CROP = plain_crop()


def why_of(fine: str, doubts: tuple[Doubt, ...] = ()) -> Why:
    """Give a nearest look-alike of another group, and one sign."""
    other = "leech" if fine != "leech" else "flatworm"
    return Why(fine, other, 0.02, (f"A sign of {fine}.",), doubts)


def judged(label: str = "leech-like", confidence: float = 0.9, **changes: Any) -> Judgement:
    """Give a judgement; what is not told may be leech-like, the other groups share the rest."""
    group = label if label in GROUPS else "leech-like"
    rest = (1 - confidence) / 3
    values: dict[str, Any] = {
        "label": label,
        "confidence": confidence,
        "p_groups": tuple(confidence if name == group else rest for name in GROUPS),
        "fine": LIKELY_FINE.get(label, "leech"),
        "reasons": (f"A reason for {label}.",),
        "why": why_of(
            LIKELY_FINE.get(label, "leech"), (Doubt.SEVERAL,) if label == "cant-tell" else ()
        ),
    }
    return Judgement(**(values | changes))


def found(number: int, judgement: Judgement, box: BoxXyxy = BOX, *, crop_rgb: U8 = CROP) -> Finding:
    return Finding(number, box, judgement, crop_rgb)


def checked(
    name: str = "glass.jpg", label: str = "leech-like", n_findings: int = 1, **changes: Any
) -> PhotoCheck:
    """Give a checked photo with findings of one label side by side."""
    x0, y0, x1, y1 = BOX
    values: dict[str, Any] = {
        "photo": name,
        "width": 640,
        "height": 480,
        "taken": "2026-03-01T22:14:03",
        "verdict": judged(label),
        "findings": tuple(
            found(i + 1, judged(label), (x0 + i, y0, x1 + i, y1)) for i in range(n_findings)
        ),
        "notes": ("It was turned upright.",),
    }
    return PhotoCheck(**(values | changes))


def moved(
    number: int,
    judgement: Judgement,
    *,
    first: BoxXyxy | None = None,
    second: BoxXyxy | None = None,
    displacement_px: float | None = None,
    crop_rgb: U8 = CROP,
) -> Moved:
    return Moved(number, first, second, judgement, displacement_px, crop_rgb)


def compared(first: str, second: str, *movers: Moved, reason: str = "") -> PairResult:
    return PairResult(first, second, aligned=True, reason=reason, moved=movers)


def not_compared(first: str, second: str, reason: str = "Too dark. Use a lamp.") -> PairResult:
    return PairResult(first, second, aligned=False, reason=reason)


def followed(
    number: int,
    judgement: Judgement,
    sightings: Sequence[tuple[str, BoxXyxy]],
    *,
    crop_rgb: U8 = CROP,
) -> TrackResult:
    return TrackResult(number, tuple(sightings), judgement, crop_rgb)


def viewed(label: str = "leech-like", **changes: Any) -> ViewResult:
    """Give a view of three photos: one pair compared, one not, a snail and something followed."""
    values: dict[str, Any] = {
        "view": "left tank",
        "photos": ("a.jpg", "b.jpg", "c.jpg"),
        "taken": ("2026-03-01T22:00:00", "2026-03-01T22:30:00", "2026-03-01T23:00:00"),
        "pairs": (
            compared("a.jpg", "b.jpg", reason="Nothing moved."),
            not_compared("b.jpg", "c.jpg"),
        ),
        "tracks": (
            followed(1, judged("harmless"), [("a.jpg", BOX), ("b.jpg", BOX)]),
            followed(2, judged(label, 0.7), [("a.jpg", BOX)]),
        ),
        "seen_at_once_max": {name: int(name in {label, "harmless"}) for name in LABELS},
        "notes": ("The order is that of the file names.",),
    }
    return ViewResult(**(values | changes))


def bare_view(name: str, photos: Sequence[str], **changes: Any) -> ViewResult:
    """Give a view on which nothing was seen and nothing is known of the times."""
    values: dict[str, Any] = {
        "view": name,
        "photos": tuple(photos),
        "taken": (None,) * len(photos),
        "pairs": (),
        "tracks": (),
        "seen_at_once_max": {},
    }
    return ViewResult(**(values | changes))


def scanned(folder: str = "night", *, label: str = "leech-like", **changes: Any) -> NightResult:
    """Give a scanned folder of one view."""
    return NightResult(folder, (viewed(label, **changes),))
