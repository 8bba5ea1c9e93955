"""Results as HTML: the verdict, a card for each finding, the night's summary.

Everything that comes from a file (names, times, reasons) is escaped here. Pictures are put into the
page itself, so that no crop is left in a served folder.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from pestvision.findings.size_summary import length_in_short, sizes_words, view_sizes
from pestvision.findings.words import CAUTION, HEAT_WORDS, LOOK_FOR
from pestvision.organisms.classes import CANT_TELL, FINE_CLASSES, GROUP_NAMES, GROUPS, Group
from pestvision.report.order import ANIMAL_LABELS, WORRY_ORDER, view_by_worry
from pestvision.report.pictures import HEAT_COLOURS, heat_picture, jpeg_uri
from pestvision.web import words
from pestvision.web.outlines import Outline, draw_outlines, reduced

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pestvision.arrays import F32, U8
    from pestvision.findings.finding import (
        Finding,
        Judgement,
        NightResult,
        PairResult,
        PhotoCheck,
        TrackResult,
        ViewResult,
    )
    from pestvision.photos.series import Skipped

CROP_QUALITY = 85  # JPEG quality of a 224 px crop: about 15 kB, no artefact seen at arm's length
PHOTO_QUALITY = 80
NIGHT_PHOTO_LONG_SIDE_PX = 1200
MAX_LISTED = 200  # lines of a list of pairs or files; the report holds them all
SIGNS = 2  # of each kind, while nothing has been judged: the way it moves, and its ends
SHOWN_FINE = {item.name: item.shown for item in FINE_CLASSES}


def waiting(sentence: str, *, with_signs: bool = False) -> str:
    """Give the card that stands where an answer will come, with the signs to look for or without."""
    signs = ""
    if with_signs:
        signs = f'<h3 class="pv-eye">{escape(words.MEANWHILE)}</h3>' + "".join(
            f"<h4>{escape(GROUP_NAMES[label].capitalize())}</h4>{_list(LOOK_FOR[label][:SIGNS])}"
            for label in (Group.LEECH_LIKE, Group.FLATWORM_LIKE)
        )
    return f'<div class="pv-card pv-waiting"><p>{escape(sentence)}</p>{signs}</div>'


def photo_answer(
    check: PhotoCheck,
    *,
    alone: bool = False,
    heats: Sequence[F32] | None = None,
    judged_with: str = "",
) -> str:
    """Give the whole answer for one photo: the verdict, then a card for each of several findings.

    A single finding is the verdict, so it is shown there and not twice.

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
    """
    drawn = [None] * len(check.findings) if heats is None else list(heats)
    heat = drawn[0] if drawn else None
    parts = [_verdict(check, alone=alone, heat=heat, judged_with=judged_with)]
    if check.findings and _only(check) is None:
        parts.append(f"<h3>{escape(words.FOUND)}</h3>")
        parts.append('<ol class="pv-findings">')
        parts += [
            _finding_card(finding, heat)
            for finding, heat in zip(check.findings, drawn, strict=True)
        ]
        parts.append("</ol>")
    notes = check.notes
    if check.taken is not None:
        notes = (f"Taken {readable_time(check.taken)}, by the camera’s clock.", *notes)
    if notes:
        parts.append(_folded(words.NOTES, _list(notes)))
    return "".join(parts)


def _only(check: PhotoCheck) -> Finding | None:
    """Give the finding that is the whole answer, None where there are several or none."""
    if len(check.findings) != 1 or check.findings[0].judgement.label != check.verdict.label:
        return None
    return check.findings[0]


def _own(judged_with: str) -> str:
    return f'<p class="pv-own">{escape(judged_with)}</p>' if judged_with else ""


def _verdict(check: PhotoCheck, *, alone: bool, heat: F32 | None, judged_with: str) -> str:
    judged = check.verdict
    opening = ""
    crop = ""
    only = _only(check)
    if only is not None:
        crop = (
            f'<p class="pv-only">{_crop(only.id, only.judgement.label, only.crop_rgb)}</p>'
            f'<p><span class="pv-number">{only.id}</span> '
            f"{escape(GROUP_NAMES[only.judgement.label])}</p>{_heat(only, heat)}"
        )
    if not check.findings and not alone:
        opening = f"<p>{escape(words.WHOLE_PHOTO)}</p>"
    name = f'<p class="pv-photo-name">{escape(check.photo)}</p>'
    return (
        f'<section class="pv-card pv-verdict pv-{judged.label}" tabindex="-1">'
        f"{name}<h3>{escape(words.VERDICTS[judged.label])}</h3>"
        f"{_confidence(judged)}{_own(judged_with)}{crop}{opening}"
        f"<h4>{escape(words.WHY)}</h4>{_list(judged.reasons)}"
        f"<h4>{escape(words.SETTLES)}</h4>{_list(judged.why.settled_by)}"
        f"<h4>{escape(words.LOOK_FOR_HEADING)}</h4>{_list(LOOK_FOR[judged.label])}"
        f"{_probabilities(judged)}{caution()}</section>"
    )


def _finding_card(finding: Finding, heat: F32 | None) -> str:
    judged = finding.judgement
    return (
        f'<li class="pv-card pv-finding pv-{judged.label}">'
        f'<div class="pv-side">{_crop(finding.id, judged.label, finding.crop_rgb)}'
        f"{_heat(finding, heat)}</div>"
        f'<div class="pv-main"><h4><span class="pv-number">{finding.id}</span> '
        f"{escape(GROUP_NAMES[judged.label])}</h4>{_confidence(judged)}"
        f"{_list(judged.reasons)}"
        f"{_folded(words.SETTLES, _list(judged.why.settled_by))}"
        f"{_folded(words.LOOK_FOR_HEADING, _list(LOOK_FOR[judged.label]))}"
        f"{_probabilities(judged)}</div>{caution()}</li>"
    )


def _heat(finding: Finding, heat: F32 | None) -> str:
    """Draw which places of the crop speak for the answer, with the legend; nothing without heat."""
    if heat is None:
        return ""
    taken_for = GROUP_NAMES[finding.judgement.likeliest]
    alt = f"Number {finding.id} in grey; yellow where it looks {taken_for}"
    ramp = f"background:linear-gradient(to right,{','.join(HEAT_COLOURS)})"
    picture = _picture(heat_picture(finding.crop_rgb, heat), alt, quality=CROP_QUALITY)
    return (
        f'<figure class="pv-heat">{picture}<figcaption><span class="pv-heat-key">'
        f"<span>{escape(HEAT_WORDS['little'])}</span>"
        f'<span class="pv-ramp" style="{ramp}" aria-hidden="true"></span>'
        f"<span>{escape(HEAT_WORDS['much'])}</span></span>"
        f"<span>{escape(HEAT_WORDS['says'])}</span></figcaption></figure>"
    )


def caution() -> str:
    """Give the caution that stands by every label."""
    return (
        f'<p class="pv-caution"><strong>{escape(words.CAUTION_HEADING)}:</strong> '
        f"{escape(CAUTION)}</p>"
    )


def _confidence(judged: Judgement) -> str:
    share = words.per_cent(judged.confidence)
    if judged.label == CANT_TELL:
        likeliest = GROUPS[max(range(len(GROUPS)), key=lambda index: judged.p_groups[index])]
        text = f"{words.NEAREST_CLASS} {GROUP_NAMES[likeliest]}: {share}, {words.NOT_ENOUGH}"
    else:
        text = f"{words.CONFIDENCE} {share}"
        if judged.label == Group.HARMLESS:
            text += f" · looks most like: {SHOWN_FINE[judged.fine]}"
    width = round(100 * judged.confidence)
    return (
        f'<p class="pv-confidence">{escape(text)}</p>'
        f'<div class="pv-bar" aria-hidden="true"><span style="width:{width}%"></span></div>'
    )


def _probabilities(judged: Judgement) -> str:
    rows = "".join(
        f'<tr><th scope="row">{escape(GROUP_NAMES[group])}</th>'
        f"<td>{escape(words.per_cent(share))}</td></tr>"
        for group, share in zip(GROUPS, judged.p_groups, strict=True)
    )
    return _folded(words.ALL_ANSWERS, f"<table><tbody>{rows}</tbody></table>")


def night_answer(result: NightResult, *, judged_with: str = "") -> str:
    """Give the whole answer for one night, and whose labels it was judged with."""
    views = sorted(result.views, key=view_by_worry)
    parts = [_night_verdict(result, judged_with), _summary(views)]
    parts += [_view(view) for view in views]
    if result.notes:
        parts.append(_folded(words.NOTES, _list(result.notes)))
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
        says = f"<p>{escape(words.NIGHT_QUIET_SAYS if seen else words.NIGHT_UNSEEN_SAYS)}</p>"
        kind = "quiet" if seen else CANT_TELL
    else:
        heading, kind = words.NIGHT_VERDICTS[label], label
        says = f"<h4>{escape(words.LOOK_FOR_HEADING)}</h4>{_list(LOOK_FOR[label])}"
    return (
        f'<section class="pv-card pv-verdict pv-{kind}" tabindex="-1">'
        f'<p class="pv-photo-name">{escape(result.folder)} · {escape(facts)}</p>'
        f"<h3>{escape(heading)}</h3>{_own(judged_with)}{says}{caution()}</section>"
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
        parts.append(_folded(words.VIEW_NOTES, _list(view.notes)))
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
        f'<figure class="pv-busiest">{_picture(drawn, alt, quality=PHOTO_QUALITY)}'
        f"<figcaption>{escape(words.BUSIEST)}: {escape(str(view.busiest))}</figcaption></figure>"
    )


def _label_group(label: str, tracks: Sequence[TrackResult]) -> str:
    of_label = [track for track in tracks if track.judgement.label == label]
    if not of_label:
        return ""
    cards = "".join(_track_card(track) for track in of_label)
    return (
        f'<section class="pv-card pv-group pv-{label}"><h5>{escape(GROUP_NAMES[label])}: '
        f"{words.count(len(of_label), 'animal followed', 'animals followed')}</h5>"
        f'<ul class="pv-crops">{cards}</ul>'
        f"{_folded(words.LOOK_FOR_HEADING, _list(LOOK_FOR[label]))}{caution()}</section>"
    )


def _track_card(track: TrackResult) -> str:
    judged = track.judgement
    label = GROUP_NAMES[judged.label]
    names = [name for name, _ in track.sightings]
    where = words.count(len(names), "photo", "photos")
    if names:
        where += f": {names[0]}" + (f" to {names[-1]}" if len(names) > 1 else "")
    size = ""
    if track.length is not None:
        size = f"<p>{escape(words.LONG.format(length=length_in_short(track.length)))}</p>"
    return (
        f"<li>{_crop(track.id, judged.label, track.crop_rgb, of='a photo')}"
        f'<p><span class="pv-number">{track.id}</span> <strong>{escape(label)}</strong></p>'
        f"{_confidence(judged)}<p>{escape(words.SEEN_ON)} {escape(where)}</p>{size}"
        f"{_folded(words.WHY, _list((*judged.reasons, *track.size_words, *judged.why.settled_by)))}</li>"
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
    return _folded(f"{words.MOVED_THINGS}: {len(things)}", _list(lines) + caution())


def _not_compared(failed: Sequence[PairResult]) -> str:
    lines = [f"{pair.first} and {pair.second}: {pair.reason}" for pair in failed]
    return _folded(f"{words.NOT_COMPARED}: {len(failed)}", _list(lines))


def _skipped(skipped: Sequence[Skipped]) -> str:
    lines = [f"{item.name}: {item.reason}" for item in skipped]
    return _folded(f"{words.SKIPPED}: {len(skipped)}", _list(lines))


def readable_time(iso: str) -> str:
    """Give ISO 8601 time as `2031-03-02 22:04:10`: no letter T, no fraction, no offset."""
    return iso[:19].replace("T", " ")


def _list(sentences: Iterable[str]) -> str:
    lines = list(sentences)
    if not lines:
        return ""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines[:MAX_LISTED])
    if len(lines) > MAX_LISTED:
        items += f"<li>… and {len(lines) - MAX_LISTED} more, in the report.</li>"
    return f"<ul>{items}</ul>"


def _folded(summary: str, inside: str) -> str:
    return f"<details><summary>{escape(summary)}</summary>{inside}</details>"


def _picture(rgb: U8, alt: str, *, quality: int) -> str:
    height, width = rgb.shape[:2]
    return (
        f'<img src="{jpeg_uri(rgb, quality=quality)}" alt="{escape(alt)}" '
        f'width="{width}" height="{height}">'
    )


def _crop(number: int, label: str, rgb: U8, *, of: str = "the photo") -> str:
    """Show the crop that was judged, under the number that the outline and the table have."""
    alt = f"Number {number}, cut out of {of}: {GROUP_NAMES[label]}"
    return _picture(rgb, alt, quality=CROP_QUALITY)
