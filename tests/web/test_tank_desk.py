"""The tanks on the page: written down, taken back, corrected, brought in as a table; no component is needed."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import gradio as gr
import pytest
from hand_made import HOSTILE_NAME, made_night
from made_answers import found, judged

from pestvision.findings.finding import PhotoCheck
from pestvision.tanks.log import TankLog
from pestvision.tanks.nights import nights_of
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest, Stage
from pestvision.tanks.tables import notes_csv
from pestvision.web import tank_words
from pestvision.web.shared_log import SharedLog
from pestvision.web.tank_desk import TankDesk
from pestvision.web.tank_note import (
    EMPTY,
    NAMES,
    after_writing,
    changes_of,
    clean_look_of,
    note_of,
    shown_fields,
    typed_of,
)
from pestvision.web.tank_one import ON_A_PAGE, OneTankDesk, Opened
from pestvision.web.tank_scan import ScanDesk
from pestvision.web.tank_tables import TablesDesk
from pestvision.web.tank_touched import TouchedDesk
from tests.large_log import END, large_log
from tests.made_log import START, Hand, everything, look

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

NOW = Hand()()
PAGE_S = 0.3  # any page, with twenty tanks and two years of notes
ESTIMATE_S = 2.0


@pytest.fixture
def clock() -> Hand:
    return Hand()


@pytest.fixture
def shared(tmp_path: Path, clock: Hand) -> Iterator[SharedLog]:
    log = SharedLog(tmp_path / "data", now=clock)
    yield log
    log.close()


@pytest.fixture
def desk(shared: SharedLog) -> TankDesk:
    desk = TankDesk(shared)
    for name in ("Amber", "Moss"):
        assert desk.add_tank({"name": name}).is_done
    return desk


@pytest.fixture
def one(desk: TankDesk) -> OneTankDesk:
    return OneTankDesk(desk.shared)


@pytest.fixture
def tables(desk: TankDesk, tmp_path: Path) -> TablesDesk:
    return TablesDesk(desk.shared, tmp_path / "kept", tmp_path / "reports")


def form(tank: str = "Amber", **typed: Any) -> dict[str, Any]:
    return {**EMPTY, "tank": tank, **typed}


def with_button(html: str, what: str) -> str:
    """Give what a drawn button tells the server beside what it does."""
    (found,) = re.findall(rf'data-do="{what}" data-number="\d+" data-label="([^"]*)"', html)
    return found


def made_photo(*labels: str) -> PhotoCheck:
    """A close-up with a finding of each label, the first of them the verdict."""
    findings = tuple(found(rank, judged(label)) for rank, label in enumerate(labels, start=1))
    return PhotoCheck("glass.jpg", 900, 600, None, judged(labels[0]), findings)


# --- from the form to a note ------------------------------------------------------------------


def test_the_form_opens_with_a_look_by_eye_for_leeches_and_nothing_typed() -> None:
    assert set(EMPTY) == set(NAMES)
    assert (EMPTY["kind"], EMPTY["pest"], EMPTY["means"]) == (Kind.LOOKED, Pest.LEECH, Means.EYE)
    assert not any(EMPTY[name] for name in NAMES if name not in {"kind", "pest", "means"})


@pytest.mark.parametrize(
    ("kind", "typed", "expected"),
    [
        ("looked", {"seen": "3", "taken": "2", "minutes": "15,5"}, {"seen": 3, "minutes": 15.5}),
        ("looked", {"seen": "0", "batch": "spring", "animals": "4", "count": "9"}, {"count": 4}),
        ("removed", {"taken": "2", "brooding": True, "what": " pipette "}, {"what": "pipette"}),
        ("died", {"count": "25", "stage": "hatchling"}, {"stage": Stage.HATCHLING, "count": 25}),
        ("added", {"cargo": "wild finds", "source": "a pond"}, {"cargo": Cargo.WILD}),
        ("moved", {"cargo": "tools", "other": "Moss"}, {"other": "Moss"}),
        ("treated", {"what": "as its label says"}, {"what": "as its label says"}),
        ("cleaned", {}, {"what": None}),
        ("emptied", {"batch": "spring"}, {"batch": "spring"}),
        ("restocked", {"count": "10"}, {"count": 10}),
        ("sold", {"remark": "to a friend"}, {"count": None, "remark": "to a friend"}),
    ],
)
def test_each_kind_of_note_is_written_with_its_own_fields(
    desk: TankDesk, kind: str, typed: dict[str, Any], expected: dict[str, Any]
) -> None:
    outcome = desk.write(form(kind=kind, **typed))
    assert outcome.is_done, outcome.html
    (note,) = desk.shared.log().notes()
    assert note.kind == kind
    assert note.at == START
    assert {name: getattr(note, name) for name in expected} == expected
    assert outcome.written == (note.id,)


def test_what_was_left_over_in_fields_that_are_not_shown_is_not_written() -> None:
    full = form(seen="3", taken="3", brooding=True, stage="adult", cargo="plants", other="Moss")
    note = note_of({**full, "kind": "cleaned", "what": "the filter"}, now=NOW)
    assert note == Note("Amber", START, Kind.CLEANED, what="the filter")


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("looked", "pest seen taken means minutes brooding animals"),
        ("removed", "pest taken brooding what"),
        ("died", "count stage what"),
        ("added", "count cargo what source"),
        ("moved", "count cargo what other"),
        ("treated", "what"),
        ("cleaned", "what"),
        ("emptied", ""),
        ("restocked", "count what"),
        ("sold", "count what"),
    ],
)
def test_only_the_fields_that_go_with_what_was_done_are_shown(kind: str, fields: str) -> None:
    shown = {name for name, label in shown_fields(kind).items() if label}
    assert shown == set(fields.split())


def test_a_field_has_the_name_that_fits_what_was_done() -> None:
    assert shown_fields("died")["count"] == "How many died"
    assert shown_fields("treated")["what"] == "What was done"


def test_a_clean_night_is_one_press(desk: TankDesk) -> None:
    outcome = desk.write_clean(form("Moss"))
    assert outcome.is_done
    (note,) = desk.shared.log().notes()
    assert note == look("Moss", START, 0, minutes=None, id=note.id)
    assert "nothing leech-like" in outcome.html
    assert tank_words.TAKE_BACK in outcome.html


def test_a_clean_night_keeps_how_and_how_long_and_leaves_what_is_hidden() -> None:
    typed = form(means="trap", pest="flatworm-like")
    note = clean_look_of(typed, now=NOW)
    assert (note.means, note.pest, note.seen) == (Means.TRAP, Pest.FLATWORM, 0)
    note = clean_look_of({**typed, "kind": "died", "count": "9", "minutes": "30"}, now=NOW)
    assert (note.kind, note.means, note.minutes, note.count) == (Kind.LOOKED, Means.EYE, None, None)


def test_a_clean_night_with_leeches_typed_in_is_asked_about_and_not_written(desk: TankDesk) -> None:
    outcome = desk.write_clean(form(seen="2"))
    assert not outcome.is_done
    assert "“2”" in outcome.html
    assert not desk.shared.log().notes()
    assert desk.write_clean(form(seen="0")).is_done


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"tank": ""}, tank_words.NO_TANK_CHOSEN),
        ({"tank": "Ambr", "seen": "1"}, "There is no tank"),
        ({"seen": "12 pcs"}, "12 pcs"),
        ({"seen": "3.5"}, "whole number"),
        ({"seen": "-1"}, "Give a whole number from 0"),
        ({"seen": "1", "taken": "2"}, "Those taken out are among those seen"),
        ({"seen": "1", "minutes": "1 h"}, "an hour is 60"),
        ({"seen": "1", "at": "2026-03-02"}, "in the future"),
        ({"seen": "1", "at": "tomorrow"}, "Write it like this"),
        ({"seen": ""}, "how many were seen"),
        ({"kind": "moved", "cargo": "plants"}, tank_words.NO_OTHER),
        ({"kind": "moved", "cargo": "plants", "other": "Amber"}, "Name the other tank"),
        ({"kind": "treated"}, "what it was"),
        ({"seen": "0", "animals": "4"}, "names no batch"),
        ({"seen": "0", "batch": "spring", "animals": "a few"}, "Animals of the batch"),
        ({"kind": "flown"}, "Known are"),
    ],
)
def test_what_cannot_be_kept_is_one_sentence_and_nothing_is_written(
    desk: TankDesk, typed: dict[str, Any], said: str
) -> None:
    before = everything(desk.shared.log())
    outcome = desk.write(form(**typed))
    assert not outcome.is_done
    assert said in outcome.html
    assert 'role="alert"' in outcome.html
    assert outcome.html.count("<p>") == 1
    assert everything(desk.shared.log()) == before


def test_after_writing_the_tank_and_the_way_of_looking_stay_and_all_else_is_empty() -> None:
    typed = form("Moss", kind="died", means="trap", count="3", minutes="9", at="21:30", remark="x")
    assert after_writing(typed) == form("Moss", means="trap")


def test_a_note_goes_into_the_form_and_out_again_unchanged() -> None:
    at = START.replace(second=7)
    for note in (
        look("Amber", at, 3, taken=1, brooding=True, remark="under the sponge", minutes=12.5),
        Note("Amber", at, Kind.DIED, count=3, stage=Stage.UNKNOWN, what="ramshorns"),
        Note("Moss", at, Kind.MOVED, cargo=Cargo.WATER, other="Amber", batch="a"),
        look("Amber", at, 2, means=Means.PHOTO, minutes=None, judge=Judge.TOOL),
        look("Amber", at, 0, batch="spring nerites", count=4),
    ):
        assert changes_of(note, typed_of(note), now=NOW) == {}


# --- written, taken back ----------------------------------------------------------------------


def test_nothing_is_made_on_the_disk_before_something_is_written_down(tmp_path: Path) -> None:
    shared = SharedLog(tmp_path / "data")
    assert TankDesk(shared).names() == []
    assert OneTankDesk(shared).open("Amber") == Opened()
    assert OneTankDesk(shared).notes(Opened())[1] == ""
    tables = TablesDesk(shared, tmp_path / "kept", tmp_path / "reports")
    assert tank_words.LAST_CHANGES_NONE in tables.last_changes()
    assert not (tmp_path / "data").exists()


def test_taking_back_leaves_the_log_exactly_as_it_was(desk: TankDesk) -> None:
    before = everything(desk.shared.log())
    outcome = desk.write(form(seen="4"))
    assert desk.take_back(with_button(outcome.html, "back")).is_done
    assert everything(desk.shared.log()) == before
    assert not desk.take_back(with_button(outcome.html, "back")).is_done


def test_taking_back_after_somebody_else_wrote_takes_only_the_own_note(desk: TankDesk) -> None:
    mine = desk.write(form(seen="4"))
    desk.write(form("Moss", seen="1"), who="Ida")
    assert desk.take_back(with_button(mine.html, "back")).is_done
    assert [note.tank for note in desk.shared.log().notes()] == ["Moss"]


def test_a_press_that_names_no_note_is_one_sentence(desk: TankDesk) -> None:
    for told_of in ("", "one", "1;2", "99"):
        outcome = desk.take_back(told_of)
        assert not outcome.is_done, told_of
        assert 'role="alert"' in outcome.html


def test_a_tank_is_added_with_what_is_known_and_refused_with_its_reason(desk: TankDesk) -> None:
    typed = {"name": " Slate ", "litres": "19,5", "lives": "nerites", "use": ""}
    assert desk.add_tank(typed, who="Ida").is_done
    tank = desk.shared.log().tank("Slate")
    assert (tank.litres, tank.lives, tank.use) == (19.5, "nerites", None)
    assert desk.shared.log().changes(limit=1)[0].who == "Ida"
    for wrong, said in (
        ({"name": "slate"}, "already"),
        ({"name": ""}, "letters"),
        ({"name": "Fern", "litres": "5 gal"}, "5 gal"),
        ({"name": "Fern", "litres": "-1"}, "more than 0"),
    ):
        outcome = desk.add_tank(wrong)
        assert not outcome.is_done
        assert said in outcome.html
    assert desk.names() == ["Amber", "Moss", "Slate"]


def test_a_damaged_log_is_told_as_the_page_tells_such_things(tmp_path: Path) -> None:
    (tmp_path / "pestvision.db").write_bytes(b"no database" * 1000)
    with pytest.raises(gr.Error):
        TankDesk(SharedLog(tmp_path)).write(form(seen="1"))


def test_what_the_log_says_is_read_anew_only_after_it_has_changed(
    desk: TankDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads: list[int] = []
    for name in ("notes", "note"):
        plain = getattr(TankLog, name)

        def counted(log: TankLog, *args: Any, plain: Any = plain, **more: Any) -> Any:
            reads.append(1)
            return plain(log, *args, **more)

        monkeypatch.setattr(TankLog, name, counted)
    shared = desk.shared
    assert len(shared.held().notes) == 0
    shared.held()
    assert len(reads) == 1
    desk.write(form(seen="1"))
    shared.held()
    shared.held()
    assert len(reads) == 2


def test_what_is_held_is_what_the_log_says_whoever_changed_it(desk: TankDesk, clock: Hand) -> None:
    shared = desk.shared
    with TankLog(shared.folder, now=shared.now) as other:
        steps = [
            lambda: other.add(look("Amber", START, 1), look("Moss", clock.later(days=1), 2)),
            lambda: other.add(look("Moss", START, 0)),
            lambda: other.change(1, seen=5),
            lambda: other.change(2, at=START.replace(hour=1)),
            lambda: other.remove(3),
            other.undo,
            lambda: other.change_tank("Moss", name="Moss two"),
            lambda: other.remove(1),
            lambda: other.add(*(look("Amber", clock.later(days=1), n) for n in range(60))),
            other.undo,
        ]
        for number, step in enumerate(steps):
            step()
            held = shared.held()
            assert list(held.notes) == other.notes(), number
            assert list(held.tanks) == other.tanks(), number


# --- one tank ---------------------------------------------------------------------------------


def test_a_tanks_notes_are_turned_page_by_page_the_newest_first(
    one: OneTankDesk, desk: TankDesk, clock: Hand
) -> None:
    for number in range(ON_A_PAGE + 2):
        clock.later(days=1)
        desk.write(form(seen=str(number)))
    desk.write(form("Moss", kind="moved", cargo="plants", other="Amber"))
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
    one: OneTankDesk, desk: TankDesk
) -> None:
    desk.write(form(seen="4", minutes="15"))
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
    assert len(desk.shared.log().history(1)) == 2


def test_a_note_can_become_one_of_another_kind(one: OneTankDesk, desk: TankDesk) -> None:
    desk.write(form(seen="4", taken="4", minutes="15"))
    opened, typed = one.correct(one.open("Amber"), 1)
    _, outcome = one.save_correction(opened, {**typed, "kind": "removed"})
    assert outcome.is_done, outcome.html
    note = desk.shared.log().note(1)
    assert (note.kind, note.taken, note.seen, note.minutes) == (Kind.REMOVED, 4, None, None)


def test_a_deleted_note_is_brought_back_exactly(one: OneTankDesk, desk: TankDesk) -> None:
    desk.write(form(seen="4"))
    before = everything(desk.shared.log())
    opened, outcome = one.delete(one.open("Amber"), 1)
    assert tank_words.BRING_BACK in outcome.html
    assert not desk.shared.log().notes()
    opened, outcome = one.bring_back(opened)
    assert outcome.is_done
    assert everything(desk.shared.log()) == before
    opened, outcome = one.delete(opened, 1)
    desk.write(form("Moss", seen="0"))
    _, outcome = one.bring_back(opened)
    assert not outcome.is_done
    assert [note.tank for note in desk.shared.log().notes()] == ["Moss"]


def test_what_the_program_saw_becomes_the_keepers_look_once_they_say_so(
    one: OneTankDesk, desk: TankDesk
) -> None:
    desk.shared.log().add(look("Amber", START, 2, means=Means.PHOTO, judge=Judge.TOOL))
    opened, html = one.notes(one.open("Amber"))
    assert tank_words.BY_TOOL in html
    assert tank_words.LOOKED_AT in html
    assert "pv-caution" in html
    assert one.looked_at(1).is_done
    assert desk.shared.log().note(1).judge is Judge.KEEPER
    _, html = one.notes(opened)
    assert tank_words.LOOKED_AT not in html
    assert "pv-caution" not in html


def test_a_note_or_a_tank_that_is_gone_meanwhile_is_said_to_be(
    one: OneTankDesk, desk: TankDesk
) -> None:
    assert tank_words.NOTE_GONE in one.looked_at(7).html
    assert tank_words.NOTE_GONE in one.delete(one.open("Amber"), 7)[1].html
    with pytest.raises(gr.Error, match="no longer in the log"):
        one.correct(one.open("Amber"), 7)
    opened = one.open("Moss")
    desk.shared.log().undo()
    assert one.still_there(opened) == (Opened(), None)
    with pytest.raises(gr.Error, match="no longer in the log"):
        one.notes(opened)


def test_a_tank_is_renamed_and_its_notes_go_with_it(one: OneTankDesk, desk: TankDesk) -> None:
    desk.write(form(seen="4"))
    opened = one.open("Amber")
    assert one.change_tank(opened, {"name": "Amber two", "litres": "30", "use": "display"}).is_done
    assert "4 leech-like" in one.notes(opened)[1]
    outcome = one.change_tank(opened, {"name": "moss"})
    assert not outcome.is_done
    assert not one.change_tank(Opened(), {"name": "x"}).is_done


def test_what_a_person_typed_is_shown_and_never_run(one: OneTankDesk, desk: TankDesk) -> None:
    desk.add_tank({"name": HOSTILE_NAME, "lives": HOSTILE_NAME})
    outcome = desk.write(form(HOSTILE_NAME, seen="1", remark=HOSTILE_NAME))
    refused = desk.write(form(HOSTILE_NAME, seen=HOSTILE_NAME))
    opened, html = one.notes(one.open(HOSTILE_NAME))
    one.change_tank(opened, {"name": HOSTILE_NAME, "lives": "<b>"})
    shown = TablesDesk(desk.shared, desk.shared.folder / "k", desk.shared.folder).last_changes()
    for told in (outcome.html, refused.html, html, shown, one.delete(opened, 1)[1].html):
        assert "&lt;" in told
        assert "<img" not in told
        assert "<b>" not in told


# --- from photos ------------------------------------------------------------------------------


@pytest.fixture
def scan(desk: TankDesk, clock: Hand) -> ScanDesk:
    clock.at = START.replace(year=2031, month=3, day=3)
    return ScanDesk(desk)


def test_a_scanned_night_is_the_programs_word_until_the_keeper_has_looked(
    scan: ScanDesk, desk: TankDesk
) -> None:
    notes = scan.of_night(made_night())
    outcome = scan.put(notes, "Amber", who="Ida")
    assert outcome.is_done, outcome.html
    assert tank_words.LOOKED_AT in outcome.html
    assert "pv-caution" in outcome.html
    (note,) = desk.shared.log().notes()
    assert (note.tank, note.seen, note.judge, note.means) == ("Amber", 1, Judge.TOOL, Means.PHOTO)
    assert nights_of([note], "Amber") == ()
    assert scan.looked_at(with_button(outcome.html, "looked"), who="Ida").is_done
    assert len(nights_of(desk.shared.log().notes(), "Amber")) == 1
    assert scan.take_back(with_button(outcome.html, "back")).is_done
    assert desk.shared.log().notes() == []


def test_a_night_goes_into_the_log_once_and_into_a_tank_that_was_chosen(
    scan: ScanDesk, desk: TankDesk
) -> None:
    notes = scan.of_night(made_night())
    assert tank_words.NO_TANK_CHOSEN in scan.put(notes, None).html
    assert scan.put(notes, "Moss").is_done
    twice = scan.put(notes, "Moss")
    assert not twice.is_done
    assert "stands in the log already" in twice.html
    assert len(desk.shared.log().notes()) == 1
    assert scan.of_night(replace(made_night(), views=())) == ()


def test_a_close_up_of_a_pest_is_the_keepers_own_find(scan: ScanDesk, desk: TankDesk) -> None:
    photo = made_photo("leech-like", "harmless", "leech-like", "flatworm-like")
    notes = scan.of_close_up(photo)
    assert [(note.pest, note.seen) for note in notes] == [(Pest.LEECH, 2), (Pest.FLATWORM, 1)]
    outcome = scan.put(notes, "Amber")
    assert outcome.is_done
    assert "glass.jpg" in str(desk.shared.log().notes()[0].remark)
    assert all(note.judge is Judge.KEEPER for note in desk.shared.log().notes())
    for label in ("harmless", "not-an-organism", "cant-tell"):
        assert scan.of_close_up(made_photo(label)) == ()
    assert scan.of_close_up(None) == ()


def test_advice_goes_with_a_label_and_the_first_card_is_open_for_a_leech(scan: ScanDesk) -> None:
    html = scan.advice_on("leech-like")
    assert html.count("<details open>") == 1
    assert html.index("<details open>") < html.index("Taking a leech off")
    assert "<details open>" not in scan.advice_on("flatworm-like")
    assert "Take care" in scan.advice_on("flatworm-like")
    for label in ("harmless", "not-an-organism", "cant-tell", None):
        assert scan.advice_on(label) == ""


def test_an_answer_is_shown_also_where_the_log_is_damaged(tmp_path: Path) -> None:
    (tmp_path / "pestvision.db").write_bytes(b"no database" * 1000)
    assert ScanDesk(TankDesk(SharedLog(tmp_path))).names() == []


def test_advice_goes_with_what_was_written_down(desk: TankDesk) -> None:
    html = desk.write(form(seen="2", taken="2")).html
    assert "Taking a leech off" in html
    assert "Do not crush" in html
    clean = desk.write_clean(form("Moss")).html
    assert "Taking a leech off" not in clean
    treated = desk.write(form("Moss", kind="treated", what="something")).html
    assert "dose" in treated
    assert "pv-advice" not in desk.write(form(seen="3 pcs")).html


# --- tables -----------------------------------------------------------------------------------


def sent(tmp_path: Path, text: str | bytes, name: str = "log.csv") -> str:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(path)


def test_a_table_comes_in_its_bad_lines_are_named_and_it_can_be_taken_back(
    tables: TablesDesk, desk: TankDesk, tmp_path: Path
) -> None:
    desk.write(form(seen="1"))
    before = everything(desk.shared.log())
    text = (
        notes_csv([look("Amber", START.replace(day=2, month=2), 3), *desk.shared.log().notes()])
        + "Amber,2026-02-01,flown,,,,,,,,,,,,,,,,\r\n"
        + "Nowhere,2026-02-01,emptied,,,,,,,,,,,,,,,\r\n"
    )
    path = sent(tmp_path, text)
    outcome, brought = tables.bring_in("tab", path)
    assert "1 note came into the log" in outcome.html
    assert "1 note stood in the log already" in outcome.html
    assert "Line 4" in outcome.html
    assert "Line 5" in outcome.html
    assert not Path(path).exists()
    assert brought is not None
    assert tables.undo_table(brought).is_done
    assert everything(desk.shared.log()) == before
    assert not tables.undo_table(brought).is_done


def test_a_table_is_not_taken_back_over_what_was_written_after_it(
    tables: TablesDesk, desk: TankDesk, tmp_path: Path
) -> None:
    _, brought = tables.bring_in("tab", sent(tmp_path, "tank,at,kind\nAmber,2026-02-01,emptied\n"))
    desk.write(form("Moss", seen="0"))
    outcome = tables.undo_table(brought)
    assert tank_words.TABLE_NOT_LAST in outcome.html
    assert len(desk.shared.log().notes()) == 2


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
    tables: TablesDesk, desk: TankDesk, tmp_path: Path, clock: Hand
) -> None:
    desk.write(form(seen="3", taken="2", remark="=1+1"))
    desk.write(form("Moss", kind="died", count="4", stage="adult"))
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
    assert other.log().notes() == desk.shared.log().notes()
    other.close()


def test_the_newest_of_what_was_done_is_taken_back_from_its_list(
    tables: TablesDesk, desk: TankDesk
) -> None:
    desk.write(form(seen="3"), who="Ida")
    assert "Ida: note 1 written (Amber: looked)" in tables.last_changes()
    html = tables.undo_last()
    assert tank_words.IS_UNDONE in html
    assert not desk.shared.log().notes()
    tables.undo_last()
    tables.undo_last()
    with pytest.raises(gr.Error, match="nothing in the log to take back"):
        tables.undo_last()


def quickest_s(act: Callable[[], Any]) -> float:
    """Seconds of the quickest of three times: others are at work on this computer too."""
    took = []
    for _ in range(3):
        began = time.perf_counter()
        act()
        took.append(time.perf_counter() - began)
    return min(took)


def test_two_years_of_twenty_tanks_are_shown_without_a_wait(tmp_path: Path) -> None:
    large_log(tmp_path).close()
    clock = Hand(END)
    shared = SharedLog(tmp_path, now=clock)
    desk, one = TankDesk(shared), OneTankDesk(shared)
    touched = TouchedDesk(shared)
    files = TablesDesk(shared, tmp_path / "kept", tmp_path / "reports")
    shared.warm()  # as the page does when it is loaded
    assert len(desk.names()) == 20
    opened = one.open("Amber")

    def area() -> None:
        desk.tonight_line()
        desk.glance()

    def write() -> None:
        clock.later(minutes=1)
        assert desk.write(form(seen="2", taken="1")).is_done
        area()

    def one_tank() -> None:
        one.account(opened)
        assert one.notes(opened)[1].count('<li class="pv-row') == ON_A_PAGE

    assert quickest_s(area) <= PAGE_S
    assert quickest_s(write) <= PAGE_S
    assert quickest_s(one_tank) <= PAGE_S
    assert quickest_s(lambda: one.notes(one.turn(opened, 5))) <= PAGE_S
    assert quickest_s(files.last_changes) <= PAGE_S

    def touched_anew() -> None:
        desk.write_clean_of(2)
        clock.later(minutes=1)
        touched.touched()

    assert quickest_s(touched_anew) <= PAGE_S

    def reckoned_anew() -> None:
        write()
        one.reckoned(opened)

    assert quickest_s(reckoned_anew) <= ESTIMATE_S + PAGE_S
    shared.close()
