"""How long work tells whoever asked for it how far it is."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """A callable that is told how much of the work is done."""

    def __call__(self, done: int, total: int, what: str) -> None:
        """Take `done` of `total` steps, and a short word for the step that comes next."""
        ...


def silent(done: int, total: int, what: str) -> None:
    """Take progress and say nothing: the default everywhere."""
