"""Short cards on handling: all of them, the ones needed here, and each as text or HTML."""

from __future__ import annotations

import difflib
import textwrap
from functools import cache
from html import escape
from importlib import resources
from typing import TYPE_CHECKING, Final

from pestvision.errors import PersonError
from pestvision.guidance.card import Card, Certainty, Harm, Read, ShowsOn, Source, Standing
from pestvision.guidance.reading import read_card, read_sources
from pestvision.organisms.classes import LABELS
from pestvision.tanks.records import Kind

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = [
    "Card",
    "Certainty",
    "Harm",
    "Read",
    "ShowsOn",
    "Source",
    "Standing",
    "as_html",
    "as_text",
    "card",
    "cards_for",
    "every_card",
]

WIDTH: Final = 78  # characters of a line in a terminal, whatever its width
LOWEST_HEADING: Final = 6  # HTML knows h1 to h6
NO_SOURCE: Final = "No source was found."

_FOLDER: Final = resources.files("pestvision.guidance")


@cache
def every_card() -> tuple[Card, ...]:
    """Give all cards, the most urgent first. They are read once, when first asked for.

    Raises
    ------
    DataError
        If a card's file is damaged.
    """
    list_of_sources = _FOLDER / "sources.toml"
    sources = read_sources(list_of_sources.read_text(encoding="utf-8"), where=list_of_sources.name)
    files = [file for file in (_FOLDER / "cards").iterdir() if file.name.endswith(".md")]
    cards = (
        read_card(file.read_text(encoding="utf-8"), name=file.name[: -len(".md")], sources=sources)
        for file in files
    )
    return tuple(sorted(cards, key=lambda one: (one.urgency, one.id)))


def card(id: str) -> Card:
    """Give one card by its id.

    Raises
    ------
    PersonError
        If there is none of that name; the advice names the nearest one.
    DataError
        If a card's file is damaged.
    """
    by_id = {one.id: one for one in every_card()}
    if id in by_id:
        return by_id[id]
    nearest = difflib.get_close_matches(id, by_id, n=1, cutoff=0.0)[0]
    message = f"'{id[:40]}' is no card."
    raise PersonError(message, advice=f"The nearest one is '{nearest}'.")


def cards_for(
    *,
    label: str | None = None,
    note_kind: str | None = None,
    standing: str | None = None,
) -> tuple[Card, ...]:
    """Give the cards that show here, the most urgent first, each once.

    Parameters
    ----------
    label
        The label of a result, such as `leech-like`.
    note_kind
        The kind of a note, such as `removed`.
    standing
        How a tank or batch stands, one of `Standing`.

    Returns
    -------
    tuple of Card
        Those that show on any of what was given. Empty where nothing was given, or no card belongs there.

    Raises
    ------
    PersonError
        If what was given is no label, no kind of note or no standing at all.
    """
    _require_known(label, LABELS, "a label")
    _require_known(note_kind, Kind, "a kind of note")
    _require_known(standing, Standing, "a standing")
    return tuple(
        one
        for one in every_card()
        if label in one.shows_on.labels
        or note_kind in one.shows_on.notes
        or standing in one.shows_on.standings
    )


def as_text(card: Card, *, width: int = WIDTH) -> str:
    """Give a card as plain text for a terminal, `width` characters wide, the cautions before the steps."""
    lines = [card.title, "=" * min(len(card.title), width), ""]
    lines += ["Take care:"]
    for caution in card.cautions:
        lines += _wrapped("- ", caution, width)
    lines += ["", "What to do:"]
    for number, step in enumerate(card.steps, start=1):
        lines += _wrapped(f"{number}. ", step, width)
    lines += ["", *_wrapped("", f"How sure: {card.certainty}. {card.grounds}", width)]
    lines += ["", "Sources:"]
    for sentence in _source_sentences(card):
        lines += _wrapped("- ", sentence, width)
    return "\n".join(lines) + "\n"


def as_html(card: Card, *, level: int = 3) -> str:
    """Give a card as a piece of HTML, with everything in it escaped and the cautions before the steps.

    Parameters
    ----------
    card
        The card.
    level
        Of its heading, 1 to 6, so that it fits below the heading it stands under.

    Returns
    -------
    str
        A `section` with classes `guidance`, `steps`, `care`, `sure` and `sources` to be styled by. It holds no
        id, so that the same card may stand on a page twice.
    """
    heading = f"h{min(max(level, 1), LOWEST_HEADING)}"
    return (
        '<section class="guidance">'
        f"<{heading}>{escape(card.title)}</{heading}>"
        '<div class="care" role="note"><p><strong>Take care</strong></p>'
        f"<ul>{_list_items(card.cautions)}</ul></div>"
        f'<ol class="steps">{_list_items(card.steps)}</ol>'
        f'<p class="sure"><strong>How sure: {escape(card.certainty)}.</strong> {escape(card.grounds)}</p>'
        f'<details class="sources"><summary>Sources</summary>'
        f"<ul>{_list_items(_source_sentences(card))}</ul></details>"
        "</section>"
    )


def _source_sentences(card: Card) -> tuple[str, ...]:
    return tuple(source.sentence() for source in card.sources) or (NO_SOURCE,)


def _list_items(sentences: Iterable[str]) -> str:
    return "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)


def _wrapped(mark: str, sentence: str, width: int) -> list[str]:
    return textwrap.wrap(
        sentence,
        width=width,
        initial_indent=mark,
        subsequent_indent=" " * len(mark),
        break_on_hyphens=False,
    )


def _require_known(name: str | None, known: Iterable[str], what: str) -> None:
    if name is None or name in set(known):
        return
    message = f"'{name[:40]}' is not {what}."
    raise PersonError(message, advice=f"Give one of: {', '.join(known)}.")
