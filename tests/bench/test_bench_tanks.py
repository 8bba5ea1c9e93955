"""Twenty tanks and two years of notes: what a person waits for, against plain SQLite reading the same rows.

The bars are published, not asserted: a timed assertion fails where the machine is busy.
"""

from __future__ import annotations

import sqlite3
import statistics
import time
from contextlib import closing
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from pestvision.report.contact_picture import contact_svg
from pestvision.settings import TankSettings
from pestvision.tanks import presence, standing
from pestvision.tanks.catchability import beliefs_of
from pestvision.tanks.clearance import how_clear, outlook
from pestvision.tanks.contacts import check_first, ways_in
from pestvision.tanks.removal import how_many
from pestvision.tanks.standing import standings
from pestvision.web.shared_log import SharedLog
from pestvision.web.tank_desk import TankDesk
from pestvision.web.tank_note import EMPTY
from pestvision.web.tank_one import OneTankDesk
from pestvision.web.tank_touched import TouchedDesk
from tests.large_log import END, large_log
from tests.made_log import Hand

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from pytest_benchmark.fixture import BenchmarkFixture

    from pestvision.tanks.records import Note

BAR_PAGE_S = 0.3  # any area of the page
BAR_ESTIMATE_S = 2.0  # any estimate

GUARD = 3.0
"""By so much a bar may be passed before a test fails: other work on the cores stretches everything."""
GUARD_RATIO = 200.0
"""What an area of the page may take, as a multiple of reading all notes from SQLite alone."""

pytestmark = pytest.mark.slow
SETTINGS = TankSettings()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("bench-tanks")
    large_log(made).close()
    return made


@pytest.fixture
def shared(folder: Path) -> Iterator[SharedLog]:
    log = SharedLog(folder, now=Hand(END))
    log.warm()  # as the page does when it is loaded
    yield log
    log.close()


@pytest.fixture
def notes(shared: SharedLog) -> list[Note]:
    return shared.log().notes()


def plain_s(folder: Path) -> float:
    """Seconds in which SQLite alone reads every note, the quickest of three times."""
    took = []
    for _ in range(3):
        began = time.perf_counter()
        with closing(sqlite3.connect(folder / "pestvision.db")) as plain:
            assert len(plain.execute("SELECT * FROM tank_notes").fetchall()) > 6000
        took.append(time.perf_counter() - began)
    return min(took)


def forget() -> None:
    """Let nothing be known of an earlier question."""
    for kept in (standing._clear, standing._left, standing._outlook, presence._usual_cohorts):
        kept.cache_clear()


def held(
    benchmark: BenchmarkFixture, act: Callable[[], Any], bar_s: float, folder: Path, **setup: Any
) -> None:
    """Run it five times, write its median beside the bar, and fail where it is far off."""
    benchmark.pedantic(act, rounds=5, warmup_rounds=1, **setup)
    median_s = statistics.median(benchmark.stats.stats.data)
    ratio = median_s / plain_s(folder)
    benchmark.extra_info |= {
        "median_s": round(median_s, 4),
        "ratio": round(ratio, 1),
        "bar_s": bar_s,
    }
    assert median_s <= GUARD * bar_s or ratio <= GUARD_RATIO, (median_s, ratio)


def test_all_tanks_at_a_glance(
    benchmark: BenchmarkFixture, shared: SharedLog, folder: Path
) -> None:
    desk = TankDesk(shared)

    def area() -> None:
        desk.tonight_line()
        assert desk.glance().count("Amber") > 0

    held(benchmark, area, BAR_PAGE_S, folder)


def test_the_first_look_of_a_day_with_nothing_known(
    benchmark: BenchmarkFixture, shared: SharedLog, folder: Path
) -> None:
    log = shared.log()
    tanks = log.tanks()
    held(
        benchmark,
        lambda: standings(tanks, log.notes(), now=END, settings=SETTINGS),
        BAR_PAGE_S,
        folder,
        setup=forget,
    )


def test_a_note_is_written_and_the_shelf_told_anew(
    benchmark: BenchmarkFixture, folder: Path
) -> None:
    clock = Hand(END)
    shared = SharedLog(folder, now=clock)
    desk = TankDesk(shared)
    shared.warm()

    def write() -> None:
        clock.later(minutes=1)
        typed = dict(EMPTY) | {"tank": "Amber", "kind": "looked", "seen": "2", "taken": "1"}
        assert desk.write(typed).is_done
        desk.tonight_line()
        desk.glance()

    held(benchmark, write, BAR_PAGE_S, folder)
    shared.close()


def test_one_tank_with_its_notes(
    benchmark: BenchmarkFixture, shared: SharedLog, folder: Path
) -> None:
    one = OneTankDesk(shared)
    opened = one.open("Amber")

    def open_tank() -> None:
        one.account(opened)
        one.notes(opened)

    held(benchmark, open_tank, BAR_PAGE_S, folder)


def test_how_many_and_how_clear_of_one_tank(
    benchmark: BenchmarkFixture, shared: SharedLog, folder: Path
) -> None:
    one = OneTankDesk(shared)
    opened = one.open("Amber")
    held(benchmark, lambda: one.reckoned(opened), BAR_ESTIMATE_S, folder, setup=forget)


def test_what_touched_what(benchmark: BenchmarkFixture, shared: SharedLog, folder: Path) -> None:
    touched = TouchedDesk(shared)
    held(benchmark, touched.touched, BAR_PAGE_S, folder)


def test_contacts_are_told_and_drawn(
    benchmark: BenchmarkFixture, notes: list[Note], folder: Path
) -> None:
    def ask() -> None:
        check_first(notes, today=END.date())
        ways_in(notes, "Amber")
        contact_svg(notes, today=END.date())

    held(benchmark, ask, BAR_PAGE_S, folder)


@pytest.mark.parametrize("name", ["how many", "how clear", "outlook", "beliefs"])
def test_an_estimate_of_the_busiest_tank(
    benchmark: BenchmarkFixture, shared: SharedLog, folder: Path, name: str
) -> None:
    nights = max((one.nights for one in shared.standings()), key=len)
    today = nights[-1].day + timedelta(days=1)
    ask = {
        "how many": lambda: how_many(nights, settings=SETTINGS),
        "how clear": lambda: how_clear(nights, today=today, settings=SETTINGS),
        "outlook": lambda: outlook(nights, today=today, settings=SETTINGS),
        "beliefs": lambda: beliefs_of(
            [night.taken for night in nights],
            [night.effort for night in nights],
            seen=[night.seen for night in nights],
        ),
    }[name]
    held(benchmark, ask, BAR_ESTIMATE_S, folder, setup=forget)
