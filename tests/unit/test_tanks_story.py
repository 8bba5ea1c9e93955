"""Eight invented tanks, from the first sighting to restocking: what the log, the arithmetic and the advice say at each turn.

The sizes are those of real trouble (common practice, no source): 20 to 30 snails lost in a night, about 50
leeches pulled from one tank in a day, an emptied 19-litre tank left alone for ten months and still without
certainty, a life cycle of about two years, equal parts bleach and water for an emptied tank, fish that live
where snails die, leeches inside snails, on roots, rocks and glass.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from pestvision.guidance.guidance import card, cards_for
from pestvision.tanks.clearance import State as Clearness
from pestvision.tanks.contacts import Reason, check_first, ways_in
from pestvision.tanks.quarantine import HoldReason
from pestvision.tanks.records import Cargo, Kind, Means, Note, Stage
from pestvision.tanks.removal import Refusal, Winning
from pestvision.tanks.standing import Standing, State, left_in, outlook_of, standings
from tests.made_log import SHELF, START, Hand, look, shelf

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pestvision.tanks.log import TankLog

DAY = timedelta(days=1)


class Keeper:
    """Writes into the log night by night, and asks it."""

    def __init__(self, log: TankLog, clock: Hand) -> None:
        self.log, self.clock = log, clock

    def night(self, day: float) -> None:
        self.clock.at = START + day * DAY

    def note(self, tank: str, kind: Kind, *, day: float | None = None, **said: Any) -> None:
        at = self.clock.at if day is None else START + day * DAY
        self.log.add(Note(tank, at, kind, **said))

    def looks(self, tank: str, first: float, *finds: int, every: float = 1, **said: Any) -> None:
        """One look after the other, all that is seen taken out; the clock stands at the last."""
        for place, n in enumerate(finds):
            self.night(first + place * every)
            self.log.add(look(tank, self.clock.at, n, taken=n or None, **said))

    def stands(self, tank: str) -> Standing:
        found = standings(self.log.tanks(), self.log.notes(), now=self.clock.at)
        return next(one for one in found if one.tank.name == tank)

    def order(self) -> list[str]:
        return [
            one.tank.name
            for one in standings(self.log.tanks(), self.log.notes(), now=self.clock.at)
        ]


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    clock = Hand(START + 800 * DAY)
    with shelf(tmp_path, clock, *SHELF) as log:
        for name, use in {"Amber": "breeding", "Slate": "breeding", "Fern": "display"}.items():
            log.change_tank(name, use=use)
        log.change_tank("Fern", lives="small fish and ramshorns")
        keeper = Keeper(log, clock)
        keeper.note("Pearl", Kind.MOVED, day=-50, cargo=Cargo.PLANTS, other="Amber")
        keeper.note("Amber", Kind.ADDED, day=-40, cargo=Cargo.WILD, source="a pond", what="a stone")
        keeper.note("Amber", Kind.MOVED, day=-20, cargo=Cargo.PLANTS, other="Moss")
        keeper.note("Moss", Kind.MOVED, day=-15, cargo=Cargo.ANIMALS, other="Slate", count=12)
        keeper.note("Amber", Kind.MOVED, day=-12, cargo=Cargo.TOOLS, other="Fern", what="a net")
        keeper.night(0)
        yield keeper


def first_night(keeper: Keeper) -> None:
    """25 small snails dead in the morning; at night an hour with the torch, and 50 leeches."""
    keeper.night(0.4)
    keeper.note("Amber", Kind.DIED, count=25, stage=Stage.HATCHLING)
    keeper.looks("Amber", 1, 50, minutes=60.0)


def test_a_night_of_losses_without_a_sighting_asks_for_a_look_and_says_who_goes_first(
    keeper: Keeper,
) -> None:
    keeper.night(0.5)
    keeper.note("Amber", Kind.DIED, count=25, stage=Stage.HATCHLING)
    one = keeper.stands("Amber")
    assert (one.state, one.n_died, one.next_look) == (State.NOT_LOOKED, 25, START.date())
    shown = {each.id for each in cards_for(note_kind="died")}
    assert "losses" in shown
    assert "juveniles" in " ".join((card("losses").title, *card("losses").steps)).casefold()


def test_on_the_first_night_the_tool_says_where_to_look_next_and_how_they_came(
    keeper: Keeper,
) -> None:
    first_night(keeper)
    one = keeper.stands("Amber")
    assert keeper.order()[0] == "Amber"
    assert (one.state, one.n_taken) == (State.SEEN, 50)
    assert one.next_look == one.last_look + DAY  # type: ignore[operator]  looked at
    left = left_in(one)
    assert (left.at_least, left.refusal) == (50, Refusal.TOO_FEW_NIGHTS)
    assert left.is_winning is Winning.UNKNOWN

    first = check_first(keeper.log.notes(), today=keeper.clock.at.date())
    by_name = {state.tank: state for state in first}
    assert [state.tank for state in first][:2] == [
        "Moss",
        "Slate",
    ]  # plants and animals before a net
    assert by_name["Fern"].reason is Reason.EXPOSED
    assert [contact.out_of for contact in by_name["Slate"].exposure.path] == ["Amber", "Moss"]  # type: ignore[union-attr]
    assert by_name["Pearl"].reason is Reason.MAY_BE_SOURCE
    assert {"Rill", "Thistle", "Dusk"}.isdisjoint(by_name)

    ways = ways_in(keeper.log.notes(), "Amber").ways
    assert [way.cargo for way in ways] == [Cargo.WILD, Cargo.PLANTS]
    for tank in ("Moss", "Slate", "Fern"):
        assert keeper.stands(tank).state is State.EXPOSED
        assert [hold.reason for hold in keeper.stands(tank).holds] == [HoldReason.EXPOSED]
    assert [hold.reason for hold in one.holds] == [HoldReason.SEEN]
    assert one.holds[0].earliest == START.date() + (1 + 56) * DAY
    assert keeper.stands("Thistle").holds == ()


def test_night_after_night_removal_is_winning_and_the_tank_is_not_clear_for_long(
    keeper: Keeper,
) -> None:
    first_night(keeper)
    keeper.looks("Amber", 2, 31, 22, 14, 9, 6, 3, 2, minutes=60.0)
    one = keeper.stands("Amber")
    left = left_in(one)
    assert left.caught == left.at_least == 137
    assert left.refusal is None
    assert left.is_winning is Winning.YES
    assert left.low is not None
    assert left.high is not None
    assert 137 <= left.low <= left.high < 200
    assert left.sentence.startswith("At least 137; likely ")
    assert one.clear.state is Clearness.SEEN
    keeper.looks("Amber", 11, *[0] * 10, every=3, minutes=30.0)
    one = keeper.stands("Amber")
    assert one.state is State.SEEN  # ten clean looks, and not a word of clear
    assert one.clear.state is Clearness.TOO_EARLY
    assert one.clear.earliest == START.date() + (8 + 56) * DAY
    assert "Young hide under their parent" in " ".join(one.clear.reasons)


def test_where_finds_do_not_fall_the_tool_gives_no_number_whatever_was_tried(
    keeper: Keeper,
) -> None:
    first_night(keeper)
    keeper.looks("Moss", 2, 12, 11)
    keeper.note("Moss", Kind.TREATED, what="something from a shop, as its label says")
    keeper.looks("Moss", 4, 13, 12, 12, 13)
    left = left_in(keeper.stands("Moss"))
    assert left.refusal in {Refusal.NO_DECLINE, Refusal.RISES}
    assert left.is_winning is Winning.NO
    assert (left.low, left.high, left.at_least) == (None, None, 73)
    advised = cards_for(note_kind="treated")
    assert {"copper", "dewormers"} <= {each.id for each in advised}
    assert "vet" in " ".join(card("dewormers").steps + card("dewormers").cautions)


def test_one_that_carries_a_brood_stops_the_count(keeper: Keeper) -> None:
    keeper.looks("Slate", 1, 6, 4, 2)
    assert left_in(keeper.stands("Slate")).refusal is None
    keeper.looks("Slate", 4, 1, brooding=True)
    left = left_in(keeper.stands("Slate"))
    assert (left.refusal, left.at_least) == (Refusal.BROODING, 13)
    assert "young" in left.reason


def test_a_19_litre_tank_emptied_and_left_for_ten_months_is_never_promised(keeper: Keeper) -> None:
    keeper.looks("Slate", 1, 6, 4, 9)
    keeper.night(20)
    keeper.note("Slate", Kind.EMPTIED)
    bleach = next(each for each in cards_for(note_kind="emptied") if "bleach" in each.id)
    said = " ".join(bleach.steps + bleach.cautions).casefold()
    for words in ("equal parts bleach and water", "common practice, no source", "gloves", "mask"):
        assert words in said
    assert "window or door" in said
    assert "never in a stocked tank" in said
    keeper.night(20 + 304)
    one = keeper.stands("Slate")
    assert (one.state, one.next_look, one.clear.p_clear) == (State.EMPTIED, None, None)
    assert one.clear.state is Clearness.EMPTY
    assert "No published starvation time" in " ".join(one.clear.reasons)
    assert outlook_of(one).courses == ()

    keeper.note("Slate", Kind.RESTOCKED, count=10, what="ramshorns")
    keeper.looks("Slate", 325, 0, 0, 0, every=3)
    watched = keeper.stands("Slate")
    assert watched.state is State.EXPOSED  # it had leeches: looked at like one that touched them
    assert watched.clear.p_clear is not None
    assert watched.clear.p_clear < 0.95
    assert [hold.reason for hold in watched.holds] == [HoldReason.RESTOCKED]
    keeper.looks("Slate", 334, *[0] * 20, every=2)
    assert keeper.stands("Slate").state is State.EXPOSED  # seven weeks of looks are not enough yet
    keeper.looks("Slate", 414, *[0] * 30, every=2)
    assert keeper.stands("Slate").state is State.QUIET
    assert keeper.stands("Slate").holds == ()


def test_fish_that_live_where_snails_die_and_clean_glass_prove_nothing(keeper: Keeper) -> None:
    first_night(keeper)
    keeper.looks("Fern", 2, 0, 0, 0, 0, every=3)
    keeper.note("Fern", Kind.DIED, count=20, stage=Stage.JUVENILE)
    one = keeper.stands("Fern")
    assert (one.state, one.n_died) == (State.EXPOSED, 20)
    clean_glass = card("clean-glass")
    said = " ".join((*clean_glass.steps, *clean_glass.cautions, clean_glass.grounds)).casefold()
    for words in ("inside", "root", "rock", "fish"):
        assert words in said
    assert "clean-glass" in {each.id for each in cards_for(standing="exposed")}


def test_amber_is_called_probably_clear_on_the_day_that_was_forecast_and_a_find_begins_it_anew(
    keeper: Keeper,
) -> None:
    first_night(keeper)
    keeper.looks("Amber", 2, 31, 22, 14, 9, 6, 3, 2, 0, 1, 0, 0, 0, minutes=60.0)
    course = outlook_of(keeper.stands("Amber")).courses[1]
    assert course.plan.says == "twice a week by torch"
    assert course.reached is not None
    assert course.reached >= START.date() + (10 + 56) * DAY
    days = (course.reached - keeper.clock.at.date()).days
    start = (keeper.clock.at - START) / DAY
    n_looks = int(days // 3.5)
    keeper.looks("Amber", start + 3.5, *[0] * n_looks, every=3.5, means=Means.EYE)
    keeper.night(start + days + 1)
    one = keeper.stands("Amber")
    assert one.state is State.CLEAR
    assert "not a guarantee" in one.sentence
    assert one.holds == ()
    assert one.clear.p_clear is not None
    assert 0.95 <= one.clear.p_clear < 1
    keeper.looks("Amber", start + days + 2, 1)
    one = keeper.stands("Amber")
    assert one.state is State.SEEN
    assert one.clear.earliest == one.last_seen + 56 * DAY  # type: ignore[operator]  seen


def test_new_animals_wait_apart_and_are_not_sold_before_the_looks(keeper: Keeper) -> None:
    keeper.note(
        "Dusk", Kind.ADDED, cargo=Cargo.ANIMALS, count=12, source="a club swap", batch="spring"
    )
    (risk,) = keeper.stands("Dusk").batches
    assert len(risk.plan) == 8  # a look a week
    assert risk.earliest == START.date() + 56 * DAY
    assert [hold.reason for hold in keeper.stands("Dusk").holds] == [HoldReason.QUARANTINE]
    assert "newcomers" in {each.id for each in cards_for(note_kind="added")}
    keeper.looks("Dusk", 7, *[0] * 8, every=7, batch="spring")
    one = keeper.stands("Dusk")
    assert (one.state, one.batches, one.holds) == (State.QUIET, (), ())
    keeper.note("Dusk", Kind.MOVED, cargo=Cargo.ANIMALS, other="Rill", count=12, batch="spring")
    assert keeper.stands("Rill").state is State.NOT_LOOKED


def test_two_years_of_clean_looks_a_whole_life_cycle_are_still_no_certainty(keeper: Keeper) -> None:
    keeper.looks("Thistle", 0, 3)
    keeper.looks("Thistle", 7, *[0] * 104, every=7)
    one = keeper.stands("Thistle")
    assert one.clear.p_clear is not None
    assert 0.5 < one.clear.p_clear < 1
    assert one.clear.caution.endswith("not a guarantee.")
