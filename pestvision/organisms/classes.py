"""The classes: what the net tells apart, the groups a person is shown, and the look-alikes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


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


COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Sign:
    """What tells a class of the net from its look-alikes by eye.

    `words` is a sentence a person reads; `source` says where its facts stand.
    """

    words: str
    source: str


SIGNS: dict[str, Sign] = {
    "leech": Sign(
        "A leech holds on with a sucker at each end and steps along like an inchworm; fine rings run "
        "across its body.",
        "Kaygorodova 2015, ZooKeys 545:37 (crawls on its suckers only); Zootaxa 4671(1), 2019 (three "
        "rings to a segment)",
    ),
    "flatworm": Sign(
        "A flatworm glides at a steady length without a step; its head is mostly a triangle with two "
        "eyes in pale patches, and it has no rings.",
        "Rompolas et al. 2010, Mol Biol Cell 21:3669 (glides by cilia); J Species Res 2023, 12:341 "
        "(head and eyes of Girardia); no rings: common practice, no source",
    ),
    "snail": Sign(
        "A snail has a shell and two feelers, and creeps on one broad foot.", COMMON_PRACTICE
    ),
    "snail-eggs": Sign(
        "Snail eggs are clear dots in a patch of jelly, and stay where they are.", COMMON_PRACTICE
    ),
    "limpet": Sign(
        "A limpet is a small shell like a flat cap pressed to the glass.", COMMON_PRACTICE
    ),
    "thin-worm": Sign(
        "A thin worm is a thread with no sucker; it wriggles, waves or creeps in small pulls.",
        "Timm, freshwater oligochaete guide (Tubifex waves its tail, Lumbriculus creeps, Stylaria "
        "swims); no sucker: common practice, no source",
    ),
    "midge-larva": Sign(
        "A midge or mosquito larva has a hard round head and jerks its body about.", COMMON_PRACTICE
    ),
    "small-crustacean": Sign(
        "A small crustacean has legs or feelers, and hops, darts or scuttles.", COMMON_PRACTICE
    ),
    "hydra": Sign(
        "A hydra is a stalk fixed at its foot with a crown of thin arms; touched, it pulls itself to "
        "a knob.",
        COMMON_PRACTICE,
    ),
    "shrimp-or-fish": Sign(
        "A shrimp or fish swims freely and has large dark eyes.", COMMON_PRACTICE
    ),
    "plant-or-debris": Sign(
        "Plant bits and waste do not move against the current, and have no head end.",
        COMMON_PRACTICE,
    ),
    "bubble": Sign(
        "A bubble is round with a bright rim, and comes off at a touch from outside.",
        COMMON_PRACTICE,
    ),
    "glare": Sign("Glare moves when you move your lamp or your head.", COMMON_PRACTICE),
    "mark-on-glass": Sign("A mark on the glass is at the same place tomorrow.", COMMON_PRACTICE),
}
"""A sign for every class: two of them side by side say what would settle which of two it is."""

LOOK_ALIKES: dict[str, tuple[str, ...]] = {
    "leech": ("flatworm", "thin-worm", "plant-or-debris"),
    "flatworm": ("leech", "thin-worm", "plant-or-debris"),
    "snail": ("leech", "flatworm", "plant-or-debris"),
    "snail-eggs": ("bubble", "leech", "mark-on-glass"),
    "limpet": ("leech", "flatworm", "mark-on-glass"),
    "thin-worm": ("leech", "flatworm", "plant-or-debris"),
    "midge-larva": ("leech", "flatworm", "plant-or-debris"),
    "small-crustacean": ("leech", "flatworm", "plant-or-debris"),
    "hydra": ("leech", "flatworm", "plant-or-debris"),
    "shrimp-or-fish": ("leech", "flatworm", "plant-or-debris"),
    "plant-or-debris": ("leech", "flatworm", "thin-worm"),
    "bubble": ("snail-eggs", "leech", "snail"),
    "glare": ("flatworm", "leech", "snail-eggs"),
    "mark-on-glass": ("flatworm", "leech", "limpet"),
}
"""Classes of other groups that a class is taken for, the worse mistake first (common practice, no
source; the pests stand in every row, since they are what must not be missed)."""

LEAST_TOLD = 0.01
"""From this probability on the net itself names the look-alike; below, the first of `LOOK_ALIKES` is told."""


def look_alike_of(fine: str, p_fine: Sequence[float]) -> str:
    """Give the class of another group that is nearest to a class.

    Parameters
    ----------
    fine
        The likeliest class.
    p_fine
        (14,) probabilities in the order of `FINE_CLASSES`.

    Returns
    -------
    str
        The likeliest class of another group where the net gives it `LEAST_TOLD` or more, else the
        first of the class's look-alikes.
    """
    group = GROUP_OF_FINE[fine]
    others = [index for index, item in enumerate(FINE_CLASSES) if item.group != group]
    nearest = max(others, key=lambda index: float(p_fine[index]))
    return FINE_NAMES[nearest] if p_fine[nearest] >= LEAST_TOLD else LOOK_ALIKES[fine][0]
