"""The form of a note: its fields, of which only those are shown that go with what was done.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.tanks.records import MAX_NAME, MAX_TEXT, Kind, Means, Pest
from pestvision.web import tank_words
from pestvision.web.handlers import spoken
from pestvision.web.pages.teach import LIGHT
from pestvision.web.tank_note import NAMES, SIZE_FIELDS, Typed, shown_fields

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from enum import StrEnum

ALWAYS = ("tank", "kind", "at", "batch", "remark")
"""The fields that go with every kind of note."""
TANKS = ("tank", "other")
"""The fields that offer the tanks of the log."""


@dataclass(frozen=True, slots=True)
class NoteForm:
    """The components of the form, by the name of their field."""

    fields: dict[str, Any]
    says: gr.Markdown
    sizes: gr.Accordion

    @property
    def inputs(self) -> list[Any]:
        """The fields in the order of `NAMES`."""
        return [self.fields[name] for name in NAMES]

    @property
    def outputs(self) -> list[Any]:
        """What `filled` and `kept` give: the sentence above the fields, the fold-out, and the fields."""
        return [self.says, self.sizes, *self.inputs]


def typed_in(values: Sequence[Any]) -> Typed:
    """Give what stands in the fields by name."""
    return dict(zip(NAMES, values, strict=True))


def note_form(place: str, between: Callable[[], None] | None = None) -> NoteForm:
    """Lay out the form.

    Parameters
    ----------
    place
        Where it stands: the start of its components' names.
    between
        Lays something out between the tank and the rest.
    """

    def named(name: str) -> dict[str, Any]:
        shown = shown_fields(Kind.LOOKED)
        return {
            "label": shown.get(name) or tank_words.FIELDS[name],
            "visible": name in ALWAYS or shown[name] is not None,
            "elem_id": f"{place}-{name}",
            "min_width": 150,
        }

    def number(name: str) -> gr.Textbox:
        return gr.Textbox("", max_lines=1, max_length=12, elem_classes="pv-numeric", **named(name))

    def text(name: str, **more: Any) -> gr.Textbox:
        return gr.Textbox("", max_lines=1, max_length=MAX_TEXT, **named(name), **more)

    fields: dict[str, Any] = {
        "tank": gr.Dropdown(
            [], value=None, filterable=False, label=tank_words.CHOOSE_TANK, elem_id=f"{place}-tank"
        )
    }
    if between is not None:
        between()
    fields["kind"] = gr.Radio(
        _choices(tank_words.KINDS),
        value=Kind.LOOKED,
        label=tank_words.OR_ELSE,
        elem_id=f"{place}-kind",
        elem_classes="pv-choice pv-kinds",
    )
    says = gr.Markdown(tank_words.KIND_SAYS[Kind.LOOKED], elem_id=f"{place}-says")
    with gr.Row(elem_classes="pv-about"):
        for name in ("seen", "taken", "count"):
            fields[name] = number(name)
    fields["brooding"] = gr.Checkbox(value=False, **named("brooding"))
    with gr.Accordion(tank_words.SIZES, open=False, elem_id=f"{place}-sizes") as sizes:
        gr.Markdown(tank_words.SIZES_SAYS)
        with gr.Row(elem_classes="pv-about"):
            for name in SIZE_FIELDS:
                fields[name] = number(name)
    for name, words, usual in (
        ("stage", tank_words.STAGES, None),
        ("cargo", tank_words.CARGOES, None),
        ("means", tank_words.MEANS, Means.EYE),
        ("pest", tank_words.PESTS, Pest.LEECH),
    ):
        fields[name] = gr.Radio(
            _choices(words), value=usual, elem_classes="pv-choice", **named(name)
        )
    fields["other"] = gr.Dropdown([], value=None, filterable=False, **named("other"))
    with gr.Row(elem_classes="pv-about"):
        fields["minutes"] = number("minutes")
        fields["what"] = text("what")
        fields["source"] = text("source")
    with gr.Accordion(tank_words.MORE, open=False, elem_id=f"{place}-more"):
        fields["at"] = text("at", info=tank_words.WHEN_HINT)
        fields["remark"] = text("remark")
        with gr.Row(elem_classes="pv-about"):
            fields["batch"] = gr.Textbox("", max_lines=1, max_length=MAX_NAME, **named("batch"))
            fields["animals"] = number("animals")
    form = NoteForm(fields, says, sizes)
    fields["kind"].input(_of_kind, fields["kind"], [says, sizes, *_changing(form)], **LIGHT)
    return form


def _choices(words: dict[Any, str]) -> list[tuple[str, StrEnum]]:
    return [(shown, value) for value, shown in words.items()]


def _changing(form: NoteForm) -> list[Any]:
    """Give the fields that are not shown with every kind."""
    return [form.fields[name] for name in NAMES if name not in ALWAYS]


def _of_kind(kind: str) -> list[Any]:
    """Show the fields that go with a kind of note."""
    with spoken():
        shown = shown_fields(kind)
    says = tank_words.KIND_SAYS[Kind(kind)]
    sizes = gr.Accordion(visible=_has_sizes(shown))
    return [says, sizes, *(_field(shown[name]) for name in NAMES if name not in ALWAYS)]


def _has_sizes(shown: Mapping[str, str | None]) -> bool:
    """Tell whether the fields of sizes go with a kind of note."""
    return any(shown[name] is not None for name in SIZE_FIELDS)


def _field(label: str | None, **more: Any) -> dict[str, Any]:
    """Give the update of a field: shown under a name, or not shown."""
    if label is None:
        return dict(gr.update(visible=False, **more))
    return dict(gr.update(visible=True, label=label, **more))


def filled(typed: Typed, tanks: Sequence[str]) -> list[Any]:
    """Give the form with these values in its fields, offering these tanks."""
    kind = str(typed["kind"])
    shown = shown_fields(kind)
    is_measured = any(typed[name] for name in SIZE_FIELDS)
    sizes = gr.Accordion(visible=_has_sizes(shown), open=is_measured)
    updates: list[Any] = [tank_words.KIND_SAYS[Kind(kind)], sizes]
    for name in NAMES:
        more: dict[str, Any] = {"value": typed[name]}
        if name in TANKS:
            more["choices"] = list(tanks)
        if name in ALWAYS:
            updates.append(gr.update(**more))
        else:
            updates.append(_field(shown[name], **more))
    return updates


def kept() -> list[Any]:
    """Give the form as it stands."""
    return [gr.skip() for _ in range(2 + len(NAMES))]
