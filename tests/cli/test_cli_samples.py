"""The whole way on the sample images: real files in, the real net, the answers against the truth."""

from __future__ import annotations

import html
import json
import math
from typing import TYPE_CHECKING, Any

import pytest
from PIL import Image

from pestvision.errors import WeightsError
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import GROUPS, LABELS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from typer.testing import Result

    TypeIn = Callable[..., Result]

MIN_RIGHT_SHARE = 0.5
"""Of the close-ups: enough to see that boxes, crops, net and labels are wired together rightly. How
good the net is, is measured on many more pictures and told in training/README.md."""


@pytest.fixture(autouse=True, scope="module")
def weights() -> None:
    """Skip where there are none yet; that the project ships them is tested with the wheel."""
    from pestvision.organisms.weights import find_models

    try:
        find_models()
    except WeightsError as error:
        pytest.skip(f"the net is not trained here: {error}")


@pytest.fixture
def truth(samples: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((samples / "truth.json").read_text(encoding="utf-8"))
    return found


def true_group(close_up: dict[str, Any]) -> str:
    groups = {item["group"] for item in close_up["objects"]}
    return next(str(group) for group in GROUPS if group in groups)  # the most worrying


@pytest.mark.slow
def test_the_close_ups_are_answered_and_most_are_right(
    type_in: TypeIn, samples: Path, truth: dict[str, Any], tmp_path: Path
) -> None:
    photos = [samples / item["file"] for item in truth["close_ups"]]
    result = type_in("check", "--json", "--crops", tmp_path, *photos)
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    answers = [json.loads(line) for line in result.stdout.splitlines()]
    assert [answer["photo"] for answer in answers] == [photo.name for photo in photos]
    right = []
    for answer, item in zip(answers, truth["close_ups"], strict=True):
        assert (answer["width"], answer["height"]) == (item["width"], item["height"])
        assert answer["taken"].startswith("20")
        assert answer["verdict"]["label"] in LABELS
        for finding in answer["findings"]:
            assert math.isclose(sum(finding["probabilities"].values()), 1.0, abs_tol=1e-9)
        right.append(answer["verdict"]["label"] == true_group(item))
        if true_group(item) == "leech-like":  # a missed leech costs a brood
            assert answer["verdict"]["label"] not in {"harmless", "not-an-organism"}
    assert sum(right) / len(right) > MIN_RIGHT_SHARE, [
        (answer["photo"], answer["verdict"]["label"], true_group(item))
        for answer, item in zip(answers, truth["close_ups"], strict=True)
    ]
    crops = list(tmp_path.glob("*.png"))
    assert len(crops) == sum(len(answer["findings"]) for answer in answers)
    with Image.open(crops[0]) as crop:
        assert crop.size == (224, 224)


@pytest.mark.slow
def test_a_marked_animal_is_judged_and_its_box_given_back(
    type_in: TypeIn, samples: Path, truth: dict[str, Any]
) -> None:
    item = next(item for item in truth["close_ups"] if true_group(item) == "leech-like")
    x0, y0, x1, y1 = item["objects"][0]["box_xyxy_px"]
    result = type_in("check", "--json", samples / item["file"], "--box", f"{x0},{y0},{x1},{y1}")
    assert result.exit_code == 0, result.output
    (finding,) = json.loads(result.stdout)["findings"]
    assert finding["box_xyxy_px"] == pytest.approx([x0, y0, x1, y1], abs=1)
    assert finding["label"] in {"leech-like", "cant-tell"}


@pytest.mark.slow
def test_the_night_is_compared_and_its_leech_is_followed(
    type_in: TypeIn, samples: Path, truth: dict[str, Any], tmp_path: Path
) -> None:
    result = type_in("night", "--json", samples / "night", "--out", tmp_path / "report")
    assert result.exit_code == 0, result.output
    views = [json.loads(line) for line in result.stdout.splitlines()]
    assert len(views) == len(truth["night"])
    for view in views:
        expected = next(item for item in truth["night"] if item["view"] in view["view"])
        assert len(view["photos"]) == len(expected["photos"])
        assert view["skipped"] == []
        assert [taken[:19] for taken in view["taken"]] == [
            photo["taken"][:19] for photo in expected["photos"]
        ]
        assert sum(pair["aligned"] for pair in view["pairs"]) == len(view["photos"]) - 1
        assert view["tracks"]
        assert view["caution"] == CAUTION
        has_leech = any(
            animal["group"] == "leech-like"
            for photo in expected["photos"]
            for animal in photo["animals"]
        )
        if has_leech:
            assert "leech-like" in {track["label"] for track in view["tracks"]}
    page = html.unescape((tmp_path / "report/report.html").read_text(encoding="utf-8"))
    assert CAUTION in page
    assert {path.name for path in (tmp_path / "report").iterdir()} == {
        "findings.csv",
        "night.jsonl",
        "report.html",
    }
    lines = (tmp_path / "report/night.jsonl").read_text(encoding="utf-8").splitlines()
    assert sorted(map(json.loads, lines), key=lambda view: view["view"]) == sorted(
        views, key=lambda view: view["view"]
    )


@pytest.mark.slow
def test_selftest_passes_on_the_shipped_weights(type_in: TypeIn) -> None:
    result = type_in("selftest")
    assert result.exit_code == 0, result.output
    assert "Everything needed is here and works." in result.stdout
