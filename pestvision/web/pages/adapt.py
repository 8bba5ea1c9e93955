"""The area in which the net is taught the album's labels: components and their events.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import album_words
from pestvision.web.album_cards import BRIDGE
from pestvision.web.handlers import TimedProgress
from pestvision.web.pages.teach import LIGHT, pressed_number
from pestvision.web.pages.visitor import SHOW_ANSWER, SHOW_BAR

if TYPE_CHECKING:
    from pestvision.web.album_adapt import AdaptDesk
    from pestvision.web.pages.teach import About


def build_adapt(
    desk: AdaptDesk, about: About, heavy: dict[str, Any], *, tab: gr.Tab, progress: Any
) -> None:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk
        The handlers.
    about
        The fields for the tank and the visitor's name.
    heavy
        Keyword arguments of every event that computes.
    tab
        The tab, which brings what it shows up to date when it is opened.
    progress
        Where it stands how far the labelling is, and what gives that.
    """
    gr.Markdown(album_words.ADAPT_SAYS)
    button = gr.Button(album_words.ADAPT_BUTTON, variant="primary", elem_id="adapt-button")
    outcome = gr.HTML("", elem_id="adapt-outcome")
    gr.Markdown(f"### {album_words.VERSIONS}")
    listed = gr.HTML("", js_on_load=BRIDGE, elem_id="adapt-versions", elem_classes="pv-steady")
    shown_progress, say_progress = progress

    def adapt(
        who: str,
        bar: gr.Progress = gr.Progress(),  # noqa: B008
    ) -> tuple[str, str, str]:
        told = TimedProgress(lambda share, sentence: bar(share, desc=sentence))
        return (*desk.adapt(told, who=who), say_progress())

    def pressed(who: str, event: gr.EventData) -> tuple[str, str]:
        what, number, _ = pressed_number(event)
        return desk.trust(number if what == "trust" else None, who=who)

    button.click(None, js=SHOW_BAR.format(where="adapt-outcome"))
    button.click(
        adapt,
        about.who,
        [outcome, listed, shown_progress],
        api_name="adapt",
        show_progress_on=outcome,
        **heavy,
    ).success(None, js=SHOW_ANSWER.format(where="adapt-outcome"))
    listed.pressed(pressed, about.who, [outcome, listed], **LIGHT)
    tab.select(desk.overview, None, [outcome, listed], **LIGHT)
