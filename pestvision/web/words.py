"""Every sentence that the page shows of its own making.

The sentences that go with every result wherever it is shown (the caution, what to look for) are in
`pestvision.findings.words`; those of bad input are in the errors themselves.
"""

from __future__ import annotations

from pestvision.organisms.classes import CANT_TELL, Group

TITLE = "Leech, flatworm or harmless?"
LEAD = (
    "For keepers of water snails: show a photo of what sits on your glass, or the photos of a whole "
    "night. Everything is worked out on this computer, and no photo leaves it."
)
LEAD_LAN = (
    "For keepers of water snails: show a photo of what sits on your glass, or the photos of a whole "
    "night. Your photos go to the computer that runs this page, and no further."
)
TAB_CLOSE_UP = "Close-up"
TAB_NIGHT = "A night"

CHOOSE_CLOSE_UP = "## 1. Choose a photo or a short clip"
CHOOSE_CLOSE_UP_HINT = (
    "JPEG, HEIC, PNG, WebP or TIFF, 0.1 to 100 megapixels. A good one is taken from close by, square "
    "to the glass, with the lamp from the side, and the animal fills a third of it. A clip of 10 to 30 "
    "seconds (MP4, MOV, WebM) shows how it moves as well."
)
CLOSE_UP_FILE = "Photo or clip to check"
CHECK_IT = "## 2. Have it checked"
CHECK_BUTTON = "Check this photo"
PICTURE = "Your photo"
PICTURE_EMPTY = "The photo you chose, with what was found outlined and numbered."
MARK_IT = "3. Or mark one place yourself"
MARK_HINT = (
    "Click (or tap) the photo twice: one corner of the animal, then the opposite corner. Or type the "
    "four edges, in per cent of the photo: 0 is the left or top edge, 100 the right or bottom one."
)
MARK_LEFT, MARK_TOP, MARK_RIGHT, MARK_BOTTOM = "Left, %", "Top, %", "Right, %", "Bottom, %"
MARK_BUTTON = "Judge the marked place"
UNMARK_BUTTON = "Remove the mark"
MARK_ONE_CORNER = "One corner is set. Now click the opposite corner."
MARK_READY = "The place is marked. Press “Judge the marked place”."
MARK_GONE = "No place is marked."

ANSWER = "## The answer"
ANSWER_WAITS = "The answer will stand here once you have chosen a photo and pressed the button."
ANSWER_PRESS = "Your photo is here. Now press “Check this photo”."
MEANWHILE = "Signs you can see yourself"
CAUTION_HEADING = "Please remember"

CHOOSE_NIGHT = "## 1. Choose the photos of one night"
CHOOSE_NIGHT_HINT = (
    "Photos of the same glass taken again and again, with a camera on a stand or by hand. Several "
    "tanks or several views may be mixed."
)
NIGHT_FOLDER_HEADING = "### A folder on this computer"
NIGHT_FOLDER = "Folder on this computer"
NIGHT_FOLDER_HINT = "Paste or type where the photos are. They are read there, and not changed."
NIGHT_FOLDER_EXAMPLE = "such as /home/you/Pictures/shelf-tuesday"
NIGHT_FOLDER_BUTTON = "Go through this folder"
NIGHT_FILES_HEADING = "### Or hand the photos over"
NIGHT_FILES_HEADING_ALONE = "### Hand the photos over"
NIGHT_FILES_HINT = (
    "For photos on a phone or on another computer. They are copied, used, and the copies deleted. "
    "Sub-folders are not kept; views are told apart by what the photos show."
)
NIGHT_FILES = "Photos of the night"
NIGHT_WHOLE_FOLDER_BUTTON = "Hand over a whole folder"
NIGHT_FILES_BUTTON = "Go through these photos"
NIGHT_FORGET_BUTTON = "Put them all back"
NIGHT_NONE_YET = "No photo has been handed over yet."
NIGHT_ANSWER = "## 2. What moved"
NIGHT_ANSWER_WAITS = (
    "What moved will stand here: a summary for each view, the animals cut out, and a report to keep. "
    "Sixty photos take a few minutes; the bar shows how far it is."
)
NIGHT_REPORT_BUTTON = "Save the report"
NIGHT_REPORT_OPEN = "Open the report in a new tab"
NIGHT_REPORT_HINT = (
    "The report is one file with every picture in it. Save it if you want to keep it: the copy here "
    "is deleted when the page is stopped."
)

VERDICTS: dict[str, str] = {
    Group.LEECH_LIKE: "Leech-like: look again",
    Group.FLATWORM_LIKE: "Flatworm-like: keep watch",
    Group.HARMLESS: "Harmless to grown snails",
    Group.NOT_AN_ORGANISM: "Not an organism",
    CANT_TELL: "Can’t tell from this photo",
}
NIGHT_VERDICTS: dict[str, str] = {
    Group.LEECH_LIKE: "Something leech-like moved: look again",
    Group.FLATWORM_LIKE: "Something flatworm-like moved: keep watch",
    CANT_TELL: "Something moved that can’t be told",
    Group.HARMLESS: "Only harmless animals moved",
}
NIGHT_QUIET = "No animal was seen to move"
NIGHT_QUIET_SAYS = (
    "That is not proof that none is there: an animal may sit still, hide, or be smaller than the "
    "photos show. Photograph again on other nights."
)
NIGHT_UNSEEN = "The photos could not be compared"
NIGHT_UNSEEN_SAYS = (
    "No two neighbouring photos could be laid over each other, so this night says nothing about what "
    "moved. The reasons are listed below."
)
WHOLE_PHOTO = "Nothing stood out by itself, so the photo was judged as a whole."
WHY = "Why"
WHY_AND_SETTLES = "Why, and what would settle it"
SETTLES = "What would settle it"
HEAT_SWITCH = "Show which places of the picture speak for the answer"
LOOK_FOR_HEADING = "Look for this with your own eyes"
FURTHER = "Also found"
CONFIDENCE = "Confidence"
NOT_ENOUGH = "not enough to say"
ALL_ANSWERS = "How likely each answer is"
ON_THE_PHOTO = "On your photo"
NEAREST_CLASS = "Closest to"
NOTES = "About the photo"

SUMMARY = "Summary by view"
VIEW = "View"
PHOTOS = "Photos"
COMPARED = "Pairs compared"
AT_ONCE = "Seen at once, at most"
AT_ONCE_SAYS = (
    "“Seen at once” is the largest number on one photo: there are at least that many, and there may "
    "be more."
)
NONE_SEEN = "none"
ANIMALS = "The animals, by label"
LONG = "About {length} long"
SEEN_ON = "Seen on"
BUSIEST = "The photo with the most animals"
NOT_COMPARED = "Pairs that could not be compared"
MOVED_THINGS = "Things that moved and are no animal"
SKIPPED = "Files that were left out"
VIEW_NOTES = "Notes"

READING_PHOTO = "Opening the photo"
LOADING = "Getting ready: the first answer takes a few seconds longer"
WRITING_REPORT = "Writing the report"

LAN_USER = "keeper"
LAN_LOGIN = "Sign in as “keeper” with the password that the page was started with."
OPEN_AT = "The page is at {url}  (this computer only). Press Ctrl+C to stop it."
OPEN_AT_LAN = (
    "The page is at port {port} of this computer, for everyone in this network who has the password "
    "(user name: {user}). The password and the photos travel unencrypted: use it in a network you "
    "trust. Press Ctrl+C to stop it."
)
STOPPED = "The page is stopped."

NO_PHOTO = "No photo has been chosen yet."
NO_PHOTO_ADVICE = "Choose a photo first, then press the button."
PHOTO_GONE = "The photo you handed over is no longer kept: it is deleted after an hour."
PHOTO_GONE_ADVICE = "Choose it again."
NO_MARK = "No place is marked on the photo."
NO_MARK_ADVICE = "Click two opposite corners of the animal, or fill in all four edges."
BAD_MARK = (
    "The marked place runs from {left} to {right} % across and from {top} to {bottom} % down."
)
BAD_MARK_ADVICE = (
    "Give edges between 0 and 100, left smaller than right and top smaller than bottom."
)
NO_FOLDER = "No folder has been given."
NO_FOLDER_ADVICE = "Paste or type where the photos of the night are, then press the button."
NO_FILES = "No photos have been handed over yet."
NO_FILES_ADVICE = "Hand over at least two photos of the same glass, then press the button."
SHORT_PASSWORD = "The password has {length} characters, and at least {least} are needed."  # noqa: S105
SHORT_PASSWORD_ADVICE = "Choose a longer one: everyone in the network can try to guess it."  # noqa: S105
PORT_TAKEN = "Port {port} cannot be used; another program may be using it."
NO_PORT = "No free port was found for the page."
PORT_ADVICE = "Give another number, from 1024 to 65535."
BAD_PORT = "Port {port} is not a port that a page can use."
NO_WORK_FOLDER = "The folder {folder} cannot be written to: {reason}."
NO_WORK_FOLDER_ADVICE = "Free some space, or make the folder writable, and start again."


def count(number: int, one: str, many: str) -> str:
    """Give a number with its noun: `1 photo`, `3 photos`."""
    return f"{number} {one if number == 1 else many}"


def per_cent(probability: float) -> str:
    """Give a probability in per cent; never 0 or 100, which would claim certainty."""
    rounded = round(100 * probability)
    if rounded >= 100:
        return "over 99 %"
    if rounded <= 0:
        return "under 1 %"
    return f"{rounded} %"


def handed_over(n_photos: int) -> str:
    """Say how many photos wait to be gone through."""
    if n_photos == 0:
        return NIGHT_NONE_YET
    return f"{count(n_photos, 'file is', 'files are')} waiting to be gone through."


def time_left(seconds: float) -> str:
    """Say how long the rest takes, coarsely."""
    if seconds < 10:
        return "a few seconds left"
    if seconds < 90:
        return f"about {round(seconds, -1):.0f} seconds left"
    return f"about {round(seconds / 60)} minutes left"
