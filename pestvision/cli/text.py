"""Results in plain words: records in, lines of text out. Nothing is printed here."""

from __future__ import annotations

import shutil
import textwrap
import unicodedata
from typing import TYPE_CHECKING

from pestvision.findings.words import CAUTION, CUES_HEADING, LOOK_FOR
from pestvision.organisms.classes import CANT_TELL, FINE_CLASSES, GROUP_NAMES, GROUPS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import (
        Finding,
        Judgement,
        NightResult,
        PhotoCheck,
        TrackResult,
        ViewResult,
    )

MAX_LINE = 100
"""Characters a line: longer ones are hard to read (common practice, no source)."""

GO_ON = "To go on where it stopped, run the same command again with --resume."
"""Said of a night's scan that was stopped, on the terminal and in its report."""

SHOWN_FINE = {item.name: item.shown for item in FINE_CLASSES}


def printable(text: str) -> str:
    r"""Write out every character that would steer a terminal instead of being read.

    File names may hold line breaks, escape codes and marks that turn the reading direction. They come
    back as `\x1b`-like text; letters, spaces and signs of every script stay.
    """
    return "".join(
        char if char.isprintable() or unicodedata.category(char) == "Zs" else _spelled(char)
        for char in text
    )


def percent(probability: float) -> str:
    """Give a probability in whole per cent, never "0 %" or "100 %" for what is not certain."""
    if 0.0 < probability < 0.01:
        return "under 1 %"
    if 0.99 < probability < 1.0:
        return "over 99 %"
    return f"{probability * 100:.0f} %"


def box_text(box_xyxy_px: BoxXyxy) -> str:
    """Give a box the way `--box` takes it: left, top, right, bottom in pixels."""
    return ",".join(f"{value:.0f}" for value in box_xyxy_px)


def judgement_text(judgement: Judgement) -> str:
    """Give label and confidence in a few words."""
    if judgement.label == CANT_TELL:
        likeliest = max(zip(judgement.p_groups, GROUPS, strict=True))[1]
        return (
            f"{GROUP_NAMES[CANT_TELL]} (likeliest: {GROUP_NAMES[likeliest]}, "
            f"{percent(judgement.confidence)})"
        )
    return f"{GROUP_NAMES[judgement.label]}, {percent(judgement.confidence)} sure"


def check_text(check: PhotoCheck) -> str:
    """Give the block of text for one checked photo; the caution comes after the last block."""
    taken = f", taken {check.taken}" if check.taken else ""
    lines = [
        *wrapped(f"{check.photo} ({check.width} × {check.height} pixels{taken})"),
        *wrapped(f"Verdict: {judgement_text(check.verdict)}", indent=2),
        *listed(f"{CUES_HEADING}:", (cue.sentence() for cue in check.verdict.cues)),
        *listed("Why:", check.verdict.reasons),
        *listed("What would settle it:", check.verdict.why.settled_by),
    ]
    if check.findings:
        lines += wrapped(
            f"Found: {len(check.findings)} (boxes are left, top, right, bottom in pixels)", indent=2
        )
        for finding in check.findings:
            lines += _finding_lines(finding, with_reasons=finding.judgement != check.verdict)
    else:
        lines += wrapped("Found: nothing that stands out; the whole photo was judged.", indent=2)
    lines += listed("Look for by eye:", LOOK_FOR[check.verdict.label])
    lines += listed("About the photo:", check.notes)
    return "\n".join(lines) + "\n"


def night_text(night: NightResult) -> str:
    """Give the summary of a scanned folder; the caution comes after it."""
    lines = wrapped(f"{night.folder}: {counted(night.n_photos, 'photo')} used")
    lines += listed("About the folder:", night.notes)
    for view in night.views:
        lines += ["", *_view_lines(view)]
    label = most_worrying(night)
    if label is not None:
        lines += ["", *listed("Look for by eye:", LOOK_FOR[label])]
    return "\n".join(lines) + "\n"


def most_worrying(night: NightResult) -> str | None:
    """Give the most worrying label of a night, None where nothing was labelled."""
    from pestvision.report.order import WORRY_ORDER

    labels = {track.judgement.label for view in night.views for track in view.tracks}
    labels |= {view.still.verdict.label for view in night.views if view.still is not None}
    return next((label for label in WORRY_ORDER if label in labels), None)


def caution_text() -> str:
    """Give the caution, wrapped."""
    return "\n".join(wrapped(CAUTION))


def _finding_lines(finding: Finding, *, with_reasons: bool) -> list[str]:
    judged = finding.judgement
    lines = wrapped(
        f"{finding.id}. {judgement_text(judged)}; box {box_text(finding.box_xyxy_px)}; "
        f"looks most like: {SHOWN_FINE[judged.fine]}",
        indent=4,
    )
    for words in finding.size_words:
        lines += wrapped(f"- {words}", indent=7)
    if with_reasons:
        for sentence in (*(cue.sentence() for cue in judged.cues), *judged.reasons):
            lines += wrapped(f"- {sentence}", indent=7)
    return lines


def _view_lines(view: ViewResult) -> list[str]:
    from pestvision.findings.size_summary import sizes_words, view_sizes
    from pestvision.report.order import WORRY_ORDER, by_worry

    times = [time for time in view.taken if time]
    span = f", {times[0]} to {times[-1]}" if len(times) > 1 else ""
    lines = wrapped(f"View {view.view}: {counted(len(view.photos), 'photo')}{span}")
    if view.pairs:
        n_aligned = sum(pair.aligned for pair in view.pairs)
        lines += wrapped(f"Compared: {n_aligned} of {counted(len(view.pairs), 'pair')}", indent=2)
        lines += listed(
            "Could not be compared:",
            (f"{p.first} and {p.second}: {p.reason}" for p in view.pairs if not p.aligned),
        )
    if view.still is not None:
        lines += wrapped(f"The photo by itself: {judgement_text(view.still.verdict)}", indent=2)
    elif view.tracks:
        lines += wrapped(f"Moved: {len(view.tracks)}", indent=2)
        for track in sorted(view.tracks, key=lambda item: by_worry(item.judgement)):
            lines += wrapped(_track_text(track), indent=4)
            for cue in track.judgement.cues:
                lines += wrapped(f"- {cue.sentence()}", indent=7)
    else:
        lines += wrapped("Moved: no animal was seen to move", indent=2)
    at_once = [
        f"{GROUP_NAMES[label]} {view.seen_at_once_max[label]}"
        for label in WORRY_ORDER
        if view.seen_at_once_max.get(label)
    ]
    if at_once:
        lines += wrapped(
            f"Most seen on one photo (there may be more): {', '.join(at_once)}", indent=2
        )
    for sizes in view_sizes(view):
        lines += wrapped(sizes_words(sizes), indent=2)
    return lines + listed("Notes:", view.notes)


def _track_text(track: TrackResult) -> str:
    first, last = track.sightings[0][0], track.sightings[-1][0]
    where = f"on {first}" if first == last else f"from {first} to {last}"
    return (
        f"{track.id}. {judgement_text(track.judgement)}; "
        f"seen on {counted(len(track.sightings), 'photo')}, {where}{_size_text(track)}"
    )


def _size_text(track: TrackResult) -> str:
    from pestvision.findings.size_summary import length_in_short

    if track.length is None:
        return f"; {track.size_words[0]}" if track.size_words else ""
    return f"; about {length_in_short(track.length)} long"


def counted(n: int, noun: str) -> str:
    """Give a number with its noun."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def listed(title: str, sentences: Iterable[str]) -> list[str]:
    """Give a title and sentences under it, nothing where there are none."""
    items = [line for text in sentences for line in wrapped(f"- {text}", indent=4)]
    return [f"  {title}", *items] if items else []


def folded(line: str) -> str:
    """Break a long line at blanks, what follows as far from the edge as the line itself or a little more."""
    bare = line.lstrip(" ")
    return "\n".join(wrapped(bare, indent=len(line) - len(bare)))


def wrapped(text: str, indent: int = 0) -> list[str]:
    """Break a text into lines."""
    hang = 2 if indent >= 4 else 0
    return textwrap.wrap(
        printable(text),
        width=max(40, min(MAX_LINE, shutil.get_terminal_size((MAX_LINE, 24)).columns)),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + hang),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _spelled(char: str) -> str:
    return char.encode("unicode_escape", errors="surrogatepass").decode("ascii")
