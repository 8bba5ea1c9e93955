"""The album as HTML. Everything that comes from a file or a person is escaped here."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import cv2

from pestvision.arrays import as_u8
from pestvision.collection.records import SHOWN_LABELS, group_of
from pestvision.organisms.classes import FINE_CLASSES, GROUP_NAMES, GROUPS
from pestvision.report.pictures import jpeg_uri
from pestvision.web import album_words, words
from pestvision.web.parts import caution

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8
    from pestvision.collection.library import Library
    from pestvision.findings.finding import Judgement
    from pestvision.web.album import Lesson, Teachable

THUMB_PX = 112
ROW_THUMB_PX = 80
THUMB_QUALITY = 80

BRIDGE = """
let last = null;
const told = (node) => trigger("pressed", {...node.dataset, value: node.value || ""});
element.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-do]");
    if (!button || button.getAttribute("aria-disabled") === "true") return;
    if (button.dataset.do === "clean") {  // after the first tap another tank's button may stand here
        if (Date.now() - (window.pvCleanAt || 0) < 1000) return;
        window.pvCleanAt = Date.now();
    }
    last = button.dataset.place || null;
    if (button.dataset.do === "open") window.pvOpened = last;
    window.pvPressed = button.dataset.do;
    told(button);
});
element.addEventListener("change", (event) => {
    const choice = event.target.closest("select[data-do]");
    if (!choice || !choice.value) return;
    last = choice.dataset.place || null;
    told(choice);
});
watch("value", () => {
    if (!last) return;
    const again = element.querySelector(`[data-place="${CSS.escape(last)}"]`);
    if (again) again.focus({preventScroll: true});
    last = null;
});
"""
"""Tells the server which of the drawn buttons was pressed, and hands the keyboard back to it after."""


def thumb(rgb: U8, alt: str, *, side_px: int = THUMB_PX) -> str:
    """Give a small square picture."""
    small = rgb
    if rgb.shape[0] > side_px:
        small = as_u8(cv2.resize(rgb, (side_px, side_px), interpolation=cv2.INTER_AREA))
    uri = jpeg_uri(small, quality=THUMB_QUALITY)
    return f'<img src="{uri}" alt="{escape(alt)}" width="{side_px}" height="{side_px}">'


def lesson_card(lesson: Lesson) -> str:
    """Give the area in which what was found is labelled; nothing where nothing was."""
    if not lesson.items:
        return ""
    rows = "".join(_lesson_row(lesson, item) for item in lesson.items)
    return f'<div class="pv-card pv-teach"><ul class="pv-rows">{rows}</ul>{caution()}</div>'


def _lesson_row(lesson: Lesson, item: Teachable) -> str:
    number = item.number
    given = lesson.given.get(number)
    name = album_words.WHOLE if item.box_xyxy_px is None else f"Number {number}"
    picture = thumb(item.crop_rgb, f"{name}, cut out", side_px=ROW_THUMB_PX)
    label = given.label if given else None
    buttons = answer_buttons(label, number)
    said = lesson.said.get(number, "")
    back = ""
    if given:
        back = (
            f' <button type="button" class="pv-back" data-do="back" data-number="{number}" '
            f'data-place="back-{number}">{escape(album_words.TAKE_BACK)}</button>'
        )
    sign = f'<span class="pv-number">{number}</span> ' if item.box_xyxy_px else ""
    where = f"<br>{escape(item.where)}" if item.where else ""
    if item.where:
        sign = ""
    return (
        f'<li class="pv-row"><div class="pv-row-head">{picture}'
        f"<p>{sign}{escape(net_says(item.judgement))}{where}</p></div>"
        f'<div class="pv-answers" role="group" aria-label="{escape(name)}">{buttons}'
        f"{finer_choice(label, number)}</div>"
        f'<p class="pv-said" role="status">{escape(said)}{back}</p></li>'
    )


def answer_buttons(label: str | None, number: int) -> str:
    """Give the five answers as buttons; the one that holds is pressed."""
    held = None if label is None else str(group_of(label) or label)
    return "".join(
        f'<button type="button" class="pv-answer" data-do="label" data-number="{number}" '
        f'data-label="{value}" data-place="{value}-{number}" '
        f'aria-pressed="{"true" if held == value else "false"}">{escape(shown)}</button>'
        for value, shown in album_words.ANSWERS
    )


def finer_choice(label: str | None, number: int) -> str:
    """Give the classes of the net to choose from, by group."""
    groups = "".join(
        f'<optgroup label="{escape(GROUP_NAMES[group])}">'
        + "".join(
            f'<option value="{item.name}"{" selected" if item.name == label else ""}>'
            f"{escape(item.shown)}</option>"
            for item in FINE_CLASSES
            if item.group == group
        )
        + "</optgroup>"
        for group in GROUPS
    )
    return (
        f'<select data-do="finer" data-number="{number}" data-place="finer-{number}" '
        f'aria-label="{escape(album_words.FINER_NAMED.format(number=number))}">'
        f'<option value="">{escape(album_words.FINER)}</option>{groups}</select>'
    )


def net_says(judged: Judgement) -> str:
    """Give the net's label with its probability."""
    share = words.per_cent(max(judged.p_groups))
    return f"{album_words.NET_SAYS}: {SHOWN_LABELS[judged.likeliest]}, {share}"


def progress_card(library: Library | None, missing: Sequence[str] | None = None) -> str:
    """Say how far the labelling is, and what is missing before the net can be adapted.

    Parameters
    ----------
    library
        The album; None where there is none yet.
    missing
        What is still needed; None where that is not known.
    """
    if library is None or (counts := library.counts()).n_crops == 0:
        text = album_words.PROGRESS_NONE
    else:
        parts = [album_words.groups_counted(counts.groups)]
        if counts.n_unlabelled:
            parts.append(album_words.PROGRESS_MORE.format(n=counts.n_unlabelled))
        if counts.n_disputed:
            parts.append(album_words.PROGRESS_DISPUTED.format(n=counts.n_disputed))
        text = "; ".join(parts) + "."
        if missing is not None:
            needed = f"{album_words.MISSING} {album_words.listed(list(missing))}."
            text += " " + (needed if missing else album_words.ENOUGH)
    return f'<p class="pv-progress" role="status">{escape(text)}</p>'
