"""The area for tables of the log in and out, and what was done last.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import tank_cards, tank_words
from pestvision.web.pages.tank_fields import STEADY
from pestvision.web.pages.teach import LIGHT, STATE_LIFE_S, pressed_number
from pestvision.web.pages.visitor import SHOW_ANSWER, clear_after, owner_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.web.pages.teach import About
    from pestvision.web.tank_files import FilesDesk
    from pestvision.web.tank_tables import Brought, TablesDesk

TABLE_TYPES = [".csv", ".tsv", ".txt"]


def build_tables(
    desk: TablesDesk, reminders: FilesDesk, about: About
) -> tuple[Callable[[], str], gr.HTML]:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk, reminders
        The handlers.
    about
        The fields for the tank and the visitor's name.

    Returns
    -------
    tuple
        An event that brings the area up to date: its function and output.
    """
    brought = gr.State(None, time_to_live=STATE_LIFE_S)
    with gr.Row(elem_classes="pv-columns"):
        with gr.Column(min_width=320):
            gr.Markdown(tank_words.TABLES_IN)
            gr.Markdown(tank_words.TABLES_IN_SAYS)
            sent = gr.File(
                label=tank_words.TABLE_FILE,
                file_types=TABLE_TYPES,
                type="filepath",
                height=150,
                elem_id="table-file",
            )
            came = gr.HTML(
                tank_cards.nothing(tank_words.TABLE_WAITS), elem_id="table-came", **STEADY
            )
            gr.Markdown(tank_words.TABLES_OUT)
            gr.Markdown(tank_words.TABLES_OUT_SAYS)
            save = gr.Button(tank_words.TABLES_OUT_BUTTON, elem_id="tables-save")
            files = gr.HTML("", elem_id="tables-files")
            gr.Markdown(tank_words.REMINDERS)
            gr.Markdown(tank_words.REMINDERS_SAYS)
            remind = gr.Button(tank_words.REMINDERS_BUTTON, elem_id="reminders-save")
            calendar = gr.HTML("", elem_id="reminders-file")
        with gr.Column(min_width=320):
            gr.Markdown(tank_words.LAST_CHANGES)
            changes = gr.HTML("", elem_id="last-changes", **STEADY)

    def bring(path: str | None, who: str, request: gr.Request) -> tuple[Any, ...]:
        outcome, held = desk.bring_in(owner_of(request), path, who=who)
        return outcome.html, held, desk.last_changes()

    def undo_table(held: Brought | None) -> tuple[Any, ...]:
        return desk.undo_table(held).html, desk.last_changes()

    def undo_last(event: gr.EventData) -> str:
        pressed_number(event)
        return desk.undo_last()

    taken = sent.upload(
        bring,
        [sent, about.who],
        [came, brought, changes],
        api_name="bring_table",
        show_progress="minimal",
        show_progress_on=came,
    )
    clear_after(taken, sent)
    taken.success(None, js=SHOW_ANSWER.format(where="table-came"))
    came.pressed(undo_table, brought, [came, changes], **LIGHT)
    changes.pressed(undo_last, None, changes, **LIGHT)
    save.click(desk.save_tables, None, files, **LIGHT).success(
        None, js=SHOW_ANSWER.format(where="tables-files")
    )
    remind.click(reminders.reminders_of_all, None, calendar, **LIGHT).success(
        None, js=SHOW_ANSWER.format(where="reminders-file")
    )
    return desk.last_changes, changes
