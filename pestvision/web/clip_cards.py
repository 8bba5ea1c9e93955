"""The answer for a clip as HTML: the verdict, where the animals went, and a card for each of them."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np

from pestvision.findings.evidence import GAIT_WORDS
from pestvision.findings.words import LOOK_FOR
from pestvision.motion.trail import GAITS
from pestvision.organisms.classes import GROUP_NAMES
from pestvision.report.trail_figures import Tracked, length_curve, track_picture
from pestvision.size.measure import length_words
from pestvision.web import size_words, words
from pestvision.web.parts import (
    caution,
    confidence,
    crop_picture,
    cues_of,
    folded,
    listed,
    own_net,
    picture,
    probabilities,
    scale_said,
    size_of,
)

if TYPE_CHECKING:
    from pestvision.findings.clip_result import ClipAnimal, ClipCheck
    from pestvision.motion.trail import GaitReading
    from pestvision.size.records import Scale

PICTURE_QUALITY = 80


def clip_answer(
    found: ClipCheck, *, alone: bool = False, judged_with: str = "", scale: Scale | None = None
) -> str:
    """Give the whole answer for one clip.

    Parameters
    ----------
    found
        What was found.
    alone
        Whether the person marked the place that was judged.
    judged_with
        Whose labels it was judged with, as a sentence; empty for the net as it came.
    scale
        What lengths were taken from; None without any.
    """
    parts = [_verdict(found, alone=alone, judged_with=judged_with)]
    if found.animals:
        parts.append(_tracks(found))
        parts.append(f'<h3>{escape(words.FOUND)}</h3><ol class="pv-findings">')
        parts += [_animal_card(animal, scale) for animal in found.animals]
        parts.append("</ol>")
    parts.append(scale_said(scale))
    if found.notes:
        parts.append(folded(size_words.CLIP_NOTES, listed(found.notes)))
    return "".join(parts)


def _verdict(found: ClipCheck, *, alone: bool, judged_with: str) -> str:
    judged = found.verdict
    facts = size_words.clip_facts(found.seconds, found.n_frames, len(found.times_s))
    opening = ""
    if not found.animals and not alone:
        opening = f"<p>{escape(size_words.WHOLE_CLIP)}</p>"
    return (
        f'<section class="pv-card pv-verdict pv-{judged.label}" tabindex="-1">'
        f'<p class="pv-photo-name">{escape(found.clip)} · {escape(facts)}</p>'
        f"<h3>{escape(size_words.CLIP_VERDICTS[judged.label])}</h3>"
        f"{confidence(judged)}{own_net(judged_with)}{opening}{cues_of(judged)}"
        f"<h4>{escape(words.WHY)}</h4>{listed(judged.reasons)}"
        f"<h4>{escape(words.SETTLES)}</h4>{listed(judged.why.settled_by)}"
        f"<h4>{escape(words.LOOK_FOR_HEADING)}</h4>{listed(LOOK_FOR[judged.label])}"
        f"{probabilities(judged)}{caution()}</section>"
    )


def _tracks(found: ClipCheck) -> str:
    """Show the first frame with the track of every animal on it."""
    tracked = [Tracked(item.track, item.judgement.label, item.trail) for item in found.animals]
    drawn = track_picture(found.picture_rgb, tracked, scale=found.picture_scale)
    named = "; ".join(item.caption() for item in tracked)
    alt = f"{size_words.TRACKS}: {named or size_words.NO_TRACKS}"
    return (
        f'<h3>{escape(size_words.TRACKS)}</h3><figure class="pv-busiest">'
        f"{picture(drawn, alt, quality=PICTURE_QUALITY)}"
        f"<figcaption>{escape(size_words.TRACKS_SAY)}</figcaption></figure>"
    )


def _animal_card(animal: ClipAnimal, scale: Scale | None) -> str:
    judged = animal.judgement
    crop = crop_picture(animal.track, judged.label, animal.crop_rgb, of=size_words.ON_THE_CLIP)
    return (
        f'<li class="pv-card pv-finding pv-{judged.label}">'
        f'<div class="pv-side">{crop}</div>'
        f'<div class="pv-main"><h4><span class="pv-number">{animal.track}</span> '
        f"{escape(GROUP_NAMES[judged.label])}</h4>{confidence(judged)}{cues_of(judged)}"
        f"{_moved(animal)}{_size(animal, scale)}"
        f"{folded(words.WHY, listed((*judged.reasons, *judged.why.settled_by)))}"
        f"{folded(words.LOOK_FOR_HEADING, listed(LOOK_FOR[judged.label]))}"
        f"{probabilities(judged)}</div>{_curve(animal)}{caution()}</li>"
    )


def _moved(animal: ClipAnimal) -> str:
    """Say how it moved, or why that cannot be told."""
    gait = animal.gait
    says = size_words.GAIT_UNKNOWN
    if gait.gait is not None:
        says = f"{GAIT_WORDS[gait.gait].capitalize()}."
    seen = size_words.FOLLOWED.format(
        seconds=f"{animal.trail.duration_s:.1f}", start=f"{animal.first_seen_s:.1f}"
    )
    sentences = [*gait.reasons, *_pace(animal), seen]
    return (
        f"<h5>{escape(size_words.HOW_IT_MOVED)}</h5><p>{escape(says)}</p>{listed(sentences)}"
        f"{_gaits(gait)}"
    )


def _pace(animal: ClipAnimal) -> list[str]:
    """Say how fast it went: in millimetres with a scale, else in its own lengths."""
    if animal.speed_mm_s is not None:
        return [size_words.SPEED_MM.format(speed=f"{animal.speed_mm_s:.2g}")]
    length = float(np.nanmedian(animal.trail.lengths_px))
    if animal.gait.speed_px_s is None or not length > 0:
        return []
    return [size_words.SPEED_LENGTHS.format(speed=f"{animal.gait.speed_px_s / length:.2g}")]


def _gaits(gait: GaitReading) -> str:
    """Give how likely each way of moving is, folded; nothing where none is known from any other."""
    if gait.gait is None:
        return ""
    rows = "".join(
        f'<tr><th scope="row">{escape(GAIT_WORDS[name])}</th>'
        f"<td>{escape(words.per_cent(share))}</td></tr>"
        for name, share in zip(GAITS, gait.p_gaits, strict=True)
    )
    return folded(size_words.GAIT_LIKELY, f"<table><tbody>{rows}</tbody></table>")


def _size(animal: ClipAnimal, scale: Scale | None) -> str:
    """Say how long it is, or why that is not known."""
    if animal.length is not None:
        return size_of((length_words(animal.length), *animal.length.notes), scale)
    return size_of((animal.length_note or size_words.NO_SCALE_CLIP,))


def _curve(animal: ClipAnimal) -> str:
    """Draw the length over time across the card, what it shows in words beneath."""
    drawn = length_curve(animal.trail, animal.gait, mm_per_px=animal.mm_per_px, number=animal.track)
    if not drawn:
        return ""
    return f'<div class="pv-curve"><h5>{escape(size_words.CURVE)}</h5>{drawn}</div>'
