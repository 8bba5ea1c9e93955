"""Which cards a tank needs."""

from __future__ import annotations

from datetime import timedelta

from pestvision.guidance.needed import cards_for_tank
from pestvision.tanks.records import Kind, Note, Stage, Tank
from pestvision.tanks.standing import standings
from tests.made_log import START, look


def ids(*notes: Note) -> list[str]:
    now = START + timedelta(hours=1)
    (standing,) = standings([Tank(1, "Amber")], notes, now=now)
    return [card.id for card in cards_for_tank(standing)]


def test_a_tank_with_leeches_gets_the_cards_that_go_with_them_the_most_urgent_first() -> None:
    found = ids(look("Amber", START, 5))
    assert found.index("take-off") < found.index("clean-glass")
    assert "selling" in found
    assert len(found) == len(set(found))


def test_a_quiet_tank_needs_none_and_one_with_losses_that_card() -> None:
    assert ids(look("Amber", START, 0)) == []
    few = Note("Amber", START, Kind.DIED, count=2, stage=Stage.ADULT)
    many = Note("Amber", START, Kind.DIED, count=25, stage=Stage.HATCHLING)
    assert "losses" not in ids(look("Amber", START, 0), few)
    assert "losses" in ids(look("Amber", START, 0), many)
