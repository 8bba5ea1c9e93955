"""The report as one self-contained page: styles, pictures and figures inside the file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

import pestvision
from pestvision.findings.size_summary import length_in_short, sizes_words, view_sizes
from pestvision.findings.words import CAUTION, CAUTION_BRIEF, CUES_HEADING, HEAT_WORDS, LOOK_FOR
from pestvision.organisms.classes import CANT_TELL, FINE_CLASSES, GROUP_NAMES, GROUPS, Group
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
from pestvision.report.pictures import HEAT_COLOURS, heat_picture, jpeg_uri
from pestvision.report.templating import template

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.finding import (
        Finding,
        Judgement,
        NightResult,
        TrackResult,
        ViewResult,
    )
    from pestvision.organisms.classify import Classifier
    from pestvision.photos.series import Skipped
    from pestvision.size.records import Length

CROP_SIDE_PX = 160  # a crop is looked at, not measured: 160 px is about 6 kB as JPEG
MAX_CARDS = 24  # crops of one label shown for a view; the table of sightings holds the rest
MAX_HEATS = 12  # crops of a view whose heat is drawn, the most worrying first: each takes as long as four looks
MAX_DISMISSED = 24  # crops of what was judged not an organism, likewise
DISMISSED_SIDE_PX = 96

_COUNTED_AS = {CANT_TELL: "that could not be told"}
_SHOWN_AS = {item.name: item.shown for item in FINE_CLASSES}


@dataclass(frozen=True, slots=True)
class Card:
    """One animal of a view: its crop, and what is said of it."""

    anchor: str
    number: int
    words: str
    uri: str
    alt: str
    certainty: str
    most_like: str
    size: str
    size_rests_on: tuple[str, ...]
    shares: tuple[tuple[str, str], ...]
    seen: str
    cues: tuple[str, ...]
    reasons: tuple[str, ...]
    settled_by: tuple[str, ...]
    heat_uri: str
    heat_alt: str


@dataclass(frozen=True, slots=True)
class LabelBlock:
    """All animals of one label in a view."""

    label: str
    title: str
    n_seen: str
    look_for: tuple[str, ...]
    shared_reasons: tuple[str, ...]
    cards: tuple[Card, ...]
    n_more: int


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
        blocks=_blocks(view, anchor, classifier),
        dismissed=tuple(
            Dismissed(
                uri=jpeg_uri(moved.crop_rgb, max_side_px=DISMISSED_SIDE_PX),
                alt=f"Crop judged not an organism, from {name}",
                words=_SHOWN_AS[moved.judgement.fine],
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


@dataclass(frozen=True, slots=True)
class _Shown:
    """An animal of a view as it will be shown."""

    number: int
    judgement: Judgement
    crop_rgb: U8
    seen: str
    length: Length | None
    size_words: tuple[str, ...]

    @classmethod
    def of(cls, item: TrackResult | Finding, seen: str) -> _Shown:
        """Give a track or a finding as it will be shown."""
        judged = item.judgement
        return cls(item.id, judged, item.crop_rgb, seen, item.length, item.size_words)


def _blocks(view: ViewResult, anchor: str, classifier: Classifier | None) -> tuple[LabelBlock, ...]:
    """Group the animals of a view by label, the most worrying first."""
    taken = dict(zip(view.photos, view.taken, strict=True))
    animals = [_Shown.of(item, _seen_words(item.sightings, taken)) for item in view.tracks]
    if view.still is not None:
        seen = f"Seen on {view.still.photo}."
        animals += [_Shown.of(item, seen) for item in view.still.findings]
    animals.sort(key=lambda item: by_worry(item.judgement))
    heats = _heat_uris(animals[:MAX_HEATS], classifier)
    cards: dict[str, list[Card]] = {}
    for rank, item in enumerate(animals):
        card = _card(item, anchor=anchor, heat_uri=heats[rank] if rank < len(heats) else "")
        cards.setdefault(item.judgement.label, []).append(card)
    return tuple(_block(label, found, view) for label, found in cards.items())


def _heat_uris(animals: Sequence[_Shown], classifier: Classifier | None) -> list[str]:
    """Draw which places of some crops speak for their likeliest group."""
    if classifier is None:
        return []
    crops = [item.crop_rgb for item in animals]
    maps = classifier.heat_maps(crops, [item.judgement.likeliest for item in animals])
    return [
        jpeg_uri(heat_picture(crop, heat), max_side_px=CROP_SIDE_PX)
        for crop, heat in zip(crops, maps, strict=True)
    ]


def _block(label: str, found: Sequence[Card], view: ViewResult) -> LabelBlock:
    """Put together the cards of one label; a reason that all of them share is given once."""
    shared = [
        reason
        for reason in found[0].reasons
        if len(found) > 1 and all(reason in card.reasons for card in found)
    ]
    cards = [
        replace(card, reasons=tuple(reason for reason in card.reasons if reason not in shared))
        for card in found[:MAX_CARDS]
    ]
    return LabelBlock(
        label=label,
        title=GROUP_NAMES[label].capitalize(),
        n_seen=_n_seen_words(len(found), view.seen_at_once_max.get(label, 0), view),
        look_for=LOOK_FOR[label],
        shared_reasons=tuple(shared),
        cards=tuple(cards),
        n_more=len(found) - len(cards),
    )


def _card(item: _Shown, *, anchor: str, heat_uri: str) -> Card:
    judged, number = item.judgement, item.number
    likeliest = judged.likeliest
    if judged.label == CANT_TELL:
        certainty = (
            f"Cannot be told; likeliest {GROUP_NAMES[likeliest]}, {_percent(judged.confidence)}"
        )
    else:
        certainty = f"{_percent(judged.confidence).capitalize()} sure"
    words = f"{number} {GROUP_NAMES[judged.label]}"
    return Card(
        anchor=f"{anchor}-{number}",
        number=number,
        words=words,
        uri=jpeg_uri(item.crop_rgb, max_side_px=CROP_SIDE_PX),
        alt=f"Crop of number {number}, judged {GROUP_NAMES[judged.label]}",
        certainty=certainty,
        most_like=_SHOWN_AS[judged.fine],
        size="" if item.length is None else f"About {length_in_short(item.length)} long.",
        size_rests_on=item.size_words,
        shares=tuple(
            (GROUP_NAMES[group], _percent(p)) for group, p in judged.probabilities().items()
        ),
        seen=item.seen,
        cues=tuple(cue.sentence() for cue in judged.cues),
        reasons=judged.reasons,
        settled_by=judged.why.settled_by,
        heat_uri=heat_uri,
        heat_alt=f"The crop of number {number} in grey; yellow where it looks {GROUP_NAMES[likeliest]}",
    )


def _seen_words(sightings: Sequence[tuple[str, BoxXyxy]], taken: dict[str, str | None]) -> str:
    names = list(dict.fromkeys(name for name, _box in sightings))
    first, last = names[0], names[-1]
    short_first, short_last = (name.rpartition("/")[2] for name in (first, last))
    span = span_words([taken.get(first), taken.get(last)], has_year=False)
    if first == last:
        return f"Seen on {short_first}{f', {span}' if span else ''}."
    return (
        f"Seen on {len(names)} photos, {short_first} to {short_last}{f', {span}' if span else ''}."
    )


def _n_seen_words(n_followed: int, at_once: int, view: ViewResult) -> str:
    """Say how many, and that this is the least there can be."""
    lower = f"At least {at_once} seen at once: a lower bound, others may have been out of sight."
    if view.still is not None:
        return lower if at_once else ""
    followed = (
        f"{n_followed} followed over the photos; one that hid in between may be among them twice."
    )
    return f"{lower if at_once else ''} {followed if n_followed > at_once else ''}".strip()


def _all_skipped(result: NightResult) -> tuple[Skipped, ...]:
    return (*result.skipped, *(item for view in result.views for item in view.skipped))


def _percent(p: float) -> str:
    """Give a probability in whole percent, never claiming none or certainty."""
    if p < 0.005:
        return "under 1\u00a0%"
    return f"{round(p * 100)}\u00a0%" if p <= 0.99 else "over 99\u00a0%"


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _clock(taken: str | None) -> str:
    if taken is None:
        return ""
    return moment_words(datetime.fromisoformat(taken), has_year=False, has_seconds=True)
