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
from made_figures import made_figures
from made_run import example_of
from made_scores import GROUND, PaintReader, paint_of, painted_photo, sure_of
from PIL import Image

from pestvision.findings.check import check_photo
from pestvision.findings.finding import NightResult
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE, GROUPS, Group
from pestvision.organisms.classify import Classifier
from pestvision.organisms.crops import cut_crop
from pestvision.organisms.net import INPUT_PX, as_input, build_net
from pestvision.organisms.proposal_weights import WEIGHTS_FILE, load_proposal_weights
from pestvision.organisms.weights import CARD_NAME, find_models, load_card
from training import evaluate
from training.evaluate import (
    check_backgrounds,
    check_real_photos,
    count_found,
    draw_held_out,
    fold_classifiers,
    fold_rankings,
    markdown,
    out_of_fold,
    scan_series,
)
from training.model_card import SECTIONS, SHEET_NAME, TEXT_NAME
from training.ship import save_scores

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import F32, U8, BoxXyxy
    from pestvision.findings.finding import PhotoCheck
    from pestvision.organisms.classify import Scores
    from pestvision.organisms.proposal_weights import ProposalWeights
    from pestvision.photos.read import Photo
    from training.data import Example

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


def test_the_tables_are_what_they_are_by_hand() -> None:
    """Intervals of 9 of 10, 0 of 10 and 5 of 50: Newcombe 1998, method 3 (0.5958 to 0.9821, ...)."""
    lines = markdown(made_figures()).splitlines()
    for line in (
        "| true group | crops | sources | right | share | 95 % (Wilson) |",
        "| leech-like | 4 | 2 | 3 | 0.75 | 0.30 to 0.95 |",
        "| leech-like | 10 | 7 | 0 | 1 | 0 | 2 | 0.70 | 0.90 (0.60 to 0.98) |",
        "| harmless | 10 | 0 | 0 | 10 | 0 | 0 | 1.00 | 1.00 (0.72 to 1.00) |",
        "| backgrounds | 20 | 0 | 0 | 2 | 18 | 0 | | |",
        "| 15% to 40% | 10 | 0.90 (0.60 to 0.98) |",
        "| 40% to 80% | 50 | 0.10 (0.04 to 0.21) |",
        "| 5% to 15% | 10 | 0.00 (0.00 to 0.28) |",
        "| busy | 3 | 2 | 3 | 1 harmless, 2 leech-like |",
        "| quiet | 1 | 1 | 0 | none |",
        "| photographs | 12 px | 14, 4 | 0.654 | 0.920 | 0.802 | 0.938 | 0.124 |",
        "| leeches on skin | 12, 3 | 0.660 | 0.790 | 0.660 |",
        "| leech | 10 | 9 | 0.90 | 0.60 to 0.98 |",
    ):
        assert line in lines
    order = [lines.index(next(x for x in lines if x.startswith(f"| {n}%"))) for n in (5, 15, 40)]
    assert order == sorted(order)  # from small to large, not as words are sorted


def test_every_row_of_a_table_has_as_many_cells_as_its_head() -> None:
    blocks = markdown(made_figures()).split("\n\n")
    tables = [block for block in blocks if block.startswith("|")]
    assert len(tables) == 18
    for table in tables:
        rows = table.strip().splitlines()
        assert set(rows[1]) <= set("|-"), table
        assert len({row.count("|") for row in rows}) == 1, table


def test_a_group_of_which_no_crop_was_seen_has_a_row_without_a_share() -> None:
    line = "| not-an-organism | 0 | 0 | 0 | – | 0.00 to 1.00 |"
    assert line in markdown(made_figures()).splitlines()


@pytest.fixture
def models(tmp_path: Path) -> Path:
    """A folder with cards of its own."""
    folder = tmp_path / "models"
    folder.mkdir()
    shutil.copy(find_models() / CARD_NAME, folder / CARD_NAME)
    text = "\n\n".join(f"<!-- measured: {name} -->\n<!-- end: {name} -->" for name in SECTIONS)
    (folder / TEXT_NAME).write_text(text, encoding="utf-8")
    return folder


def test_the_parts_asked_for_are_measured_and_the_others_stay(
    folder: Path,
    models: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    runs = tmp_path / "runs"
    runs.mkdir()
    (folder / "sequences" / "busy").mkdir(parents=True)
    before = {"crops": made_figures()["crops"], "series": {}}
    (runs / "figures.json").write_text(json.dumps(before), encoding="utf-8")
    (runs / "folds.json").write_text(json.dumps(PHOTO_FOLDS), encoding="utf-8")
    for fold in range(2):
        shutil.copy(WEIGHTS_FILE, runs / f"proposals-fold{fold}.json")
    monkeypatch.setenv("PESTVISION_PHOTOS", str(folder))
    monkeypatch.setattr(evaluate, "fold_classifiers", lambda _runs, _models: READERS)
    monkeypatch.setattr(evaluate, "scan_night", lambda path, _classifier: made_series(path.name))
    monkeypatch.setattr(Classifier, "load", classmethod(lambda _cls, _folder: READERS[0]))
    words = ["--runs", str(runs), "--models", str(models)]
    evaluate.main([*words, "--only", "photos", "backgrounds", "series"])
    said = json.loads((runs / "figures.json").read_text(encoding="utf-8"))
    assert said["crops"] == before["crops"]
    assert said["series"]["busy"]["moved"] == 3
    assert said["backgrounds"] == {"not-an-organism": 1, "flatworm-like": 1}
    text = (runs / "figures.md").read_text(encoding="utf-8")
    assert text == markdown(said)
    assert text in capsys.readouterr().out
    card = json.loads((models / CARD_NAME).read_text(encoding="utf-8"))
    assert card["figures"]["photos"] == said["photos"]
    assert "| busy | 3 |" in (models / TEXT_NAME).read_text(encoding="utf-8")


class ReadsStripes(PaintReader):
    """A net whose answer is painted on the crop, and whose logits are made of it."""

    card: Any

    def __init__(self) -> None:
        self.card = load_card(find_models())
        self.head = None
        self.n_crops = 0

    def logits(self, crops: Sequence[U8]) -> F32:
        return np.log(np.stack([item.p_fine + 1e-6 for item in self.classify(crops)]))


def painted_example(group: int, source: str) -> Example:
    canvas = np.full((320, 320, 3), GROUND, np.uint8)
    canvas[90:230, 90:230] = paint_of(GROUPS[group])
    opacity = np.zeros((320, 320), np.uint8)
    opacity[90:230, 90:230] = 255
    item = example_of(group, source)
    crop = cut_crop(canvas, (90.0, 90.0, 230.0, 230.0))
    return dataclasses.replace(item, canvas=canvas, crop=crop, opacity=opacity, length_px=140.0)


def test_crops_sizes_drawings_and_shortcuts_are_measured_in_one_go(
    models: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = [painted_example(group, f"{group}{k}") for group in range(4) for k in range(4)]
    folds = {f"{group}{k}": k % 2 for group in range(4) for k in range(4)}
    grounds = [
        dataclasses.replace(
            painted_example(3, f"3{k}"), group=-1, opacity=None, setting=setting,
            canvas=np.full((320, 320, 3), GROUND, np.uint8),
            crop=np.full((224, 224, 3), GROUND, np.uint8),
        )
        for k in range(4) for setting in ("skin", "ground")
    ]  # fmt: skip
    drawn = [
        dataclasses.replace(
            painted_example(GROUPS.index(GROUP_OF_FINE[fine]), "drawn"), label=fine, licence="drawn"
        )
        for fine in FINE_NAMES
    ]
    reader: Any = ReadsStripes()
    scores = reader.logits([item.crop for item in real])
    held = reader.logits([item.crop for item in drawn])
    save_scores(tmp_path, real, scores, scores[:4], drawn, held, folds)
    (tmp_path / "folds.json").write_text(json.dumps(folds), encoding="utf-8")
    monkeypatch.setenv("PESTVISION_PHOTOS", str(tmp_path))
    monkeypatch.setattr(evaluate, "load_boxed", lambda _folder, **_: real)
    monkeypatch.setattr(evaluate, "load_nothing", lambda _folder, _rng, **_: grounds)
    monkeypatch.setattr(evaluate, "draw_once", lambda n, **_: drawn * n)
    monkeypatch.setattr(evaluate, "fold_classifiers", lambda _runs, _models: [reader, reader])
    monkeypatch.setattr(Classifier, "load", classmethod(lambda _cls, _folder: reader))
    (tmp_path / "figures.json").write_text("{}", encoding="utf-8")
    parts = ["crops", "sizes", "drawn", "shortcuts"]
    evaluate.main(["--runs", str(tmp_path), "--models", str(models), "--only", *parts])
    said = json.loads((tmp_path / "figures.json").read_text(encoding="utf-8"))
    assert set(said) == set(parts)
    assert said["crops"]["balanced_accuracy"] == 1.0
    assert said["crops"]["told"]["leeches_called_something_else"] == [0, 4]
    assert said["sizes"]["min_length_px"] == 8.0
    assert said["drawn"]["all"]["right"] == len(FINE_NAMES)
    laid = said["shortcuts"]["grounds"]
    assert (
        laid["leeches on tanks and plants"]["leech"] >= 0.9
    )  # a brighter ground may blur the paint
    assert laid["leeches painted out"]["leech"] == 0.0
    assert laid["bare skin and hands"]["right"] == 1.0
    assert set(said["shortcuts"]["styles"]["leech-like"].values()) == {1.0}
    card = json.loads((models / CARD_NAME).read_text(encoding="utf-8"))
    assert card["use"]["min_length_px"] == 8.0
    assert (models / SHEET_NAME).is_file()


def test_drawings_that_the_run_did_not_score_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = [painted_example(0, "drawn")] * len(FINE_NAMES)
    reader: Any = ReadsStripes()
    monkeypatch.setattr(evaluate, "draw_once", lambda _n, **_: drawn)
    logits = reader.logits([item.crop for item in drawn])
    saved = {"held_out": logits + 0.01}
    examples, p = draw_held_out(saved, reader, workers=1, cache=tmp_path)
    assert len(examples) == len(p) == len(FINE_NAMES)
    with pytest.raises(SystemExit, match=r"have changed since, so train again"):
        draw_held_out({"held_out": logits[::-1] - 1.0}, reader, workers=1, cache=tmp_path)


def test_a_crop_by_nobody_in_the_folds_is_shared_out_among_the_nets() -> None:
    asked: list[tuple[str, int]] = []

    class Counts(PaintReader):
        def __init__(self, name: str) -> None:
            super().__init__()
            self.name = name

        def classify(self, crops: Sequence[U8]) -> list[Scores]:
            asked.append((self.name, len(crops)))
            return super().classify(crops)

    nets: Any = [Counts("first"), Counts("second")]
    ask = out_of_fold(nets, {"p": 1})
    crops = [np.full((224, 224, 3), paint_of(group), np.uint8) for group in (*GROUPS, GROUPS[0])]
    p = ask(crops, ["drawn", "p", "p", "drawn", "drawn"])
    assert asked == [("first", 2), ("second", 3)]
    assert p.argmax(1).tolist() == [0, 1, 2, 3, 0]  # and everybody gets the own answer
