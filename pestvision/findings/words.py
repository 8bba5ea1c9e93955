"""Sentences that go with every result, wherever it is shown."""

from __future__ import annotations

from pestvision.organisms.caution import CAUTION, CAUTION_BRIEF

__all__ = ["BETTER_PHOTO", "CAUTION", "CAUTION_BRIEF", "CUES_HEADING", "HEAT_WORDS", "LOOK_FOR"]

LOOK_FOR: dict[str, tuple[str, ...]] = {
    "leech-like": (
        "A sucker at each end, the hind one larger.",
        "Steps like an inchworm: it holds on with one end, stretches, and draws the other end up.",
        "Fine rings across the body; it stretches thin and pulls itself together into a pear or a ball.",
        "Pale dots under the body may be young. Do not crush it: they drop off and hide.",
        "Large, with coloured stripes? It may be protected: photograph it, do not kill it, ask an authority.",
    ),
    "flatworm-like": (
        "Glides at a steady length, with no steps and no loops.",
        "A head like an arrow or a spade, often with two eyes that look crossed.",
        "No suckers, no rings; thin as paper at the edge.",
        "Some flatworms eat snails or their eggs: watch it, do not call it safe.",
    ),
    "harmless": (
        "Harmless means harmless to grown snails. Hydra sting, and can take hatchlings of fish and shrimp.",
        "If it holds on with a sucker at each end, trust your eyes and not this label.",
    ),
    "not-an-organism": (
        "Watch it for a few minutes: if it moves by itself against the current, photograph it again.",
    ),
    "cant-tell": (
        "Does it hold on with a sucker at each end and step like an inchworm? Then take it for a leech.",
        "Does it glide at a steady length, with an arrow-shaped head? Then it is a flatworm.",
    ),
}
"""What to look for by eye, by label. The two movements are the trade's own test (common practice)."""

BETTER_PHOTO = (
    "Take it from closer, square to the glass, with the lamp from the side so that the glass does not "
    "shine, and let the animal fill a third of the frame."
)

HEAT_WORDS = {
    "heading": "Which places speak for it",
    "says": (
        "Yellow places speak most for what it is taken for; the line holds half of all that is said. "
        "Where that is not the animal, trust the answer less."
    ),
    "little": "little",
    "much": "much",
}
"""What goes with a picture of the places that speak for a label."""

CUES_HEADING = "What each clue says by itself"
"""Stands over the cues of an answer that rests on more than its looks."""
