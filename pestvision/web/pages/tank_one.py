"""The area for one tank: how it stands, how many are left, how sure it is clear, and its notes.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import tank_cards, tank_words
from pestvision.web.pages.tank_fields import (
    STEADY,
    TANK_NAMES,
    TankFields,
    tank_fields,
    tank_values,
)
from pestvision.web.pages.tank_form import NoteForm, filled, kept, note_form, typed_in
from pestvision.web.pages.teach import LIGHT, STATE_LIFE_S, pressed_number
from pestvision.web.pages.visitor import SHOW_ANSWER
from pestvision.web.tank_one import Opened

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.web.pages.teach import About
    from pestvision.web.tank_desk import Outcome
    from pestvision.web.tank_files import FilesDesk
    from pestvision.web.tank_one import OneTankDesk

SHOW_PRESSED = """() => requestAnimationFrame(() => {
    const said = document.querySelector("#one-said .pv-verdict");
    const field = document.querySelector("#correct-kind input:checked");
    const found = said || field;
    if (!found || window.pvPressed === "turn") return;
    (said || document.querySelector("#one-correcting")).scrollIntoView({block: "start"});
    found.focus({preventScroll: true});
})"""
"""Brings what came of a press, or the form that a note was taken up into, under the keyboard."""


@dataclass(frozen=True, slots=True)
class OneTank:
    """The components of the area."""

    opened: gr.State
    tank: gr.Dropdown
    said: gr.HTML
    correcting: gr.Column
    heading: gr.Markdown
    form: NoteForm
    save: gr.Button
    cancel: gr.Button
    account: gr.HTML
    reckoned: gr.HTML
    line: gr.HTML
    files: gr.HTML
    made: gr.HTML
    notes: gr.HTML
    about: TankFields
    about_save: gr.Button
    about_said: gr.HTML

    @property
    def shown(self) -> list[Any]:
        """What a tank that is opened, or changed, shows anew, in the order of `show_of`."""
        return [
            self.opened,
            self.tank,
            self.correcting,
            self.account,
            self.line,
            self.files,
            self.notes,
            *self.about.inputs,
        ]


def show_of(desk: OneTankDesk) -> Callable[[Opened], list[Any]]:
    """Give the function that shows what is opened, in the order of `OneTank.shown`."""

    def show(opened: Opened) -> list[Any]:
        opened, tank = desk.still_there(opened)
        opened, notes = desk.notes(opened)
        choice = gr.update(choices=desk.names(), value=None if tank is None else tank.name)
        correcting = gr.Column(visible=opened.correcting is not None)
        return [opened, choice, correcting, *desk.account(opened), notes, *tank_values(tank)]

    return show


def build_one(desk: OneTankDesk, files: FilesDesk, about: About) -> OneTank:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk, files
        The handlers.
    about
        The fields for the tank and the visitor's name.
    """
    at = _laid_out()
    _connect_notes(desk, about, at)
    _connect_about(desk, about, at)
    at.files.pressed(_maker(files), None, at.made, **LIGHT).success(
        None, js=SHOW_ANSWER.format(where="one-made")
    )
    return at


def open_on(desk: OneTankDesk, at: OneTank, areas: list[Any]) -> None:
    """Show the tank that is open whenever the area is opened, and one that is chosen.

    Parameters
    ----------
    desk
        The handlers.
    at
        The components.
    areas
        The events that open the area.
    """
    show = show_of(desk)

    def choose(name: str | None) -> list[Any]:
        return [*show(desk.open(name)), "", "", tank_cards.nothing(tank_words.RECKONING)]

    outputs = [*at.shown, at.said, at.made, at.reckoned]
    reckon: dict[str, Any] = {"fn": desk.reckoned, "inputs": at.opened, "outputs": at.reckoned}
    at.tank.input(choose, at.tank, outputs, **LIGHT).success(**reckon, **LIGHT)
    gr.on(areas, show, at.opened, at.shown, **LIGHT).success(**reckon, **LIGHT)


def _maker(files: FilesDesk) -> Callable[[gr.EventData], str]:
    def make(event: gr.EventData) -> str:
        what, number, _ = pressed_number(event)
        return files.make(what, number)

    return make


def _laid_out() -> OneTank:
    opened = gr.State(Opened(), time_to_live=STATE_LIFE_S)
    with gr.Column(elem_classes="pv-form"):
        tank = gr.Dropdown(
            [], value=None, filterable=False, label=tank_words.CHOOSE_TANK, elem_id="one-tank"
        )
    said = gr.HTML("", elem_id="one-said", **STEADY)
    with gr.Column(visible=False, elem_id="one-correcting", elem_classes="pv-form") as correcting:
        heading = gr.Markdown(tank_words.CORRECTING.format(number=""))
        form = note_form("correct")
        with gr.Row():
            save = gr.Button(
                tank_words.CORRECT_SAVE, variant="primary", elem_id="correct-save", min_width=140
            )
            cancel = gr.Button(tank_words.CORRECT_CANCEL, elem_id="correct-cancel", min_width=140)
    with gr.Row(elem_classes="pv-columns"):
        with gr.Column(scale=6, min_width=320):
            waits = tank_cards.nothing(tank_words.ONE_WAITS)
            account = gr.HTML(waits, elem_id="one-account", elem_classes="pv-steady")
            reckoned = gr.HTML("", elem_id="one-reckoned", elem_classes="pv-steady")
        with gr.Column(scale=6, min_width=320, elem_classes="pv-form"):
            line = gr.HTML("", elem_id="one-line", elem_classes="pv-steady")
            files = gr.HTML("", elem_id="one-files", **STEADY)
            made = gr.HTML("", elem_id="one-made")
            notes = gr.HTML("", elem_id="one-notes", **STEADY)
            with gr.Accordion(tank_words.ABOUT_TANK, open=False, elem_id="one-about"):
                about = tank_fields("one")
                about_save = gr.Button(tank_words.ABOUT_TANK_SAVE, elem_id="one-about-save")
                about_said = gr.HTML("", elem_id="one-about-said")
    return OneTank(
        opened,
        tank,
        said,
        correcting,
        heading,
        form,
        save,
        cancel,
        account,
        reckoned,
        line,
        files,
        made,
        notes,
        about,
        about_save,
        about_said,
    )


def _connect_notes(desk: OneTankDesk, about: About, at: OneTank) -> None:
    show = show_of(desk)
    outputs = [*at.shown, at.said, at.heading, *at.form.outputs]

    def said(opened: Opened, outcome: Outcome) -> list[Any]:
        return [*show(opened), outcome.html, gr.skip(), *kept()]

    def pressed(opened: Opened, who: str, event: gr.EventData) -> list[Any]:
        what, number, _ = pressed_number(event)
        if what == "turn":
            return [*show(desk.turn(opened, number)), "", gr.skip(), *kept()]
        if what == "looked":
            return said(opened, desk.looked_at(number, who=who))
        if what == "delete":
            return said(*desk.delete(opened, number, who=who))
        opened, typed = desk.correct(opened, number)
        heading = tank_words.CORRECTING.format(number=number)
        return [*show(opened), "", heading, *filled(typed, desk.names())]

    def save(opened: Opened, who: str, *values: Any) -> list[Any]:
        return said(*desk.save_correction(opened, typed_in(values), who=who))

    def bring_back(opened: Opened) -> list[Any]:
        return said(*desk.bring_back(opened))

    def cancel(opened: Opened) -> list[Any]:
        return [replace(opened, correcting=None), gr.Column(visible=False)]

    both = [at.opened, about.who]
    reckon: dict[str, Any] = {"fn": desk.reckoned, "inputs": at.opened, "outputs": at.reckoned}
    for event in (
        at.notes.pressed(pressed, both, outputs, **LIGHT),
        at.save.click(save, [*both, *at.form.inputs], outputs, **LIGHT),
        at.said.pressed(bring_back, at.opened, outputs, **LIGHT),
    ):
        event.success(None, js=SHOW_PRESSED).success(**reckon, **LIGHT)
    at.cancel.click(cancel, at.opened, [at.opened, at.correcting], **LIGHT)


def _connect_about(desk: OneTankDesk, about: About, at: OneTank) -> None:
    show = show_of(desk)

    def change(opened: Opened, who: str, *values: Any) -> list[Any]:
        outcome = desk.change_tank(opened, dict(zip(TANK_NAMES, values, strict=True)), who=who)
        shown = show(opened) if outcome.is_done else [gr.skip() for _ in at.shown]
        return [*shown, outcome.html]

    at.about_save.click(
        change,
        [at.opened, about.who, *at.about.inputs],
        [*at.shown, at.about_said],
        **LIGHT,
    ).success(None, js=SHOW_ANSWER.format(where="one-about-said"))
