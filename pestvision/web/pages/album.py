"""The tab of the album: how far it is, and an area each for labelling, adding, finding and adapting.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import album_words
from pestvision.web.album_cards import progress_card
from pestvision.web.cards import waiting
from pestvision.web.handlers import TimedProgress, spoken
from pestvision.web.pages.adapt import build_adapt
from pestvision.web.pages.close_up import PHOTO_TYPES
from pestvision.web.pages.find import build_find
from pestvision.web.pages.review import build_review
from pestvision.web.pages.teach import LIGHT, about_fields
from pestvision.web.pages.visitor import clear_after, owner_of

if TYPE_CHECKING:
    from pestvision.web.album import SharedAlbum
    from pestvision.web.album_adapt import AdaptDesk
    from pestvision.web.album_intake import IntakeDesk
    from pestvision.web.album_review import ReviewDesk
    from pestvision.web.album_search import SearchDesk
    from pestvision.web.pages.teach import About


@dataclass(frozen=True, slots=True)
class AlbumDesks:
    """The handlers of the tab's areas."""

    album: SharedAlbum
    intake: IntakeDesk
    search: SearchDesk
    review: ReviewDesk
    adapt: AdaptDesk


def build_album(desks: AlbumDesks, heavy: dict[str, Any], *, is_lan: bool, tab: gr.Tab) -> About:
    """Lay out the tab and connect it.

    Parameters
    ----------
    desks
        The handlers.
    heavy
        Keyword arguments of every event that computes.
    is_lan
        Whether the visitor may sit at another computer.
    tab
        The tab, which brings what it shows up to date when it is opened.

    Returns
    -------
    About
        The fields for the tank and the visitor's name.
    """

    def say_progress() -> str:
        with spoken():
            return progress_card(desks.album.begun(), desks.adapt.missing())

    progress = gr.HTML("", elem_id="album-progress", elem_classes="pv-steady")
    with gr.Accordion(album_words.ABOUT, open=False, elem_id="album-about"):
        about = about_fields("album")
    both = (progress, say_progress)
    with gr.Tabs(elem_id="album-areas"):
        with gr.Tab(album_words.AREA_LABEL) as label_tab:
            opened_by = build_review(desks.review, about, heavy, progress=both)
        with gr.Tab(album_words.AREA_ADD):
            _build_add(desks.intake, about, heavy, progress=both, is_lan=is_lan)
        with gr.Tab(album_words.AREA_FIND) as find_tab:
            refresh, given, outputs = build_find(desks.search, about, progress, say_progress)
        with gr.Tab(album_words.AREA_ADAPT) as adapt_tab:
            build_adapt(desks.adapt, about, heavy, tab=adapt_tab, progress=both)
    opened_by([tab.select, label_tab.select])
    find_tab.select(refresh, given, outputs, **LIGHT)
    return about


def _build_add(
    desk: IntakeDesk, about: About, heavy: dict[str, Any], *, progress: Any, is_lan: bool
) -> None:
    gr.Markdown(album_words.ADD_SAYS_LAN if is_lan else album_words.ADD_SAYS)
    sent = gr.File(
        label=album_words.ADD_FILES,
        file_count="multiple",
        file_types=PHOTO_TYPES,
        type="filepath",
        height=150,
        elem_id="album-files",
    )
    outcome = gr.HTML(waiting(album_words.ADD_WAITS), elem_id="album-added")
    shown, say_progress = progress

    def add(
        paths: list[str] | None,
        tank: str,
        who: str,
        request: gr.Request,
        bar: gr.Progress = gr.Progress(),  # noqa: B008
    ) -> tuple[str, str]:
        told = TimedProgress(lambda share, sentence: bar(share, desc=sentence))
        return desk.add(owner_of(request), paths, told, who=who, tank=tank), say_progress()

    added = sent.upload(
        add,
        [sent, *about.both],
        [outcome, shown],
        api_name="add_to_album",
        show_progress_on=outcome,
        **heavy,
    )
    clear_after(added, sent)
