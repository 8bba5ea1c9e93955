"""Figures as Markdown tables, the same ones for `figures.md` and for the model card."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pestvision.organisms.calibrate import wilson_interval
from pestvision.organisms.classes import CANT_TELL, GROUPS
from training.breakdown import TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    Figures = Mapping[str, Any]

SHARE_HEAD = "crops | sources | right | share | 95 % (Wilson) |"


def share_table(name: str, rows: Figures, *, sources: bool = True) -> str:
    """Give shares right by a key."""
    head = SHARE_HEAD if sources else SHARE_HEAD.replace("sources | ", "")
    lines = [f"| {name} | {head}", "|---" * (head.count("|") + 1) + "|"]
    for key, row in rows.items():
        low, high = row["wilson_95"]
        photographers = f"| {row['n_sources']} " if sources else ""
        lines.append(
            f"| {key} | {row['n']} {photographers}| {row['right']} "
            f"| {share(row['right'], row['n'])} | {low:.2f} to {high:.2f} |"
        )
    return "\n".join(lines)


def headline_table(figures: Figures) -> str:
    """Give the figures out of fold that bars stand for, one a line."""
    leech, told, sets = figures["leech"], figures.get("told"), figures["sets"]
    at = leech["at_look_again"]
    squares, stress = figures["ground_squares"], figures["stress_flatworms"]
    rows = [
        ("balanced accuracy, four groups", f"{figures['balanced_accuracy']:.3f}"),
        ("leech-like: area under the ROC", f"{figures['leech-like_auc']:.3f}"),
        ("flatworm-like: area under the ROC", f"{figures['flatworm-like_auc']:.3f}"),
        (
            "leech-like found where 5 % of the harmless and the nothing there are called so",
            f"{leech['at_5_percent_false']['found']:.3f}",
        ),
        (
            (
                f"leech-like not ruled out (shipped threshold {at['threshold']:.2f}): of leeches; of harmless "
                "and nothing there; of flatworms"
            ),
            f"{decimal(at['found'])}; {decimal(at['false'])}; {decimal(at['false_flatworms'])}",
        ),
        ("expected calibration error, 15 bins", f"{figures['calibration_error']:.3f}"),
        (
            f"prediction sets (α = {sets['alpha']}): hold the truth; hold one group only; wrong among those",
            f"{sets['covered']:.3f}; {sets['answered']:.3f}; {sets['error_when_answered']:.3f}",
        ),
    ]
    if told:
        wrong, n = told["leeches_called_something_else"]
        rows += [
            (
                "*can't tell* in use: crops answered; wrong among those",
                f"{told['answered']:.3f}; {told['wrong_of_answered']:.3f}",
            ),
            ("leeches called something else outright", f"{wrong} of {n}"),
        ]
    rows += [
        (
            (
                f"squares without leech or flatworm ({squares['n']}): called leech-like; not ruled out; called "
                "flatworm-like"
            ),
            (
                f"{squares['called_leech_like']}; {leech['ground_squares_over_look_again'][0]}; "
                f"{squares['called_flatworm_like']}"
            ),
        ),
        (
            f"marine and land flatworms ({stress['n']}), never learned from: called flatworm-like",
            str(stress["right"]),
        ),
    ]
    return "\n".join(["| what | measured |", "|---|---|", *(f"| {a} | {b} |" for a, b in rows)])


def confusion_table(figures: Figures) -> str:
    """Give how many crops of each group are called what."""
    names = [str(group) for group in GROUPS]
    lines = ["| shows \\ called | " + " | ".join(names) + " |", "|---" * (len(names) + 1) + "|"]
    for name, row in zip(names, figures["confusion"], strict=True):
        lines.append(f"| {name} | " + " | ".join(str(n) for n in row) + " |")
    return "\n".join(lines)


def breakdown_tables(figures: Figures) -> str:
    """Give the shares right by kind, setting, length, sharpness, licence, and the stress set."""
    tables = [share_table(title, figures["by"][name]) for name, title in TABLES.items()]
    if figures["stress"]:
        tables.append(share_table("stress set", figures["stress"]))
    return "\n\n".join(tables)


def size_table(sizes: Figures) -> str:
    """Give the curves of length, photographs first."""
    lines = [
        (
            "| | animal's length | crops, leeches | balanced accuracy | leech-like: area under the ROC "
            "| called leech-like | called so or not ruled out | calibration error |"
        ),
        "|---" * 8 + "|",
    ]
    for name, rows in sizes["curves"].items():
        lines += [
            f"| {name} | {row['length_px']} px | {row['n']}, {row['n_leech']} "
            f"| {row['balanced_accuracy']:.3f} | {row['leech_auc']:.3f} | {row['leech_called']:.3f} "
            f"| {row['leech_found']:.3f} | {row['calibration_error']:.3f} |"
            for row in rows
        ]
    return "\n".join(lines)


def size_sentence(sizes: Figures) -> str:
    """Say which length the tool takes as its least, and why."""
    least = f"{sizes['min_length_px']:g} pixels"
    if sizes["is_measured"]:
        return (
            f"Below {least} the tool says *can't tell*: it is the shortest length at which, and at every "
            "longer one, leech-like has an area under the ROC of 0.9 on photographs and on drawings."
        )
    return (
        f"Below {least} the tool says *can't tell*. No length measured kept an area under the ROC of 0.9 "
        "for leech-like on photographs and on drawings, so this is our own reckoning and no measurement."
    )


def drawn_tables(drawn: Figures) -> str:
    """Give the figures on held-out drawings."""
    coverage, card = drawn["coverage"], drawn["covered_by_the_card"]
    low, high = coverage["expected"]
    rows = [
        ("group right", told(drawn["all"])),
        ("expected calibration error, 15 bins", f"{drawn['calibration_error']:.3f}"),
        (
            (
                f"sets calibrated on {coverage['n_calibrated']} of them (α = {coverage['alpha']}): hold the truth "
                f"of the other {coverage['n_covered_of']}, mean of {coverage['n_splits']} splits (5 to 95 %)"
            ),
            f"{coverage['mean']:.3f} ({coverage['low']:.3f} to {coverage['high']:.3f})",
        ),
        (
            f"of the splits, within the {low:.3f} to {high:.3f} that the Beta distribution gives for 90 %",
            f"{coverage['inside']:.2f}",
        ),
        ("sets made with the card's threshold: hold the truth", told(card)),
    ]
    lines = ["| what | measured |", "|---|---|", *(f"| {a} | {b} |" for a, b in rows)]
    by_class = share_table("drawn", drawn["class"], sources=False)
    return "\n".join(lines) + "\n\n" + by_class


def shortcut_tables(shortcuts: Figures) -> str:
    """Give what other grounds and other styles do."""
    lines = [
        "| crops | n, photographers | called leech-like | called so or not ruled out | right |",
        "|---" * 5 + "|",
    ]
    lines += [
        f"| {name} | {row['n']}, {row['n_sources']} | {row['leech']:.3f} | {row['not_out']:.3f} "
        f"| {row['right']:.3f} |"
        for name, row in shortcuts["grounds"].items()
    ]
    styles = [str(name) for name in next(iter(shortcuts["styles"].values()))]
    lines += ["", "| area under the ROC | " + " | ".join(styles) + " |"]
    lines.append("|---" * (len(styles) + 1) + "|")
    for group, row in shortcuts["styles"].items():
        lines.append(f"| {group} | " + " | ".join(f"{row[name]:.3f}" for name in styles) + " |")
    return "\n".join(lines)


def photo_table(figures: Figures) -> str:
    """Give the verdicts on whole photos and backgrounds."""
    names = [*map(str, GROUPS), CANT_TELL]
    lines = [
        "| photo shows | n | " + " | ".join(names) + " | right | right or can't tell (95 %) |",
        "|---" * (len(names) + 4) + "|",
    ]
    for group, counts in figures["photos"]["verdicts"].items():
        n = sum(counts.values())
        right, safe = counts.get(group, 0), counts.get(group, 0) + counts.get(CANT_TELL, 0)
        low, high = wilson_interval(safe, n)
        row = " | ".join(str(counts.get(name, 0)) for name in names)
        lines.append(
            f"| {group} | {n} | {row} | {share(right, n)} "
            f"| {share(safe, n)} ({low:.2f} to {high:.2f}) |"
        )
    counts = figures["backgrounds"]
    row = " | ".join(str(counts.get(name, 0)) for name in names)
    lines.append(f"| backgrounds | {sum(counts.values())} | {row} | | |")
    return "\n".join(lines)


def proposal_table(figures: Figures) -> str:
    """Give the recall of proposals by the animal's share of the photo."""
    lines = ["| animal's share of the photo | boxed | met by a proposal |", "|---|---|---|"]
    rows = sorted(figures["photos"]["proposals"].items(), key=lambda row: int(row[0].split("%")[0]))
    for key, (found, total) in rows:
        low, high = wilson_interval(found, total)
        lines.append(f"| {key} | {total} | {share(found, total)} ({low:.2f} to {high:.2f}) |")
    return "\n".join(lines)


def series_table(series: Figures) -> str:
    """Give what the real series gave."""
    lines = ["| series | pairs | aligned | moved | tracks by label |", "|---|---|---|---|---|"]
    for name, row in series.items():
        tracks = ", ".join(f"{n} {label}" for label, n in sorted(row["tracks"].items())) or "none"
        lines.append(f"| {name} | {row['pairs']} | {row['aligned']} | {row['moved']} | {tracks} |")
    return "\n".join(lines)


def all_tables(figures: Figures) -> str:
    """Give every table that there are figures for."""
    parts: list[str] = []
    if "crops" in figures:
        crops = figures["crops"]
        parts += [headline_table(crops), share_table("true group", crops["groups"])]
        parts += [confusion_table(crops), breakdown_tables(crops)]
    if "sizes" in figures:
        parts += [size_table(figures["sizes"]), size_sentence(figures["sizes"])]
    if "drawn" in figures:
        parts.append(drawn_tables(figures["drawn"]))
    if "shortcuts" in figures:
        parts.append(shortcut_tables(figures["shortcuts"]))
    if "photos" in figures:
        parts += [photo_table(figures), proposal_table(figures)]
    if "series" in figures:
        parts.append(series_table(figures["series"]))
    return "\n\n".join(parts) + "\n"


def share(n_right: int, n: int) -> str:
    """Give a share with two decimals, or a dash where nothing was counted."""
    return f"{n_right / n:.2f}" if n else "–"


def told(row: Figures) -> str:
    """Give a share with its interval and n."""
    low, high = row["wilson_95"]
    return f"{row['right'] / row['n']:.3f} ({low:.3f} to {high:.3f}, n {row['n']})"


def decimal(value: float | None) -> str:
    """Give three decimals, or a dash for what was not measured."""
    return "–" if value is None else f"{value:.3f}"


def data_table(parts: Figures) -> str:
    """Give what was learned from, by group and licence."""
    licences = ["open", "unstated", "drawn"]
    lines = [
        "| learned from | group | " + " | ".join(licences) + " |",
        "|---" * (len(licences) + 2) + "|",
    ]
    for name, part in parts.items():
        for group, counts in part["crops_by_group_and_licence"].items():
            cells = " | ".join(str(counts.get(licence, 0)) for licence in licences)
            lines.append(f"| {name} | {group} | {cells} |")
    return "\n".join(lines)
