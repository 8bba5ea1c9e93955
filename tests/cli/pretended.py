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
from pestvision.photos.exif import NO_TIME
from pestvision.photos.read import Photo

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest


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


def flat(text: str) -> str:
    """Give printed text as one line, however it was wrapped."""
    return " ".join(text.split())


def sentences(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.strip()]
