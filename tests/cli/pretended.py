"""Stages that answer at once: what is typed and printed is what these tests are about.

A stand-in takes a call only if the real stage would take it, so that the two cannot drift apart.
"""

from __future__ import annotations

import importlib
import inspect
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.errors import UnreadablePhotoError
from pestvision.findings.finding import (
    Finding,
    Judgement,
    NightResult,
    PairResult,
    PhotoCheck,
    TrackResult,
    ViewResult,
)
from pestvision.organisms.classes import GROUPS, LABELS
from pestvision.photos.exif import NO_TIME
from pestvision.photos.read import Photo

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest

CROP = np.full((224, 224, 3), 90, np.uint8)
FINE = {
    "leech-like": "leech",
    "flatworm-like": "flatworm",
    "harmless": "snail",
    "not-an-organism": "bubble",
    "cant-tell": "leech",
}


def judged(label: str = "leech-like", confidence: float = 0.9) -> Judgement:
    group = label if label in GROUPS else "leech-like"
    rest = (1 - confidence) / 3
    return Judgement(
        label=label,
        confidence=confidence,
        p_groups=tuple(confidence if name == group else rest for name in GROUPS),
        fine=FINE[label],
        reasons=(f"A reason for {label}.",),
    )


def checked(name: str = "glass.jpg", label: str = "leech-like", n_findings: int = 1) -> PhotoCheck:
    verdict = judged(label)
    return PhotoCheck(
        photo=name,
        width=640,
        height=480,
        taken="2026-03-01T22:14:03",
        verdict=verdict,
        findings=tuple(
            Finding(i + 1, (10.0 + i, 20.0, 110.0 + i, 80.0), verdict, CROP)
            for i in range(n_findings)
        ),
        notes=("It was turned upright.",),
    )


def scanned(folder: str = "night", *, label: str = "leech-like", **changes: Any) -> NightResult:
    box = (10.0, 20.0, 110.0, 80.0)
    values: dict[str, Any] = {
        "view": "left tank",
        "photos": ("a.jpg", "b.jpg", "c.jpg"),
        "taken": ("2026-03-01T22:00:00", "2026-03-01T22:30:00", "2026-03-01T23:00:00"),
        "pairs": (
            PairResult("a.jpg", "b.jpg", aligned=True, reason="Nothing moved."),
            PairResult("b.jpg", "c.jpg", aligned=False, reason="Too dark. Use a lamp."),
        ),
        "tracks": (
            TrackResult(1, (("a.jpg", box), ("b.jpg", box)), judged("harmless"), CROP),
            TrackResult(2, (("a.jpg", box),), judged(label, 0.7), CROP),
        ),
        "seen_at_once_max": {name: int(name in {label, "harmless"}) for name in LABELS},
        "notes": ("The order is that of the file names.",),
    }
    return NightResult(folder, (ViewResult(**(values | changes)),))


@dataclass
class Stages:
    """What the stand-ins were asked, and what they are to answer."""

    monkeypatch: pytest.MonkeyPatch
    calls: list[tuple[str, dict[str, Any]]] = field(default_factory=list)

    def put(self, place: str, name: str, answer: Callable[..., Any]) -> None:
        """Put a stand-in in the place of `place.name` that takes what the real one takes."""
        module = importlib.import_module(place)
        signature = inspect.signature(getattr(module, name))

        def stand_in(*args: Any, **kwargs: Any) -> Any:
            bound = signature.bind(*args, **kwargs)
            bound.apply_defaults()
            self.calls.append((name, dict(bound.arguments)))
            return answer(**bound.arguments)

        stand_in.__signature__ = signature  # type: ignore[attr-defined]
        self.monkeypatch.setattr(module, name, stand_in)

    def asked(self, name: str) -> list[dict[str, Any]]:
        return [arguments for called, arguments in self.calls if called == name]


def pretended_photo(path: Path, **_others: Any) -> Photo:
    if "bad" in path.name:
        raise UnreadablePhotoError(f"{path.name} is damaged.", advice="Take it again.")
    return Photo(
        rgb=np.zeros((480, 640, 3), np.uint8),
        name=path.name,
        path=path,
        format_name="JPEG",
        taken=NO_TIME,
    )


def sentences(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.strip()]
