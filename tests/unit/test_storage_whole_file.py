"""A file that is there wholly or not at all, and never over another."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from pestvision.errors import OutputError
from pestvision.storage import whole_file
from pestvision.storage.whole_file import write_whole_bytes, write_whole_file

if TYPE_CHECKING:
    from pathlib import Path


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_it_is_written_as_it_is_in_a_folder_that_is_made(tmp_path: Path) -> None:
    path = write_whole_file(tmp_path / "new" / "amber.ics", "a\r\nä\ud800\n")
    assert path.read_bytes() == b"a\r\n\xc3\xa4?\n"
    assert names(path.parent) == ["amber.ics"]


def test_what_lies_there_stays_and_the_new_one_gets_a_number(tmp_path: Path) -> None:
    target = tmp_path / "amber.html"
    written = [write_whole_file(target, text).name for text in ("one", "two", "three")]
    assert written == ["amber.html", "amber-2.html", "amber-3.html"]
    assert target.read_text() == "one"


def test_it_is_replaced_where_that_is_wanted(tmp_path: Path) -> None:
    target = tmp_path / "amber.html"
    for text in ("one", "two"):
        assert write_whole_file(target, text, replace=True) == target
    assert (target.read_text(), names(tmp_path)) == ("two", ["amber.html"])


def test_a_full_disk_leaves_the_old_file_and_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = write_whole_file(tmp_path / "amber.html", "one")

    def full(_handle: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(whole_file.os, "fsync", full)
    with pytest.raises(OutputError, match="no space left") as error:
        write_whole_file(target, "two", replace=True)
    assert error.value.advice
    assert (target.read_text(), names(tmp_path)) == ("one", ["amber.html"])


def test_a_place_that_is_no_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="cannot be written"):
        write_whole_file(tmp_path / "file" / "amber.html", "one")
    (tmp_path / "amber.html").mkdir()
    assert write_whole_file(tmp_path / "amber.html", "one").name == "amber-2.html"
    with pytest.raises(OutputError):
        write_whole_file(tmp_path / "amber.html", "one", replace=True)
    assert names(tmp_path) == ["amber-2.html", "amber.html", "file"]


def test_bytes_are_written_as_they_are(tmp_path: Path) -> None:
    target = tmp_path / "card.pdf"
    written = [write_whole_bytes(target, data).name for data in (b"\x00\xff\r\n", b"two")]
    assert written == ["card.pdf", "card-2.pdf"]
    assert target.read_bytes() == b"\x00\xff\r\n"
