"""Label one picture of the album after the other. Knows no component of the page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pestvision.collection.records import require_label
from pestvision.errors import LabelError
from pestvision.web import album_words
from pestvision.web.album import count_of, person_of
from pestvision.web.album_pictures import LARGE_PX
from pestvision.web.handlers import spoken

if TYPE_CHECKING:
    from pestvision.collection.library import Library
    from pestvision.collection.records import Crop
    from pestvision.collection.review import Suggestion
    from pestvision.progress import Progress
    from pestvision.web.album import SharedAlbum
    from pestvision.web.handlers import ClassifierOnce
    from pestvision.web.tools import Tools

AT_ONCE = 12  # suggestions fetched together
FEW = 5  # left in the visitor's queue: fetch more while the next picture is looked at
READ_AT_ONCE = 240  # crops that the net reads when the area is opened: about four seconds
PREPARED = 4  # pictures cut before they are asked about
MOST_ALIKE = 24
MOST_DONE = 200  # answers that can be taken back one after the other


@dataclass(frozen=True, slots=True)
class Step:
    """An answer of the visitor: to what, and the keys that take it back. None of a skipped one."""

    suggestion: Suggestion
    keys: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Review:
    """What a visitor is asked about now and next, and what they have answered.

    Parameters
    ----------
    queue
        The first is shown.
    alike
        Crops without a label that look like the shown one.
    done
        The answers so far, the last one last.
    skipped
        Numbers of crops that were passed over.
    said
        What came of the last answer.
    """

    queue: tuple[Suggestion, ...] = ()
    alike: tuple[Crop, ...] = ()
    done: tuple[Step, ...] = ()
    skipped: frozenset[int] = frozenset()
    said: str = ""

    @property
    def shown(self) -> Suggestion | None:
        """What is asked about, if anything."""
        return self.queue[0] if self.queue else None


class ReviewDesk:
    """What the buttons of labelling do.

    Parameters
    ----------
    album
        The album of the page.
    classifier
        The net that reads crops.
    tools
        The album's stages.
    """

    def __init__(self, album: SharedAlbum, classifier: ClassifierOnce, tools: Tools) -> None:
        self.album = album
        self._classifier = classifier
        self._tools = tools

    def begin(self, review: Review, progress: Progress) -> Review:
        """Let the net read what is new, and ask about the crops that would teach most."""
        with spoken():
            library = self.album.begun()
            if library is None:
                return Review()
            progress(0, 1, album_words.GETTING_READY)
            self._tools.read_unread(
                library, self._classifier.get(), limit=READ_AT_ONCE, progress=progress
            )
            fresh = replace(review, queue=(), skipped=frozenset(), said="")
            return self._with_alike(self._filled(library, fresh))

    def answer(
        self, review: Review, label: str, *, who: str = "", with_alike: bool = False
    ) -> Review:
        """Label what is shown, with those that look like it where wanted, and go on to the next."""
        with spoken():
            shown = _required(review)
            library = self.album.library()
            numbers = [shown.crop.id]
            if with_alike:
                numbers += [crop.id for crop in review.alike]
            keys = library.label(
                numbers,
                require_label(label),
                who=person_of(who),
                settles=library.crop(shown.crop.id).is_disputed,
            )
            said = album_words.so_far(label, count_of(library, label))
            if len(numbers) > 1:
                said = album_words.LABELLED_ALIKE.format(saved=said, n=len(numbers) - 1)
            rest = tuple(item for item in review.queue[1:] if item.crop.id not in numbers)
            done = (*review.done, Step(shown, tuple(keys)))[-MOST_DONE:]
            return self._next(library, replace(review, queue=rest, done=done, said=said))

    def skip(self, review: Review) -> Review:
        """Pass what is shown over, and go on to the next."""
        with spoken():
            shown = _required(review)
            review = replace(
                review,
                queue=review.queue[1:],
                done=(*review.done, Step(shown))[-MOST_DONE:],
                skipped=review.skipped | {shown.crop.id},
                said=album_words.PASSED_OVER,
            )
            return self._next(self.album.library(), review)

    def back(self, review: Review) -> Review:
        """Take the last answer back, and ask about that picture again."""
        with spoken():
            if not review.done:
                raise LabelError(
                    album_words.NOTHING_BEFORE, advice=album_words.NOTHING_BEFORE_ADVICE
                )
            library = self.album.library()
            last = review.done[-1]
            library.take_back(last.keys)
            number = last.suggestion.crop.id
            queue = (last.suggestion, *(item for item in review.queue if item.crop.id != number))
            review = replace(
                review,
                queue=queue,
                done=review.done[:-1],
                skipped=review.skipped - {number},
                said=album_words.LAST_TAKEN_BACK,
            )
            return self._with_alike(review)

    def refill(self, review: Review) -> Review:
        """Fetch more to ask about where few are left, and cut the next pictures."""
        with spoken():
            library = self.album.begun()
            if library is None:
                return review
            if len(review.queue) < FEW:
                review = self._filled(library, review)
            coming = [item.crop for item in review.queue[1 : 1 + PREPARED]]
            self.album.pictures.prepare(coming, LARGE_PX)
            return review

    def _next(self, library: Library, review: Review) -> Review:
        """Show the first of the queue that is still there; fetch more where it is empty."""
        while review.queue and not _is_there(library, review.queue[0].crop.id):
            review = replace(review, queue=review.queue[1:])
        if not review.queue:
            review = self._filled(library, review)
        return self._with_alike(review)

    def _filled(self, library: Library, review: Review) -> Review:
        waiting = {item.crop.id for item in review.queue}
        answered = {step.suggestion.crop.id for step in review.done if step.keys}
        more = self._tools.next_crops(
            library,
            self._classifier.get().model,
            limit=AT_ONCE,
            skip=waiting | answered | review.skipped,
        )
        return replace(review, queue=(*review.queue, *more))

    def _with_alike(self, review: Review) -> Review:
        shown = review.shown
        if shown is None:
            return replace(review, alike=())
        found = self.album.library().alike(shown.crop, limit=MOST_ALIKE)
        alike = tuple(crop for crop in found if crop.label is None and not crop.is_disputed)
        return replace(review, alike=alike)


def _required(review: Review) -> Suggestion:
    if review.shown is None:
        raise LabelError(album_words.NOTHING_TO_LABEL, advice=album_words.NOTHING_TO_LABEL_ADVICE)
    return review.shown


def _is_there(library: Library, number: int) -> bool:
    """Tell whether a crop is still in the album: somebody else may have taken it away."""
    try:
        library.crop(number)
    except LabelError:
        return False
    return True
