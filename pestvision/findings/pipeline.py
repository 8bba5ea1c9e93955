"""The only composer: check one photo, scan a night."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.progress import Progress, silent
from pestvision.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import NightResult, PhotoCheck, ViewResult
    from pestvision.organisms.classify import Classifier
    from pestvision.photos.read import Photo

DEFAULTS = Settings()


def check_photo(
    photo: Photo,
    classifier: Classifier,
    *,
    settings: Settings = DEFAULTS,
    box_xyxy_px: BoxXyxy | None = None,
) -> PhotoCheck:
    """Find and label organisms on one photo."""
    raise RuntimeError(photo, classifier, settings, box_xyxy_px)


def scan_night(
    folder: Path,
    classifier: Classifier,
    *,
    settings: Settings = DEFAULTS,
    progress: Progress = silent,
    on_view: Callable[[ViewResult], None] | None = None,
) -> NightResult:
    """Scan a night's folder."""
    raise RuntimeError(folder, classifier, settings, progress, on_view)
