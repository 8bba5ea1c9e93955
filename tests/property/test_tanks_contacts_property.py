"""Contacts, whatever was noted: nothing goes back in time, and a slow plain reckoning says the same."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pestvision.tanks.contact_graph import RISKS
from pestvision.tanks.contacts import Exposure, check_first, contacts_of, exposures, ways_in
from pestvision.tanks.records import Cargo, Kind, Means, Note, Pest

START = datetime(2026, 3, 1, tzinfo=UTC)
TANKS = ("Amber", "Moss", "Slate", "Fern", "Dusk")
WINDOW_DAYS = 3.0  # short, so that what lies before it comes up too

# Whole days, and few of them: many notes fall on the same second.
moments = st.integers(0, 14).map(lambda day: START + timedelta(days=day))
tanks = st.sampled_from(TANKS)


@st.composite
def moves(draw: st.DrawFn) -> Note:
    out_of, into = draw(st.permutations(TANKS))[:2]
    cargo = draw(st.sampled_from(list(Cargo)))
    return Note(out_of, draw(moments), Kind.MOVED, cargo=cargo, other=into)


looks = st.builds(
    lambda tank, at, seen: Note(tank, at, Kind.LOOKED, pest=Pest.LEECH, seen=seen, means=Means.EYE),
    tanks,
    moments,
    st.integers(0, 2),
)
emptyings = st.builds(lambda tank, at: Note(tank, at, Kind.EMPTIED), tanks, moments)


@st.composite
def logs(draw: st.DrawFn) -> list[Note]:
    notes = [
        *draw(st.lists(moves(), max_size=12)),
        *draw(st.lists(looks, max_size=6)),
        *draw(st.lists(emptyings, max_size=3)),
    ]
    return [
        Note(**{name: getattr(note, name) for name in note.__slots__ if name != "id"}, id=index + 1)
        for index, note in enumerate(notes)
    ]


def found_in(notes: list[Note]) -> tuple[Exposure, ...]:
    return exposures(notes, window_days=WINDOW_DAYS)


@given(logs())
@settings(max_examples=300, deadline=None)
def test_no_path_goes_back_in_time_and_each_begins_where_a_leech_was_seen(
    notes: list[Note],
) -> None:
    with_leeches = {note.tank for note in notes if (note.seen or 0) > 0}
    for one in found_in(notes):
        assert one.path[0].out_of == one.source
        assert one.source in with_leeches
        assert one.path[-1].into == one.tank
        assert one.since == one.path[-1].at
        for way in (one.path, one.riskiest):
            for before, after in itertools.pairwise(way):
                assert before.into == after.out_of
                assert before.at <= after.at
        assert RISKS.index(one.risk) == max(RISKS.index(step.risk) for step in one.riskiest)
        assert one.until is None or one.since < one.until


@given(logs(), st.randoms(use_true_random=False))
@settings(max_examples=200, deadline=None)
def test_the_order_of_entry_does_not_matter(notes: list[Note], random: object) -> None:
    shuffled = list(notes)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    today = (START + timedelta(days=20)).date()
    assert found_in(shuffled) == found_in(notes)
    assert contacts_of(shuffled) == contacts_of(notes)
    assert check_first(shuffled, today=today) == check_first(notes, today=today)
    for tank in TANKS:
        assert ways_in(shuffled, tank) == ways_in(notes, tank)


@given(logs(), moves())
@settings(max_examples=300, deadline=None)
def test_another_move_never_takes_an_exposure_away(notes: list[Note], move: Note) -> None:
    after = {(one.tank, one.until): one for one in found_in([*notes, move])}
    for one in found_in(notes):
        more = after[one.tank, one.until]
        assert more.since <= one.since
        assert RISKS.index(more.risk) <= RISKS.index(one.risk)


@given(logs(), st.sampled_from(TANKS))
@settings(max_examples=200, deadline=None)
def test_a_tank_that_nothing_came_into_is_never_exposed(notes: list[Note], tank: str) -> None:
    apart = [note for note in notes if note.other != tank]
    assert tank not in {one.tank for one in found_in(apart)}


@given(logs())
@settings(max_examples=100, deadline=None)
def test_once_all_tanks_were_emptied_none_is_exposed(notes: list[Note]) -> None:
    late = START + timedelta(days=30)
    emptied = [Note(tank, late, Kind.EMPTIED) for tank in TANKS]
    assert all(one.until is not None for one in found_in([*notes, *emptied]))


def reckoned(notes: list[Note]) -> dict[str, datetime]:
    """Find the exposed tanks by trying every sequence of moves, with nothing but the rules in words.

    A tank that leeches were seen in has had them from the look-back on, but not across an emptying; something stays
    in a tank from its arrival until the tank is emptied; what comes in at the second of an emptying stays.
    """
    emptyings = {
        tank: [n.at for n in notes if n.kind is Kind.EMPTIED and n.tank == tank] for tank in TANKS
    }
    sightings = [(n.tank, n.at) for n in notes if (n.seen or 0) > 0]
    moved = [n for n in notes if n.kind is Kind.MOVED]
    window = timedelta(days=WINDOW_DAYS)

    def had_by_sighting(tank: str, when: datetime) -> bool:
        return any(
            name == tank
            and seen - window <= when
            and not any(
                when <= emptied < seen or seen <= emptied < when for emptied in emptyings[tank]
            )
            for name, seen in sightings
        )

    arrivals: set[tuple[str, datetime]] = set()
    while True:
        new = {
            (move.other, move.at)
            for move in moved
            if had_by_sighting(move.tank, move.at)
            or any(
                tank == move.tank
                and came <= move.at
                and not any(came < emptied < move.at for emptied in emptyings[tank])
                for tank, came in arrivals
            )
        } - arrivals
        if not new:
            break
        arrivals |= new  # type: ignore[arg-type]

    found: dict[str, datetime] = {}
    for tank, came in sorted(arrivals, key=lambda one: one[1]):
        is_gone = any(emptied > came for emptied in emptyings[tank])
        is_seen_before = any(
            name == tank
            and seen - window <= came
            and not any(emptied >= seen for emptied in emptyings[tank])
            for name, seen in sightings
        )
        if not is_gone and not is_seen_before:
            found.setdefault(tank, came)
    return found


@given(logs())
@settings(max_examples=500, deadline=None)
def test_a_slow_plain_reckoning_finds_the_same_tanks_since_the_same_day(notes: list[Note]) -> None:
    lasting = {one.tank: one.since for one in found_in(notes) if one.until is None}
    assert lasting == reckoned(notes)


@pytest.mark.parametrize("day", [1, 2])
def test_the_plain_reckoning_knows_time(day: int) -> None:
    """So that the comparison can fail: it finds a way forward and none backward."""
    notes = [
        Note("Amber", START, Kind.LOOKED, pest=Pest.LEECH, seen=1, means=Means.EYE),
        Note("Amber", START + timedelta(days=day), Kind.MOVED, cargo=Cargo.WATER, other="Moss"),
        Note("Moss", START + timedelta(days=1.5), Kind.MOVED, cargo=Cargo.WATER, other="Slate"),
    ]
    assert set(reckoned(notes)) == ({"Moss", "Slate"} if day == 1 else {"Moss"})
