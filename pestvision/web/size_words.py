"""Every sentence of the page on clips, sizes and scales."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.organisms.classes import CANT_TELL
from pestvision.size.coin import OUT_OF_THE_TANK
from pestvision.size.records import (
    CARD_OUTLINE,
    COIN,
    DUCKWEED,
    MARKER_CARD,
    RULER,
    TWO_POINTS,
)
from pestvision.size.refraction import ScaleAt
from pestvision.web import words

if TYPE_CHECKING:
    from pestvision.size.records import Scale

CLIP_HERE = (
    "Your clip is here; its first frame is shown. Now press “Check this clip”: that may take a few times "
    "as long as the clip."
)
CHECK_CLIP_BUTTON = "Check this clip"
CLIP_PICTURE = "The first frame of your clip"
CLIP_NOTES = "About the clip"
AFTER_IRRITANT = "The animal was poked, dipped or dosed within the last hour"
AFTER_IRRITANT_HINT = (
    "An irritated flatworm loops like a leech, so its steps then say nothing of what it is. Do not irritate "
    "an animal for the test: film it as it is."
)
ON_A_STAND = "The camera stood on a stand or a shelf and did not move"
ON_A_STAND_HINT = (
    "Where nothing but the animal shows, its way can only be told if this is so. Leave it empty if you held the "
    "camera."
)
CLIP_VERDICTS: dict[str, str] = {**words.VERDICTS, CANT_TELL: "Can’t tell from this clip"}
WHOLE_CLIP = (
    "No animal could be followed over the clip, so its clearest frame was judged as a whole."
)
TRACKS = "Where they went"
_TRACK_KEY = "Ring: where its middle was first seen. Arrow: the way it went. Coloured lines: its body at some moments."
TRACKS_SAY = f"The first frame. {_TRACK_KEY}"
TRACKS_CLOSE = "Where they went, close up"
TRACKS_CLOSE_SAY = f"Part of the first frame; the small picture is the whole of it. {_TRACK_KEY}"
FURTHER = "Also followed"
HOW_IT_MOVED = "How it moved"
GAIT_UNKNOWN = "How it moved cannot be told"
GAIT_LIKELY = "How likely each way of moving is"
SPEED_MM = "Its middle went {speed} mm a second."
SPEED_LENGTHS = "Its middle went {speed} of its own lengths a second."
FOLLOWED = "Followed for {seconds} seconds, from second {start} on."
SIZE = "How long it is"
SIZE_UNKNOWN = "How long it is, is not known"
NO_SCALE_CLIP = "Its length in millimetres is not known: no scale was taken. Under “How long is it?” you can mark one."
CURVE = "Its length over time"
ON_THE_CLIP = "the clip"

SCALE = "4. How long is it?"
SCALE_HINT = (
    "If something of known size lies beside the animal, its length can be told. Say what it is, then press "
    "“Take this scale”. A printed marker card is found without your help when the photo is checked."
)
CLICKS = "A click on the photo marks"
CLICKS_PLACE = "a corner of the place to judge"
CLICKS_END = "an end of a known length"
WAY = "What lies there?"
WAYS: dict[str, str] = {
    TWO_POINTS: "Two points whose distance I know",
    MARKER_CARD: "The printed marker card",
    COIN: "A coin",
    CARD_OUTLINE: "A card as large as a bank card",
    RULER: "A ruler with millimetre marks",
    DUCKWEED: "A leaf of duckweed",
}
ENDS_HINT = (
    "Click (or tap) the photo twice, at both ends of the length. Or type where the ends are, in per cent of "
    "the photo: across from the left edge, down from the top edge."
)
ENDS = ("End A across, %", "End A down, %", "End B across, %", "End B down, %")
DISTANCE = "Distance between the two, mm"
BAR = "The bar on the card measures, mm"
BAR_HINT = "Printers shrink. Measure the 100 mm bar with a ruler; leave it empty if you cannot."
TICK = "From one mark to the next, mm"
TICK_HINT = "Usually 1. Leave it empty to have it read from the longer marks, where they show it."
COIN_KIND = "Which coin is it?"
COIN_HINT = (
    "First let the round things on the photo be found, then say which of them is the coin. Which coin it is, "
    f"only you can say: coins of other kinds differ by less than can be seen. {OUT_OF_THE_TANK}"
)
FIND_ROUNDS = "Find round things"
ROUND = "Which round thing is the coin?"
ROUND_HINT = "The numbers are on the photo."
ROUNDS_FOUND = "{many}. Say which is the coin, then press “Take this scale”."
NO_ROUNDS = (
    "Nothing round was found that may be a coin. Lay it flat, clear of everything else, on a ground that it "
    "stands out from, and take the photo again; or mark two points on it."
)
DUCKWEED_HINT = (
    "Mark both ends of one leaf, along its longer side. Leaves are 1 to 8 mm long, so this tells an order of "
    "magnitude only."
)
WHERE = "Where was it?"
WHERES: dict[str, str] = {
    ScaleAt.ANIMAL_DEPTH: "Beside the animal",
    ScaleAt.OUTER_GLASS: "On the glass in front of it, outside",
    ScaleAt.INNER_GLASS: "On the glass in front of it, inside",
}
DISTANCES_HINT = (
    "Through glass and water things look nearer. With these three distances lengths are corrected; leave "
    "empty what you do not know, and the range of each length becomes wider instead."
)
CAMERA_MM, PANE_MM, DEPTH_MM = (
    "From the lens to the glass, mm",
    "Thickness of the glass, mm",
    "From the glass to the animal, mm",
)
CARD_HINT = (
    "Any card as large as a bank card will do; its outline is looked for when you press the button."
)
TAKE_SCALE = "Take this scale"
DROP_SCALE = "Remove the scale"
NO_SCALE_YET = "No scale is taken: lengths are given in pixels or not at all."
END_A_SET = "End A is set. Now click the other end."
ENDS_SET = "Both ends are set. Type the distance between them, then press “Take this scale”."
LEAF_ENDS_SET = "Both ends are set. Press “Take this scale”."
ENDS_GONE = "No end is marked."
SCALE_TAKEN = "The scale is taken from {what}."
SCALE_FOUND = "A printed marker card was found on the photo, and lengths were taken from it."
SCALE_PRESS = "It is outlined on the photo. Press “{button}” to have lengths with the answer."
NO_SCALE_TAKEN = "No scale was taken."
ROUGH = "It tells an order of magnitude only."
ENDS_MISSING = "The two ends of the known length are not both marked."
ENDS_MISSING_ADVICE = "Click both ends on the photo, or fill in all four fields."
ENDS_OUTSIDE = "An end of the known length lies outside the photo or is no number: {told}."
ENDS_OUTSIDE_ADVICE = "Give numbers from 0 to 100."
DISTANCE_MISSING = "The distance between the two points is missing."
DISTANCE_MISSING_ADVICE = "Type it in millimetres, such as 50."
NOT_A_NUMBER = "“{text}” in the field “{field}” is not a number."
NOT_A_NUMBER_ADVICE = "Type a number of millimetres, such as 25 or 12.5, or leave the field empty."
COIN_MISSING = "It is not said which coin it is."
COIN_MISSING_ADVICE = "Choose the coin from the list."
ROUND_MISSING = "It is not said which round thing is the coin."
ROUND_MISSING_ADVICE = "Press “Find round things”, then choose its number."
WAY_UNKNOWN = "It is not said what lies there."
WAY_UNKNOWN_ADVICE = "Choose what lies there from the list."
CLIP_TEACHING_NOTE = "What a clip shows is not kept in the album: choose a photo for that."


def rounds_found(many: int) -> str:
    """Say how many round things were found, and what to do."""
    if not many:
        return NO_ROUNDS
    return ROUNDS_FOUND.format(
        many=words.count(many, "round thing is outlined", "round things are outlined")
    )


def pixels_of_a_mm(mm_per_px: float) -> str:
    """Say how large a millimetre is on the photo."""
    pixels = 1.0 / mm_per_px
    return f"In the middle of the photo a millimetre is {pixels:.3g} pixels long."


def unsure_by(scale: Scale) -> str:
    """Say how unsure lengths are by the scale alone; empty for a rough one, which gives none."""
    if scale.is_rough:
        return ROUGH
    low, high = scale.range_mm(1.0)
    return (
        f"From the scale alone, a length of 10 mm may be {10 * low:.1f} to {10 * high:.1f} mm, 95 times in "
        "100."
    )


def clip_seconds(seconds: float) -> str:
    """Say how long a clip is."""
    return f"{seconds:.1f} seconds"


def clip_facts(n_frames: int, n_looked: int) -> str:
    """Say how much of a clip was looked at."""
    return f"It has {words.count(n_frames, 'frame', 'frames')}; {n_looked} were looked at."
