"""Found pictures, one of them opened, and what can be undone, as HTML with everything escaped."""

from __future__ import annotations

from datetime import datetime
from html import escape
from typing import TYPE_CHECKING

from pestvision.collection.library import UNDO_DAYS
from pestvision.collection.records import SHOWN_LABELS
from pestvision.web import album_words, words
from pestvision.web.album_cards import answer_buttons, finer_choice
from pestvision.web.album_pictures import LARGE_PX, THUMB_PX
from pestvision.web.parts import caution, readable_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.collection.records import Action, Crop, Label

OPENED_PX = LARGE_PX
DAY_LENGTH = 10  # characters of an ISO date


def shown_label(crop: Crop) -> str:
    """Give what a picture is labelled as, in words."""
    if crop.is_disputed:
        return album_words.DISPUTED_SHOWN
    return album_words.UNLABELLED_SHOWN if crop.label is None else SHOWN_LABELS[crop.label]


def day_of(crop: Crop) -> str:
    """Give the day a picture was taken on."""
    return crop.taken[:DAY_LENGTH] if crop.taken else album_words.NO_DATE


def local_time(at: str) -> str:
    """Give a moment of the album, which is in UTC, by this computer's clock to the minute."""
    return datetime.fromisoformat(at).astimezone().strftime("%Y-%m-%d %H:%M")


def picture(uri: str, alt: str, side_px: int) -> str:
    """Give a square picture; a plain sentence where there is none to show."""
    if not uri:
        return f'<span class="pv-gone">{escape(alt)}</span>'
    return f'<img src="{uri}" alt="{escape(alt)}" width="{side_px}" height="{side_px}">'


def said(sentence: str) -> str:
    """Give a sentence alone."""
    return f'<div class="pv-card"><p class="pv-said" role="status">{escape(sentence)}</p></div>'


def grid(crops: Sequence[Crop], uris: Sequence[str], n_found: int, offset: int) -> str:
    """Give a page of found pictures; each is a button that opens it."""
    if not crops:
        text = f"{album_words.FOUND_NONE} {album_words.FOUND_ADVICE}"
        return f'<div class="pv-card pv-waiting"><p role="status">{escape(text)}</p></div>'
    tiles = "".join(
        f'<li><button type="button" class="pv-tile" data-do="open" data-number="{crop.id}" '
        f'data-place="tile-{crop.id}">{picture(uri, "", THUMB_PX)}'
        f'<span class="pv-tile-words"><strong>{crop.id}</strong> {escape(shown_label(crop))}'
        f"<br>{escape(day_of(crop))}</span></button></li>"
        for crop, uri in zip(crops, uris, strict=True)
    )
    first = offset + 1
    shown = album_words.page_of(first, offset + len(crops), n_found)
    turn = "".join(
        f'<button type="button" data-do="turn" data-number="{step}" data-place="turn{step}" '
        f'aria-disabled="{"true" if is_off else "false"}">{escape(name)}</button>'
        for step, name, is_off in (
            (-1, album_words.FIND_PREVIOUS, offset == 0),
            (1, album_words.FIND_NEXT, offset + len(crops) >= n_found),
        )
    )
    return (
        f'<div class="pv-card"><p role="status">{escape(shown)}</p>'
        f'<ul class="pv-tiles">{tiles}</ul><div class="pv-turn">{turn}</div></div>'
    )


def opened(crop: Crop, uri: str, history: Sequence[Label], *, said: str = "") -> str:
    """Give one picture with what is known of it, what was said of it, and what can be done."""
    alt = f"Picture {crop.id}, cut out of {crop.photo_name}"
    taken = readable_time(crop.taken) if crop.taken else album_words.NO_DATE
    facts = " · ".join((crop.photo_name, crop.tank or album_words.NO_TANK, taken))
    settle = f"<p>{escape(album_words.SETTLE)}</p>" if crop.is_disputed else ""
    lines = "".join(f"<li>{_history_line(item)}</li>" for item in history)
    told = f"<ul>{lines}</ul>" if lines else f"<p>{escape(album_words.HISTORY_NONE)}</p>"
    by_net = caution() if any(item.kind == "net" for item in history) else ""
    buttons = "".join(
        f'<button type="button" data-do="{what}" data-number="{crop.id}" '
        f'data-place="{what}">{escape(name)}</button>'
        for what, name in (
            ("back", album_words.TAKE_LAST_BACK),
            ("delete", album_words.DELETE),
            ("close", album_words.CLOSE),
        )
    )
    return (
        f'<section class="pv-card pv-opened pv-verdict" tabindex="-1">'
        f'<div class="pv-opened-picture">{picture(uri, alt, OPENED_PX)}</div>'
        f'<div class="pv-opened-main"><h3><span class="pv-number">{crop.id}</span> '
        f"{escape(shown_label(crop))}</h3>"
        f'<p class="pv-photo-name">{escape(facts)}</p>{settle}'
        f'<div class="pv-answers" role="group" aria-label="Label of picture {crop.id}">'
        f"{answer_buttons(crop.label, crop.id)}{finer_choice(crop.label, crop.id)}</div>"
        f'<p class="pv-said" role="status">{escape(said)}</p>'
        f"<h4>{escape(album_words.HISTORY)}</h4>{told}{by_net}"
        f'<div class="pv-turn">{buttons}</div></div></section>'
    )


def _history_line(item: Label) -> str:
    parts = [f"{local_time(item.at)}: {SHOWN_LABELS[item.label]}"]
    if item.kind == "net":
        share = "" if item.confidence is None else f", {words.per_cent(item.confidence)}"
        parts = [f"{parts[0]}{share} ({album_words.BY_NET})"]
    else:
        parts.append(f"({item.who})")
    if item.settles:
        parts.append(f"– {album_words.SETTLED}")
    line = escape(" ".join(parts))
    if item.withdrawn_at is not None:
        return f"<s>{line}</s> {escape(album_words.WITHDRAWN)}"
    return line


def actions(listed: Sequence[Action], *, said: str = "") -> str:
    """Give what was added and deleted, each with its button to undo it."""
    status = f'<p class="pv-said" role="status">{escape(said)}</p>'
    if not listed:
        return (
            f'<div class="pv-card">{status}<p>{escape(_days(album_words.ACTIONS_NONE))}</p></div>'
        )
    rows = "".join(_action_row(item) for item in listed)
    return (
        f'<div class="pv-card">{status}<p>{escape(_days(album_words.ACTIONS_SAY))}</p>'
        f'<ul class="pv-rows">{rows}</ul></div>'
    )


def _days(sentence: str) -> str:
    return sentence.format(days=UNDO_DAYS)


def _action_row(item: Action) -> str:
    name = album_words.ACTION_NAMES.get(item.kind, item.kind)
    what = f"{name}: {album_words.crops(item.n_crops)}" + (f", {item.note}" if item.note else "")
    if item.undone_at is None:
        undo = (
            f'<button type="button" data-do="undo" data-number="{item.id}" '
            f'data-place="undo-{item.id}" aria-label="{escape(album_words.UNDO)} {item.id}">'
            f"{escape(album_words.UNDO)}</button>"
        )
    else:
        undo = f"<em>{escape(album_words.UNDONE)}</em>"
    line = f"{local_time(item.at)} · {what} · {item.who}"
    return f'<li class="pv-row pv-action"><span>{escape(line)}</span>{undo}</li>'
