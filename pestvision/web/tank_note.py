"""From the fields of a form to a note, and from a note to the fields of a form. Knows no component."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pestvision.errors import LogError
from pestvision.tanks.moments import moment_of
from pestvision.tanks.records import Kind, Means, Note, Pest, fields_of
from pestvision.tanks.size_rules import SIZES
from pestvision.tanks.tables import millimetres_of, minutes_of, whole_of, word_of
from pestvision.web import tank_words

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

Typed = dict[str, Any]
"""What stands in the fields of a form, by name; None, an empty text or False where nothing does."""

NAMES: Final = (
    "tank", "kind", "pest", "seen", "taken", "means", "minutes", "brooding", "smallest_mm", "largest_mm",
    "hatchlings", "count", "stage", "cargo", "what", "source", "other", "at", "batch", "animals", "remark",
)  # fmt: skip
"""The fields of the form, in the order in which its handlers take them. `animals` is the count of a look: how
many of a quarantine batch were looked at; it stands beside the batch."""
SIZE_FIELDS: Final = (*SIZES, "hatchlings")
"""The fields that stand in a fold-out of their own: most looks say nothing of sizes."""
EMPTY: Final[Typed] = {
    **dict.fromkeys(NAMES),
    "kind": Kind.LOOKED,
    "pest": Pest.LEECH,
    "means": Means.EYE,
    **dict.fromkeys(
        (
            "seen",
            "taken",
            "minutes",
            *SIZE_FIELDS,
            "count",
            "what",
            "source",
            "at",
            "batch",
            "animals",
            "remark",
        ),
        "",
    ),
    "brooding": False,
}
"""A form in which nothing has been typed yet."""
_WORDS: Final = ("pest", "means", "stage", "cargo")
_WHOLE: Final = ("seen", "taken", "count", "hatchlings")
_TEXTS: Final = ("what", "source", "batch", "remark")


def shown_fields(kind: str) -> dict[str, str | None]:
    """Give what each field is called for a kind of note; None where it does not go with it.

    Raises
    ------
    LogError
        If there is no such kind.
    """
    which = Kind(word_of("kind", kind))
    own = fields_of(which)
    if which is Kind.LOOKED:
        own = (own - {"count"}) | {"animals"}
    return {
        name: tank_words.FIELDS_OF_KIND.get((which, name), tank_words.FIELDS[name])
        if name in own
        else None
        for name in NAMES
        if name not in {"tank", "kind", "at", "batch", "remark"}
    }


def note_of(typed: Mapping[str, Any], *, now: datetime) -> Note:
    """Make a note of what stands in the form; fields that do not go with its kind are left out.

    Parameters
    ----------
    typed
        The fields by name.
    now
        The time now; the note's own where no other is given.

    Raises
    ------
    LogError
        If no tank was chosen, or a field cannot be read.
    """
    kind = Kind(word_of("kind", str(typed.get("kind") or "")))
    values: Typed = {}
    for name in (*sorted(fields_of(kind) - {"judge"}), "batch", "remark"):
        typed_as = "animals" if kind is Kind.LOOKED and name == "count" else name
        values[name] = _read(name, typed.get(typed_as), called=typed_as)
    if kind is Kind.MOVED and values["other"] is None:
        raise LogError(tank_words.NO_OTHER, advice=tank_words.NO_OTHER_ADVICE)
    values["brooding"] = bool(values.get("brooding"))
    return Note(_tank(typed), _moment(typed, now=now), kind, **values)


def clean_look_of(typed: Mapping[str, Any], *, now: datetime) -> Note:
    """Make the note of a look at which nothing was seen; how and how long are taken from the form.

    Raises
    ------
    LogError
        If the form says that something was seen.
    """
    if typed.get("kind") != Kind.LOOKED:  # those fields are not shown, and may be left over
        kept = {name: typed.get(name) for name in ("tank", "at", "batch", "remark")}
        return note_of({**EMPTY, **kept, "seen": 0}, now=now)
    for name in ("seen", "taken", *SIZE_FIELDS):
        text = str(typed.get(name) or "").strip()
        if text not in {"", "0"}:
            message = tank_words.SEEN_YET_CLEAN.format(
                text=text[:40], field=tank_words.FIELDS[name]
            )
            raise LogError(message, advice=tank_words.SEEN_YET_CLEAN_ADVICE)
    none = dict.fromkeys(("taken", *SIZE_FIELDS))
    return note_of({**typed, "seen": 0, "brooding": False, **none}, now=now)


def typed_of(note: Note) -> Typed:
    """Give the fields of a form that say what a note says."""
    names = [name for name in NAMES if name != "animals"]
    told: Typed = {name: getattr(note, name) for name in names if getattr(note, name) is not None}
    told |= {name: str(told[name]) for name in _WHOLE if name in told}
    if note.kind is Kind.LOOKED and note.count is not None:
        told["animals"] = told.pop("count")
    if note.minutes is not None:
        told["minutes"] = f"{note.minutes:g}"
    told |= {name: f"{told[name]:.15g}" for name in SIZES if name in told}  # as it was measured
    return {**EMPTY, "pest": None, "means": None, **told, "at": f"{note.at:%Y-%m-%dT%H:%M:%S%z}"}


def after_writing(typed: Mapping[str, Any]) -> Typed:
    """Give the form for the next note: the tank and the way of looking stay, all else is empty."""
    return {**EMPTY, "tank": typed.get("tank"), "means": typed.get("means") or Means.EYE}


def changes_of(note: Note, typed: Mapping[str, Any], *, now: datetime) -> Typed:
    """Give the fields of a note that a form changes.

    Raises
    ------
    LogError
        If a field cannot be read.
    """
    new = note_of(typed, now=now)
    names = (*(name for name in NAMES if name != "animals"), "judge")
    kept = {"judge": note.judge} if new.kind is note.kind else {}
    told = {name: getattr(new, name) for name in names} | kept
    return {name: value for name, value in told.items() if value != getattr(note, name)}


def _tank(typed: Mapping[str, Any]) -> str:
    name = typed.get("tank")
    if not name or not str(name).strip():
        raise LogError(tank_words.NO_TANK_CHOSEN, advice=tank_words.NO_TANK_CHOSEN_ADVICE)
    return str(name)


def _moment(typed: Mapping[str, Any], *, now: datetime) -> datetime:
    text = str(typed.get("at") or "").strip()
    return moment_of(text, now=now) if text else now.astimezone()


def _read(name: str, value: Any, *, called: str) -> Any:
    if value is None or not str(value).strip():
        return None
    if name in _WORDS:
        return word_of(name, str(value))
    if name in _WHOLE:
        return whole_of(tank_words.FIELDS[called], str(value).strip())
    if name == "minutes":
        return minutes_of(str(value).strip())
    if name in SIZES:
        return millimetres_of(tank_words.FIELDS[name], str(value).strip())
    if name in _TEXTS:
        return str(value).strip() or None
    return value


def litres_of(text: Any) -> float | None:
    """Read a volume in litres; None where nothing was typed.

    Raises
    ------
    LogError
        If it is no number.
    """
    typed = str(text or "").strip()
    if not typed:
        return None
    try:
        return float(typed.replace(",", "."))
    except ValueError as error:
        message = tank_words.BAD_LITRES.format(text=typed[:40])
        raise LogError(message, advice=tank_words.BAD_LITRES_ADVICE) from error
