"""Which tank hangs below which in the picture of contacts, and what is written in each box."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pestvision.report.fitted_words import kept_apart, shortened
from pestvision.report.moments import day_words
from pestvision.tanks.contact_ways import ways_into
from pestvision.tanks.contacts import Contact, Reason, TankState

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date, datetime

    from pestvision.tanks.contact_graph import History
    from pestvision.tanks.contacts import WaysIn

MAX_NAME: Final = 24  # letters of a name inside a sentence of the picture


@dataclass(slots=True)
class Node:
    """A tank of the picture.

    Parameters
    ----------
    state
        How the tank stands.
    lines
        What is written in its box, below its name.
    came
        What came in from the node it hangs below, None where it hangs below none.
    came_words
        The same in words.
    number
        Which it was in the order of time, from 1; 0 where nothing came.
    below
        What hangs below it, in that order.
    """

    state: TankState
    lines: list[str]
    came: Contact | None = None
    came_words: str = ""
    number: int = 0
    below: list[Node] = field(default_factory=list)

    @property
    def tank(self) -> str:
        """The tank's whole name."""
        return self.state.tank


def forest(
    history: History, states: Sequence[TankState], *, window_days: float, today: date
) -> list[Node]:
    """Hang every tank below the one it got something from, and number what came in by time.

    Tanks that nothing links are left out. A tank with leeches hangs below the tank it most likely got them from, an
    exposed one below the tank by which it was reached first.
    """
    nodes = {
        state.tank: Node(state, _state_lines(state, today))
        for state in states
        if state.reason is not Reason.QUIET
    }
    for tank, node in nodes.items():
        if node.state.exposure is not None:
            node.came = node.state.exposure.path[-1]
        elif node.state.reason is Reason.SEEN:
            ways = ways_into(history, history.present(tank), window_days=window_days)
            _set_likely_way(node, ways, history, today)
    roots = _hang(nodes, history, today)
    arrived = sorted(
        (node.came.second, node.tank) for node in nodes.values() if node.came is not None
    )
    for number, (_, tank) in enumerate(arrived, start=1):
        nodes[tank].number = number
    for node in nodes.values():
        node.below.sort(key=lambda one: one.number)
    return roots


def in_order(roots: Iterable[Node]) -> Iterator[Node]:
    """Give all nodes from top to bottom."""
    for root in roots:
        yield root
        yield from in_order(root.below)


def _hang(nodes: Mapping[str, Node], history: History, today: date) -> list[Node]:
    roots = []
    parents: dict[str, str] = {}
    for tank, node in sorted(nodes.items(), key=lambda item: _since(item[1])):
        if node.came is None:
            roots.append(node)
            continue
        above = node.came.out_of
        words = f"{_day(node.came.at, today)}: {node.came.cargo} from {_name(above)}"
        if above in nodes and not _is_below(above, tank, parents):
            node.came_words = words
            parents[tank] = above
            nodes[above].below.append(node)
        else:
            is_emptied = history.out_from(node.came) != history.present(above)
            node.lines.insert(1, f"{words}, emptied since" if is_emptied else words)
            node.came = None
            roots.append(node)
    return roots


def _set_likely_way(node: Node, ways: WaysIn, history: History, today: date) -> None:
    """Let a tank with leeches hang below the likeliest tank it got them from, or say what came from outside."""
    if not ways.ways:
        node.lines.append("way in: the log does not say")
        return
    way = ways.ways[0]
    if way.cargo is None:
        node.lines.append(f"likely way in: left over when emptied, {_day(way.at, today)}")
    elif way.out_of is None:
        node.lines.append(f"likely way in: {way.cargo} from outside, {_day(way.at, today)}")
    else:
        wanted = (way.out_of, node.tank, way.cargo, way.at)
        node.came = next(
            one for one in history.contacts if (one.out_of, one.into, one.cargo, one.at) == wanted
        )


def _is_below(tank: str, other: str, parents: Mapping[str, str]) -> bool:
    """Say whether a tank hangs somewhere below another, or is it."""
    while tank != other:
        if tank not in parents:
            return False
        tank = parents[tank]
    return True


def _since(node: Node) -> tuple[float, str]:
    times = [node.state.since] if node.state.since else []
    times += [node.came.at] if node.came else []
    return min((at.timestamp() for at in times), default=0.0), node.tank


def _state_lines(state: TankState, today: date) -> list[str]:
    since = _day(state.since, today) if state.since else ""
    lines = []
    if state.reason is Reason.SEEN:
        lines.append(f"seen {since}" + ("" if state.is_confirmed else ", by the tool only"))
    elif state.reason is Reason.EXPOSED:
        lines.append(f"exposed since {since}, {state.risk} risk")
    elif state.gave is not None:
        gave = state.gave
        lines.append("may be where they came from")
        lines.append(f"gave {gave.cargo} to {_name(gave.into)}, {_day(gave.at, today)}")
    exposure = state.exposure
    if exposure is not None and state.reason is Reason.SEEN:
        lines.append(f"exposed since {_day(exposure.since, today)}")
    if exposure is not None and exposure.riskiest[-1] != exposure.path[-1]:
        last = exposure.riskiest[-1]
        lines.append(f"then {last.cargo} from {_name(last.out_of)}, {_day(last.at, today)}")
    if state.emptied is not None:
        lines.append(f"emptied {_day(state.emptied, today)}")
    lines.append(_look_words(state, today))
    return lines


def _look_words(state: TankState, today: date) -> str:
    if state.last_looked is None:
        return "no look noted yet"
    day = _day(state.last_looked, today)
    if state.reason is Reason.SEEN or state.is_looked_since:
        return f"last looked at {day}"
    return f"not looked at since {day}"


def _name(name: str) -> str:
    return kept_apart(shortened(name, MAX_NAME))


def _day(at: datetime, today: date) -> str:
    return day_words(at, has_year=at.year != today.year)
