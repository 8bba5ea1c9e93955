"""`pestvision scale-card`: a card to print, and never over another file."""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING

import pytest
from PIL import Image

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from typer.testing import Result

    TypeIn = Callable[..., Result]


@pytest.fixture(autouse=True)
def _in_a_fresh_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_a_card_is_written_and_what_to_do_with_it_is_said(type_in: TypeIn, tmp_path: Path) -> None:
    result = type_in("scale-card")
    assert result.exit_code == 0
    assert (tmp_path / "pestvision-scale-card.pdf").read_bytes().startswith(b"%PDF-")
    assert "must be 100 mm long" in result.stdout
    assert "100 % (actual size)" in result.stdout


def test_what_lies_there_is_not_written_over(type_in: TypeIn, tmp_path: Path) -> None:
    mine = tmp_path / "card.pdf"
    mine.write_bytes(b"mine")
    result = type_in("scale-card", "--out", mine, "--json")
    assert mine.read_bytes() == b"mine"
    assert json.loads(result.stdout)["file"] == str(tmp_path / "card-2.pdf")


def test_a_png_for_letter_in_json_and_in_a_folder(type_in: TypeIn, tmp_path: Path) -> None:
    result = type_in("scale-card", "--paper", "Letter", "--out", tmp_path / "Card.PNG", "--json")
    made = json.loads(result.stdout)
    assert made == {
        "file": str(tmp_path / "Card.PNG"),
        "paper": "letter",
        "bar_mm": 100.0,
        "card_width_mm": 140.0,
        "card_height_mm": 110.0,
    }
    picture = Image.open(io.BytesIO((tmp_path / "Card.PNG").read_bytes()))
    assert picture.size == (5100, 6600)
    assert type_in("scale-card", "--out", tmp_path).exit_code == 0
    assert (tmp_path / "pestvision-scale-card.pdf").is_file()


@pytest.mark.parametrize(
    ("words", "named"), [(["--paper", "a5"], "a5"), (["--out", "card.svg"], ".pdf or .png")]
)
def test_wrong_usage_is_one_sentence_with_status_2(
    type_in: TypeIn, tmp_path: Path, words: list[str], named: str
) -> None:
    result = type_in("scale-card", *words)
    assert result.exit_code == 2
    assert named in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_to_is_status_3(type_in: TypeIn, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    result = type_in("scale-card", "--out", tmp_path / "file" / "card.pdf")
    assert result.exit_code == 3
    assert "cannot be written" in result.stderr
