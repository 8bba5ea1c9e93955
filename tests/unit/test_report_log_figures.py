"""The pictures of the log: what they count, what they say without colour, and that they hold together."""

from __future__ import annotations

import itertools
import re
from datetime import date, timedelta
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pestvision.errors import ShapeError
from pestvision.report.log_figures import (
    MAX_NIGHTS,
    NO_GUARANTEE,
    ClearCurve,
    clear_figure,
    clear_figure_svg,
    left_figure,
    left_figure_svg,
)
from pestvision.report.log_line import MAX_MARKS, log_line, log_line_svg
from pestvision.report.log_marks import WIDTH, date_ticks
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest, Stage
from tests.made_log import START, look

if TYPE_CHECKING:
    from pestvision.report.log_line import LogLine

TODAY = START.date()


def day(number: int) -> date:
    return TODAY + timedelta(days=number)


def at(number: int) -> timedelta:
    return timedelta(days=number)


def one_of_each() -> list[Note]:
    """Ten days of Amber, with a note of every kind, and notes of others that are not its own."""
    return [
        look("Amber", START, 12, taken=9),
        look("Amber", START + at(1), 5, taken=5),
        look("Amber", START + at(2)),
        look("Amber", START + at(2), 3, pest=Pest.FLATWORM),
        look("Amber", START + at(2), 2, judge=Judge.TOOL, means=Means.PHOTO),
        Note("Amber", START + at(3), Kind.REMOVED, pest=Pest.LEECH, taken=1),
        Note("Amber", START + at(3), Kind.DIED, count=25, stage=Stage.JUVENILE),
        Note("Amber", START + at(3), Kind.ADDED, cargo=Cargo.PLANTS),
        Note("Moss", START + at(3), Kind.MOVED, cargo=Cargo.TOOLS, other="Amber"),
        Note("Amber", START + at(4), Kind.MOVED, cargo=Cargo.ANIMALS, other="Moss"),
        Note("Amber", START + at(4), Kind.SOLD, count=2),
        Note("Amber", START + at(5), Kind.TREATED, what="salt, by a friend"),
        Note("Amber", START + at(6), Kind.CLEANED),
        Note("Amber", START + at(7), Kind.EMPTIED),
        Note("Amber", START + at(9), Kind.RESTOCKED),
        look("Moss", START, 40),
    ]


def laid(notes: list[Note], until: date | None = None) -> LogLine:
    line = log_line(notes, "Amber", until=until or day(9))
    assert line is not None
    return line


def drawn(html: str) -> ET.Element:
    """Read the picture as XML: a tag that is not closed or a sign that is not escaped fails here."""
    root = ET.fromstring(html)  # noqa: S314  our own
    (svg,) = root
    return svg


def test_every_row_of_a_time_line_says_what_it_counts() -> None:
    assert [row.words for row in laid(one_of_each()).rows] == [
        "seen, most 12", "clean looks 1", "taken out 15", "read by tool 1", "died 25", "put in 3×",
        "moved, sold 2×", "treated 1×", "cleaned 1×", "emptied 1×",
    ]  # fmt: skip


def test_no_two_rows_of_a_time_line_have_the_same_mark() -> None:
    assert len({(row.is_filled, shape(row.key)) for row in laid(one_of_each()).rows}) == 10


def shape(path: str) -> tuple[int, ...]:
    """Give a mark's corners as steps from the first one, in whole units."""
    points = [float(number) for number in re.findall(r"-?\d+\.\d", path)]
    return tuple(round(value - points[rank % 2]) for rank, value in enumerate(points))


@pytest.mark.parametrize("days", [1, 7, 27, 28, 100, 365, 731])
def test_however_long_the_log_its_marks_do_not_touch_and_stay_in_the_picture(days: int) -> None:
    notes = [look("Amber", START + at(number), number % 3) for number in range(days)]
    line = laid(notes, until=day(days - 1))
    for row in line.rows:
        assert len(row.marks) <= MAX_MARKS
        spans = [extent(mark) for mark in row.marks]
        assert all(one[1] <= other[0] for one, other in itertools.pairwise(spans))
        assert spans[-1][1] <= WIDTH
    clean = next(row for row in line.rows if row.name == "clean")
    assert clean.words == f"clean looks {len([n for n in range(days) if n % 3 == 0])}"


def extent(circle: str) -> tuple[float, float]:
    left, radius = re.match(r"M([\d.]+) [\d.]+a([\d.]+)", circle).groups()  # type: ignore[union-attr]
    return float(left), float(left) + 2 * float(radius)


def test_what_is_older_than_two_years_is_left_out_and_nothing_at_all_is_no_picture() -> None:
    notes = [look("Amber", START - at(800), 3)]
    assert log_line(notes, "Amber", until=TODAY) is None
    assert log_line([], "Amber", until=TODAY) is None
    assert len(laid([*notes, look("Amber", START)], until=TODAY).rows) == 1


def test_a_time_line_is_told_to_those_who_do_not_see_it() -> None:
    svg = drawn(log_line_svg(laid(one_of_each())))
    title, says = svg[0], svg[1]
    assert svg.get("role") == "img"
    assert svg.get("aria-labelledby") == f"{title.get('id')} {says.get('id')}"
    assert title.text == "Time line of tank Amber, 1 to 10 Mar 2026"
    assert "died 25" in (says.text or "")


def test_the_name_of_a_tank_cannot_break_a_picture() -> None:
    odd = '<b>&"x'
    notes = [look(odd, START, 1)]
    line = log_line(notes, odd, until=TODAY)
    assert line is not None
    left = left_figure([(TODAY, 1)], likely=(0, 3), tank=odd)
    assert left is not None
    for html in (log_line_svg(line), left_figure_svg(left)):
        assert odd in (drawn(html)[0].text or "")


# --- how many left ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("likely", "says"),
    [
        ((0, 9), "likely still there: 0 to 9"),
        ((4, 4), "likely still there: 4"),
        ((3, None), "still there: 3 or more, no upper end known"),
        (None, "How many are left cannot be said"),
    ],
)
def test_what_is_left_is_said_in_words_too(
    likely: tuple[int, int | None] | None, says: str
) -> None:
    nights = [(day(number), count) for number, count in enumerate([12, 7, 3, 1, 0])]
    figure = left_figure(nights, likely=likely, tank="Amber")
    assert figure is not None
    svg = drawn(left_figure_svg(figure))
    words = [element.text for element in svg.iter() if element.tag.endswith("text")]
    assert says in words
    assert figure.says == f"23 taken out in 5 nights. {says}."
    assert [bar.count for bar in figure.bars] == [12, 7, 3, 1]
    assert len(figure.clean) == 1


def test_the_strip_is_to_scale() -> None:
    figure = left_figure([(TODAY, 30)], likely=(10, 20), tank="Amber")
    assert figure is not None
    assert figure.strip is not None
    taken_x, low_x, high_x = (x - 20.0 for x in figure.strip)  # from the edge on
    assert (taken_x / high_x, low_x / high_x) == pytest.approx((30 / 50, 40 / 50))


def test_more_nights_than_can_be_drawn_are_counted_and_it_is_said() -> None:
    nights = [(day(number), 1) for number in range(MAX_NIGHTS + 1)]
    figure = left_figure(nights, likely=None, tank="Amber")
    assert figure is not None
    assert len(figure.bars) == MAX_NIGHTS
    assert f"{MAX_NIGHTS + 1} taken out" in figure.says
    assert figure.note == "Not drawn: 1 night before these, counted."


def test_a_long_row_of_clean_nights_does_not_push_the_catches_out() -> None:
    nights = [(day(number), 9 if number < 3 else 0) for number in range(200)]
    figure = left_figure(nights, likely=(0, 1), tank="Amber")
    assert figure is not None
    assert (len(figure.bars), len(figure.clean)) == (3, 10)
    assert figure.note == "Not drawn: 187 nights after these, all without a catch."
    assert "27 taken out in 200 nights" in figure.says


@pytest.mark.parametrize("wrong", [(5, 4), (-1, 2)])
def test_a_range_that_is_none_is_refused(wrong: tuple[int, int]) -> None:
    with pytest.raises(ShapeError):
        left_figure([(TODAY, 1)], likely=wrong, tank="Amber")
    assert left_figure([], likely=None, tank="Amber") is None


@given(
    st.lists(st.integers(0, 500), min_size=1, max_size=80),
    st.none() | st.tuples(st.integers(0, 500), st.none() | st.integers(0, 500)),
)
def test_every_bar_and_strip_stays_in_the_picture(
    counts: list[int], likely: tuple[int, int | None] | None
) -> None:
    if likely and likely[1] is not None:
        likely = (likely[0], likely[0] + likely[1])
    nights = [(day(number), count) for number, count in enumerate(counts)]
    figure = left_figure(nights, likely=likely, tank="Amber")
    assert figure is not None
    drawn(left_figure_svg(figure))
    for bar in figure.bars:
        assert figure.bar_width / 2 <= bar.x <= WIDTH - figure.bar_width / 2
    if figure.strip:
        assert 0 <= figure.strip[0] <= figure.strip[1] <= figure.strip[2] + 1e-6 <= WIDTH


# --- how sure clear ---------------------------------------------------------------------------


def curve(words: str = "twice a week by torch", **given_to_it: object) -> ClearCurve:
    days = tuple(day(7 * week) for week in range(9))
    usual = {
        "days": days,
        "chances": tuple(1 - 0.5 * 0.6**week for week in range(9)),
        "clear_on": day(35),
    }
    return ClearCurve(words, **(usual | given_to_it))  # type: ignore[arg-type]


def test_each_way_of_looking_has_its_kind_of_line_and_its_date_in_words() -> None:
    curves = [
        curve(),
        curve("once a week", clear_on=None),
        curve("every night"),
        curve("x"),
        curve("never drawn"),
    ]
    figure = clear_figure(curves, tank="Amber", earliest=day(30))
    assert figure is not None
    svg = drawn(clear_figure_svg(figure))
    words = " ".join(element.text or "" for element in svg.iter() if element.tag.endswith("text"))
    assert "twice a week by torch: 95\u00a0% by 5 Apr" in words
    assert "once a week: 95\u00a0% not within 8 weeks" in words
    assert "not before 31 Mar" in words
    assert "never drawn" not in words
    assert NO_GUARANTEE in words
    assert NO_GUARANTEE in figure.says
    kinds = [element.get("class") for element in svg.iter() if element.tag.endswith("polyline")]
    assert kinds == ["curve curve-0", "curve curve-1", "curve curve-2", "curve curve-3"]
    assert [bool(each.mark) for each in figure.curves] == [True, False, True, True]


def test_a_year_ahead_is_cut_where_nothing_more_comes() -> None:
    days = tuple(day(7 * week) for week in range(53))
    long = curve(days=days, chances=tuple(1 - 0.5 * 0.6**week for week in range(53)))
    figure = clear_figure([long], tank="Amber")
    assert figure is not None
    assert figure.title.endswith("1 Mar to 19 Apr 2026")  # two weeks after 5 Apr
    assert len(figure.curves[0].points.split()) == 8
    never = clear_figure([curve(days=days, chances=(0.5,) * 53, clear_on=None)], tank="Amber")
    assert never is not None
    assert never.title.endswith("1 Mar 2026 to 28 Feb 2027")


def test_ninety_four_and_a_half_percent_are_not_called_ninety_five() -> None:
    figure = clear_figure([curve()], tank="Amber", line=0.949)
    assert figure is not None
    assert figure.line_words == "94\u00a0%"


def test_no_curve_is_no_picture_and_a_crooked_one_is_refused() -> None:
    assert clear_figure([], tank="Amber") is None
    for wrong in (
        {"chances": (0.5,) * 8},
        {"chances": (1.5,) * 9},
        {"days": tuple(day(-week) for week in range(9))},
        {"days": (TODAY,), "chances": (0.5,)},
    ):
        with pytest.raises(ShapeError):
            curve(**wrong)


@given(st.integers(1, 800), st.dates(date(2024, 1, 1), date(2028, 12, 31)))
def test_the_dates_under_a_picture_lie_in_it_and_are_few(days: int, first: date) -> None:
    last = first + timedelta(days=days)
    ticks = date_ticks(first, last)
    assert 1 <= len(ticks) <= 3
    assert all(first <= each <= last for each, _words in ticks)
    assert len({words for _day, words in ticks}) == len(ticks)
