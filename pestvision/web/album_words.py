"""Every sentence about the album that the page shows of its own making."""

from __future__ import annotations

from pestvision.collection.records import DONT_KNOW, SHOWN_LABELS, group_of
from pestvision.organisms.classes import GROUP_NAMES, GROUPS, Group
from pestvision.web.words import count

TAB_ALBUM = "Your album"

ANSWERS: tuple[tuple[str, str], ...] = (
    (Group.LEECH_LIKE, "Leech-like"),
    (Group.FLATWORM_LIKE, "Flatworm-like"),
    (Group.HARMLESS, "Harmless"),
    (Group.NOT_AN_ORGANISM, "Not an organism"),
    (DONT_KNOW, "I don’t know"),
)
"""The five answers in the order of their buttons and keys."""

TEACH = "## Is that right? Teach it"
TEACH_SAYS = (
    "Say what it is, if you know. The photo goes into your album on this computer, without the place "
    "it was taken at, and what you say there can be taken back."
)
TEACH_SAYS_LAN = (
    "Say what it is, if you know. The photo goes into the album on the computer that runs this page, "
    "without the place it was taken at, and what you say there can be taken back."
)
TEACH_NIGHT = "## Do you know them? Teach it"
NET_SAYS = "The net says"
WHOLE = "The whole photo"
FINER = "More exactly …"
FINER_NAMED = "More exactly, number {number}"
TAKE_BACK = "Take back"
YOUR_NAME = "Your name"
YOUR_NAME_HINT = "Stands beside the labels you give."
TANK = "Tank"
TANK_HINT = "Where the photos are from, such as Amber. Leave it empty if you like."
TAKEN_BACK = "Taken back. The picture stays in the album without your label."
NOT_SHOWN = "What you pressed belongs to an answer that is no longer shown."
NOT_SHOWN_ADVICE = "Press a button of the answer that is shown now."


def so_far(label: str, n_labelled: int) -> str:
    """Say what was saved, and how many there are of its group."""
    group = group_of(label)
    if group is None:
        return f"Saved: {n_labelled} “{SHOWN_LABELS[label]}” so far."
    return f"Saved: {n_labelled} {GROUP_NAMES[group]} so far."


def listed(parts: list[str]) -> str:
    """Give words as a list in a sentence: `a, b and c`."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def groups_counted(groups: dict[Group, int]) -> str:
    """Give how many labels each group has: `14 leech-like, 9 flatworm-like, …`."""
    return ", ".join(f"{groups[group]} {GROUP_NAMES[group]}" for group in GROUPS)


def crops(number: int) -> str:
    """Give a number of pictures in words."""
    return count(number, "picture", "pictures")
