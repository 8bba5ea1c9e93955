"""The time taken: EXIF tags, file names, and what is refused."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from pestvision.photos.exif import (
    NO_TIME,
    TakenAt,
    taken_from_name,
    taken_from_tags,
    tell_orientation,
    tell_taken,
)

MOMENT = datetime(2026, 11, 25, 23, 15, 4)  # noqa: DTZ001


def test_time_fraction_and_offset_are_read_together() -> None:
    taken = taken_from_tags({0x9003: "2026:11:25 23:15:04", 0x9291: "123", 0x9011: "+02:00"})
    assert taken == TakenAt(
        MOMENT.replace(microsecond=123000), timedelta(hours=2), has_subseconds=True, source="exif"
    )
    assert taken.iso() == "2026-11-25T23:15:04.123+02:00"


@pytest.mark.parametrize(
    ("digits", "microsecond"),
    [
        ("5", 500000),  # one digit is tenths
        ("05", 50000),
        ("123456789", 123456),  # more than a microsecond is cut
        ("12   ", 120000),  # padded with blanks, as the standard allows
    ],
)
def test_a_fraction_is_read_as_decimals(digits: str, microsecond: int) -> None:
    taken = taken_from_tags({0x9003: "2026:11:25 23:15:04", 0x9291: digits})
    assert taken.local == MOMENT.replace(microsecond=microsecond)
    assert taken.has_subseconds


@pytest.mark.parametrize("digits", ["", "   ", "-1", "1.5", "x", None, 7, "٣"])
def test_a_fraction_that_is_none_is_left_out(digits: object) -> None:
    taken = taken_from_tags({0x9003: "2026:11:25 23:15:04", 0x9291: digits})
    assert taken.local == MOMENT
    assert not taken.has_subseconds


@pytest.mark.parametrize(
    ("text", "minutes"),
    [("-09:30", -570), ("+14:00", 840), ("+00:00", 0), ("+0530", 330)],
)
def test_offsets_are_read(text: str, minutes: int) -> None:
    taken = taken_from_tags({0x9003: "2026:11:25 23:15:04", 0x9011: text})
    assert taken.offset == timedelta(minutes=minutes)


@pytest.mark.parametrize("text", ["   :  ", "+15:00", "+02:75", "Z", "two", b"\xff\xfe", 120])
def test_impossible_offsets_are_none(text: object) -> None:
    taken = taken_from_tags({0x9003: "2026:11:25 23:15:04", 0x9011: text})
    assert taken.offset is None
    assert taken.local == MOMENT


@pytest.mark.parametrize(
    "text",
    [
        "0000:00:00 00:00:00",  # "unknown" of many cameras
        "    :  :     :  :  ",  # "unknown" of the standard
        "",
        "2026:02:30 10:00:00",  # no such day
        "2026:13:01 10:00:00",
        "2026:11:25 24:00:00",
        "2026:11:25 23:59:60",
        "0001:01:01 00:00:00",  # a clock that was never set
        "2026:11:25",
        b"\x00\x00\x00",
        (2026, 11, 25),
        None,
    ],
)
def test_impossible_exif_times_are_no_time(text: object) -> None:
    assert taken_from_tags({0x9003: text}) == NO_TIME


def test_the_time_taken_wins_over_the_time_of_change() -> None:
    tags = {0x9003: "2026:11:25 23:15:04", 0x0132: "2026:12:01 08:00:00"}
    assert taken_from_tags(tags).local == MOMENT
    tags[0x9003] = "0000:00:00 00:00:00"
    assert taken_from_tags(tags).local == datetime(2026, 12, 1, 8)  # noqa: DTZ001


def test_exif_wins_over_the_file_name() -> None:
    name = "20200101_000000.jpg"
    assert tell_taken({0x9003: b"2026:11:25 23:15:04\x00"}, name).source == "exif"
    assert tell_taken({}, name).source == "file-name"
    assert tell_taken({}, "leech.jpg") == NO_TIME


@pytest.mark.parametrize(
    ("name", "microsecond"),
    [
        ("20261125_231504.jpg", None),
        ("IMG_20261125_231504.jpg", None),
        ("2026-11-25 23.15.04.jpg", None),
        ("2026-11-25 23.15.04.123.jpg", 123000),  # milliseconds after a point
        ("PXL_20261125_231504123.jpg", 123000),  # milliseconds at once
        ("PXL_20261125_231504123.MP.jpg", 123000),
        ("IMG_20261125_231504_001.jpg", None),  # the number in a burst is no fraction
        ("Bild 2026-11-25 at 23.15.04.png", None),
        ("20261125231504.jpg", None),
        ("tank3-2026-11-25T23:15:04.jpg", None),
        ("tank 20269999_000000 20261125_231504.jpg", None),  # the first is impossible
    ],
)
def test_times_in_file_names_are_read(name: str, microsecond: int | None) -> None:
    expected = MOMENT.replace(microsecond=microsecond or 0)
    taken = taken_from_name(name)
    assert taken == TakenAt(expected, None, microsecond is not None, "file-name")


@pytest.mark.parametrize(
    "name",
    [
        "20261332_231504.jpg",  # month 13
        "20260230_231504.jpg",  # 30 February
        "20261125_251504.jpg",  # hour 25
        "20261125_236004.jpg",  # minute 60
        "IMG-20261125-WA0003.jpg",  # a date alone
        "DSC_0001.jpg",
        "1764112504123.jpg",  # thirteen digits: seconds since 1970, or anything
        "920261125231504.jpg",  # part of a longer number
        "18261125_231504.jpg",  # before photography
        "",
    ],
)
def test_names_without_a_possible_time_give_none(name: str) -> None:
    assert taken_from_name(name) == NO_TIME


@pytest.mark.parametrize("value", [0, 9, -1, "6", None, 6.0, (6,), b"\x06"])
def test_an_impossible_orientation_is_upright(value: object) -> None:
    assert tell_orientation({0x0112: value}) == 1


def test_a_record_of_a_time_cannot_contradict_itself() -> None:
    with pytest.raises(ValueError, match="go together"):
        TakenAt(None, None, has_subseconds=False, source="exif")
    with pytest.raises(ValueError, match="offset or a fraction"):
        TakenAt(None, timedelta(0), has_subseconds=False, source="none")
    assert NO_TIME.iso() is None
