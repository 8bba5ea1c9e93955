"""What is shown first: the most worrying label, view and animal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.organisms.classes import CANT_TELL, GROUPS, Group

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
    """Give the sort key of a judgement: its label, then how likely leech-like, then flatworm-like."""
    p_leech = judgement.p_groups[GROUPS.index(Group.LEECH_LIKE)]
    p_flatworm = judgement.p_groups[GROUPS.index(Group.FLATWORM_LIKE)]
    return (WORRY_ORDER.index(judgement.label), -p_leech, -p_flatworm)


def view_by_worry(view: ViewResult) -> tuple[float, ...]:
    """Give the sort key of a view: most leech-like at once first, then flatworm-like, and so on."""
    return tuple(-view.seen_at_once_max.get(label, 0) for label in ANIMAL_LABELS)
