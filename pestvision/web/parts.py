"""Pieces that the cards of every answer are made of, as HTML.

Everything that comes from a file (names, times, reasons) is escaped here. Pictures are put into the
page itself, so that no crop is left in a served folder.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from pestvision.findings.sizes import SCALE_NAMES
from pestvision.findings.words import CAUTION, CAUTION_BRIEF, CUES_HEADING
from pestvision.organisms.classes import CANT_TELL, FINE_CLASSES, GROUP_NAMES, GROUPS, Group
from pestvision.report.pictures import jpeg_uri
from pestvision.web import size_words, words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pestvision.arrays import U8
    from pestvision.findings.finding import Judgement
    from pestvision.size.records import Scale

CROP_QUALITY = 85  # JPEG quality of a 224 px crop: about 15 kB, no artefact seen at arm's length
MAX_LISTED = 200  # lines of a list of pairs or files; the report holds them all
SHOWN_FINE = {item.name: item.shown for item in FINE_CLASSES}


def caution() -> str:
    """Give the whole caution: it stands once in an answer, beside its verdict."""
    return (
        f'<p class="pv-caution"><strong>{escape(words.CAUTION_HEADING)}:</strong> '
        f"{escape(CAUTION)}</p>"
    )


def brief_caution() -> str:
    """Give the caution in a line: it stands beside every further label of an answer."""
    return f'<span class="pv-caution-brief">{escape(CAUTION_BRIEF)}</span>'


def own_net(judged_with: str) -> str:
    """Say whose labels it was judged with; nothing for the net as it came."""
    return f'<p class="pv-own">{escape(judged_with)}</p>' if judged_with else ""


def confidence(judged: Judgement) -> str:
    """Give how sure an answer is, in words and as a bar."""
    width = round(100 * judged.confidence)
    return (
        f'<p class="pv-confidence">{escape(confidence_words(judged))}</p>'
        f'<div class="pv-bar" aria-hidden="true"><span style="width:{width}%"></span></div>'
    )


def confidence_words(judged: Judgement) -> str:
    """Say how sure an answer is; of what cannot be told, what it is closest to."""
    share = words.per_cent(judged.confidence)
    if judged.label == CANT_TELL:
        likeliest = GROUPS[max(range(len(GROUPS)), key=lambda index: judged.p_groups[index])]
        return f"{words.NEAREST_CLASS} {GROUP_NAMES[likeliest]}: {share}, {words.NOT_ENOUGH}"
    text = f"{words.CONFIDENCE} {share}"
    if judged.label == Group.HARMLESS:
        text += f" · looks most like: {SHOWN_FINE[judged.fine]}"
    return text


def cues_of(judged: Judgement) -> str:
    """List what was joined, each clue apart; nothing where the looks were all there was."""
    if not judged.cues:
        return ""
    clues = listed(cue.sentence() for cue in judged.cues)
    return f'<p class="pv-small-head">{escape(CUES_HEADING)}</p>{clues}'


def size_of(sentences: Sequence[str], scale: Scale | None = None) -> str:
    """Say how long an animal is: its length first; nothing where no scale was taken.

    What a scale rests on is left out where `scale` is given: `scale_said` says it once for all.
    """
    if not sentences:
        return ""
    first, *rest = (line for line in sentences if scale is None or line not in scale.notes)
    return (
        f'<p class="pv-size"><strong>{escape(size_words.SIZE)}:</strong> {escape(first)}</p>'
        f"{listed(rest)}"
    )


def scale_said(scale: Scale | None) -> str:
    """Say what lengths were taken from, folded; nothing without a scale."""
    if scale is None:
        return ""
    said = size_words.SCALE_TAKEN.format(what=SCALE_NAMES[scale.kind])
    return folded(said, listed([size_words.unsure_by(scale), *scale.notes]))


def probabilities(judged: Judgement) -> str:
    """Give how likely each answer is, folded."""
    rows = "".join(
        f'<tr><th scope="row">{escape(GROUP_NAMES[group])}</th>'
        f"<td>{escape(words.per_cent(share))}</td></tr>"
        for group, share in zip(GROUPS, judged.p_groups, strict=True)
    )
    return folded(words.ALL_ANSWERS, f'<table class="pv-shares"><tbody>{rows}</tbody></table>')


def listed(sentences: Iterable[str]) -> str:
    """Give sentences as a list, cut where there are very many; nothing for none."""
    lines = list(sentences)
    if not lines:
        return ""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines[:MAX_LISTED])
    if len(lines) > MAX_LISTED:
        items += f"<li>… and {len(lines) - MAX_LISTED} more, in the report.</li>"
    return f"<ul>{items}</ul>"


def folded(summary: str, inside: str) -> str:
    """Give something that is unfolded by its summary."""
    return f"<details><summary>{escape(summary)}</summary>{inside}</details>"


def picture(rgb: U8, alt: str, *, quality: int) -> str:
    """Put a picture into the page itself."""
    height, width = rgb.shape[:2]
    return (
        f'<img src="{jpeg_uri(rgb, quality=quality)}" alt="{escape(alt)}" '
        f'width="{width}" height="{height}">'
    )


def crop_picture(number: int, label: str, rgb: U8, *, of: str = "the photo") -> str:
    """Show the crop that was judged, under the number that the outline and the table have."""
    alt = f"Number {number}, cut out of {of}: {GROUP_NAMES[label]}"
    return picture(rgb, alt, quality=CROP_QUALITY)


def readable_time(iso: str) -> str:
    """Give ISO 8601 time as `2031-03-02 22:04:10`: no letter T, no fraction, no offset."""
    return iso[:19].replace("T", " ")
