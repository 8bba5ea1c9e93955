"""Exported albums, read by the programs of the standards they follow.

References: pycocotools (COCO's own reader), frictionless (the reader of Data Packages and Table Schema),
torchvision's ImageFolder, and `sha256sum` of GNU coreutils.
"""

from __future__ import annotations

import contextlib
import io
import shutil
import subprocess
from typing import TYPE_CHECKING

import numpy as np
import pytest
from frictionless import Package
from pycocotools.coco import COCO
from torchvision.datasets import ImageFolder

from pestvision.collection.exchange import export_album
from tests.made_albums import made_album

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pestvision.collection.library import Library


@pytest.fixture(scope="module")
def album(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    with made_album(tmp_path_factory.mktemp("album")) as library:
        yield library


def read_coco(path: Path) -> COCO:
    with contextlib.redirect_stdout(io.StringIO()):  # it tells how long it took
        return COCO(str(path))


def test_pycocotools_finds_every_box_where_it_is(album: Library, tmp_path: Path) -> None:
    export_album(album, tmp_path / "coco", layout="coco")
    coco = read_coco(tmp_path / "coco" / "coco.json")
    crops = list(album.every())
    found = coco.loadAnns(coco.getAnnIds())
    assert len(found) == len(crops) == 8
    for crop, item in zip(crops, found, strict=True):
        x, y, width, height = item["bbox"]
        assert (x, y, x + width, y + height) == pytest.approx(crop.box_xyxy_px, abs=1e-9)
        assert item["area"] == pytest.approx(width * height)
        (image,) = coco.loadImgs(item["image_id"])
        assert (tmp_path / "coco" / image["file_name"]).is_file()
        (category,) = coco.loadCats(item["category_id"])
        assert category["name"] == crop.label or crop.label is None
    (leech,) = coco.getCatIds(catNms=["leech"])
    assert len(coco.getImgIds(catIds=[leech])) == 1
    assert len(coco.getCatIds(supNms=["harmless"])) == 9  # eight classes and the group itself


def test_pycocotools_gives_the_same_overlaps_as_ours(album: Library, tmp_path: Path) -> None:
    from pycocotools import mask

    from pestvision.arrays import box_iou

    export_album(album, tmp_path / "coco", layout="coco")
    coco = read_coco(tmp_path / "coco" / "coco.json")
    boxes = np.array([item["bbox"] for item in coco.loadAnns(coco.getAnnIds())])
    theirs = mask.iou(boxes, boxes, [0] * len(boxes))
    ours = [[box_iou(a.box_xyxy_px, b.box_xyxy_px) for b in album.every()] for a in album.every()]
    assert np.allclose(theirs, ours)


def test_frictionless_finds_tables_and_keys_in_order(album: Library, tmp_path: Path) -> None:
    export_album(album, tmp_path / "table", layout="table", who="One")
    report = Package(str(tmp_path / "table" / "datapackage.json")).validate()
    assert report.valid, report.flatten(["title", "message"])
    assert [task.name for task in report.tasks] == ["photos", "crops", "labels"]


def test_that_frictionless_would_find_a_label_of_no_crop(album: Library, tmp_path: Path) -> None:
    export_album(album, tmp_path / "table", layout="table")
    path = tmp_path / "table" / "crops.csv"
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))
    report = Package(str(tmp_path / "table" / "datapackage.json")).validate()
    assert "foreign-key" in {kind for (kind,) in report.flatten(["type"])}


def test_torchvision_loads_crops_by_label(album: Library, tmp_path: Path) -> None:
    export_album(album, tmp_path / "folders", layout="image-folder")
    loaded = ImageFolder(str(tmp_path / "folders" / "by_label"))
    assert loaded.classes == ["harmless", "leech", "snail"]  # none disputed, unknown or unlabelled
    assert len(loaded) == 3
    leech = next(crop for crop in album.every() if crop.label == "leech")
    picture, number = loaded[1]
    assert loaded.classes[number] == "leech"
    assert np.array_equal(np.asarray(picture), album.picture(leech))


@pytest.mark.parametrize("layout", ["image-folder", "coco", "table"])
def test_sha256sum_agrees_with_every_file(album: Library, tmp_path: Path, layout: str) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("there is no sha256sum on this system")
    export_album(album, tmp_path / layout, layout=layout)
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"],
        cwd=tmp_path / layout,
        capture_output=True,
        text=True,
        check=True,
    )
    files = {
        path.relative_to(tmp_path / layout).as_posix()
        for path in (tmp_path / layout).rglob("*")
        if path.is_file()
    }
    assert {line.removesuffix(": OK") for line in checked.stdout.splitlines()} == files - {
        "SHA256SUMS"
    }
