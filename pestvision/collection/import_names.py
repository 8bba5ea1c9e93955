"""The names that others give to what they label, matched to ours by a small table."""

from __future__ import annotations

import re
from typing import Final

from pestvision.collection.export_coco import WITHOUT_LABEL
from pestvision.collection.records import DONT_KNOW, LABEL_VALUES

_SYNONYMS: Final[dict[str, tuple[str, ...]]] = {
    "leech": ("leeches", "hirudinea", "glossiphonia", "helobdella"),
    "flatworm": (
        *("flatworms", "planaria", "planarian", "planarians", "planarias", "dugesia", "girardia"),
        *("rhabdocoel", "rhabdocoels", "rhabdocoela", "turbellaria", "turbellarian"),
    ),
    "snail": ("snails", "gastropod", "gastropods", "ramshorn", "nerite", "bladder-snail"),
    "snail-eggs": ("snail-egg", "snail-clutch", "snail-clutches", "egg-clutch", "egg-clutches"),
    "limpet": ("limpets", "ferrissia"),
    "thin-worm": (
        *("thin-worms", "detritus-worm", "detritus-worms", "naidid", "naidids", "nematode"),
        *("nematodes", "blackworm", "blackworms", "tubifex", "oligochaete", "oligochaetes"),
    ),
    "midge-larva": (
        *("midge-larvae", "midge", "mosquito-larva", "mosquito-larvae", "bloodworm", "bloodworms"),
        *("chironomid", "chironomids"),
    ),
    "small-crustacean": (
        *("small-crustaceans", "copepod", "copepods", "cyclops", "daphnia", "water-flea"),
        *("water-fleas", "ostracod", "ostracods", "seed-shrimp", "amphipod", "amphipods", "scud"),
        *("scuds", "isopod", "isopods"),
    ),
    "hydra": ("hydras", "hydrozoa"),
    "shrimp-or-fish": ("shrimp", "shrimps", "fish", "fishes", "crayfish"),
    "plant-or-debris": ("plant", "plants", "debris", "leaf", "leaves", "moss", "algae", "wood"),
    "bubble": ("bubbles", "air-bubble", "air-bubbles"),
    "glare": ("reflection", "reflections"),
    "mark-on-glass": ("scratch", "scratches", "stain", "stains", "mark", "marks"),
    "leech-like": ("leechlike",),
    "flatworm-like": ("flatwormlike", "planaria-like"),
    "not-an-organism": ("background", "nothing", "no-organism", "none"),
    DONT_KNOW: ("i-don-t-know", "dontknow", "unknown", "unsure", "uncertain"),
}
"""Other names of a label, in small letters with hyphens. Common practice, no source. Names that may mean
one or the other, such as worm, larva or eggs, stand nowhere on purpose."""
_LABEL_OF: Final[dict[str, str]] = {
    **{name: label for label, names in _SYNONYMS.items() for name in names},
    **{label: label for label in LABEL_VALUES},
}
_BETWEEN: Final = re.compile(r"[\W_]+")


def label_of(name: str) -> str | None:
    """Give our label for a name such as `Planaria` or `snail_eggs`; None where none is matched."""
    return _LABEL_OF.get(_BETWEEN.sub("-", name.casefold()).strip("-"))


def means_no_label(name: str) -> bool:
    """Tell whether a name says that a crop has no label."""
    return not name.strip() or name.strip().casefold() in WITHOUT_LABEL
