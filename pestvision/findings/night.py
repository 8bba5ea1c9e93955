"""Scan a night's folder: views, aligned pairs, movers, tracks, and the answer for each view.

Photos are decoded one after the other, once each, and no more than two are held at full size; what is
kept of a pair is its boxes, its scores and small crops. The photo to be shown is read once more.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pestvision.errors import PhotoError
from pestvision.findings.check import check_photo
from pestvision.findings.finding import NightResult, ViewResult
from pestvision.findings.follow import (
    Look,
    MoverLooks,
    PairLooks,
    follow,
    judge_mover,
    reduced,
    seen_at_once,
)
from pestvision.findings.judge import costs_note, rules_of
from pestvision.findings.memory import give_back_large_arrays
from pestvision.motion.align import AlignmentFailed, align_pair
from pestvision.motion.blobs import find_blobs
from pestvision.motion.tracks import pair_movers
from pestvision.organisms.crops import cut_crop
from pestvision.photos.read import read_photo
from pestvision.photos.series import Skipped, read_series
from pestvision.progress import Progress, silent
from pestvision.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.motion.tracks import Mover
    from pestvision.organisms.classify import Classifier
    from pestvision.organisms.weights import Rules
    from pestvision.photos.read import Photo
    from pestvision.photos.series import Frame, Series, View

DEFAULTS = Settings()

MAX_MOVERS_PER_PAIR = 24
"""Movers of a pair that are looked at, the clearest first. A tank shows a handful; more are light on
the water or plants in the current, and each costs two looks of the net."""

BUSIEST_SIDE_PX = 1600
"""Long side of the photo kept for showing: enough to find the place on the glass again."""

ONE_PHOTO = "Only one photo of this view could be used: it was checked as a close-up instead."
NOTHING_MOVED = "Nothing moved."


def scan_night(
    folder: Path,
    classifier: Classifier,
    *,
    settings: Settings = DEFAULTS,
    progress: Progress = silent,
    on_view: Callable[[ViewResult], None] | None = None,
) -> NightResult:
    """Scan a night's folder for what moved.

    Parameters
    ----------
    folder
        Photos, in sub-folders or mixed; see `photos.series`.
    classifier
        Loaded once, asked for every crop.
    settings
        The sections `photos`, `night` and `check`: what a missed leech costs holds here as well.
    progress
        Told before each photo, out of all photos, and once at the end. While the folder is grouped
        into views it is told of each photo too, with none done yet.
    on_view
        Given each view's result as soon as it is done.

    Returns
    -------
    NightResult
        One result a view; a photo that cannot be decoded is skipped with its reason, and its
        neighbours are compared across it. A view without one usable photo is left out.

    Raises
    ------
    FolderError
        If the folder cannot be read or holds no photo.
    WeightsError
        If the net is damaged.
    """
    give_back_large_arrays()
    series = read_series(folder, settings=settings.photos, progress=_waiting(progress))
    total = sum(len(view.frames) for view in series.views)
    of_view, loose = _skipped_by_view(series)
    scan = _Scan(classifier, settings, progress, total)
    views = []
    for view, skipped in zip(series.views, of_view, strict=True):
        result = scan.view(view, skipped)
        if not result.photos:
            loose += result.skipped
            continue
        views.append(result)
        if on_view is not None:
            on_view(result)
    progress(total, total, "")
    return NightResult(
        folder=folder.resolve().name,
        views=tuple(views),
        skipped=tuple(loose),
        notes=(costs_note(scan.rules),),
    )


def _waiting(progress: Progress) -> Progress:
    """Give a progress that passes on what is being read, and that no photo is done yet."""

    def told(done: int, total: int, what: str) -> None:
        if done < total:
            progress(0, total, what)

    return told


def _skipped_by_view(series: Series) -> tuple[list[list[Skipped]], list[Skipped]]:
    """Give each view the skipped files that lie in its folder, and the rest."""
    of_view: list[list[Skipped]] = [[] for _view in series.views]
    homes: dict[str, int] = {}
    for rank, view in enumerate(series.views):
        for frame in view.frames:
            homes.setdefault(_parent(frame.name), rank)
    loose = []
    for item in series.skipped:
        rank_or_none = homes.get(_parent(item.name))
        if rank_or_none is None:
            loose.append(item)
        else:
            of_view[rank_or_none].append(item)
    return of_view, loose


def _parent(name: str) -> str:
    return name.rpartition("/")[0]


@dataclass(frozen=True, slots=True, eq=False)
class _Shot:
    """A frame and its decoded photo."""

    frame: Frame
    photo: Photo


@dataclass(slots=True)
class _Scan:
    """What a scan carries from view to view: the net, the settings, and how far it is."""

    classifier: Classifier
    settings: Settings
    progress: Progress
    total: int
    done: int = 0

    @property
    def rules(self) -> Rules:
        """The card's rules with the person's own costs."""
        return rules_of(self.classifier.card.rules, self.settings.check)

    def view(self, view: View, skipped: Sequence[Skipped]) -> ViewResult:
        """Scan one view."""
        lost = list(skipped)
        used: list[Frame] = []
        pairs: list[PairLooks] = []
        previous: _Shot | None = None
        for frame in view.frames:
            shot = self._read(frame, lost)
            if shot is None:
                continue
            if previous is not None:
                pairs.append(self._pair(previous, shot))
            previous = shot
            used.append(frame)
        result = ViewResult(
            view=view.name,
            photos=tuple(frame.name for frame in used),
            taken=tuple(frame.taken.iso() for frame in used),
            pairs=(),
            tracks=(),
            seen_at_once_max={},
            notes=(*view.notes, *_unaligned_note(pairs)),
            skipped=tuple(lost),
        )
        if previous is None:
            return result
        if len(used) == 1:
            return self._still(previous, result)
        del previous, shot
        return self._followed(pairs, used, result)

    def _read(self, frame: Frame, lost: list[Skipped]) -> _Shot | None:
        """Decode the next photo; one that cannot be decoded is put down as lost."""
        self.progress(self.done, self.total, frame.name)
        self.done += 1
        try:
            return _Shot(frame, read_photo(frame.path, settings=self.settings.photos))
        except PhotoError as error:
            lost.append(Skipped(frame.name, error.sentence()))
            return None

    def _pair(self, first: _Shot, second: _Shot) -> PairLooks:
        """Align two photos, isolate what moved, and look at it."""
        names = (first.frame.name, second.frame.name)
        aligned = align_pair(first.photo.rgb, second.photo.rgb)
        if isinstance(aligned, AlignmentFailed):
            return PairLooks(*names, reason=aligned.advice)
        blobs = find_blobs(aligned, min_length_px=float(self.settings.night.min_mover_px))
        movers = sorted(pair_movers(blobs, aligned.matrix), key=lambda mover: -mover.z_peak)
        matrix = aligned.matrix
        del aligned  # 48 MB at 12 megapixels, before the net asks for its own
        reason = NOTHING_MOVED if not movers else ""
        if len(movers) > MAX_MOVERS_PER_PAIR:
            reason = (
                f"{len(movers)} things changed, and the {MAX_MOVERS_PER_PAIR} clearest were looked "
                "at. So many are mostly moving light, plants or bubbles: use one steady lamp, and a "
                "piece of glass away from the filter's outflow."
            )
        looked_at = self._look(movers[:MAX_MOVERS_PER_PAIR], first, second)
        return PairLooks(*names, reason=reason, matrix=matrix, movers=looked_at)

    def _look(self, movers: Sequence[Mover], *shots: _Shot) -> tuple[MoverLooks, ...]:
        """Cut and classify every mover on each photo that shows it, in one go."""
        places = [
            (rank, shot, box)
            for rank, mover in enumerate(movers)
            for shot, box in zip(
                shots, (mover.box_first_xyxy_px, mover.box_second_xyxy_px), strict=True
            )
            if box is not None
        ]
        crops = [cut_crop(shot.photo.rgb, box) for _rank, shot, box in places]
        scores = self.classifier.classify(crops)
        looks: list[list[Look]] = [[] for _mover in movers]
        seen: list[list[U8]] = [[] for _mover in movers]
        for (rank, shot, box), crop, score in zip(places, crops, scores, strict=True):
            looks[rank].append(Look(shot.frame.name, box, score))
            seen[rank].append(crop)
        return tuple(
            judge_mover(mover, looks[rank], seen[rank], rules=self.rules)
            for rank, mover in enumerate(movers)
        )

    def _still(self, shot: _Shot, result: ViewResult) -> ViewResult:
        """Check the only photo of a view."""
        checked = check_photo(shot.photo, self.classifier, settings=self.settings)
        still = dataclasses.replace(checked, photo=shot.frame.name)
        boxes: list[tuple[str, BoxXyxy]] = [
            (finding.judgement.label, finding.box_xyxy_px) for finding in still.findings
        ]
        found = dataclasses.replace(
            result,
            still=still,
            seen_at_once_max=seen_at_once({shot.frame.name: boxes}),
            notes=(*result.notes, ONE_PHOTO),
        )
        return _shown(found, shot) if still.findings else found

    def _followed(
        self, pairs: Sequence[PairLooks], used: Sequence[Frame], result: ViewResult
    ) -> ViewResult:
        """Link the movers into tracks, and read the photo that shows most once more."""
        followed = follow(
            pairs,
            max_gap_photos=self.settings.night.max_gap_photos,
            rules=self.rules,
        )
        found = dataclasses.replace(
            result,
            pairs=followed.pairs,
            tracks=followed.tracks,
            seen_at_once_max=followed.at_once_max,
        )
        if followed.busiest is None:
            return found
        frame = next(frame for frame in used if frame.name == followed.busiest)
        try:
            return _shown(
                found, _Shot(frame, read_photo(frame.path, settings=self.settings.photos))
            )
        except PhotoError as error:
            note = f"{frame.name} shows most, and is not pictured: {error.sentence()}"
            return dataclasses.replace(found, busiest=frame.name, notes=(*found.notes, note))


def _shown(result: ViewResult, shot: _Shot) -> ViewResult:
    """Add the photo to be shown."""
    small, scale = reduced(shot.photo.rgb, max_side_px=BUSIEST_SIDE_PX)
    return dataclasses.replace(
        result, busiest=shot.frame.name, busiest_rgb=small, busiest_scale=scale
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
