"""Scan a night's folder: who looks over its stretches, in which order, and how far that is.

A view is cut into stretches (`stretch`). They are looked over here, one after the other, or by any
executor (`crew`); finished ones can be kept on disk (`kept`). Put together in order (`views`) they say the
same whoever looked. Of a pair only its boxes, its scores and small crops stay in memory.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pestvision.findings.crew import Basis, Crew
from pestvision.findings.finding import NightResult, ViewResult
from pestvision.findings.judge import costs_note, head_notes, rules_of
from pestvision.findings.kept import KeptLooks
from pestvision.findings.memory import give_back_large_arrays
from pestvision.findings.sizes import ViewScale
from pestvision.findings.stretch import Looker, StretchLooks, cut_into_stretches
from pestvision.findings.views import Hands, ViewMaker
from pestvision.photos.series import Skipped, read_series
from pestvision.progress import Progress, silent
from pestvision.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
    from concurrent.futures import Executor
    from pathlib import Path

    from pestvision.organisms.classify import Classifier
    from pestvision.photos.series import Frame, Series, View
    from pestvision.size.records import Scale

DEFAULTS = Settings()

IN_FLIGHT = 4
"""Stretches handed to an executor at a time, by default: two workers never wait for the next one."""

SCALE_OF_WHICH = (
    "The folder shows several views, so it is not known which one the scale is of: no lengths are given. "
    "Scan the photos of one view alone, or lay a printed card into each view."
)


def scan_night(
    folder: Path,
    classifier: Classifier,
    *,
    settings: Settings = DEFAULTS,
    progress: Progress = silent,
    on_view: Callable[[ViewResult], None] | None = None,
    executor: Executor | None = None,
    in_flight: int = IN_FLIGHT,
    keep_in: Path | None = None,
    resume: bool = False,
    scale: Scale | ViewScale | None = None,
) -> NightResult:
    """Scan a night's folder for what moved.

    Parameters
    ----------
    folder
        Photos, in sub-folders or mixed; see `photos.series`.
    classifier
        Loaded once, asked for every crop that is looked at in this process.
    settings
        The sections `photos`, `night` and `check`: what a missed leech costs holds here as well.
    progress
        Told before each photo, out of all photos, and once at the end; with an executor, after each
        stretch. While the folder is grouped into views it is told of each photo too, with none done
        yet.
    on_view
        Given each view's result as soon as it and those before it are done.
    executor
        Any of `concurrent.futures` whose workers reach the photos under the same paths; they load the
        shipped weights themselves. None looks at everything in this process. The result is the same.
    in_flight
        Stretches handed to the executor at a time.
    keep_in
        A folder in which finished stretches are kept, see `kept`; None keeps nothing. They stay until
        the caller removes them (`kept.remove_kept`): first the report must be whole.
    resume
        Use the stretches that an earlier scan has kept there.
    scale
        On the pixels of the photo that a `ViewScale` names, or else of the first photo of a folder with
        one view. It holds for the other photos of the view as far as they could be laid on that one.

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
        If the net is damaged, or a worker has another.
    """
    give_back_large_arrays()
    series = read_series(folder, settings=settings.photos, progress=_waiting(progress))
    told = _Told(progress, sum(len(view.frames) for view in series.views))
    rules = rules_of(classifier.card.rules, settings.check)
    with_sizes = scale is not None
    kept = None
    if keep_in is not None:
        basis = Basis.of(classifier, settings, with_sizes=with_sizes)
        kept = KeptLooks(keep_in, basis, rules, resume=resume)
    hands: Hands = Looker(classifier, settings, told.before, with_sizes=with_sizes)
    if executor is not None:
        basis = Basis.of(classifier, settings, with_sizes=with_sizes)
        hands = Crew(executor, basis, in_flight)
    of_view_scale = _on_photo(scale, series)
    scan = _Scan(hands, kept, told)
    maker = ViewMaker(hands, kept, settings, rules, of_view_scale)
    of_view, loose = _skipped_by_view(series)
    views = []
    with closing(scan.parts(series.views)) as in_turn:  # whatever ends the scan ends it at once
        for view, skipped, parts in zip(series.views, of_view, in_turn, strict=True):
            result = maker.view(view, skipped, parts)
            if not result.photos:
                loose += result.skipped
                continue
            views.append(result)
            if on_view is not None:
                on_view(result)
    progress(told.total, told.total, "")
    trouble = () if kept is None or not kept.trouble else (kept.trouble,)
    return NightResult(
        folder=folder.resolve().name,
        views=tuple(views),
        skipped=tuple(loose),
        notes=(
            costs_note(rules),
            *head_notes(classifier.head),
            *(() if scale is None or of_view_scale is not None else (SCALE_OF_WHICH,)),
            *trouble,
        ),
    )


def broken_off(
    folder: Path, views: Sequence[ViewResult], classifier: Classifier, settings: Settings, how: str
) -> NightResult:
    """Give the views that were finished when a scan was stopped, with a note that says so.

    Parameters
    ----------
    folder, classifier, settings
        As the scan had them.
    views
        What `on_view` was given.
    how
        A sentence: how to go on.
    """
    rules = rules_of(classifier.card.rules, settings.check)
    n_views = "1 view" if len(views) == 1 else f"{len(views)} views"
    note = (
        f"This is not the whole night: the scan was stopped when {n_views} had been finished. {how}"
    )
    return NightResult(
        folder.resolve().name,
        tuple(views),
        notes=(note, costs_note(rules), *head_notes(classifier.head)),
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


@dataclass(slots=True)
class _Told:
    """How far a scan is: photos that were told of, each once, out of all."""

    progress: Progress
    total: int
    _seen: set[Path] = field(default_factory=set, init=False)

    def before(self, frame: Frame) -> None:
        """Tell that a photo is about to be read."""
        if frame.path not in self._seen:
            self.progress(len(self._seen), self.total, frame.name)
            self._seen.add(frame.path)

    def after(self, frames: Sequence[Frame]) -> None:
        """Tell that a stretch is done."""
        n_before = len(self._seen)
        self._seen.update(frame.path for frame in frames)
        if len(self._seen) > n_before:
            self.progress(len(self._seen), self.total, frames[-1].name)


_Place = tuple[int, int]  # of a stretch: rank of its view, rank in the view


@dataclass(slots=True)
class _Scan:
    """A scan at work: who looks, what is kept, and how far it is."""

    hands: Hands
    kept: KeptLooks | None
    told: _Told

    def parts(self, views: Sequence[View]) -> Generator[list[StretchLooks]]:
        """Give the looks at each view's stretches, view after view, as soon as all are there."""
        stretches = [cut_into_stretches(view.frames) for view in views]
        found: list[dict[int, StretchLooks]] = [{} for _view in views]
        rank = 0
        for (of, place), looks in self._looked_over(stretches):
            found[of][place] = looks
            self.told.after(stretches[of][place])
            while rank < len(views) and len(found[rank]) == len(stretches[rank]):
                yield [found[rank].pop(place) for place in range(len(stretches[rank]))]
                rank += 1

    def _looked_over(
        self, stretches: Sequence[Sequence[tuple[Frame, ...]]]
    ) -> Iterator[tuple[_Place, StretchLooks]]:
        """Give every stretch's looks, in any order: kept ones as they are met, others when done."""
        try:
            for of, one_view in enumerate(stretches):
                for place, frames in enumerate(one_view):
                    kept = None if self.kept is None else self.kept.get(frames)
                    if kept is not None:
                        yield (of, place), kept
                        continue
                    yield from self._keeping(stretches, self.hands.take((of, place), frames))
            yield from self._keeping(stretches, self.hands.rest())
        finally:
            for _done in self._keeping(stretches, self.hands.stop()):
                pass

    def _keeping(
        self,
        stretches: Sequence[Sequence[tuple[Frame, ...]]],
        done: Iterable[tuple[_Place, StretchLooks]],
    ) -> Iterator[tuple[_Place, StretchLooks]]:
        for (of, place), looks in done:
            if self.kept is not None:
                self.kept.put(stretches[of][place], looks)
            yield (of, place), looks


def _on_photo(scale: Scale | ViewScale | None, series: Series) -> ViewScale | None:
    """Give the photo that a scale is of: a folder with one view needs none named."""
    if scale is None or isinstance(scale, ViewScale):
        return scale
    if len(series.views) != 1 or not series.views[0].frames:
        return None
    return ViewScale(series.views[0].frames[0].name, scale)
