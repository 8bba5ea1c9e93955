"""The cards of advice that go with what is shown, as HTML."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from pestvision.guidance.guidance import as_html, cards_for
from pestvision.guidance.needed import cards_for_note
from pestvision.organisms.classes import LABELS
from pestvision.tanks.records import Pest
from pestvision.web import tank_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pestvision.guidance.card import Card
    from pestvision.tanks.records import Note


def advice(cards: Sequence[Card], *, is_open: bool = False) -> str:
    """Give cards to be unfolded, the most urgent first; nothing where there is none.

    Parameters
    ----------
    cards
        The cards, the most urgent first.
    is_open
        Whether the first is unfolded at once: it is needed now.
    """
    if not cards:
        return ""
    folded = "".join(
        f"<details{' open' if is_open and number == 0 else ''}>"
        f"<summary>{escape(card.title)}</summary>{as_html(card, level=4)}</details>"
        for number, card in enumerate(cards)
    )
    return f'<section class="pv-card pv-advice"><h3>{escape(tank_words.WHAT_NOW)}</h3>{folded}</section>'


def for_notes(notes: Iterable[Note]) -> str:
    """Give what goes with notes that were just written; open where an animal is at hand."""
    found: dict[str, Card] = {}
    is_at_hand = False
    for note in notes:
        is_at_hand |= bool(note.seen or note.taken) and note.pest is Pest.LEECH
        found |= {card.id: card for card in cards_for_note(note)}
    cards = sorted(found.values(), key=lambda card: (card.urgency, card.id))
    return advice(cards, is_open=is_at_hand)


def for_label(label: str | None) -> str:
    """Give what goes with a label of the net; nothing for a label that no card is for."""
    if label not in LABELS:
        return ""
    return advice(cards_for(label=label), is_open=label == Pest.LEECH)
