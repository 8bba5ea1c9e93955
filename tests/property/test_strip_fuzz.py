"""Whatever bytes a file holds: it is stripped to the same pixels, or one of our sentences comes out."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pestvision.errors import PhotoError
from pestvision.photos.read import read_photo_bytes
from pestvision.photos.strip import Stripped, strip_photo
from pestvision.settings import PhotoSettings
from tests.photo_files import FORMATS, drawn_glass, exif_block, packed

SMALL = PhotoSettings(min_megapixels=0.001, max_megapixels=4.0)
BRIEF = settings(
    max_examples=80,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
KINDS = (*FORMATS, "progressive")


@cache
def sample(kind: str) -> bytes:
    """A small file of a kind, with an EXIF block."""
    block = exif_block(taken="2026:11:25 23:15:04", subsec="5", offset="+01:00", turn=6)
    glass = drawn_glass(1, height=96, width=128)
    if kind == "progressive":
        return packed(glass, "JPEG", exif=block, progressive=True, restart_marker_rows=1)
    return packed(glass, kind, exif=block)


def outcome(data: bytes) -> Stripped | PhotoError:
    """What stripping gives, or the sentence it raises; anything else goes through."""
    try:
        return strip_photo(data, "tank.jpg", settings=SMALL)
    except PhotoError as error:
        return error


def pixels(data: bytes) -> np.ndarray | None:
    """The decoded pixels, None where the reader refuses them."""
    try:
        return read_photo_bytes(data, "x", settings=SMALL).rgb
    except PhotoError:
        return None


def assert_answered(data: bytes) -> None:
    """Stripped to the same pixels and the same again, or refused in a sentence."""
    stripped = outcome(data)
    if isinstance(stripped, PhotoError):
        assert "tank.jpg" in str(stripped)
        assert stripped.advice
        assert "\n" not in stripped.sentence()
        return
    assert strip_photo(stripped.data, "x", settings=SMALL).data == stripped.data
    before = pixels(data)
    if stripped.header.format_name == "HEIC" or before is None:
        return  # damage that only shows in the pixels is copied with them
    after = pixels(stripped.data)
    assert after is not None
    assert np.array_equal(before, after)


@BRIEF
@given(data=st.binary(max_size=2000))
@example(data=b"")
@example(data=b"\xff\xd8\xff")
@example(data=b"\x89PNG\r\n\x1a\n")
@example(data=b"RIFF\x00\x00\x00\x00WEBP")
def test_random_bytes(data: bytes) -> None:
    assert_answered(data)


@pytest.mark.parametrize("kind", KINDS)
@BRIEF
@given(share=st.floats(0, 1), tail=st.binary(max_size=60))
def test_files_cut_off_anywhere_before_noise(kind: str, share: float, tail: bytes) -> None:
    data = sample(kind)
    assert_answered(data[: int(len(data) * share)])
    assert_answered(data[: int(len(data) * share)] + tail)
    assert_answered(data[: int(share * 300)] + tail + data[int(share * 300) :])


@pytest.mark.parametrize("kind", KINDS)
@BRIEF
@given(
    flips=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 7)), min_size=1, max_size=8),
    is_in_head=st.booleans(),
)
def test_files_with_flipped_bits(
    kind: str, flips: list[tuple[float, int]], is_in_head: bool
) -> None:
    data = bytearray(sample(kind))
    length = min(len(data), 600) if is_in_head else len(data)
    for place, bit in flips:
        data[int(place * (length - 1))] ^= 1 << bit
    assert_answered(bytes(data))


@pytest.mark.parametrize("kind", KINDS)
@BRIEF
@given(
    place=st.floats(0, 1),
    fill=st.sampled_from([b"\x00", b"\xff", b"\xff\xd9", b"\xff\xe5\x00\x08", b"\xff\xfe"]),
    length=st.integers(1, 64),
)
def test_files_with_a_run_overwritten_or_cut_out(
    kind: str, place: float, fill: bytes, length: int
) -> None:
    data = sample(kind)
    at = int(place * len(data))
    assert_answered(data[:at] + fill + data[at + length :])
    assert_answered(data[:at] + fill + data[at:])
    assert_answered(data[:at] + data[at + length :])
