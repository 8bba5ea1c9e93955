"""The fields that say what a tank is, and who writes.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.collection.records import KEEPER
from pestvision.collection.records import MAX_NAME as LONGEST_WRITER
from pestvision.tanks.records import MAX_NAME, MAX_TEXT
from pestvision.web import album_words, tank_words
from pestvision.web.album_cards import BRIDGE
from pestvision.web.pages.teach import About

if TYPE_CHECKING:
    from pestvision.tanks.records import Tank

NUMERIC = """() => {
    const mark = () => document
        .querySelectorAll(".pv-numeric :is(input, textarea):not([inputmode])")
        .forEach((field) => field.setAttribute("inputmode", "decimal"));
    new MutationObserver(mark).observe(document.body, {childList: true, subtree: true});
    mark();
}"""
"""Lets a phone show its digits for fields that take a number. The toolkit's own field for numbers cannot be
empty: it shows 0, which nobody has typed."""
STEADY: dict[str, Any] = {"js_on_load": BRIDGE, "elem_classes": "pv-steady"}
"""Of HTML with drawn buttons: it tells the server what is pressed, and does not flicker."""
TANK_NAMES = ("name", "litres", "lives", "use")
"""The fields of a tank in the order in which every handler takes them."""


@dataclass(frozen=True, slots=True)
class TankFields:
    """The fields that say what a tank is."""

    name: gr.Textbox
    litres: gr.Textbox
    lives: gr.Textbox
    use: gr.Textbox

    @property
    def inputs(self) -> list[Any]:
        """In the order of `TANK_NAMES`."""
        return [self.name, self.litres, self.lives, self.use]


def tank_fields(place: str) -> TankFields:
    """Lay out the fields that say what a tank is; `place` begins their names."""

    def text(
        what: str, label: str, hint: str = "", *, longest: int = MAX_TEXT, **more: Any
    ) -> gr.Textbox:
        return gr.Textbox(
            label=label,
            placeholder=hint or None,
            max_lines=1,
            max_length=longest,
            min_width=150,
            elem_id=f"{place}-{what}",
            **more,
        )

    with gr.Row(elem_classes="pv-about"):
        name = text("name", tank_words.NAME, longest=MAX_NAME)
        litres = text("litres", tank_words.LITRES, longest=12, elem_classes="pv-numeric")
    with gr.Row(elem_classes="pv-about"):
        lives = text("lives", tank_words.LIVES, tank_words.LIVES_HINT)
        use = text("use", tank_words.USE, tank_words.USE_HINT)
    return TankFields(name, litres, lives, use)


def tank_values(tank: Tank | None) -> list[Any]:
    """Give what the fields of a tank say; empty where there is none."""
    if tank is None:
        return ["", "", "", ""]
    litres = "" if tank.litres is None else f"{tank.litres:g}"
    return [tank.name, litres, tank.lives or "", tank.use or ""]


def writer_fields() -> About:
    """Make the field for who writes, to be laid out later; the tab's notes name their tank themselves."""
    who = gr.Textbox(
        KEEPER,
        label=album_words.YOUR_NAME,
        info=tank_words.YOUR_NAME_HINT,
        max_lines=1,
        max_length=LONGEST_WRITER,
        elem_id="tanks-who",
        render=False,
    )
    tank = gr.Textbox("", visible=False, label=album_words.TANK, render=False)
    return About(tank, who)
