"""Photos handed over are kept out of the served folder, and only as long as they are needed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pestvision.web.shelf import Shelf

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "kept")


def sent(tmp_path: Path, name: str, text: str = "photo") -> Path:
    folder = tmp_path / "sent" / str(len(list(tmp_path.rglob("*"))))
    folder.mkdir(parents=True)
    path = folder / name
    path.write_text(text)
    return path


def test_a_file_is_moved_and_not_copied(shelf: Shelf, tmp_path: Path) -> None:
    upload = sent(tmp_path, "one.jpg")
    kept = shelf.replace("tab", upload)
    assert not upload.exists()
    assert kept.read_text() == "photo"
    assert kept.name == "one.jpg"


def test_a_second_photo_deletes_the_first(shelf: Shelf, tmp_path: Path) -> None:
    first = shelf.replace("tab", sent(tmp_path, "one.jpg"))
    second = shelf.replace("tab", sent(tmp_path, "two.jpg"))
    assert not first.exists()
    assert second.exists()


def test_two_files_of_one_name_are_both_kept(shelf: Shelf, tmp_path: Path) -> None:
    names = [sent(tmp_path, "0001.jpg", "left"), sent(tmp_path, "0001.jpg", "right")]
    kept = shelf.add("tab", names)
    assert [path.read_text() for path in kept] == ["left", "right"]
    assert [path.name for path in kept] == ["0001.jpg", "0001 (2).jpg"]
    assert shelf.count("tab") == 2


def test_one_visitor_does_not_delete_what_another_brought(shelf: Shelf, tmp_path: Path) -> None:
    mine = shelf.replace("mine", sent(tmp_path, "mine.jpg"))
    yours = shelf.replace("yours", sent(tmp_path, "yours.jpg"))
    shelf.drop("mine")
    assert not mine.exists()
    assert yours.exists()
    assert shelf.count("mine") == 0


def test_dropping_what_was_never_kept_is_quiet(shelf: Shelf) -> None:
    shelf.drop("nobody")
    assert shelf.held("nobody") is None


def test_an_owner_name_is_never_part_of_a_path(shelf: Shelf, tmp_path: Path) -> None:
    kept = shelf.replace("../../etc", sent(tmp_path, "one.jpg"))
    assert (tmp_path / "kept") in kept.parents
    assert "etc" not in kept.parts
