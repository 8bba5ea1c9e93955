"""What the album's commands print: records in, lines of text out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pestvision.cli.text import box_text, percent, printable
from pestvision.collection.records import SHOWN_LABELS
from pestvision.organisms.classes import GROUP_NAMES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pestvision.collection.adapt import Version
    from pestvision.collection.exchange import Imported
    from pestvision.collection.records import Action, Added, Counts, Crop, Label
    from pestvision.collection.review import Suggestion


def counts_text(counts: Counts, missing: Sequence[str]) -> str:
    """Say how far the labelling is, and whether it is enough to learn from."""
    told = [f"{n} {GROUP_NAMES[group]}" for group, n in counts.groups.items()]
    rest = [
        f"{n} {words}"
        for n, words in (
            (counts.n_dont_know, "that nobody could tell"),
            (counts.n_disputed, "on which people disagree"),
            (counts.n_unlabelled, "without a label"),
        )
        if n
    ]
    enough = f"still needed: {' and '.join(missing)}" if missing else "enough to adapt"
    return f"The album holds {', '.join(told)}{''.join(f', {item}' for item in rest)}; {enough}."


def added_text(added: Added) -> str:
    """Say what was added, and how to undo it."""
    n = len(added.crops)
    known = f"; {_counted(added.n_known, 'crop')} already there" if added.n_known else ""
    labels = f" with {_counted(added.n_labels, 'label')}" if added.n_labels else ""
    line = f"Added {_counted(n, 'crop')}{labels}{known}."
    if n:
        numbers = ", ".join(str(number) for number in added.crops[:12])
        line += f" Numbers: {numbers}{', …' if n > 12 else ''}."
    if added.action is not None:
        line += f" To undo: pestvision album undo {added.action}"
    return line


def imported_lines(done: Imported) -> Iterator[str]:
    """Say what an import did, and what a person should look at."""
    line = f"Added {_counted(len(done.crops), 'crop')} and {_counted(done.n_labels, 'label')}"
    line += f"; {_counted(done.n_known, 'crop')} already there." if done.n_known else "."
    if done.action is not None:
        line += f" To undo: pestvision album undo {done.action}"
    yield line
    for name, count in done.unmatched.items():
        yield f"“{name}” is no label of ours: {_counted(count, 'crop')} added without one."
    for conflict in done.conflicts:
        said = ", ".join(
            f"{who} says {SHOWN_LABELS.get(label, label)}" for who, label in conflict.said
        )
        yield f"People disagree on crop {conflict.crop} of {conflict.photo_name}: {said}."
    for overlap in done.overlaps:
        yield (
            f"Crops {overlap.crops[0]} and {overlap.crops[1]} of {overlap.photo_name} may be of one thing, "
            f"and are labelled {overlap.labels[0]} and {overlap.labels[1]}."
        )
    if done.conflicts:
        yield "Settle one with: pestvision album label LABEL NUMBER --settle"


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def crop_text(crop: Crop) -> str:
    """Give a crop in one line."""
    label = "disputed" if crop.is_disputed else SHOWN_LABELS.get(crop.label or "", "no label")
    about = [item for item in (crop.tank, crop.taken) if item]
    return printable(
        f"{crop.id:>6}  {label}  {crop.photo_name} at {box_text(crop.box_xyxy_px)}"
        + (f"  ({', '.join(about)})" if about else "")
    )


def suggestion_text(item: Suggestion) -> str:
    """Give a crop to label next, with the reason."""
    guess = ""
    if item.likely is not None:
        guess = f" The net says {GROUP_NAMES[item.likely]}, {percent(item.p_likely)}."
    return f"{crop_text(item.crop)}\n        {item.words}{guess}"


def history_text(labels: Sequence[Label]) -> str:
    """Give the labels of a crop, one a line."""
    return "\n".join(
        printable(
            f"        {item.at[:19].replace('T', ' ')}  {item.who}: {SHOWN_LABELS.get(item.label, item.label)}"
            + ("" if item.confidence is None else f", {percent(item.confidence)}")
            + (" (settles it)" if item.settles else "")
            + (f" (taken back {item.withdrawn_at[:10]})" if item.withdrawn_at else "")
        )
        for item in labels
    )


def action_text(item: Action) -> str:
    """Give an import or a deletion in one line."""
    state = f", undone {item.undone_at[:10]}" if item.undone_at else ""
    n = f"{item.n_crops} crop{'' if item.n_crops == 1 else 's'}"
    return printable(
        f"{item.id:>6}  {item.at[:16].replace('T', ' ')}  {item.kind} of {n} by {item.who}{state}"
        + (f"  ({item.note})" if item.note else "")
    )


def version_text(item: Version) -> str:
    """Give a version in one line."""
    own = item.about["own"]
    state = "in use" if item.is_trusted else ("kept" if item.is_better else "no better, not used")
    n = sum(item.about["n"].values())
    return (
        f"{item.id:>6}  {item.at[:16].replace('T', ' ')}  {state}: {n} labels, "
        f"of the own crops {own['before']:.0%} right before and {own['after']:.0%} after"
    )


def crop_json(crop: Crop, **more: Any) -> dict[str, Any]:
    """Give a crop as an object for other programs."""
    return {
        "crop": crop.id,
        "key": crop.key,
        "photo": crop.photo_name,
        "sha256": crop.sha256,
        "box_xyxy_px": list(crop.box_xyxy_px),
        "label": crop.label,
        "group": None if crop.group is None else str(crop.group),
        "disputed": crop.is_disputed,
        "tank": crop.tank,
        "taken": crop.taken,
        "camera": crop.camera,
        "source": crop.source,
        **more,
    }
