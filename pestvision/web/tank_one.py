"""One tank: its notes page by page, corrected, deleted and brought back. Knows no component."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from pestvision.errors import LogError
from pestvision.tanks.records import Judge
from pestvision.tanks.words import said
from pestvision.web import tank_account, tank_cards, tank_words
from pestvision.web.handlers import spoken
from pestvision.web.tank_desk import Outcome, told, writer_of
from pestvision.web.tank_note import Typed, changes_of, litres_of, typed_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from pestvision.tanks.records import Note, Tank
    from pestvision.web.shared_log import SharedLog

ON_A_PAGE = 15


@dataclass(frozen=True, slots=True)
class Opened:
    """Which tank a visitor has open, how many newer notes are turned over, and what is at hand.

    `correcting` is the note whose fields stand in the form, `deleted` the one that can be brought back.
    """

    tank: int | None = None
    offset: int = 0
    correcting: int | None = None
    deleted: int | None = None


class OneTankDesk:
    """What the buttons of one tank do.

    Parameters
    ----------
    shared
        The log of the page.
    """

    def __init__(self, shared: SharedLog) -> None:
        self.shared = shared

    def today(self) -> date:
        """Give the day it is by this computer's clock."""
        return self.shared.here().date()

    def open(self, name: str | None) -> Opened:
        """Open a tank by its name; none where the name is empty."""
        with spoken():
            log = self.shared.begun()
            if not name or log is None:
                return Opened()
            return Opened(log.tank(name).id)

    def names(self) -> list[str]:
        """Give the tanks' names."""
        with spoken():
            return [tank.name for tank in self.shared.held().tanks]

    def still_there(self, opened: Opened) -> tuple[Opened, Tank | None]:
        """Give the tank that is open; none where it was taken out of the log meanwhile."""
        with spoken():
            for tank in self.shared.held().tanks:
                if tank.id == opened.tank:
                    return opened, tank
            return Opened(), None

    def account(self, opened: Opened) -> tuple[str, str, str]:
        """Give how the open tank stands, its time line, and the buttons that make files, as HTML."""
        with spoken():
            if opened.tank is None:
                return tank_cards.nothing(tank_words.ONE_WAITS), "", ""
            one, tonight = self.shared.standing(opened.tank), self.shared.tonight()
            return (
                tank_account.account(one, tonight=tonight),
                tank_account.time_line(one, tonight=tonight),
                tank_account.files(one),
            )

    def reckoned(self, opened: Opened) -> str:
        """Give how many are left in the open tank and how sure it is clear; takes up to seconds."""
        with spoken():
            if opened.tank is None:
                return ""
            return tank_account.reckoned(
                self.shared.standing(opened.tank),
                self.shared.held().notes,
                today=self.shared.tonight(),
                settings=self.shared.settings,
            )

    def notes(self, opened: Opened) -> tuple[Opened, str]:
        """Give the page of notes that is turned to, as HTML."""
        with spoken():
            if opened.tank is None:
                return opened, ""
            held = self.shared.held()
            tank = held.tank(opened.tank)
            every = held.of(tank)[::-1]
            last_page = max(0, (len(every) - 1) // ON_A_PAGE * ON_A_PAGE)
            opened = replace(opened, offset=min(max(0, opened.offset), last_page))
            page = every[opened.offset : opened.offset + ON_A_PAGE]
            log = self.shared.log()
            histories = {note.id: log.history(note.id) for note in page}
            html = tank_cards.note_list(
                page,
                {number: told_of for number, told_of in histories.items() if len(told_of) > 1},
                tank,
                place=(opened.offset, len(every)),
                names={each.id: each.name for each in held.tanks},
                today=self.today(),
            )
            return opened, html

    def turn(self, opened: Opened, pages: int) -> Opened:
        """Turn pages towards the older notes, or back where the number is negative."""
        return replace(opened, offset=max(0, opened.offset + pages * ON_A_PAGE))

    def change_tank(self, opened: Opened, typed: Mapping[str, Any], *, who: str = "") -> Outcome:
        """Change what is known of the tank itself."""

        def change() -> Outcome:
            if opened.tank is None:
                raise LogError(tank_words.NO_TANK_CHOSEN, advice=tank_words.NO_TANK_CHOSEN_ADVICE)
            old = self.shared.held().tank(opened.tank)
            new = self.shared.log().change_tank(
                old.name,
                who=writer_of(who),
                name=str(typed.get("name") or ""),
                litres=litres_of(typed.get("litres")),
                lives=str(typed.get("lives") or "").strip() or None,
                use=str(typed.get("use") or "").strip() or None,
            )
            text = tank_words.TANK_CHANGED.format(tank=tank_cards.tank_in_words(new))
            return Outcome(tank_cards.done(text))

        return told(change)

    def correct(self, opened: Opened, number: int) -> tuple[Opened, Typed]:
        """Take a note up to be corrected; give the fields of the form that say what it says."""
        with spoken():
            return replace(opened, correcting=number), typed_of(self._note(number))

    def save_correction(
        self, opened: Opened, typed: Mapping[str, Any], *, who: str = ""
    ) -> tuple[Opened, Outcome]:
        """Write the correction into the log; the note's history keeps what it said."""

        def save() -> Outcome:
            number = opened.correcting or 0
            changed = changes_of(self._note(number), typed, now=self.shared.now())
            if not changed:
                return Outcome(tank_cards.done(tank_words.NOTHING_CHANGED))
            new = self.shared.log().change(number, who=writer_of(who), **changed)
            return Outcome(tank_cards.done(self._in_words(tank_words.CORRECTED, new)))

        outcome = told(save)
        return replace(opened, correcting=None) if outcome.is_done else opened, outcome

    def looked_at(self, number: int, *, who: str = "") -> Outcome:
        """Take what the program saw for the keeper's own look, now that the photos were looked at."""

        def look() -> Outcome:
            self._note(number)
            self.shared.log().change(number, who=writer_of(who), judge=Judge.KEEPER)
            return Outcome(tank_cards.done(tank_words.LOOKED_AT_DONE))

        return told(look)

    def delete(self, opened: Opened, number: int, *, who: str = "") -> tuple[Opened, Outcome]:
        """Take a note out of the log; it can be brought back."""

        def delete() -> Outcome:
            self._note(number)
            old = self.shared.log().remove(number, who=writer_of(who))
            back = tank_cards.button("bring-back", tank_words.BRING_BACK, number=number)
            return Outcome(tank_cards.done(self._in_words(tank_words.DELETED, old), back))

        outcome = told(delete)
        if outcome.is_done:
            correcting = None if opened.correcting == number else opened.correcting
            opened = replace(opened, deleted=number, correcting=correcting)
        return opened, outcome

    def bring_back(self, opened: Opened) -> tuple[Opened, Outcome]:
        """Bring the note back that was deleted, where nothing was written after that."""

        def back() -> Outcome:
            log = self.shared.log()
            with log.database.atomic():
                last = log.last_step()
                is_it = bool(last) and last[0].after is None and last[0].row == opened.deleted
                if not is_it:
                    raise LogError(tank_words.NOT_LAST, advice=tank_words.TABLE_NOT_LAST_ADVICE)
                log.undo()
            return Outcome(tank_cards.done(tank_words.BROUGHT_BACK))

        outcome = told(back)
        return replace(opened, deleted=None) if outcome.is_done else opened, outcome

    def _note(self, number: int) -> Note:
        """Give a note, or say that it is gone in the words of the page."""
        try:
            return self.shared.log().note(number)
        except LogError as error:
            raise LogError(tank_words.NOTE_GONE, advice=tank_words.NOTE_GONE_ADVICE) from error

    def _in_words(self, sentence: str, note: Note) -> str:
        when = tank_words.moment_in_words(note.at, today=self.today())
        return sentence.format(note=f"{note.tank}, {when}: {said(note)}")
