"""The album on the page: opened once for everyone, and taught by the answers that are shown.

Functions that know no component of the page.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library, new_key
from pestvision.collection.records import (
    KEEPER,
    Label,
    NewCrop,
    NewPhoto,
    group_of,
    require_label,
    require_name,
    stamp,
)
from pestvision.errors import LabelError, PhotoError
from pestvision.findings.album import net_labels
from pestvision.organisms.crops import cut_crop
from pestvision.report.order import by_worry
from pestvision.storage.database import DATABASE_NAME
from pestvision.storage.files import sha256_of
from pestvision.web import album_words, words
from pestvision.web.album_pictures import CropPictures
from pestvision.web.handlers import spoken

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.finding import Judgement, NightResult
    from pestvision.organisms.classify import Classifier
    from pestvision.web.handlers import ClassifierOnce
    from pestvision.web.shown import Shown

CLOSE_UP_NOTE = "a close-up on the page"
NIGHT_NOTE = "a night on the page"
MOST_OF_A_NIGHT = 24  # animals offered to be taught: more is a list that nobody reads


def tank_of(text: str | None) -> str | None:
    """Give the tank that was typed, None where the field is empty.

    Raises
    ------
    LabelError
        If it is no name.
    """
    return require_name(text, "the tank") if text and text.strip() else None


def person_of(text: str | None) -> str:
    """Give the name that was typed; that of every keeper where the field is empty.

    Raises
    ------
    LabelError
        If it is no name.
    """
    return require_name(text, "the person who labels") if text and text.strip() else KEEPER


class SharedAlbum:
    """The one album of the page, opened at the first need and closed with the page.

    Parameters
    ----------
    folder
        The data folder. Nothing is written there before something is asked of the album.

    Attributes
    ----------
    pictures
        Its crops as small pictures.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        self._library: Library | None = None
        self.pictures = CropPictures(self.library)

    def library(self) -> Library:
        """Give the album, opened.

        Raises
        ------
        StoreError, OutputError
            If it is damaged, or its folder cannot be written to.
        """
        with self._lock:
            if self._library is None:
                self._library = Library(self.folder)
            return self._library

    def begun(self) -> Library | None:
        """Give the album where there is one already; None where nobody has begun one."""
        if self._library is None and not (self.folder / DATABASE_NAME).exists():
            return None
        return self.library()

    def close(self) -> None:
        """Close it; the next who asks opens it again."""
        with self._lock:
            if self._library is not None:
                self._library.close()
            self._library = None


@dataclass(frozen=True, slots=True, eq=False)
class Teachable:
    """Something the page has judged, and a person may know better.

    Parameters
    ----------
    number
        As it stands on the page.
    path, name
        Where its photo is kept now, and that photo's file name.
    box_xyxy_px
        Its place on the upright photo; None for the whole of it.
    judgement
        What the net says.
    crop_rgb
        (S, S, 3) uint8, what it looks like.
    where
        What it is called in the answer, where its number alone does not say.
    """

    number: int
    path: Path
    name: str
    box_xyxy_px: BoxXyxy | None
    judgement: Judgement
    crop_rgb: U8
    where: str = ""


@dataclass(frozen=True, slots=True)
class Given:
    """A label that a visitor gave to something on the page, and the key that takes it back."""

    label: str
    key: str


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """What can be taught from the answer that is shown, and what was taught so far.

    `given` holds the visitor's label by number; `said` the sentence under each number; `note` says
    in a few words where the photos came from.
    """

    items: tuple[Teachable, ...] = ()
    given: dict[int, Given] = field(default_factory=dict)
    said: dict[int, str] = field(default_factory=dict)
    note: str = CLOSE_UP_NOTE

    def item(self, number: int) -> Teachable:
        """Give what stands under a number.

        Raises
        ------
        LabelError
            If nothing does.
        """
        for item in self.items:
            if item.number == number:
                return item
        raise LabelError(album_words.NOT_SHOWN, advice=album_words.NOT_SHOWN_ADVICE)

    def told(self, number: int, given: Given | None, said: str) -> Lesson:
        """Give the lesson with one label more, or less where there is none."""
        kept = {key: item for key, item in self.given.items() if key != number}
        if given is not None:
            kept[number] = given
        return replace(self, given=kept, said={**self.said, number: said})


def lesson_of(shown: Shown | None) -> Lesson:
    """Give what can be taught from a close-up's answer: each finding, else the photo or the mark."""
    if shown is None or shown.found is None:
        return Lesson()
    found = shown.found
    items = tuple(
        Teachable(item.id, shown.path, shown.name, item.box_xyxy_px, item.judgement, item.crop_rgb)
        for item in found.findings
    )
    if not items:
        height, width = shown.small_rgb.shape[:2]
        box = shown.mark_xyxy_px if shown.is_of_mark else None
        small = (
            (0.0, 0.0, float(width), float(height))
            if box is None
            else tuple(side * shown.scale for side in box)
        )
        crop = cut_crop(shown.small_rgb, (small[0], small[1], small[2], small[3]))
        items = (Teachable(1, shown.path, shown.name, box, found.verdict, crop),)
    return Lesson(items)


def lesson_of_night(result: NightResult, folder: Path) -> Lesson:
    """Give what can be taught from a night of a folder of this computer: the animals followed.

    Each is taught from the photo on which it is largest; the most worrying come first.
    """
    tracks = [(view.view, track) for view in result.views for track in view.tracks]
    tracks = [item for item in tracks if item[1].sightings]
    tracks.sort(key=lambda item: by_worry(item[1].judgement))
    items = []
    for number, (view, track) in enumerate(tracks[:MOST_OF_A_NIGHT], start=1):
        name, box = max(track.sightings, key=lambda sighting: _area(sighting[1]))
        where = album_words.OF_VIEW.format(view=view, number=track.id, photo=name)
        path = folder / name
        items.append(
            Teachable(number, path, path.name, box, track.judgement, track.crop_rgb, where)
        )
    return Lesson(tuple(items), note=NIGHT_NOTE)


def _area(box: BoxXyxy) -> float:
    return (box[2] - box[0]) * (box[3] - box[1])


class AlbumDesk:
    """What the buttons beside an answer do to the album.

    Parameters
    ----------
    album
        The album of the page.
    classifier
        The net, whose label is kept beside the person's.
    model_of
        Names the net.
    """

    def __init__(
        self,
        album: SharedAlbum,
        classifier: ClassifierOnce,
        model_of: Callable[[Classifier], str],
    ) -> None:
        self.album = album
        self._classifier = classifier
        self._model_of = model_of

    def teach(
        self, lesson: Lesson | None, number: int, label: str, *, who: str = "", tank: str = ""
    ) -> Lesson:
        """Keep the photo of what stands under a number, with the visitor's label for it."""
        with spoken():
            lesson = lesson or Lesson()
            item = lesson.item(number)
            _require_there(item)
            library = self.album.library()
            person, of_tank = person_of(who), tank_of(tank)
            at = stamp(library.now())
            given = Label(new_key(), require_label(label), person, "person", at)
            crop = NewCrop(item.box_xyxy_px, labels=(*self.net_labels(item), given))
            photo = NewPhoto(item.path, item.name, (crop,), tank=of_tank)
            added = add_photos(library, [photo], who=person, note=lesson.note)
            if added.skipped:
                name, reason = added.skipped[0]
                raise PhotoError(f"{name} was not kept.", advice=reason)
            said = album_words.so_far(label, count_of(library, label))
            return lesson.told(number, Given(label, given.key), said)

    def unteach(self, lesson: Lesson | None, number: int) -> Lesson:
        """Take the visitor's label of what stands under a number back."""
        with spoken():
            lesson = lesson or Lesson()
            given = lesson.given.get(number)
            if given is None:
                raise LabelError(album_words.NOT_SHOWN, advice=album_words.NOT_SHOWN_ADVICE)
            self.album.library().take_back([given.key])
            return lesson.told(number, None, album_words.TAKEN_BACK)

    def net_labels(self, item: Teachable) -> tuple[Label, ...]:
        """Give the net's own label; none where it could not tell."""
        judge = self._model_of(self._classifier.get())
        return net_labels(item.judgement, judge, _sha256(item.path), item.box_xyxy_px)


def _require_there(item: Teachable) -> None:
    if item.path.exists():
        return
    if item.where:
        message = album_words.NIGHT_PHOTO_GONE.format(name=item.name)
        raise PhotoError(message, advice=album_words.NIGHT_PHOTO_GONE_ADVICE)
    raise PhotoError(words.PHOTO_GONE, advice=words.PHOTO_GONE_ADVICE)


def count_of(library: Library, label: str) -> int:
    """Count the crops that have a label; of a class, those of its group."""
    counts = library.counts()
    group = group_of(label)
    return counts.n_dont_know if group is None else counts.groups[group]


def _sha256(path: Path) -> str:
    return sha256_of(path.read_bytes())


def number_of(text: str) -> int:
    """Give the number that came with a press.

    Raises
    ------
    LabelError
        If it is none.
    """
    try:
        return int(text)
    except ValueError as error:
        raise LabelError(album_words.NOT_SHOWN, advice=album_words.NOT_SHOWN_ADVICE) from error
