"""Teach the net the album's labels, and choose which version answers. Knows no component."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.errors import LabelError
from pestvision.web import adapt_cards, album_words
from pestvision.web.album import person_of
from pestvision.web.handlers import spoken

if TYPE_CHECKING:
    from pestvision.collection.adapt import Version
    from pestvision.collection.library import Library
    from pestvision.progress import Progress
    from pestvision.web.album import SharedAlbum
    from pestvision.web.handlers import ClassifierOnce
    from pestvision.web.tools import Tools


class AdaptDesk:
    """What the buttons of adapting do.

    Parameters
    ----------
    album
        The album of the page.
    classifier
        The net.
    tools
        The album's stages.
    """

    def __init__(self, album: SharedAlbum, classifier: ClassifierOnce, tools: Tools) -> None:
        self.album = album
        self._classifier = classifier
        self._tools = tools

    def missing(self) -> tuple[str, ...]:
        """Say what is needed before adapting makes sense."""
        library = self.album.begun()
        return () if library is None else self._tools.missing(library)

    def overview(self) -> tuple[str, str]:
        """Give the last attempt with its figures, and the list of versions, as HTML."""
        with spoken():
            library = self.album.begun()
            if library is None:
                return "", adapt_cards.versions([])
            versions = self._tools.versions(library)
            last = self._before_and_after(library, versions[0]) if versions else ""
            return self._needed(library) + last, adapt_cards.versions(versions)

    def adapt(self, progress: Progress, *, who: str = "") -> tuple[str, str]:
        """Learn from the labels; give what came of it, and the list of versions, as HTML."""
        with spoken():
            library = self.album.begun()
            if library is None:
                raise LabelError(
                    album_words.PROGRESS_NONE, advice=album_words.NOTHING_TO_LABEL_ADVICE
                )
            person = person_of(who)
            progress(0, 1, album_words.GETTING_READY)
            outcome = self._tools.adapt(
                library, self._classifier.get(), who=person, progress=progress
            )
            html = adapt_cards.outcome(outcome)
            if outcome.version is not None:
                html += self._before_and_after(library, outcome.version)
            return html, adapt_cards.versions(self._tools.versions(library))

    def trust(self, version: int | None, *, who: str = "") -> tuple[str, str]:
        """Use a version from now on, or the shipped net where None is given."""
        with spoken():
            library = self.album.library()
            said = self._tools.trust(library, version, who=person_of(who))
            versions = self._tools.versions(library)
            last = self._before_and_after(library, versions[0]) if versions else ""
            return last, adapt_cards.versions(versions, said=said)

    def _needed(self, library: Library) -> str:
        missing = self._tools.missing(library)
        return adapt_cards.needed(missing) if missing else ""

    def _before_and_after(self, library: Library, version: Version) -> str:
        """Show a version's figures, with those of its worst mistakes that are still in the album."""
        worst = []
        for item in version.about.get("worst", []):
            try:
                crop = library.crop(int(item["crop"]))
            except LabelError:
                continue
            worst.append((item, crop))
        uris = self.album.pictures.uris([crop for _, crop in worst])
        mistakes = [(item, uri) for (item, _), uri in zip(worst, uris, strict=True)]
        return adapt_cards.before_and_after(version, mistakes)
