"""Pictures on disk: by content, wholly there or not at all, and nothing left behind."""

from __future__ import annotations

import errno
import os
import shutil
from collections import namedtuple
from typing import TYPE_CHECKING, Any

import pytest

from pestvision.errors import OutputError
from pestvision.storage import files as files_module
from pestvision.storage.files import (
    IMAGES_NAME,
    INCOMING_NAME,
    LIST_NAME,
    LOCK_SUFFIX,
    SPARE_BYTES,
    PictureStore,
    sha256_of,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Usage = namedtuple("Usage", "total used free")


def picture(seed: int) -> tuple[str, str, bytes]:
    data = f"picture {seed} of the tank Amber".encode() * (seed + 1)
    return sha256_of(data), ".jpg", data


@pytest.fixture
def store(tmp_path: Path) -> PictureStore:
    return PictureStore(tmp_path)


def incoming(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / IMAGES_NAME / INCOMING_NAME).iterdir())


def put(store: PictureStore, *seeds: int) -> list[str]:
    """Store pictures; give their names."""
    pictures = [picture(seed) for seed in seeds]
    with store.arriving(pictures) as move:
        move()
    return [f"{sha256}{suffix}" for sha256, suffix, _ in pictures]


def nothing_is_known(sha256: str) -> bool:
    del sha256
    return False


def everything_is_known(sha256: str) -> bool:
    del sha256
    return True


def left_behind(folder: Path, names: list[str], *, has_lock: bool = True) -> None:
    """Leave a folder aside as a process that was killed leaves one."""
    aside = folder / IMAGES_NAME / INCOMING_NAME / "0123456789abcdef"
    if has_lock:
        aside.with_suffix(LOCK_SUFFIX).write_bytes(b"")
    aside.mkdir()
    (aside / LIST_NAME).write_text("\n".join(names))
    (aside / "half").write_bytes(b"half a picture")


# Check value: SHA-256 of "abc", NIST FIPS 180-4 example vectors (from memory).
def test_an_address_is_the_sha256_of_the_content() -> None:
    assert sha256_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_picture_lies_where_its_content_says(store: PictureStore, tmp_path: Path) -> None:
    (name,) = put(store, 1)
    sha256, suffix, data = picture(1)
    assert store.path(sha256, suffix) == tmp_path / IMAGES_NAME / sha256[:2] / name
    assert store.path(sha256, suffix).read_bytes() == data
    assert store.names() == {name}
    assert incoming(tmp_path) == []
    assert not store.has_left_behind()


def test_the_same_picture_twice_is_one_file(store: PictureStore) -> None:
    assert put(store, 1) == put(store, 1)
    assert len(store.names()) == 1


def test_what_is_not_moved_is_nowhere(store: PictureStore, tmp_path: Path) -> None:
    with store.arriving([picture(1), picture(2)]):
        assert len(incoming(tmp_path)) == 2  # the folder aside and its lock
        assert store.has_left_behind()
        assert store.names() == set()
    assert store.names() == set()
    assert incoming(tmp_path) == []


def test_pictures_whose_rows_were_taken_back_are_cleared_up_by_the_next(
    store: PictureStore, tmp_path: Path
) -> None:
    def refused_after_moving() -> None:
        with store.arriving([picture(1), picture(2)]) as move:
            move()
            raise OutputError("the rows were refused.", advice="Free some space.")

    with pytest.raises(OutputError, match="rows were refused"):
        refused_after_moving()
    assert len(store.names()) == 2
    assert store.has_left_behind()
    known = picture(2)[0]
    assert store.clear_up(lambda sha256: sha256 == known) == 1
    assert store.names() == {f"{known}.jpg"}
    assert incoming(tmp_path) == []


def test_a_list_left_behind_removes_what_is_unknown_and_nothing_else(
    store: PictureStore, tmp_path: Path
) -> None:
    one, other = put(store, 1, 2)
    left_behind(tmp_path, [one, "f" * 64 + ".jpg"])
    assert store.clear_up(nothing_is_known) == 1
    assert store.names() == {other}  # on no list, though not known either
    assert incoming(tmp_path) == []


def test_a_list_left_behind_removes_nothing_that_is_known(
    store: PictureStore, tmp_path: Path
) -> None:
    names = put(store, 1, 2)
    left_behind(tmp_path, names)
    assert store.clear_up(everything_is_known) == 0
    assert store.names() == set(names)
    assert incoming(tmp_path) == []


def test_a_lock_without_a_folder_is_removed(store: PictureStore, tmp_path: Path) -> None:
    (tmp_path / IMAGES_NAME / INCOMING_NAME / f"abc{LOCK_SUFFIX}").write_bytes(b"")
    assert store.has_left_behind()
    assert store.clear_up(nothing_is_known) == 0
    assert not store.has_left_behind()


def test_a_writer_at_work_is_left_alone(store: PictureStore) -> None:
    with store.arriving([picture(1)]) as move:
        move()
        assert store.clear_up(nothing_is_known) == 0
    assert len(store.names()) == 1


def test_what_leaves_goes_only_where_it_may(store: PictureStore, tmp_path: Path) -> None:
    names = put(store, 1, 2)
    kept = picture(1)[0]
    with store.leaving([picture(seed)[:2] for seed in (1, 2, 3)]) as delete:
        assert store.names() == set(names)
        delete(lambda sha256: sha256 != kept)
    assert store.names() == {f"{kept}.jpg"}
    assert incoming(tmp_path) == []


def test_what_was_to_leave_when_it_was_broken_off_leaves_later(
    store: PictureStore, tmp_path: Path
) -> None:
    put(store, 1)

    def broken_off() -> None:
        with store.leaving([picture(1)[:2]]):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        broken_off()
    assert len(store.names()) == 1
    assert store.clear_up(nothing_is_known) == 1
    assert store.names() == set()
    assert incoming(tmp_path) == []


@pytest.mark.parametrize("missing", [0, 1])
def test_room_is_asked_for_before_anything_is_written(
    store: PictureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: int
) -> None:
    data = picture(1)[2]
    free = SPARE_BYTES + len(data) - missing
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(1 << 40, 0, free))
    if not missing:
        put(store, 1)
        return
    with pytest.raises(OutputError, match="nothing was changed") as caught:
        put(store, 1)
    assert "34 MB" in str(caught.value)
    assert "Free some space" in caught.value.advice
    assert incoming(tmp_path) == []
    assert store.names() == set()


def full_at(name: str, monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Let the disk be full at the one of these steps."""
    own: dict[str, Any] = {"fsync": os.fsync, "write": files_module._write_synced}

    def fsync(number: int) -> None:
        del number
        raise OSError(errno.ENOSPC, "No space left on device")

    def write(path: Path, data: bytes) -> None:
        if path.suffix == ".jpg":
            path.write_bytes(data[: len(data) // 2])
            raise OSError(errno.ENOSPC, "No space left on device")
        own["write"](path, data)

    if name == "sync":
        monkeypatch.setattr(os, "fsync", fsync)
    else:
        monkeypatch.setattr(files_module, "_write_synced", write)
    return monkeypatch.undo


@pytest.mark.parametrize("step", ["write", "sync"])
def test_a_disk_that_is_full_while_writing_leaves_no_picture_and_one_sentence(
    store: PictureStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    (kept,) = put(store, 7)
    relent = full_at(step, monkeypatch)
    with pytest.raises(OutputError) as caught:
        put(store, 1, 2, 3)
    relent()
    assert "No space left on device; nothing was changed" in str(caught.value)
    assert "\n" not in caught.value.sentence()
    assert store.names() == {kept}
    store.clear_up(lambda sha256: sha256 == picture(7)[0])
    assert incoming(tmp_path) == []
    assert len(put(store, 1, 2, 3)) == 3
    assert len(store.names()) == 4


def test_pictures_that_cannot_be_removed_are_told_in_one_sentence(
    store: PictureStore, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    names = put(store, 1)
    left_behind(tmp_path, names)
    own = type(tmp_path).unlink

    def refuse(path: Path, missing_ok: bool = False) -> None:
        if path.suffix == ".jpg":
            raise PermissionError(errno.EACCES, "Permission denied")
        own(path, missing_ok=missing_ok)

    monkeypatch.setattr(type(tmp_path), "unlink", refuse)
    with pytest.raises(OutputError, match="Permission denied"):
        store.clear_up(nothing_is_known)
    monkeypatch.undo()
    assert store.clear_up(nothing_is_known) == 1
    assert incoming(tmp_path) == []


def test_a_file_where_pictures_should_be_is_told_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / IMAGES_NAME).write_bytes(b"")
    with pytest.raises(OutputError, match="cannot be written") as caught:
        PictureStore(tmp_path)
    assert "--data" in caught.value.advice
