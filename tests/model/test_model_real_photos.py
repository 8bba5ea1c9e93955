"""The check on real photographs: whatever they show, it answers, and the answer keeps the contract.

What it says of them is no matter here: it has learned from them. Figures out of fold stand in
`training/README.md`.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
from contract import assert_keeps_contract

from pestvision.findings.check import check_photo
from pestvision.findings.judge import worry
from pestvision.organisms.classify import Classifier
from pestvision.photos.read import read_photo
from pestvision.settings import CheckSettings, PhotoSettings, Settings

if TYPE_CHECKING:
    from pathlib import Path

N_PHOTOS = 12
CLOSE_UP_SHARE = 0.05
"""A close-up's animal fills this share of the frame or more; smaller ones may be overlooked."""
MOST_OVERLOOKED = 1
"""Of the close-ups of the sample: of animals of 5 to 15 % of the frame one in four is met by no box
(`training/README.md`), of larger ones hardly any."""
LEAST_PX = PhotoSettings().min_megapixels * 1e6

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    return Classifier.load()


@dataclass(frozen=True)
class Picked:
    """A photograph of the sample; `share` is the longest boxed animal's side over the photo's."""

    path: Path
    width: int
    height: int
    share: float


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def picked(real_photos: Path) -> list[Picked]:
    """Twelve photographs, each of another setting and by another photographer, small and large ones."""
    length_px: dict[str, float] = {}
    for row in rows_of(real_photos / "boxes.csv"):
        x0, y0, x1, y1 = (float(row[key]) for key in ("x0", "y0", "x1", "y1"))
        if row["group"] != "not-an-organism":
            length_px[row["file"]] = max(length_px.get(row["file"], 0.0), x1 - x0, y1 - y0)
    by_setting: dict[str, list[tuple[str, Picked]]] = {}
    for row in rows_of(real_photos / "photos.csv"):
        path, width, height = real_photos / "photos" / row["file"], row["width"], row["height"]
        share = length_px.get(row["file"], 0.0) / max(int(width), int(height))
        one = Picked(path, int(width), int(height), share)
        if one.width * one.height >= LEAST_PX and share > 0:
            by_setting.setdefault(row["setting"], []).append((row["source"], one))
    known: set[str] = set()
    sample: list[Picked] = []
    for members in by_setting.values():  # the smallest of one setting, the largest of the next
        members.sort(key=lambda item: item[1].width * item[1].height)
        others = [item for item in members if item[0] not in known]
        if others and len(sample) < N_PHOTOS:
            source, one = others[-(len(sample) % 2)]
            known.add(source)
            sample.append(one)
    return sample


def test_the_sample_is_of_many_settings_sizes_and_shapes(picked: list[Picked]) -> None:
    assert len({one.path for one in picked}) == N_PHOTOS
    n_px = [one.width * one.height for one in picked]
    assert max(n_px) >= 4 * min(n_px)
    assert len({one.width > one.height for one in picked}) == 2
    assert sum(one.share >= CLOSE_UP_SHARE for one in picked) >= 10


def test_every_real_photograph_is_answered_in_the_contracts_form(
    picked: list[Picked], classifier: Classifier
) -> None:
    overlooked = []
    for one in picked:
        answer = check_photo(read_photo(one.path), classifier)
        said = json.loads(json.dumps(answer.as_json(), allow_nan=False))
        assert_keeps_contract(said)
        assert said["photo"] == one.path.name
        assert (said["width"], said["height"]) == (one.width, one.height)
        assert len(said["findings"]) <= CheckSettings().max_findings
        if one.share >= CLOSE_UP_SHARE and not said["findings"]:
            overlooked.append((one.path.name, one.share))
        if said["findings"]:
            assert said["verdict"]["label"] == said["findings"][0]["label"]
        for finding, plain in zip(answer.findings, said["findings"], strict=True):
            x0, y0, x1, y1 = finding.box_xyxy_px
            assert 0 <= x0 < x1 <= one.width
            assert 0 <= y0 < y1 <= one.height
            assert plain["box_xyxy_px"] == pytest.approx(finding.box_xyxy_px, abs=0.051)
            assert finding.crop_rgb.shape == (224, 224, 3)
        order = [worry(finding.judgement) for finding in answer.findings]
        assert order == sorted(order, reverse=True)
    assert len(overlooked) <= MOST_OVERLOOKED, overlooked


def test_a_check_of_a_real_photograph_repeats_itself(
    picked: list[Picked], classifier: Classifier
) -> None:
    first, second = (check_photo(read_photo(picked[0].path), classifier) for _ in range(2))
    assert first.as_json() == second.as_json()


def test_a_single_finding_can_be_asked_for(picked: list[Picked], classifier: Classifier) -> None:
    settings = Settings(check=CheckSettings(max_findings=1))
    for one in [one for one in picked if one.share >= CLOSE_UP_SHARE][:4]:
        answer = check_photo(read_photo(one.path), classifier, settings=settings)
        assert len(answer.findings) == 1
        assert answer.verdict == answer.findings[0].judgement


def test_a_marked_region_of_a_real_photograph_is_the_one_finding(
    picked: list[Picked], classifier: Classifier
) -> None:
    for one in picked[:4]:
        box = (0.25 * one.width, 0.25 * one.height, 0.75 * one.width, 0.75 * one.height)
        said = check_photo(read_photo(one.path), classifier, box_xyxy_px=box).as_json()
        assert_keeps_contract(said)
        (finding,) = said["findings"]
        assert finding["box_xyxy_px"] == pytest.approx(box, abs=0.051)
