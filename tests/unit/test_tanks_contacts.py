"""What touched what: paths in time order, lives of a tank, ways in, what to look at first. All tanks are invented."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

import pytest

from pestvision.errors import LogError
from pestvision.tanks.contacts import (
    Origin,
    Reason,
    Risk,
    check_first,
    contacts_of,
    exposures,
    look_back_words,
    tank_states,
    ways_in,
)
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest, Stage, check_note

START = datetime(2026, 3, 1, 21, 0, tzinfo=UTC)
NOW = datetime(2030, 1, 1, tzinfo=UTC)


def at(day: float) -> datetime:
    """Give the time that many days after 1 March 2026, 21:00."""
    return START + timedelta(days=day)


def note(tank: str, day: float, kind: Kind, **fields: object) -> Note:
    made = Note(tank, at(day), kind, **fields)  # type: ignore[arg-type]
    check_note(made, now=NOW)
    return made


def moved(out_of: str, into: str, day: float, cargo: Cargo = Cargo.PLANTS) -> Note:
    return note(out_of, day, Kind.MOVED, cargo=cargo, other=into)


def looked(tank: str, day: float, seen: int = 0, **fields: object) -> Note:
    fields = {"pest": Pest.LEECH, "means": Means.EYE} | fields
    return note(tank, day, Kind.LOOKED, seen=seen, **fields)


def added(tank: str, day: float, cargo: Cargo, source: str | None = None, **fields: object) -> Note:
    return note(tank, day, Kind.ADDED, cargo=cargo, source=source, **fields)


def emptied(tank: str, day: float) -> Note:
    return note(tank, day, Kind.EMPTIED)


def exposed(notes: list[Note], **given: object) -> dict[str, list[str]]:
    """Give the tanks exposed now, each with the tanks of its path."""
    found = [one for one in exposures(notes, **given) if one.until is None]  # type: ignore[arg-type]
    return {one.tank: [one.source, *(step.into for step in one.path)] for one in found}


# --- contacts ---


def test_a_move_is_a_contact_and_an_addition_is_one_where_its_source_is_a_tank() -> None:
    notes = [
        looked("Moss", 0),
        moved("Amber", "Moss", 1, Cargo.TOOLS),
        added("Amber", 2, Cargo.ANIMALS, "moss"),
        added("Slate", 3, Cargo.PLANTS, "cuttings from Moss"),
        added("Slate", 4, Cargo.PLANTS, "a shop"),
        added("Slate", 5, Cargo.PLANTS, what="fern from my tank Amber"),
        note("Fern", 6, Kind.RESTOCKED, count=12, what="12 ramshorns from Slate"),
        note("Fern", 7, Kind.RESTOCKED, count=3, what="snails of a friend"),
        added("Moss", 8, Cargo.PLANTS, "Moss"),  # its own cuttings
        added("Moss", 9, Cargo.PLANTS, "from Mossley"),  # no tank
    ]
    assert [(one.out_of, one.into, one.cargo) for one in contacts_of(notes)] == [
        ("Amber", "Moss", Cargo.TOOLS),
        ("Moss", "Amber", Cargo.ANIMALS),
        ("Moss", "Slate", Cargo.PLANTS),
        ("Amber", "Slate", Cargo.PLANTS),
        ("Slate", "Fern", Cargo.ANIMALS),
    ]


def test_no_notes_give_no_contacts_no_exposure_and_nothing_to_look_at() -> None:
    assert contacts_of([]) == ()
    assert exposures([]) == ()
    assert check_first([], today=date(2026, 3, 1)) == ()


# --- exposure ---


def test_what_went_out_of_a_tank_with_leeches_exposes_where_it_went_and_onwards() -> None:
    notes = [
        looked("Amber", 0, seen=3),
        moved("Amber", "Moss", 1),
        moved("Moss", "Slate", 2, Cargo.WATER),
        moved("Slate", "Fern", 3),
    ]
    assert exposed(notes) == {
        "Moss": ["Amber", "Moss"],
        "Slate": ["Amber", "Moss", "Slate"],
        "Fern": ["Amber", "Moss", "Slate", "Fern"],
    }
    assert {one.tank: one.since for one in exposures(notes)} == {
        "Moss": at(1),
        "Slate": at(2),
        "Fern": at(3),
    }


def test_no_path_runs_backwards_in_time() -> None:
    notes = [
        looked("Amber", 0, seen=1),
        moved("Moss", "Slate", 1),  # before anything came into Moss
        moved("Amber", "Moss", 2),
    ]
    assert exposed(notes) == {"Moss": ["Amber", "Moss"]}


def test_a_flatworm_and_a_bare_look_expose_nothing() -> None:
    notes = [
        looked("Amber", 0, seen=3, pest=Pest.FLATWORM),
        looked("Moss", 0, seen=0),
        moved("Amber", "Slate", 1),
        moved("Moss", "Fern", 1),
    ]
    assert exposures(notes) == ()


def test_a_leech_taken_out_is_a_sighting_as_good_as_one_seen() -> None:
    taken = note("Amber", 0, Kind.REMOVED, pest=Pest.LEECH, taken=1)
    assert exposed([taken, moved("Amber", "Moss", 1)]) == {"Moss": ["Amber", "Moss"]}


def test_a_tank_may_have_had_leeches_for_the_look_back_before_they_were_seen() -> None:
    notes = [moved("Amber", "Moss", 0), looked("Amber", 50, seen=1)]
    assert exposed(notes) == {"Moss": ["Amber", "Moss"]}
    (one,) = exposures(notes)
    assert one.since == at(0)
    assert "they may have been there unseen" in one.sentence()
    assert exposed(notes, window_days=49) == {}
    assert exposed(notes, window_days=50) == {"Moss": ["Amber", "Moss"]}
    assert "up to 56 days before" in look_back_words()  # 8 weeks: the brooding window


def test_a_sentence_on_an_exposure_names_every_step_and_the_sighting() -> None:
    notes = [looked("Amber", 0, seen=1), moved("Amber", "Moss", 1), moved("Moss", "Slate", 2)]
    assert exposures(notes)[1].sentence() == (
        "Slate has been exposed since 3 Mar 2026: plants from Amber into Moss on 2 Mar 2026; plants from Moss into "
        "Slate on 3 Mar 2026. Leeches were first seen in Amber on 1 Mar 2026."
    )


def test_risk_goes_by_cargo_and_a_way_is_as_risky_as_its_least_contact() -> None:
    notes = [
        looked("Amber", 0, seen=1),
        moved("Amber", "Moss", 1, Cargo.TOOLS),
        moved("Moss", "Slate", 2, Cargo.ANIMALS),
        moved("Amber", "Fern", 3, Cargo.WATER),
        moved("Amber", "Dusk", 4, Cargo.ANIMALS),
        moved("Amber", "Moss", 5, Cargo.PLANTS),
    ]
    found = {one.tank: one for one in exposures(notes)}
    assert {tank: one.risk for tank, one in found.items()} == {
        "Dusk": Risk.HIGH,
        "Moss": Risk.HIGH,
        "Fern": Risk.MIDDLE,
        "Slate": Risk.LOW,
    }
    assert [one.tank for one in exposures(notes)] == ["Moss", "Dusk", "Fern", "Slate"]
    assert found["Moss"].since == at(1)  # the tools came first
    assert [step.cargo for step in found["Moss"].path] == [Cargo.TOOLS]
    assert [step.cargo for step in found["Moss"].riskiest] == [Cargo.PLANTS]


def test_two_moves_of_the_same_second_are_taken_in_both_orders() -> None:
    for first, second in ((0.2, 0.7), (0.7, 0.2)):
        notes = [
            looked("Amber", 0, seen=1),
            moved("Amber", "Moss", 1 + first / 86400),
            moved("Moss", "Slate", 1 + second / 86400),
        ]
        assert set(exposed(notes)) == {"Moss", "Slate"}
    apart = [looked("Amber", 0, seen=1), moved("Moss", "Slate", 1), moved("Amber", "Moss", 1.001)]
    assert set(exposed(apart)) == {"Moss"}


def test_what_went_round_and_came_back_exposes_nothing_anew() -> None:
    notes = [looked("Amber", 0, seen=1), moved("Amber", "Moss", 1), moved("Moss", "Amber", 2)]
    assert set(exposed(notes)) == {"Moss"}


def test_a_log_from_another_time_zone_is_put_in_its_true_order() -> None:
    east = timezone(timedelta(hours=9))
    came = Note(  # 07:30 in the east is 22:30 UTC of the day before
        "Moss",
        datetime(2026, 3, 2, 7, 30, tzinfo=east),
        Kind.MOVED,
        cargo=Cargo.PLANTS,
        other="Slate",
    )
    before = Note(
        "Amber",
        datetime(2026, 3, 1, 22, 0, tzinfo=UTC),
        Kind.MOVED,
        cargo=Cargo.PLANTS,
        other="Moss",
    )
    assert set(exposed([looked("Amber", 0, seen=1), came, before])) == {"Moss", "Slate"}


def test_names_are_one_whatever_the_case_of_their_letters() -> None:
    notes = [looked("amber", 0, seen=1), moved("Amber", "MOSS", 1), moved("Moss", "Slate", 2)]
    assert set(exposed(notes)) == {"MOSS", "Slate"}


# --- emptied tanks ---


def test_an_exposure_ends_when_the_tank_is_emptied_and_what_went_out_before_still_counts() -> None:
    notes = [
        looked("Amber", 0, seen=1),
        moved("Amber", "Moss", 1),
        moved("Moss", "Slate", 2, Cargo.TOOLS),
        emptied("Moss", 3),
        note("Moss", 4, Kind.RESTOCKED, count=5),
        moved("Moss", "Fern", 5),
    ]
    assert set(exposed(notes)) == {"Slate"}
    (ended,) = [one for one in exposures(notes) if one.until is not None]
    assert (ended.tank, ended.until) == ("Moss", at(3))
    assert "The exposure ended on 4 Mar 2026." in ended.sentence()


def test_a_tank_with_leeches_gives_none_on_after_it_was_emptied() -> None:
    notes = [looked("Amber", 0, seen=1), emptied("Amber", 1), moved("Amber", "Moss", 2)]
    assert exposures(notes) == ()


def test_the_look_back_does_not_reach_behind_an_emptying() -> None:
    notes = [moved("Amber", "Moss", 0), emptied("Amber", 1), looked("Amber", 2, seen=1)]
    assert exposures(notes) == ()
    assert set(exposed([*notes, moved("Amber", "Slate", 1.5)])) == {"Slate"}


def test_an_emptied_tank_may_be_exposed_anew() -> None:
    notes = [
        looked("Amber", 0, seen=1),
        moved("Amber", "Moss", 1),
        emptied("Moss", 2),
        moved("Amber", "Moss", 3, Cargo.TOOLS),
    ]
    now, before = exposures(notes)
    assert (now.since, now.until, now.risk) == (at(3), None, Risk.LOW)
    assert (before.since, before.until, before.risk) == (at(1), at(2), Risk.HIGH)


def test_at_the_second_of_an_emptying_the_cautious_reading_holds() -> None:
    """Out of it: what was in it before. Into it: what is in it after. Seen: what was in it before."""
    out = [looked("Amber", 0, seen=1), moved("Amber", "Moss", 1), emptied("Amber", 1)]
    assert set(exposed(out)) == {"Moss"}
    came = [looked("Amber", 0, seen=1), moved("Amber", "Moss", 1), emptied("Moss", 1)]
    assert set(exposed(came)) == {"Moss"}
    assert len(exposures(came)) == 1
    through = [looked("Amber", 0, seen=1), moved("Amber", "Moss", 1), emptied("Moss", 1)]
    assert set(exposed([*through, moved("Moss", "Slate", 1)])) == {"Moss", "Slate"}
    seen = [looked("Amber", 1, seen=1), emptied("Amber", 1), moved("Amber", "Moss", 2)]
    assert exposures(seen) == ()
    assert [one.reason for one in tank_states(seen, today=date(2026, 4, 1))] == [Reason.QUIET] * 2


def test_a_tank_called_clear_counts_as_new_until_a_leech_is_seen_in_it_again() -> None:
    notes = [looked("Amber", 0, seen=1), moved("Amber", "Moss", 1), moved("Moss", "Slate", 90)]
    assert set(exposed(notes)) == {"Moss", "Slate"}
    assert exposed(notes, cleared={"Moss": at(80)}) == {}
    assert exposed(notes, cleared={"moss": at(80)}) == {}
    again = [*notes, looked("Moss", 95, seen=1)]
    assert set(exposed(again, cleared={"Moss": at(80)})) == {"Moss", "Slate"}
    (state,) = [
        one
        for one in tank_states(notes, today=date(2026, 7, 1), cleared={"Moss": at(80)})
        if one.tank == "Moss"
    ]
    assert "It counts as clear since 20 May 2026." in state.why


# --- ways in ---


def test_the_ways_in_are_ranked_by_cargo_and_origin() -> None:
    notes = [
        looked("Amber", 0, seen=2),
        moved("Amber", "Moss", 1, Cargo.PLANTS),
        moved("Amber", "Pearl", 1, Cargo.TOOLS),
        moved("Pearl", "Moss", 2, Cargo.WATER),
        moved("Fern", "Moss", 3, Cargo.ANIMALS),
        added("Moss", 4, Cargo.WILD, "the brook"),
        added("Moss", 5, Cargo.PLANTS, "a market"),
        added("Moss", 6, Cargo.FOOD),
        added("Moss", 7, Cargo.FOOD),
        looked("Moss", 20, seen=1),
        added("Moss", 21, Cargo.WILD, "too late"),
    ]
    found = ways_in(notes, "moss")
    assert (found.tank, found.first_seen) == ("Moss", at(20))
    assert [(way.origin, way.cargo, way.out_of) for way in found.ways] == [
        (Origin.SEEN_TANK, Cargo.PLANTS, "Amber"),
        (Origin.OUTSIDE, Cargo.WILD, None),
        (Origin.OUTSIDE, Cargo.PLANTS, None),
        (Origin.EXPOSED_TANK, Cargo.WATER, "Pearl"),
        (Origin.OUTSIDE, Cargo.FOOD, None),
        (Origin.QUIET_TANK, Cargo.ANIMALS, "Fern"),
    ]
    assert [way.sentence for way in found.ways] == [
        "Plants came in on 2 Mar 2026, from Amber; leeches were first seen there on 1 Mar 2026.",
        "Wild finds came in on 5 Mar 2026, from outside: the brook.",
        "Plants came in on 6 Mar 2026, from outside: a market.",
        "Water came in on 3 Mar 2026, from Pearl; that tank has been exposed since 2 Mar 2026, from Amber.",
        "Food came in 2 times, last on 8 Mar 2026, from where, is not noted.",
        "Animals came in on 4 Mar 2026, from Fern; no leech was noted there until then, so look there too.",
    ]
    assert "common practice, no source" in found.sentence


def test_nothing_in_the_log_explains_it_is_a_value() -> None:
    found = ways_in([looked("Moss", 60, seen=1), added("Moss", 1, Cargo.PLANTS)], "Moss")
    assert found.ways == ()
    assert found.sentence.startswith("Nothing in the log explains how leeches came into Moss")
    none = ways_in([looked("Moss", 0)], "Moss")
    assert (none.first_seen, none.sentence) == (None, "No leech was noted in Moss.")


def test_what_came_from_a_tank_with_leeches_before_the_look_back_is_the_last_way() -> None:
    notes = [
        looked("Amber", 0, seen=1),
        moved("Amber", "Moss", 1, Cargo.ANIMALS),
        moved("Fern", "Moss", 1, Cargo.ANIMALS),  # long ago, and no leech in it
        added("Moss", 70, Cargo.WATER),
        looked("Moss", 80, seen=1),
    ]
    assert [(way.origin, way.is_long_ago) for way in ways_in(notes, "Moss").ways] == [
        (Origin.OUTSIDE, False),
        (Origin.SEEN_TANK, True),
    ]


def test_a_tank_is_no_way_into_itself() -> None:
    notes = [
        moved("Moss", "Fern", 1, Cargo.ANIMALS),
        moved("Fern", "Moss", 2, Cargo.ANIMALS),
        looked("Moss", 10, seen=1),
    ]
    (way,) = ways_in(notes, "Moss").ways
    assert way.origin is Origin.QUIET_TANK


def test_a_tank_that_was_exposed_only_later_is_a_quiet_one() -> None:
    notes = [
        looked("Amber", 0, seen=1),
        moved("Slate", "Moss", 1),
        moved("Amber", "Slate", 2),
        looked("Moss", 5, seen=1),
    ]
    (way,) = ways_in(notes, "Moss").ways
    assert way.origin is Origin.QUIET_TANK


def test_after_an_emptying_what_may_have_outlived_it_is_a_way() -> None:
    notes = [
        looked("Moss", 0, seen=4),
        emptied("Moss", 5),
        added("Moss", 4, Cargo.WILD, "before it was emptied"),
        note("Moss", 6, Kind.RESTOCKED, count=9, what="snails of a friend"),
        looked("Moss", 40, seen=1),
    ]
    found = ways_in(notes, "Moss")
    assert found.first_seen == at(40)
    assert [way.origin for way in found.ways] == [Origin.OUTSIDE, Origin.BEFORE_EMPTYING]
    assert "something may have outlived that" in found.ways[1].sentence


# --- what to look at first ---


def test_exposed_tanks_come_first_then_possible_sources_then_tanks_with_leeches() -> None:
    notes = [
        moved("Thistle", "Amber", -10, Cargo.ANIMALS),
        looked("Amber", 0, seen=3),
        moved("Amber", "Moss", 1, Cargo.PLANTS),
        moved("Amber", "Slate", 1, Cargo.TOOLS),
        moved("Amber", "Fern", 1, Cargo.ANIMALS),
        moved("Amber", "Dusk", 1, Cargo.ANIMALS),
        looked("Fern", 5),
        looked("Dusk", 8),
        looked("Pearl", 8),
    ]
    found = check_first(notes, today=date(2026, 3, 11))
    assert [(one.tank, one.reason) for one in found] == [
        ("Moss", Reason.EXPOSED),
        ("Slate", Reason.EXPOSED),
        ("Fern", Reason.EXPOSED),
        ("Dusk", Reason.EXPOSED),
        ("Thistle", Reason.MAY_BE_SOURCE),
        ("Amber", Reason.SEEN),
    ]
    assert [one.days_unlooked for one in found] == [None, None, 5, 2, None, 10]
    assert found[0].why.endswith("Nobody looked for leeches in it since.")
    assert found[2].why.endswith("It was last looked at on 6 Mar 2026.")
    assert found[4].why == (
        "Animals went from Thistle into Amber on 19 Feb 2026, before leeches were seen there: they may have "
        "come from Thistle."
    )
    (quiet,) = [
        one for one in tank_states(notes, today=date(2026, 3, 11)) if one.reason is Reason.QUIET
    ]
    assert quiet.tank == "Pearl"
    assert quiet.why == "Nothing in the log links Pearl to a tank with leeches."


def test_a_look_before_the_exposure_is_no_look_since() -> None:
    notes = [looked("Moss", 0), looked("Amber", 1, seen=1), moved("Amber", "Moss", 2)]
    first, _ = check_first(notes, today=date(2026, 3, 9))
    assert (first.is_looked_since, first.last_looked) == (False, at(0))
    assert first.days_unlooked == 8


def test_a_tank_without_a_note_is_known_where_it_is_named() -> None:
    notes = [added("Amber", -1, Cargo.ANIMALS, "thistle"), looked("Amber", 0, seen=1)]
    assert [one.tank for one in check_first(notes, today=date(2026, 3, 2))] == ["Amber"]
    known = check_first(notes, today=date(2026, 3, 2), tanks=["Thistle", "Pearl"])
    assert [one.tank for one in known] == ["Thistle", "Amber"]
    assert ways_in(notes, "Amber", tanks=["Thistle"]).ways[0].out_of == "Thistle"
    assert contacts_of(notes, tanks=["Thistle"])[0].out_of == "Thistle"
    states = tank_states(notes, today=date(2026, 3, 2), tanks=["Thistle", "Pearl"])
    assert [one.tank for one in states] == ["Thistle", "Amber", "Pearl"]


def test_what_is_noted_after_today_is_left_out() -> None:
    notes = [looked("Amber", 0, seen=1), moved("Amber", "Moss", 5)]
    assert [one.tank for one in check_first(notes, today=date(2026, 3, 3))] == ["Amber"]


def test_a_giver_that_was_emptied_since_is_no_possible_source() -> None:
    notes = [moved("Thistle", "Amber", -10), looked("Amber", 0, seen=3)]
    assert len(check_first(notes, today=date(2026, 3, 11))) == 2
    assert len(check_first([*notes, emptied("Thistle", 1)], today=date(2026, 3, 11))) == 1


def test_what_only_the_tool_saw_counts_and_is_said_to_be_so() -> None:
    notes = [
        looked("Amber", 0, seen=1, judge=Judge.TOOL, means=Means.PHOTO),
        moved("Amber", "Moss", 1),
    ]
    moss, amber = check_first(notes, today=date(2026, 3, 5))
    for state in (moss, amber):
        assert "Only the tool's reading of photos says so" in state.why
    confirmed = check_first([*notes, looked("Amber", 2, seen=1)], today=date(2026, 3, 5))
    assert all("tool" not in state.why for state in confirmed)


@pytest.mark.parametrize("window_days", [-1.0, 1e9, float("nan")])
def test_a_look_back_that_makes_no_sense_is_refused(window_days: float) -> None:
    with pytest.raises(LogError, match="A look-back of") as caught:
        exposures([looked("Amber", 0, seen=1)], window_days=window_days)
    assert caught.value.advice.startswith("Give 0 to 3650 days")


# --- a story of eight tanks ---


def story() -> list[Note]:
    """An invented keeper: leeches come with pond finds, go on with plants and a net, and a tank is emptied."""
    return [
        added("Amber", -20, Cargo.WILD, "the pond in the park"),
        moved("Amber", "Moss", -10, Cargo.PLANTS),
        moved("Pearl", "Rill", -5, Cargo.ANIMALS),
        note("Amber", -1, Kind.DIED, count=25, stage=Stage.JUVENILE),
        looked("Amber", 0, seen=50, taken=50),  # 50 in a day: common practice, no source
        moved("Amber", "Slate", 1, Cargo.TOOLS),
        looked("Slate", 2),
        moved("Moss", "Fern", 3, Cargo.ANIMALS),
        note("Moss", 4, Kind.REMOVED, pest=Pest.LEECH, taken=2),
        emptied("Amber", 10),
        moved("Fern", "Dusk", 12, Cargo.WATER),
        note("Amber", 40, Kind.RESTOCKED, count=6, what="snails of a friend"),
        looked("Thistle", 41),
    ]


def test_the_story_says_at_each_turn_which_tank_to_look_at() -> None:
    def first(day: int) -> list[str]:
        return [
            one.tank for one in check_first(story(), today=(START + timedelta(days=day)).date())
        ]

    assert first(-1) == []
    assert first(0) == ["Moss", "Amber"]  # Amber's plants went to Moss ten days before
    assert first(1) == ["Moss", "Slate", "Amber"]
    assert first(3) == ["Moss", "Fern", "Slate", "Amber"]  # Slate was looked at since
    assert first(4) == ["Fern", "Slate", "Amber", "Moss"]
    assert first(12) == ["Fern", "Dusk", "Slate", "Moss"]  # Amber is emptied, and clear of nothing
    assert [way.sentence for way in ways_in(story(), "Moss").ways] == [
        "Plants came in on 19 Feb 2026, from Amber; leeches were first seen there on 1 Mar 2026."
    ]
    assert "the pond in the park" in ways_in(story(), "Amber").ways[0].sentence
    quiet = {one.tank for one in tank_states(story(), today=date(2026, 5, 1))} - set(first(60))
    assert quiet == {"Amber", "Pearl", "Rill", "Thistle"}


def test_what_only_the_tool_saw_is_no_look_and_ends_with_one_by_a_person() -> None:
    by_tool = looked("Amber", 1, seen=2, judge=Judge.TOOL, means=Means.PHOTO)
    notes = [by_tool, moved("Amber", "Moss", 2, Cargo.PLANTS)]
    (exposure,) = exposures(notes)
    assert not exposure.is_confirmed
    states = {state.tank: state for state in tank_states(notes, today=date(2026, 5, 1))}
    assert states["Amber"].last_looked is None
    looked_since = [*notes, looked("Amber", 3, seen=0)]
    assert exposures(looked_since) == ()
    confirmed = [*notes, looked("Amber", 3, seen=2)]
    (exposure,) = exposures(confirmed)
    assert exposure.is_confirmed
