"""Who a visitor is, and what happens when the tab is closed.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import gradio as gr  # noqa: TC002 - the toolkit reads the annotation at run time

if TYPE_CHECKING:
    from pestvision.web.handlers import Desk


SHOW_ANSWER = """() => requestAnimationFrame(() => {{
    const verdict = document.querySelector("#{where} .pv-verdict");
    if (verdict) {{
        verdict.scrollIntoView({{block: "start"}});
        verdict.focus({{preventScroll: true}});
    }}
}})"""
"""Brings a new answer into view, and hands it the keyboard and the screen reader."""


SHOW_BAR = """() => document.querySelector("#{where}").scrollIntoView({{block: "center"}})"""
"""Brings the bar into view as soon as the button is pressed: on a phone it is far below."""


def owner_of(request: gr.Request | None) -> str:
    """Give the visitor's tab a name of its own; calls without a tab share one."""
    return str(getattr(request, "session_hash", None) or "no tab")


def clear_after(event: Any, box: gr.File | gr.UploadButton) -> None:
    """Empty a file box once its files have been taken, whether they could be used or not."""
    for outcome in (event.success, event.failure):
        outcome(lambda: None, None, box, show_progress="hidden", api_visibility="private")


def delete_on_leaving(app: gr.Blocks, desk: Desk) -> None:
    """Delete what a visitor handed over as soon as the tab is closed or loaded anew."""

    def leave(request: gr.Request) -> None:
        desk.leave(owner_of(request))

    app.unload(leave)
