"""What adapting came to, as HTML with everything escaped: figures in numbers, never colour alone."""

from __future__ import annotations

import math
from html import escape
from typing import TYPE_CHECKING, Any

from pestvision.collection.records import SHOWN_LABELS
from pestvision.organisms.classes import GROUP_NAMES, GROUPS
from pestvision.web import album_words, words
from pestvision.web.album_pictures import THUMB_PX
from pestvision.web.own_net import day_in_words
from pestvision.web.parts import caution
from pestvision.web.search_cards import picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.collection.adapt import Outcome, Version

DARKEST = 0.4  # opacity of a cell's ground: the writing on it keeps a contrast of 4.5


def outcome(found: Outcome) -> str:
    """Give what came of adapting in a sentence, and what would help."""
    html = (
        f'<section class="pv-card pv-verdict pv-outcome" tabindex="-1">'
        f'<p role="status"><strong>{escape(found.sentence)}</strong></p>'
    )
    unsaid = [line for line in found.missing if line not in found.sentence]
    if unsaid:
        heading = album_words.ADAPT_NEEDED if found.version is None else album_words.ADAPT_MORE
        html += f"<h4>{escape(heading)}</h4>{_list(unsaid)}"
    return f"{html}</section>"


def needed(missing: Sequence[str]) -> str:
    """Give what is missing before adapting makes sense."""
    return (
        f'<section class="pv-card"><h4>{escape(album_words.ADAPT_NEEDED)}</h4>'
        f"{_list(missing)}</section>"
    )


def before_and_after(version: Version, mistakes: Sequence[tuple[dict[str, Any], str]]) -> str:
    """Give a version's figures: who was taken for whom before and after, and how much is told right.

    Parameters
    ----------
    version
        What was learned.
    mistakes
        Its worst mistakes, each with its picture as a data address.
    """
    about = version.about
    tables = "".join(
        confusion_table(about[key], when)
        for key, when in (
            ("confusion_before", album_words.BEFORE),
            ("confusion_after", album_words.AFTER),
        )
        if key in about
    )
    worst = ""
    if mistakes:
        items = "".join(_mistake(item, uri) for item, uri in mistakes)
        worst = (
            f"<h4>{escape(album_words.WORST)}</h4><p>{escape(album_words.WORST_SAYS)}</p>"
            f'<ul class="pv-tiles pv-worst">{items}</ul>'
        )
    return (
        f'<section class="pv-card"><h3>{escape(album_words.ADAPT_LAST)}: '
        f"{escape(_version_name(version))}</h3>{_figures(about)}"
        f'<p>{escape(album_words.MATRIX_SAYS)}</p><div class="pv-matrices">{tables}</div>'
        f"{worst}{caution()}</section>"
    )


def confusion_table(rows: Sequence[Sequence[int]], when: str) -> str:
    """Give a 4 x 4 table: rows what was labelled, columns what was said; darker where there are more."""
    heads = "".join(f'<th scope="col">{escape(GROUP_NAMES[group])}</th>' for group in GROUPS)
    body = ""
    for index, (group, row) in enumerate(zip(GROUPS, rows, strict=True)):
        total = sum(row)
        cells = "".join(
            f'<td class="{"pv-agree" if place == index else "pv-differ"}" '
            f'style="--share:{_ground(number, total)}">{number}</td>'
            for place, number in enumerate(row)
        )
        body += f'<tr><th scope="row">{escape(GROUP_NAMES[group])}</th>{cells}</tr>'
    caption = album_words.MATRIX_CAPTION.format(when=when)
    return (
        f'<div class="pv-matrix" role="region" tabindex="0" aria-label="{escape(caption)}"><table>'
        f"<caption><strong>{escape(when)}</strong></caption><thead><tr>"
        f'<th scope="col">{escape(album_words.YOUR_LABEL)} ↓ '
        f"{escape(album_words.NET_SAID)} →</th>{heads}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _ground(number: int, total: int) -> str:
    return f"{DARKEST * number / total:.2f}" if total else "0"


def _figures(about: dict[str, Any]) -> str:
    own, yardstick = about.get("own", {}), about.get("yardstick", {})
    heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in album_words.FIGURE_HEADS)
    change = _change(own)
    low, high = own.get("low"), own.get("high")
    if change and low is not None and high is not None and math.isfinite(low + high):
        change = album_words.BETWEEN.format(
            change=change, low=album_words.points(low), high=album_words.points(high)
        )
    elif change:
        change = album_words.CHANGE.format(change=change)
    rows = _figure_row(album_words.OWN_CROPS, own, change)
    of_yardstick = _change(yardstick)
    if of_yardstick:
        of_yardstick = album_words.CHANGE.format(change=of_yardstick)
    rows += _figure_row(album_words.YARDSTICK, yardstick, of_yardstick)
    return (
        f"<h4>{escape(album_words.FIGURES)}</h4><p>{escape(album_words.FIGURES_SAY)}</p>"
        f'<div class="pv-figures"><table><thead><tr>{heads}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _figure_row(name: str, figures: dict[str, Any], change: str) -> str:
    before, after = (_share(figures.get(key)) for key in ("before", "after"))
    return (
        f'<tr><th scope="row">{escape(name)}</th><td>{before}</td><td>{after}</td>'
        f"<td>{escape(change)}</td></tr>"
    )


def _share(value: float | None) -> str:
    if value is None or not math.isfinite(value):
        return escape(album_words.NOT_MEASURED)
    return f"{round(100 * value)} %"


def _change(figures: dict[str, Any]) -> str:
    before, after = figures.get("before"), figures.get("after")
    if before is None or after is None or not math.isfinite(before + after):
        return ""
    return album_words.points(after - before)


def _mistake(item: dict[str, Any], uri: str) -> str:
    line = album_words.WORST_LINE.format(
        label=SHOWN_LABELS[item["label"]],
        said=SHOWN_LABELS[item["said"]],
        share=words.per_cent(float(item["p"])),
    )
    number = int(item["crop"])
    alt = f"Picture {number}"
    return (
        f'<li>{picture(uri, alt, THUMB_PX)}<span class="pv-tile-words"><strong>{number}</strong> '
        f"{escape(line)}</span></li>"
    )


def versions(listed: Sequence[Version], *, said: str = "") -> str:
    """Give every version with the button that takes it into use, and the one back to the shipped net."""
    status = f'<p class="pv-said" role="status">{escape(said)}</p>' if said else ""
    if not listed:
        return f'<div class="pv-card">{status}<p>{escape(album_words.VERSIONS_NONE)}</p></div>'
    rows = "".join(_version_row(version) for version in listed)
    if any(version.is_trusted for version in listed):
        back = (
            '<button type="button" data-do="shipped" data-number="0" data-place="shipped">'
            f"{escape(album_words.USE_SHIPPED)}</button>"
        )
    else:
        back = f"<p>{escape(album_words.SHIPPED_USED)}</p>"
    return (
        f'<div class="pv-card">{status}<ul class="pv-rows">{rows}</ul>'
        f'<div class="pv-turn">{back}</div></div>'
    )


def _version_name(version: Version) -> str:
    return f"version {version.id}, {day_in_words(version.at)}"


def _version_row(version: Version) -> str:
    own = version.about.get("own", {})
    line = album_words.VERSION_LINE.format(
        number=version.id,
        day=day_in_words(version.at),
        before=_share(own.get("before")),
        after=_share(own.get("after")),
    )
    if version.is_trusted:
        state = f"<strong>{escape(album_words.VERSION_USED)}</strong>"
    elif version.is_better:
        state = (
            f'<button type="button" data-do="trust" data-number="{version.id}" '
            f'data-place="trust-{version.id}" '
            f'aria-label="{escape(album_words.USE_THIS)}: version {version.id}">'
            f"{escape(album_words.USE_THIS)}</button>"
        )
    else:
        state = f"<em>{escape(album_words.VERSION_WORSE)}</em>"
    return f'<li class="pv-row pv-action"><span>{escape(line)}</span>{state}</li>'


def _list(lines: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"
