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
OF_VIEW = "View {view}, number {number}, on {photo}"
NIGHT_PHOTO_GONE = "The photo {name} is no longer in its folder."
NIGHT_PHOTO_GONE_ADVICE = "Put it back, or go through the folder again."
NET_SAYS = "The net says"
BY_NET = "the net"
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


PROGRESS_NONE = "Your album is empty. Label what is found on a close-up, or add photos here."
PROGRESS_MORE = "{n} without a label"
PROGRESS_DISPUTED = "{n} on which people disagree"
ENOUGH = "That is enough to adapt the net."
MISSING = "Before the net can be adapted it needs"

ABOUT = "Your name and the tank"
AREA_LABEL = "Label"
AREA_ADD = "Add photos"
AREA_FIND = "Find"
AREA_ADAPT = "Adapt"

ADD_SAYS = (
    "Photos of your own tanks. Each is looked over, what is found on it is cut out, and you are asked "
    "about it under “Label”. The photos are kept on this computer, without the place they were taken "
    "at."
)
ADD_SAYS_LAN = (
    "Photos of your own tanks. Each is looked over, what is found on it is cut out, and you are asked "
    "about it under “Label”. The photos are kept on the computer that runs this page, without the "
    "place they were taken at."
)
ADD_FILES = "Photos for the album"
ADD_WAITS = "What was found will stand here."
ADD_NOTE = "photos added on the page"
ADDING = "Looking over the photos"
NO_FILES = "No photo came along."
NO_FILES_ADVICE = "Choose one or more photos."
ADDED_FROM = "{crops} from {photos} came into the album."
ADDED_NOTHING = "Nothing new came into the album."
ADDED_KNOWN = "{n} had been there already."
ADDED_NONE_FOUND = "On these nothing stood out, so they were not kept: {names}."
ADDED_SKIPPED = "These could not be used:"

FIND_LABEL = "Label"
FIND_ANY = "any"
FIND_UNLABELLED = "without a label"
FIND_DISPUTED = "people disagree"
FIND_TANK = "Tank"
FIND_SINCE = "Taken from"
FIND_UNTIL = "Taken until"
DATE_HINT = "2031-03-02"
FIND_TEXT = "Part of the file’s name"
FIND_BUTTON = "Find"
FIND_PREVIOUS = "Previous"
FIND_NEXT = "Next"
FIND_NUMBER = "Picture number"
FIND_OPEN = "Open"
FOUND_NONE = "No picture in the album is like that."
FOUND_ADVICE = "Ask for less, or add photos first."
BAD_DATE = "“{text}” is no date."
BAD_DATE_ADVICE = "Give it as year, month and day, such as 2031-03-02, or leave the field empty."
BAD_NUMBER = "No number of a picture was given."
BAD_NUMBER_ADVICE = "Give the number that stands under the picture."
UNLABELLED_SHOWN = "no label"
DISPUTED_SHOWN = "disputed"
NO_DATE = "no date"
NO_TANK = "no tank"
HISTORY = "What was said of it"
HISTORY_NONE = "Nothing yet."
WITHDRAWN = "taken back"
SETTLED = "to settle it"
TAKE_LAST_BACK = "Take my last label back"
NOTHING_TO_TAKE_BACK = "You gave this picture no label that could be taken back."
NOTHING_TO_TAKE_BACK_ADVICE = "Only labels under the name that stands in “Your name” can be."
RELABELLED = "Saved: {label}."
TAKEN_BACK_SHORT = "Your last label is taken back."
DELETE = "Delete this picture"
DELETED = "Picture {number} is deleted. For {days} days it can be brought back below."
CLOSE = "Close"
SETTLE = "People disagree about this picture. What you say now settles it."

ACTIONS = "Added and deleted"
ACTIONS_SAY = "What was added or deleted in the last {days} days can be undone."
ACTIONS_NONE = "Nothing was added or deleted in the last {days} days."
ACTION_NAMES = {"import": "Added", "delete": "Deleted"}
UNDO = "Undo"
UNDONE = "undone"
UNDO_IMPORT_DONE = "{crops} taken out of the album."
UNDO_DELETE_DONE = "{crops} brought back."


def page_of(first: int, last: int, n_found: int) -> str:
    """Say which of the pictures that were found are shown."""
    return f"{first} to {last} of {crops(n_found)}"


MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
JUDGED_WITH = "Judged with your own labels, version {number}, of {day}."

GETTING_READY = "Reading the pictures"
LABEL_KEYS = "Keys: 1 to 5 answer, 0 or Backspace takes the last one back, S or → passes over."
SKIP = "Pass over"
LAST_BACK = "Take the last back"
KEY_OF_SKIP, KEY_OF_BACK = "S", "0"
NET_NOT_READ = "The net has not looked at it yet."
ALIKE_NONE = "No other picture without a label looks like it"
NOTHING_TO_LABEL = "There is nothing to label at the moment."
NOTHING_TO_LABEL_ADVICE = (
    "Label what is found on a close-up, or add photos of your own tanks under “Add photos”."
)
ALL_LABELLED = "Everything in your album is labelled. Thank you."
PASSED_OVER = "Passed over."
PASSED_OVER_ALL = "You have passed over what was left. Open “Label” again to be asked anew."
NOTHING_BEFORE = "There is nothing to take back."
NOTHING_BEFORE_ADVICE = "Only what you labelled since this page was opened can be taken back here."
LAST_TAKEN_BACK = "Taken back: here it is again."
LABELLED_ALIKE = "{saved} {n} that look like it were labelled too."


def alike_switch(n_alike: int) -> str:
    """Give the words of the switch that labels look-alikes as well."""
    if n_alike == 0:
        return ALIKE_NONE
    return "Label the one that looks like it too" if n_alike == 1 else f"Label these {n_alike} too"


ADAPT_SAYS = (
    "The net learns from your labels how your tanks look. What it has learned is tried on pictures that "
    "it has not learned from, and is used only where it proves better. The net that came with the "
    "program always stays, and you can go back to it."
)
ADAPT_BUTTON = "Teach the net my labels"
ADAPT_NEEDED = "Still missing"
ADAPT_MORE = "More of these would help"
ADAPT_LAST = "Before and after"
BEFORE, AFTER = "Before", "After"
MATRIX_CAPTION = "{when}: what your labels say, and what the net says"
YOUR_LABEL = "Your label"
NET_SAID = "The net says"
MATRIX_SAYS = (
    "Each row is what you labelled, each column what the net said of it, asked only about photos it had "
    "not learned from. On the framed diagonal both agree."
)
FIGURES = "How much is told right"
FIGURES_SAY = "Each group counts alike, however many pictures it has."
FIGURE_HEADS = ("", BEFORE, AFTER, "Change")
OWN_CROPS = "Your own pictures"
YARDSTICK = "Pictures that came with the net"
BETWEEN = "{change} points, between {low} and {high} (9 times in 10)"
CHANGE = "{change} points"
NOT_MEASURED = "not measured"
WORST = "Where it is most wrong"
WORST_SAYS = "Look at these: either the net is wrong, or the label is."
WORST_LINE = "Labelled {label}; the net says {said}, {share}."
VERSIONS = "What was learned so far"
VERSIONS_NONE = "Nothing yet: the net is as it came with the program."
VERSION_LINE = "Version {number}, {day}: {before} right before, {after} after"
VERSION_USED = "in use"
VERSION_WORSE = "not proven better"
USE_THIS = "Use this one"
USE_SHIPPED = "Back to the shipped net"
SHIPPED_USED = "The net that came with the program is in use."


def points(share: float) -> str:
    """Give a difference of shares in points, with its sign."""
    rounded = round(100 * share, 1)
    return f"{rounded:+g}".replace("-", "−") if rounded else "0"
