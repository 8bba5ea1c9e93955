"""The two cards that an answer for a photo or a clip is made of: the verdict, and each further animal.

The verdict is of the most worrying animal, and stays open: its label, how sure that is, its crop, one line
of what speaks for it, the whole caution, and what to look for by eye. Every further animal is a line with
its picture, its label and the caution in short; what else is known of it is unfolded from there.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from pestvision.findings.words import LOOK_FOR
from pestvision.organisms.classes import GROUP_NAMES
from pestvision.web import words
from pestvision.web.parts import (
    brief_caution,
    caution,
    confidence,
    confidence_words,
    crop_picture,
    cues_of,
    folded,
    listed,
    own_net,
    probabilities,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pestvision.arrays import U8
    from pestvision.findings.finding import Judgement


@dataclass(frozen=True, slots=True, eq=False)
class OneAnimal:
    """An animal as its card shows it.

    Parameters
    ----------
    number
        Which of those found, as on the picture.
    judged
        What it was judged to be.
    crop_rgb
        (S, S, 3) uint8, the crop that was judged.
    of
        What the crop was cut out of, in words.
    beside
        HTML beside the crop: what is known of it besides its label.
    beneath
        HTML beneath the crop, across the card.
    inside
        HTML at the end: what is folded.
    """

    number: int
    judged: Judgement
    crop_rgb: U8
    of: str = "the photo"
    beside: str = ""
    beneath: str = ""
    inside: str = ""

    def crop(self) -> str:
        """Give its picture."""
        return crop_picture(self.number, self.judged.label, self.crop_rgb, of=self.of)

    def named(self) -> str:
        """Give its number and its label."""
        label = escape(GROUP_NAMES[self.judged.label])
        return f'<span class="pv-number">{self.number}</span> {label}'


def verdict_card(
    judged: Judgement,
    animal: OneAnimal | None,
    *,
    source: str,
    heading: str,
    opening: str = "",
    judged_with: str = "",
) -> str:
    """Give the card of the verdict.

    Parameters
    ----------
    judged
        The verdict.
    animal
        The animal it is of; None where nothing stood out.
    source
        What was checked, in words: its name, and how much of it.
    heading
        The verdict in words.
    opening
        A sentence on what was judged where that is no animal; empty for none.
    judged_with
        Whose labels it was judged with, as a sentence; empty for the net as it came.
    """
    told = f"{confidence(judged)}{_evidence(judged)}"
    inside = ""
    if animal is not None:
        told = f"{at_a_glance(animal)}{animal.beneath}"
        inside = animal.inside
    opened = f"<p>{escape(opening)}</p>" if opening else ""
    return (
        f'<section class="pv-card pv-verdict pv-{judged.label}" tabindex="-1">'
        f'<p class="pv-photo-name">{escape(source)}</p><h3>{escape(heading)}</h3>'
        f"{told}{own_net(judged_with)}{opened}{caution()}"
        f"<h4>{escape(words.LOOK_FOR_HEADING)}</h4>{listed(LOOK_FOR[judged.label])}"
        f"{_why(judged)}{inside}{probabilities(judged)}</section>"
    )


def at_a_glance(animal: OneAnimal) -> str:
    """Give an animal's crop, and beside it its label, how sure that is, and what speaks for it."""
    judged = animal.judged
    return (
        f'<div class="pv-top"><div class="pv-side">{animal.crop()}</div>'
        f'<div class="pv-main"><p class="pv-named">{animal.named()}</p>'
        f"{confidence(judged)}{_evidence(judged)}{animal.beside}</div></div>"
    )


def further_cards(heading: str, opening: str, animals: Iterable[OneAnimal]) -> str:
    """Give a folded card for each further animal, under a heading; nothing where there is none.

    Parameters
    ----------
    heading
        What they are.
    opening
        A sentence that holds for all of them; empty for none.
    animals
        The most worrying first, without the one that the verdict is of.
    """
    cards = [_further_card(animal) for animal in animals]
    if not cards:
        return ""
    said = f"<p>{escape(opening)}</p>" if opening else ""
    return (
        f"<h3>{escape(heading)}: {len(cards)}</h3>{said}"
        f'<ol class="pv-findings">{"".join(cards)}</ol>'
    )


def _further_card(animal: OneAnimal) -> str:
    judged = animal.judged
    look_for = folded(words.LOOK_FOR_HEADING, listed(LOOK_FOR[judged.label]))
    return (
        f'<li><details class="pv-card pv-finding pv-{judged.label}"><summary class="pv-brief">'
        f'{animal.crop()}<span class="pv-brief-words"><strong>{animal.named()}</strong>'
        f"<span>{escape(confidence_words(judged))}</span>{brief_caution()}</span></summary>"
        f"{_evidence(judged)}{animal.beside}{animal.beneath}{_why(judged)}{look_for}{animal.inside}"
        f"{probabilities(judged)}</details></li>"
    )


def _evidence(judged: Judgement) -> str:
    """Say in one line what speaks for the answer: each clue, or the first reason where there is none."""
    said = " · ".join(cue.sentence() for cue in judged.cues) or "".join(judged.reasons[:1])
    return f'<p class="pv-evidence">{escape(said)}</p>' if said else ""


def _why(judged: Judgement) -> str:
    """Give the reasons, each clue by itself, and what would settle it: folded."""
    settles = listed(judged.why.settled_by)
    if settles:
        settles = f'<p class="pv-small-head">{escape(words.SETTLES)}</p>{settles}'
    return folded(words.WHY_AND_SETTLES, f"{listed(judged.reasons)}{cues_of(judged)}{settles}")
