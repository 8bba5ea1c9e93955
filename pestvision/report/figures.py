"""Pictures of a report as plain geometry: what is drawn where. The templates do the drawing."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from pestvision.findings.follow import count_places
from pestvision.organisms.classes import GROUP_NAMES
from pestvision.report.moments import clock_words, day_words
from pestvision.report.order import ANIMAL_LABELS
from pestvision.report.pictures import jpeg_uri

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import ViewResult

PHOTO_SIDE_PX = 1600  # enough to find the place on the glass again, about 300 kB as JPEG

PHOTO_UNITS = 1000.0  # width of a photo figure in its own units, whatever the photo's pixels
TAG_HEIGHT = 34.0  # room kept for an outline's words, between the wide and the narrow screen's size
TAG_LETTER = 15.0  # width of one letter of them, likewise

TIME_WIDTH = 720.0
TIME_ROW_HEIGHT = 80.0  # a name, a count and the highest bar below one another, on a phone too
TIME_BAR_HEIGHT = 30.0
TIME_EDGE = 24.0  # left and right of the first and last photo, so that their bars fit
MAX_TICKS = 4  # more times than that run into each other on a phone
TICK_STEPS_S = (
    *(1, 2, 5, 10, 15, 30),
    *(60, 120, 300, 600, 900, 1800),
    *(3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800),
)


@dataclass(frozen=True, slots=True)
class Outline:
    """One numbered box on a photo figure, in the figure's units, and where its words stand."""

    x: float
    y: float
    width: float
    height: float
    number: int
    label: str
    words: str
    words_x: float
    words_y: float
    anchor: str


@dataclass(frozen=True, slots=True)
class PhotoFigure:
    """A photo with outlines: `height` in units of which the width has `PHOTO_UNITS`."""

    name: str
    uri: str
    height: float
    outlines: tuple[Outline, ...]


@dataclass(frozen=True, slots=True)
class Bar:
    """How many were seen on one photo."""

    x: float
    height: float
    count: int
    is_counted: bool


@dataclass(frozen=True, slots=True)
class TimeRow:
    """One label of a time line; `base` is the row's ground line."""

    label: str
    words: str
    base: float
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class TimeLine:
    """When what was seen, over the photos of a view.

    `photos_x` are the places of the photos, `ticks` places with a time or photo number, and
    `unseen` stretches `(x, width)` between photos that could not be compared.
    """

    rows: tuple[TimeRow, ...]
    photos_x: tuple[float, ...]
    ticks: tuple[tuple[float, str], ...]
    unseen: tuple[tuple[float, float], ...]
    bar_width: float
    height: float
    is_by_time: bool


def photo_figure(view: ViewResult) -> PhotoFigure | None:
    """Outline everything seen on the view's busiest photo, or give None where nothing was seen."""
    if view.busiest is None or view.busiest_rgb is None:
        return None
    seen: list[tuple[int, str, BoxXyxy]] = [
        (track.id, track.judgement.label, box)
        for track in view.tracks
        for name, box in track.sightings
        if name == view.busiest
    ]
    if view.still is not None:
        seen += [(f.id, f.judgement.label, f.box_xyxy_px) for f in view.still.findings]
    height_px, width_px = view.busiest_rgb.shape[:2]
    unit = PHOTO_UNITS / width_px
    return PhotoFigure(
        name=view.busiest,
        uri=jpeg_uri(view.busiest_rgb, max_side_px=PHOTO_SIDE_PX),
        height=height_px * unit,
        outlines=_outlines(seen, scale=view.busiest_scale * unit, height=height_px * unit),
    )


def _outlines(
    seen: Sequence[tuple[int, str, BoxXyxy]], *, scale: float, height: float
) -> tuple[Outline, ...]:
    """Scale the boxes, and put each one's words where they hide no other words."""
    taken: list[BoxXyxy] = []
    outlines = []
    for number, label, box in seen:
        x0, y0, x1, y1 = (value * scale for value in box)
        words = f"{number} {GROUP_NAMES[label]}"
        place, anchor = _free_place((x0, y0, x1, y1), len(words) * TAG_LETTER, height, taken)
        taken.append(place)
        outlines.append(
            Outline(
                x=x0,
                y=y0,
                width=x1 - x0,
                height=y1 - y0,
                number=number,
                label=label,
                words=words,
                words_x=place[0] if anchor == "start" else place[2],
                words_y=place[3] - TAG_HEIGHT * 0.25,
                anchor=anchor,
            )
        )
    return tuple(outlines)


def _free_place(
    box: BoxXyxy, width: float, height: float, taken: Sequence[BoxXyxy]
) -> tuple[BoxXyxy, str]:
    """Choose where the words of a box stand: the first place in the frame that is not taken."""
    x0, y0, x1, y1 = box
    places: list[tuple[BoxXyxy, str]] = []
    for top in (y0 - TAG_HEIGHT, y1, y0 - 2 * TAG_HEIGHT, y1 + TAG_HEIGHT):
        places.append(((x0, top, x0 + width, top + TAG_HEIGHT), "start"))
        places.append(((x1 - width, top, x1, top + TAG_HEIGHT), "end"))
    inside = [
        (place, anchor)
        for place, anchor in places
        if place[0] >= 0 and place[1] >= 0 and place[2] <= PHOTO_UNITS and place[3] <= height
    ]
    for place, anchor in inside:
        if not any(_overlap(place, other) for other in taken):
            return place, anchor
    if inside:
        return inside[0]
    left = min(max(x0, 0.0), max(0.0, PHOTO_UNITS - width))
    top = min(max(y0, 0.0), max(0.0, height - TAG_HEIGHT))
    return (left, top, left + width, top + TAG_HEIGHT), "start"


def _overlap(one: BoxXyxy, other: BoxXyxy) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def counts_by_photo(view: ViewResult) -> dict[str, tuple[int, ...]]:
    """Count what was seen of each label on each photo, for the labels that were seen at all.

    Counted as `seen_at_once_max` is, and never above it: pieces of one animal are one.
    """
    seen: dict[str, list[tuple[str, BoxXyxy]]] = {photo: [] for photo in view.photos}
    for track in view.tracks:
        for photo, box in track.sightings:
            seen[photo].append((track.judgement.label, box))
    counts = {
        label: tuple(
            min(count_places(label, found), view.seen_at_once_max.get(label, 0))
            for found in seen.values()
        )
        for label in ANIMAL_LABELS
    }
    return {label: row for label, row in counts.items() if any(row)}


def time_line(view: ViewResult) -> TimeLine | None:
    """Lay out when what was seen, or give None where there is nothing to lay out."""
    counts = counts_by_photo(view)
    if len(view.photos) < 2 or not counts:
        return None
    moments = _moments(view.taken)
    ranks = [float(rank) for rank in range(len(view.photos))]
    values = ranks if moments is None else [(m - moments[0]).total_seconds() for m in moments]
    reach = TIME_WIDTH - 2 * TIME_EDGE
    photos_x = tuple(TIME_EDGE + reach * value / values[-1] for value in values)
    bar_width = min(max(0.7 * reach / len(photos_x), 3.0), 18.0)
    highest = max(max(row) for row in counts.values())
    rows = tuple(
        _time_row(label, row, photos_x, base=(rank + 1) * TIME_ROW_HEIGHT, highest=highest)
        for rank, (label, row) in enumerate(counts.items())
    )
    ticks = _photo_ticks(photos_x) if moments is None else _time_ticks(moments, reach)
    x_of = dict(zip(view.photos, photos_x, strict=True))
    unseen = tuple(
        (x_of[pair.first], x_of[pair.second] - x_of[pair.first])
        for pair in view.pairs
        if not pair.aligned and pair.first in x_of and pair.second in x_of
    )
    height = len(rows) * TIME_ROW_HEIGHT + 46.0
    return TimeLine(rows, photos_x, ticks, unseen, bar_width, height, moments is not None)


def _time_row(
    label: str, counts: Sequence[int], photos_x: Sequence[float], *, base: float, highest: int
) -> TimeRow:
    """Lay out one label. A number stands over the first bar of each new height."""
    bars = []
    before = 0
    for x, count in zip(photos_x, counts, strict=True):
        if count:
            height = TIME_BAR_HEIGHT * count / highest
            bars.append(Bar(x=x, height=height, count=count, is_counted=count != before))
        before = count
    return TimeRow(label=label, words=GROUP_NAMES[label], base=base, bars=tuple(bars))


def _moments(taken: Sequence[str | None]) -> list[datetime] | None:
    """Read the times, or give None where one is missing, they are not in order, or all are equal."""
    try:
        moments = [datetime.fromisoformat(text) for text in taken if text is not None]
    except ValueError:
        return None
    if len(moments) < len(taken) or len({moment.tzinfo is None for moment in moments}) > 1:
        return None
    is_in_order = all(one <= two for one, two in itertools.pairwise(moments))
    return moments if is_in_order and moments[-1] > moments[0] else None


def _photo_ticks(photos_x: Sequence[float]) -> tuple[tuple[float, str], ...]:
    last = len(photos_x)
    return ((photos_x[0], "photo 1"), (photos_x[-1], f"photo {last}"))


def _time_ticks(moments: Sequence[datetime], reach: float) -> tuple[tuple[float, str], ...]:
    """Put up to `MAX_TICKS` round times on the axis."""
    start, span_s = moments[0], (moments[-1] - moments[0]).total_seconds()
    step_s = next((s for s in TICK_STEPS_S if span_s / s <= MAX_TICKS), TICK_STEPS_S[-1])
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    first = -(-((start - midnight).total_seconds()) // step_s)  # rounded up
    has_dates = span_s > timedelta(days=1).total_seconds()
    ticks = []
    for rank in range(MAX_TICKS + 1):
        moment = midnight + timedelta(seconds=(first + rank) * step_s)
        after_s = (moment - start).total_seconds()
        if after_s > span_s:
            break
        text = _tick_text(moment, has_dates=has_dates, has_seconds=step_s < 60)
        ticks.append((TIME_EDGE + reach * after_s / span_s, text))
    return tuple(ticks)


def _tick_text(moment: datetime, *, has_dates: bool, has_seconds: bool) -> str:
    clock = clock_words(moment, has_seconds=has_seconds)
    return f"{day_words(moment)} {clock}" if has_dates else clock
