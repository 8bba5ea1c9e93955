"""The answer for a clip as HTML: the verdict, where the animals went, and a line for each further one."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np

from pestvision.findings.evidence import GAIT_WORDS
from pestvision.findings.size_summary import length_in_short
from pestvision.motion.trail import GAITS
from pestvision.report.track_picture import Tracked, close_up, track_picture, window_of
from pestvision.report.trail_figures import length_curve
from pestvision.size.measure import length_words
from pestvision.web import size_words, words
from pestvision.web.answer_cards import OneAnimal, further_cards, verdict_card
from pestvision.web.parts import folded, listed, picture, scale_said

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.findings.clip_result import ClipAnimal, ClipCheck
    from pestvision.motion.trail import GaitReading
    from pestvision.report.plates import Box
    from pestvision.size.records import Scale

PICTURE_QUALITY = 80
MUCH_LARGER = 1.5  # so much larger an animal's own picture must show it, to be there; own choice


def clip_answer(
    found: ClipCheck, *, alone: bool = False, judged_with: str = "", scale: Scale | None = None
) -> str:
    """Give the whole answer for one clip: what is most worrying stands open, the rest is folded.

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
    pieces, notes = _pieces_apart(found)
    shown = [_one_animal(animal, found, scale) for animal in found.animals]
    opening = "" if shown or alone else size_words.WHOLE_CLIP
    verdict = verdict_card(
        found.verdict,
        shown[0] if shown else None,
        source=f"{found.clip} · {size_words.clip_seconds(found.seconds)}",
        heading=size_words.CLIP_VERDICTS[found.verdict.label],
        opening=opening,
        judged_with=judged_with,
    )
    facts = size_words.clip_facts(found.n_frames, len(found.times_s))
    return "".join(
        (
            verdict,
            _ways(found) if shown else "",
            further_cards(size_words.FURTHER, pieces, shown[1:]),
            scale_said(scale),
            folded(size_words.CLIP_NOTES, listed([facts, *notes])),
        )
    )


def _pieces_apart(found: ClipCheck) -> tuple[str, list[str]]:
    """Take the note that one animal may be told in pieces out of the notes: it is said where they stand."""
    from pestvision.findings.clip import (
        IN_PIECES,  # loads the readers of clips, as a check has done
    )

    others = [note for note in found.notes if note != IN_PIECES]
    return IN_PIECES if len(others) < len(found.notes) else "", others


def _ways(found: ClipCheck) -> str:
    """Show where the animals went: close up, where that shows more than the whole frame."""
    tracked = [_tracked(animal) for animal in found.animals]
    return f"<h3>{escape(size_words.TRACKS)}</h3>{_way_figure(found, tracked, _window(found, tracked))}"


def _way_figure(found: ClipCheck, tracked: Sequence[Tracked], window: Box | None) -> str:
    named = "; ".join(item.caption() for item in tracked)
    scale = found.picture_scale
    if window is None:
        drawn = track_picture(found.picture_rgb, tracked, scale=scale)
        title, says = size_words.TRACKS, size_words.TRACKS_SAY
    else:
        drawn = close_up(found.picture_rgb, tracked, scale=scale, window=window)
        title, says = size_words.TRACKS_CLOSE, size_words.TRACKS_CLOSE_SAY
    return (
        f'<figure class="pv-busiest">{picture(drawn, f"{title}: {named}", quality=PICTURE_QUALITY)}'
        f"<figcaption>{escape(says)}</figcaption></figure>"
    )


def _tracked(animal: ClipAnimal) -> Tracked:
    return Tracked(animal.track, animal.judgement.label, animal.trail)


def _window(found: ClipCheck, tracked: Sequence[Tracked]) -> Box | None:
    return window_of(tracked, found.picture_rgb, scale=found.picture_scale)


def _own_way(animal: ClipAnimal, found: ClipCheck) -> str:
    """Show where it went by itself, where the picture of all of them shows it much smaller."""
    own = _window(found, [_tracked(animal)])
    if own is None:
        return ""
    shared = _window(found, [_tracked(item) for item in found.animals])
    width = found.width if shared is None else shared[2] - shared[0]
    if (own[2] - own[0]) * MUCH_LARGER > width:
        return ""
    return _way_figure(found, [_tracked(animal)], own)


def _one_animal(animal: ClipAnimal, found: ClipCheck, scale: Scale | None) -> OneAnimal:
    return OneAnimal(
        animal.track,
        animal.judgement,
        animal.crop_rgb,
        of=size_words.ON_THE_CLIP,
        inside=f"{_moved(animal, found)}{_size(animal, scale)}",
    )


def _moved(animal: ClipAnimal, found: ClipCheck) -> str:
    """Say how it moved, or that this cannot be told; why, its way and its length over time are folded."""
    gait = animal.gait
    says = size_words.GAIT_UNKNOWN
    if gait.gait is not None:
        says = f"{size_words.HOW_IT_MOVED}: {GAIT_WORDS[gait.gait]}"
    seen = size_words.FOLLOWED.format(
        seconds=f"{animal.trail.duration_s:.1f}", start=f"{animal.first_seen_s:.1f}"
    )
    sentences = [*gait.reasons, *_pace(animal), seen]
    return folded(
        says, f"{listed(sentences)}{_own_way(animal, found)}{_curve(animal)}{_gaits(gait)}"
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
    """Give how likely each way of moving is; nothing where none is known from any other."""
    if gait.gait is None:
        return ""
    rows = "".join(
        f'<tr><th scope="row">{escape(GAIT_WORDS[name])}</th>'
        f"<td>{escape(words.per_cent(share))}</td></tr>"
        for name, share in zip(GAITS, gait.p_gaits, strict=True)
    )
    caption = f'<caption class="pv-small-head">{escape(size_words.GAIT_LIKELY)}</caption>'
    return f'<table class="pv-shares">{caption}<tbody>{rows}</tbody></table>'


def _size(animal: ClipAnimal, scale: Scale | None) -> str:
    """Say how long it is, or that this is not known; what that rests on is folded."""
    if animal.length is None:
        note = animal.length_note or size_words.NO_SCALE_CLIP
        return folded(size_words.SIZE_UNKNOWN, f"<p>{escape(note)}</p>")
    rests_on = [note for note in animal.length.notes if scale is None or note not in scale.notes]
    short = f"{size_words.SIZE}: {length_in_short(animal.length)}"
    return folded(short, listed([length_words(animal.length), *rests_on]))


def _curve(animal: ClipAnimal) -> str:
    """Draw the length over time across the card, what it shows in words beneath."""
    drawn = length_curve(animal.trail, animal.gait, mm_per_px=animal.mm_per_px, number=animal.track)
    if not drawn:
        return ""
    return f'<div class="pv-curve"><p class="pv-small-head">{escape(size_words.CURVE)}</p>{drawn}</div>'
