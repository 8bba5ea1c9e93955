"""The net with what a keeper's own labels have taught it, for every answer of the page."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from pestvision.web import album_words
from pestvision.web.handlers import ClassifierOnce

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.organisms.classify import Classifier
    from pestvision.web.album import SharedAlbum
    from pestvision.web.tools import Tools


class OwnNet(ClassifierOnce):
    """The net, loaded once, with the personal head that is trusted at the moment.

    Parameters
    ----------
    source
        Loads the shipped net.
    album
        Where personal heads are kept. Without an album the shipped net answers.
    tools
        The album's stages.
    """

    def __init__(self, source: Callable[[], Classifier], album: SharedAlbum, tools: Tools) -> None:
        super().__init__(source)
        self._album = album
        self._tools = tools

    def get(self) -> Classifier:
        """Give the net with the trusted head, else the shipped one."""
        shipped = super().get()
        library = self._album.begun()
        return shipped if library is None else self._tools.personal_classifier(library, shipped)

    def judged_with(self, classifier: Classifier) -> str:
        """Say whose labels a net judges with; nothing for the shipped one."""
        library = self._album.begun()
        if library is None or classifier.head is None:
            return ""
        number = classifier.head.version
        for version in self._tools.versions(library):
            if version.id == number:
                return album_words.JUDGED_WITH.format(number=number, day=day_in_words(version.at))
        return ""


def day_in_words(at: str) -> str:
    """Give the day of a moment in UTC by this computer's clock: `12 May 2031`."""
    moment = datetime.fromisoformat(at).astimezone()
    return f"{moment.day} {album_words.MONTHS[moment.month - 1]} {moment.year}"
