"""The area in which pictures of the album are found again: components and their events.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.collection.records import DISPUTED, LABEL_VALUES, SHOWN_LABELS, UNLABELLED
from pestvision.organisms.classes import GROUPS
from pestvision.web import album_words
from pestvision.web.album_cards import BRIDGE
from pestvision.web.album_search import Search
from pestvision.web.pages.teach import LIGHT, STATE_LIFE_S, pressed_number
from pestvision.web.pages.visitor import SHOW_ANSWER

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.web.album_search import SearchDesk
    from pestvision.web.pages.teach import About

LABEL_CHOICES: list[tuple[str, str]] = [
    (album_words.FIND_ANY, ""),
    *((SHOWN_LABELS[value], value) for value in GROUPS),
    (album_words.FIND_UNLABELLED, UNLABELLED),
    (album_words.FIND_DISPUTED, DISPUTED),
    *((SHOWN_LABELS[value], value) for value in LABEL_VALUES if value not in set(GROUPS)),
]


BACK_TO_TILE = """() => requestAnimationFrame(() => {
    if (document.querySelector("#album-opened .pv-opened")) return;
    const tile = document.querySelector(`#album-grid [data-place="${window.pvOpened}"]`);
    if (tile) tile.focus();
})"""
"""Hands the keyboard back to the picture that was open."""


@dataclass(frozen=True, slots=True)
class Finding:
    """The components of the area."""

    search: gr.State
    fields: list[Any]
    button: gr.Button
    number: gr.Number
    open_number: gr.Button
    grid: gr.HTML
    opened: gr.HTML
    actions: gr.HTML

    @property
    def outputs(self) -> list[Any]:
        """What changes whenever something was found, opened or changed."""
        return [self.search, self.grid, self.opened, self.actions]


def build_find(
    desk: SearchDesk, about: About, progress: gr.HTML, say_progress: Callable[[], str]
) -> tuple[Any, Any, list[Any]]:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk
        The handlers.
    about
        The fields for the tank and the visitor's name.
    progress, say_progress
        Where it stands how far the labelling is, and what gives that.

    Returns
    -------
    tuple
        An event that brings the area up to date: its function, inputs and outputs.
    """
    at = _laid_out()

    def refreshed(search: Search, opened: Any) -> tuple[Any, ...]:
        search, grid = desk.again(search)
        return search, grid, opened, desk.actions(), say_progress()

    def find(label: str, tank: str, since: str, until: str, text: str) -> tuple[Any, ...]:
        return (*desk.find(label, tank, (since, until), text), "", gr.skip())

    def look(search: Search, number: float | None) -> tuple[Any, ...]:
        search, html = desk.open(search, number)
        return search, gr.skip(), html, gr.skip()

    def on_grid(search: Search, event: gr.EventData) -> tuple[Any, ...]:
        what, number, _ = pressed_number(event)
        if what == "turn":
            return (*desk.turn(search, number), gr.skip(), gr.skip())
        return look(search, number)

    def on_opened(search: Search, who: str, event: gr.EventData) -> tuple[Any, ...]:
        what, _, label = pressed_number(event)
        if what == "close":
            return search, gr.skip(), "", gr.skip(), gr.skip()
        if what == "delete":
            search, html = desk.delete(search, who=who)
        elif what == "back":
            search, html = desk.take_back(search, who=who)
        else:
            search, html = desk.relabel(search, label, who=who)
        return refreshed(search, html)

    def on_actions(search: Search, who: str, event: gr.EventData) -> tuple[Any, ...]:
        _, number, _ = pressed_number(event)
        actions = desk.undo(number, who=who)
        search, grid = desk.again(search)
        return search, grid, "", actions, say_progress()

    def bring_up_to_date(search: Search) -> tuple[Any, ...]:
        search, grid = desk.again(search)
        tanks = [(album_words.FIND_ANY, ""), *((tank, tank) for tank in desk.tanks())]
        return search, grid, desk.actions(), gr.Dropdown(choices=tanks)

    show = SHOW_ANSWER.format(where="album-opened")
    some: dict[str, Any] = {"show_progress": "minimal", "api_visibility": "private"}
    every = [*at.outputs, progress]
    gr.on([at.button.click, at.fields[-1].submit], find, at.fields, at.outputs, **some)
    gr.on(
        [at.open_number.click, at.number.submit], look, [at.search, at.number], at.outputs, **LIGHT
    ).success(None, js=show)
    at.grid.pressed(on_grid, at.search, at.outputs, **LIGHT).success(None, js=show)
    at.opened.pressed(on_opened, [at.search, about.who], every, **LIGHT).success(
        None, js=BACK_TO_TILE
    )
    at.actions.pressed(on_actions, [at.search, about.who], every, **LIGHT)
    return bring_up_to_date, at.search, [at.search, at.grid, at.actions, at.fields[1]]


def _laid_out() -> Finding:
    search = gr.State(Search(), time_to_live=STATE_LIFE_S)
    with gr.Row(elem_classes="pv-about"):
        label = gr.Dropdown(
            LABEL_CHOICES,
            value="",
            label=album_words.FIND_LABEL,
            min_width=150,
            elem_id="find-label",
        )
        tank = gr.Dropdown(
            [(album_words.FIND_ANY, "")],
            value="",
            label=album_words.FIND_TANK,
            min_width=150,
            elem_id="find-tank",
        )
        since, until = (
            gr.Textbox(
                label=name,
                placeholder=album_words.DATE_HINT,
                max_lines=1,
                min_width=150,
                elem_id=f"find-{place}",
            )
            for name, place in (
                (album_words.FIND_SINCE, "since"),
                (album_words.FIND_UNTIL, "until"),
            )
        )
        text = gr.Textbox(
            label=album_words.FIND_TEXT, max_lines=1, min_width=150, elem_id="find-text"
        )
    button = gr.Button(album_words.FIND_BUTTON, variant="primary", elem_id="find-button")
    with gr.Row(elem_classes="pv-columns"):
        with gr.Column(scale=6, min_width=320):
            grid = gr.HTML("", js_on_load=BRIDGE, elem_id="album-grid", elem_classes="pv-steady")
            with gr.Row(elem_classes="pv-about"):
                number = gr.Number(
                    label=album_words.FIND_NUMBER,
                    value=None,
                    min_width=150,
                    elem_id="find-number",
                )
                open_number = gr.Button(album_words.FIND_OPEN, min_width=150, elem_id="find-open")
        with gr.Column(scale=5, min_width=320):
            opened = gr.HTML(
                "", js_on_load=BRIDGE, elem_id="album-opened", elem_classes="pv-steady"
            )
    gr.Markdown(f"### {album_words.ACTIONS}")
    actions = gr.HTML("", js_on_load=BRIDGE, elem_id="album-actions", elem_classes="pv-steady")
    return Finding(
        search,
        [label, tank, since, until, text],
        button,
        number,
        open_number,
        grid,
        opened,
        actions,
    )
