"""Bursts: photos of one place in order of time, and what cannot be one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from pestvision.errors import ClipError, FolderError
from pestvision.photos.burst import open_burst
from pestvision.photos.series import photos_in

if TYPE_CHECKING:
    from pathlib import Path

EXIF_TAKEN, EXIF_SUBSECONDS, EXIF_IFD = 0x9003, 0x9291, 0x8769


def photo(path: Path, taken: str | None = None, part: str | None = None, side: int = 400) -> Path:
    rgb = np.random.default_rng(0).integers(90, 110, (300, side, 3), np.uint8)
    exif = Image.Exif()
    if taken is not None:
        exif.get_ifd(EXIF_IFD)[EXIF_TAKEN] = taken
    if part is not None:
        exif.get_ifd(EXIF_IFD)[EXIF_SUBSECONDS] = part
    Image.fromarray(rgb).save(path, exif=exif)
    return path


def test_photos_are_put_in_order_of_the_times_they_say(tmp_path: Path) -> None:
    photo(tmp_path / "a.jpg", "2026:03:01 22:00:02")
    photo(tmp_path / "b.jpg", "2026:03:01 22:00:00")
    photo(tmp_path / "c.jpg", "2026:03:01 22:00:01")
    burst = open_burst([tmp_path])
    assert [path.name for path in burst.paths] == ["b.jpg", "c.jpg", "a.jpg"]
    assert burst.times_s == (0.0, 1.0, 2.0)
    assert "to the second only" in burst.notes[0]
    frames = list(burst.frames())
    assert [frame.time_s for frame in frames] == [0.0, 1.0, 2.0]
    assert frames[0].full().shape == (300, 400, 3)
    assert burst.is_burst


def test_parts_of_a_second_are_used_where_the_photos_say_them(tmp_path: Path) -> None:
    paths = [
        photo(tmp_path / f"{i}.jpg", "2026:03:01 22:00:00", part)
        for i, part in enumerate(("10", "35", "60"))
    ]
    burst = open_burst(paths)
    assert burst.times_s == pytest.approx((0.0, 0.25, 0.5))
    assert burst.notes == []


def test_photos_of_one_second_are_spread_over_it_and_that_is_told(tmp_path: Path) -> None:
    taken = ["22:00:00", "22:00:00", "22:00:01", "22:00:01"]
    paths = [photo(tmp_path / f"{i}.jpg", f"2026:03:01 {at}") for i, at in enumerate(taken)]
    burst = open_burst(paths)
    assert burst.times_s == pytest.approx((0.0, 0.5, 1.0, 1.5))
    assert "--seconds-apart" in burst.notes[0]


def test_the_person_s_own_interval_goes_before_all(tmp_path: Path) -> None:
    paths = [photo(tmp_path / name) for name in ("photo 10.jpg", "photo 9.jpg", "photo 11.jpg")]
    burst = open_burst(paths, seconds_apart=0.5)
    assert [path.name for path in burst.paths] == ["photo 9.jpg", "photo 10.jpg", "photo 11.jpg"]
    assert burst.times_s == (0.0, 0.5, 1.0)


def test_what_cannot_be_a_burst_is_told_in_a_sentence(tmp_path: Path) -> None:
    one = photo(tmp_path / "1.jpg")
    with pytest.raises(ClipError, match="takes two or more"):
        open_burst([one])
    two = photo(tmp_path / "2.jpg")
    with pytest.raises(ClipError, match="says when it was taken") as caught:
        open_burst([one, two])
    assert "--seconds-apart" in caught.value.advice
    late = [photo(tmp_path / f"{day}.png.jpg", f"2026:03:0{day} 22:00:00") for day in (1, 2)]
    with pytest.raises(ClipError, match="more than an hour"):
        open_burst(late)
    (tmp_path / "empty").mkdir()
    with pytest.raises(ClipError, match="0 photos"):
        open_burst([tmp_path / "empty"])
    with pytest.raises(FolderError):
        photos_in(tmp_path / "nowhere")


def test_photos_of_another_size_and_damaged_ones_are_left_out_with_a_note(tmp_path: Path) -> None:
    for index in range(3):
        photo(tmp_path / f"{index}.jpg")
    photo(tmp_path / "odd.jpg", side=500)
    (tmp_path / "torn.jpg").write_bytes((tmp_path / "0.jpg").read_bytes()[:900])
    burst = open_burst([tmp_path], seconds_apart=1)
    assert len(burst.paths) == 3
    assert any("odd.jpg" in note for note in burst.notes)
    assert any("torn.jpg" in note for note in burst.notes)
