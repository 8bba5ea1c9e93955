"""Check one photo: propose, crop, classify, and give the answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.settings import Settings

if TYPE_CHECKING:
    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import PhotoCheck
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
