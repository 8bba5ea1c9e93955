"""The area for one tank: what is known of it, and its notes to be corrected or deleted.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import tank_words
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
    from pestvision.web.tank_one import OneTankDesk

SHOW_SAID = SHOW_ANSWER.format(where="one-said")
SHOW_PRESSED = """() => requestAnimationFrame(() => {
    const said = document.querySelector("#one-said .pv-verdict");
    const field = document.querySelector("#one-correcting input, #one-correcting textarea");
    const found = said || field;
    if (!found) return;
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
    notes: gr.HTML
    about: TankFields
    about_save: gr.Button
    about_said: gr.HTML

    @property
    def shown(self) -> list[Any]:
        """What a tank that is opened, or changed, shows anew."""
        return [self.opened, self.tank, self.notes, *self.about.inputs]


@dataclass(frozen=True, slots=True)
class Opening:
    """An event that opens a tank: its function takes what is opened; its outputs."""

    show: Callable[[Opened], list[Any]]
    outputs: list[Any]


def build_one(desk: OneTankDesk, about: About) -> tuple[OneTank, Opening]:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk
        The handlers.
    about
        The fields for the tank and the visitor's name.
    """
    at = _laid_out()

    def show(opened: Opened) -> list[Any]:
        opened, tank = desk.still_there(opened)
        opened, notes = desk.notes(opened)
        choice = gr.update(choices=desk.names(), value=None if tank is None else tank.name)
        return [opened, choice, notes, *tank_values(tank)]

    opening = Opening(show, at.shown)
    _connect_opening(desk, at, opening)
    _connect_notes(desk, about, at, opening)
    _connect_about(desk, about, at, opening)
    return at, opening


def _laid_out() -> OneTank:
    opened = gr.State(Opened(), time_to_live=STATE_LIFE_S)
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
        notes,
        about,
        about_save,
        about_said,
    )


def _connect_opening(desk: OneTankDesk, at: OneTank, opening: Opening) -> None:
    def choose(name: str | None) -> list[Any]:
        return [*opening.show(desk.open(name)), "", gr.Column(visible=False)]

    at.tank.input(choose, at.tank, [*opening.outputs, at.said, at.correcting], **LIGHT)


def _connect_notes(desk: OneTankDesk, about: About, at: OneTank, opening: Opening) -> None:
    form = [at.correcting, at.heading, *at.form.outputs]
    outputs = [*opening.outputs, at.said, *form]

    def said(opened: Opened, outcome: Outcome, *, is_over: bool = False) -> list[Any]:
        """Show what came of a press; where a correction is over, its form goes."""
        column = gr.Column(visible=False) if is_over else gr.skip()
        return [*opening.show(opened), outcome.html, column, gr.skip(), *kept()]

    def pressed(opened: Opened, who: str, event: gr.EventData) -> list[Any]:
        what, number, _ = pressed_number(event)
        if what == "turn":
            opened = desk.turn(opened, number)
            return [*opening.show(opened), "", gr.skip(), gr.skip(), *kept()]
        if what == "looked":
            return said(opened, desk.looked_at(number, who=who))
        if what == "delete":
            opened, outcome = desk.delete(opened, number, who=who)
            return said(opened, outcome, is_over=opened.correcting == number)
        opened, typed = desk.correct(opened, number)
        heading = tank_words.CORRECTING.format(number=number)
        fields = filled(typed, desk.names())
        return [*opening.show(opened), "", gr.Column(visible=True), heading, *fields]

    def save(opened: Opened, who: str, *values: Any) -> list[Any]:
        opened, outcome = desk.save_correction(opened, typed_in(values), who=who)
        return said(opened, outcome, is_over=outcome.is_done)

    def bring_back(opened: Opened) -> list[Any]:
        return said(*desk.bring_back(opened))

    both = [at.opened, about.who]
    at.notes.pressed(pressed, both, outputs, **LIGHT).success(None, js=SHOW_PRESSED)
    at.said.pressed(bring_back, at.opened, outputs, **LIGHT).success(None, js=SHOW_SAID)
    at.save.click(save, [*both, *at.form.inputs], outputs, **LIGHT).success(None, js=SHOW_SAID)
    at.cancel.click(lambda: gr.Column(visible=False), None, at.correcting, **LIGHT)


def _connect_about(desk: OneTankDesk, about: About, at: OneTank, opening: Opening) -> None:
    def change(opened: Opened, who: str, *values: Any) -> list[Any]:
        outcome = desk.change_tank(opened, dict(zip(TANK_NAMES, values, strict=True)), who=who)
        shown = opening.show(opened) if outcome.is_done else [gr.skip() for _ in opening.outputs]
        return [*shown, outcome.html]

    at.about_save.click(
        change,
        [at.opened, about.who, *at.about.inputs],
        [*opening.outputs, at.about_said],
        **LIGHT,
    ).success(None, js=SHOW_ANSWER.format(where="one-about-said"))
