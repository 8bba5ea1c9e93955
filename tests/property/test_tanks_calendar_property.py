"""Whatever a tank is called and whatever the reason, the calendar file is whole and says it back."""

from __future__ import annotations

from datetime import date, timedelta
from uuid import UUID

from hypothesis import example, given
from hypothesis import strategies as st
from icalendar import Calendar, vText

from pestvision.tanks.reminders import FOLD_AT, Due, folded, looks_calendar
from tests.made_log import START

KEY = UUID(int=7)
any_text = st.text(max_size=200)  # control signs and halves of pairs among them
seen_text = st.text(
    st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp"), exclude_characters="\ufeff"),
    max_size=200,
)
dues = st.builds(
    Due,
    any_text,
    st.integers(-9000, 9000).map(lambda hours: START + timedelta(hours=hours)),
    any_text,
    every_days=st.none() | st.floats(0.1, 400.0),
    until=st.none() | st.dates(date(2025, 1, 1), date(2028, 1, 1)),
)


def written(*given_dues: Due) -> bytes:
    return looks_calendar(given_dues, key=KEY, written=START).encode()


@given(st.lists(dues, min_size=1, max_size=5))
@example([Due("a\x00\u2028b\ud800\x85", START, "c\rd\ne\r\nf")])
def test_every_line_is_short_ends_rightly_and_is_utf8(many: list[Due]) -> None:
    data = written(*many)
    assert data.endswith(b"END:VCALENDAR\r\n")
    lines = data.split(b"\r\n")
    assert all(len(line) <= FOLD_AT for line in lines)
    for line in lines:
        assert b"\r" not in line
        assert b"\n" not in line
        assert not [sign for sign in line.decode() if ord(sign) < 0x20 and sign != "\t"]
    events = Calendar.from_ical(data).walk("VEVENT")
    assert len(events) == len(many)
    assert len({event["UID"] for event in events}) == len(many)
    assert all(event.errors == [] for event in events)


@given(seen_text, seen_text)
@example("A;B,C\\D:E", 'x\\n;y,"z"\\')
@example("ä" * 60, "🐌" * 60)
def test_name_and_reason_are_read_back_as_they_were(name: str, why: str) -> None:
    (event,) = Calendar.from_ical(written(Due(name, START, why))).walk("VEVENT")
    assert event["SUMMARY"] == vText(f"Look at tank {name}")
    assert event["DESCRIPTION"] == why


@given(seen_text)
def test_a_folded_line_unfolds_to_itself(line: str) -> None:
    assert folded(line).replace("\r\n ", "") == line
