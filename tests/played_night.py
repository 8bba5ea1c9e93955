"""A night played by scripts whose truth is known, in the place of the stages before the scan."""

from __future__ import annotations

import weakref
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from made_answers import checked
from made_scores import sure_of_fine

from pestvision.errors import UnreadablePhotoError
from pestvision.findings import follow as follow_module
from pestvision.findings import night as night_module
from pestvision.findings import stretch as stretch_module
from pestvision.findings import views as views_module
from pestvision.findings.night import scan_night
from pestvision.motion.align import AlignedPair, AlignmentFailed, AlignReason
from pestvision.motion.blobs import Blob, PairChange
from pestvision.motion.restless import PairPlaces
from pestvision.motion.tracks import Mover
from pestvision.organisms.classes import FINE_NAMES
from pestvision.organisms.weights import Rules
from pestvision.photos.exif import TakenAt
from pestvision.photos.read import Photo
from pestvision.photos.series import Frame, Series, Skipped, View

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pytest

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.finding import NightResult, PhotoCheck
    from pestvision.motion.align import View as Prepared
    from pestvision.organisms.classify import Scores

HEIGHT, WIDTH = 240, 320
T0 = datetime(2026, 3, 3, 22, 0)  # noqa: DTZ001 - a camera's clock has no zone


class PaintedClassifier:
    """Reads the class from the crop's middle, where the script painted it."""

    card = SimpleNamespace(rules=Rules(), full={"weights": "painted"})
    head = None

    def __init__(self) -> None:
        self.n_crops = 0

    def classify(self, crops: Sequence[U8]) -> list[Scores]:
        self.n_crops += len(crops)
        return [sure_of_fine(FINE_NAMES[int(crop[112, 112, 0]) // 10 - 1], 0.97) for crop in crops]


@dataclass
class Script:
    """One view: photos by number, animals by track as `{photo: box}`, and what goes wrong."""

    n_photos: int = 3
    animals: dict[int, tuple[str, dict[int, BoxXyxy]]] = field(default_factory=dict)
    unaligned: set[int] = field(default_factory=set)
    undecodable: set[int] = field(default_factory=set)
    name: str = "left"
    alive: list[weakref.ref[Photo]] = field(default_factory=list)
    most_alive: int = 0
    n_decoded: int = 0

    def frame(self, rank: int) -> Frame:
        name = f"{self.name}/{rank:03d}.jpg"
        taken = TakenAt(T0 + timedelta(minutes=rank), None, False, "exif")
        return Frame(Path("/nowhere") / name, name, taken, HEIGHT, WIDTH)

    def photo(self, rank: int) -> Photo:
        rgb = np.zeros((HEIGHT, WIDTH, 3), dtype=np.uint8)
        rgb[0, 0] = rank
        for fine, places in self.animals.values():
            if rank in places:
                x0, y0, x1, y1 = (round(value) for value in places[rank])
                rgb[y0:y1, x0:x1] = 10 * (FINE_NAMES.index(fine) + 1)
        frame = self.frame(rank)
        return Photo(rgb, Path(frame.name).name, frame.path, "JPEG", frame.taken)

    def read_photo(self, path: Path, **_: object) -> Photo:
        rank = int(path.stem)
        if rank in self.undecodable:
            message = f"{path.name} is damaged."
            raise UnreadablePhotoError(message, advice="Copy it again.")
        photo = self.photo(rank)
        self.n_decoded += 1
        self.alive = [ref for ref in self.alive if ref() is not None]
        self.alive.append(weakref.ref(photo.rgb))  # type: ignore[arg-type]
        self.most_alive = max(self.most_alive, len(self.alive))
        return photo

    def align_pair(self, first: Prepared, second: Prepared) -> AlignedPair | AlignmentFailed:
        photos = first.photo, second.photo
        if int(photos[0][0, 0, 0]) in self.unaligned:
            return AlignmentFailed(AlignReason.MOVED_TOO_FAR, "Fix the camera.")
        valid = np.ones(photos[0].shape[:2], dtype=bool)
        return AlignedPair(*photos, valid, np.eye(3, dtype=np.float32), 0.1)

    def judge_pair(self, pair: AlignedPair, **_: object) -> PairChange:
        """Give an animal's place on each photo as a blob of its own; all of them are surely found."""
        ranks = int(pair.first[0, 0, 0]), int(pair.warped[0, 0, 0])
        blobs = []
        for track, (_fine, places) in self.animals.items():
            boxes = [places.get(rank) for rank in ranks]
            if boxes[0] != boxes[1]:
                sides: tuple[Literal["first", "second"], ...] = ("first", "second")
                blobs += [
                    Blob(
                        box, side, z_peak=8.0 + track, area_px=9, length_px=24.0, contrast_rgb=GREY
                    )
                    for side, box in zip(sides, boxes, strict=True)
                    if box is not None
                ]
        boxes_px = tuple(blob.box_xyxy_px for blob in blobs)
        places_px = PairPlaces(boxes_px, np.eye(3), (HEIGHT, WIDTH))
        return PairChange(tuple(blobs), (0.0,) * len(blobs), places_px)


GREY = (9.0, 9.0, 9.0)


def joined(blobs: Sequence[Blob], *_: object) -> tuple[Mover, ...]:
    """Join the blobs of each animal: they alone are of one strength."""
    movers = []
    for z_peak in dict.fromkeys(blob.z_peak for blob in blobs):
        of_it = {blob.seen_on: blob.box_xyxy_px for blob in blobs if blob.z_peak == z_peak}
        boxes = of_it.get("first"), of_it.get("second")
        distance = None if None in boxes else 10.0
        movers.append(Mover(*boxes, distance, z_peak, round(z_peak - 8.0)))
    return tuple(movers)


def player(monkeypatch: pytest.MonkeyPatch) -> Callable[..., NightResult]:
    """Give a function that puts scripts in the place of the stages, and scans."""

    def scan(*scripts: Script, skipped: Sequence[Skipped] = (), **options: Any) -> NightResult:
        by_name = {script.name: script for script in scripts}
        views = tuple(
            View(script.name, tuple(script.frame(k) for k in range(script.n_photos)), "time taken")
            for script in scripts
        )
        series = Series(Path("night"), views, tuple(skipped))
        monkeypatch.setattr(night_module, "read_series", lambda *_, **__: series)
        for module in (stretch_module, views_module):  # looked over, and shown
            monkeypatch.setattr(
                module,
                "read_photo",
                lambda path, **k: by_name[path.parent.name].read_photo(path, **k),
            )
        monkeypatch.setattr(stretch_module, "align_pair", scripts[0].align_pair)
        monkeypatch.setattr(stretch_module, "judge_pair", scripts[0].judge_pair)
        monkeypatch.setattr(stretch_module, "pair_movers", joined)
        monkeypatch.setattr(
            follow_module, "link_movers", lambda pairs, **_: tuple(tuple(p) for p in pairs)
        )
        monkeypatch.setattr(stretch_module, "check_photo", harmless)
        return scan_night(Path("night"), PaintedClassifier(), **options)

    return scan


def harmless(photo: Photo, *_: object, **__: object) -> PhotoCheck:
    size = {"width": photo.width, "height": photo.height}
    return checked(photo.name, "harmless", taken=None, **size)


def walk(start: int, stop: int, *, y: float = 20.0, step: float = 30.0) -> dict[int, BoxXyxy]:
    """An animal that is 24 pixels long and goes right by `step` pixels a photo."""
    return {k: (10 + step * k, y, 34 + step * k, y + 16) for k in range(start, stop)}
