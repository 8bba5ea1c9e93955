"""The sample images are what their maker draws, and their truth and times are in order."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE
from training.scenes.make_samples import CLOSE_UP_BYTES, CLOSE_UPS, draw_sample, write_jpeg

MEAN_LEVELS = 1.5  # of 255: what other versions of the JPEG library and of OpenCV may change
MEGABYTE = 1_000_000


@pytest.fixture(scope="module")
def folder() -> Path:
    return Path(__file__).resolve().parents[2] / "sample_images"


@pytest.fixture(scope="module")
def truth(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "truth.json").read_text(encoding="utf-8"))


def taken(path: Path) -> datetime:
    with Image.open(path) as image:
        block = image.getexif().get_ifd(0x8769)
    assert block[0x9011] == "+01:00"
    text = f"{block[0x9003]}.{block[0x9291]}{block[0x9011]}"
    return datetime.strptime(text, "%Y:%m:%d %H:%M:%S.%f%z")


def test_a_close_up_drawn_again_is_the_one_that_is_shipped(
    folder: Path, truth: dict[str, Any]
) -> None:
    for index in (0, 3):
        drawn = draw_sample(CLOSE_UPS[index])
        with Image.open(folder / "close_ups" / f"{CLOSE_UPS[index].name}.jpg") as image:
            shipped = np.asarray(image).astype(int)
        # The file is compressed once more than the drawing: fine noise differs, the rest does not.
        assert np.abs(shipped.mean(axis=(0, 1)) - drawn.rgb.mean(axis=(0, 1))).max() < MEAN_LEVELS
        coarse = [x[::8, ::8].reshape(-1) for x in (shipped, drawn.rgb.astype(int))]
        assert np.abs(coarse[0] - coarse[1]).mean() < 8
        boxes = [item["box_xyxy_px"] for item in truth["close_ups"][index]["objects"]]
        assert boxes == [[round(v) for v in item.box_xyxy_px] for item in drawn.objects]


def test_the_same_picture_is_written_as_the_same_bytes(tmp_path: Path) -> None:
    rgb = np.random.default_rng(0).integers(0, 255, (90, 120, 3)).astype(np.uint8)
    when = datetime(2025, 1, 2, 3, 4, 5, 678_000, tzinfo=UTC)
    for name in ("a.jpg", "b.jpg"):
        write_jpeg(tmp_path / name, rgb, when, limit_bytes=CLOSE_UP_BYTES)
    assert (tmp_path / "a.jpg").read_bytes() == (tmp_path / "b.jpg").read_bytes()
    with pytest.raises(RuntimeError, match=r"a\.jpg"):
        write_jpeg(tmp_path / "a.jpg", rgb, when, limit_bytes=100)


def test_every_picture_is_listed_in_the_truth_and_the_other_way_round(
    folder: Path, truth: dict[str, Any]
) -> None:
    listed = {item["file"] for item in truth["close_ups"]}
    listed |= {photo["file"] for view in truth["night"] for photo in view["photos"]}
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*.jpg")}
    assert listed == there
    assert len(truth["night"]) == 2
    assert all(len(view["photos"]) == 8 for view in truth["night"])


def test_boxes_lie_in_their_pictures_and_classes_exist(folder: Path, truth: dict[str, Any]) -> None:
    pictures = [(item["file"], item["objects"]) for item in truth["close_ups"]]
    pictures += [(p["file"], p["animals"]) for view in truth["night"] for p in view["photos"]]
    for name, items in pictures:
        with Image.open(folder / name) as image:
            width, height = image.size
        for item in items:
            x0, y0, x1, y1 = item["box_xyxy_px"]
            assert 0 <= x0 < x1 <= width
            assert 0 <= y0 < y1 <= height
            assert item["fine"] in FINE_NAMES
            assert item["group"] == GROUP_OF_FINE[item["fine"]]


def test_the_times_in_the_files_are_those_of_the_truth_and_in_order(
    folder: Path, truth: dict[str, Any]
) -> None:
    for view in truth["night"]:
        times = [taken(folder / photo["file"]) for photo in view["photos"]]
        assert times == [datetime.fromisoformat(photo["taken"]) for photo in view["photos"]]
        assert times == sorted(set(times))


def test_every_view_shows_an_animal_that_moves(truth: dict[str, Any]) -> None:
    for view in truth["night"]:
        places: dict[int, set[tuple[int, ...]]] = {}
        for photo in view["photos"]:
            for animal in photo["animals"]:
                places.setdefault(animal["track"], set()).add(tuple(animal["box_xyxy_px"]))
        assert max(len(boxes) for boxes in places.values()) >= 4


def test_the_folder_stays_small_and_says_where_it_comes_from(folder: Path) -> None:
    sizes = {path: path.stat().st_size for path in folder.rglob("*") if path.is_file()}
    assert sum(sizes.values()) <= 6 * MEGABYTE
    assert max(sizes.values()) < MEGABYTE
    close_ups = [size for path, size in sizes.items() if path.parent.name == "close_ups"]
    assert len(close_ups) == len(CLOSE_UPS)
    assert max(close_ups) <= CLOSE_UP_BYTES
    licence = (folder / "LICENSES.md").read_text(encoding="utf-8")
    assert "MIT" in licence
    assert "invented" in licence
