"""The commands of the log."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from pestvision.storage.place import data_folder
from pestvision.tanks.log import TankLog
from pestvision.tanks.records import Judge, Kind, Means, Note, Pest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pretended import Stages
    from typer.testing import Result

    TypeIn = Callable[..., Result]


def notes() -> list[Note]:
    with TankLog(data_folder(None)) as log:
        return log.notes()


@pytest.fixture
def shelf(type_in: TypeIn) -> None:
    assert type_in("tank", "add", "Amber", "--litres", "19", "--use", "breeding").exit_code == 0
    assert type_in("tank", "add", "Moss").exit_code == 0


@pytest.mark.usefixtures("shelf")
def test_a_nights_work_is_one_line(type_in: TypeIn) -> None:
    result = type_in(
        "tank", "note", "amber", "looked", "--seen", "50", "--taken", "48", "--minutes", "60"
    )
    assert result.exit_code == 0
    assert "looked by eye, 60 minutes: 50 leech-like, took out 48" in result.stdout
    (note,) = notes()
    assert (note.tank, note.seen, note.taken, note.minutes) == ("Amber", 50, 48, 60.0)
    assert (note.pest, note.means, note.judge) == (Pest.LEECH, Means.EYE, Judge.KEEPER)


@pytest.mark.usefixtures("shelf")
def test_every_kind_of_note_can_be_typed(type_in: TypeIn) -> None:
    typed = {
        "looked": ["--seen", "0", "--by", "trap"],
        "removed": ["--taken", "2", "--brooding", "--what", "pipette"],
        "died": ["--count", "25", "--stage", "hatchling"],
        "added": ["--cargo", "plants", "--source", "a pond", "--batch", "spring"],
        "moved": ["--cargo", "water", "--to", "moss"],
        "treated": ["--what", "as its label says"],
        "cleaned": [],
        "emptied": [],
        "restocked": ["--count", "10"],
        "sold": ["--count", "3"],
    }
    assert set(typed) == {str(kind) for kind in Kind}
    for kind, options in typed.items():
        result = type_in("tank", "note", "Amber", kind, *options, "--at", "2026-01-05 21:00")
        assert result.exit_code == 0, result.stderr
    assert sorted(note.kind for note in notes()) == sorted(Kind)


@pytest.mark.usefixtures("shelf")
@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (["Amber", "looked"], "does not say how many were seen"),
        (["Amber", "looked", "--seen", "-2"], "-2 was given"),
        (["Amber", "looked", "--seen", "three"], "a whole number was expected"),
        (["Amber", "looked", "--seen", "3", "--minutes", "1h"], "an hour is 60"),
        (["Amber", "looked", "--seen", "3", "--largest-mm", "2cm"], "a centimetre is 10"),
        (["Amber", "looked", "--seen", "3", "--smallest-mm", "0"], "more than 0 and at most 200"),
        (["Amber", "looked", "--seen", "3", "--hatchlings", "4"], "give the larger number as seen"),
        (["Amber", "sold", "--hatchlings", "1"], "does not go with 'sold'"),
        (["Amber", "looked", "--seen", "3", "--at", "2999-01-01"], "in the future"),
        (["Amber", "looked", "--seen", "3", "--at", "soon"], "given as a time"),
        (["Amber", "looked", "--seen", "3", "--by", "ear"], "eye, photo, trap"),
        (["Amber", "peeked"], "looked, removed"),
        (["Ambre", "looked", "--seen", "0"], "Did you mean Amber?"),
        (["Amber", "moved", "--cargo", "plants", "--to", "Nowhere"], "no tank 'Nowhere'"),
        (["Amber", "moved", "--cargo", "plants"], "which tank it went to"),
        (["Amber", "sold", "--seen", "3"], "does not go with 'sold'"),
    ],
)
def test_a_slip_of_the_hand_gets_one_sentence_and_nothing_is_written(
    type_in: TypeIn, typed: list[str], says: str
) -> None:
    result = type_in("tank", "note", *typed)
    assert result.exit_code == 3
    assert says in result.stderr
    assert notes() == []


@pytest.mark.usefixtures("shelf")
def test_a_note_is_corrected_deleted_and_brought_back(type_in: TypeIn) -> None:
    type_in("tank", "note", "Amber", "looked", "--seen", "3", "--minutes", "20")
    assert type_in("tank", "correct", "1", "--seen", "30", "--minutes", "-").exit_code == 0
    assert [(note.seen, note.minutes) for note in notes()] == [(30, None)]
    told = type_in("tank", "history", "1").stdout
    assert "seen 3 → 30" in told
    assert type_in("tank", "delete", "1").exit_code == 0
    assert notes() == []
    assert type_in("tank", "undo").exit_code == 0
    assert type_in("tank", "undo").exit_code == 0
    assert [(note.seen, note.minutes) for note in notes()] == [(3, 20.0)]
    assert "(taken back)" in type_in("tank", "history").stdout
    assert type_in("tank", "correct", "1").exit_code == 2
    assert type_in("tank", "correct", "7", "--seen", "1").exit_code == 3
    assert type_in("tank", "history", "7").exit_code == 3


@pytest.mark.usefixtures("shelf")
def test_sizes_are_written_down_corrected_and_emptied(type_in: TypeIn) -> None:
    sizes = ["--smallest-mm", "2", "--largest-mm", "23,5", "--hatchlings", "3"]
    result = type_in("tank", "note", "Amber", "looked", "--seen", "14", *sizes)
    assert "14 leech-like, 2 to 23.5 mm long, 3 of hatchling size" in result.stdout
    result = type_in("tank", "correct", "1", "--largest-mm", "21", "--hatchlings", "-")
    assert "2 to 21 mm long" in result.stdout
    (note,) = notes()
    assert (note.smallest_mm, note.largest_mm, note.hatchlings) == (2.0, 21.0, None)
    told = type_in("tank", "note", "Moss", "looked", "--seen", "1", "--hatchlings", "0", "--json")
    assert json.loads(told.stdout)["hatchlings"] == 0
    assert json.loads(told.stdout)["largest_mm"] is None


@pytest.mark.usefixtures("shelf")
def test_the_cards_that_go_with_a_note_are_named_beside_it(type_in: TypeIn) -> None:
    treated = type_in("tank", "note", "Amber", "treated", "--what", "as its label says")
    assert "dewormers: " in treated.stdout
    emptied = type_in("tank", "note", "Amber", "emptied")
    assert "emptied-tank-bleach: " in emptied.stdout
    found = type_in("tank", "note", "Moss", "looked", "--seen", "2", "--taken", "2")
    assert "take-off: " in found.stdout
    clean = type_in("tank", "note", "Moss", "looked", "--seen", "0")
    assert "take-off" not in clean.stdout


@pytest.mark.usefixtures("shelf")
def test_a_tank_is_renamed_with_its_notes(type_in: TypeIn) -> None:
    type_in("tank", "note", "Amber", "cleaned")
    assert (
        type_in("tank", "change", "Amber", "--name", "Old Amber", "--litres", "20").exit_code == 0
    )
    assert [note.tank for note in notes()] == ["Old Amber"]
    assert type_in("tank", "change", "Moss").exit_code == 2
    assert type_in("tank", "change", "Moss", "--litres", "five").exit_code == 3


@pytest.mark.usefixtures("shelf")
def test_the_log_goes_out_and_in(type_in: TypeIn, tmp_path: Path) -> None:
    type_in("tank", "note", "Amber", "looked", "--seen", "3")
    type_in("tank", "note", "Amber", "moved", "--cargo", "plants", "--to", "Moss")
    assert type_in("tank", "export", tmp_path / "out").exit_code == 0
    assert type_in("tank", "export", tmp_path / "out").exit_code == 3  # there is something
    table = tmp_path / "out" / "notes.csv"
    known = type_in("tank", "import", table)
    assert "Added 0 notes; 2 stood there already." in known.stdout
    table.write_text(table.read_text(encoding="utf-8") + "damaged\r\n", encoding="utf-8")
    other = ["--data", str(tmp_path / "other")]
    for name in ("Amber", "Moss"):
        type_in("tank", "add", name, *other)
    taken = type_in("tank", "import", table, *other)
    assert taken.exit_code == 0
    assert "Added 2 notes; 1 could not be kept." in taken.stdout
    assert "Line 4: The row has 1 cells" in taken.stderr
    bad = tmp_path / "bad.csv"
    bad.write_text("tank,at,kind\nNowhere,2026-01-01,cleaned\n", encoding="utf-8")
    assert type_in("tank", "import", bad).exit_code == 3
    assert type_in("tank", "import", tmp_path / "missing.csv").exit_code == 3


@pytest.mark.usefixtures("shelf")
def test_a_note_is_one_line_of_json(type_in: TypeIn) -> None:
    told = json.loads(type_in("tank", "note", "Amber", "looked", "--seen", "0", "--json").stdout)
    assert (told["note"], told["kind"], told["seen"], told["taken"]) == (1, "looked", 0, None)
    assert datetime.fromisoformat(told["at"]) <= datetime.now(UTC)


@pytest.mark.usefixtures("shelf")
def test_a_scanned_night_goes_into_the_log_as_the_programs_look(
    type_in: TypeIn, stages: Stages, tmp_path: Path
) -> None:
    stages.put(
        "pestvision.collection.adapt", "personal_classifier", lambda classifier, **_: classifier
    )
    (tmp_path / "glass").mkdir()
    result = type_in("night", tmp_path / "glass", "--tank", "Amber")
    assert result.exit_code == 0, result.stderr
    written = notes()
    assert {note.judge for note in written} == {Judge.TOOL}
    assert written[0].means is Means.PHOTO
    assert f"pestvision tank correct {written[0].id} --looked-at" in result.stderr
    type_in("tank", "correct", "1", "--looked-at")
    assert notes()[0].judge is Judge.KEEPER
    missing = type_in("night", tmp_path / "glass", "--tank", "Nowhere")
    assert missing.exit_code == 3
