"""The area in which the album is labelled, picture by picture: components and their events.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import album_words, review_cards
from pestvision.web.album_cards import BRIDGE
from pestvision.web.album_review import Review
from pestvision.web.handlers import TimedProgress
from pestvision.web.pages.teach import LIGHT, STATE_LIFE_S, pressed_number

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.web.album_review import ReviewDesk
    from pestvision.web.pages.teach import About

KEYS = """() => {
    if (window.pvKeys) return;
    window.pvKeys = true;
    const buttons = {
        1: "answer-1", 2: "answer-2", 3: "answer-3", 4: "answer-4", 5: "answer-5",
        0: "answer-back", Backspace: "answer-back", s: "answer-skip", ArrowRight: "answer-skip",
    };
    document.addEventListener("keydown", (event) => {
        if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
        const at = event.target;
        if (at.closest("textarea, select, [contenteditable='true'], [role='listbox']")) return;
        if (at.closest("input:not([type='checkbox'])")) return;
        const name = buttons[event.key.length === 1 ? event.key.toLowerCase() : event.key];
        const button = name && document.getElementById(name);
        if (!button || button.disabled || !button.offsetParent) return;
        event.preventDefault();
        button.click();
    });
}"""
"""Presses the button of a key, where that button is seen and nobody is typing."""

SHOW_ASKED = """() => {
    if (window.innerWidth >= 700) return;
    let looks = 0;
    const timer = setInterval(() => {
        const last = document.getElementById("answer-back");
        if (last && last.offsetParent) {
            document.getElementById("review-picture").scrollIntoView({block: "start"});
            clearInterval(timer);
        }
        if (++looks > 20) clearInterval(timer);
    }, 100);
}"""
"""On a phone, brings the picture to the top, so that the buttons under it are seen."""

ONE_AT_A_TIME: dict[str, Any] = {
    "concurrency_id": "review",
    "concurrency_limit": 1,
    "trigger_mode": "once",
    **LIGHT,
}
"""A press while the answer before it is on its way is lost: it would be for a picture not yet seen."""


@dataclass(frozen=True, slots=True)
class Asking:
    """The components of the area."""

    review: gr.State
    rest: gr.HTML
    area: gr.Row
    picture: gr.HTML
    question: gr.HTML
    small: gr.HTML
    alike: gr.Checkbox
    answers: dict[str, gr.Button]
    skip: gr.Button
    back: gr.Button
    said: gr.HTML
    facts: gr.HTML

    @property
    def outputs(self) -> list[Any]:
        """What changes with every picture, in the order of `_shown`."""
        return [
            self.review,
            self.rest,
            self.area,
            self.picture,
            self.question,
            self.small,
            self.alike,
            self.said,
            self.facts,
        ]


def build_review(
    desk: ReviewDesk, about: About, heavy: dict[str, Any], *, progress: Any
) -> Callable[[list[Any]], None]:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk
        The handlers.
    about
        The fields for the tank and the visitor's name.
    heavy
        Keyword arguments of every event that computes.
    progress
        Where it stands how far the labelling is, and what gives that.

    Returns
    -------
    Callable
        Takes the events that open the area.
    """
    at = _laid_out()
    shown_progress, say_progress = progress

    def shown(review: Review) -> tuple[Any, ...]:
        return (*_shown(desk, review), say_progress())

    def begin(
        review: Review,
        bar: gr.Progress = gr.Progress(),  # noqa: B008
    ) -> tuple[Any, ...]:
        told = TimedProgress(lambda share, sentence: bar(share, desc=sentence))
        return shown(desk.begin(review, told))

    def answered(label: str) -> Callable[[Review, bool, str], tuple[Any, ...]]:
        def answer(review: Review, with_alike: bool, who: str) -> tuple[Any, ...]:
            return shown(desk.answer(review, label, who=who, with_alike=with_alike))

        return answer

    def finer(review: Review, with_alike: bool, who: str, event: gr.EventData) -> tuple[Any, ...]:
        _, number, label = pressed_number(event)
        if review.shown is None or review.shown.crop.id != number:
            return tuple(gr.skip() for _ in every)
        return shown(desk.answer(review, label, who=who, with_alike=with_alike))

    every = [*at.outputs, shown_progress]
    given = [at.review, at.alike, about.who]
    refill: dict[str, Any] = {**ONE_AT_A_TIME, "trigger_mode": "always_last"}

    def go_on(event: Any) -> None:
        event.success(desk.refill, at.review, at.review, **refill)

    for label, button in at.answers.items():
        go_on(button.click(answered(label), given, every, **ONE_AT_A_TIME))
    go_on(at.facts.pressed(finer, given, every, **ONE_AT_A_TIME))
    go_on(at.skip.click(lambda review: shown(desk.skip(review)), at.review, every, **ONE_AT_A_TIME))
    at.back.click(lambda review: shown(desk.back(review)), at.review, every, **ONE_AT_A_TIME)

    def opened_by(events: list[Any]) -> None:
        begun = gr.on(
            events,
            begin,
            at.review,
            every,
            api_name="label_next",
            show_progress_on=at.rest,
            **heavy,
        )
        begun.success(None, js=SHOW_ASKED)
        go_on(begun)

    return opened_by


def _shown(desk: ReviewDesk, review: Review) -> tuple[Any, ...]:
    pictures = desk.album.pictures
    is_asking = review.shown is not None
    n_alike = len(review.alike)
    said = f'<p class="pv-said" role="status">{review.said}</p>'
    return (
        review,
        "" if is_asking else review_cards.nothing_left(desk.album.begun(), review),
        gr.Row(visible=is_asking),
        review_cards.large_picture(review, pictures),
        review_cards.question(review),
        review_cards.alike(review, pictures),
        gr.Checkbox(value=False, label=album_words.alike_switch(n_alike), interactive=n_alike > 0),
        said,
        review_cards.facts(review),
    )


def _laid_out() -> Asking:
    review = gr.State(Review(), time_to_live=STATE_LIFE_S)
    rest = gr.HTML("", elem_id="review-rest")
    with gr.Row(visible=False, elem_classes="pv-columns pv-review") as area:
        with gr.Column(scale=5, min_width=300):
            picture = gr.HTML("", elem_id="review-picture", elem_classes="pv-steady")
        with gr.Column(scale=6, min_width=320):
            question = gr.HTML("", elem_id="review-question", elem_classes="pv-steady")
            with gr.Row(elem_classes="pv-alike-row"):
                small = gr.HTML("", elem_id="review-small", elem_classes="pv-steady")
                alike = gr.Checkbox(
                    label=album_words.ALIKE_NONE,
                    value=False,
                    container=False,
                    min_width=140,
                    elem_id="review-alike",
                )
            with gr.Column(elem_id="review-answers", elem_classes="pv-keys"):
                answers = {
                    label: gr.Button(f"{key}  {name}", elem_id=f"answer-{key}", min_width=0)
                    for key, (label, name) in enumerate(album_words.ANSWERS, start=1)
                }
                skip = gr.Button(
                    f"{album_words.KEY_OF_SKIP}  {album_words.SKIP}",
                    elem_id="answer-skip",
                    elem_classes="pv-quiet-button",
                    min_width=0,
                )
                back = gr.Button(
                    f"{album_words.KEY_OF_BACK}  {album_words.LAST_BACK}",
                    elem_id="answer-back",
                    elem_classes="pv-quiet-button",
                    min_width=0,
                )
            said = gr.HTML("", elem_id="review-said", elem_classes="pv-steady")
            facts = gr.HTML("", js_on_load=BRIDGE, elem_id="review-facts", elem_classes="pv-steady")
            gr.Markdown(album_words.LABEL_KEYS, elem_classes="pv-only-wide")
    return Asking(
        review, rest, area, picture, question, small, alike, answers, skip, back, said, facts
    )
