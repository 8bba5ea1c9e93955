"""What the buttons of the tanks do: write down, add, take back. Functions that know no component."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pestvision.collection.records import KEEPER, require_name
from pestvision.errors import LogError, PersonError
from pestvision.web import advice, tank_cards, tank_glance, tank_words
from pestvision.web.handlers import spoken
from pestvision.web.tank_note import EMPTY, clean_look_of, litres_of, note_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import date

    from pestvision.tanks.records import Note
    from pestvision.web.shared_log import SharedLog


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a press.

    Parameters
    ----------
    html
        What is shown of it.
    is_done
        False where nothing was written; then what was typed stays where it is.
    written
        The numbers of the notes that were written, for taking them back.
    """

    html: str
    is_done: bool = True
    written: tuple[int, ...] = ()


def writer_of(text: str | None) -> str:
    """Give the name that was typed; that of every keeper where the field is empty.

    Raises
    ------
    LabelError
        If it is no name.
    """
    return require_name(text, "the person who writes") if text and text.strip() else KEEPER


def told(act: Callable[[], Outcome]) -> Outcome:
    """Do something; what the person gave wrong comes back as one sentence beside the form."""
    with spoken():
        try:
            return act()
        except PersonError as error:
            return Outcome(tank_cards.refused(error), is_done=False)


def numbers_of(text: str) -> tuple[int, ...]:
    """Give the numbers of notes that stand with a button.

    Raises
    ------
    LogError
        If they are none.
    """
    try:
        return tuple(int(part) for part in text.split(","))
    except ValueError as error:
        raise LogError(tank_words.PRESS_GONE, advice=tank_words.PRESS_GONE_ADVICE) from error


class TankDesk:
    """Tanks are added here, and notes written down and taken back.

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

    def names(self) -> list[str]:
        """Give the tanks' names."""
        with spoken():
            return [tank.name for tank in self.shared.held().tanks]

    def tonight_line(self, said: str = "") -> str:
        """Say which tank to look at tonight, as HTML; `said` is what came of a press there."""
        with spoken():
            return tank_glance.tonight_line(
                self.shared.standings(), tonight=self.shared.tonight(), said=said
            )

    def glance(self, said: Mapping[int, str] | None = None) -> str:
        """Give every tank at a glance, as HTML; `said` is what came of a press, by tank."""
        with spoken():
            return tank_glance.glance(
                self.shared.standings(), tonight=self.shared.tonight(), said=said
            )

    def write_clean_of(self, number: int, *, who: str = "") -> Outcome:
        """Write down that a tank was looked at by eye a moment ago and nothing was seen."""

        def write() -> Outcome:
            tank = self.shared.held().tank(number)
            return self.written(
                clean_look_of({**EMPTY, "tank": tank.name}, now=self.shared.now()),
                who=who,
                with_advice=False,
            )

        return told(write)

    def name_of(self, number: int) -> str:
        """Give a tank's name by its number."""
        with spoken():
            return self.shared.held().tank(number).name

    def tank_of(self, note: int) -> int:
        """Give the number of the tank that a note is of; 0 where the note is gone."""
        with spoken():
            held = self.shared.held()
            numbers = {tank.name: tank.id for tank in held.tanks}
            return next((numbers[each.tank] for each in held.notes if each.id == note), 0)

    def add_tank(self, typed: Mapping[str, Any], *, who: str = "") -> Outcome:
        """Add a tank: its `name`, and `litres`, `lives` and `use` where they were filled in."""

        def add() -> Outcome:
            tank = self.shared.log().add_tank(
                str(typed.get("name") or ""),
                litres=litres_of(typed.get("litres")),
                lives=_text(typed.get("lives")),
                use=_text(typed.get("use")),
                who=writer_of(who),
            )
            return Outcome(tank_cards.done(tank_words.TANK_ADDED.format(name=tank.name)))

        return told(add)

    def write(self, typed: Mapping[str, Any], *, who: str = "") -> Outcome:
        """Write down what stands in the form."""
        return told(lambda: self.written(note_of(typed, now=self.shared.now()), who=who))

    def write_clean(self, typed: Mapping[str, Any], *, who: str = "") -> Outcome:
        """Write a look down at which nothing was seen."""
        return told(lambda: self.written(clean_look_of(typed, now=self.shared.now()), who=who))

    def written(self, *notes: Note, who: str, with_advice: bool = True) -> Outcome:
        """Write notes; say what was written, offer to take it back, and advise."""
        kept = self.shared.log().add(*notes, who=writer_of(who))
        html = tank_cards.written(kept, today=self.today())
        if with_advice:
            html += advice.for_notes(kept)
        return Outcome(html, written=tuple(note.id for note in kept))

    def take_back(self, told_of: str) -> Outcome:
        """Take back what was just written: the notes whose numbers stand with the button."""

        def back() -> Outcome:
            self.shared.take_back(numbers_of(told_of))
            return Outcome(tank_cards.done(tank_words.TAKEN_BACK))

        return told(back)


def _text(value: Any) -> str | None:
    return str(value).strip() or None if value else None
