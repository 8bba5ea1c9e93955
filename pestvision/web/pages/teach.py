"""The area beside an answer in which a visitor says what it is: components and their events.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.collection.records import KEEPER, MAX_NAME
from pestvision.web import album_words
from pestvision.web.album import Lesson, number_of
from pestvision.web.album_cards import BRIDGE, lesson_card
from pestvision.web.handlers import spoken

if TYPE_CHECKING:
    from pestvision.web.album import AlbumDesk

STATE_LIFE_S = 3600
LIGHT: dict[str, Any] = {"show_progress": "hidden", "api_visibility": "private"}
KEEP = """(tank, who) => {
    localStorage.setItem("pestvision-tank", tank || "");
    localStorage.setItem("pestvision-who", who || "");
    return [tank, who];
}"""
RECALL = """() => [
    localStorage.getItem("pestvision-tank") || "",
    localStorage.getItem("pestvision-who") || "%s",
]"""
"""The browser remembers the tank and the name, so that they need no place on the server."""


@dataclass(frozen=True, slots=True)
class About:
    """The fields that say of which tank a photo is, and who labels it."""

    tank: gr.Textbox
    who: gr.Textbox

    @property
    def both(self) -> list[gr.Textbox]:
        """In the order that every handler takes them."""
        return [self.tank, self.who]


def about_fields(place: str) -> About:
    """Lay out the two fields."""
    with gr.Row(elem_classes="pv-about"):
        tank = gr.Textbox(
            label=album_words.TANK,
            info=album_words.TANK_HINT,
            max_lines=1,
            max_length=MAX_NAME,
            min_width=150,
            elem_id=f"{place}-tank",
        )
        who = gr.Textbox(
            KEEPER,
            label=album_words.YOUR_NAME,
            info=album_words.YOUR_NAME_HINT,
            max_lines=1,
            max_length=MAX_NAME,
            min_width=150,
            elem_id=f"{place}-who",
        )
    return About(tank, who)


def remember(app: gr.Blocks, places: list[About]) -> None:
    """Fill the fields with what the browser remembers, and keep those of all areas alike."""
    every = [component for place in places for component in place.both]
    recall = RECALL % KEEPER
    app.load(None, None, every, js=f"() => Array({len(places)}).fill(({recall})()).flat()")
    for place in places:
        others = [other for other in places if other is not place]
        targets = [component for other in others for component in other.both]
        js = f"(...both) => Array({len(others)}).fill(({KEEP})(...both)).flat()"
        for box in place.both:
            gr.on([box.input, box.blur], None, place.both, targets or None, js=js)


def pressed_number(event: gr.EventData) -> tuple[str, int, str]:
    """Give what a drawn button does, the number it stands at, and the label it gives, if any."""
    told = event._data or {}
    with spoken():
        number = number_of(str(told.get("number", "")))
    return str(told.get("do", "")), number, str(told.get("label") or told.get("value") or "")


@dataclass(frozen=True, slots=True)
class Teaching:
    """The components of the area."""

    lesson: gr.State
    column: gr.Column
    card: gr.HTML
    about: About

    @property
    def outputs(self) -> list[Any]:
        """What an answer that is new changes here, in the order of `begun`."""
        return [self.lesson, self.column, self.card]


def begun(lesson: Lesson) -> tuple[Any, ...]:
    """Give the area for a new answer; hidden where there is nothing to teach."""
    return lesson, gr.Column(visible=bool(lesson.items)), lesson_card(lesson)


def build_teaching(desk: AlbumDesk, place: str, *, is_lan: bool, heading: str) -> Teaching:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk
        The handlers.
    place
        Of which answer: the start of the components' names.
    is_lan
        Whether the visitor may sit at another computer.
    heading
        What stands above it.
    """
    lesson = gr.State(Lesson(), time_to_live=STATE_LIFE_S)
    with gr.Column(visible=False, elem_id=f"{place}-teach") as column:
        gr.Markdown(heading)
        gr.Markdown(album_words.TEACH_SAYS_LAN if is_lan else album_words.TEACH_SAYS)
        about = about_fields(place)
        card = gr.HTML("", js_on_load=BRIDGE, elem_id=f"{place}-lesson", elem_classes="pv-steady")

    def pressed(held: Lesson, tank: str, who: str, event: gr.EventData) -> tuple[Lesson, str]:
        told = event._data or {}
        with spoken():
            number = number_of(str(told.get("number", "")))
        if told.get("do") == "back":
            held = desk.unteach(held, number)
        else:
            label = str(told.get("label") or told.get("value") or "")
            held = desk.teach(held, number, label, who=who, tank=tank)
        return held, lesson_card(held)

    card.pressed(pressed, [lesson, *about.both], [lesson, card], concurrency_limit=1, **LIGHT)
    return Teaching(lesson, column, card, about)
