"""Build the page: the desks behind its tabs, and the tabs.

`serve` runs it.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from pestvision.storage.place import data_folder
from pestvision.web import album_words, tank_words, words
from pestvision.web.work_folder import make_work_folder

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import gradio as gr

    from pestvision.organisms.classify import Classifier
    from pestvision.settings import Settings
    from pestvision.web.tools import Tools

QUEUE_PLACES = 8  # more people waiting than that are told to come back
CACHE_SWEEP_S = 600
CACHE_AGE_S = 3600
HEAVY: dict[str, Any] = {"concurrency_id": "heavy", "concurrency_limit": 1}
"""Every event that computes: one at a time on two cores, whoever asks."""


def build_app(
    settings: Settings,
    classifier_source: Callable[[], Classifier],
    *,
    work_folder: Path | None = None,
    album_folder: Path | None = None,
    offer_folder: bool = True,
    tools: Tools | None = None,
) -> gr.Blocks:
    """Build the page.

    Parameters
    ----------
    settings
        What can be set.
    classifier_source
        Loads the classifier; called once, on a thread of its own as soon as the page is built.
    work_folder
        A private folder for uploads and reports; a new one under the user's data folder where None.
    album_folder
        Where the album is kept; the user's data folder where None.
    offer_folder
        Whether a folder of this computer may be named: only where the page is for this computer.
    tools
        The stages of the album; others only in tests.

    Raises
    ------
    OutputError
        If no folder can be made to work in.

    Notes
    -----
    Sets `GRADIO_TEMP_DIR` for the whole process: the toolkit has no other way to be told where
    uploads go.
    """
    work = make_work_folder() if work_folder is None else work_folder
    os.environ["GRADIO_TEMP_DIR"] = str(work / "sent")
    os.environ["GRADIO_ANALYTICS_ENABLED"] = "False"

    import gradio as gr

    from pestvision.findings.album import judge_of
    from pestvision.web.album import AlbumDesk, SharedAlbum
    from pestvision.web.album_adapt import AdaptDesk
    from pestvision.web.album_intake import IntakeDesk
    from pestvision.web.album_review import ReviewDesk
    from pestvision.web.album_search import SearchDesk
    from pestvision.web.handlers import Desk
    from pestvision.web.own_net import OwnNet
    from pestvision.web.pages.album import AlbumDesks, build_album
    from pestvision.web.pages.close_up import build_close_up
    from pestvision.web.pages.night import build_night
    from pestvision.web.pages.page import Page
    from pestvision.web.pages.review import KEYS
    from pestvision.web.pages.tank_fields import NUMERIC
    from pestvision.web.pages.tanks import TankDesks, build_tanks
    from pestvision.web.pages.teach import remember
    from pestvision.web.pages.visitor import delete_on_leaving
    from pestvision.web.shared_log import SharedLog
    from pestvision.web.tank_desk import TankDesk
    from pestvision.web.tank_files import FilesDesk
    from pestvision.web.tank_one import OneTankDesk
    from pestvision.web.tank_scan import ScanDesk
    from pestvision.web.tank_tables import TablesDesk
    from pestvision.web.tank_touched import TouchedDesk
    from pestvision.web.tools import Tools

    tools = Tools.shipped() if tools is None else tools
    album = SharedAlbum(data_folder(album_folder))
    classifier = OwnNet(classifier_source, album, tools)
    classifier.warm()
    desk = Desk(settings, classifier, work)
    teacher = AlbumDesk(album, classifier, judge_of)
    desks = AlbumDesks(
        album,
        IntakeDesk(settings, teacher, classifier, work / "kept" / "album"),
        SearchDesk(album),
        ReviewDesk(album, classifier, tools),
        AdaptDesk(album, classifier, tools),
    )
    log = SharedLog(data_folder(album_folder), settings=settings.tanks)
    tonight = TankDesk(log)
    scan = ScanDesk(tonight)
    tank_desks = TankDesks(
        tonight,
        OneTankDesk(log),
        TouchedDesk(log),
        TablesDesk(log, work / "kept" / "tables", desk.reports),
        FilesDesk(log, desk.reports),
    )
    with Page(
        [album, log],
        title=words.TITLE,
        analytics_enabled=False,
        delete_cache=(CACHE_SWEEP_S, CACHE_AGE_S),
    ) as app:
        gr.Markdown(f"# {words.TITLE}")
        gr.Markdown(words.LEAD if offer_folder else words.LEAD_LAN, elem_classes="pv-lead")
        with gr.Tabs():
            with gr.Tab(words.TAB_CLOSE_UP):
                about = build_close_up(desk, teacher, scan, HEAVY, is_lan=not offer_folder)
            with gr.Tab(words.TAB_NIGHT):
                of_night = build_night(desk, teacher, scan, HEAVY, offer_folder=offer_folder)
            with gr.Tab(tank_words.TAB_TANKS) as tanks_tab:
                of_tanks = build_tanks(tank_desks, tab=tanks_tab)
            with gr.Tab(album_words.TAB_ALBUM) as tab:
                of_album = build_album(desks, HEAVY, is_lan=not offer_folder, tab=tab)
        remember(app, [about, *of_night, of_tanks, of_album])
        app.load(None, js=KEYS)
        app.load(None, js=NUMERIC)
        app.load(log.warm, show_progress="hidden", api_visibility="private")
        delete_on_leaving(app, desk)
    app.queue(max_size=QUEUE_PLACES)
    return app
