"""Which cards are needed by a tank, from how it stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pestvision.guidance.card import Standing as Place
from pestvision.guidance.guidance import cards_for
from pestvision.tanks.records import Kind
from pestvision.tanks.standing import State

if TYPE_CHECKING:
    from pestvision.guidance.card import Card
    from pestvision.tanks.records import Note
    from pestvision.tanks.standing import Standing

PLACES: Final[dict[State, Place]] = {
    State.SEEN: Place.SEEN,
    State.DOUBT: Place.SEEN,
    State.EXPOSED: Place.EXPOSED,
    State.QUARANTINE: Place.QUARANTINE,
    State.EMPTIED: Place.EMPTIED,
    State.CLEAR: Place.PROBABLY_CLEAR,
}
"""Where cards show by the state of a tank; nothing is needed of one in which none was seen so far."""
MANY_DIED: Final = 5
"""Snails in two weeks from which on their loss is advised on (common practice, no source): some always die."""


def cards_for_note(note: Note) -> tuple[Card, ...]:
    """Give the cards that go with a note that was just written: its kind, and the animal that was met."""
    is_met = bool(note.seen or note.taken)
    kind = note.kind if note.kind in set(Kind) else None  # a word of a newer version
    return cards_for(label=note.pest if is_met else None, note_kind=kind)


def cards_for_tank(standing: Standing) -> tuple[Card, ...]:
    """Give the cards that go with how a tank stands, the most urgent first, each once."""
    places = [PLACES[standing.state]] if standing.state in PLACES else []
    if standing.holds:
        places.append(Place.HOLDING_SALES)
    if standing.n_died >= MANY_DIED:
        places.append(Place.LOSSES)
    found = {card.id: card for place in places for card in cards_for(standing=place)}
    return tuple(sorted(found.values(), key=lambda card: (card.urgency, card.id)))
