"""The evaluation on real photographs, on a folder of painted ones whose answers are known."""

from __future__ import annotations

import collections
import csv
import dataclasses
import json
import shutil
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import torch
from made_answers import bare_view, compared, followed, judged, moved, not_compared
from made_run import FOLDS, made_examples, made_logits
from made_scores import PaintReader, painted_photo, sure_of
from PIL import Image

from pestvision.findings.check import check_photo
from pestvision.findings.finding import NightResult
from pestvision.organisms.classes import Group
from pestvision.organisms.classify import Classifier
from pestvision.organisms.net import INPUT_PX, as_input, build_net
from pestvision.organisms.proposal_weights import WEIGHTS_FILE, load_proposal_weights
from pestvision.organisms.weights import find_models, load_card
from training import evaluate
from training.evaluate import (
    check_backgrounds,
    check_real_photos,
    count_found,
    fold_classifiers,
    fold_rankings,
    markdown,
    scan_series,
)
from training.ship import run_figures, save_scores

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.finding import PhotoCheck
    from pestvision.organisms.classify import Scores
    from pestvision.organisms.proposal_weights import ProposalWeights
    from pestvision.photos.read import Photo

LEECH: BoxXyxy = (400.0, 250.0, 500.0, 300.0)
SNAIL: BoxXyxy = (60.0, 60.0, 140.0, 120.0)
PHOTOS = {  # the animals on it, the photographer
    "leech.png": ([(LEECH, Group.LEECH_LIKE)], "p0"),
    "snail.png": ([(SNAIL, Group.HARMLESS)], "p0"),
    "misjudged.png": ([(SNAIL, Group.HARMLESS)], "p1"),
    "both.png": ([(LEECH, Group.LEECH_LIKE), (SNAIL, Group.HARMLESS)], "p0"),
    "unboxed.png": ([], "p1"),
}
PHOTO_FOLDS = {"p0": 0, "p1": 1}


class SaysFlatworm(PaintReader):
    """A fold's net that is wrong about everything: it shows whose answer was taken."""

    def classify(self, crops: Sequence[U8]) -> list[Scores]:
        return [sure_of(Group.FLATWORM_LIKE) for _ in crops]


READERS: Any = [PaintReader(), SaysFlatworm()]


def write_csv(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Painted photographs in the layout of the real ones."""
    boxes = []
    for place in ("photos", "backgrounds"):
        (tmp_path / place).mkdir()
    for name, (animals, _) in PHOTOS.items():
        Image.fromarray(painted_photo(animals).rgb).save(tmp_path / "photos" / name)
        for (x0, y0, x1, y1), group in animals:
            boxes.append(
                {"file": name, "x0": x0, "y0": y0, "x1": x1, "y1": y1, "group": str(group)}
            )
    write_csv(tmp_path / "boxes.csv", boxes)
    photos = [{"file": name, "source": source} for name, (_, source) in PHOTOS.items()]
    write_csv(tmp_path / "photos.csv", photos)
    bare = Image.fromarray(painted_photo([]).rgb)
    for name in ("one.png", "two.png"):
        bare.save(tmp_path / "backgrounds" / name)
    grounds = [{"file": "one.png", "source": "p0"}, {"file": "two.png", "source": "p1"}]
    write_csv(tmp_path / "backgrounds.csv", grounds)
    return tmp_path


def test_every_photo_is_judged_by_the_net_of_its_photographers_fold(folder: Path) -> None:
    found = check_real_photos(folder, READERS, PHOTO_FOLDS)
    # a photo with animals of two groups, or without a box, has no one right verdict
    assert found["verdicts"] == {
        "leech-like": {"leech-like": 1},
        "harmless": {"harmless": 1, "flatworm-like": 1},
    }
    # leech twice, 100 of 600 pixels: 17 %; snail three times, 80 of 600: 13 %
    assert found["proposals"] == {"15% to 40%": [2, 2], "5% to 15%": [3, 3]}


def test_every_photo_is_ranked_by_the_weights_of_its_photographers_fold(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shipped = load_proposal_weights()
    rankings = [dataclasses.replace(shipped, start=float(fold)) for fold in range(2)]
    asked = []

    def noted(photo: Photo, classifier: Classifier, *, ranking: ProposalWeights) -> PhotoCheck:
        asked.append((photo.name, ranking.start))
        return check_photo(photo, classifier, ranking=ranking)

    monkeypatch.setattr(evaluate, "check_photo", noted)
    check_real_photos(folder, READERS, PHOTO_FOLDS, rankings=rankings)
    assert asked == [("leech.png", 0.0), ("snail.png", 0.0), ("misjudged.png", 1.0)]
    asked.clear()
    check_backgrounds(folder, READERS, PHOTO_FOLDS, rankings=rankings)
    assert asked == [("one.png", 0.0), ("two.png", 1.0)]


def test_without_rankings_of_the_folds_the_command_to_run_first_is_named(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match=r"training\.proposal_score first"):
        fold_rankings(tmp_path)
    for fold in (1, 0):
        shutil.copy(WEIGHTS_FILE, tmp_path / f"proposals-fold{fold}.json")
    assert len(fold_rankings(tmp_path)) == 2


def test_backgrounds_are_judged_out_of_fold_too(folder: Path) -> None:
    found = check_backgrounds(folder, READERS, PHOTO_FOLDS)
    assert found == {"not-an-organism": 1, "flatworm-like": 1}


def counted(
    box: BoxXyxy, proposed: Sequence[BoxXyxy], *, group: str = "harmless", side_px: int = 1000
) -> tuple[dict[str, int], dict[str, int]]:
    counts: tuple[collections.Counter[str], collections.Counter[str]] = (
        collections.Counter(),
        collections.Counter(),
    )
    x0, y0, x1, y1 = box
    row = {"group": group, "x0": f"{x0}", "y0": f"{y0}", "x1": f"{x1}", "y1": f"{y1}"}
    count_found([row], proposed, side_px, counts)
    return dict(counts[0]), dict(counts[1])


@pytest.mark.parametrize(
    ("side_px", "key"),
    [
        (50.0, "0% to 5%"),
        (50.5, "5% to 15%"),
        (150.0, "5% to 15%"),
        (400.0, "15% to 40%"),
        (800.0, "40% to 80%"),
        (801.0, "80% to 100%"),
        (1000.0, "80% to 100%"),
    ],
)
def test_an_animal_is_counted_by_its_long_sides_share(side_px: float, key: str) -> None:
    for box in ((0.0, 0.0, side_px, 20.0), (0.0, 0.0, 20.0, side_px)):
        assert counted(box, [box]) == ({key: 1}, {key: 1})


def test_an_animal_is_met_from_two_fifths_of_common_area_on() -> None:
    whole = (0.0, 0.0, 1000.0, 1000.0)
    box = (0.0, 0.0, 100.0, 100.0)
    key = "5% to 15%"
    assert counted(box, [whole, (0.0, 0.0, 100.0, 40.0)]) == ({key: 1}, {key: 1})
    assert counted(box, [whole, (0.0, 0.0, 100.0, 39.0)]) == ({key: 0}, {key: 1})
    assert counted(box, []) == ({key: 0}, {key: 1})


def test_a_boxed_thing_that_is_no_organism_need_not_be_met() -> None:
    assert counted((0.0, 0.0, 100.0, 100.0), [], group="not-an-organism") == ({}, {})


def test_the_nets_of_the_folds_come_in_order_with_the_shipped_card(tmp_path: Path) -> None:
    nets = []
    for fold in range(2):
        torch.manual_seed(fold)
        nets.append(build_net().eval())
        state = {name: value.half() for name, value in nets[-1].state_dict().items()}
        torch.save(state, tmp_path / f"fold{fold}.pt")
    crops = list(np.random.default_rng(0).integers(0, 256, (1, INPUT_PX, INPUT_PX, 3), np.uint8))
    with torch.inference_mode():
        expected = [net(as_input(crops)).numpy() for net in nets]
    classifiers = fold_classifiers(tmp_path)
    assert len(classifiers) == 2
    assert np.abs(expected[0] - expected[1]).max() > 0.05 * np.abs(expected[0]).max()
    for classifier, logits in zip(classifiers, expected, strict=True):
        assert np.abs(classifier.logits(crops) - logits).max() <= 0.01 * np.abs(logits).max()
        assert classifier.card.rules == load_card(find_models()).rules


def made_series(name: str) -> NightResult:
    leech, twig = judged("leech-like"), judged("not-an-organism")
    box = (0.0, 0.0, 9.0, 9.0)
    photos = ["1.jpg", "2.jpg", "3.jpg"]
    one = bare_view(
        "one",
        photos,
        pairs=(
            compared("1.jpg", "2.jpg", moved(1, leech, second=box), moved(0, twig, first=box)),
            not_compared("2.jpg", "3.jpg"),
        ),
        tracks=(
            followed(1, leech, [("2.jpg", box)]),
            followed(2, judged("cant-tell"), [("3.jpg", box)]),
        ),
    )
    two = bare_view(
        "two",
        photos,
        pairs=(compared("1.jpg", "2.jpg", moved(1, leech, first=box)),),
        tracks=(followed(1, leech, [("1.jpg", box)]),),
    )
    return NightResult(name, (one, two) if name == "busy" else ())


def test_a_series_is_counted_over_all_its_views(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("empty", "busy"):
        (tmp_path / "sequences" / name).mkdir(parents=True)
    monkeypatch.setattr(evaluate, "scan_night", lambda path, _classifier: made_series(path.name))
    found = scan_series(tmp_path, READERS[0])
    assert list(found) == ["busy", "empty"]
    assert found["busy"] == {
        "views": 2, "pairs": 3, "aligned": 2, "moved": 3,
        "tracks": {"leech-like": 2, "cant-tell": 1},
    }  # fmt: skip
    assert found["empty"] == {"views": 0, "pairs": 0, "aligned": 0, "moved": 0, "tracks": {}}


@pytest.fixture
def figures(tmp_path: Path) -> dict[str, Any]:
    ground = np.zeros((0, 14), dtype=np.float32)
    return {
        "crops": save_scores(tmp_path, made_examples(), made_logits(), ground, [], None, FOLDS),
        "photos": {
            "verdicts": {
                "leech-like": {"leech-like": 7, "cant-tell": 2, "harmless": 1},
                "harmless": {"harmless": 10},
            },
            "proposals": {"5% to 15%": [0, 10], "15% to 40%": [9, 10], "40% to 80%": [5, 50]},
        },
        "backgrounds": {"not-an-organism": 18, "harmless": 2},
        "series": {
            "busy": {"pairs": 3, "aligned": 2, "moved": 3, "tracks": {"leech-like": 2, "harmless": 1}},
            "quiet": {"pairs": 1, "aligned": 1, "moved": 0, "tracks": {}},
        },
    }  # fmt: skip


def test_the_tables_are_what_they_are_by_hand(figures: dict[str, Any]) -> None:
    """Intervals of 9 of 10, 0 of 10 and 5 of 50: Newcombe 1998, method 3 (0.5958 to 0.9821, ...)."""
    lines = markdown(figures).splitlines()
    for line in (
        "| true group | crops | sources | right | share | 95 % (Wilson) |",
        "| leech-like | 4 | 2 | 3 | 0.75 | 0.30 to 0.95 |",
        "| flatworm-like | 3 | 2 | 2 | 0.67 | 0.21 to 0.94 |",
        "| leech-like | 10 | 7 | 0 | 1 | 0 | 2 | 0.70 | 0.90 (0.60 to 0.98) |",
        "| harmless | 10 | 0 | 0 | 10 | 0 | 0 | 1.00 | 1.00 (0.72 to 1.00) |",
        "| backgrounds | 20 | 0 | 0 | 2 | 18 | 0 | | |",
        "| 15% to 40% | 10 | 0.90 (0.60 to 0.98) |",
        "| 40% to 80% | 50 | 0.10 (0.04 to 0.21) |",
        "| 5% to 15% | 10 | 0.00 (0.00 to 0.28) |",
        "| busy | 3 | 2 | 3 | 1 harmless, 2 leech-like |",
        "| quiet | 1 | 1 | 0 | none |",
    ):
        assert line in lines
    order = [lines.index(next(x for x in lines if x.startswith(f"| {n}%"))) for n in (5, 15, 40)]
    assert order == sorted(order)  # from small to large, not as words are sorted


def test_every_row_of_a_table_has_as_many_cells_as_its_head(figures: dict[str, Any]) -> None:
    tables = markdown(figures).split("\n\n")
    assert len(tables) == 4
    for table in tables:
        rows = table.strip().splitlines()
        assert set(rows[1]) <= set("|-")
        assert len({row.count("|") for row in rows}) == 1


def test_a_group_of_which_no_crop_was_seen_has_a_row_without_a_share(
    figures: dict[str, Any],
) -> None:
    figures["crops"]["groups"]["flatworm-like"] = {
        "n": 0, "n_sources": 0, "right": 0, "wilson_95": [0.0, 1.0]
    }  # fmt: skip
    assert "| flatworm-like | 0 | 0 | 0 | – | 0.00 to 1.00 |" in markdown(figures).splitlines()


def test_one_command_leaves_the_figures_as_json_and_as_tables(
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    runs = tmp_path / "runs"
    runs.mkdir()
    (folder / "sequences" / "busy").mkdir(parents=True)
    ground = np.zeros((0, 14), dtype=np.float32)
    save_scores(runs, made_examples(), made_logits(), ground, [], None, FOLDS)
    (runs / "folds.json").write_text(json.dumps(PHOTO_FOLDS), encoding="utf-8")
    for fold in range(2):
        shutil.copy(WEIGHTS_FILE, runs / f"proposals-fold{fold}.json")
    monkeypatch.setenv("PESTVISION_PHOTOS", str(folder))
    monkeypatch.setattr(evaluate, "fold_classifiers", lambda _runs: READERS)
    monkeypatch.setattr(evaluate, "scan_night", lambda path, _classifier: made_series(path.name))
    monkeypatch.setattr(Classifier, "load", classmethod(lambda _cls: READERS[0]))
    evaluate.main(["--runs", str(runs)])
    said = json.loads((runs / "figures.json").read_text(encoding="utf-8"))
    assert said["crops"] == run_figures(runs)
    assert said["series"]["busy"]["moved"] == 3
    assert said["backgrounds"] == {"not-an-organism": 1, "flatworm-like": 1}
    text = (runs / "figures.md").read_text(encoding="utf-8")
    assert text == markdown(said)
    assert text in capsys.readouterr().out
