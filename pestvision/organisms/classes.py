"""The classes: what the net tells apart, the groups a person is shown, and the look-alikes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Group(StrEnum):
    """What a person is shown, apart from *can't tell*."""

    LEECH_LIKE = "leech-like"
    FLATWORM_LIKE = "flatworm-like"
    HARMLESS = "harmless"
    NOT_AN_ORGANISM = "not-an-organism"


GROUPS: tuple[Group, ...] = tuple(Group)
"""Groups in the order of every probability vector, and from the most to the least worrying."""

CANT_TELL = "cant-tell"
LABELS: tuple[str, ...] = (*GROUPS, CANT_TELL)
"""Every value that `label` takes in results."""

GROUP_NAMES: dict[str, str] = {
    Group.LEECH_LIKE: "leech-like",
    Group.FLATWORM_LIKE: "flatworm-like",
    Group.HARMLESS: "harmless",
    Group.NOT_AN_ORGANISM: "not an organism",
    CANT_TELL: "can't tell",
}
"""Labels in the words a person reads."""


@dataclass(frozen=True, slots=True)
class FineClass:
    """A class of the net.

    `name` is its identifier, `group` the group it is shown as, `shown` its words for a person.
    """

    name: str
    group: Group
    shown: str


FINE_CLASSES: tuple[FineClass, ...] = (
    FineClass("leech", Group.LEECH_LIKE, "leech"),
    FineClass("flatworm", Group.FLATWORM_LIKE, "flatworm"),
    FineClass("snail", Group.HARMLESS, "snail"),
    FineClass("snail-eggs", Group.HARMLESS, "snail eggs"),
    FineClass("limpet", Group.HARMLESS, "limpet"),
    FineClass("thin-worm", Group.HARMLESS, "thin worm (naidid, blackworm or nematode)"),
    FineClass("midge-larva", Group.HARMLESS, "midge or mosquito larva"),
    FineClass("small-crustacean", Group.HARMLESS, "small crustacean"),
    FineClass("hydra", Group.HARMLESS, "hydra"),
    FineClass("shrimp-or-fish", Group.HARMLESS, "shrimp or fish"),
    FineClass("plant-or-debris", Group.NOT_AN_ORGANISM, "plant or debris"),
    FineClass("bubble", Group.NOT_AN_ORGANISM, "bubble"),
    FineClass("glare", Group.NOT_AN_ORGANISM, "glare"),
    FineClass("mark-on-glass", Group.NOT_AN_ORGANISM, "mark on the glass"),
)
"""The net's classes, in the order of its outputs."""

FINE_NAMES: tuple[str, ...] = tuple(item.name for item in FINE_CLASSES)
GROUP_OF_FINE: dict[str, Group] = {item.name: item.group for item in FINE_CLASSES}
GROUP_INDEX_OF_FINE: tuple[int, ...] = tuple(GROUPS.index(item.group) for item in FINE_CLASSES)
