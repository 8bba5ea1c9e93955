"""What the page asks of the album's stages; tests hand in stand-ins that answer at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from pestvision.collection.adapt import Outcome, Version
    from pestvision.collection.library import Library
    from pestvision.collection.review import Suggestion
    from pestvision.organisms.classify import Classifier
    from pestvision.progress import Progress


class NextCrops(Protocol):
    """Gives what to label next."""

    def __call__(
        self, library: Library, model: str, *, limit: int, skip: Collection[int]
    ) -> list[Suggestion]:
        """As `collection.review.next_crops`."""
        ...


class ReadUnread(Protocol):
    """Lets the net read crops that it has not read."""

    def __call__(
        self, library: Library, classifier: Classifier, *, limit: int, progress: Progress
    ) -> int:
        """As `collection.readings.read_unread`."""
        ...


class Adapt(Protocol):
    """Learns from the labels."""

    def __call__(
        self, library: Library, classifier: Classifier, *, who: str, progress: Progress
    ) -> Outcome:
        """As `collection.adapt.adapt`."""
        ...


class Trust(Protocol):
    """Takes a version, or the shipped net, into use."""

    def __call__(self, library: Library, version: int | None, *, who: str) -> str:
        """As `collection.adapt.trust`."""
        ...


@dataclass(frozen=True, slots=True)
class Tools:
    """The stages that read, ask, adapt and trust, as the collection's functions of the same names."""

    next_crops: NextCrops
    read_unread: ReadUnread
    adapt: Adapt
    trust: Trust
    missing: Callable[[Library], tuple[str, ...]]
    versions: Callable[[Library], list[Version]]
    personal_classifier: Callable[[Library, Classifier], Classifier]

    @classmethod
    def shipped(cls) -> Self:
        """Give the stages themselves."""
        from pestvision.collection.adapt import (
            adapt,
            missing,
            personal_classifier,
            trust,
            versions,
        )
        from pestvision.collection.readings import read_unread
        from pestvision.collection.review import next_crops

        return cls(
            next_crops=next_crops,
            read_unread=read_unread,
            adapt=adapt,
            trust=trust,
            missing=missing,
            versions=versions,
            personal_classifier=personal_classifier,
        )
