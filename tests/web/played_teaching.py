"""Stand-ins for the album's stages: a net that reads at a glance, and an adapting that is told what comes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image, ImageDraw

from pestvision.collection.adapt import Outcome, Version
from pestvision.collection.intake import add_photos
from pestvision.collection.records import Label, NewCrop, NewPhoto, Reading
from pestvision.collection.review import next_crops
from pestvision.organisms.classes import FINE_NAMES, GROUPS
from pestvision.web.tools import Tools

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.collection.library import Library
    from pestvision.progress import Progress

AT = "2021-05-12T10:00:00.000000Z"
SAID_AT = "2021-03-02T21:00:00.000000Z"
BOX = (20.0, 20.0, 90.0, 80.0)


def photo_of(number: int, *labels: Label, folder: Path, **about: Any) -> NewPhoto:
    """A drawn photo with one crop: of each number another ground and another stroke."""
    rng = np.random.default_rng(number)
    ground = tuple(int(level) for level in rng.integers(60, 200, 3))
    image = Image.new("RGB", (160, 120), ground)
    pen = ImageDraw.Draw(image)
    for _ in range(6):
        ends = [int(value) for value in rng.integers(10, 110, 4)]
        pen.line(ends, fill=tuple(int(level) for level in rng.integers(0, 255, 3)), width=9)
    path = folder / f"{number:04d}.png"
    image.save(path)
    name = about.pop("name", path.name)
    return NewPhoto(path, name, (NewCrop(BOX, labels),), **about)


def said(label: str, number: int, who: str = "keeper") -> Label:
    """What a person said before the test."""
    return Label(f"key-{who}-{number}", label, who, "person", SAID_AT)


def fill(library: Library, folder: Path, n_photos: int, *, labels: Sequence[str] = ()) -> None:
    """Add drawn photos, the first of them labelled, of three tanks in turn."""
    photos = [
        photo_of(
            number,
            *([said(labels[number - 1], number)] if number <= len(labels) else []),
            folder=folder,
            tank=("Amber", "Moss", "Slate")[number % 3],
            taken=f"2031-03-{1 + number % 28:02d}T22:04:10",
        )
        for number in range(1, n_photos + 1)
    ]
    add_photos(library, photos, note="drawn")


def read_at_a_glance(library: Library, classifier: Any, *, limit: int, progress: Progress) -> int:
    """Say of every crop that it is harmless, with 62 %."""
    p_fine = np.full(len(FINE_NAMES), 0.38 / (len(FINE_NAMES) - 1), np.float32)
    p_fine[FINE_NAMES.index("snail")] = 0.62
    waiting = library.unread(classifier.model, limit=limit)
    for crop in waiting:
        place = np.random.default_rng(crop.id).normal(size=8).astype(np.float32)
        signature = np.zeros(1872, np.float32)
        read = Reading(classifier.model, p_fine, place, signature, 1.0, 0.5)
        library.note_readings([(crop.id, read)])
    progress(len(waiting), len(waiting), "reading crops")
    return len(waiting)


def version_of(number: int, *, is_better: bool = True, worst: Sequence[int] = ()) -> Version:
    """A version with figures made by hand."""
    about = {
        "n": dict.fromkeys(map(str, GROUPS), 20),
        "own": {"before": 0.712, "after": 0.861, "low": 0.06, "high": 0.234},
        "yardstick": {"before": 0.84, "after": 0.835, "margin": 0.02},
        "confusion_before": [[12, 5, 1, 2], [4, 13, 2, 1], [1, 0, 17, 2], [3, 1, 1, 15]],
        "confusion_after": [[18, 1, 0, 1], [2, 16, 1, 1], [0, 0, 19, 1], [2, 0, 1, 17]],
        "worst": [
            {"crop": crop, "label": "harmless", "said": "leech-like", "p": 0.93} for crop in worst
        ],
        "doubts": {},
    }
    return Version(number, AT, is_better, is_better, about)


class Adapting:
    """Pretends to learn: each time, the outcome that comes next in `is_better`."""

    def __init__(self, *, needs: tuple[str, ...] = (), is_better: Sequence[bool] = (True,)) -> None:
        self.needs = needs
        self.coming = list(is_better)
        self.all: list[Version] = []
        self.asked: list[str] = []

    def missing(self, _library: Library) -> tuple[str, ...]:
        return self.needs

    def adapt(self, library: Library, _classifier: Any, *, who: str, progress: Progress) -> Outcome:
        self.asked.append(who)
        progress(0, 1, "learning from your labels")
        if self.needs:
            return Outcome(None, False, "Not enough labels yet.", self.needs)
        is_better = self.coming.pop(0)
        crops = [crop.id for crop in library.every()][:3]
        version = version_of(len(self.all) + 1, is_better=is_better, worst=[*crops, 9999])
        if is_better:
            self.trust(library, None, who=who)
        self.all.insert(0, version)
        state = "in use" if is_better else "not used: the gain may be chance"
        return Outcome(version, is_better, f"Version {version.id} is {state}.", ())

    def versions(self, _library: Library) -> list[Version]:
        return self.all

    def trust(self, _library: Library, version: int | None, *, who: str) -> str:
        self.asked.append(who)
        self.all = [replace(item, is_trusted=item.id == version) for item in self.all]
        return "The shipped head is in use again." if version is None else f"Version {version}."

    def personal(self, _library: Library, classifier: Any) -> Any:
        return classifier

    def tools(self) -> Tools:
        return Tools(
            next_crops=next_crops,
            read_unread=read_at_a_glance,
            adapt=self.adapt,
            trust=self.trust,
            missing=self.missing,
            versions=self.versions,
            personal_classifier=self.personal,
        )
