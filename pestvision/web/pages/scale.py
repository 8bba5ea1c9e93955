"""The area in which a scale is taken from the photo: what lies there, where it lies, and the button.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.size.card_outline import PRIVACY_WARNING
from pestvision.size.coin import COINS
from pestvision.size.records import CARD_OUTLINE, COIN, DUCKWEED, MARKER_CARD, RULER, TWO_POINTS
from pestvision.size.refraction import ScaleAt
from pestvision.web import scales, size_words
from pestvision.web.scales import Told

if TYPE_CHECKING:
    from pestvision.web.scales import ScaleDesk
    from pestvision.web.shown import Shown

ON_PLACE, ON_END = "place", "end"
"""What a click on the photo marks."""
LIGHT: dict[str, Any] = {"show_progress": "hidden", "api_visibility": "private"}


@dataclass(frozen=True, slots=True)
class ScaleArea:
    """The components of the area; `groups` are shown by what lies there, `(ways, column)`."""

    clicks: gr.Radio
    fold: gr.Accordion
    way: gr.Radio
    ends: list[gr.Textbox]
    ends_state: gr.Markdown
    distance: gr.Textbox
    bar: gr.Textbox
    tick: gr.Textbox
    coin: gr.Dropdown
    find_rounds: gr.Button
    rounds_said: gr.Markdown
    number: gr.Radio
    at: gr.Radio
    camera: gr.Textbox
    pane: gr.Textbox
    depth: gr.Textbox
    glass: gr.Column
    take: gr.Button
    drop: gr.Button
    said: gr.HTML
    groups: tuple[tuple[frozenset[str], gr.Column | gr.Textbox], ...]

    @property
    def told(self) -> list[Any]:
        """The components of what is told, in the order that `told_of` takes."""
        return [
            self.way,
            *self.ends,
            self.distance,
            self.bar,
            self.tick,
            self.coin,
            self.number,
            self.at,
            self.camera,
            self.pane,
            self.depth,
        ]

    @property
    def marked(self) -> list[Any]:
        """What a new photo or a click changes here, in the order of `marks_of`."""
        return [*self.ends, self.ends_state, self.number, self.rounds_said, self.said]


def told_of(values: tuple[Any, ...]) -> Told:
    """Put what the components of `ScaleArea.told` say into a record."""
    way, x0, y0, x1, y1, distance, bar, tick, coin, number, at, camera, pane, depth = values
    ends = (x0, y0, x1, y1)
    return Told(way, ends, distance, bar, tick, coin, number, at, camera, pane, depth)


def marks_of(shown: Shown, way: str | None, *, said: str | None = None) -> list[Any]:
    """Give what the area says of what is marked; `said` of the scale, nothing taken where None."""
    many = len(shown.measuring.rounds)
    numbers = [str(number) for number in range(1, many + 1)]
    if said is None:
        scale = shown.measuring.scale
        said = scales.nothing_taken() if scale is None else scales.taken(scale, shown)
    return [
        *scales.texts_of_ends(shown),
        scales.ends_words(shown, way),
        gr.Radio(choices=numbers, value=None, visible=bool(many)),
        size_words.rounds_found(many) if many else "",
        said,
    ]


def lay_out_clicks() -> gr.Radio:
    """Make the choice of what a click on the photo marks, to stand beneath the photo."""
    return gr.Radio(
        [(size_words.CLICKS_PLACE, ON_PLACE), (size_words.CLICKS_END, ON_END)],
        value=ON_PLACE,
        label=size_words.CLICKS,
        elem_id="clicks-mark",
    )


def lay_out_scale(clicks: gr.Radio) -> ScaleArea:
    """Lay out the area, folded."""
    with gr.Accordion(size_words.SCALE, open=False, elem_id="scale") as fold:
        gr.Markdown(size_words.SCALE_HINT)
        way = gr.Radio(
            [(size_words.WAYS[kind], kind) for kind in scales.WAYS],
            value=TWO_POINTS,
            label=size_words.WAY,
            elem_id="scale-way",
        )
        with gr.Column() as of_ends:
            gr.Markdown(size_words.ENDS_HINT)
            with gr.Row():
                ends = [
                    _number(label, f"scale-end-{place}")
                    for label, place in zip(size_words.ENDS, ("ax", "ay", "bx", "by"), strict=True)
                ]
            ends_state = gr.Markdown(size_words.ENDS_GONE, elem_id="scale-ends-state")
            distance = _number(size_words.DISTANCE, "scale-distance")
        with gr.Column(visible=False) as of_leaf:
            gr.Markdown(size_words.DUCKWEED_HINT)
        with gr.Column(visible=False) as of_card:
            bar = _number(size_words.BAR, "scale-bar", hint=size_words.BAR_HINT)
        with gr.Column(visible=False) as of_ruler:
            tick = _number(size_words.TICK, "scale-tick", hint=size_words.TICK_HINT)
        with gr.Column(visible=False, elem_id="scale-any-card") as of_any_card:
            gr.Markdown(f"**{PRIVACY_WARNING}**")
            gr.Markdown(size_words.CARD_HINT)
        with gr.Column(visible=False) as of_coin:
            gr.Markdown(size_words.COIN_HINT)
            find = gr.Button(size_words.FIND_ROUNDS, elem_id="scale-find-rounds")
            rounds_said = gr.Markdown("", elem_id="scale-rounds-said")
            number = gr.Radio(
                [],
                visible=False,
                label=size_words.ROUND,
                info=size_words.ROUND_HINT,
                elem_id="scale-round",
            )
            coin = gr.Dropdown(
                [(f"{kind.name}, {kind.diameter_mm:g} mm", key) for key, kind in COINS.items()],
                value=None,
                filterable=False,
                label=size_words.COIN_KIND,
                elem_id="scale-coin",
            )
        at = gr.Radio(
            [(said, str(where)) for where, said in size_words.WHERES.items()],
            value=str(ScaleAt.ANIMAL_DEPTH),
            label=size_words.WHERE,
            elem_id="scale-at",
        )
        with gr.Column(visible=False) as glass:
            gr.Markdown(size_words.DISTANCES_HINT)
            with gr.Row():
                camera = _number(size_words.CAMERA_MM, "scale-camera")
                pane = _number(size_words.PANE_MM, "scale-pane")
                depth = _number(size_words.DEPTH_MM, "scale-depth")
        with gr.Row():
            take = gr.Button(size_words.TAKE_SCALE, elem_id="scale-take", min_width=140)
            drop = gr.Button(size_words.DROP_SCALE, elem_id="scale-drop", min_width=140)
        said = gr.HTML(scales.nothing_taken(), elem_id="scale-said")
    groups = (
        (frozenset({TWO_POINTS, DUCKWEED}), of_ends),
        (frozenset({TWO_POINTS}), distance),
        (frozenset({DUCKWEED}), of_leaf),
        (frozenset({MARKER_CARD}), of_card),
        (frozenset({RULER}), of_ruler),
        (frozenset({CARD_OUTLINE}), of_any_card),
        (frozenset({COIN}), of_coin),
    )
    return ScaleArea(
        clicks,
        fold,
        way,
        ends,
        ends_state,
        distance,
        bar,
        tick,
        coin,
        find,
        rounds_said,
        number,
        at,
        camera,
        pane,
        depth,
        glass,
        take,
        drop,
        said,
        groups,
    )


def connect_scale(
    desk: ScaleDesk, heavy: dict[str, Any], area: ScaleArea, *, shown: gr.State, picture: gr.Image
) -> None:
    """Connect the area's own components; clicks on the photo are connected where the photo is."""

    def choose(way: str) -> list[Any]:
        return [
            _clicks_of(way),
            *(type(part)(visible=way in ways) for ways, part in area.groups),
        ]

    def type_ends(photo: Shown | None, way: str, *texts: Any) -> tuple[Any, ...]:
        if photo is None:
            return gr.skip(), gr.skip(), gr.skip(), gr.skip()
        photo = scales.typed_ends(photo, texts)
        words = scales.ends_words(photo, way)
        return photo, photo.drawn(), words, scales.nothing_taken()

    def find_rounds(photo: Shown | None, way: str) -> tuple[Any, ...]:
        photo, words = desk.find_rounds(photo)
        *others, _words, said = marks_of(photo, way)
        return (photo, photo.drawn(), *others, words, said)

    def take(photo: Shown | None, *values: Any) -> tuple[Any, ...]:
        photo, said = desk.take(photo, told_of(values))
        return photo, photo.drawn(), said

    def drop(photo: Shown | None, way: str) -> tuple[Any, ...]:
        if photo is None:
            return tuple(gr.skip() for _ in range(2 + len(area.marked)))
        photo = scales.dropped(photo)
        return (photo, photo.drawn(), *marks_of(photo, way))

    area.way.change(
        choose, area.way, [area.clicks, *(part for _ways, part in area.groups)], **LIGHT
    )
    area.fold.expand(_clicks_of, area.way, area.clicks, **LIGHT)
    area.at.change(
        lambda at: gr.Column(visible=at != str(ScaleAt.ANIMAL_DEPTH)), area.at, area.glass, **LIGHT
    )
    for end in area.ends:
        end.input(
            type_ends,
            [shown, area.way, *area.ends],
            [shown, picture, area.ends_state, area.said],
            trigger_mode="always_last",
            **LIGHT,
        )
    area.find_rounds.click(
        find_rounds,
        [shown, area.way],
        [shown, picture, *area.marked],
        api_name="find_rounds",
        show_progress_on=area.rounds_said,
        **heavy,
    )
    area.take.click(
        take,
        [shown, *area.told],
        [shown, picture, area.said],
        api_name="take_scale",
        show_progress_on=area.said,
        **heavy,
    ).success(None, js=SHOW_SAID)
    area.drop.click(drop, [shown, area.way], [shown, picture, *area.marked], **LIGHT)


SHOW_SAID = """() => requestAnimationFrame(() => {
    const said = document.querySelector("#scale-said .pv-scale");
    if (said) {
        said.scrollIntoView({block: "nearest"});
        said.focus({preventScroll: true});
    }
})"""
"""Hands what came of a scale to the keyboard and the screen reader."""


def _clicks_of(way: str) -> str:
    return ON_END if way in {TWO_POINTS, DUCKWEED} else ON_PLACE


def _number(label: str, name: str, *, hint: str | None = None) -> gr.Textbox:
    """Make a field for a number that may stay empty; the toolkit's own would say 0 then."""
    return gr.Textbox(
        "",
        label=label,
        info=hint,
        max_lines=1,
        max_length=20,
        min_width=120,
        elem_id=name,
        elem_classes="pv-numeric",
    )
