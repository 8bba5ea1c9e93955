"""Look over a stretch of a view: a few photos in order, each compared with the one before it.

What may have moved is isolated pair by pair, and its crops are cut while the two photos are in hand. Once
all pairs are seen, each is weighed by how restless its place is in the others (`motion.restless`), and
what is left is joined and classified.

A view is cut into stretches that share their end photo, so that every pair of neighbours lies in one of
them. A stretch asks nothing of the others: stretches can be looked over one after the other, by several
processes, or on another day, and put together they say the same.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from threadpoolctl import threadpool_limits

from pestvision.errors import PhotoError, ShapeError
from pestvision.findings.check import check_photo
from pestvision.findings.follow import (
    Look,
    MoverLooks,
    PairLooks,
    judge_mover,
    reduced,
    shows_something,
)
from pestvision.findings.judge import rules_of
from pestvision.findings.sizes import body_in_crop
from pestvision.motion.align import AlignmentFailed, align_pair, prepare
from pestvision.motion.blobs import found_blobs, judge_pair
from pestvision.motion.restless import place_factors
from pestvision.motion.tracks import carried_box, pair_movers
from pestvision.organisms.crops import cut_crop
from pestvision.photos.read import read_photo
from pestvision.photos.series import Skipped

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from typing import TypeVar

    from pestvision.arrays import F32, U8, BoxXyxy
    from pestvision.findings.finding import PhotoCheck
    from pestvision.motion.align import View
    from pestvision.motion.blobs import PairChange
    from pestvision.motion.tracks import Mover
    from pestvision.organisms.classify import Classifier
    from pestvision.organisms.weights import Rules
    from pestvision.photos.read import Photo
    from pestvision.photos.series import Frame
    from pestvision.settings import Settings

    K = TypeVar("K")

STRETCH_PAIRS = 8
"""Pairs of a stretch. Whoever starts on one decodes its first photo a second time: an eighth more
decoding. A scan that is broken off does so many pairs again at the most, for each process."""

MAX_MOVERS_PER_PAIR = 24
"""Movers of a pair that are looked at, the clearest first. A tank shows a handful; more are light on
the water or plants in the current, and each costs two looks of the net."""

SHOWN_SIDE_PX = 1600
"""Long side of the photo kept for showing: enough to find the place on the glass again."""

ONE_THREAD = 1
"""Threads for linear algebra. Its libraries cut a product of matrices up by the number of their threads,
and so the last bit of a probability hangs on the number of cores, or on what another program has set. A
scan divided among processes or computers must say the same to the last bit. The products are small, and
the net's layers are run by threads of their own, each one by itself."""

NOTHING_MOVED = "Nothing moved."


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """A photo to be shown: `rgb` is (h, w, 3) uint8, reduced by the factor `scale`, 1 or less."""

    photo: str
    rgb: U8
    scale: float


@dataclass(frozen=True, slots=True, eq=False)
class Alone:
    """What a check says of a photo that has none to be compared with, and the photo where it shows."""

    check: PhotoCheck
    shown: Shown | None


@dataclass(frozen=True, slots=True, eq=False)
class StretchLooks:
    """What is kept of a stretch once its photos are let go.

    Parameters
    ----------
    used
        Places in the stretch, from 0, of the photos that could be read.
    skipped
        The others, in order, each with its reason.
    pairs
        One for each two neighbours of `used`, in order.
    alone
        For a stretch of a single photo that could be read: its check. Else None.
    """

    used: tuple[int, ...]
    skipped: tuple[Skipped, ...]
    pairs: tuple[PairLooks, ...]
    alone: Alone | None = None

    def __post_init__(self) -> None:
        if len(self.pairs) != max(0, len(self.used) - 1):
            expected = f"one for each two neighbours of {len(self.used)} photos"
            raise ShapeError("pairs", expected=expected, actual=str(len(self.pairs)))


def cut_into_stretches(frames: Sequence[Frame]) -> list[tuple[Frame, ...]]:
    """Cut a view's photos into stretches of at most `STRETCH_PAIRS` pairs that share their end photo."""
    starts = range(0, max(1, len(frames) - 1), STRETCH_PAIRS)
    return [tuple(frames[start : start + STRETCH_PAIRS + 1]) for start in starts]


def shown(photo: Photo, name: str) -> Shown:
    """Reduce a photo to the size at which it is shown."""
    return Shown(name, *reduced(photo.rgb, max_side_px=SHOWN_SIDE_PX))


@dataclass(frozen=True, slots=True, eq=False)
class _Shot:
    """A frame, its decoded photo, and what alignment needs of that: two pairs use it."""

    frame: Frame
    photo: Photo
    view: View


@dataclass(frozen=True, slots=True, eq=False)
class _Compared:
    """A pair whose photos may be let go: all that may yet be found in it, with its crops.

    `crops`: (224, 224, 3) uint8 by the photo, 0 or 1, and the box on it: two at most for each of 40
    blobs, 12 MB. Most pairs have a handful.
    """

    names: tuple[str, str]
    matrix: F32
    misplaced_px: float
    change: PairChange
    crops: dict[tuple[int, BoxXyxy], U8]
    photo_shape: tuple[int, int]


def _tell_nobody(_frame: Frame) -> None:
    return


@dataclass(slots=True)
class Looker:
    """Looks over stretches in this process, one after the other.

    The photo read last stays in hand: where the next stretch begins with it, it is not decoded again.

    Parameters
    ----------
    classifier
        Asked for every crop.
    settings
        The sections `photos`, `night` and `check`.
    tell
        Told of each photo before it is read.
    with_sizes
        Whether the outlines of bodies are looked for: they take longer than a look, and without a
        scale nobody asks for them.
    """

    classifier: Classifier
    settings: Settings
    tell: Callable[[Frame], None] = _tell_nobody
    with_sizes: bool = False
    _last: tuple[Frame, _Shot | Skipped] | None = field(default=None, init=False)

    @property
    def rules(self) -> Rules:
        """The card's rules with the person's own costs."""
        return rules_of(self.classifier.card.rules, self.settings.check)

    def take(self, key: K, frames: Sequence[Frame]) -> Iterator[tuple[K, StretchLooks]]:
        """Look over a stretch at once, and give its looks with its key."""
        yield key, self.now(frames)

    def rest(self) -> Iterator[tuple[object, StretchLooks]]:
        """Give what is still to come: nothing."""
        return iter(())

    def stop(self) -> list[tuple[object, StretchLooks]]:
        """Let go of the photo in hand."""
        self._last = None
        return []

    def now(self, frames: Sequence[Frame]) -> StretchLooks:
        """Look over a stretch.

        Parameters
        ----------
        frames
            One or more in order. Photos are decoded one after the other, once each, and no more than
            two are held at full size.
        """
        with threadpool_limits(ONE_THREAD):
            return self._looked_over(frames)

    def _looked_over(self, frames: Sequence[Frame]) -> StretchLooks:
        used: list[int] = []
        skipped: list[Skipped] = []
        compared: list[_Compared | PairLooks] = []
        previous: _Shot | None = None
        for place, frame in enumerate(frames):
            shot = self._read(frame)
            if isinstance(shot, Skipped):
                skipped.append(shot)
                continue
            if previous is not None:
                compared.append(self._compared(previous, shot))
            previous = shot
            used.append(place)
        alone = None
        if previous is not None and len(frames) == 1:
            alone = self._checked(previous)
        return StretchLooks(tuple(used), tuple(skipped), self._weighed(compared), alone)

    def alone(self, frame: Frame) -> Alone | Skipped:
        """Check a photo that has none to be compared with."""
        with threadpool_limits(ONE_THREAD):
            shot = self._read(frame)
            return shot if isinstance(shot, Skipped) else self._checked(shot)

    def _read(self, frame: Frame) -> _Shot | Skipped:
        """Decode the next photo, or give the one in hand; one that cannot be decoded is skipped."""
        if self._last is not None and self._last[0] == frame:
            return self._last[1]
        self._last = None
        self.tell(frame)
        found: _Shot | Skipped
        try:
            photo = read_photo(frame.path, settings=self.settings.photos)
            found = _Shot(frame, photo, prepare(photo.rgb))
        except PhotoError as error:
            found = Skipped(frame.name, error.sentence())
        self._last = (frame, found)
        return found

    def _checked(self, shot: _Shot) -> Alone:
        found = check_photo(shot.photo, self.classifier, settings=self.settings)
        check = dataclasses.replace(found, photo=shot.frame.name)
        return Alone(check, shown(shot.photo, shot.frame.name) if check.findings else None)

    def _compared(self, first: _Shot, second: _Shot) -> _Compared | PairLooks:
        """Align two photos, isolate what may have moved, and cut its crops."""
        names = (first.frame.name, second.frame.name)
        aligned = align_pair(first.view, second.view)
        if isinstance(aligned, AlignmentFailed):
            return PairLooks(*names, reason=aligned.advice)
        night = self.settings.night
        change = judge_pair(
            aligned, min_length_px=float(night.min_mover_px), false_a_pair=night.false_a_pair
        )
        crops: dict[tuple[int, BoxXyxy], U8] = {}
        for blob in change.blobs:
            if blob.seen_on != "second":
                box = blob.box_xyxy_px
                crops[0, box] = cut_crop(first.photo.rgb, box)
            if blob.seen_on != "first":
                box = carried_box(blob.box_xyxy_px, aligned.matrix)
                crops[1, box] = cut_crop(second.photo.rgb, box)
        shape = (second.photo.height, second.photo.width)
        return _Compared(names, aligned.matrix, aligned.residual_px, change, crops, shape)

    def _weighed(self, compared: Sequence[_Compared | PairLooks]) -> tuple[PairLooks, ...]:
        """Weigh what may have moved in each pair by what the others show of its place, and look at it."""
        changes = [item.change if isinstance(item, _Compared) else None for item in compared]
        factors = place_factors(
            [None if change is None else change.places for change in changes],
            [() if change is None else [b.box_xyxy_px for b in change.blobs] for change in changes],
        )
        return tuple(
            self._looked_at(item, of_pair) if isinstance(item, _Compared) else item
            for item, of_pair in zip(compared, factors, strict=True)
        )

    def _looked_at(self, pair: _Compared, factors: Sequence[float]) -> PairLooks:
        """Keep what is found of a pair, join what left to what arrived, and look at it."""
        blobs = found_blobs(
            pair.change, false_a_pair=self.settings.night.false_a_pair, factors=factors
        )
        movers = sorted(pair_movers(blobs, pair.matrix), key=lambda mover: -mover.z_peak)
        reason = NOTHING_MOVED if not movers else ""
        if len(movers) > MAX_MOVERS_PER_PAIR:
            reason = (
                f"{len(movers)} things changed, and the {MAX_MOVERS_PER_PAIR} clearest were looked "
                "at. So many are mostly moving light, plants or bubbles: use one steady lamp, and a "
                "piece of glass away from the filter's outflow."
            )
        looked_at = self._look(movers[:MAX_MOVERS_PER_PAIR], pair)
        return PairLooks(
            *pair.names,
            reason=reason,
            matrix=pair.matrix,
            movers=looked_at,
            misplaced_px=pair.misplaced_px,
        )

    def _look(self, movers: Sequence[Mover], pair: _Compared) -> tuple[MoverLooks, ...]:
        """Classify every mover on each photo that shows it, in one go."""
        places = [
            (rank, side, box)
            for rank, mover in enumerate(movers)
            for side, box in enumerate((mover.box_first_xyxy_px, mover.box_second_xyxy_px))
            if box is not None
        ]
        crops = [pair.crops[side, box] for _rank, side, box in places]
        scores = self.classifier.classify(crops)
        looks: list[list[Look]] = [[] for _mover in movers]
        seen: list[list[U8]] = [[] for _mover in movers]
        for (rank, side, box), crop, score in zip(places, crops, scores, strict=True):
            body = None
            if self.with_sizes and shows_something(score):
                body = body_in_crop(crop, box, photo_shape=pair.photo_shape)
            looks[rank].append(Look(pair.names[side], box, score, body))
            seen[rank].append(crop)
        return tuple(
            judge_mover(mover, looks[rank], seen[rank], rules=self.rules)
            for rank, mover in enumerate(movers)
        )
