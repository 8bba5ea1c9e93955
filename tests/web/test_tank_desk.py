"""Notes written down on the page, from the form and from photos, and taken back; no component is needed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import gradio as gr
import pytest
from hand_made import made_night
from played_tanks import form, made_photo, with_button

from pestvision.tanks.log import TankLog
from pestvision.tanks.nights import nights_of
from pestvision.tanks.records import Cargo, Judge, Kind, Means, Note, Pest, Stage
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
from pestvision.web.tank_one import OneTankDesk, Opened
from pestvision.web.tank_scan import ScanDesk
from pestvision.web.tank_tables import TablesDesk
from tests.made_log import START, Hand, everything, look

if TYPE_CHECKING:
    from pathlib import Path

NOW = Hand()()

NOW = Hand()()


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
        ("looked", {"seen": "3", "largest_mm": "12,5", "hatchlings": "0"}, {"largest_mm": 12.5}),
        ("looked", {"seen": "3"}, {"smallest_mm": None, "largest_mm": None, "hatchlings": None}),
        ("looked", {"seen": "3", "hatchlings": "0"}, {"hatchlings": 0}),
        ("removed", {"taken": "2", "smallest_mm": "1", "hatchlings": "2"}, {"hatchlings": 2}),
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
    tonight: TankDesk, kind: str, typed: dict[str, Any], expected: dict[str, Any]
) -> None:
    outcome = tonight.write(form(kind=kind, **typed))
    assert outcome.is_done, outcome.html
    (note,) = tonight.shared.log().notes()
    assert note.kind == kind
    assert note.at == START
    assert {name: getattr(note, name) for name in expected} == expected
    assert outcome.written == (note.id,)


def test_what_was_left_over_in_fields_that_are_not_shown_is_not_written() -> None:
    full = form(
        seen="3",
        taken="3",
        largest_mm="8",
        brooding=True,
        stage="adult",
        cargo="plants",
        other="Moss",
    )
    note = note_of({**full, "kind": "cleaned", "what": "the filter"}, now=NOW)
    assert note == Note("Amber", START, Kind.CLEANED, what="the filter")


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        (
            "looked",
            "pest seen taken means minutes brooding smallest_mm largest_mm hatchlings animals",
        ),
        ("removed", "pest taken brooding smallest_mm largest_mm hatchlings what"),
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


def test_a_clean_night_is_one_press(tonight: TankDesk) -> None:
    outcome = tonight.write_clean(form("Moss"))
    assert outcome.is_done
    (note,) = tonight.shared.log().notes()
    assert note == look("Moss", START, 0, minutes=None, id=note.id)
    assert "nothing leech-like" in outcome.html
    assert tank_words.TAKE_BACK in outcome.html


def test_a_clean_night_keeps_how_and_how_long_and_leaves_what_is_hidden() -> None:
    typed = form(means="trap", pest="flatworm-like")
    note = clean_look_of(typed, now=NOW)
    assert (note.means, note.pest, note.seen) == (Means.TRAP, Pest.FLATWORM, 0)
    note = clean_look_of({**typed, "kind": "died", "count": "9", "minutes": "30"}, now=NOW)
    assert (note.kind, note.means, note.minutes, note.count) == (Kind.LOOKED, Means.EYE, None, None)


def test_a_clean_night_with_leeches_typed_in_is_asked_about_and_not_written(
    tonight: TankDesk,
) -> None:
    outcome = tonight.write_clean(form(seen="2"))
    assert not outcome.is_done
    assert "“2”" in outcome.html
    assert not tonight.shared.log().notes()
    assert not tonight.write_clean(form(hatchlings="2")).is_done
    assert not tonight.write_clean(form(largest_mm="8")).is_done
    assert tonight.write_clean(form(seen="0", hatchlings="0")).is_done


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
        ({"seen": "1", "largest_mm": "2 cm"}, "a centimetre is 10"),
        ({"seen": "1", "largest_mm": "0"}, "more than 0 and at most 200"),
        ({"seen": "2", "smallest_mm": "9", "largest_mm": "8"}, "the smaller number"),
        ({"seen": "1", "hatchlings": "2"}, "Young ones are among those seen"),
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
    tonight: TankDesk, typed: dict[str, Any], said: str
) -> None:
    before = everything(tonight.shared.log())
    outcome = tonight.write(form(**typed))
    assert not outcome.is_done
    assert said in outcome.html
    assert 'role="alert"' in outcome.html
    assert outcome.html.count("<p>") == 1
    assert "pestvision tank" not in outcome.html
    assert everything(tonight.shared.log()) == before


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
        look("Amber", at, 3, smallest_mm=1.0, largest_mm=12.3456789, hatchlings=0),
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


def test_taking_back_leaves_the_log_exactly_as_it_was(tonight: TankDesk) -> None:
    before = everything(tonight.shared.log())
    outcome = tonight.write(form(seen="4"))
    assert tonight.take_back(with_button(outcome.html, "back")).is_done
    assert everything(tonight.shared.log()) == before
    assert not tonight.take_back(with_button(outcome.html, "back")).is_done


def test_taking_back_after_somebody_else_wrote_takes_only_the_own_note(tonight: TankDesk) -> None:
    mine = tonight.write(form(seen="4"))
    tonight.write(form("Moss", seen="1"), who="Ida")
    assert tonight.take_back(with_button(mine.html, "back")).is_done
    assert [note.tank for note in tonight.shared.log().notes()] == ["Moss"]


def test_a_press_that_names_no_note_is_one_sentence(tonight: TankDesk) -> None:
    for told_of in ("", "one", "1;2", "99"):
        outcome = tonight.take_back(told_of)
        assert not outcome.is_done, told_of
        assert 'role="alert"' in outcome.html


def test_a_tank_is_added_with_what_is_known_and_refused_with_its_reason(tonight: TankDesk) -> None:
    typed = {"name": " Slate ", "litres": "19,5", "lives": "nerites", "use": ""}
    assert tonight.add_tank(typed, who="Ida").is_done
    tank = tonight.shared.log().tank("Slate")
    assert (tank.litres, tank.lives, tank.use) == (19.5, "nerites", None)
    assert tonight.shared.log().changes(limit=1)[0].who == "Ida"
    for wrong, said in (
        ({"name": "slate"}, "already"),
        ({"name": ""}, "letters"),
        ({"name": "Fern", "litres": "5 gal"}, "5 gal"),
        ({"name": "Fern", "litres": "-1"}, "more than 0"),
    ):
        outcome = tonight.add_tank(wrong)
        assert not outcome.is_done
        assert said in outcome.html
    assert tonight.names() == ["Amber", "Moss", "Slate"]


def test_a_damaged_log_is_told_as_the_page_tells_such_things(tmp_path: Path) -> None:
    (tmp_path / "pestvision.db").write_bytes(b"no database" * 1000)
    with pytest.raises(gr.Error):
        TankDesk(SharedLog(tmp_path)).write(form(seen="1"))


def test_what_the_log_says_is_read_anew_only_after_it_has_changed(
    tonight: TankDesk, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads: list[int] = []
    for name in ("notes", "note"):
        plain = getattr(TankLog, name)

        def counted(log: TankLog, *args: Any, plain: Any = plain, **more: Any) -> Any:
            reads.append(1)
            return plain(log, *args, **more)

        monkeypatch.setattr(TankLog, name, counted)
    shared = tonight.shared
    assert len(shared.held().notes) == 0
    shared.held()
    assert len(reads) == 1
    tonight.write(form(seen="1"))
    shared.held()
    shared.held()
    assert len(reads) == 2


def test_what_is_held_is_what_the_log_says_whoever_changed_it(
    tonight: TankDesk, clock: Hand
) -> None:
    shared = tonight.shared
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


# --- from photos ------------------------------------------------------------------------------


@pytest.fixture
def scan(tonight: TankDesk, clock: Hand) -> ScanDesk:
    clock.at = START.replace(year=2031, month=3, day=3)
    return ScanDesk(tonight)


def test_a_scanned_night_is_the_programs_word_until_the_keeper_has_looked(
    scan: ScanDesk, tonight: TankDesk
) -> None:
    notes = scan.of_night(made_night())
    outcome = scan.put(notes, "Amber", who="Ida")
    assert outcome.is_done, outcome.html
    assert tank_words.LOOKED_AT in outcome.html
    assert "pv-caution" in outcome.html
    (note,) = tonight.shared.log().notes()
    assert (note.tank, note.seen, note.judge, note.means) == ("Amber", 1, Judge.TOOL, Means.PHOTO)
    assert nights_of([note], "Amber") == ()
    assert scan.looked_at(with_button(outcome.html, "looked"), who="Ida").is_done
    assert len(nights_of(tonight.shared.log().notes(), "Amber")) == 1
    assert scan.take_back(with_button(outcome.html, "back")).is_done
    assert tonight.shared.log().notes() == []


def test_a_night_goes_into_the_log_once_and_into_a_tank_that_was_chosen(
    scan: ScanDesk, tonight: TankDesk
) -> None:
    notes = scan.of_night(made_night())
    assert tank_words.NO_TANK_CHOSEN in scan.put(notes, None).html
    assert scan.put(notes, "Moss").is_done
    twice = scan.put(notes, "Moss")
    assert not twice.is_done
    assert "stands in the log already" in twice.html
    assert len(tonight.shared.log().notes()) == 1
    assert scan.of_night(replace(made_night(), views=())) == ()


def test_a_close_up_of_a_pest_is_the_keepers_own_find(scan: ScanDesk, tonight: TankDesk) -> None:
    photo = made_photo("leech-like", "harmless", "leech-like", "flatworm-like")
    notes = scan.of_close_up(photo)
    assert [(note.pest, note.seen) for note in notes] == [(Pest.LEECH, 2), (Pest.FLATWORM, 1)]
    outcome = scan.put(notes, "Amber")
    assert outcome.is_done
    assert "glass.jpg" in str(tonight.shared.log().notes()[0].remark)
    assert all(note.judge is Judge.KEEPER for note in tonight.shared.log().notes())
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


def test_advice_goes_with_what_was_written_down(tonight: TankDesk) -> None:
    html = tonight.write(form(seen="2", taken="2")).html
    assert "Taking a leech off" in html
    assert "Do not crush" in html
    clean = tonight.write_clean(form("Moss")).html
    assert "Taking a leech off" not in clean
    treated = tonight.write(form("Moss", kind="treated", what="something")).html
    assert "dose" in treated
    assert "pv-advice" not in tonight.write(form(seen="3 pcs")).html
