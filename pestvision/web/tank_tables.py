"""Tables of the log in and out, and what was done last. Functions that know no component."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pestvision.errors import LogError
from pestvision.storage.whole_file import write_whole_file
from pestvision.tanks.tables import notes_csv, read_table, take_notes, tanks_csv
from pestvision.web import tank_cards, tank_words
from pestvision.web.handlers import spoken
from pestvision.web.shelf import Shelf
from pestvision.web.tank_desk import Outcome, told, writer_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pestvision.web.shared_log import SharedLog

SPREADSHEET_MARK = "\ufeff"  # by which spreadsheets know UTF-8
MOST_CHANGES = 30  # shown of the whole log: the evening's work


@dataclass(frozen=True, slots=True)
class Brought:
    """The table that a visitor brought in last: its step in the log, and how many notes came of it."""

    step: int
    n_notes: int


class TablesDesk:
    """What the buttons of the tables do.

    Parameters
    ----------
    shared
        The log of the page.
    folder
        A private folder in which a table lies until it is read.
    reports
        The folder of files that are served.
    """

    def __init__(self, shared: SharedLog, folder: Path, reports: Path) -> None:
        self.shared = shared
        self._shelf = Shelf(folder)
        self._reports = reports

    def bring_in(
        self, owner: str, sent: str | None, *, who: str = ""
    ) -> tuple[Outcome, Brought | None]:
        """Take the notes of a table; the copy that was handed over is deleted."""
        brought: Brought | None = None

        def bring() -> Outcome:
            nonlocal brought
            if not sent:
                raise LogError(tank_words.NO_TABLE, advice=tank_words.NO_TABLE_ADVICE)
            person = writer_of(who)
            try:
                text = read_table(self._shelf.replace(owner, Path(sent)))
            finally:
                self._shelf.drop(owner)
            log = self.shared.log()
            with log.database.atomic():
                taken = take_notes(log, text, who=person)
                if taken.added:
                    brought = Brought(log.last_step()[0].step, len(taken.added))
            return Outcome(tank_cards.brought(taken, can_undo=brought is not None))

        return told(bring), brought

    def undo_table(self, brought: Brought | None) -> Outcome:
        """Take a table back, where nothing was written after it."""

        def undo() -> Outcome:
            log = self.shared.log()
            with log.database.atomic():
                last = log.last_step()
                if brought is None or not last or last[0].step != brought.step:
                    raise LogError(
                        tank_words.TABLE_NOT_LAST, advice=tank_words.TABLE_NOT_LAST_ADVICE
                    )
                log.undo()
            n = tank_words.notes(brought.n_notes)
            return Outcome(tank_cards.done(tank_words.TABLE_UNDONE.format(n=n)))

        return told(undo)

    def last_changes(self, said: str = "") -> str:
        """Give what was done last, as HTML."""
        with spoken():
            log = self.shared.begun()
            if log is None:
                return tank_cards.last_changes((), {}, can_undo=False, said=said)
            names = {tank.id: tank.name for tank in self.shared.held().tanks}
            changes = log.changes(limit=MOST_CHANGES)
            return tank_cards.last_changes(
                changes, names, can_undo=bool(log.last_step()), said=said
            )

    def undo_last(self) -> str:
        """Take the newest step back; give what was done last anew."""
        with spoken():
            self.shared.log().undo()
        return self.last_changes(tank_words.UNDO_LAST_DONE)

    def save_tables(self) -> str:
        """Write the whole log as two tables; give the links to them."""
        with spoken():
            held = self.shared.held()
            paths = write_files(
                self._reports,
                {
                    "notes.csv": SPREADSHEET_MARK + notes_csv(held.notes),
                    "tanks.csv": SPREADSHEET_MARK + tanks_csv(held.tanks),
                },
            )
            said = tank_words.TABLES_READY.format(n=tank_words.notes(len(held.notes)))
            return tank_cards.files(paths, said=said)


def write_files(reports: Path, texts: Mapping[str, str]) -> list[Path]:
    """Write files into a new folder with a name that nobody can guess.

    Raises
    ------
    OutputError
        If that cannot be done.
    """
    folder = reports / secrets.token_hex(16)
    return [write_whole_file(folder / name, text) for name, text in texts.items()]
