"""Every sentence about the tanks that the page shows of its own making."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pestvision.tanks.contacts import Reason
from pestvision.tanks.records import Cargo, Kind, Means, Pest, Stage
from pestvision.tanks.trend import Trend
from pestvision.web.album_words import MONTHS
from pestvision.web.words import count

if TYPE_CHECKING:
    from datetime import date, datetime

TAB_TANKS = "Your tanks"
AREA_TONIGHT = "Tonight"
AREA_ONE = "One tank"
AREA_TOUCHED = "Contacts"
AREA_TABLES = "In and out"

WEEKDAYS: Final = (
    "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday",
)  # fmt: skip

WRITE = "## Write down tonight"
WRITE_SAYS = "A clean night counts as much as a find: it is what will show that a tank is clear. Write both down."
CHOOSE_TANK = "Tank"
CLEAN = "Looked, nothing seen"
OR_ELSE = "What was done"
SAVE = "Write it down"
SIZES = "How long they were, and young ones"
SIZES_SAYS = "Only what you measured or saw for yourself. What is left empty says nothing."
MORE = "Another time, a remark, a batch"
YOUR_NAME = "Who writes"
YOUR_NAME_HINT = "Stands beside what you write down."

KINDS: Final[dict[Kind, str]] = {
    Kind.LOOKED: "Looked",
    Kind.REMOVED: "Took out",
    Kind.DIED: "Snails died",
    Kind.ADDED: "Put in",
    Kind.MOVED: "Moved over",
    Kind.TREATED: "Treated",
    Kind.CLEANED: "Cleaned",
    Kind.EMPTIED: "Emptied",
    Kind.RESTOCKED: "Restocked",
    Kind.SOLD: "Sold",
}
KIND_SAYS: Final[dict[Kind, str]] = {
    Kind.LOOKED: "How many did you see, and how many of those are out of the tank now?",
    Kind.REMOVED: "For leeches or flatworms taken out without a proper look through the tank.",
    Kind.DIED: "Losing them is hard. How many, and how grown they were, helps to see what goes on.",
    Kind.ADDED: "Anything that came into the tank from outside: it may have brought something along.",
    Kind.MOVED: "Anything that went from this tank into another one, tools and water too.",
    Kind.TREATED: "What was done to it, in your words. This page gives no dose and keeps none for you.",
    Kind.CLEANED: "What was cleaned, such as the filter. A tank that was emptied has its own note.",
    Kind.EMPTIED: "The tank stands empty: snails, plants and ground are out.",
    Kind.RESTOCKED: "Snails are in it again.",
    Kind.SOLD: "Snails or plants that left your house from this tank.",
}
PESTS: Final[dict[Pest, str]] = {Pest.LEECH: "Leeches", Pest.FLATWORM: "Flatworms"}
MEANS: Final[dict[Means, str]] = {
    Means.EYE: "By eye",
    Means.PHOTO: "On photos",
    Means.TRAP: "In a bait trap",
}
STAGES: Final[dict[Stage, str]] = {
    Stage.HATCHLING: "Hatchlings",
    Stage.JUVENILE: "Half-grown",
    Stage.ADULT: "Grown",
    Stage.UNKNOWN: "Not known",
}
CARGOES: Final[dict[Cargo, str]] = {
    Cargo.ANIMALS: "Animals",
    Cargo.PLANTS: "Plants",
    Cargo.STONES: "Stones or wood",
    Cargo.WATER: "Water",
    Cargo.FOOD: "Food",
    Cargo.WILD: "Finds from outdoors",
    Cargo.TOOLS: "Tools",
}
FIELDS: Final[dict[str, str]] = {
    "pest": "What was looked for",
    "seen": "How many seen",
    "taken": "Of these, taken out",
    "means": "How you looked",
    "minutes": "Minutes, if you know",
    "brooding": "One carried eggs or young under its body",
    "smallest_mm": "The smallest, in millimetres",
    "largest_mm": "The largest, in millimetres",
    "hatchlings": "How many of hatchling size",
    "count": "How many",
    "stage": "How grown they were",
    "cargo": "What kind of thing",
    "what": "Which, in your words",
    "source": "Where it is from",
    "other": "Into which tank",
    "at": "When",
    "batch": "Quarantine batch",
    "animals": "Animals of the batch looked at, if not all",
    "remark": "Remark",
}
FIELDS_OF_KIND: Final[dict[tuple[Kind, str], str]] = {
    (Kind.REMOVED, "pest"): "What was taken out",
    (Kind.REMOVED, "taken"): "How many",
    (Kind.REMOVED, "what"): "How, if you like",
    (Kind.DIED, "count"): "How many died",
    (Kind.DIED, "what"): "Which, if you like",
    (Kind.TREATED, "what"): "What was done",
    (Kind.CLEANED, "what"): "What was cleaned",
    (Kind.ADDED, "count"): "How many, if counted",
    (Kind.MOVED, "count"): "How many, if counted",
    (Kind.RESTOCKED, "count"): "How many, if counted",
    (Kind.SOLD, "count"): "How many, if counted",
}
"""What a field is called where the kind of note makes it clearer."""
WHEN_HINT = "Empty means now. Else 21:30, or 2026-03-14, or 2026-03-14 21:30."

WRITTEN = "Written"
TAKE_BACK = "Take it back"
TAKEN_BACK = "Taken back. The log says what it said before."
NOT_WRITTEN = "Nothing was written"
WHAT_NOW = "What helps now"
NO_TANK_CHOSEN = "No tank was chosen."
NO_TANK_CHOSEN_ADVICE = "Choose the tank it was done in."
NO_OTHER = "It was not said which tank it went into."
NO_OTHER_ADVICE = "Choose that tank."
SEEN_YET_CLEAN = "“{text}” stands under “{field}”, and you pressed “Looked, nothing seen”."
SEEN_YET_CLEAN_ADVICE = "Empty that field, or press “Write it down” instead."
BAD_LITRES = "“{text}” was given for the litres, and a number was expected."
BAD_LITRES_ADVICE = "Give litres alone; a US gallon is 3.8 of them."
TANK_GONE = "What you pressed belongs to a tank that is no longer in the log."
TANK_GONE_ADVICE = "Open the area again: it shows the tanks that are there now."
NOTE_GONE = "This note is no longer in the log."
NOTE_GONE_ADVICE = "Open the tank again: it shows the notes that are there now."

ADD_TANK = "Add a tank"
ADD_TANK_SAYS = "A name is enough. The rest can be filled in another day."
NAME = "Name"
LITRES = "Litres"
LIVES = "What lives in it"
LIVES_HINT = "such as ramshorns and shrimp"
USE = "What it is for"
USE_HINT = "such as breeding, grow-out, display, quarantine"
ADD_TANK_BUTTON = "Add this tank"
TANK_ADDED = "{name} is in the log now."
NO_TANKS = "No tank is in the log yet."
NO_TANKS_ADVICE = (
    "Give your first tank a name under “Add a tank”. From then on a night takes ten seconds."
)

TONIGHT_FIRST = "Tonight look at {name} first."
LATE = "It is {late}."
THEN = "Then: {names}."
MORE_TANKS = "{n} more"
NONE_DUE = "No look is due tonight."
NEXT_IS = "The next one is {name}, {when}."
ALL_TANKS = "## Your tanks, the most urgent first"
OPEN = "Open"
OPEN_NAMED = "Open {name}"
CLEAN_NAMED = "{name}: looked, nothing seen"
WRITE_MORE = "Write more"
WRITE_MORE_NAMED = "Write more about {name}"
LAST_LOOK = "Last look"
NEXT_LOOK = "Next look"
FINDS = "Finds"
TAKEN_OUT = "Taken out"
TRENDS: Final[dict[Trend, str]] = {
    Trend.FALLING: "falling",
    Trend.RISING: "rising",
    Trend.LEVEL: "no clear change",
    Trend.NONE: "none in two weeks",
    Trend.UNKNOWN: "too few looks to say",
}
TREND_OF = "{trend} ({last} in seven nights, {before} before)"
LOST = "Snails lost in two weeks"
SELLING = "Selling"
NEVER = "never yet"
NO_LOOK_DUE = "none while it stands empty"

ONE_TANK = "## One tank"
ONE_WAITS = "Choose a tank: what is known of it will stand here, with every note."
ABOUT_TANK = "Name, litres, what lives in it"
ABOUT_TANK_SAVE = "Save what you changed"
TANK_CHANGED = "Saved: {tank}."
HOW_MANY = "How many are left"
HOW_CLEAR = "How sure it is clear"
WAYS_IN = "How they may have come in"
TIME_LINE = "What was seen and done"
SIZES_SEEN = "How long they were"
SIZE_COLUMNS: Final = ("Night", "Smallest", "Largest", "Of hatchling size")
MORE_ON_IT = "More on this"
ASSUMED = "What this takes for granted"
RECKONING = "How many are left, and how sure it is clear, is being reckoned."
SELLING_WAITS = "Do not sell from it yet"
BATCHES = "What waits in quarantine here"
BATCH_PLAN = "look at it on {days}."
SAVE_OF_TANK = "Save or pass on"
FILES: Final[dict[str, str]] = {
    "report": "Report",
    "record": "Record for a buyer",
    "reminders": "Reminders",
    "tables": "Table of its notes",
    "observations": "Observations for a database",
}
FILE_READY = "Ready: {what} of {name}."
REMINDERS = "## Reminders"
REMINDERS_SAYS = (
    "A calendar of the looks that are due in every tank, for your telephone or computer. Make it anew "
    "when something has changed."
)
REMINDERS_BUTTON = "Make the calendar"
REMINDERS_READY = "Ready: the looks that are due."
HELD = "wait: {reason}"
HELD_UNTIL = "wait until {day} at the earliest: {reason}"
NOT_HELD = "nothing speaks against it in the log"
NOTES = "Its notes, the newest first"
NOTES_NONE = "Nothing is written of {name} yet."
NEWER = "Newer"
OLDER = "Older"
PAGE_OF = "Notes {first} to {last} of {total}"
CORRECT = "Correct"
CORRECT_NAMED = "Correct note {number}"
DELETE = "Delete"
DELETE_NAMED = "Delete note {number}"
LOOKED_AT = "I have looked at these photos"
LOOKED_AT_NAMED = "I have looked at the photos of note {number}"
LOOKED_AT_DONE = "From now on this counts as a look of your own."
BY_TOOL = "Seen by the program on photos, not looked at by you yet: it does not count as a look."
CHANGED_BEFORE = "What it said before"
DELETED = "Deleted: {note}."
BRING_BACK = "Bring it back"
BROUGHT_BACK = "It is back."
CORRECTING = "## Correct note {number}"
CORRECTED = "Now it says: {note}."
CORRECT_SAVE = "Save the correction"
CORRECT_CANCEL = "Leave it as it is"
NOTHING_CHANGED = "Nothing was changed: it says the same as before."
CAME_FROM = "came from {tank}"
FROM = "from {source}"
IN_BATCH = "batch {batch}"

TOUCHED = "## What touched what"
TOUCHED_SAYS = (
    "Leeches travel with snails, plants, nets and water. From what you wrote down, this says where they "
    "could have gone. An exposed tank is one to look at: it does not mean that they are there."
)
TOUCHED_NONE = "No leech is noted in any tank, so there is none to check before the others."
CHECK_FIRST = "Where they may have spread: check these first"
REASONS: Final[dict[Reason, str]] = {
    Reason.EXPOSED: "exposed",
    Reason.MAY_BE_SOURCE: "they may have come from here",
    Reason.SEEN: "leeches were seen here",
    Reason.QUIET: "no contact known",
}
BY_TOOL_ONLY = "seen by the program only"

INTO_LOG: Final[dict[str, tuple[str, str, str]]] = {
    "close-up": (
        "## Where did you see it?",
        "The log keeps that you saw it, and that the program gave it its name.",
        "I saw this in that tank",
    ),
    "night": (
        "## Put it into a tank’s log",
        (
            "Also a night on which nothing was found: written down, it is not forgotten. It stands "
            "there as the program’s word until you say that you have looked at the photos yourself."
        ),
        "Put this into that tank’s log",
    ),
}
"""By the answer it stands beside: heading, what it does, and what stands on the button."""
INTO_LOG_TANK = "A tank that is not here yet is added under “Your tanks”."
OF_PROGRAM = "So far it is the program’s word, and no look of yours. Have you looked at these photos, and is it so?"

TABLES_IN = "## Bring a table in"
TABLES_IN_SAYS = (
    "A CSV table of notes, one a line. The first line names the columns: tank, at and kind, and any "
    "others that a saved table has. A line that cannot be kept is named here, and the others are kept."
)
TABLE_FILE = "Table of notes"
TABLE_WAITS = "What came of it will stand here."
NO_TABLE = "No table came along."
NO_TABLE_ADVICE = "Choose a CSV file."
TABLE_KNOWN = "{n} stood in the log already."
TABLE_COMPLAINTS = "These could not be kept; correct them in the table, and bring it in again:"
TABLE_MORE = "and {n} more"
TABLE_UNDO = "Take this table back"
TABLE_UNDONE = "Taken back: {n} came out of the log again."
TABLE_NOT_LAST = "Something was written into the log after this table."
TABLE_NOT_LAST_ADVICE = "Take that back first, under “What was done last”."
TABLES_OUT = "## Save the log"
TABLES_OUT_SAYS = (
    "Two tables, for a spreadsheet or another computer. What a table holds can be brought in again."
)
TABLES_OUT_BUTTON = "Make the tables"
TABLES_READY = "Ready, with {n}."
PRESS_GONE = "What you pressed belongs to something that is no longer shown."
PRESS_GONE_ADVICE = "Open the area again, and press it there."
NOT_LAST = "Something was written into the log after it was deleted."
SAVE_FILE = "Save {name}"
LAST_CHANGES = "## What was done last"
LAST_CHANGES_NONE = "Nothing was done yet."
UNDO_LAST = "Take the newest back"
UNDO_LAST_DONE = "Taken back."
IS_UNDONE = "taken back"
AND_MORE = "and others together with it"
COLUMNS: Final = {"tank": CHOOSE_TANK, "kind": OR_ELSE, "name": NAME, "litres": LITRES, "lives": LIVES,
                  "use": USE, "judge": "Who says so"}  # fmt: skip
EMPTY_CELL = "nothing"
YES, NO = "yes", "no"
CHANGE_ROW: Final[dict[tuple[str, str], str]] = {
    ("tank", "written"): "tank {what} added",
    ("tank", "changed"): "tank {what} changed",
    ("tank", "deleted"): "tank {what} taken out",
    ("note", "written"): "note {what} written",
    ("note", "changed"): "note {what} corrected",
    ("note", "deleted"): "note {what} deleted",
}
COMMANDS: Final[dict[str, str]] = {
    "Add one with: pestvision tank add NAME": "Add it under “Add a tank”, in the area “Tonight”.",
    "See the numbers with: pestvision tank status NAME": "Open the tank: its notes stand there.",
    "See what is there with: pestvision tank status": "Write something down first.",
    "Give a CSV file such as pestvision tank export writes.": (
        "Give a CSV file such as “Make the tables” writes."
    ),
}
"""What takes the place of a command in advice: whoever reads the page has buttons."""


def on_page(sentence: str) -> str:
    """Give a sentence of the log in the words of the page."""
    for command, words in COMMANDS.items():
        sentence = sentence.replace(command, words)
    return sentence


def notes(number: int) -> str:
    """Give a number of notes in words."""
    return count(number, "note", "notes")


def added(number: int) -> str:
    """Say how many notes came into the log."""
    return f"{notes(number)} came into the log." if number else "Nothing new came into the log."


def day_in_words(day: date, *, today: date) -> str:
    """Give a day: `12 March`, with its year where that is another."""
    year = "" if day.year == today.year else f" {day.year}"
    return f"{day.day} {MONTHS[day.month - 1]}{year}"


def moment_in_words(at: datetime, *, today: date) -> str:
    """Give a time by the clock it was written with: `Thursday 12 March, 21:30`."""
    day = day_in_words(at.date(), today=today)
    return f"{WEEKDAYS[at.weekday()]} {day}, {at:%H:%M}"


def ago_in_words(night: date | None, *, tonight: date) -> str:
    """Say how long ago a night was."""
    if night is None:
        return NEVER
    n = (tonight - night).days
    if n <= 0:
        return "tonight"
    if n == 1:
        return "last night"
    return f"{n} nights ago, on {day_in_words(night, today=tonight)}"


def due_in_words(night: date | None, *, tonight: date) -> str:
    """Say when a look is due, and whether it is overdue."""
    if night is None:
        return NO_LOOK_DUE
    n = (night - tonight).days
    if n == 0:
        return "tonight"
    if n == 1:
        return "tomorrow night"
    if n < 0:
        return f"overdue by {count(-n, 'night', 'nights')}"
    return f"in {n} nights, on {day_in_words(night, today=tonight)}"
