"""The area for tonight: one form in which a note is written down, and every tank at a glance.

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
from pestvision.web.pages.teach import LIGHT, STATE_LIFE_S
from pestvision.web.pages.visitor import SHOW_ANSWER
from pestvision.web.tank_note import after_writing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.web.pages.teach import About
    from pestvision.web.tank_desk import Outcome, TankDesk

SHOW_SAID = SHOW_ANSWER.format(where="tonight-said")


@dataclass(frozen=True, slots=True)
class Tonight:
    """The components of the area."""

    form: NoteForm
    clean: gr.Button
    save: gr.Button
    said: gr.HTML
    written: gr.State
    add: TankFields
    add_button: gr.Button
    added: gr.HTML


def build_tonight(desk: TankDesk, about: About) -> tuple[Any, list[Any]]:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk
        The handlers.
    about
        The fields for the tank and the visitor's name, not laid out yet.

    Returns
    -------
    tuple
        An event that brings the area up to date: its function and outputs.
    """
    at = _laid_out(about)
    _connect_writing(desk, about, at)
    _connect_adding(desk, about, at)

    def refreshed() -> list[Any]:
        return [gr.update(choices=desk.names()), gr.update(choices=desk.names())]

    return refreshed, [at.form.fields["tank"], at.form.fields["other"]]


def _laid_out(about: About) -> Tonight:
    written = gr.State((), time_to_live=STATE_LIFE_S)
    with gr.Row(elem_classes="pv-columns"):
        with gr.Column(scale=5, min_width=320, elem_classes="pv-form"):
            gr.Markdown(tank_words.WRITE)
            gr.Markdown(tank_words.WRITE_SAYS)
            made: list[gr.Button] = []

            def clean_button() -> None:
                made.append(gr.Button(tank_words.CLEAN, elem_id="tonight-clean"))

            form = note_form("tonight", clean_button)
            save = gr.Button(tank_words.SAVE, variant="primary", elem_id="tonight-save")
            said = gr.HTML("", elem_id="tonight-said", **STEADY)
            with gr.Accordion(tank_words.YOUR_NAME, open=False, elem_id="tanks-about"):
                about.who.render()
                about.tank.render()
        with (
            gr.Column(scale=6, min_width=320, elem_classes="pv-form"),
            gr.Accordion(tank_words.ADD_TANK, open=False, elem_id="add-tank"),
        ):
            gr.Markdown(tank_words.ADD_TANK_SAYS)
            add = tank_fields("add-tank")
            add_button = gr.Button(tank_words.ADD_TANK_BUTTON, elem_id="add-tank-button")
            added = gr.HTML("", elem_id="add-tank-said")
    return Tonight(form, made[0], save, said, written, add, add_button, added)


def _connect_writing(desk: TankDesk, about: About, at: Tonight) -> None:
    outputs = [at.said, at.written, *at.form.outputs]

    def shown(outcome: Outcome, values: Sequence[Any]) -> list[Any]:
        if not outcome.is_done:
            return [outcome.html, gr.skip(), *kept()]
        return [
            outcome.html,
            outcome.written,
            *filled(after_writing(typed_in(values)), desk.names()),
        ]

    def write(who: str, *values: Any) -> list[Any]:
        return shown(desk.write(typed_in(values), who=who), values)

    def write_clean(who: str, *values: Any) -> list[Any]:
        return shown(desk.write_clean(typed_in(values), who=who), values)

    def take_back(written: tuple[int, ...]) -> list[Any]:
        outcome = desk.take_back(written)
        return [outcome.html, () if outcome.is_done else gr.skip(), *kept()]

    inputs = [about.who, *at.form.inputs]
    for button, act in ((at.save, write), (at.clean, write_clean)):
        button.click(act, inputs, outputs, **LIGHT).success(None, js=SHOW_SAID)
    at.said.pressed(take_back, at.written, outputs, **LIGHT).success(None, js=SHOW_SAID)


def _connect_adding(desk: TankDesk, about: About, at: Tonight) -> None:
    def add(who: str, *values: Any) -> list[Any]:
        typed = dict(zip(TANK_NAMES, values, strict=True))
        outcome = desk.add_tank(typed, who=who)
        if not outcome.is_done:
            return [outcome.html, *(gr.skip() for _ in TANK_NAMES), gr.skip(), gr.skip()]
        names = desk.names()
        tank = gr.update(choices=names, value=" ".join(str(typed["name"]).split()))
        return [outcome.html, *tank_values(None), tank, gr.update(choices=names)]

    gr.on(
        [at.add_button.click, at.add.name.submit],
        add,
        [about.who, *at.add.inputs],
        [at.added, *at.add.inputs, at.form.fields["tank"], at.form.fields["other"]],
        **LIGHT,
    ).success(None, js=SHOW_ANSWER.format(where="add-tank-said"))
