"""From the text of a card's file to the card; every fault is told with the file's name.

A file is a front matter in TOML between two lines `+++`, then `## Steps` with numbered lines and `## Cautions`
with dashes. Nothing else is understood, so that nothing on a card can go unread.
"""

from __future__ import annotations

import re
import tomllib
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, NoReturn, TypeVar

from pestvision.errors import DataError
from pestvision.guidance.card import (
    NEEDS_SOURCE,
    Card,
    Certainty,
    Harm,
    Read,
    ShowsOn,
    Source,
    Standing,
)
from pestvision.organisms.classes import LABELS
from pestvision.tanks.records import Kind

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

FENCE: Final = "+++\n"
STEPS: Final = "Steps"
CAUTIONS: Final = "Cautions"
ITEM: Final = {STEPS: re.compile(r"\d+\. (\S.*)"), CAUTIONS: re.compile(r"- (\S.*)")}
LEAST_URGENT: Final = 9

_KEYS: Final[dict[str, type]] = {
    "id": str,
    "title": str,
    "urgency": int,
    "certainty": str,
    "grounds": str,
    "harms": list,
    "sources": list,
    "shows_on": dict,
}
_SHOWS_ON: Final[dict[str, frozenset[str]]] = {
    "labels": frozenset(LABELS),
    "notes": frozenset(Kind),
    "standings": frozenset(Standing),
}
_Name = TypeVar("_Name", bound=StrEnum)


def read_sources(text: str, *, where: str) -> dict[str, Source]:
    """Read the list of sources.

    Parameters
    ----------
    text
        TOML: a table for each source with `cite`, `read` and `tells`.
    where
        The file's name, for messages.

    Raises
    ------
    DataError
        If it is not TOML, or a source has too much, too little or an unknown word in it.
    """
    sources = {}
    for name, table in _toml(text, where).items():
        if not isinstance(table, dict) or set(table) != {"cite", "read", "tells"}:
            _refuse(where, f"the source '{name}' must hold cite, read and tells, and nothing else")
        if not all(isinstance(value, str) and value.strip() for value in table.values()):
            _refuse(where, f"the source '{name}' has an empty field")
        read = _one_of(Read, table["read"], where)
        sources[name] = Source(id=name, cite=table["cite"], read=read, tells=table["tells"])
    return sources


def read_card(text: str, *, name: str, sources: Mapping[str, Source]) -> Card:
    """Read one card.

    Parameters
    ----------
    text
        The file's text.
    name
        The file's name without its ending; the card must be called so.
    sources
        Every known source by name.

    Raises
    ------
    DataError
        With one sentence on the first fault.
    """
    where = f"{name}.md"
    head, body = _split(text, where)
    matter = _matter(head, where)
    if matter["id"] != name:
        _refuse(where, f"it calls itself '{matter['id']}'")
    steps, cautions = _items(body, where)
    card = Card(
        id=name,
        title=matter["title"],
        urgency=matter["urgency"],
        certainty=_one_of(Certainty, matter["certainty"], where),
        grounds=matter["grounds"],
        harms=frozenset(_one_of(Harm, harm, where) for harm in matter["harms"]),
        shows_on=_shows_on(matter["shows_on"], where),
        steps=steps,
        cautions=cautions,
        sources=tuple(_known_source(source, sources, where) for source in matter["sources"]),
    )
    if not card.sources and card.certainty in NEEDS_SOURCE:
        _refuse(where, f"it is called '{card.certainty}' and names no source")
    return card


def _split(text: str, where: str) -> tuple[str, str]:
    parts = text.split(FENCE)
    if len(parts) != 3 or parts[0]:
        _refuse(where, "its front matter does not stand between two lines '+++'")
    return parts[1], parts[2]


def _toml(text: str, where: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        _refuse(where, f"it is no TOML ({error})")


def _matter(head: str, where: str) -> dict[str, Any]:
    matter = _toml(head, where)
    if wrong := sorted(set(matter) ^ set(_KEYS)):
        _refuse(where, f"'{wrong[0]}' is missing from its front matter, or does not belong there")
    for key, kind in _KEYS.items():
        value = matter[key]
        if type(value) is not kind or (isinstance(value, str) and not value.strip()):
            _refuse(where, f"'{key}' is empty or of the wrong kind")
    if not 1 <= matter["urgency"] <= LEAST_URGENT:
        _refuse(where, f"its urgency is {matter['urgency']}, not 1 to {LEAST_URGENT}")
    return matter


def _shows_on(table: Mapping[str, Any], where: str) -> ShowsOn:
    for key, names in table.items():
        if key not in _SHOWS_ON or not isinstance(names, list):
            _refuse(where, f"'{key}' is no list of where a card may show")
        for name in names:
            if not isinstance(name, str) or name not in _SHOWS_ON[key]:
                _refuse(where, f"'{name}' is none of the {key}: {_listed(_SHOWS_ON[key])}")
    shows_on = ShowsOn(
        labels=frozenset(table.get("labels", ())),
        notes=frozenset(table.get("notes", ())),
        standings=frozenset(Standing(name) for name in table.get("standings", ())),
    )
    if shows_on == ShowsOn():
        _refuse(where, "it shows nowhere")
    return shows_on


def _items(body: str, where: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the steps and the cautions; any line that is neither is a fault."""
    found: dict[str, list[str]] = {}
    section = ""
    for line in body.splitlines():
        if not line.strip():
            continue
        if line.startswith("## "):
            section = line.removeprefix("## ").strip()
            if section not in ITEM or section in found:
                _refuse(where, f"its section '{section}' is unknown or stands there twice")
            found[section] = []
        elif section and (match := ITEM[section].fullmatch(line.rstrip())):
            found[section].append(match[1])
        else:
            _refuse(where, f"the line '{line[:40]}' is neither a step nor a caution")
    steps, cautions = found.get(STEPS, []), found.get(CAUTIONS, [])
    if not steps or not cautions:
        _refuse(where, "it has no steps or no cautions")
    return tuple(steps), tuple(cautions)


def _known_source(name: object, sources: Mapping[str, Source], where: str) -> Source:
    if not isinstance(name, str) or name not in sources:
        _refuse(where, f"its source '{name}' is not in the list of sources")
    return sources[name]


def _one_of(kind: type[_Name], name: object, where: str) -> _Name:
    if not isinstance(name, str) or name not in set(kind):
        _refuse(where, f"'{name}' is none of: {_listed(kind)}")
    return kind(name)


def _listed(names: Iterable[str]) -> str:
    return ", ".join(sorted(str(name) for name in names))


def _refuse(where: str, wrong: str) -> NoReturn:
    message = f"The card file {where} cannot be used: {wrong}."
    raise DataError(message, advice="Install the program again, or mend that file.")
