"""Whatever is done to the log, undoing it step by step passes through every state there was."""

from __future__ import annotations

from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pestvision.errors import LogError
from pestvision.tanks.nights import nights_of
from pestvision.tanks.records import Cargo, Kind, Note, Pest
from tests.made_log import SHELF, START, Hand, everything, look, shelf

if TYPE_CHECKING:
    from pestvision.tanks.log import TankLog

names = st.sampled_from([*SHELF[:3], "Nowhere"])
counts = st.integers(-1, 60)
lengths = st.floats(-1, 220)
back = st.integers(-1, 400).map(lambda hours: START - timedelta(hours=hours))


@st.composite
def notes(draw: st.DrawFn) -> Note:
    tank, at = draw(names), draw(back)
    kind = draw(st.sampled_from([Kind.LOOKED, Kind.REMOVED, Kind.MOVED, Kind.CLEANED]))
    if kind is Kind.LOOKED:
        sizes = {name: draw(st.none() | lengths) for name in ("smallest_mm", "largest_mm")}
        young = draw(st.none() | st.integers(0, 5))
        return look(
            tank, at, draw(counts), taken=draw(st.none() | counts), hatchlings=young, **sizes
        )
    if kind is Kind.REMOVED:
        return Note(tank, at, kind, pest=Pest.LEECH, taken=draw(counts))
    if kind is Kind.MOVED:
        return Note(tank, at, kind, cargo=Cargo.WATER, other=draw(names))
    return Note(tank, at, kind)


actions = st.one_of(
    st.tuples(st.just("add"), st.lists(notes(), min_size=1, max_size=3)),
    st.tuples(st.just("change"), st.tuples(st.integers(1, 6), counts)),
    st.tuples(st.just("remove"), st.integers(1, 6)),
    st.tuples(st.just("rename"), st.tuples(names, st.sampled_from(["Rill", "Moss"]))),
    st.tuples(st.just("undo"), st.none()),
)


def do(log: TankLog, name: str, given_to_it: Any) -> None:
    if name == "add":
        log.add_each(given_to_it)
    elif name == "change":
        log.change(given_to_it[0], seen=given_to_it[1])
    elif name == "remove":
        log.remove(given_to_it)
    else:
        log.change_tank(given_to_it[0], name=given_to_it[1])


@settings(max_examples=60, deadline=None)
@given(st.lists(actions, max_size=14))
def test_undo_passes_through_every_state_there_was(done: list[tuple[str, Any]]) -> None:
    with TemporaryDirectory() as folder, shelf(Path(folder), Hand()) as log:
        states = [everything(log)]
        for name, given_to_it in done:
            if name == "undo":
                if len(states) > 1:
                    log.undo()
                    states.pop()
                assert everything(log) == states[-1]
                continue
            n_steps = log.changes(limit=1)[0].step
            with suppress(LogError):
                do(log, name, given_to_it)
            if log.changes(limit=1)[0].step > n_steps:
                states.append(everything(log))
            assert everything(log) == states[-1]  # what was refused has changed nothing
        for earlier in reversed(states[:-1]):
            log.undo()
            assert everything(log) == earlier
        assert log.database.complaints() == []


looks = st.builds(
    lambda tank, hours, left, taken: look(
        tank, START - timedelta(hours=hours), left + taken, taken=taken
    ),
    st.sampled_from(SHELF[:3]),
    st.integers(0, 5),
    st.integers(0, 9),
    st.integers(0, 9),
)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(looks, max_size=8).flatmap(
        lambda made: st.tuples(st.just(made), st.permutations(made))
    )
)
def test_the_order_of_entry_does_not_matter(orders: tuple[list[Note], list[Note]]) -> None:
    first, second = ([nights_of(order, tank) for tank in SHELF[:3]] for order in orders)
    assert first == second
    assert sum(night.taken for nights in first for night in nights) == sum(
        note.taken or 0 for note in orders[0]
    )
