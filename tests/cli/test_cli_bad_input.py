"""Every kind of bad file, through the real reader: one sentence, no traceback, nothing changed."""

from __future__ import annotations

import io
import os
import zlib
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from PIL import Image
from pretended import sentences

import pestvision.photos.read as reader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pretended import Stages
    from typer.testing import Result

    TypeIn = Callable[..., Result]

READ_PHOTO = reader.read_photo  # before a stand-in takes its place


@pytest.fixture(autouse=True)
def real_reader(stages: Stages) -> None:
    stages.monkeypatch.setattr(reader, "read_photo", READ_PHOTO)


def drawn(kind: str, size: tuple[int, int] = (480, 360)) -> bytes:
    rows, columns = np.mgrid[0 : size[1], 0 : size[0]]
    rgb = np.stack([rows % 256, columns % 256, (rows + columns) % 256], axis=-1).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(rgb).save(file, format=kind)
    return file.getvalue()


def bomb() -> bytes:
    """A PNG of a few bytes that claims 60 000 × 60 000 pixels."""

    def chunk(name: bytes, data: bytes) -> bytes:
        body = name + data
        return len(data).to_bytes(4, "big") + body + zlib.crc32(body).to_bytes(4, "big")

    side = (60_000).to_bytes(4, "big")
    header = chunk(b"IHDR", side + side + bytes([8, 2, 0, 0, 0]))
    return b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


BAD = {
    "empty.jpg": b"",
    "text.jpg": b"Dear diary, the snails are well.\n",
    "page.html": b"<html><body>a page</body></html>",
    "film.mp4": b"\x00\x00\x00\x20ftypisom" + bytes(200),
    "cut.jpg": drawn("JPEG")[:700],
    "cut.png": drawn("PNG")[:700],
    "start.jpg": b"\xff\xd8\xff\xe0",
    "zeros.png": bytes(4096),
    "bomb.png": bomb(),
    "tiny.png": drawn("PNG", (16, 16)),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_one_sentence_with_advice_and_stays_as_it_is(
    type_in: TypeIn, tmp_path: Path, name: str
) -> None:
    (tmp_path / name).write_bytes(BAD[name])
    result = type_in("check", "--json", name)
    assert result.exit_code == 3
    assert result.stdout == ""
    (sentence,) = sentences(result.stderr)
    assert name in sentence
    assert sentence.count(". ") >= 1  # what is wrong, and what would do
    assert (tmp_path / name).read_bytes() == BAD[name]


def test_what_is_not_there_or_too_long_a_name_is_named(type_in: TypeIn) -> None:
    for name in ("nowhere.jpg", "n" * 5000, "below/nowhere/a.jpg", ""):
        result = type_in("check", name)
        assert result.exit_code == 3
        assert len(sentences(result.stderr)) == 1
        assert "mistake" not in result.stderr


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_a_photo_that_may_not_be_read_is_one_sentence(type_in: TypeIn, tmp_path: Path) -> None:
    path = tmp_path / "closed.jpg"
    path.write_bytes(drawn("JPEG"))
    path.chmod(0)
    result = type_in("check", path)
    assert result.exit_code == 3
    assert "closed.jpg" in sentences(result.stderr)[0]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are POSIX only")
def test_a_named_pipe_does_not_hold_the_program_up(type_in: TypeIn, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    result = type_in("check", "pipe.jpg")
    assert result.exit_code == 3
    assert "pipe.jpg" in sentences(result.stderr)[0]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WebP", "TIFF"])
def test_good_files_pass_beside_bad_ones(type_in: TypeIn, tmp_path: Path, kind: str) -> None:
    good = f"good.{kind.lower()}"
    (tmp_path / good).write_bytes(drawn(kind))
    (tmp_path / "empty.jpg").write_bytes(b"")
    result = type_in("check", "empty.jpg", good)
    assert result.exit_code == 0
    assert good in result.stdout
    assert "empty.jpg" in result.stderr


STARTS = [b"", *(drawn(kind)[:60] for kind in ("JPEG", "PNG", "WebP", "TIFF", "GIF", "BMP"))]


@given(start=st.sampled_from(STARTS), rest=st.binary(max_size=400))
@hypothesis_settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_random_bytes_never_bring_a_traceback(
    type_in: TypeIn, tmp_path: Path, start: bytes, rest: bytes
) -> None:
    (tmp_path / "odd.jpg").write_bytes(start + rest)
    result = type_in("check", "odd.jpg")
    assert result.exit_code in {0, 3}
    assert "mistake" not in result.stderr
    assert len(sentences(result.stderr)) == (0 if result.exit_code == 0 else 1)


@given(
    kind=st.sampled_from(["JPEG", "PNG", "WebP", "TIFF"]),
    places=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 7)), min_size=1, max_size=20),
)
@hypothesis_settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_flipped_bits_never_bring_a_traceback(
    type_in: TypeIn, tmp_path: Path, kind: str, places: list[tuple[float, int]]
) -> None:
    data = bytearray(drawn(kind))
    for place, bit in places:
        data[round(place * (len(data) - 1))] ^= 1 << bit
    (tmp_path / "odd.jpg").write_bytes(data)
    result = type_in("check", "odd.jpg")
    assert result.exit_code in {0, 3}
    assert "mistake" not in result.stderr
