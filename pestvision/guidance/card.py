"""What a card is: its closed lists, and the record."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Certainty(StrEnum):
    """How sure the core of a card is."""

    WELL_SOURCED = "well sourced"
    ONE_STUDY = "one study"
    COMMON_PRACTICE = "common practice"
    UNKNOWN = "unknown"


NEEDS_SOURCE: Final = frozenset({Certainty.WELL_SOURCED, Certainty.ONE_STUDY})
"""A card as sure as this must name a source."""


class Harm(StrEnum):
    """What can go wrong; a card that touches one of these says how it does not."""

    CRUSHING = "crushing a brooding leech"
    TEARING = "tearing a snail"
    IRRITANTS = "salt, heat and irritants"
    HANDS = "unwashed hands"
    BLEACH = "bleach"
    BLEACH_MIXING = "bleach mixing"
    COPPER = "copper"
    MEDICINES = "dewormers and other medicines"
    DIP = "plant dip"
    SHORT_FREEZE = "too short a freeze or drying"
    GLASS = "cut glass"
    ELECTRICITY = "electricity"
    KILLING = "killing an animal"
    CUTTING = "cutting a flatworm"
    RELEASE = "release outdoors"
    PROTECTED = "protected species"
    REGULATED = "regulated snails"
    BUYER = "a buyer's tank"
    BLAME = "blaming leeches alone"
    FALSE_SAFETY = "false safety"


class Standing(StrEnum):
    """How a tank or a batch stands, where a card may be shown."""

    SEEN = "seen"  # leeches were seen in it
    EXPOSED = "exposed"  # it got something from a tank where they were seen
    QUARANTINE = "quarantine"
    HOLDING_SALES = "holding sales"
    EMPTIED = "emptied"
    LOSSES = "losses"  # more snails died than usual
    PROBABLY_CLEAR = "probably clear"


class Read(StrEnum):
    """How much of a source was read."""

    TEXT = "text"
    ABSTRACT = "abstract"
    SECOND_HAND = "second hand"


READ_WORDS: Final[dict[Read, str]] = {
    Read.TEXT: "",
    Read.ABSTRACT: " (abstract read)",
    Read.SECOND_HAND: " (told by another source)",
}
"""What stands after a source of which less than the text itself was read."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where something on a card stands.

    Parameters
    ----------
    id
        Its name among the sources.
    cite
        Authors, year and journal, as far as they are known.
    read
        How much of it was read.
    tells
        What the cards take from it.
    """

    id: str
    cite: str
    read: Read
    tells: str

    def sentence(self) -> str:
        """Give the source as one line, with how much of it was read and what it tells."""
        return f"{self.cite}{READ_WORDS[self.read]}: {self.tells}."


@dataclass(frozen=True, slots=True)
class ShowsOn:
    """Where a card shows by itself: on results of these labels, notes of these kinds, tanks so standing."""

    labels: frozenset[str] = frozenset()
    notes: frozenset[str] = frozenset()
    standings: frozenset[Standing] = frozenset()


@dataclass(frozen=True, slots=True)
class Card:
    """A short card on handling, one screen on a phone.

    Parameters
    ----------
    id
        Its name, which is also the name of its file.
    title
        Its heading.
    urgency
        1 for what is read first; cards of the same urgency go by their names.
    certainty, grounds
        How sure its core is, and a sentence or two on why.
    harms
        What it touches that can do harm.
    shows_on
        Where it shows by itself.
    steps, cautions
        Sentences, in order. Neither is ever empty.
    sources
        Where its facts stand. Empty only where it is common practice or unknown.
    """

    id: str
    title: str
    urgency: int
    certainty: Certainty
    grounds: str
    harms: frozenset[Harm]
    shows_on: ShowsOn
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: tuple[Source, ...]

    def sentences(self) -> tuple[str, ...]:
        """Give every sentence of the card in reading order, without its sources."""
        return (self.title, *self.steps, *self.cautions, self.grounds)
