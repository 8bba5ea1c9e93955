"""A command typed, and the stages behind it replaced by pretended ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from made_answers import checked, scanned
from made_scores import MiddleIsHot
from pretended import Stages, pretended_photo
from typer.testing import CliRunner

from pestvision.cli import app

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from typer.testing import Result

    from pestvision.findings.finding import NightResult


@pytest.fixture
def stages(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Stages:
    """Stand-ins for the net, the reader, the check and the scan; work happens in a fresh folder."""
    from pestvision.organisms.classify import Classifier

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(Classifier, "load", classmethod(lambda _cls: MiddleIsHot()))
    found = Stages(monkeypatch)
    found.put("pestvision.photos.read", "read_photo", pretended_photo)
    found.put(
        "pestvision.findings.check", "check_photo", lambda photo, **_others: checked(photo.name)
    )

    def scan(folder: Path, on_view: Any, progress: Any, **_others: Any) -> NightResult:
        night = scanned(folder.name)
        progress(1, 2, "comparing")
        for view in night.views:
            if on_view is not None:
                on_view(view)
        return night

    found.put("pestvision.findings.night", "scan_night", scan)
    return found


@pytest.fixture
def type_in() -> Callable[..., Result]:
    """Type a command, and get what it printed and its exit status."""
    runner = CliRunner()

    def typed(*words: str | Path, **options: Any) -> Result:
        return runner.invoke(app, [str(word) for word in words], **options)

    return typed
