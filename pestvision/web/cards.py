"""Results as HTML: the answer for a photo, and for a night with its summary and its views.

Everything that comes from a file (names, times, reasons) is escaped here. Pictures are put into the
page itself, so that no crop is left in a served folder.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from pestvision.findings.size_summary import length_in_short, sizes_words, view_sizes
from pestvision.findings.words import HEAT_WORDS, LOOK_FOR
from pestvision.organisms.classes import CANT_TELL, GROUP_NAMES, Group
from pestvision.report.order import ANIMAL_LABELS, WORRY_ORDER, by_worry, view_by_worry
from pestvision.report.pictures import HEAT_COLOURS, heat_picture
from pestvision.web import words
from pestvision.web.answer_cards import OneAnimal, at_a_glance, further_cards, verdict_card
from pestvision.web.outlines import Outline, draw_outlines, reduced
from pestvision.web.parts import (
    CROP_QUALITY,
    brief_caution,
    caution,
    confidence,
    crop_picture,
    cues_of,
    folded,
    listed,
    own_net,
    picture,
    readable_time,
    scale_said,
    size_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32
    from pestvision.findings.finding import (
        Finding,
        NightResult,
        PairResult,
        PhotoCheck,
        TrackResult,
        ViewResult,
    )
    from pestvision.photos.series import Skipped
    from pestvision.size.records import Scale

PHOTO_QUALITY = 80
NIGHT_PHOTO_LONG_SIDE_PX = 1200
SIGNS = 2  # of each kind, while nothing has been judged: the way it moves, and its ends


def waiting(sentence: str, *, with_signs: bool = False) -> str:
    """Give the card that stands where an answer will come, with the signs to look for or without."""
    signs = ""
    if with_signs:
        signs = f'<h3 class="pv-eye">{escape(words.MEANWHILE)}</h3>' + "".join(
            f"<h4>{escape(GROUP_NAMES[label].capitalize())}</h4>{listed(LOOK_FOR[label][:SIGNS])}"
            for label in (Group.LEECH_LIKE, Group.FLATWORM_LIKE)
        )
    return f'<div class="pv-card pv-waiting"><p>{escape(sentence)}</p>{signs}</div>'


def photo_answer(
    check: PhotoCheck,
    *,
    alone: bool = False,
    heats: Sequence[F32] | None = None,
    judged_with: str = "",
    scale: Scale | None = None,
) -> str:
    """Give the whole answer for one photo: the verdict, which is of the first finding, then the others.

    Parameters
    ----------
    check
        What was found.
    alone
        Whether the person marked the place that was judged: then nothing is said of the whole photo.
    heats
        Which places of each finding's crop speak for it, to be drawn; None draws none.
    judged_with
        Whose labels it was judged with, as a sentence; empty for the net as it came.
    scale
        What lengths were taken from; None without any.
    """
    drawn = [None] * len(check.findings) if heats is None else list(heats)
    shown = [
        OneAnimal(
            finding.id,
            finding.judgement,
            finding.crop_rgb,
            beside=size_of(finding.size_words, scale),
            beneath=_heat(finding, heat),
        )
        for finding, heat in zip(check.findings, drawn, strict=True)
    ]
    verdict = verdict_card(
        check.verdict,
        shown[0] if shown else None,
        source=check.photo,
        heading=words.VERDICTS[check.verdict.label],
        opening="" if shown or alone else words.WHOLE_PHOTO,
        judged_with=judged_with,
    )
    parts = [verdict, further_cards(words.FURTHER, "", shown[1:]), scale_said(scale)]
    notes = tuple(note for note in check.notes if scale is None or note not in scale.notes)
    if check.taken is not None:
        notes = (f"Taken {readable_time(check.taken)}, by the camera’s clock.", *notes)
    if notes:
        parts.append(folded(words.NOTES, listed(notes)))
    return "".join(parts)


def _heat(finding: Finding, heat: F32 | None) -> str:
    """Draw which places of the crop speak for the answer, with the legend; nothing without heat."""
    if heat is None:
        return ""
    taken_for = GROUP_NAMES[finding.judgement.likeliest]
    alt = f"Number {finding.id} in grey; yellow where it looks {taken_for}"
    ramp = f"background:linear-gradient(to right,{','.join(HEAT_COLOURS)})"
    drawn = picture(heat_picture(finding.crop_rgb, heat), alt, quality=CROP_QUALITY)
    return (
        f'<figure class="pv-heat">{drawn}<figcaption><span class="pv-heat-key">'
        f"<span>{escape(HEAT_WORDS['little'])}</span>"
        f'<span class="pv-ramp" style="{ramp}" aria-hidden="true"></span>'
        f"<span>{escape(HEAT_WORDS['much'])}</span></span>"
        f"<span>{escape(HEAT_WORDS['says'])}</span></figcaption></figure>"
    )


def night_answer(result: NightResult, *, judged_with: str = "") -> str:
    """Give the whole answer for one night, and whose labels it was judged with."""
    views = sorted(result.views, key=view_by_worry)
    parts = [_night_verdict(result, judged_with), _summary(views)]
    parts += [_view(view) for view in views]
    if result.notes:
        parts.append(folded(words.NOTES, listed(result.notes)))
    if result.skipped:
        parts.append(_skipped(result.skipped))
    return "".join(parts)


def night_label(result: NightResult) -> str | None:
    """Give the most worrying label of a night, or None where no animal was seen.

    Tracks count, and the findings of a view that has a single photo.
    """
    labels = {track.judgement.label for view in result.views for track in view.tracks}
    for view in result.views:
        if view.still is not None:
            labels |= {finding.judgement.label for finding in view.still.findings}
    return next((label for label in ANIMAL_LABELS if label in labels), None)


def could_compare(result: NightResult) -> bool:
    """Tell whether at least one pair of photos could be compared, or a single photo was checked."""
    return any(
        view.still is not None or any(pair.aligned for pair in view.pairs) for view in result.views
    )


def _night_verdict(result: NightResult, judged_with: str) -> str:
    label = night_label(result)
    facts = (
        f"{words.count(result.n_photos, 'photo', 'photos')} in "
        f"{words.count(len(result.views), 'view', 'views')}"
    )
    if label is None:
        seen = could_compare(result)
        heading = words.NIGHT_QUIET if seen else words.NIGHT_UNSEEN
        quiet = words.NIGHT_QUIET_SAYS if seen else words.NIGHT_UNSEEN_SAYS
        says = f"<p>{escape(quiet)}</p>{caution()}"
        kind = "quiet" if seen else CANT_TELL
    else:
        heading, kind = words.NIGHT_VERDICTS[label], label
        look_for = f"<h4>{escape(words.LOOK_FOR_HEADING)}</h4>{listed(LOOK_FOR[label])}"
        says = f"{_worst(result, label)}{caution()}{look_for}"
    return (
        f'<section class="pv-card pv-verdict pv-{kind}" tabindex="-1">'
        f'<p class="pv-photo-name">{escape(result.folder)} · {escape(facts)}</p>'
        f"<h3>{escape(heading)}</h3>{own_net(judged_with)}{says}</section>"
    )


def _worst(result: NightResult, label: str) -> str:
    """Show the animal that the night's verdict is of; nothing where only a single photo was checked."""
    followed = [
        (track, view.view)
        for view in result.views
        for track in view.tracks
        if track.judgement.label == label
    ]
    if not followed:
        return ""
    track, view = min(followed, key=lambda item: by_worry(item[0].judgement))
    where = f"<p>{escape(words.VIEW)}: {escape(view)}</p>"
    return at_a_glance(
        OneAnimal(track.id, track.judgement, track.crop_rgb, of="a photo", beside=where)
    )


def _summary(views: Sequence[ViewResult]) -> str:
    rows = "".join(
        f'<tr><th scope="row">{escape(view.view)}</th><td>{len(view.photos)}</td>'
        f"<td>{_compared(view)}</td><td>{escape(_at_once(view))}</td></tr>"
        for view in views
    )
    heads = "".join(
        f'<th scope="col">{escape(head)}</th>'
        for head in (words.VIEW, words.PHOTOS, words.COMPARED, words.AT_ONCE)
    )
    return (
        f'<h3>{escape(words.SUMMARY)}</h3><div class="pv-table" role="region" tabindex="0" '
        f'aria-label="{escape(words.SUMMARY)}"><table><thead><tr>{heads}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div><p>{escape(words.AT_ONCE_SAYS)}</p>"
    )


def _compared(view: ViewResult) -> str:
    if not view.pairs:
        return "–"
    return f"{sum(pair.aligned for pair in view.pairs)} of {len(view.pairs)}"


def _at_once(view: ViewResult) -> str:
    seen = [
        f"{view.seen_at_once_max[label]} {GROUP_NAMES[label]}"
        for label in ANIMAL_LABELS
        if view.seen_at_once_max.get(label, 0) > 0
    ]
    return ", ".join(seen) or words.NONE_SEEN


def _view(view: ViewResult) -> str:
    parts = [
        f'<section class="pv-view"><h3>{escape(words.VIEW)}: {escape(view.view)}</h3>',
        _when(view),
        *(f"<p>{escape(sizes_words(sizes))}</p>" for sizes in view_sizes(view)),
    ]
    if view.busiest is not None and view.busiest_rgb is not None:
        parts.append(_busiest(view))
    if view.tracks:
        parts.append(f"<h4>{escape(words.ANIMALS)}</h4>")
        parts += [_label_group(label, view.tracks) for label in WORRY_ORDER]
    if view.still is not None:
        parts.append(photo_answer(view.still))
    parts.append(_moved_things(view))
    failed = [pair for pair in view.pairs if not pair.aligned]
    if failed:
        parts.append(_not_compared(failed))
    if view.notes:
        parts.append(folded(words.VIEW_NOTES, listed(view.notes)))
    if view.skipped:
        parts.append(_skipped(view.skipped))
    parts.append("</section>")
    return "".join(parts)


def _when(view: ViewResult) -> str:
    times = [time for time in view.taken if time is not None]
    facts = words.count(len(view.photos), "photo", "photos")
    if times:
        facts += f", from {readable_time(times[0])} to {readable_time(times[-1])}"
    return f"<p>{escape(facts)}</p>"


def _busiest(view: ViewResult) -> str:
    if view.busiest_rgb is None:
        return ""
    outlines = [
        Outline(track.id, box, track.judgement.label)
        for track in view.tracks
        for name, box in track.sightings
        if name == view.busiest
    ]
    small = reduced(view.busiest_rgb, NIGHT_PHOTO_LONG_SIDE_PX)
    scale = view.busiest_scale * small.shape[1] / view.busiest_rgb.shape[1]
    drawn = draw_outlines(small, outlines, scale=scale)
    named = "; ".join(outline.caption() for outline in outlines)
    alt = f"{words.BUSIEST}: {view.busiest}. Outlined: {named or words.NONE_SEEN}"
    return (
        f'<figure class="pv-busiest">{picture(drawn, alt, quality=PHOTO_QUALITY)}'
        f"<figcaption>{escape(words.BUSIEST)}: {escape(str(view.busiest))}</figcaption></figure>"
    )


def _label_group(label: str, tracks: Sequence[TrackResult]) -> str:
    of_label = [track for track in tracks if track.judgement.label == label]
    if not of_label:
        return ""
    cards = "".join(_track_card(track) for track in of_label)
    return (
        f'<section class="pv-card pv-group pv-{label}"><h5>{escape(GROUP_NAMES[label])}: '
        f"{words.count(len(of_label), 'animal followed', 'animals followed')}</h5>{brief_caution()}"
        f'<ul class="pv-crops">{cards}</ul>'
        f"{folded(words.LOOK_FOR_HEADING, listed(LOOK_FOR[label]))}</section>"
    )


def _track_card(track: TrackResult) -> str:
    judged = track.judgement
    label = GROUP_NAMES[judged.label]
    names = [name for name, _ in track.sightings]
    where = words.count(len(names), "photo", "photos")
    if names:
        where += f": {names[0]}" + (f" to {names[-1]}" if len(names) > 1 else "")
    why = (*judged.reasons, *track.size_words, *judged.why.settled_by)
    size = ""
    if track.length is not None:
        size = f"<p>{escape(words.LONG.format(length=length_in_short(track.length)))}</p>"
    return (
        f"<li>{crop_picture(track.id, judged.label, track.crop_rgb, of='a photo')}"
        f'<p><span class="pv-number">{track.id}</span> <strong>{escape(label)}</strong></p>'
        f"{confidence(judged)}<p>{escape(words.SEEN_ON)} {escape(where)}</p>{size}"
        f"{folded(words.WHY, cues_of(judged) + listed(why))}</li>"
    )


def _moved_things(view: ViewResult) -> str:
    followed = {track.id for track in view.tracks}
    things = [
        (pair, moved) for pair in view.pairs for moved in pair.moved if moved.track not in followed
    ]
    if not things:
        return ""
    lines = [
        f"{GROUP_NAMES[moved.judgement.label]}, "
        f"{words.per_cent(moved.judgement.confidence)}: {pair.first} to {pair.second}"
        for pair, moved in things
    ]
    return folded(f"{words.MOVED_THINGS}: {len(things)}", brief_caution() + listed(lines))


def _not_compared(failed: Sequence[PairResult]) -> str:
    lines = [f"{pair.first} and {pair.second}: {pair.reason}" for pair in failed]
    return folded(f"{words.NOT_COMPARED}: {len(failed)}", listed(lines))


def _skipped(skipped: Sequence[Skipped]) -> str:
    lines = [f"{item.name}: {item.reason}" for item in skipped]
    return folded(f"{words.SKIPPED}: {len(skipped)}", listed(lines))
