"""From photos into a tank's log: a night that was scanned, a close-up that was checked. Knows no component."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pestvision.errors import LogError, PestVisionError
from pestvision.findings.scan_note import notes_of_close_up, notes_of_scan
from pestvision.tanks.records import Judge
from pestvision.web import advice, tank_cards, tank_words
from pestvision.web.tank_desk import Outcome, TankDesk, numbers_of, told, writer_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from pestvision.findings.finding import NightResult, PhotoCheck
    from pestvision.tanks.records import Note

NO_TANK = ""
"""Stands in the notes until the keeper has said which tank they are of."""


class ScanDesk:
    """What the button beside an answer does to a tank's log.

    Parameters
    ----------
    tonight
        Writes notes down and takes them back.
    """

    def __init__(self, tonight: TankDesk) -> None:
        self._tonight = tonight

    def names(self) -> list[str]:
        """Give the tanks' names; none where the log cannot be read: an answer is shown all the same."""
        try:
            return [tank.name for tank in self._tonight.shared.held().tanks]
        except PestVisionError:
            return []

    def of_night(self, found: NightResult) -> tuple[Note, ...]:
        """Give the notes of a scanned night, without their tank; none where no photo could be used."""
        return notes_of_scan(found, NO_TANK, now=self._here()) if found.n_photos else ()

    def of_close_up(self, found: PhotoCheck | None) -> tuple[Note, ...]:
        """Give the notes of a close-up, without their tank; none where nothing on it is a pest."""
        return () if found is None else notes_of_close_up(found, NO_TANK, now=self._here())

    def put(self, notes: Sequence[Note], tank: str | None, *, who: str = "") -> Outcome:
        """Write what the photos show into a tank's log."""

        def put() -> Outcome:
            if not tank:
                raise LogError(tank_words.NO_TANK_CHOSEN, advice=tank_words.NO_TANK_CHOSEN_ADVICE)
            ready = [replace(note, tank=tank) for note in notes]
            outcome = self._tonight.written(*ready, who=who, with_advice=False)
            if all(note.judge is Judge.KEEPER for note in notes):
                return outcome
            return replace(outcome, html=outcome.html + tank_cards.is_of_program(outcome.written))

        return told(put)

    def looked_at(self, told_of: str, *, who: str = "") -> Outcome:
        """Take what the program saw for the keeper's own look, now that the photos were looked at."""

        def look() -> Outcome:
            numbers = numbers_of(told_of)
            log = self._tonight.shared.log()
            with log.database.atomic():
                for number in numbers:
                    log.change(number, who=writer_of(who), judge=Judge.KEEPER)
            return Outcome(tank_cards.done(tank_words.LOOKED_AT_DONE))

        return told(look)

    def take_back(self, told_of: str) -> Outcome:
        """Take back what was just written."""
        return self._tonight.take_back(told_of)

    def advice_on(self, label: str | None) -> str:
        """Give the cards that go with a label, as HTML."""
        return advice.for_label(label)

    def _here(self) -> datetime:
        """Give the time by this computer's clock: a night belongs to the evening it began on here."""
        return self._tonight.shared.now().astimezone()
