"""The animals of a view in the report: a block for each label, with a card for each animal.

The most worrying come first. What holds for all of a block stands once over its cards; the first card of a
block says why, and the others keep that folded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pestvision.findings.size_summary import length_in_short
from pestvision.findings.words import LOOK_FOR
from pestvision.organisms.classes import CANT_TELL, FINE_CLASSES, GROUP_NAMES
from pestvision.report.moments import span_words
from pestvision.report.order import by_worry
from pestvision.report.pictures import heat_picture, jpeg_uri

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.finding import Finding, Judgement, TrackResult, ViewResult
    from pestvision.organisms.classify import Classifier
    from pestvision.size.records import Length

CROP_SIDE_PX = 160  # a crop is looked at, not measured: 160 px is about 6 kB as JPEG
MAX_CARDS = 24  # crops of one label shown for a view; the table of sightings holds the rest
MAX_HEATS = 12  # crops of a view whose heat is drawn, the most worrying first: each takes as long as four looks
SHOWN_AS = {item.name: item.shown for item in FINE_CLASSES}


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


def blocks_of(
    view: ViewResult, anchor: str, classifier: Classifier | None
) -> tuple[LabelBlock, ...]:
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
        most_like=SHOWN_AS[judged.fine],
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


def _percent(p: float) -> str:
    """Give a probability in whole percent, never claiming none or certainty."""
    if p < 0.005:
        return "under 1\u00a0%"
    return f"{round(p * 100)}\u00a0%" if p <= 0.99 else "over 99\u00a0%"
