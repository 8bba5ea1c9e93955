"""A burst: photos of one place taken one after the other, read as if they were the frames of a clip."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from pestvision.errors import ClipError, PhotoError
from pestvision.photos.read import read_header, read_photo, read_reduced, shown_name
from pestvision.photos.series import natural_key, photos_in
from pestvision.photos.video import ANALYSIS_SIDE_PX, ClipFrame

if TYPE_CHECKING:
    from collections.abc import Generator, Sequence
    from pathlib import Path

    from pestvision.arrays import U8
    from pestvision.photos.exif import TakenAt
    from pestvision.photos.read import PhotoHeader
    from pestvision.settings import PhotoSettings

MAX_PHOTOS: Final = 3000  # a photo a second for most of an hour; more is no burst
LONGEST_GAP_S: Final = 3600.0  # photos farther apart are no burst, and `night` is for them
_SAY_APART: Final = "Say how many seconds lie between two photos: --seconds-apart 0.5"


@dataclass(slots=True, eq=False)
class Burst:
    """Photos in order of time, with `times_s` from the first; the rest as in `photos.video.Clip`."""

    paths: tuple[Path, ...]
    times_s: tuple[float, ...]
    name: str
    width: int
    height: int
    photo_settings: PhotoSettings | None = None
    n_frames: int = 0
    seconds_read: float = 0.0
    notes: list[str] = field(default_factory=list)
    is_burst: bool = True
    found_at_opening: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """From the first photo to the last."""
        return self.times_s[-1]

    def frames(
        self, *, long_side_px: int = ANALYSIS_SIDE_PX, a_second: float | None = None
    ) -> Generator[ClipFrame]:
        """Decode photo after photo; one that cannot be read is left out with a note.

        `a_second` is the most that are given in a second; by default all are.

        Raises
        ------
        ClipError
            If fewer than two can be read.
        """
        self.notes = list(self.found_at_opening)
        self.n_frames, self.seconds_read, last_s, scale = 0, 0.0, float("-inf"), 0.0
        for index, (path, time_s) in enumerate(zip(self.paths, self.times_s, strict=True)):
            if a_second is not None and time_s - last_s < 0.75 / a_second:
                continue
            try:
                reduced = read_reduced(path, long_side_px, settings=self.photo_settings)
            except PhotoError as error:
                self.notes.append(f"Left out: {error}")
                continue
            scale = scale or max(reduced.rgb.shape[:2]) / max(self.width, self.height)
            last_s, self.seconds_read = time_s, time_s
            self.n_frames += 1
            yield ClipFrame(index, time_s, reduced.rgb, scale, partial(self._full, path))
        if self.n_frames < 2:
            message = f"Of the photos of {self.name} fewer than two can be read."
            raise ClipError(message, advice="Copy them again from the camera or phone.")

    def _full(self, path: Path) -> U8:
        return read_photo(path, settings=self.photo_settings).rgb


def open_burst(
    paths: Sequence[Path],
    *,
    seconds_apart: float | None = None,
    settings: PhotoSettings | None = None,
) -> Burst:
    """Put photos in order of time and make sure that they can be one burst.

    Parameters
    ----------
    paths
        A folder of photos, or two photos or more.
    seconds_apart
        Seconds between two photos, in order of their names; None reads when each was taken.
    settings
        The limits on one photo.

    Raises
    ------
    ClipError
        If there are fewer than two photos that can be used, or nothing says when they were taken.
    FolderError
        If the folder cannot be read.
    """
    given = list(paths)
    name = shown_name(given[0])
    if len(given) == 1 and given[0].is_dir():
        given = photos_in(given[0])
    if len(given) > MAX_PHOTOS:
        message = f"{name} has {len(given)} photos, and a burst has {MAX_PHOTOS} at the most."
        raise ClipError(message, advice="Give those of a few minutes.")
    given.sort(key=lambda path: natural_key(path.name))
    headers, notes = _headers(given, settings)
    sizes = Counter((one.height, one.width) for one in headers)
    (height, width), _ = sizes.most_common(1)[0] if sizes else ((0, 0), 0)
    odd = [one.name for one in headers if (one.height, one.width) != (height, width)]
    if odd:
        notes.append(f"Left out, because of another size than the rest: {', '.join(odd[:5])}.")
    headers = [one for one in headers if (one.height, one.width) == (height, width)]
    if len(headers) < 2:
        why = f" {notes[0]}" if notes else ""
        message = f"{name} has {len(headers)} photo{'s' * (len(headers) != 1)} that can be used, and a burst takes two or more.{why}"
        raise ClipError(message, advice="Give photos taken one after the other, or a clip.")
    ordered, times, more = _in_time(headers, seconds_apart, name)
    paths_in_time = tuple(one.path for one in ordered if one.path is not None)
    return Burst(
        paths=paths_in_time,
        times_s=times,
        name=name,
        width=width,
        height=height,
        photo_settings=settings,
        found_at_opening=(*notes, *more),
        notes=[*notes, *more],
        n_frames=len(ordered),
    )


def _headers(
    paths: Sequence[Path], settings: PhotoSettings | None
) -> tuple[list[PhotoHeader], list[str]]:
    headers, notes = [], []
    for path in paths:
        try:
            headers.append(read_header(path, settings=settings))
        except PhotoError as error:
            notes.append(f"Left out: {error}")
    return headers, notes


def _in_time(
    headers: Sequence[PhotoHeader], seconds_apart: float | None, name: str
) -> tuple[list[PhotoHeader], tuple[float, ...], list[str]]:
    """Order photos by time, and give seconds from the first, with what that rests on."""
    if seconds_apart is not None:
        times = tuple(index * seconds_apart for index in range(len(headers)))
        note = f"Taken as {seconds_apart:g} seconds apart, in order of the file names, as you said."
        return list(headers), times, [note]
    if any(one.taken.local is None for one in headers):
        message = f"Not every photo of {name} says when it was taken."
        raise ClipError(message, advice=_SAY_APART)
    seconds = [_second_of(one.taken) for one in headers]
    order = sorted(range(len(headers)), key=lambda index: seconds[index])  # equal ones by name
    ordered = [headers[index] for index in order]
    at = [seconds[index] - seconds[order[0]] for index in order]
    notes = []
    if len(set(at)) < len(at):
        if all(one.taken.has_subseconds for one in headers) or len(set(at)) == 1:
            message = f"Several photos of {name} were taken at the same time, by what they say."
            raise ClipError(message, advice=_SAY_APART)
        at = _spread(at)
        notes.append(
            "The photos say when they were taken to the second only; those of one second were taken as "
            "evenly spread over it. --seconds-apart would be surer."
        )
    elif not all(one.taken.has_subseconds for one in headers):
        notes.append("The photos say when they were taken to the second only.")
    if max(b - a for a, b in pairwise(at)) > LONGEST_GAP_S:
        message = f"Between two photos of {name} lies more than an hour: that is no burst."
        raise ClipError(message, advice="Photos of a whole night are for: pestvision night")
    return ordered, tuple(at), notes


def _second_of(taken: TakenAt) -> float:
    if taken.local is None:
        raise ValueError("a photo without a time is not ordered by time")
    from datetime import UTC

    return taken.local.replace(tzinfo=UTC).timestamp()


def _spread(at: Sequence[float]) -> list[float]:
    """Spread photos of the same second evenly over it."""
    n = Counter(at)
    seen: Counter[float] = Counter()
    spread = []
    for second in at:
        spread.append(second + seen[second] / n[second])
        seen[second] += 1
    return spread
