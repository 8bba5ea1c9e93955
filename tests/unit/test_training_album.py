"""Exported albums as examples: what is learned from them, and that a tank is never split among folds."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pestvision.collection.exchange import export_album
from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE, GROUPS
from tests.made_albums import made_album, new_photo
from training import train
from training.album import load_albums
from training.data import draw_examples, fold_of_source

if TYPE_CHECKING:
    from pathlib import Path

    from training.train import Parts


@pytest.fixture
def album(tmp_path: Path) -> Path:
    """Twelve photos of three tanks and two of none, every crop labelled."""
    with Library(tmp_path / "data") as library:
        photos = [new_photo(seed) for seed in range(12)]
        photos += [new_photo(seed, tank=None) for seed in (12, 13)]
        numbers = add_photos(library, photos).crops
        for rank, number in enumerate(numbers):
            library.label([number], FINE_NAMES[rank % len(FINE_NAMES)])
        export_album(library, tmp_path / "mine", layout="table")
    return tmp_path / "mine"


def test_a_label_allows_its_class_and_a_group_all_of_its_classes(tmp_path: Path) -> None:
    with made_album(tmp_path / "data") as library:
        export_album(library, tmp_path / "mine", layout="coco")
        pictures = [library.picture(crop) for crop in library.every()]
    examples = load_albums([tmp_path / "mine"])
    # of eight crops: one disputed, one not known, three unlabelled
    assert [(item.label, item.source) for item in examples] == [
        ("leech", "album-Amber"),
        ("snail", "album-Moss"),
        ("harmless", "album-Slate"),
    ]
    leech, _, harmless = examples
    assert [FINE_NAMES[index] for index in np.flatnonzero(leech.allowed)] == ["leech"]
    assert {FINE_NAMES[index] for index in np.flatnonzero(harmless.allowed)} == {
        name for name in FINE_NAMES if GROUP_OF_FINE[name] == "harmless"
    }
    assert [GROUPS[item.group] for item in examples] == ["leech-like", "harmless", "harmless"]
    assert np.array_equal(leech.crop, pictures[0])
    assert leech.canvas.shape == (320, 320, 3)


def test_folds_never_split_a_tank(album: Path) -> None:
    examples = load_albums([album])
    folds = fold_of_source(examples)
    assert set(folds) == {"album-Amber", "album-Moss", "album-Slate", "album-mine"}
    assert len(examples) == 28
    assert len(set(folds.values())) == 4  # each in a fold of its own


def test_what_two_albums_share_is_learned_once_and_from_one_side(
    tmp_path: Path, album: Path
) -> None:
    with Library(tmp_path / "other") as library:
        numbers = add_photos(library, [new_photo(0, tank="Elsewhere"), new_photo(20)]).crops
        library.label(numbers, "snail")
        export_album(library, tmp_path / "theirs", layout="table")
    examples = load_albums([album, tmp_path / "theirs"])
    assert len(examples) == 30
    assert "album-Elsewhere" not in {item.source for item in examples}


def test_a_folder_that_is_no_album_is_told_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match=r"datapackage\.json is missing"):
        load_albums([tmp_path])


@pytest.mark.slow
def test_a_quick_run_learns_from_an_album_too(
    tmp_path: Path, album: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[Parts] = []
    drawn = draw_examples(1, seed=11)
    ground = [replace(item, source="ground", licence="open") for item in drawn[:3]]
    learn_folds = train.learn_folds

    def spied(recipe: object, parts: Parts, **options: object) -> object:
        seen.append(parts)
        return learn_folds(recipe, parts, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(train, "photos_folder", lambda: tmp_path)
    monkeypatch.setattr(train, "load_boxed", lambda *_args, **_options: [])
    monkeypatch.setattr(train, "ground_photos", lambda _folder: [])
    monkeypatch.setattr(train, "load_nothing", lambda *_args, **_options: ground)
    monkeypatch.setattr(train, "draw_once", lambda *_args, **_options: drawn)
    monkeypatch.setattr(train, "base_weights", lambda: None)
    monkeypatch.setattr(train, "learn_folds", spied)
    out, runs = tmp_path / "m", tmp_path / "r"
    train.main(
        [
            "--quick",
            "--device",
            "cpu",
            "--out",
            str(out),
            "--runs",
            str(runs),
            "--album",
            str(album),
        ]
    )
    (parts,) = seen
    assert len([item for item in parts.real if item.kind == "album"]) == 28
    folds = json.loads((runs / "folds.json").read_text(encoding="utf-8"))
    assert {"album-Amber", "album-Moss", "album-Slate", "album-mine", "ground"} == set(folds)
