"""From notes to nights."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import permutations

from pestvision.settings import TankSettings
from pestvision.tanks.nights import nights_of
from pestvision.tanks.records import Judge, Kind, Means, Note, Pest
from tests.made_log import START, look


def later(hours: float) -> object:
    return START + timedelta(hours=hours)


def test_a_night_goes_from_noon_to_noon() -> None:
    notes = [
        look("Amber", START, 3, taken=3),
        look("Amber", START + timedelta(hours=6), 2, taken=2),  # after midnight
        look("Amber", START + timedelta(hours=16), 1),  # the next day after noon
    ]
    first, second = nights_of(notes, "Amber")
    assert (first.day, first.seen, first.taken, first.effort) == (date(2026, 3, 1), 5, 5, 2.0)
    assert (second.day, second.seen, second.taken) == (date(2026, 3, 2), 1, 0)


def test_animals_that_were_left_are_not_counted_twice() -> None:
    notes = [
        look("Amber", START, 10),
        look("Amber", START + timedelta(hours=1), 3, taken=3),
    ]
    (night,) = nights_of(notes, "Amber")
    assert (night.seen, night.taken) == (10, 3)


def test_what_was_taken_before_a_look_was_there_beside_what_is_seen_at_it() -> None:
    pulled = Note("Amber", START, Kind.REMOVED, pest=Pest.LEECH, taken=4)
    (night,) = nights_of([pulled, look("Amber", START + timedelta(hours=1), 3)], "Amber")
    assert (night.seen, night.taken) == (7, 4)


def test_the_order_of_entry_does_not_matter() -> None:
    notes = [
        look("Amber", START, 10, taken=1),
        Note("Amber", START + timedelta(minutes=5), Kind.REMOVED, pest=Pest.LEECH, taken=2),
        look("Amber", START + timedelta(hours=1), 3, taken=3, means=Means.TRAP, minutes=None),
        look("Amber", START + timedelta(days=1), 0),
    ]
    assert len({nights_of(order, "Amber") for order in permutations(notes)}) == 1


def test_effort_is_in_usual_looks_and_an_untimed_look_is_said_to_be_one() -> None:
    settings = TankSettings(usual_minutes=10.0)
    timed = look("Amber", START, 0, minutes=30.0)
    photo = look("Amber", START + timedelta(hours=1), 0, means=Means.PHOTO, minutes=None)
    untimed = look("Amber", START + timedelta(days=1), 0, minutes=None)
    first, second = nights_of([timed, photo, untimed], "Amber", settings=settings)
    assert (first.effort, first.is_timed, first.means) == (4.0, True, (Means.EYE, Means.PHOTO))
    assert (second.effort, second.is_timed) == (1.0, False)


def test_a_removal_without_a_look_is_a_find_and_no_look() -> None:
    pulled = Note("Amber", START, Kind.REMOVED, pest=Pest.LEECH, taken=4, brooding=True)
    (night,) = nights_of([pulled], "Amber")
    assert (night.seen, night.taken, night.is_look, night.brooding) == (4, 4, False, True)


def test_what_only_the_tool_has_seen_is_no_look_and_other_tanks_and_animals_are_left_out() -> None:
    notes = [
        look("Amber", START, 0, judge=Judge.TOOL),
        look("Moss", START, 3),
        look("Amber", START, 3, pest=Pest.FLATWORM),
        Note("Amber", START, Kind.CLEANED),
    ]
    assert nights_of(notes, "Amber") == ()
    assert len(nights_of(notes, "Amber", pest=Pest.FLATWORM)) == 1
