"""Put a view together: from looks at its stretches, in order, to the answer for it.

Where two stretches meet at a photo that cannot be read, the photos next to it are compared here. The photo
that shows most is read once more, to be shown.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Protocol

from pestvision.errors import PhotoError
from pestvision.findings.finding import ViewResult
from pestvision.findings.follow import PairLooks, follow, seen_at_once
from pestvision.findings.sizes import SCALE_NAMES, scale_words, scales_by_photo, sized
from pestvision.findings.stretch import cut_into_stretches, shown
from pestvision.photos.read import read_photo
from pestvision.photos.series import Skipped
from pestvision.size.measure import least_seen_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.kept import KeptLooks
    from pestvision.findings.sizes import ViewScale
    from pestvision.findings.stretch import Alone, Shown, StretchLooks
    from pestvision.organisms.weights import Rules
    from pestvision.photos.series import Frame, View
    from pestvision.settings import Settings
    from pestvision.size.records import Scale

ONE_PHOTO = "Only one photo of this view could be used: it was checked as a close-up instead."


class Hands(Protocol):
    """Whoever looks over stretches: `stretch.Looker` in this process, `crew.Crew` for an executor."""

    def take(self, key: Any, frames: Sequence[Frame]) -> Iterator[tuple[Any, StretchLooks]]:
        """Take a stretch on, and give those that are finished, with their keys."""
        ...

    def rest(self) -> Iterator[tuple[Any, StretchLooks]]:
        """Give all that is still to come."""
        ...

    def stop(self) -> Sequence[tuple[Any, StretchLooks]]:
        """Take nothing more on, and give what was in hand and is finished."""
        ...

    def now(self, frames: Sequence[Frame]) -> StretchLooks:
        """Look over one stretch before anything else."""
        ...

    def alone(self, frame: Frame) -> Alone | Skipped:
        """Check one photo before anything else."""
        ...


@dataclass(frozen=True, slots=True)
class ViewMaker:
    """What a view is put together with.

    Parameters
    ----------
    hands
        Look over what is still missing.
    kept
        Finished looks on disk; None keeps none.
    settings, rules
        As the scan has them.
    scale
        What lengths are taken from, and on which photo; None gives none.
    """

    hands: Hands
    kept: KeptLooks | None
    settings: Settings
    rules: Rules
    scale: ViewScale | None = None

    def view(
        self, view: View, skipped: Sequence[Skipped], parts: Sequence[StretchLooks]
    ) -> ViewResult:
        """Put the stretches of a view together."""
        joined = _joined(view, parts)
        used = [view.frames[place] for place in joined.used]
        pairs = [
            joined.pairs.get(couple) or self._across([view.frames[place] for place in couple])
            for couple in pairwise(joined.used)
        ]
        result = ViewResult(
            view=view.name,
            photos=tuple(frame.name for frame in used),
            taken=tuple(frame.taken.iso() for frame in used),
            pairs=(),
            tracks=(),
            seen_at_once_max={},
            notes=(*view.notes, *_unaligned_note(pairs)),
            skipped=(*skipped, *joined.skipped),
        )
        if not used:
            return result
        if len(used) == 1:
            still = _still(joined.alone or self.hands.alone(used[0]), result)
            return self._still_sized(still, used[0])
        return self._followed(pairs, used, result)

    def _still_sized(self, result: ViewResult, frame: Frame) -> ViewResult:
        """Put lengths to what a check of the only photo of a view found, where it has a scale."""
        if self.scale is None or self.scale.photo != frame.name or result.still is None:
            return result
        try:
            photo = read_photo(frame.path, settings=self.settings.photos)
        except PhotoError as error:
            note = f"Lengths are left out: {error.sentence()}"
            return dataclasses.replace(result, notes=(*result.notes, note))
        scale = self.scale.scale
        words = scale_words(scale, photo.rgb.shape, least_px=self.rules.min_length_px)
        still = dataclasses.replace(
            result.still,
            findings=sized(result.still.findings, photo.rgb, scale),
            notes=(*result.still.notes, *words),
        )
        return dataclasses.replace(result, still=still)

    def _scale_notes(self, photos: Sequence[str], scales: Mapping[str, Scale]) -> tuple[str, ...]:
        """Say what the lengths of a view rest on, and how small an animal may be to be seen."""
        if self.scale is None or not scales:
            return ()
        scale = self.scale.scale
        told = f"Lengths are by {SCALE_NAMES[scale.kind]} on {self.scale.photo}"
        if len(scales) == len(photos):
            told += ", which holds for all photos of the view: they could be laid on each other."
        else:
            told += f", which holds for {len(scales)} of {len(photos)} photos: the others could not be laid on it."
        x, y = scale.outline_xy_px.mean(axis=0) if len(scale.outline_xy_px) else (0.0, 0.0)
        least_px = self.settings.night.min_mover_px
        return (
            told,
            *scale.notes,
            least_seen_words(scale, (float(x), float(y)), least_px=least_px),
        )

    def _across(self, couple: list[Frame]) -> PairLooks:
        """Compare two photos that became neighbours where two stretches meet at a bad photo."""
        frames = tuple(couple)
        looks = None if self.kept is None else self.kept.get(frames)
        if looks is None:
            looks = self.hands.now(frames)
            if self.kept is not None:
                self.kept.put(frames, looks)
        if looks.pairs:
            return looks.pairs[0]
        reason = " ".join(item.reason for item in looks.skipped)  # it was there a moment ago
        return PairLooks(couple[0].name, couple[1].name, reason=reason)

    def _followed(
        self, pairs: Sequence[PairLooks], used: Sequence[Frame], result: ViewResult
    ) -> ViewResult:
        """Link the movers into tracks, and read the photo that shows most once more."""
        names = [frame.name for frame in used]
        scales = scales_by_photo(names, pairs, self.scale)
        followed = follow(
            pairs,
            max_gap_photos=self.settings.night.max_gap_photos,
            rules=self.rules,
            taken={frame.name: frame.taken for frame in used},
            scales=scales,
        )
        found = dataclasses.replace(
            result,
            pairs=followed.pairs,
            tracks=followed.tracks,
            seen_at_once_max=followed.at_once_max,
            notes=(*result.notes, *self._scale_notes(names, scales)),
        )
        if followed.busiest is None:
            return found
        frame = next(frame for frame in used if frame.name == followed.busiest)
        try:
            photo = read_photo(frame.path, settings=self.settings.photos)
        except PhotoError as error:
            note = f"{frame.name} shows most, and is not pictured: {error.sentence()}"
            return dataclasses.replace(found, busiest=frame.name, notes=(*found.notes, note))
        return _pictured(found, shown(photo, frame.name))


@dataclass(frozen=True, slots=True, eq=False)
class _Joined:
    """A view's stretches put together; places are those of the view's frames.

    `pairs` holds the neighbours that were compared, by their places. Where two stretches meet at a bad
    photo, the two next to it are not among them.
    """

    used: list[int]
    pairs: dict[tuple[int, int], PairLooks]
    skipped: list[Skipped]
    alone: Alone | None


def _joined(view: View, parts: Sequence[StretchLooks]) -> _Joined:
    pairs: dict[tuple[int, int], PairLooks] = {}
    used: set[int] = set()
    lost: dict[int, Skipped] = {}
    start = 0
    for frames, looks in zip(cut_into_stretches(view.frames), parts, strict=True):
        places = [start + place for place in looks.used]
        pairs |= dict(zip(pairwise(places), looks.pairs, strict=True))
        unread = sorted(set(range(start, start + len(frames))) - set(places))
        lost |= dict(zip(unread, looks.skipped, strict=True))
        used.update(places)
        start += len(frames) - 1
    return _Joined(
        used=sorted(used),
        pairs=pairs,
        skipped=[lost[place] for place in sorted(lost.keys() - used)],
        alone=next((looks.alone for looks in parts if looks.alone is not None), None),
    )


def _still(alone: Alone | Skipped, result: ViewResult) -> ViewResult:
    """Tell what a check of the only photo of a view says."""
    if isinstance(alone, Skipped):  # it was there a moment ago
        return dataclasses.replace(result, photos=(), taken=(), skipped=(*result.skipped, alone))
    check = alone.check
    boxes: list[tuple[str, BoxXyxy]] = [
        (finding.judgement.label, finding.box_xyxy_px) for finding in check.findings
    ]
    found = dataclasses.replace(
        result,
        still=check,
        seen_at_once_max=seen_at_once({check.photo: boxes}),
        notes=(*result.notes, ONE_PHOTO),
    )
    return found if alone.shown is None else _pictured(found, alone.shown)


def _pictured(result: ViewResult, picture: Shown) -> ViewResult:
    """Add the photo to be shown."""
    return dataclasses.replace(
        result,
        busiest=picture.photo,
        busiest_rgb=picture.rgb,
        busiest_scale=picture.scale,
    )


def _unaligned_note(pairs: Sequence[PairLooks]) -> tuple[str, ...]:
    n_unaligned = sum(pair.matrix is None for pair in pairs)
    if not n_unaligned:
        return ()
    note = (
        f"{n_unaligned} of {len(pairs)} neighbouring pairs could not be compared; "
        "what moved between those photos is not known."
    )
    return (note,)
