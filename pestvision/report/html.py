"""The report of a night as one self-contained page: its answer, its views, what was left out.

Styles, pictures and figures are inside the file. The animals of a view are laid out in `animal_cards`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import pestvision
from pestvision.findings.size_summary import length_in_short, sizes_words, view_sizes
from pestvision.findings.words import CAUTION, CAUTION_BRIEF, CUES_HEADING, HEAT_WORDS
from pestvision.organisms.classes import CANT_TELL, GROUP_NAMES, GROUPS, Group
from pestvision.report.animal_cards import SHOWN_AS, LabelBlock, blocks_of
from pestvision.report.figures import (
    PHOTO_UNITS,
    TIME_WIDTH,
    PhotoFigure,
    TimeLine,
    counts_by_photo,
    photo_figure,
    time_line,
)
from pestvision.report.moments import moment_words, span_words
from pestvision.report.order import ANIMAL_LABELS, by_worry, view_by_worry
from pestvision.report.pictures import HEAT_COLOURS, jpeg_uri
from pestvision.report.templating import template

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.findings.finding import Judgement, NightResult, ViewResult
    from pestvision.organisms.classify import Classifier
    from pestvision.photos.series import Skipped

MAX_DISMISSED = 24  # crops of what was judged not an organism, likewise
DISMISSED_SIDE_PX = 96

_COUNTED_AS = {CANT_TELL: "that could not be told"}


@dataclass(frozen=True, slots=True)
class Dismissed:
    """Something that moved and was judged not an organism."""

    uri: str
    alt: str
    words: str


@dataclass(frozen=True, slots=True)
class ViewSection:
    """Everything the page says of one view."""

    anchor: str
    name: str
    span: str
    n_photos: int
    answer: str
    sizes: tuple[str, ...]
    at_once: tuple[int, ...]
    largest: str
    photo: PhotoFigure | None
    line: TimeLine | None
    line_table: tuple[tuple[str, str, tuple[int, ...]], ...]
    line_labels: tuple[str, ...]
    blocks: tuple[LabelBlock, ...]
    dismissed: tuple[Dismissed, ...]
    n_dismissed: int
    unaligned: tuple[tuple[str, str, str], ...]
    n_pairs: int
    notes: tuple[str, ...]


def render_report(
    result: NightResult,
    *,
    written: datetime | None = None,
    classifier: Classifier | None = None,
) -> str:
    """Give the report of a night as the text of one HTML file.

    Parameters
    ----------
    result
        A scanned night.
    written
        When the report is written; now where None.
    classifier
        Asked which places of the shown crops speak for their label; None leaves those pictures out.
    """
    moment = datetime.now().astimezone() if written is None else written
    views = sorted(result.views, key=view_by_worry)
    sections = tuple(
        _section(view, f"view-{rank}", classifier) for rank, view in enumerate(views, start=1)
    )
    return template("report.html.j2").render(
        title=result.folder,
        answer=night_answer(result),
        caution=CAUTION,
        caution_brief=CAUTION_BRIEF,
        column_names=[GROUP_NAMES[label] for label in ANIMAL_LABELS],
        sections=sections,
        skipped=_all_skipped(result),
        has_lengths=any(section.largest for section in sections),
        notes=result.notes,
        n_photos=result.n_photos,
        written=moment_words(moment),
        version=pestvision.__version__,
        photo_units=PHOTO_UNITS,
        time_width=TIME_WIDTH,
        heat=HEAT_WORDS,
        cues_heading=CUES_HEADING,
        heat_colours=", ".join(HEAT_COLOURS),
    )


def night_answer(result: NightResult) -> str:
    """Give the night's answer in a sentence or two: the most worrying thing, and where."""
    judged = [(view.view, item) for view in result.views for item in _judgements(view)]
    if not judged:
        can_say = any(pair.aligned for view in result.views for pair in view.pairs)
        return f"No animal was seen to move. {NOT_CLEAR}" if can_say else NOTHING_COMPARED
    worst = min((item for _name, item in judged), key=by_worry)
    names = list(dict.fromkeys(f"“{name}”" for name, item in judged if item.label == worst.label))
    where = _listed(names) if len(names) <= 4 else f"{len(names)} of {len(result.views)} views"
    if worst.label == CANT_TELL:
        guess = GROUP_NAMES[GROUPS[worst.p_groups.index(max(worst.p_groups))]]
        return (
            f"Something was seen in {where} that could not be told; the likeliest is {guess}. "
            "Look at it by eye."
        )
    if worst.label in {Group.LEECH_LIKE, Group.FLATWORM_LIKE}:
        return (
            f"Something {GROUP_NAMES[worst.label]} was seen in {where}. "
            "Look at the animal itself before you act."
        )
    return f"Nothing leech-like and nothing flatworm-like was seen. {NOT_CLEAR}"


def _judgements(view: ViewResult) -> list[Judgement]:
    if view.still is None:
        return [track.judgement for track in view.tracks]
    return [finding.judgement for finding in view.still.findings] or [view.still.verdict]


NOTHING_COMPARED = (
    "No two photos could be compared, so this night says nothing about what is in the tank. "
    "The reasons below tell what would do."
)
NOT_CLEAR = (
    "That is not proof that there is none: these animals hide by day, rest for days after a meal, "
    "and a photo shows only what was on the glass."
)


def _section(view: ViewResult, anchor: str, classifier: Classifier | None) -> ViewSection:
    counts = counts_by_photo(view)
    unaligned = tuple((p.first, p.second, p.reason) for p in view.pairs if not p.aligned)
    dismissed = [
        (pair.second, moved)
        for pair in view.pairs
        for moved in pair.moved
        if moved.judgement.label == Group.NOT_AN_ORGANISM
    ]
    table = tuple(
        (name, _clock(taken), tuple(row[rank] for row in counts.values()))
        for rank, (name, taken) in enumerate(zip(view.photos, view.taken, strict=True))
        if any(row[rank] for row in counts.values())
    )
    return ViewSection(
        anchor=anchor,
        name=view.view,
        span=span_words(view.taken),
        n_photos=len(view.photos),
        answer=_view_answer(view),
        sizes=tuple(sizes_words(sizes) for sizes in view_sizes(view)),
        largest=_largest_leech(view),
        at_once=tuple(view.seen_at_once_max.get(label, 0) for label in ANIMAL_LABELS),
        photo=photo_figure(view),
        line=time_line(view),
        line_table=table,
        line_labels=tuple(GROUP_NAMES[label] for label in counts),
        blocks=blocks_of(view, anchor, classifier),
        dismissed=tuple(
            Dismissed(
                uri=jpeg_uri(moved.crop_rgb, max_side_px=DISMISSED_SIDE_PX),
                alt=f"Crop judged not an organism, from {name}",
                words=SHOWN_AS[moved.judgement.fine],
            )
            for name, moved in dismissed[:MAX_DISMISSED]
        ),
        n_dismissed=len(dismissed),
        unaligned=unaligned,
        n_pairs=len(view.pairs),
        notes=view.notes,
    )


def _largest_leech(view: ViewResult) -> str:
    """Give the length of the largest leech-like animal of a view, empty where none is known."""
    leeches = [sizes for sizes in view_sizes(view) if sizes.label == Group.LEECH_LIKE]
    return length_in_short(leeches[0].largest) if leeches else ""


def _view_answer(view: ViewResult) -> str:
    """Say in a sentence what the view holds."""
    parts = [
        f"{view.seen_at_once_max[label]} {_COUNTED_AS.get(label, GROUP_NAMES[label])}"
        for label in ANIMAL_LABELS
        if view.seen_at_once_max.get(label, 0)
    ]
    if parts:
        return f"At least {_listed(parts)} seen at once."
    if view.still is not None:
        return f"One photo: {GROUP_NAMES[view.still.verdict.label]}."
    if view.pairs and not any(pair.aligned for pair in view.pairs):
        return "No two photos could be compared, so nothing can be said of this view."
    return "No animal was seen to move."


def _all_skipped(result: NightResult) -> tuple[Skipped, ...]:
    return (*result.skipped, *(item for view in result.views for item in view.skipped))


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _clock(taken: str | None) -> str:
    if taken is None:
        return ""
    return moment_words(datetime.fromisoformat(taken), has_year=False, has_seconds=True)
