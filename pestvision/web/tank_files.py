"""Files of one tank, made when they are asked for: a report, reminders, tables. Knows no component."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from pestvision.errors import LogError
from pestvision.guidance.needed import cards_for_tank
from pestvision.report.inspection import inspection_html
from pestvision.report.tank_page import page_of
from pestvision.report.tank_report import tank_report_html
from pestvision.tanks.darwincore import observations_csv
from pestvision.tanks.dues import dues_of
from pestvision.tanks.keys import log_key
from pestvision.tanks.quarantine import inspection_record
from pestvision.tanks.reminders import looks_calendar
from pestvision.tanks.standing import cleared_of
from pestvision.tanks.tables import notes_csv
from pestvision.web import tank_cards, tank_words
from pestvision.web.handlers import spoken
from pestvision.web.tank_tables import SPREADSHEET_MARK, write_files

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pestvision.tanks.standing import Standing
    from pestvision.web.shared_log import SharedLog

LONGEST_NAME: Final = 40  # characters of a tank's name in a file's
_STRANGE: Final = re.compile(r"[^a-z0-9]+")


class FilesDesk:
    """What the buttons do that make files of a tank.

    Parameters
    ----------
    shared
        The log of the page.
    reports
        The folder of files that are served.
    """

    def __init__(self, shared: SharedLog, reports: Path) -> None:
        self.shared = shared
        self._reports = reports

    def make(self, what: str, number: int) -> str:
        """Make a file of a tank; give the link to it."""
        with spoken():
            makers: dict[str, Callable[[Standing], dict[str, str]]] = {
                "report": self._report,
                "record": self._record,
                "reminders": self._reminders,
                "tables": self._tables,
                "observations": self._observations,
            }
            if what not in makers:
                raise LogError(tank_words.PRESS_GONE, advice=tank_words.PRESS_GONE_ADVICE)
            one = self.shared.standing(number)
            paths = write_files(self._reports, makers[what](one))
            said = tank_words.FILE_READY.format(what=tank_words.FILES[what], name=one.tank.name)
            return tank_cards.files(paths, said=said)

    def reminders_of_all(self) -> str:
        """Make one calendar of the looks that are due in every tank; give the link to it."""
        with spoken():
            text = self._calendar(self.shared.standings())
            paths = write_files(self._reports, {"looks.ics": text})
            return tank_cards.files(paths, said=tank_words.REMINDERS_READY)

    def _report(self, one: Standing) -> dict[str, str]:
        now = self.shared.here()
        page = page_of(
            one,
            notes=self.shared.held().notes,
            now=now,
            cards=cards_for_tank(one),
            cleared=cleared_of(self.shared.standings()),
            settings=self.shared.settings,
        )
        return {f"{_slug(one)}-report.html": tank_report_html(page, written=now)}

    def _record(self, one: Standing) -> dict[str, str]:
        record = inspection_record(
            one.tank.name,
            one.notes,
            today=self.shared.tonight(),
            holds=one.holds,
            lives=one.tank.lives,
        )
        text = inspection_html(record, written=self.shared.here())
        return {f"{_slug(one)}-record-of-looks.html": text}

    def _reminders(self, one: Standing) -> dict[str, str]:
        return {f"{_slug(one)}-looks.ics": self._calendar((one,))}

    def _calendar(self, standings: tuple[Standing, ...]) -> str:
        log, now = self.shared.log(), self.shared.here()
        return looks_calendar(
            dues_of(standings, now=now),
            key=log_key(log),
            written=now,
            settings=self.shared.settings,
        )

    def _tables(self, one: Standing) -> dict[str, str]:
        return {f"{_slug(one)}-notes.csv": SPREADSHEET_MARK + notes_csv(one.notes)}

    def _observations(self, one: Standing) -> dict[str, str]:
        own = [note for note in one.notes if note.tank == one.tank.name]
        text = observations_csv(own, self.shared.held().tanks, key=log_key(self.shared.log()))
        return {f"{_slug(one)}-observations.csv": text}


def _slug(one: Standing) -> str:
    """Give a tank's name as a file's may be: small letters, digits and dashes."""
    plain = _STRANGE.sub("-", one.tank.name.casefold()).strip("-")[:LONGEST_NAME].strip("-")
    return plain or f"tank-{one.tank.id}"
