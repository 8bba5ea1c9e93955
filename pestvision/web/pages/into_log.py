"""The area beside an answer from which it goes into a tank's log, and the advice that goes with it.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import tank_words
from pestvision.web.pages.tank_fields import STEADY
from pestvision.web.pages.teach import LIGHT, STATE_LIFE_S, pressed_number
from pestvision.web.pages.visitor import SHOW_ANSWER

if TYPE_CHECKING:
    from pestvision.tanks.records import Note
    from pestvision.web.tank_scan import ScanDesk


@dataclass(frozen=True, slots=True)
class IntoLog:
    """The components of the area."""

    desk: ScanDesk
    advice: gr.HTML
    column: gr.Column
    notes: gr.State
    tank: gr.Dropdown
    said: gr.HTML

    @property
    def outputs(self) -> list[Any]:
        """What an answer that is new changes here, in the order of `begun`."""
        return [self.advice, self.column, self.notes, self.tank, self.said]

    def begun(self, notes: tuple[Note, ...], label: str | None) -> list[Any]:
        """Give the area for a new answer; hidden where there is nothing to write down."""
        return [
            self.desk.advice_on(label),
            gr.Column(visible=bool(notes)),
            notes,
            gr.update(choices=self.desk.names()),
            "",
        ]


def build_into_log(desk: ScanDesk, place: str, who: gr.Textbox | None) -> IntoLog:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk
        The handlers.
    place
        Of which answer: `close-up` or `night`; the start of the components' names.
    who
        The field for the visitor's name, where there is one.
    """
    heading, says, press = tank_words.INTO_LOG[place]
    advice = gr.HTML("", elem_id=f"{place}-advice")
    notes = gr.State((), time_to_live=STATE_LIFE_S)
    writer = gr.State("") if who is None else who
    with gr.Column(visible=False, elem_id=f"{place}-into-log", elem_classes="pv-form") as column:
        gr.Markdown(heading)
        gr.Markdown(says)
        tank = gr.Dropdown(
            [],
            value=None,
            filterable=False,
            label=tank_words.CHOOSE_TANK,
            info=tank_words.INTO_LOG_TANK,
            elem_id=f"{place}-log-tank",
        )
        button = gr.Button(press, elem_id=f"{place}-log-button")
        said = gr.HTML("", elem_id=f"{place}-log-said", **STEADY)

    def put(held: tuple[Note, ...], name: str | None, person: str) -> str:
        return desk.put(held, name, who=person).html

    def pressed(person: str, event: gr.EventData) -> str:
        what, _, numbers = pressed_number(event)
        if what == "back":
            return desk.take_back(numbers).html
        return desk.looked_at(numbers, who=person).html

    show = SHOW_ANSWER.format(where=f"{place}-log-said")
    button.click(put, [notes, tank, writer], said, **LIGHT).success(None, js=show)
    said.pressed(pressed, writer, said, **LIGHT).success(None, js=show)
    return IntoLog(desk, advice, column, notes, tank, said)
