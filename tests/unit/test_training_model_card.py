"""The card for people: figures between marks come from the card that the tool reads, and from nowhere else."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from made_figures import made_card, made_crop_figures, made_figures
from made_run import example_of
from PIL import Image

from pestvision.organisms.weights import CARD_NAME, find_models
from training.contact_sheet import N_SHOWN, caption_of, sheet_of, write_sheet, wrong_ones
from training.model_card import (
    NOT_YET,
    SECTIONS,
    SHEET_NAME,
    TEXT_NAME,
    lay_in,
    limits,
    rewritten,
)
from training.tables import all_tables, headline_table, size_sentence

if TYPE_CHECKING:
    from pathlib import Path

MAX_BYTES = 1_000_000


def bare_text() -> str:
    marks = [f"<!-- measured: {name} -->\n<!-- end: {name} -->" for name in SECTIONS]
    return "By hand.\n\n" + "\n\nBetween.\n\n".join(marks) + "\n"


def section(text: str, name: str) -> str:
    begin, end = text.index(f"<!-- measured: {name} -->\n"), text.index(f"<!-- end: {name} -->")
    return text[begin:end].partition("\n")[2].strip()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / CARD_NAME).write_text(json.dumps(made_card()), encoding="utf-8")
    (tmp_path / TEXT_NAME).write_text(bare_text(), encoding="utf-8")
    return tmp_path


def read(folder: Path) -> tuple[dict[str, object], str]:
    card = json.loads((folder / CARD_NAME).read_text(encoding="utf-8"))
    return card, (folder / TEXT_NAME).read_text(encoding="utf-8")


def test_the_shipped_cards_say_the_same() -> None:
    """Whoever edits a figure in one of them, or ships a net without measuring it, is told here."""
    card, text = read(find_models())
    assert rewritten(text, card) == text
    assert NOT_YET not in text
    assert card["figures"]["sizes"]["min_length_px"] == card["use"]["min_length_px"]


def test_the_shipped_failures_are_a_small_picture_of_drawings() -> None:
    path = find_models() / SHEET_NAME
    assert 1000 < path.stat().st_size < MAX_BYTES
    with Image.open(path) as sheet:
        assert sheet.width > sheet.height / 2 > 50
    _, text = read(find_models())
    assert f"]({SHEET_NAME})" in text


def test_figures_are_laid_between_the_marks_and_nothing_else_is_touched(folder: Path) -> None:
    lay_in(folder, made_figures())
    card, text = read(folder)
    assert text.startswith("By hand.\n\n<!-- measured: ")
    assert text.count("Between.") == len(SECTIONS) - 1
    for name, render in SECTIONS.items():
        assert section(text, name) == render(card).strip(), name
        assert section(text, name), name
    assert NOT_YET not in text
    again = rewritten(text, card)
    assert again == text  # laid in twice is laid in once


def test_the_least_length_of_the_sizes_becomes_the_one_that_the_tool_reads(folder: Path) -> None:
    lay_in(folder, {"crops": made_crop_figures()})
    assert read(folder)[0]["use"]["min_length_px"] == 16.0
    lay_in(folder, {"sizes": made_figures()["sizes"]})
    card, text = read(folder)
    assert card["use"]["min_length_px"] == 12.0
    assert "below 12 pixels" in section(text, "keeper")
    assert "Below 12 pixels" in section(text, "sizes")


def test_what_is_not_measured_again_stays_and_what_never_was_says_so(folder: Path) -> None:
    lay_in(folder, {"crops": made_crop_figures(), "sizes": made_figures()["sizes"]})
    _, text = read(folder)
    assert "12 px" in section(text, "sizes")
    assert section(text, "drawn") == section(text, "photos") == section(text, "series") == NOT_YET
    lay_in(folder, {"crops": made_crop_figures() | {"balanced_accuracy": 0.9}})
    _, text = read(folder)
    assert "12 px" in section(text, "sizes")
    assert "0.900" in section(text, "crops")


def test_a_net_just_trained_has_no_figures_of_the_net_before(folder: Path) -> None:
    card, text = read(folder)
    said = rewritten(text, card)
    for name in ("keeper", "crops", "sizes", "drawn", "shortcuts", "photos", "series"):
        assert section(said, name) == NOT_YET, name
    assert "abababab" in section(said, "details")


def test_a_text_that_lost_a_mark_is_refused() -> None:
    card = made_card()
    card["figures"] = made_crop_figures()
    with pytest.raises(ValueError, match="are not those of the sections"):
        rewritten(bare_text().replace("<!-- end: sizes -->", ""), card)
    with pytest.raises(ValueError, match="are not those of the sections"):
        rewritten(bare_text() + "<!-- measured: colour -->\n<!-- end: colour -->\n", card)


def test_a_keeper_reads_the_counts_first_and_in_plain_words(folder: Path) -> None:
    lay_in(folder, made_figures())
    said = section(read(folder)[1], "keeper")
    assert "Of 4 photographed leeches" in said
    assert "it called 3 leech-like" in said
    assert "85 % of them" in said
    assert "15 % of harmless" in said
    assert "55 % of close crops" in said


def test_the_limits_of_the_card_are_told_one_a_line() -> None:
    card = made_card()
    assert limits(card).splitlines() == [f"- {line}" for line in card["limits"]]


def test_a_share_of_nothing_is_a_dash_and_the_threshold_is_named() -> None:
    lines = headline_table(made_crop_figures()).splitlines()
    (line,) = [line for line in lines if "shipped threshold 0.10" in line]
    assert line.endswith("| 0.854; 0.153; – |")
    told = "| *can't tell* in use: crops answered; wrong among those | 0.550; 0.046 |"
    assert told in lines
    without = {name: value for name, value in made_crop_figures().items() if name != "told"}
    assert told not in headline_table(without).splitlines()


def test_a_length_that_no_measurement_gave_is_called_a_reckoning() -> None:
    sizes = made_figures()["sizes"]
    assert "0.9 on photographs" in size_sentence(sizes)
    assert "no measurement" in size_sentence(sizes | {"is_measured": False, "min_length_px": 16.0})


def test_only_what_was_measured_has_a_table() -> None:
    assert all_tables({"crops": made_crop_figures()}).count("| series |") == 0
    assert "| busy | 3 |" in all_tables(made_figures())


# --- the sheet of failures --------------------------------------------------------------------


def drawing(group: int, fine: str, licence: str = "drawn") -> object:
    return example_of(group, "drawn", fine=fine, licence=licence)


def told_as(*groups: int, p: float = 0.7) -> np.ndarray:
    table = np.full((len(groups), 4), (1 - p) / 3)
    table[np.arange(len(groups)), groups] = p
    return table


def test_the_sheet_takes_classes_in_turn_and_the_surest_mistake_first() -> None:
    fines = ["leech", "leech", "leech", "snail", "snail", "hydra"]
    drawn = [drawing(0 if fine == "leech" else 2, fine) for fine in fines]
    p = told_as(2, 2, 0, 0, 2, 0)
    p[1] = told_as(2, p=0.9)[0]  # the surer of the two wrong leeches
    assert sorted(wrong_ones(drawn, p)) == [0, 1, 3, 5]
    assert sorted(wrong_ones(drawn, p, n=3)) == [1, 3, 5]
    assert wrong_ones(drawn, told_as(0, 0, 0, 2, 2, 2)) == []
    assert caption_of(drawn[1], p[1]) == ("leech", "harmless 90%")


def test_a_photograph_is_never_shown(tmp_path: Path) -> None:
    photographed = drawing(0, "leech", licence="open")
    with pytest.raises(ValueError, match="drawings only"):
        write_sheet(tmp_path / "sheet.png", [photographed], told_as(2))
    assert not list(tmp_path.iterdir())


def test_the_sheet_shows_each_crop_with_its_lines(rng: np.random.Generator) -> None:
    crops = [rng.integers(0, 256, (224, 224, 3), np.uint8) for _ in range(7)]
    sheet = sheet_of(crops, [("leech", "harmless 90%")] * 7)
    assert sheet.shape[1] > 6 * 100
    one = sheet_of([np.zeros((224, 224, 3), np.uint8)], [("", "")])
    assert (one == 0).all(-1).sum() == 104 * 104
    assert sheet.shape[0] > 1.8 * one.shape[0]


def test_a_full_sheet_stays_small(tmp_path: Path, rng: np.random.Generator) -> None:
    drawn = [
        replace(drawing(0, "leech"), crop=rng.integers(0, 256, (224, 224, 3), np.uint8))
        for _ in range(40)
    ]
    assert write_sheet(tmp_path / "sheet.png", drawn, told_as(*[2] * 40)) == N_SHOWN
    assert (tmp_path / "sheet.png").stat().st_size < MAX_BYTES  # noise is the worst to store
