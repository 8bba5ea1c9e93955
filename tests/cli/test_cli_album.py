"""The album's commands, typed: what is printed, what is written, and every mistake in one sentence."""

from __future__ import annotations

import json
import sqlite3
from typing import TYPE_CHECKING, Any

import pytest
from played_album import Patterned, picture, read_all
from pretended import flat

from pestvision.collection.library import Library
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import GROUPS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from typer.testing import Result


@pytest.fixture
def net(monkeypatch: pytest.MonkeyPatch) -> Patterned:
    """A net that answers at once, in the place of the shipped one."""
    from pestvision.organisms.classify import Classifier

    made = Patterned(shipped_right=0.5)
    monkeypatch.setattr(Classifier, "load", classmethod(lambda _cls: made))
    return made


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    folder = tmp_path / "photos"
    folder.mkdir()
    for seed in range(8):
        (folder / f"p{seed}.png").write_bytes(picture(seed))
    return folder


@pytest.fixture(autouse=True)
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "data"
    monkeypatch.setenv("PESTVISION_DATA", str(folder))
    return folder


def test_photos_are_added_labelled_found_and_taken_out(
    type_in: Callable[..., Result], photos: Path, data: Path
) -> None:
    added = type_in("album", "add", photos, "--whole", "--tank", "Amber")
    assert added.exit_code == 0
    assert "Added 8 crops" in added.output
    assert "pestvision album undo 1" in added.output
    assert type_in("album", "label", "leech", 1, 2, "4-5").exit_code == 0
    assert type_in("album", "label", "snail", 3).exit_code == 0
    found = type_in("album", "find", "--label", "leech-like", "--tank", "Amber")
    assert "4 of 4 found are shown" in found.output
    assert "4 leech-like, 0 flatworm-like, 1 harmless" in flat(found.output)
    assert "1 more leech-like crop, from other photos or days" in flat(found.output)
    assert type_in("album", "delete", 1).exit_code == 0
    assert "3 of 3 found" in type_in("album", "find", "--label", "leech-like").output
    assert "Undone: 1 crop." in type_in("album", "undo", 2).output
    listed = type_in("album", "undo").output
    assert "import of 8 crops by keeper" in listed
    assert "delete of 0 crops by keeper, undone" in listed
    assert (data / "pestvision.db").is_file()


def test_the_same_photos_added_twice_are_there_once(
    type_in: Callable[..., Result], photos: Path
) -> None:
    type_in("album", "add", photos, "--whole")
    again = type_in("album", "add", photos, "--whole", "--label", "snail", "--json")
    told = json.loads(again.output)
    assert (told["crops"], told["known"], told["labels"], told["action"]) == ([], 8, 8, None)
    assert again.exit_code == 0


def test_a_label_is_taken_back_and_its_history_stays(
    type_in: Callable[..., Result], photos: Path
) -> None:
    type_in("album", "add", photos, "--whole", "--label", "snail")
    type_in("album", "label", "leech", 1)
    assert "1 leech-like" in type_in("album", "find").output
    assert type_in("album", "label", "back", 1).exit_code == 0
    assert "0 leech-like" in type_in("album", "find").output
    history = type_in("album", "find", "--history", 1).output
    assert "keeper: leech (taken back" in history
    assert history.count("keeper:") == 2
    assert "not a diagnosis" not in flat(history)  # no label of the net is shown
    nothing = type_in("album", "label", "back", 1, "--who", "other")
    assert nothing.exit_code == 2
    assert "No label of other holds" in nothing.output


def test_two_people_who_disagree_settle_it_and_their_agreement_is_told(
    type_in: Callable[..., Result], photos: Path
) -> None:
    type_in("album", "add", photos, "--whole", "--label", "snail")
    alone = type_in("album", "agree").output
    assert "agreement needs two" in alone
    type_in("album", "label", "snail", "1-6", "--who", "other")
    type_in("album", "label", "leech", "7-8", "--who", "other")
    assert "2 on which people disagree" in flat(type_in("album", "find").output)
    told = flat(type_in("album", "agree").output)
    assert "keeper and other: 8 crops in common, 75% labelled alike" in told
    assert "Krippendorff's alpha" in told
    type_in("album", "label", "leech", 7, 8, "--settle")
    assert "disagree" not in flat(type_in("album", "find").output).split("found are shown")[1]


def test_adapting_is_told_with_the_caution_and_can_be_gone_back_on(
    type_in: Callable[..., Result], photos: Path, data: Path, net: Patterned
) -> None:
    few = type_in("album", "adapt")
    assert few.exit_code == 0
    assert "Not enough labels yet: 5 more" in flat(few.output)
    for seed in range(8, 96):
        (photos / f"p{seed}.png").write_bytes(picture(seed))
    type_in("album", "add", photos, "--whole")
    with Library(data) as library:
        groups = {crop.id: crop.id % 4 for crop in library.every()}
        for number, group in groups.items():
            library.label([number], str(GROUPS[group]))
        read_all(library, net, groups)
    adapted = type_in("album", "adapt")
    assert "Version 1 is in use: of your own crops it tells" in flat(adapted.output)
    assert flat(CAUTION) in flat(adapted.output)
    assert "in use: 96 labels" in type_in("album", "trust").output
    assert "shipped head is in use again" in type_in("album", "trust", "shipped").output
    assert "The net is used as it came." in type_in("album", "trust").output
    assert "Version 1" in type_in("album", "trust", 1).output
    told = json.loads(type_in("album", "adapt", "--json").output)
    assert told["version"] == 2
    assert told["caution"] == CAUTION
    assert set(told["about"]["n"]) == {str(group) for group in GROUPS}


def test_what_to_label_next_is_told_with_the_caution_and_saved(
    type_in: Callable[..., Result], photos: Path, data: Path, net: Patterned, tmp_path: Path
) -> None:
    type_in("album", "add", photos, "--whole")
    with Library(data) as library:
        read_all(library, net, {crop.id: crop.id % 4 for crop in library.every()})
    asked = type_in("album", "next", "--number", 3, "--crops", tmp_path / "crops")
    assert asked.exit_code == 0
    assert asked.output.count("The net is not sure") == 3
    assert flat(CAUTION) in flat(asked.output)
    assert len(list((tmp_path / "crops").glob("crop-*.png"))) == 3
    lines = type_in("album", "next", "--number", 2, "--json").output.splitlines()
    first: dict[str, Any] = json.loads(lines[0])
    assert first["reason"] == "unsure"
    assert first["caution"] == CAUTION
    assert first["likely"] in {str(group) for group in GROUPS}


def test_export_import_backup_and_restore_carry_everything(
    type_in: Callable[..., Result], photos: Path, tmp_path: Path
) -> None:
    type_in("album", "add", photos, "--whole", "--label", "snail", "--tank", "Moss")
    for layout in ("table", "coco", "image-folder"):
        done = type_in("album", "export", tmp_path / layout, "--as", layout)
        assert "8 photos, 8 crops and 8 labels" in done.output
        other = tmp_path / f"data of {layout}"
        taken = type_in("album", "import", tmp_path / layout, "--data", other)
        assert "Added 8 crops and 8 labels." in taken.output
        assert "8 harmless" in type_in("album", "find", "--data", other).output
    again = type_in("album", "export", tmp_path / "coco", "--as", "coco")
    assert again.exit_code == 3
    assert "nothing in it is written over" in again.output
    saved = tmp_path / "saved.zip"
    assert "Backed up: 8 photos" in type_in("backup", saved).output
    assert "Brought back: 8 photos" in type_in("restore", saved, "--data", tmp_path / "new").output
    type_in("album", "label", "leech", 1)
    refused = type_in("restore", saved)
    assert refused.exit_code == 3
    assert "would lose something" in refused.output
    assert type_in("restore", saved, "--replace-newer").exit_code == 0
    assert "8 harmless" in type_in("album", "find").output


def test_a_merge_lists_what_does_not_agree(
    type_in: Callable[..., Result], photos: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other"
    type_in("album", "add", photos, "--whole", "--label", "snail")
    type_in(
        "album", "add", photos, "--whole", "--label", "leech", "--who", "friend", "--data", other
    )
    type_in("album", "export", tmp_path / "handed on", "--data", other)
    merged = type_in("album", "import", tmp_path / "handed on")
    assert merged.output.count("People disagree on crop") == 8
    assert "friend says leech" in merged.output
    assert "--settle" in merged.output


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (("label", "dragon", 1), 3, "“dragon” is no label"),
        (("label", "leech", 99), 3, "The album has no crop 99"),
        (("label", "leech", "one"), 2, "NUMBER was given as 'one'"),
        (("label", "leech", "5-2"), 2, "'5-2' is no range"),
        (("find", "--since", "yesterday"), 2, "'yesterday' is no date"),
        (("find", "--history", 99), 3, "The album has no crop 99"),
        (("delete", 99), 3, "The album has no crop 99"),
        (("undo", 99), 3, "There is no action 99"),
        (("undo", "last"), 2, "ACTION was given as 'last'"),
        (("trust", 99), 3, "There is no version 99"),
        (("next", "--number", 0), 2, "--number was given as '0'"),
        (("add", "nothing.jpg", "--whole"), 3, "There is no nothing.jpg"),
        (("import", "nothing"), 3, "nothing"),
        (("export", "out", "--as", "zip"), 3, "zip"),
    ],
)
def test_a_mistake_is_one_sentence_with_what_would_do(
    type_in: Callable[..., Result],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[Any, ...],
    status: int,
    says: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    answer = type_in("album", *words)
    assert answer.exit_code == status
    assert says in flat(answer.output)
    assert "Traceback" not in answer.output


@pytest.mark.usefixtures("stages")
def test_an_album_that_is_damaged_is_told_and_a_check_goes_on_without_it(
    type_in: Callable[..., Result], data: Path, photos: Path
) -> None:
    data.mkdir()
    (data / "pestvision.db").write_bytes(b"no database at all" * 100)
    damaged = type_in("album", "find")
    assert damaged.exit_code == 4
    assert "is damaged" in damaged.output
    assert "pestvision restore" in damaged.output
    checked = type_in("check", photos / "p0.png")
    assert checked.exit_code == 0
    assert "Your own labels are left out this time." in checked.output


def test_an_album_of_a_newer_version_is_left_alone(
    type_in: Callable[..., Result], data: Path
) -> None:
    data.mkdir()
    connection = sqlite3.connect(data / "pestvision.db")
    connection.execute("PRAGMA user_version = 999")
    connection.close()
    answer = type_in("album", "find")
    assert answer.exit_code == 4
    assert "newer version" in answer.output


@pytest.mark.usefixtures("stages")
def test_without_an_album_a_check_makes_none(
    type_in: Callable[..., Result], data: Path, photos: Path
) -> None:
    assert type_in("check", photos / "p0.png").exit_code == 0
    assert not data.exists()


def test_the_tank_of_photos_is_put_right(type_in: Callable[..., Result], photos: Path) -> None:
    type_in("album", "add", photos, "--whole", "--tank", "Amber")
    assert "2 photos of tank Moss." in type_in("album", "tank", "Moss", 1, 2).output
    assert "2 of 2 found" in type_in("album", "find", "--tank", "Moss").output
    assert "6 of 6 found" in type_in("album", "find", "--tank", "Amber").output


def test_the_net_labels_what_it_found_once_and_its_label_is_shown_with_the_caution(
    type_in: Callable[..., Result], stages: Any, photos: Path
) -> None:
    stages.put("pestvision.cli.work", "load_classifier", Patterned)
    first = json.loads(type_in("album", "add", photos / "p0.png", "--json").output)
    assert first["labels"] == len(first["crops"]) > 0
    again = json.loads(type_in("album", "add", photos / "p0.png", "--json").output)
    assert (again["labels"], again["known"]) == (0, len(first["crops"]))
    history = type_in("album", "find", "--history", first["crops"][0]).output
    assert "net:" in history
    assert flat(CAUTION) in flat(history)
