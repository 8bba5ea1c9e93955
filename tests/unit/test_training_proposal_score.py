"""The fit of the ranking: counts by hand, a rule that can be learned is learned, real animals are met."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING, Any

import numpy as np
from made_scores import PaintReader, painted_photo
from PIL import Image

from pestvision.arrays import box_iou
from pestvision.organisms.box_features import FEATURES
from pestvision.organisms.candidates import overlap
from pestvision.organisms.classes import Group
from pestvision.organisms.classify import Classifier
from pestvision.organisms.proposal_weights import WEIGHTS_FILE, load_proposal_weights, score_boxes
from pestvision.organisms.propose import propose
from pestvision.photos.read import read_photo
from training import proposal_score
from training.data import PHOTO_SETTINGS, box_of, rows_of
from training.evaluate import FOUND_IOU, fold_rankings
from training.proposal_score import PhotoBoxes, by_rule, fit, is_met, markdown, meets, recall, write

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from pestvision.arrays import F64

LIFE = FEATURES.index("life_inside_fine")
LEAST_MET = 0.85
"""Share of the photos of every sixth file name with an animal met; 0.96 of 26 when this was written. The shipped
net and ranking have seen these photos: this guards what ships, and says nothing of new photos."""


def photo_of(
    boxes: list[tuple[float, ...]], animals: list[tuple[float, ...]], values: F64 | None = None
) -> PhotoBoxes:
    """Give a photo of 1000 x 1000 pixels."""
    edges, known = (np.array(item, np.float64).reshape(-1, 4) for item in (boxes, animals))
    sides = np.maximum(known[:, 2] - known[:, 0], known[:, 3] - known[:, 1])
    return PhotoBoxes(
        fold=0,
        source="p0",
        boxes=edges,
        values=np.zeros((len(edges), len(FEATURES))) if values is None else values,
        iou=overlap(edges, known),
        whole_iou=overlap(np.array([[0.0, 0.0, 1000.0, 1000.0]]), known)[0],
        share=sides / 1000,
    )


SMALL, MIDDLE, LARGE = (0, 0, 100, 100), (200, 200, 400, 400), (0, 0, 1000, 900)


def test_animals_are_counted_by_size_and_by_photo() -> None:
    photo = photo_of([SMALL, (500, 500, 600, 600), MIDDLE], [SMALL, MIDDLE, LARGE])
    first_small = np.array([3.0, 2.0, 1.0])
    # two boxes of three, and the whole frame, which meets the large one
    assert is_met(photo, first_small, most=3).tolist() == [True, False, True]
    assert is_met(photo, first_small, most=4).tolist() == [True, True, True]
    assert is_met(photo, first_small, most=1).tolist() == [False, False, True]
    counts = recall([photo, photo], [first_small, -first_small], most=2)
    assert counts == [[0, 0, 0, 0], [1, 2, 1, 2], [1, 2, 1, 2], [0, 0, 0, 0], [2, 2, 2, 2]]


def test_a_near_copy_of_a_chosen_box_takes_no_place() -> None:
    photo = photo_of([(0, 0, 100, 100), (0, 0, 100, 90), MIDDLE], [MIDDLE])
    assert is_met(photo, np.array([3.0, 2.0, 1.0]), most=3).all()


def test_a_photo_without_candidates_is_met_by_the_whole_frame_alone() -> None:
    photo = photo_of([], [SMALL, LARGE])
    assert is_met(photo, np.zeros(0), most=12).tolist() == [False, True]
    assert meets(photo).shape == (0,)


def test_the_rule_takes_the_coarse_map_for_wide_boxes() -> None:
    values = np.zeros((2, len(FEATURES)))
    values[:, FEATURES.index("long_side")] = np.log([0.5, 0.3])
    values[:, FEATURES.index("life_inside_coarse")] = 0.75
    values[:, LIFE] = 0.25
    values[:, FEATURES.index("rank")] = 0.5
    np.testing.assert_allclose(by_rule(values), [0.45, -0.05])


def made_photos(seed: int, n_photos: int) -> list[PhotoBoxes]:
    """Make photos whose animal is under the liveliest of 30 boxes that lie apart."""
    rng = np.random.default_rng(seed)
    grid = [(100 * i, 100 * j, 100 * i + 80, 100 * j + 80) for i in range(6) for j in range(5)]
    photos = []
    for _ in range(n_photos):
        values = rng.normal(size=(30, len(FEATURES)))
        photos.append(photo_of(grid, [grid[int(values[:, LIFE].argmax())]], values))
    return photos


def test_a_rule_that_can_be_learned_is_learned_and_written_as_it_is_read(tmp_path: Path) -> None:
    fitted = fit(made_photos(1, 60))
    unseen = made_photos(2, 40)
    path = tmp_path / "weights.json"
    read = write(fitted, path, origin="made photos")
    assert json.loads(path.read_text(encoding="utf-8"))["origin"] == "made photos"
    for weights in (fitted, read, load_proposal_weights(path)):
        met = [is_met(photo, score_boxes(photo.values, weights), most=3).all() for photo in unseen]
        assert np.mean(met) > 0.8  # two boxes of 30: by chance 0.07
    blind = [is_met(photo, np.zeros(30), most=3).all() for photo in unseen]
    assert np.mean(blind) < 0.3


def test_the_same_photos_give_the_same_weights() -> None:
    one, other = (fit(made_photos(1, 20), seed=3) for _ in range(2))
    np.testing.assert_array_equal(one.threshold, other.threshold)
    np.testing.assert_array_equal(one.answer, other.answer)


def test_the_table_has_a_row_for_each_size_ranking_and_number() -> None:
    photo = photo_of([SMALL, MIDDLE], [SMALL, MIDDLE])
    text = markdown([photo], {"one": [np.array([2.0, 1.0])], "other": [np.array([1.0, 2.0])]})
    rows = text.strip().split("\n")[2:]
    assert len(rows) == 2 * 2 * len(proposal_score.MOST)
    assert rows[0].startswith("| 5% to 15% | one | 12 | 1 of 1 | 1.00 (0.21 to 1.00) | 1 of 1 |")


def test_one_command_leaves_rankings_of_the_folds_the_table_and_the_weights(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    boxes = []
    (tmp_path / "photos").mkdir()
    for index in range(4):
        animal = (80.0 + 60 * index, 120.0, 180.0 + 60 * index, 180.0)
        # a mark on the glass stands out as much, and is no animal
        paint = [(animal, Group.LEECH_LIKE), ((420.0, 300.0, 480.0, 380.0), Group.NOT_AN_ORGANISM)]
        Image.fromarray(painted_photo(paint).rgb).save(tmp_path / "photos" / f"{index}.png")
        for box, group in paint:
            numbers = dict(zip(("x0", "y0", "x1", "y1"), box, strict=True))
            boxes.append({"file": f"{index}.png", "group": str(group)} | numbers)
    write_csv(tmp_path / "boxes.csv", boxes)
    photos = [{"file": f"{index}.png", "source": f"p{index % 2}"} for index in range(4)]
    write_csv(tmp_path / "photos.csv", photos)
    (tmp_path / "folds.json").write_text('{"p0": 0, "p1": 1}', encoding="utf-8")
    monkeypatch.setenv("PESTVISION_PHOTOS", str(tmp_path))
    monkeypatch.setattr(proposal_score, "fold_classifiers", lambda _runs: [PaintReader()] * 2)
    monkeypatch.setattr(proposal_score, "MIN_LEAF", 2)
    out = tmp_path / "weights.json"
    proposal_score.main(["--runs", str(tmp_path), "--out", str(out)])
    text = (tmp_path / "proposals.md").read_text(encoding="utf-8")
    assert text in capsys.readouterr().out
    # 100 of 600 pixels: 17 %; the mark is not counted
    assert "| 15% to 40% | fitted | 12 | 4 of 4 |" in text
    assert len(fold_rankings(tmp_path)) == 2
    assert len(load_proposal_weights(out).answer) == proposal_score.N_TREES
    assert "on 4 photos" in json.loads(out.read_text(encoding="utf-8"))["origin"]


def write_csv(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def test_a_sample_of_real_photos_has_an_animal_met(real_photos: Path) -> None:
    classifier = Classifier.load()
    animals: dict[str, list[dict[str, str]]] = {}
    for row in rows_of(real_photos / "boxes.csv"):
        if row["group"] != "not-an-organism":
            animals.setdefault(row["file"], []).append(row)
    sample = sorted(animals)[::6]
    assert len(sample) > 20
    met = []
    for name in sample:
        rgb = read_photo(real_photos / "photos" / name, settings=PHOTO_SETTINGS).rgb
        found = [item.box_xyxy_px for item in propose(rgb, classifier.organism_map)]
        assert len(found) <= 12
        met.append(
            any(box_iou(box_of(row), box) >= FOUND_IOU for row in animals[name] for box in found)
        )
    assert np.mean(met) >= LEAST_MET


def test_the_shipped_weights_are_written_by_this_command() -> None:
    origin = json.loads(WEIGHTS_FILE.read_text(encoding="utf-8"))["origin"]
    assert "python -m training.proposal_score" in origin
