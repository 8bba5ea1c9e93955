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
from pestvision.web.pages.teach import LIGHT, pressed_number
from pestvision.web.pages.visitor import SHOW_ANSWER
from pestvision.web.tank_note import after_writing
from pestvision.web.tank_one import Opened

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.web.pages.teach import About
    from pestvision.web.tank_desk import Outcome, TankDesk

SHOW_SAID = SHOW_ANSWER.format(where="tonight-said")
AFTER_CARD = """() => requestAnimationFrame(() => {
    const said = document.querySelector("#PLACE .pv-verdict");
    if (window.pvPressed !== "write" && said) {
        said.scrollIntoView({block: "nearest"});
        said.focus({preventScroll: true});
    }
    if (window.pvPressed !== "write") return;
    document.querySelector("#tonight-form").scrollIntoView({block: "start"});
    const field = document.querySelector("#tonight-kind input:checked");
    if (field) field.focus({preventScroll: true});
})"""
"""Brings what came of a press on a card, or the form that its tank went into, under the keyboard."""


@dataclass(frozen=True, slots=True)
class Tonight:
    """The components of the area."""

    line: gr.HTML
    form_place: gr.Column
    form: NoteForm
    clean: gr.Button
    save: gr.Button
    said: gr.HTML
    tanks: gr.HTML
    add_place: gr.Accordion
    add: TankFields
    add_button: gr.Button
    added: gr.HTML

    @property
    def glance(self) -> list[Any]:
        """What changes with every change of the log."""
        return [self.line, self.tanks]

    @property
    def tanks_offered(self) -> list[Any]:
        """The fields that offer the tanks of the log."""
        return [self.form.fields["tank"], self.form.fields["other"]]

    @property
    def begun(self) -> list[Any]:
        """What is another one before there is a tank: the place of the form, and that of a new tank."""
        return [self.form_place, self.add_place]


def build_tonight(desk: TankDesk, about: About) -> Tonight:
    """Lay out the area and connect it, but for what goes to another one.

    Parameters
    ----------
    desk
        The handlers.
    about
        The fields for the tank and the visitor's name, not laid out yet.
    """
    at = _laid_out(about)
    _connect_writing(desk, about, at)
    _connect_adding(desk, about, at)
    return at


def refreshed(desk: TankDesk) -> list[Any]:
    """Give what the area shows when it is opened, in the order of `glance` and the offered tanks."""
    names = desk.names()
    offered = gr.update(choices=names)
    return [desk.tonight_line(), desk.glance(), offered, offered, *_begun(names)]


def _begun(names: Sequence[str]) -> list[Any]:
    """Show the form once there is a tank; before that, the fields that add one."""
    return [gr.Column(visible=bool(names)), gr.skip() if names else gr.Accordion(open=True)]


def _laid_out(about: About) -> Tonight:
    line = gr.HTML("", elem_id="tonight-line", **STEADY)
    with gr.Row(elem_classes="pv-columns"):
        with gr.Column(
            scale=6, min_width=320, visible=False, elem_classes="pv-form", elem_id="tonight-form"
        ) as form_place:
            gr.Markdown(tank_words.WRITE)
            gr.Markdown(tank_words.WRITE_SAYS)
            made: list[gr.Button] = []

            def clean_button() -> None:
                made.append(gr.Button(tank_words.CLEAN, elem_id="tonight-clean"))

            form = note_form("tonight", clean_button)
            save = gr.Button(tank_words.SAVE, variant="primary", elem_id="tonight-save")
            said = gr.HTML("", elem_id="tonight-said", **STEADY)
        with gr.Column(scale=6, min_width=320, elem_classes="pv-form"):
            gr.Markdown(tank_words.ALL_TANKS)
            tanks = gr.HTML("", elem_id="tanks-glance", **STEADY)
            with gr.Accordion(tank_words.ADD_TANK, open=False, elem_id="add-tank") as add_place:
                gr.Markdown(tank_words.ADD_TANK_SAYS)
                add = tank_fields("add-tank")
                add_button = gr.Button(tank_words.ADD_TANK_BUTTON, elem_id="add-tank-button")
                added = gr.HTML("", elem_id="add-tank-said")
            with gr.Accordion(tank_words.YOUR_NAME, open=False, elem_id="tanks-about"):
                about.who.render()
                about.tank.render()
    return Tonight(
        line, form_place, form, made[0], save, said, tanks, add_place, add, add_button, added
    )


def _connect_writing(desk: TankDesk, about: About, at: Tonight) -> None:
    outputs = [at.said, *at.glance, *at.form.outputs]

    def shown(outcome: Outcome, values: Sequence[Any]) -> list[Any]:
        if not outcome.is_done:
            return [outcome.html, gr.skip(), gr.skip(), *kept()]
        form = filled(after_writing(typed_in(values)), desk.names())
        return [outcome.html, desk.tonight_line(), desk.glance(), *form]

    def write(who: str, *values: Any) -> list[Any]:
        return shown(desk.write(typed_in(values), who=who), values)

    def write_clean(who: str, *values: Any) -> list[Any]:
        return shown(desk.write_clean(typed_in(values), who=who), values)

    def take_back(event: gr.EventData) -> list[Any]:
        outcome = desk.take_back(pressed_number(event)[2])
        return [outcome.html, desk.tonight_line(), desk.glance()]

    inputs = [about.who, *at.form.inputs]
    for button, act in ((at.save, write), (at.clean, write_clean)):
        button.click(act, inputs, outputs, **LIGHT).success(None, js=SHOW_SAID)
    at.said.pressed(take_back, None, [at.said, *at.glance], **LIGHT).success(None, js=SHOW_SAID)


def _connect_adding(desk: TankDesk, about: About, at: Tonight) -> None:
    outputs = [at.added, *at.add.inputs, *at.glance, *at.tanks_offered, *at.begun]

    def add(who: str, *values: Any) -> list[Any]:
        typed = dict(zip(TANK_NAMES, values, strict=True))
        outcome = desk.add_tank(typed, who=who)
        if not outcome.is_done:
            return [
                outcome.html,
                *(gr.skip() for _ in (*TANK_NAMES, *at.glance, *at.tanks_offered)),
            ]
        names = desk.names()
        chosen = gr.update(choices=names, value=" ".join(str(typed["name"]).split()))
        return [
            outcome.html,
            *tank_values(None),
            desk.tonight_line(),
            desk.glance(),
            chosen,
            gr.update(choices=names),
            *_begun(names),
        ]

    gr.on(
        [at.add_button.click, at.add.name.submit],
        add,
        [about.who, *at.add.inputs],
        outputs,
        **LIGHT,
    ).success(None, js=SHOW_ANSWER.format(where="add-tank-said"))


def connect_cards(
    desk: TankDesk, about: About, at: Tonight, areas: gr.Tabs, opened: gr.State
) -> None:
    """Connect the buttons on the tanks' cards: some write, one goes to the form, one to another area."""
    tank = at.form.fields["tank"]
    outputs = [areas, opened, tank, *at.glance]

    def pressed(who: str, event: gr.EventData, *, is_line: bool) -> list[Any]:
        what, number, label = pressed_number(event)
        shown = [gr.skip() for _ in outputs]
        if what in {"clean", "back"}:
            if what == "clean":
                said, of_tank = desk.write_clean_of(number, who=who).html, number
            else:
                of_tank = desk.tank_of(number)
                said = desk.take_back(label).html
            line, cards = (said, {}) if is_line else ("", {of_tank: said})
            shown[3:] = [desk.tonight_line(line), desk.glance(cards)]
        elif what == "write":
            shown[2] = gr.update(choices=desk.names(), value=desk.name_of(number))
        elif what == "open":
            shown[:2] = [gr.Tabs(selected="one"), Opened(number)]
        return shown

    def on_line(who: str, event: gr.EventData) -> list[Any]:
        return pressed(who, event, is_line=True)

    def on_cards(who: str, event: gr.EventData) -> list[Any]:
        return pressed(who, event, is_line=False)

    for drawn, act, place in (
        (at.line, on_line, "tonight-line"),
        (at.tanks, on_cards, "tanks-glance"),
    ):
        after = AFTER_CARD.replace("PLACE", place)
        drawn.pressed(act, about.who, outputs, **LIGHT).success(None, js=after)
