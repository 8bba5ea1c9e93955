"""One tank on the page, tables in and out, and how quick the page is; no component is needed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import gradio as gr
import pytest
from hand_made import HOSTILE_NAME
from played_tanks import form

from pestvision.tanks.records import Judge, Kind, Means
from pestvision.tanks.tables import NOTE_COLUMNS, notes_csv
from pestvision.web import tank_words
from pestvision.web.shared_log import SharedLog
from pestvision.web.tank_one import ON_A_PAGE, OneTankDesk, Opened
from pestvision.web.tank_tables import TablesDesk
from tests.made_log import START, Hand, everything, look

if TYPE_CHECKING:
    from pestvision.web.tank_desk import TankDesk

NOW = Hand()()

NOW = Hand()()


@pytest.fixture
def one(tonight: TankDesk) -> OneTankDesk:
    return OneTankDesk(tonight.shared)


@pytest.fixture
def tables(tonight: TankDesk, tmp_path: Path) -> TablesDesk:
    return TablesDesk(tonight.shared, tmp_path / "kept", tmp_path / "reports")


# --- one tank ---------------------------------------------------------------------------------


def test_a_tanks_notes_are_turned_page_by_page_the_newest_first(
    one: OneTankDesk, tonight: TankDesk, clock: Hand
) -> None:
    for number in range(ON_A_PAGE + 2):
        clock.later(days=1)
        tonight.write(form(seen=str(number)))
    tonight.write(form("Moss", kind="moved", cargo="plants", other="Amber"))
    opened, html = one.notes(one.open("Amber"))
    assert html.index("came from Moss") < html.index(": 16 leech-like")
    assert ": 3 leech-like" in html
    assert ": 2 leech-like" not in html
    opened, html = one.notes(one.turn(opened, 1))
    assert "nothing leech-like" in html
    opened, again = one.notes(one.turn(opened, 5))
    assert again == html
    opened, _ = one.notes(one.turn(opened, -9))
    assert opened.offset == 0


def test_a_correction_keeps_the_history_and_an_unchanged_form_changes_nothing(
    one: OneTankDesk, tonight: TankDesk
) -> None:
    tonight.write(form(seen="4", minutes="15"))
    opened, typed = one.correct(one.open("Amber"), 1)
    assert (typed["seen"], typed["minutes"]) == ("4", "15")
    opened, outcome = one.save_correction(opened, typed)
    assert tank_words.NOTHING_CHANGED in outcome.html
    opened, typed = one.correct(opened, 1)
    opened, outcome = one.save_correction(opened, {**typed, "seen": "5 or so"})
    assert not outcome.is_done
    assert opened.correcting == 1
    opened, outcome = one.save_correction(opened, {**typed, "seen": "5"}, who="Ida")
    assert outcome.is_done
    assert opened.correcting is None
    _, html = one.notes(opened)
    assert "How many seen: 4 → 5" in html
    assert "Ida" in html
    assert len(tonight.shared.log().history(1)) == 2


def test_a_note_can_become_one_of_another_kind(one: OneTankDesk, tonight: TankDesk) -> None:
    tonight.write(form(seen="4", taken="4", minutes="15"))
    opened, typed = one.correct(one.open("Amber"), 1)
    _, outcome = one.save_correction(opened, {**typed, "kind": "removed"})
    assert outcome.is_done, outcome.html
    note = tonight.shared.log().note(1)
    assert (note.kind, note.taken, note.seen, note.minutes) == (Kind.REMOVED, 4, None, None)


def test_a_deleted_note_is_brought_back_exactly(one: OneTankDesk, tonight: TankDesk) -> None:
    tonight.write(form(seen="4"))
    before = everything(tonight.shared.log())
    opened, outcome = one.delete(one.open("Amber"), 1)
    assert tank_words.BRING_BACK in outcome.html
    assert not tonight.shared.log().notes()
    opened, outcome = one.bring_back(opened)
    assert outcome.is_done
    assert everything(tonight.shared.log()) == before
    opened, outcome = one.delete(opened, 1)
    tonight.write(form("Moss", seen="0"))
    _, outcome = one.bring_back(opened)
    assert not outcome.is_done
    assert [note.tank for note in tonight.shared.log().notes()] == ["Moss"]


def test_what_the_program_saw_becomes_the_keepers_look_once_they_say_so(
    one: OneTankDesk, tonight: TankDesk
) -> None:
    tonight.shared.log().add(look("Amber", START, 2, means=Means.PHOTO, judge=Judge.TOOL))
    opened, html = one.notes(one.open("Amber"))
    assert tank_words.BY_TOOL in html
    assert tank_words.LOOKED_AT in html
    assert "pv-caution" in html
    assert one.looked_at(1).is_done
    assert tonight.shared.log().note(1).judge is Judge.KEEPER
    _, html = one.notes(opened)
    assert tank_words.LOOKED_AT not in html
    assert "pv-caution" not in html


def test_a_note_or_a_tank_that_is_gone_meanwhile_is_said_to_be(
    one: OneTankDesk, tonight: TankDesk
) -> None:
    assert tank_words.NOTE_GONE in one.looked_at(7).html
    assert tank_words.NOTE_GONE in one.delete(one.open("Amber"), 7)[1].html
    with pytest.raises(gr.Error, match="no longer in the log"):
        one.correct(one.open("Amber"), 7)
    opened = one.open("Moss")
    tonight.shared.log().undo()
    assert one.still_there(opened) == (Opened(), None)
    with pytest.raises(gr.Error, match="no longer in the log"):
        one.notes(opened)


def test_a_tank_is_renamed_and_its_notes_go_with_it(one: OneTankDesk, tonight: TankDesk) -> None:
    tonight.write(form(seen="4"))
    opened = one.open("Amber")
    assert one.change_tank(opened, {"name": "Amber two", "litres": "30", "use": "display"}).is_done
    assert "4 leech-like" in one.notes(opened)[1]
    outcome = one.change_tank(opened, {"name": "moss"})
    assert not outcome.is_done
    assert not one.change_tank(Opened(), {"name": "x"}).is_done


def test_what_a_person_typed_is_shown_and_never_run(one: OneTankDesk, tonight: TankDesk) -> None:
    tonight.add_tank({"name": HOSTILE_NAME, "lives": HOSTILE_NAME})
    outcome = tonight.write(form(HOSTILE_NAME, seen="1", remark=HOSTILE_NAME))
    refused = tonight.write(form(HOSTILE_NAME, seen=HOSTILE_NAME))
    opened, html = one.notes(one.open(HOSTILE_NAME))
    one.change_tank(opened, {"name": HOSTILE_NAME, "lives": "<b>"})
    shown = TablesDesk(
        tonight.shared, tonight.shared.folder / "k", tonight.shared.folder
    ).last_changes()
    for told in (outcome.html, refused.html, html, shown, one.delete(opened, 1)[1].html):
        assert "&lt;" in told
        assert "<img" not in told
        assert "<b>" not in told


# --- tables -----------------------------------------------------------------------------------


def sent(tmp_path: Path, text: str | bytes, name: str = "log.csv") -> str:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(path)


def test_a_table_comes_in_its_bad_lines_are_named_and_it_can_be_taken_back(
    tables: TablesDesk, tonight: TankDesk, tmp_path: Path
) -> None:
    tonight.write(form(seen="1"))
    before = everything(tonight.shared.log())
    empty = "," * (len(NOTE_COLUMNS) - 3)
    text = (
        notes_csv([look("Amber", START.replace(day=2, month=2), 3), *tonight.shared.log().notes()])
        + f"Amber,2026-02-01,flown{empty}\r\n"
        + f"Nowhere,2026-02-01,emptied{empty}\r\n"
    )
    path = sent(tmp_path, text)
    outcome, brought = tables.bring_in("tab", path)
    assert "1 note came into the log" in outcome.html
    assert "1 note stood in the log already" in outcome.html
    assert 0 < outcome.html.index("Line 4") < outcome.html.index("Line 5")
    assert "Add it under “Add a tank”" in outcome.html
    assert "pestvision tank" not in outcome.html
    assert not Path(path).exists()
    assert brought is not None
    assert tables.undo_table(brought).is_done
    assert everything(tonight.shared.log()) == before
    assert not tables.undo_table(brought).is_done


def test_a_table_is_not_taken_back_over_what_was_written_after_it(
    tables: TablesDesk, tonight: TankDesk, tmp_path: Path
) -> None:
    _, brought = tables.bring_in("tab", sent(tmp_path, "tank,at,kind\nAmber,2026-02-01,emptied\n"))
    tonight.write(form("Moss", seen="0"))
    outcome = tables.undo_table(brought)
    assert tank_words.TABLE_NOT_LAST in outcome.html
    assert len(tonight.shared.log().notes()) == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        (b"\xff\xfe\x00", "UTF-8"),
        ("name,colour\nAmber,red\n", "lacks the column"),
    ],
)
def test_what_is_no_table_is_one_sentence(
    tables: TablesDesk, tmp_path: Path, text: str | bytes, said: str
) -> None:
    outcome, brought = tables.bring_in("tab", sent(tmp_path, text))
    assert said in outcome.html
    assert not outcome.is_done
    assert brought is None
    assert not tables.bring_in("tab", None)[0].is_done


def test_the_saved_tables_come_in_again_as_they_went_out(
    tables: TablesDesk, tonight: TankDesk, tmp_path: Path, clock: Hand
) -> None:
    tonight.write(form(seen="3", taken="2", remark="=1+1"))
    tonight.write(form("Moss", kind="died", count="4", stage="adult"))
    html = tables.save_tables()
    files = {path.name: path for path in (tmp_path / "reports").rglob("*.csv")}
    assert set(files) == {"notes.csv", "tanks.csv"}
    assert all(f"gradio_api/file={path.as_posix()}" in html for path in files.values())
    other = SharedLog(tmp_path / "other", now=clock)
    for name in ("Amber", "Moss"):
        other.log().add_tank(name)
    again = TablesDesk(other, tmp_path / "k", tmp_path / "r")
    outcome, _ = again.bring_in("tab", sent(tmp_path, files["notes.csv"].read_bytes()))
    assert "2 notes came into the log" in outcome.html
    assert other.log().notes() == tonight.shared.log().notes()
    other.close()


def test_the_newest_of_what_was_done_is_taken_back_from_its_list(
    tables: TablesDesk, tonight: TankDesk
) -> None:
    tonight.write(form(seen="3"), who="Ida")
    assert "Ida: note 1 written (Amber: looked)" in tables.last_changes()
    html = tables.undo_last()
    assert tank_words.IS_UNDONE in html
    assert not tonight.shared.log().notes()
    tables.undo_last()
    tables.undo_last()
    with pytest.raises(gr.Error, match="nothing in the log to take back"):
        tables.undo_last()
