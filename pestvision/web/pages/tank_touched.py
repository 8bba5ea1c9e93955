"""The area that says what touched what.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from typing import Any

import gradio as gr

from pestvision.web import tank_words
from pestvision.web.pages.tank_fields import STEADY
from pestvision.web.pages.teach import LIGHT, pressed_number
from pestvision.web.tank_one import Opened


def build_touched(areas: gr.Tabs, opened: gr.State) -> gr.HTML:
    """Lay out the area and connect it; give what is brought up to date when it is opened."""
    gr.Markdown(tank_words.TOUCHED)
    gr.Markdown(tank_words.TOUCHED_SAYS)
    touched = gr.HTML("", elem_id="touched", **STEADY)

    def pressed(event: gr.EventData) -> list[Any]:
        _, number, _ = pressed_number(event)
        return [gr.Tabs(selected="one"), Opened(number)]

    touched.pressed(pressed, None, [areas, opened], **LIGHT)
    return touched
