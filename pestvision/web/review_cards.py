"""The picture that is asked about, as HTML with everything escaped."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from pestvision.collection.records import SHOWN_LABELS
from pestvision.web import album_words, words
from pestvision.web.album_cards import finer_choice
from pestvision.web.album_pictures import LARGE_PX
from pestvision.web.parts import caution, readable_time
from pestvision.web.search_cards import picture

if TYPE_CHECKING:
    from pestvision.collection.library import Library
    from pestvision.collection.review import Suggestion
    from pestvision.web.album_pictures import CropPictures
    from pestvision.web.album_review import Review

SMALL_PX = 44
MOST_SMALL = 3  # look-alikes shown: beside their switch on a phone


def large_picture(review: Review, pictures: CropPictures) -> str:
    """Give the picture that is asked about, large; a sentence where there is none."""
    shown = review.shown
    if shown is None:
        return ""
    alt = f"Picture {shown.crop.id}, cut out of {shown.crop.photo_name}: what is it?"
    uri = pictures.uri(shown.crop, LARGE_PX)
    return f'<div class="pv-asked" data-crop="{shown.crop.id}">{picture(uri, alt, LARGE_PX)}</div>'


def question(review: Review) -> str:
    """Give what the net says, and why it is asked."""
    shown = review.shown
    if shown is None:
        return ""
    return f'<p class="pv-why">{escape(guess(shown))} {escape(shown.words)}</p>'


def alike(review: Review, pictures: CropPictures) -> str:
    """Give the first of the look-alikes as small pictures."""
    first = review.alike[:MOST_SMALL]
    uris = pictures.uris(first, SMALL_PX)
    small = "".join(
        picture(uri, f"Picture {crop.id}, which looks like it", SMALL_PX)
        for crop, uri in zip(first, uris, strict=True)
    )
    return f'<div class="pv-alike">{small}</div>'


def guess(shown: Suggestion) -> str:
    """Give the net's label with its probability."""
    if shown.likely is None:
        return album_words.NET_NOT_READ
    share = words.per_cent(shown.p_likely)
    return f"{album_words.NET_SAYS}: {SHOWN_LABELS[shown.likely]}, {share}."


def facts(review: Review) -> str:
    """Give where the picture is from, the finer classes to choose from, and the caution."""
    shown = review.shown
    if shown is None:
        return ""
    crop = shown.crop
    taken = readable_time(crop.taken) if crop.taken else album_words.NO_DATE
    lines = " · ".join((crop.photo_name, crop.tank or album_words.NO_TANK, taken))
    return (
        f'<div class="pv-card">{finer_choice(None, crop.id)}'
        f'<p class="pv-photo-name"><span class="pv-number">{crop.id}</span> {escape(lines)}</p>'
        f"{caution()}</div>"
    )


def nothing_left(library: Library | None, review: Review) -> str:
    """Say that there is nothing to label, and why."""
    if library is None or (counts := library.counts()).n_crops == 0:
        text = f"{album_words.NOTHING_TO_LABEL} {album_words.NOTHING_TO_LABEL_ADVICE}"
    elif review.skipped and counts.n_unlabelled + counts.n_disputed:
        text = album_words.PASSED_OVER_ALL
    elif counts.n_unlabelled + counts.n_disputed:
        text = f"{album_words.NOTHING_TO_LABEL} {album_words.NOTHING_TO_LABEL_ADVICE}"
    else:
        text = album_words.ALL_LABELLED
    return f'<div class="pv-card pv-waiting"><p role="status">{escape(text)}</p></div>'
