"""Add photos to the album: each is looked over, and what is found is cut out. Knows no component."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from pestvision.collection.intake import add_photos
from pestvision.collection.records import NewCrop, NewPhoto
from pestvision.errors import PhotoError
from pestvision.findings.check import check_photo
from pestvision.photos.read import read_photo
from pestvision.web import album_words, words
from pestvision.web.album import Teachable, person_of, tank_of
from pestvision.web.handlers import spoken
from pestvision.web.shelf import Shelf

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pestvision.collection.records import Added
    from pestvision.progress import Progress
    from pestvision.settings import Settings
    from pestvision.web.album import AlbumDesk
    from pestvision.web.handlers import ClassifierOnce

MOST_NAMED = 5  # files named in a sentence
MOST_LISTED = 50


class IntakeDesk:
    """What happens when photos are handed over for the album.

    Parameters
    ----------
    settings
        What can be set.
    desk
        Knows the album, and how the net's labels are kept.
    classifier
        The net.
    folder
        A private folder in which the photos lie until they are in the album.
    """

    def __init__(
        self, settings: Settings, desk: AlbumDesk, classifier: ClassifierOnce, folder: Path
    ) -> None:
        self._settings = settings
        self._desk = desk
        self._classifier = classifier
        self._shelf = Shelf(folder)

    def add(
        self,
        owner: str,
        sent: Sequence[str] | None,
        progress: Progress,
        *,
        who: str = "",
        tank: str = "",
    ) -> str:
        """Add photos; give what came of it as HTML. The copies that were handed over are deleted."""
        with spoken():
            if not sent:
                raise PhotoError(album_words.NO_FILES, advice=album_words.NO_FILES_ADVICE)
            person, of_tank = person_of(who), tank_of(tank)
            self._classifier.get()
            library = self._desk.album.library()
            paths = self._shelf.add(owner, [Path(path) for path in sent])
            without: list[str] = []
            unread: list[tuple[str, str]] = []

            def looked_over() -> Iterator[NewPhoto]:
                for done, path in enumerate(paths):
                    progress(done, len(paths), album_words.ADDING)
                    try:
                        photo = self._look_over(path, of_tank)
                    except PhotoError as error:
                        unread.append((path.name, error.sentence()))
                        continue
                    if photo.crops:
                        yield photo
                    else:
                        without.append(path.name)

            try:
                added = add_photos(library, looked_over(), who=person, note=album_words.ADD_NOTE)
            finally:
                self._shelf.drop(owner)
            return _came_of_it(added, len(paths), without, unread)

    def _look_over(self, path: Path, tank: str | None) -> NewPhoto:
        photo = read_photo(path, settings=self._settings.photos)
        found = check_photo(photo, self._classifier.get(), settings=self._settings)
        crops = []
        for item in found.findings:
            seen = Teachable(
                item.id, path, path.name, item.box_xyxy_px, item.judgement, item.crop_rgb
            )
            crops.append(NewCrop(item.box_xyxy_px, labels=self._desk.net_labels(seen)))
        return NewPhoto(path, path.name, tuple(crops), tank=tank)


def _came_of_it(
    added: Added, n_photos: int, without: Sequence[str], unread: Sequence[tuple[str, str]]
) -> str:
    """Say what came into the album, what was there, and what could not be used."""
    skipped = [*unread, *added.skipped]
    if added.crops:
        n_used = n_photos - len(without) - len(skipped)
        first = album_words.ADDED_FROM.format(
            crops=album_words.crops(len(added.crops)),
            photos=words.count(n_used, "photo", "photos"),
        )
    else:
        first = album_words.ADDED_NOTHING
    sentences = [first]
    if added.n_known:
        sentences.append(album_words.ADDED_KNOWN.format(n=album_words.crops(added.n_known)))
    if without:
        named = list(without[:MOST_NAMED])
        if len(without) > MOST_NAMED:
            named.append(f"{len(without) - MOST_NAMED} more")
        sentences.append(album_words.ADDED_NONE_FOUND.format(names=album_words.listed(named)))
    html = f'<p class="pv-said" role="status">{escape(" ".join(sentences))}</p>'
    if skipped:
        lines = "".join(
            f"<li>{escape(name)}: {escape(why)}</li>" for name, why in skipped[:MOST_LISTED]
        )
        html += f"<p>{escape(album_words.ADDED_SKIPPED)}</p><ul>{lines}</ul>"
    return f'<div class="pv-card">{html}</div>'
