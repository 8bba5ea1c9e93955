"""The datasheet of an album that is handed on: what is in it, how it came about, and what nobody wrote down.

Headings and order: Gebru et al. 2021, "Datasheets for Datasets", Communications of the ACM 64(12):86,
doi 10.1145/3458723. What the album does not know is said to be not recorded, and never guessed.
"""

from __future__ import annotations

import re
from collections import Counter
from itertools import combinations
from typing import TYPE_CHECKING, Final

from pestvision.collection.agreement import cohen_kappa, krippendorff_alpha
from pestvision.collection.records import DONT_KNOW, SHOWN_LABELS, group_of
from pestvision.organisms.caution import CAUTION
from pestvision.organisms.classes import FINE_CLASSES, FINE_NAMES, GROUP_OF_FINE, GROUPS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pestvision.collection.records import Label
    from pestvision.collection.snapshot import Snapshot

DATASHEET_NAME: Final = "DATASHEET.md"
NOT_RECORDED: Final = "Not recorded."
_MARKS: Final = re.compile(r"([\\`*_{}\[\]<>#|~&!])")


def write_datasheet(
    snapshot: Snapshot, *, title: str, made_at: str, who: str | None, layout: str
) -> str:
    """Give the datasheet as Markdown text.

    Parameters
    ----------
    snapshot
        What is handed on.
    title, made_at
        A line for the top; when it was made, ISO 8601.
    who
        Who hands it on, None where that was not said.
    layout
        `image-folder`, `coco` or `table`.
    """
    parts = [
        f"# {_plain(title)}\n\n{CAUTION}\n",
        _motivation(who),
        _composition(snapshot),
        _collection(snapshot),
        _labelling(snapshot),
        _uses(),
        _distribution(layout, made_at, who),
        (
            f"## Maintenance\n\n{NOT_RECORDED} A label keeps its key: a later export of the same album can be "
            "imported over this one, and adds only what is new.\n"
        ),
    ]
    return "\n".join(parts)


def _motivation(who: str | None) -> str:
    by = "" if who is None else f" It was handed on by {_plain(who)}."
    return (
        "## Motivation\n\nPhotos that a keeper of ornamental snails collected and labelled, so that a tool "
        "learns to tell leech-like, flatworm-like, harmless and not-an-organism things apart in tanks like "
        f"theirs.{by} Who paid for it, and any other purpose: not recorded.\n"
    )


def _composition(snapshot: Snapshot) -> str:
    labels = Counter(crop.label for crop in snapshot.crops)
    n_disputed = sum(crop.is_disputed for crop in snapshot.crops)
    lines = [
        (
            f"## Composition\n\n{len(snapshot.photos)} photos with {len(snapshot.crops)} crops. A crop is a "
            "box on a photo; the label is what all persons agree on.\n"
        ),
        "| group | class | crops |\n|---|---|---|",
    ]
    for group in GROUPS:
        inside = [item.name for item in FINE_CLASSES if item.group == group]
        n_all = labels[str(group)] + sum(labels[name] for name in inside)
        lines.append(f"| {SHOWN_LABELS[group]} | all | {n_all} |")
        counted = [(SHOWN_LABELS[name], labels[name]) for name in inside if labels[name]]
        counted += [("no class given", labels[str(group)])] * bool(labels[str(group)])
        lines += [f"| | {name} | {n} |" for name, n in counted]
    lines += [
        f"| I don't know | | {labels[DONT_KNOW]} |",
        f"| not labelled | | {labels[None] - n_disputed} |",
        f"| disputed | | {n_disputed} |",
        "",
        _counted("Tanks, by photos", (photo.tank for photo in snapshot.photos)),
        _counted("Sources, by photos", (photo.source for photo in snapshot.photos)),
        (
            f"{_look_alikes(snapshot)} No split into parts for learning and testing is given: crops of one "
            "tank belong on one side. Photos may show people or rooms by accident; whether they do is not "
            "recorded.\n"
        ),
    ]
    return "\n".join(lines)


def _look_alikes(snapshot: Snapshot) -> str:
    sizes = Counter(snapshot.alike.values())
    n_alike = sum(n for n in sizes.values() if n > 1)
    return (
        f"{n_alike} crops look like another one (column `alike`), so that there are {len(sizes)} "
        "that look different."
    )


def _collection(snapshot: Snapshot) -> str:
    taken = sorted(photo.taken for photo in snapshot.photos if photo.taken)
    dates = (
        f"The photos are of {taken[0][:10]} to {taken[-1][:10]}" if taken else "No photo has a date"
    )
    n_without = len(snapshot.photos) - len(taken)
    dates += f"; {n_without} have no date." if taken and n_without else "."
    cameras = _counted("Cameras, by photos", (photo.camera for photo in snapshot.photos))
    return (
        f"## Collection\n\n{_plain(dates)} {cameras}\n\nHow the photos and the boxes on them were chosen, "
        "the light, the lens and the distance: not recorded.\n"
    )


def _labelling(snapshot: Snapshot) -> str:
    every = [item for labels in snapshot.histories.values() for item in labels]
    persons = Counter(item.who for item in every if item.kind == "person")
    nets = Counter(item.model or item.who for item in every if item.kind == "net")
    n_withdrawn = sum(item.withdrawn_at is not None for item in every)
    n_settled = sum(item.settles for item in every)
    parts = [
        (
            "## Preprocessing and labelling\n\nEverything but the picture was taken out of every photo file: "
            "position, serial numbers, owner's name, previews. JPEG, PNG and WebP keep their pixels; other "
            "formats were written anew. Boxes are kept to a tenth of a pixel.\n"
        ),
        (
            f"There are {len(every)} labels, {n_withdrawn} of them taken back and {n_settled} given to settle "
            "a dispute; all of them are handed on.\n"
        ),
        _counted("Labels by person", persons.elements()),
        _counted("Labels by net", nets.elements()),
        (
            "A net's label is no label of a person and settles nothing. Whether a person saw another's or the "
            "net's label before giving their own, and what they know of these animals, is not recorded.\n"
        ),
        _agreement(snapshot),
    ]
    return "\n".join(parts)


def _agreement(snapshot: Snapshot) -> str:
    """Say how well persons agree on groups, pair by pair and all together."""
    said = {number: _last_words(labels) for number, labels in snapshot.histories.items()}
    persons = sorted({who for words in said.values() for who in words})
    ratings = {who: [words.get(who) for words in said.values()] for who in persons}
    lines = []
    for one, other in combinations(persons, 2):
        found = cohen_kappa(ratings[one], ratings[other])
        if not found.n_units:
            continue
        names = f"{_plain(one)} and {_plain(other)}"
        if found.kappa is None:
            lines.append(f"- {names}: {found.n_units} crops labelled by both; {found.reason}.")
            continue
        sure = "" if found.interval is None else " (95 %: {:.2f} to {:.2f})".format(*found.interval)
        lines.append(
            f"- {names}: {found.n_units} crops labelled by both, the same group for "
            f"{found.observed or 0:.0%}, kappa {found.kappa:.2f}{sure}."
        )
    if not lines:
        return "No crop was labelled by two persons, so that it is not known how well they agree.\n"
    whole = krippendorff_alpha([ratings[who] for who in persons])
    if whole.alpha is not None:
        lines.append(
            f"- All together: Krippendorff's alpha {whole.alpha:.2f} over {whole.n_units} crops."
        )
    head = "How well persons agree on the group, “I don't know” counted as one (Cohen's kappa):\n\n"
    return head + "\n".join(lines) + "\n"


def _last_words(labels: Sequence[Label]) -> dict[str, str]:
    """Give what each person says of a crop, by group: the last that they have not taken back."""
    return {
        item.who: str(group_of(item.label) or DONT_KNOW)
        for item in sorted(labels, key=lambda item: (item.at, item.key))
        if item.kind == "person" and item.withdrawn_at is None
    }


def _uses() -> str:
    classes = ", ".join(f"`{name}` ({GROUP_OF_FINE[name]})" for name in FINE_NAMES)
    return (
        "## Uses\n\nFor teaching and testing programs that tell small organisms in tanks apart. Labels were "
        "given from pictures: they are no diagnosis, and no animal was examined unless somebody wrote so. "
        f"Not for deciding on a treatment. Classes: {classes}.\n"
    )


def _distribution(layout: str, made_at: str, who: str | None) -> str:
    by = "" if who is None else f" by {_plain(who)}"
    return (
        f"## Distribution\n\nExported{by} on {made_at[:10]} in the layout `{layout}`. `photos.csv`, "
        "`crops.csv` and `labels.csv` are described by `datapackage.json`; check the files with "
        "`sha256sum -c SHA256SUMS`. Licence: not recorded; ask whoever gave it to you.\n"
    )


def _counted(what: str, values: Iterable[str | None]) -> str:
    counts = Counter(values)
    n_without = counts.pop(None, 0)
    named = [f"{_plain(str(name))} ({n})" for name, n in counts.most_common()]
    named += [f"not recorded ({n_without})"] * bool(n_without)
    return f"{what}: {', '.join(named) or 'none'}.\n"


def _plain(text: str) -> str:
    """Give a text of a person's as one line that Markdown shows as it is."""
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return _MARKS.sub(r"\\\1", line)
