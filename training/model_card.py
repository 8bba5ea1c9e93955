"""The model card for people: prose written by hand, figures laid in from the card that the tool reads.

Whatever was measured stands between two comments, `<!-- measured: NAME -->` and `<!-- end: NAME -->`, and
is rewritten from `models/*.json`, so that the two cannot say different things. Headings after Mitchell et
al. 2019, "Model cards for model reporting", FAT*, arXiv 1810.03993.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from pestvision.organisms.weights import CARD_NAME
from training.tables import (
    breakdown_tables,
    confusion_table,
    data_table,
    drawn_tables,
    headline_table,
    photo_table,
    proposal_table,
    series_table,
    share_table,
    shortcut_tables,
    size_sentence,
    size_table,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

TEXT_NAME = CARD_NAME.replace(".json", ".md")
SHEET_NAME = CARD_NAME.replace(".json", "-failures.png")
MARKED = re.compile(r"(<!-- measured: (\S+) -->\n).*?(<!-- end: \2 -->)", re.DOTALL)
NOT_YET = "*Not measured for these weights: run `python -m training.evaluate`.*"
PARTS = ("sizes", "drawn", "shortcuts", "photos", "backgrounds", "series")
"""Parts of the evaluation that stand beside the figures of the crops in the card."""


def details(card: Mapping[str, Any]) -> str:
    """Say what the model is."""
    weights = card["weights"]
    return "\n".join(
        [
            (
                f"- **Name and version** {card['name']} {card['version']}, made {card['made']} from commit "
                f"`{card['commit'][:12]}`."
            ),
            (
                f"- **Net** {card['architecture']}, shown as four groups; input "
                f"{card['input']['size_px']} × {card['input']['size_px']} pixels."
            ),
            (
                f"- **Weights** `{weights['file']}`, {weights['bytes'] / 1e6:.1f} MB, {weights['precision']}, "
                f"SHA-256 `{weights['sha256'][:16]}…`."
            ),
            f"- **Licence** {card['licence']}.",
            (
                f"- **Confidence** temperature {card['use']['temperature']:g}; a group stays possible from a "
                f"probability of {1 - card['use']['set_threshold']:.3f} on; leech-like is not ruled out from "
                f"{card['use']['leech_look_again']:.2f} on."
            ),
        ]
    )


def for_the_keeper(card: Mapping[str, Any]) -> str:
    """Say the few figures that a keeper needs, in plain words."""
    figures = card["figures"]
    if "leech" not in figures:
        return NOT_YET
    leech, group = figures["leech"]["at_look_again"], figures["groups"]["leech-like"]
    lines = [
        (
            f"- Of {group['n']} photographed leeches, by photographers it had not learned from, it called "
            f"{group['right']} leech-like."
        ),
        (
            f"- It keeps a leech possible, called so or not ruled out, for {percent(leech['found'])} of them, and for "
            f"{percent(leech['false'])} of harmless animals and of things that are none."
        ),
    ]
    if "told" in figures:
        told = figures["told"]
        wrong, n = told["leeches_called_something_else"]
        lines.append(
            f"- It answers {percent(told['answered'])} of close crops, and {percent(told['wrong_of_answered'])} of those "
            f"answers are wrong; the rest is *can't tell*. Of {n} leeches it called {wrong} something else "
            "outright."
        )
    lines.append(
        f"- It tells nothing below {card['use']['min_length_px']:g} pixels of length: take the photo from closer."
    )
    return "\n".join(lines)


def percent(share: float | None) -> str:
    """Give a share as whole percent, or say that nothing was there to count."""
    return "an unknown share" if share is None else f"{100 * share:.0f} %"


def by_part(name: str, render: Callable[[Any], str]) -> Callable[[Mapping[str, Any]], str]:
    """Render one part of the figures, or say that it has not been measured."""

    def rendered(card: Mapping[str, Any]) -> str:
        figures = card["figures"]
        return render(figures[name]) if name in figures else NOT_YET

    return rendered


def crops(card: Mapping[str, Any]) -> str:
    """Give the figures out of fold."""
    figures = card["figures"]
    if "leech" not in figures:
        return NOT_YET
    return "\n\n".join(
        [
            headline_table(figures),
            share_table("true group", figures["groups"]),
            confusion_table(figures),
            breakdown_tables(figures),
        ]
    )


def whole_photos(card: Mapping[str, Any]) -> str:
    """Give the verdicts on whole photos, and how many animals are met by a proposal."""
    figures = card["figures"]
    if "photos" not in figures or "backgrounds" not in figures:
        return NOT_YET
    return f"{photo_table(figures)}\n\n{proposal_table(figures)}"


def limits(card: Mapping[str, Any]) -> str:
    """List what it has never seen, and what is weak."""
    return "\n".join(f"- {line}" for line in card["limits"])


SECTIONS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "details": details,
    "keeper": for_the_keeper,
    "data": lambda card: data_table(card["training"]["data"]),
    "crops": crops,
    "sizes": by_part("sizes", lambda sizes: f"{size_table(sizes)}\n\n{size_sentence(sizes)}"),
    "drawn": by_part("drawn", drawn_tables),
    "shortcuts": by_part("shortcuts", shortcut_tables),
    "photos": whole_photos,
    "series": by_part("series", series_table),
    "limits": limits,
}
"""What stands between the marks, by name."""


def rewritten(text: str, card: Mapping[str, Any]) -> str:
    """Lay the card's figures between the marks of a text.

    Raises
    ------
    ValueError
        If a mark is missing or names no section: a figure would then stand there for ever.
    """
    marked = [match[1] for match in MARKED.findall(text)]
    if sorted(marked) != sorted(SECTIONS):
        message = f"the marks {sorted(marked)} are not those of the sections {sorted(SECTIONS)}"
        raise ValueError(message)
    return MARKED.sub(lambda found: f"{found[1]}\n{SECTIONS[found[2]](card)}\n\n{found[3]}", text)


def lay_in(folder: Path, figures: Mapping[str, Any]) -> None:
    """Write an evaluation's figures into both cards of a folder.

    Parts that were not measured this time stay as they are; `use.min_length_px` is what the sizes gave.
    """
    path = folder / CARD_NAME
    card = json.loads(path.read_text(encoding="utf-8"))
    kept = {name: card["figures"][name] for name in PARTS if name in card["figures"]}
    if "crops" in figures:
        card["figures"] = figures["crops"] | kept
    card["figures"] |= {name: figures[name] for name in PARTS if name in figures}
    if "sizes" in figures:
        card["use"]["min_length_px"] = figures["sizes"]["min_length_px"]
    text = json.dumps(card, indent=1, ensure_ascii=False) + "\n"
    path.write_text(text, encoding="utf-8")
    words = folder / TEXT_NAME
    if words.is_file():
        words.write_text(rewritten(words.read_text(encoding="utf-8"), card), encoding="utf-8")
