"""Answers made by hand, and stand-ins that give them: what the web tests show instead of the net's."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from made_answers import bare_view, compared, followed, found, judged, moved, not_compared
from made_scores import MiddleIsHot
from PIL import Image, ImageDraw

from pestvision.errors import FolderError
from pestvision.findings.finding import NightResult, PhotoCheck
from pestvision.photos.series import Skipped
from pestvision.settings import Settings
from pestvision.size.measure import length_words
from pestvision.size.records import Length

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pestvision.photos.read import Photo
    from pestvision.size.records import Scale


@dataclass(frozen=True)
class RunningPage:
    """A page that is served: its address, its private folder, and the toolkit's object."""

    url: str
    work: Path
    app: Any


LEECH = judged(
    "leech-like",
    0.87,
    reasons=(
        "The body tapers to both ends and shows rings across it.",
        "A pale patch at the hind end.",
    ),
)
SNAIL = judged("harmless", 0.95, reasons=("A coiled shell.",))
UNTOLD = judged(
    "cant-tell",
    0.46,
    p_groups=(0.46, 0.4, 0.1, 0.04),
    reasons=("It may be leech-like or flatworm-like: the head is not in focus.",),
)
DEBRIS = judged("not-an-organism", 0.9, fine="plant-or-debris", reasons=("It has no outline.",))
CLASSIFIER: Any = MiddleIsHot()
CLASSIFIER.model = "net-7"
CLASSIFIER.head = None
CLASSIFIER.with_head = lambda _head: CLASSIFIER
HOSTILE_NAME = "<img src=x onerror=alert(1)> & co.jpg"


def picture(height: int = 600, width: int = 900) -> np.ndarray:
    """A drawn glass: green ground, a brown worm, a pale round snail."""
    image = Image.new("RGB", (width, height), "#5b7f6a")
    pen = ImageDraw.Draw(image)
    pen.line((0.2 * width, 0.35 * height, 0.45 * width, 0.5 * height), fill="#4a2f1d", width=26)
    pen.ellipse(
        (0.65 * width, 0.55 * height, 0.65 * width + 120, 0.55 * height + 120), fill="#c9b38a"
    )
    return np.asarray(image)


def crop(colour: str = "#4a2f1d") -> np.ndarray:
    image = Image.new("RGB", (224, 224), "#5b7f6a")
    ImageDraw.Draw(image).line((40, 80, 180, 140), fill=colour, width=24)
    return np.asarray(image)


def made_check(photo: Photo, box: tuple[float, float, float, float] | None) -> PhotoCheck:
    """The answer that the stand-in gives: a leech and a snail, or what is in the marked box."""
    w, h = photo.width, photo.height
    if box is not None:
        findings = (found(1, UNTOLD, box, crop_rgb=crop()),)
        verdict = UNTOLD
    else:
        findings = (
            found(1, LEECH, (0.18 * w, 0.32 * h, 0.47 * w, 0.53 * h), crop_rgb=crop()),
            found(2, SNAIL, (0.64 * w, 0.54 * h, 0.8 * w, 0.77 * h), crop_rgb=crop("#c9b38a")),
        )
        verdict = LEECH
    return PhotoCheck(
        photo.name, w, h, photo.taken.iso(), verdict, findings, notes=tuple(photo.notes)
    )


def measured(check: PhotoCheck, scale: Scale) -> PhotoCheck:
    """Put a length to the first finding, and the notes of the scale, as a check with a scale does."""
    length = Length(10.4, 9.2, 11.7, scale.notes)
    words = (length_words(length), *scale.notes)
    first = replace(check.findings[0], length=length, size_words=words)
    notes = (*check.notes, *scale.notes)
    return replace(check, findings=(first, *check.findings[1:]), notes=notes)


def made_night(folder: str = "shelf-tuesday") -> NightResult:
    """Two views: one with a leech and a snail that moved, one that could not be compared."""
    names = ("left/0001.jpg", "left/0002.jpg", "left/0003.jpg")
    box = (180.0, 190.0, 420.0, 320.0)
    left = bare_view(
        "left",
        names,
        taken=("2031-03-02T22:04:10", "2031-03-02T22:14:10", "2031-03-02T22:24:10"),
        pairs=(
            compared(
                names[0],
                names[1],
                moved(1, LEECH, second=box, crop_rgb=crop()),
                moved(3, DEBRIS, first=(1.0, 1.0, 30.0, 30.0), crop_rgb=crop("#2f4a1d")),
            ),
            compared(names[1], names[2], reason="Nothing moved."),
        ),
        tracks=(
            followed(1, LEECH, [(names[1], box), (names[2], box)], crop_rgb=crop()),
            followed(
                2, SNAIL, [(names[1], (580.0, 320.0, 720.0, 470.0))], crop_rgb=crop("#c9b38a")
            ),
        ),
        seen_at_once_max={"leech-like": 1, "harmless": 1},
        busiest=names[1],
        busiest_rgb=picture(),
        notes=("Ordered by the time taken.",),
    )
    right_names = ("right/1.jpg", "right/2.jpg")
    elsewhere = "The two photos do not show the same place. Keep the camera still between them."
    right = bare_view(HOSTILE_NAME, right_names, pairs=(not_compared(*right_names, elsewhere),))
    skipped = (Skipped("notes.txt", "notes.txt is not a photo. Give JPEG, PNG or HEIC files."),)
    return NightResult(folder, (right, left), skipped)


def fake_check(
    photo: Photo,
    classifier: object,
    *,
    settings: Settings,
    box_xyxy_px: tuple[float, float, float, float] | None = None,
    scale: Scale | None = None,
) -> PhotoCheck:
    assert classifier is CLASSIFIER
    assert isinstance(settings, Settings)
    found = made_check(photo, box_xyxy_px)
    return found if scale is None else measured(found, scale)


def fake_scan(
    folder: Path,
    classifier: object,
    *,
    settings: Settings,
    progress: Callable[[int, int, str], None],
) -> NightResult:
    assert classifier is CLASSIFIER
    assert isinstance(settings, Settings)
    if not folder.is_dir():
        message = f"There is no folder {folder}."
        raise FolderError(message, advice="Give the folder that holds the photos of the night.")
    n_files = sum(1 for _ in folder.iterdir())
    for done in range(n_files + 1):
        progress(done, n_files, "Comparing photos")
    return made_night(folder.name)
