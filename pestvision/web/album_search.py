"""Find pictures of the album again, change what was said of them, and undo. Knows no component."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING

from pestvision.collection.library import UNDO_DAYS
from pestvision.collection.records import SHOWN_LABELS, Wanted
from pestvision.errors import LabelError
from pestvision.web import album_words, search_cards
from pestvision.web.album import person_of
from pestvision.web.handlers import spoken

if TYPE_CHECKING:
    from pestvision.collection.library import Library
    from pestvision.collection.records import Crop
    from pestvision.web.album import SharedAlbum

ON_A_PAGE = 24


@dataclass(frozen=True, slots=True)
class Search:
    """What a visitor looks for, from which picture on, and which one is open."""

    wanted: Wanted = field(default_factory=Wanted)
    offset: int = 0
    opened: int | None = None


def wanted_of(label: str | None, tank: str | None, dates: tuple[str, str], text: str) -> Wanted:
    """Put what was filled in together; dates are the first and the last.

    Raises
    ------
    LabelError
        If a date is none.
    """
    return Wanted(
        label or None, tank or None, _date(dates[0]), _date(dates[1]), text.strip() or None
    )


def _date(text: str) -> str | None:
    cleaned = text.strip()
    if not cleaned:
        return None
    try:
        return date.fromisoformat(cleaned).isoformat()
    except ValueError as error:
        message = album_words.BAD_DATE.format(text=cleaned[:20])
        raise LabelError(message, advice=album_words.BAD_DATE_ADVICE) from error


class SearchDesk:
    """What the buttons of the search do."""

    def __init__(self, album: SharedAlbum) -> None:
        self.album = album

    def tanks(self) -> list[str]:
        """Give the tanks that can be searched for."""
        with spoken():
            library = self.album.begun()
            return [] if library is None else library.tanks()

    def find(
        self, label: str | None, tank: str | None, dates: tuple[str, str], text: str
    ) -> tuple[Search, str]:
        """Start a search; give it and its first page as HTML."""
        with spoken():
            return self._page(Search(wanted_of(label, tank, dates, text)))

    def turn(self, search: Search, pages: int) -> tuple[Search, str]:
        """Turn pages forward, or back where the number is negative."""
        with spoken():
            return self._page(replace(search, offset=max(0, search.offset + pages * ON_A_PAGE)))

    def again(self, search: Search) -> tuple[Search, str]:
        """Give the page that is shown anew, after something has changed."""
        with spoken():
            return self._page(search)

    def _page(self, search: Search) -> tuple[Search, str]:
        library = self.album.begun()
        if library is None:
            return search, search_cards.grid((), [], 0, search.offset)
        page = library.search(search.wanted, limit=ON_A_PAGE, offset=search.offset)
        if not page.crops and page.n_found:  # the last page has become empty
            search = replace(search, offset=(page.n_found - 1) // ON_A_PAGE * ON_A_PAGE)
            page = library.search(search.wanted, limit=ON_A_PAGE, offset=search.offset)
        uris = self.album.pictures.uris(page.crops)
        return search, search_cards.grid(page.crops, uris, page.n_found, search.offset)

    def open(self, search: Search, number: float | None) -> tuple[Search, str]:
        """Open one picture: what is known and was said of it."""
        with spoken():
            if number is None:
                raise LabelError(album_words.BAD_NUMBER, advice=album_words.BAD_NUMBER_ADVICE)
            return self._opened(search, int(number))

    def relabel(self, search: Search, label: str, *, who: str = "") -> tuple[Search, str]:
        """Say anew what the open picture shows; where people disagree, that settles it."""
        with spoken():
            library, crop = self._open_crop(search)
            library.label([crop.id], label, who=person_of(who), settles=crop.is_disputed)
            said = album_words.RELABELLED.format(label=SHOWN_LABELS[label])
            return self._opened(search, crop.id, said)

    def take_back(self, search: Search, *, who: str = "") -> tuple[Search, str]:
        """Take the visitor's own last label of the open picture back."""
        with spoken():
            library, crop = self._open_crop(search)
            person = person_of(who)
            own = [
                item.key
                for item in library.history(crop.id)
                if item.kind == "person" and item.who == person and item.withdrawn_at is None
            ]
            if not own:
                raise LabelError(
                    album_words.NOTHING_TO_TAKE_BACK,
                    advice=album_words.NOTHING_TO_TAKE_BACK_ADVICE,
                )
            library.take_back(own[-1:])
            return self._opened(search, crop.id, album_words.TAKEN_BACK_SHORT)

    def delete(self, search: Search, *, who: str = "") -> tuple[Search, str]:
        """Take the open picture out of the album; for a while it can be brought back."""
        with spoken():
            library, crop = self._open_crop(search)
            library.delete([crop.id], who=person_of(who), note=f"picture {crop.id}")
            said = album_words.DELETED.format(number=crop.id, days=UNDO_DAYS)
            return replace(search, opened=None), search_cards.said(said)

    def actions(self, said: str = "") -> str:
        """Give what can be undone, as HTML."""
        with spoken():
            library = self.album.begun()
            listed = [] if library is None else library.actions()
            return search_cards.actions(listed, said=said)

    def undo(self, action: int, *, who: str = "") -> str:
        """Undo an import or a deletion; give the list anew."""
        with spoken():
            library = self.album.library()
            kinds = {item.id: item.kind for item in library.actions()}
            n_crops = library.undo(action, who=person_of(who))
            done = (
                album_words.UNDO_DELETE_DONE
                if kinds.get(action) == "delete"
                else album_words.UNDO_IMPORT_DONE
            )
            said = done.format(crops=album_words.crops(n_crops))
        return self.actions(said)

    def _open_crop(self, search: Search) -> tuple[Library, Crop]:
        if search.opened is None:
            raise LabelError(album_words.NOT_SHOWN, advice=album_words.NOT_SHOWN_ADVICE)
        library = self.album.library()
        return library, library.crop(search.opened)

    def _opened(self, search: Search, number: int, said: str = "") -> tuple[Search, str]:
        library = self.album.library()
        crop = library.crop(number)
        uri = self.album.pictures.uri(crop, search_cards.OPENED_PX)
        html = search_cards.opened(crop, uri, library.history(number), said=said)
        return replace(search, opened=number), html
