"""Whatever bytes a file holds: a photo or one of our sentences comes out, and the file is untouched."""

from __future__ import annotations

import struct
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pestvision.errors import PhotoError
from pestvision.photos.exif import taken_from_name, taken_from_tags
from pestvision.photos.read import (
    Photo,
    PhotoHeader,
    ReducedPhoto,
    read_header,
    read_photo,
    read_photo_bytes,
    read_reduced,
)
from pestvision.settings import PhotoSettings
from tests.photo_files import FORMATS, drawn_glass, exif_block, packed

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SMALL = PhotoSettings(min_megapixels=0.001, max_megapixels=4.0)
BRIEF = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@cache
def sample(format_name: str) -> bytes:
    """A small file of a format, with an EXIF block."""
    block = exif_block(taken="2026:11:25 23:15:04", subsec="5", offset="+01:00", turn=6)
    return packed(drawn_glass(1, height=96, width=128), format_name, exif=block)


def outcome(reader: Callable[[], object]) -> object:
    """What a reader gives, or the sentence it raises; anything else goes through."""
    try:
        return reader()
    except PhotoError as error:
        return error


def assert_answered(data: bytes, path: Path) -> None:
    """Every reader gives its record or a sentence, and leaves the file as it was."""
    path.write_bytes(data)
    for reader, record in (
        (lambda: read_photo(path, settings=SMALL), Photo),
        (lambda: read_header(path, settings=SMALL), PhotoHeader),
        (lambda: read_reduced(path, 64, settings=SMALL), ReducedPhoto),
        (lambda: read_photo_bytes(data, path.name, settings=SMALL), Photo),
    ):
        result = outcome(reader)
        if isinstance(result, PhotoError):
            assert path.name in str(result)
            assert result.advice
            assert "\n" not in result.sentence()
        else:
            assert isinstance(result, record)
            taken = result.header.taken if isinstance(result, ReducedPhoto) else result.taken
            assert (taken.iso() is None) == (taken.source == "none")
    assert path.read_bytes() == data


@BRIEF
@given(data=st.binary(max_size=2000))
@example(data=b"")
@example(data=b"\xff\xd8\xff")
@example(data=b"\x89PNG\r\n\x1a\n")
@example(data=b"RIFF\x00\x00\x00\x00WEBP")
@example(data=b"II*\x00")
@example(data=b"MM\x00+\x00\x08\x00\x00\x00\x00\x00\x00\x00\x10")
@example(data=b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic")
def test_random_bytes(data: bytes, tmp_path: Path) -> None:
    assert_answered(data, tmp_path / "tank.jpg")


@pytest.mark.parametrize("format_name", FORMATS)
@BRIEF
@given(tail=st.binary(max_size=300), share=st.floats(0, 1))
def test_the_first_bytes_of_a_format_before_noise(
    format_name: str, tail: bytes, share: float, tmp_path: Path
) -> None:
    data = sample(format_name)
    assert_answered(data[: int(share * 200)] + tail, tmp_path / "tank.jpg")


@pytest.mark.parametrize("format_name", FORMATS)
@BRIEF
@given(share=st.floats(0, 1))
def test_files_cut_off_anywhere(format_name: str, share: float, tmp_path: Path) -> None:
    data = sample(format_name)
    assert_answered(data[: int(len(data) * share)], tmp_path / "tank.jpg")


@pytest.mark.parametrize("format_name", FORMATS)
@BRIEF
@given(
    flips=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 7)), min_size=1, max_size=12),
    is_in_head=st.booleans(),
)
def test_files_with_flipped_bits(
    format_name: str, flips: list[tuple[float, int]], is_in_head: bool, tmp_path: Path
) -> None:
    data = bytearray(sample(format_name))
    length = min(len(data), 600) if is_in_head else len(data)
    for place, bit in flips:
        data[int(place * (length - 1))] ^= 1 << bit
    assert_answered(bytes(data), tmp_path / "tank.jpg")


@pytest.mark.parametrize("format_name", FORMATS)
@BRIEF
@given(place=st.floats(0, 1), length=st.integers(1, 64), fill=st.sampled_from([0, 255]))
def test_files_with_a_run_overwritten_or_cut_out(
    format_name: str, place: float, length: int, fill: int, tmp_path: Path
) -> None:
    data = sample(format_name)
    at = int(place * len(data))
    assert_answered(data[:at] + bytes([fill]) * length + data[at + length :], tmp_path / "tank.jpg")
    assert_answered(data[:at] + data[at + length :], tmp_path / "tank.jpg")


def directory(order: str, entries: list[tuple[int, int, int, int]], n_told: int) -> bytes:
    """An EXIF block whose one directory holds any entries, and says any number of them."""
    mark = b"II*\x00" if order == "<" else b"MM\x00*"
    body = b"".join(struct.pack(f"{order}HHII", *entry) for entry in entries)
    head = mark + struct.pack(f"{order}I", 8) + struct.pack(f"{order}H", n_told)
    return b"Exif\x00\x00" + head + body + bytes(4)


TAGS = st.sampled_from(
    [0x0112, 0x0132, 0x8769, 0x8825, 0x9003, 0x9291, 0x9011, 0xA005, 0x0111, 330]
)
ENTRY = st.tuples(
    TAGS,
    st.integers(0, 14),
    st.integers(0, 2**32 - 1) | st.integers(0, 8),
    st.integers(0, 2**32 - 1) | st.integers(0, 90),
)


@pytest.mark.parametrize("format_name", ["JPEG", "PNG", "WEBP"])
@BRIEF
@given(
    order=st.sampled_from(["<", ">"]),
    entries=st.lists(ENTRY, max_size=6),
    n_told=st.integers(0, 65535) | st.integers(0, 6),
    noise=st.binary(max_size=80),
)
def test_odd_exif_never_costs_the_photo(
    format_name: str,
    order: str,
    entries: list[tuple[int, int, int, int]],
    n_told: int,
    noise: bytes,
    tmp_path: Path,
) -> None:
    block = directory(order, entries, n_told) + noise
    data = packed(drawn_glass(1, height=96, width=128), format_name, exif=block)
    photo = read_photo_bytes(data, "tank", settings=SMALL)
    assert sorted(photo.rgb.shape[:2]) == [96, 128]
    assert_answered(data, tmp_path / "tank.jpg")


@BRIEF
@given(
    values=st.dictionaries(
        st.sampled_from([0x9003, 0x9004, 0x0132, 0x9291, 0x9011]),
        st.text(max_size=30)
        | st.binary(max_size=30)
        | st.integers()
        | st.from_regex(r"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d", fullmatch=True),
    )
)
def test_any_tag_values_give_a_time_or_none(values: dict[int, object]) -> None:
    taken = taken_from_tags(values)
    assert (taken.iso() is None) == (taken.source == "none")


@BRIEF
@given(name=st.text(max_size=60) | st.from_regex(r"[a-z]{0,3}\d{8}[_ -]\d{6,9}", fullmatch=True))
def test_any_name_gives_a_time_or_none(name: str) -> None:
    taken = taken_from_name(name)
    assert (taken.iso() is None) == (taken.source == "none")


@BRIEF
@given(name=st.text(max_size=40))
def test_any_name_is_shown_in_one_line(name: str) -> None:
    with pytest.raises(PhotoError) as caught:
        read_photo_bytes(b"text", name)
    assert caught.value.sentence().isprintable()


@BRIEF
@given(
    turn=st.integers(1, 8),
    height=st.integers(64, 128),
    width=st.integers(64, 128),
    format_name=st.sampled_from(["PNG", "TIFF", "WEBP"]),
)
def test_turning_loses_no_pixel(turn: int, height: int, width: int, format_name: str) -> None:
    rgb = drawn_glass(turn, height=height, width=width)
    options = {"lossless": True} if format_name == "WEBP" else {}
    data = packed(rgb, format_name, exif=exif_block(turn=turn), **options)
    photo = read_photo_bytes(data, "tank", settings=PhotoSettings(min_megapixels=0.0001))
    assert photo.rgb.shape[:2] == ((width, height) if turn >= 5 else (height, width))
    expected = np.sort(rgb.reshape(-1, 3), axis=0)
    assert np.array_equal(np.sort(photo.rgb.reshape(-1, 3), axis=0), expected)
