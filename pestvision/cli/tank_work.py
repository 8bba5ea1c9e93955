"""The work behind the commands of the log: what was typed becomes a note; tables are written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pestvision.errors import LogError
from pestvision.storage.place import data_folder
from pestvision.storage.whole_folder import whole_folder
from pestvision.tanks.darwincore import observations_csv
from pestvision.tanks.keys import log_key
from pestvision.tanks.moments import moment_of
from pestvision.tanks.records import Kind, Means, Note, Pest
from pestvision.tanks.size_rules import SIZES
from pestvision.tanks.tables import (
    millimetres_of,
    minutes_of,
    notes_csv,
    tanks_csv,
    whole_of,
    word_of,
)

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pestvision.findings.finding import NightResult
    from pestvision.settings import TankSettings
    from pestvision.tanks.log import TankLog

NOTHING = "-"
"""Typed for a field of a note that is to be emptied."""
_WORDS = ("means", "pest", "stage", "cargo")
_WHOLE = ("seen", "taken", "count", "hatchlings")


def fields_of(*, now: datetime, **typed: Any) -> dict[str, Any]:
    """Give the fields that were typed, read; those left out are not among them.

    Raises
    ------
    LogError
        If one cannot be read.
    """
    return {name: _read(name, value, now=now) for name, value in typed.items() if value is not None}


def _read(name: str, value: Any, *, now: datetime) -> Any:
    if value == NOTHING:
        return None
    if name == "at":
        return moment_of(value, now=now)
    if name in _WORDS:
        return word_of(name, value)
    if name in _WHOLE:
        return whole_of(name, value)
    if name == "minutes":
        return minutes_of(value)
    if name in SIZES:
        return millimetres_of(f"--{name.replace('_', '-')}", value)
    return value


def drafted(tank: str, kind: str, given: dict[str, Any], *, now: datetime) -> Note:
    """Make a note of what was typed; a look is for leeches and by eye unless it says otherwise.

    Raises
    ------
    LogError
        If the kind is none.
    """
    which = Kind(word_of("kind", kind))
    usual: dict[str, Any] = {"at": now.astimezone()}
    if which in {Kind.LOOKED, Kind.REMOVED}:
        usual["pest"] = Pest.LEECH
    if which is Kind.LOOKED:
        usual["means"] = Means.EYE
    return Note(tank=tank, kind=which, **(usual | given))


def require_tank(name: str, data: Path | None) -> None:
    """Make sure before the work starts that there is such a tank.

    Raises
    ------
    LogError
        If there is none.
    """
    from pestvision.tanks.log import TankLog

    with TankLog(data_folder(data)) as log:
        log.tank(name)


def write_scan(found: NightResult, tank: str, data: Path | None) -> list[str]:
    """Write a scanned night into a tank's log; give lines that say what was written.

    Raises
    ------
    LogError
        If the tank is gone meanwhile.
    """
    from pestvision.cli.tank_text import note_text
    from pestvision.findings.scan_note import notes_of_scan
    from pestvision.tanks.log import TankLog, TwinError

    lines = []
    with TankLog(data_folder(data)) as log:
        for outcome in log.add_each(notes_of_scan(found, tank, now=log.now().astimezone())):
            if isinstance(outcome, TwinError):
                lines.append(outcome.sentence())
            elif isinstance(outcome, LogError):
                raise outcome
            else:
                lines.append(f"In the log:{note_text(outcome)}")
                lines.append(
                    "It counts as a look once you have looked at the photos: "
                    f"pestvision tank correct {outcome.id} --looked-at"
                )
    return lines


def write_tables(log: TankLog, folder: Path) -> int:
    """Write tanks, notes, and looks as Darwin Core into a new folder, as CSV; give how many notes there are.

    Raises
    ------
    OutputError
        If the folder is not empty or cannot be written.
    """
    notes, tanks = log.notes(), log.tanks()
    tables = {
        "tanks.csv": tanks_csv(tanks),
        "notes.csv": notes_csv(notes),
        "observations.csv": observations_csv(notes, tanks, key=log_key(log)),
    }
    with whole_folder(folder) as part:
        for name, text in tables.items():
            # the mark by which spreadsheets know UTF-8
            (part / name).write_text("\ufeff" + text, encoding="utf-8", newline="")
    return len(notes)


def report_html(
    log: TankLog, name: str, *, now: datetime, settings: TankSettings, for_buyer: bool
) -> str:
    """Give the report of a tank, or a buyer's record of it, as the text of an HTML file."""
    from pestvision.guidance.needed import cards_for_tank
    from pestvision.report.inspection import inspection_html
    from pestvision.report.tank_page import page_of
    from pestvision.report.tank_report import tank_report_html
    from pestvision.tanks.quarantine import inspection_record
    from pestvision.tanks.standing import cleared_of, standings, tonight

    notes = log.notes()
    found = standings(log.tanks(), notes, now=now, settings=settings)
    (standing,) = (one for one in found if one.tank.name == name)
    if for_buyer:
        record = inspection_record(
            name,
            standing.notes,
            today=tonight(now),
            holds=standing.holds,
            lives=standing.tank.lives,
        )
        return inspection_html(record, written=now)
    cards = cards_for_tank(standing)
    page = page_of(
        standing,
        notes=notes,
        now=now,
        cards=cards,
        cleared=cleared_of(found),
        settings=settings,
    )
    return tank_report_html(page, written=now)


def file_name_of(name: str, *, for_buyer: bool) -> str:
    """Give a name for the file of a tank's report that every system can hold."""
    safe = "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in name).strip("-")
    return f"{safe or 'tank'}{'-record' if for_buyer else ''}.html"
