"""The working area for one close-up: components, and which handler each button calls.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import album_words, cards, size_words, words
from pestvision.web.album import lesson_of
from pestvision.web.clips import as_photo
from pestvision.web.pages.into_log import build_into_log
from pestvision.web.pages.scale import (
    ON_END,
    ON_PLACE,
    ScaleArea,
    connect_scale,
    lay_out_clicks,
    lay_out_scale,
    marks_of,
)
from pestvision.web.pages.teach import begun, build_teaching
from pestvision.web.pages.visitor import SHOW_ANSWER, clear_after, owner_of
from pestvision.web.scales import ScaleDesk, clicked_end
from pestvision.web.shown import Shown, clicked, edges_of_texts, texts_of_edges, typed, unmarked

if TYPE_CHECKING:
    from pestvision.web.album import AlbumDesk
    from pestvision.web.handlers import Desk
    from pestvision.web.pages.into_log import IntoLog
    from pestvision.web.pages.teach import About, Teaching
    from pestvision.web.tank_scan import ScanDesk

PHOTO_TYPES = ["image", ".heic", ".heif", "video", ".mov", ".mkv", ".m4v"]
"""What the file chooser offers. Some systems do not count HEIC among the images, nor these among the clips."""

STATE_LIFE_S = 3600
OF_CLIP = (
    (size_words.AFTER_IRRITANT, size_words.AFTER_IRRITANT_HINT, "after-irritant"),
    (size_words.ON_A_STAND, size_words.ON_A_STAND_HINT, "on-a-stand"),
)
"""What the person says of a clip: label, hint and name of each box to tick."""


@dataclass(frozen=True, slots=True)
class Area:
    """The components of the area that its events read or change."""

    shown: gr.State
    sent: gr.File
    photo_area: gr.Column
    check: gr.Button
    picture: gr.Image
    marking: gr.Accordion
    edges: list[gr.Textbox]
    judge: gr.Button
    unmark: gr.Button
    mark_state: gr.Markdown
    of_clip: list[gr.Checkbox]
    scale: ScaleArea
    heat: gr.Checkbox
    answer: gr.HTML
    teaching: Teaching
    into_log: IntoLog

    @property
    def after_answer(self) -> list[Any]:
        """What an answer that is new changes below it, in the order of `after`."""
        return [*self.into_log.outputs, *self.teaching.outputs]

    def after(self, photo: Shown | None) -> list[Any]:
        """Give what stands below an answer; nothing where there is none."""
        found = None if photo is None else photo.found
        if photo is not None and photo.found_on_clip is not None:
            found = as_photo(photo.found_on_clip)
        label = None if found is None else found.verdict.label
        notes = self.into_log.desk.of_close_up(found)
        return [*self.into_log.begun(notes, label), *begun(lesson_of(photo))]


def build_close_up(
    desk: Desk, album: AlbumDesk, scan: ScanDesk, heavy: dict[str, Any], *, is_lan: bool
) -> About:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk, album, scan
        The handlers: of the photo, of teaching, and of what goes into a tank's log.
    heavy
        Keyword arguments of every event that computes.
    is_lan
        Whether the visitor may sit at another computer.

    Returns
    -------
    About
        The fields for the tank and the visitor's name.
    """
    at = _laid_out(album, scan, is_lan=is_lan)
    _connect_checks(desk, heavy, at)
    _connect_marking(at)
    connect_scale(ScaleDesk(desk.full), heavy, at.scale, shown=at.shown, picture=at.picture)
    return at.teaching.about


def _laid_out(album: AlbumDesk, scan: ScanDesk, *, is_lan: bool) -> Area:
    shown = gr.State(None, time_to_live=STATE_LIFE_S)
    with gr.Row(elem_classes="pv-columns"):
        with gr.Column(scale=6, min_width=320):
            gr.Markdown(words.CHOOSE_CLOSE_UP)
            gr.Markdown(words.CHOOSE_CLOSE_UP_HINT)
            sent = gr.File(
                label=words.CLOSE_UP_FILE,
                file_types=PHOTO_TYPES,
                type="filepath",
                height=150,
                elem_id="close-up-file",
            )
            with gr.Column(visible=False, elem_id="photo-area") as area:
                gr.Markdown(words.CHECK_IT)
                of_clip = [
                    gr.Checkbox(False, label=label, info=info, visible=False, elem_id=name)
                    for label, info, name in OF_CLIP
                ]
                check = gr.Button(words.CHECK_BUTTON, variant="primary", elem_id="check-button")
                picture = gr.Image(
                    label=words.PICTURE,
                    alt_text=words.PICTURE_EMPTY,
                    interactive=False,
                    format="jpeg",
                    buttons=["fullscreen"],
                    elem_id="close-up-picture",
                )
                clicks = lay_out_clicks()
                with gr.Accordion(words.MARK_IT, open=False, elem_id="marking") as marking:
                    edges, judge, unmark, mark_state = _marking()
                scale = lay_out_scale(clicks)
        with gr.Column(scale=5, min_width=320):
            gr.Markdown(words.ANSWER)
            heat = gr.Checkbox(
                label=words.HEAT_SWITCH, value=False, visible=False, elem_id="heat-switch"
            )
            answer = gr.HTML(
                cards.waiting(words.ANSWER_WAITS, with_signs=True), elem_id="close-up-answer"
            )
            log_place = gr.Column()
            teaching = build_teaching(album, "close-up", is_lan=is_lan, heading=album_words.TEACH)
            with log_place:
                into_log = build_into_log(scan, "close-up", teaching.about.who)
    return Area(
        shown,
        sent,
        area,
        check,
        picture,
        marking,
        edges,
        judge,
        unmark,
        mark_state,
        of_clip,
        scale,
        heat,
        answer,
        teaching,
        into_log,
    )


def _connect_checks(desk: Desk, heavy: dict[str, Any], at: Area) -> None:
    def take(path: str | None, request: gr.Request) -> tuple[Any, ...]:
        photo = desk.take_photo(owner_of(request), path)
        clip = photo.is_clip
        waits = size_words.CLIP_HERE if clip else words.ANSWER_PRESS
        return (
            photo,
            gr.Image(photo.drawn(), label=size_words.CLIP_PICTURE if clip else words.PICTURE),
            gr.Column(visible=True),
            gr.Button(size_words.CHECK_CLIP_BUTTON if clip else words.CHECK_BUTTON),
            *(gr.Checkbox(False, visible=clip) for _one in at.of_clip),
            gr.Checkbox(visible=False),
            cards.waiting(waits, with_signs=True),
            *texts_of_edges(photo),
            words.MARK_GONE,
            *marks_of(photo, None),
            *at.after(None),
        )

    def check_whole(
        photo: Shown | None, with_heat: bool, irritant: bool, on_a_stand: bool, way: str
    ) -> tuple[Any, ...]:
        photo, html = desk.check(
            photo, with_heat=with_heat, after_irritant=irritant, on_a_stand=on_a_stand
        )
        switch = _heat_switch(photo)
        return (
            photo,
            photo.drawn(),
            switch,
            html,
            *texts_of_edges(photo),
            words.MARK_GONE,
            *marks_of(photo, way),
            *at.after(photo),
        )

    def judge_place(photo: Shown | None, *told: Any) -> tuple[Any, ...]:
        *sides, with_heat, irritant, on_a_stand = told
        photo, html = desk.judge_mark(
            photo,
            edges_of_texts(sides),
            with_heat=bool(with_heat),
            after_irritant=bool(irritant),
            on_a_stand=bool(on_a_stand),
        )
        return (photo, photo.drawn(), _heat_switch(photo), html, *at.after(photo))

    def switch_heat(photo: Shown | None, with_heat: bool) -> Any:
        html = desk.show_heat(photo, with_heat=with_heat)
        return gr.skip() if html is None else html

    taken = at.sent.upload(
        take,
        at.sent,
        [
            at.shown,
            at.picture,
            at.photo_area,
            at.check,
            *at.of_clip,
            at.heat,
            at.answer,
            *at.edges,
            at.mark_state,
            *at.scale.marked,
            *at.after_answer,
        ],
        api_name="take_photo",
        show_progress_on=at.answer,
        **heavy,
    )
    clear_after(taken, at.sent)
    at.check.click(
        check_whole,
        [at.shown, at.heat, *at.of_clip, at.scale.way],
        [
            at.shown,
            at.picture,
            at.heat,
            at.answer,
            *at.edges,
            at.mark_state,
            *at.scale.marked,
            *at.after_answer,
        ],
        api_name="check_photo",
        show_progress_on=at.answer,
        **heavy,
    ).success(None, js=SHOW_ANSWER.format(where="close-up-answer"))
    at.judge.click(
        judge_place,
        [at.shown, *at.edges, at.heat, *at.of_clip],
        [at.shown, at.picture, at.heat, at.answer, *at.after_answer],
        api_name="judge_mark",
        show_progress_on=at.answer,
        **heavy,
    ).success(None, js=SHOW_ANSWER.format(where="close-up-answer"))
    at.heat.input(
        switch_heat,
        [at.shown, at.heat],
        at.answer,
        api_name="show_heat",
        show_progress_on=at.answer,
        **heavy,
    )


def _connect_marking(at: Area) -> None:
    light: dict[str, Any] = {"show_progress": "hidden", "api_visibility": "private"}
    at.picture.select(
        _click,
        [at.shown, at.scale.clicks, at.scale.way],
        [
            at.shown,
            at.picture,
            *at.edges,
            at.mark_state,
            at.marking,
            *at.scale.marked,
            at.scale.fold,
        ],
        trigger_mode="multiple",  # the second of two quick clicks is not lost …
        concurrency_limit=1,  # … but waits for the first, whose corner it is opposite to
        **light,
    )
    at.marking.expand(lambda: ON_PLACE, None, at.scale.clicks, **light)
    for edge in at.edges:
        edge.input(
            _type_edges,
            [at.shown, *at.edges],
            [at.shown, at.picture, at.mark_state],
            trigger_mode="always_last",
            **light,
        )
    at.unmark.click(
        _take_mark_away, at.shown, [at.shown, at.picture, *at.edges, at.mark_state], **light
    )


def _click(photo: Shown | None, marks: str, way: str, event: gr.SelectData) -> tuple[Any, ...]:
    """Take a click on the photo for a corner of a place or for an end of a known length."""
    if photo is None:
        return _nothing(17)
    x, y = float(event.index[0]), float(event.index[1])
    opened = gr.Accordion(open=True)
    if marks == ON_END:
        photo = clicked_end(photo, x, y)
        return (photo, photo.drawn(), *_nothing(6), *marks_of(photo, way), opened)
    photo = clicked(photo, x, y)
    place = (*texts_of_edges(photo), _mark_words(photo), opened)
    return (photo, photo.drawn(), *place, *_nothing(9))


def _type_edges(photo: Shown | None, *sides: str | None) -> tuple[Any, ...]:
    if photo is None:
        return _nothing(3)
    photo = typed(photo, edges_of_texts(sides))
    return photo, photo.drawn(), _mark_words(photo)


def _take_mark_away(photo: Shown | None) -> tuple[Any, ...]:
    if photo is None:
        return _nothing(7)
    photo = unmarked(photo)
    return (photo, photo.drawn(), *texts_of_edges(photo), _mark_words(photo))


def _marking() -> tuple[list[gr.Textbox], gr.Button, gr.Button, gr.Markdown]:
    gr.Markdown(words.MARK_HINT)
    with gr.Row():
        edges = [
            gr.Textbox(
                "",
                label=label,
                max_lines=1,
                max_length=20,
                min_width=110,
                elem_id=f"mark-{place}",
                elem_classes="pv-numeric",
            )
            for label, place in (
                (words.MARK_LEFT, "left"),
                (words.MARK_TOP, "top"),
                (words.MARK_RIGHT, "right"),
                (words.MARK_BOTTOM, "bottom"),
            )
        ]
    state = gr.Markdown(words.MARK_GONE, elem_id="mark-state")
    with gr.Row():
        judge = gr.Button(words.MARK_BUTTON, elem_id="judge-button", min_width=140)
        unmark = gr.Button(words.UNMARK_BUTTON, elem_id="unmark-button", min_width=140)
    return edges, judge, unmark, state


def _heat_switch(photo: Shown) -> gr.Checkbox:
    """Offer the switch where there is a crop to draw on."""
    return gr.Checkbox(visible=photo.found is not None and bool(photo.found.findings))


def _mark_words(photo: Shown) -> str:
    if photo.corner_px is not None:
        return words.MARK_ONE_CORNER
    return words.MARK_GONE if photo.mark_xyxy_px is None else words.MARK_READY


def _nothing(outputs: int) -> tuple[Any, ...]:
    return tuple(gr.skip() for _ in range(outputs))
