"""Scan a night's folder: views, aligned pairs, movers, tracks, and the answer for each view."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.progress import Progress, silent
from pestvision.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pestvision.findings.finding import NightResult, ViewResult
    from pestvision.organisms.classify import Classifier

DEFAULTS = Settings()


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
