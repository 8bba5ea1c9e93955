"""What the buttons of the tanks do: write down, add, take back. Functions that know no component."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pestvision.collection.records import KEEPER, require_name
from pestvision.errors import PersonError
from pestvision.web import advice, tank_cards, tank_words
from pestvision.web.handlers import spoken
from pestvision.web.tank_note import clean_look_of, litres_of, note_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
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
        return self.shared.now().astimezone().date()

    def names(self) -> list[str]:
        """Give the tanks' names."""
        with spoken():
            return [tank.name for tank in self.shared.held().tanks]

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

    def written(self, *notes: Note, who: str) -> Outcome:
        """Write notes; say what was written, and offer to take it back."""
        kept = self.shared.log().add(*notes, who=writer_of(who))
        html = tank_cards.written(kept, today=self.today()) + advice.for_notes(kept)
        return Outcome(html, written=tuple(note.id for note in kept))

    def take_back(self, numbers: Sequence[int]) -> Outcome:
        """Take back what was just written."""

        def back() -> Outcome:
            self.shared.take_back(numbers)
            return Outcome(tank_cards.done(tank_words.TAKEN_BACK))

        return told(back)


def _text(value: Any) -> str | None:
    return str(value).strip() or None if value else None
