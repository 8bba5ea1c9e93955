"""The tab of the tanks: an area each for tonight, one tank, what touched what, and tables.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import gradio as gr

from pestvision.web import tank_words
from pestvision.web.pages.tank_fields import writer_fields
from pestvision.web.pages.tank_one import build_one, open_on
from pestvision.web.pages.tank_tables import build_tables
from pestvision.web.pages.tank_tonight import build_tonight, connect_cards, refreshed
from pestvision.web.pages.tank_touched import build_touched
from pestvision.web.pages.teach import LIGHT

if TYPE_CHECKING:
    from pestvision.web.pages.teach import About
    from pestvision.web.tank_desk import TankDesk
    from pestvision.web.tank_files import FilesDesk
    from pestvision.web.tank_one import OneTankDesk
    from pestvision.web.tank_tables import TablesDesk
    from pestvision.web.tank_touched import TouchedDesk


@dataclass(frozen=True, slots=True)
class TankDesks:
    """The handlers of the tab's areas."""

    tonight: TankDesk
    one: OneTankDesk
    touched: TouchedDesk
    tables: TablesDesk
    files: FilesDesk


def build_tanks(desks: TankDesks, *, tab: gr.Tab) -> About:
    """Lay out the tab and connect it.

    Parameters
    ----------
    desks
        The handlers.
    tab
        The tab, which brings what it shows up to date when it is opened.

    Returns
    -------
    About
        The fields for the tank and the visitor's name.
    """
    about = writer_fields()
    with gr.Tabs(elem_id="tank-areas") as areas:
        with gr.Tab(tank_words.AREA_TONIGHT, id="tonight") as tonight_tab:
            tonight = build_tonight(desks.tonight, about)
        with gr.Tab(tank_words.AREA_ONE, id="one") as one_tab:
            one = build_one(desks.one, desks.files, about)
        with gr.Tab(tank_words.AREA_TOUCHED, id="touched") as touched_tab:
            touched = build_touched(areas, one.opened)
        with gr.Tab(tank_words.AREA_TABLES, id="tables") as tables_tab:
            last_changes, changes = build_tables(desks.tables, desks.files, about)
    connect_cards(desks.tonight, about, tonight, areas, one.opened)
    gr.on(
        [tab.select, tonight_tab.select],
        lambda: refreshed(desks.tonight),
        None,
        [*tonight.glance, *tonight.tanks_offered, *tonight.begun],
        **LIGHT,
    )
    open_on(desks.one, one, [one_tab.select])
    touched_tab.select(desks.touched.touched, None, touched, **LIGHT)
    tables_tab.select(last_changes, None, changes, **LIGHT)
    return about
