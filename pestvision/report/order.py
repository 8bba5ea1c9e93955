"""What is shown first: the most worrying label, view and animal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.findings.judge import worry
from pestvision.organisms.classes import CANT_TELL, Group

if TYPE_CHECKING:
    from pestvision.findings.finding import Judgement, ViewResult

WORRY_ORDER: tuple[str, ...] = (
    Group.LEECH_LIKE,
    Group.FLATWORM_LIKE,
    CANT_TELL,
    Group.HARMLESS,
    Group.NOT_AN_ORGANISM,
)
"""Labels from the most to the least worrying. *Can't tell* stands before *harmless*: it may be either."""

ANIMAL_LABELS: tuple[str, ...] = WORRY_ORDER[:-1]
"""The labels that a track can carry."""


def by_worry(judgement: Judgement) -> tuple[float, ...]:
    """Give the sort key of a judgement: the most worrying has the smallest."""
    return tuple(-value for value in worry(judgement))


def view_by_worry(view: ViewResult) -> tuple[float, ...]:
    """Give the sort key of a view: most leech-like at once first, then flatworm-like, and so on."""
    return tuple(-view.seen_at_once_max.get(label, 0) for label in ANIMAL_LABELS)
